"""Stretches of time as arrays: where something held, and where two things held together.

A span array has shape (k, 2): start and end in seconds, ascending, not overlapping. Everything is
vectorised, because a recording may have a million readings and noise as many spans.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array, Channel
from verify.evidence.sharing import shared

EMPTY: Array = np.empty((0, 2))
EMPTY.setflags(write=False)

# A reading speaks for the time until the next one only if that comes about when it should.
STALE_INTERVALS = 2.5


def longest_step_s(channel: Channel, cap_s: float) -> float:
    """How far two readings may lie apart and still speak for the time between: 2.5 of the
    channel's own intervals, and never more than `cap_s`, within which its quantity could change.
    0 for a channel with fewer than two readings."""
    if not channel.interval_s > 0.0:
        return 0.0
    return min(STALE_INTERVALS * channel.interval_s, cap_s)


@shared
def since_last_s(time_s: Array) -> Array:
    """Seconds since the time before, shape (n,), 0 for the first."""
    result = np.empty_like(time_s)
    result[:1] = 0.0
    np.subtract(time_s[1:], time_s[:-1], out=result[1:])
    return result


def steps_s(time_s: Array) -> Array:
    """Seconds from each time to the next, shape (n − 1,)."""
    return since_last_s(time_s)[1:]


@shared
def reach(channel: Channel) -> tuple[float, float]:
    """(smallest, largest) of its readings, of which it has one or more."""
    return float(channel.values.min()), float(channel.values.max())


@shared
def linked(
    time_s: Array, longest_s: float, gaps: Sequence[tuple[float, float]]
) -> NDArray[np.bool_]:
    """For each step from one reading to the next, whether both speak for the time between.

    Shape (n − 1,). False where the step is longer than `longest_s` or a gap falls into it.
    """
    good: NDArray[np.bool_] = steps_s(time_s) <= longest_s
    if gaps:
        before, after = time_s[:-1], time_s[1:]
        edges = np.asarray(sorted(gaps), dtype=np.float64)
        begun = np.searchsorted(edges[:, 0], after, side="left")
        over = np.searchsorted(np.sort(edges[:, 1]), before, side="right")
        good &= begun == over
    return good


@shared
def breaks(
    time_s: Array, longest_s: float, gaps: Sequence[tuple[float, float]]
) -> NDArray[np.intp]:
    """Number of steps before each reading that are not `linked`, shape (n,): two readings with the
    same number have nothing left out between them."""
    result = np.zeros(len(time_s), dtype=np.intp)
    if len(time_s):
        apart = ~linked(time_s, longest_s, gaps)
        if apart.any():
            np.cumsum(apart, out=result[1:])
    return result


def runs_of(holds: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(first place of each unbroken run of true ones, first place after it)."""
    if not len(holds):
        none = np.empty(0, dtype=np.intp)
        return none, none
    turns = np.flatnonzero(holds[1:] != holds[:-1]) + 1
    begins = holds[turns]
    starts, ends = turns[begins], turns[~begins]
    if holds[0]:
        starts = np.insert(starts, 0, 0)
    if holds[-1]:
        ends = np.append(ends, len(holds))
    return starts, ends


def states(on: NDArray[np.bool_], off: NDArray[np.bool_]) -> NDArray[np.int8]:
    """1 where it is on, 0 where it is off, elsewhere what it was before (−1 where unknown)."""
    known = on | off
    told = np.flatnonzero(known)
    if len(told) == len(known):
        return on.astype(np.int8)
    result = np.full(len(known), -1, dtype=np.int8)
    if len(told):
        lasts = np.diff(told, append=len(known))
        result[told[0] :] = np.repeat(on[told].astype(np.int8), lasts)
    return result


def brief_runs(
    time_s: Array, raised: NDArray[np.bool_], around: NDArray[np.bool_], longest_s: float
) -> NDArray[np.bool_]:
    """Readings of the unbroken runs of `raised` that have a reading of `around` right before and
    right after, these two at most `longest_s` apart. All shapes (n,).

    A run at the start or the end of the recording, or one that leads elsewhere, is none of them.
    """
    first, after = runs_of(raised)
    within = (first > 0) & (after < len(raised))
    first, after = first[within], after[within]
    brief = around[first - 1] & around[after] & (time_s[after] - time_s[first - 1] <= longest_s)
    # In at the first place of each such run, out at the place after it.
    edges = np.zeros(len(raised) + 1, dtype=np.int8)
    edges[first[brief]] = 1
    edges[after[brief]] = -1
    found: NDArray[np.bool_] = np.cumsum(edges[:-1], dtype=np.int8) > 0
    return found


def true_spans(
    time_s: Array,
    holds: NDArray[np.bool_],
    longest_s: float,
    gaps: Sequence[tuple[float, float]],
) -> Array:
    """Where `holds` is true at both ends of every step: from a first reading to a last one.

    Conservative on purpose: what held before the first true reading or after the last is unknown.
    """
    if len(time_s) < 2:
        return EMPTY
    good = holds[:-1] & holds[1:]
    if gaps or longest_s < math.inf:
        good &= linked(time_s, longest_s, gaps)
    starts, ends = runs_of(good)
    return np.column_stack([time_s[starts], time_s[ends]])


def intersect(first: Array, second: Array) -> Array:
    """Where both hold; stretches without length are left out."""
    if not len(first) or not len(second):
        return EMPTY
    times = np.concatenate([first[:, 0], second[:, 0], first[:, 1], second[:, 1]])
    begins = len(first) + len(second)
    step = np.ones(len(times), dtype=np.int64)
    step[begins:] = -1
    order = np.lexsort((step, times))  # at equal times ends come first
    times, depth = times[order], np.cumsum(step[order])
    both = np.flatnonzero(depth[:-1] == 2)
    spans = np.column_stack([times[both], times[both + 1]])
    return spans[spans[:, 1] > spans[:, 0]]


def without(spans: Array, holes: Array) -> Array:
    """What is left of `spans` outside `holes` (sorted, not overlapping)."""
    if not len(spans) or not len(holes):
        return spans
    inner = np.column_stack(
        [np.concatenate([[-np.inf], holes[:, 1]]), np.concatenate([holes[:, 0], [np.inf]])]
    )
    return intersect(spans, inner)


def trim(spans: Array, start_s: float, end_s: float) -> Array:
    """Each span shortened at its start and its end; what has no length left is gone."""
    if not len(spans):
        return spans
    shorter = np.column_stack([spans[:, 0] + start_s, spans[:, 1] - end_s])
    return shorter[shorter[:, 1] > shorter[:, 0]]


def at_least(spans: Array, seconds: float) -> Array:
    return spans[(spans[:, 1] - spans[:, 0]) >= seconds] if len(spans) else spans


def total_s(spans: Array) -> float:
    return float(np.sum(spans[:, 1] - spans[:, 0])) if len(spans) else 0.0


def inside(time_s: Array, spans: Array) -> NDArray[np.bool_]:
    """For each time, whether it lies in one of the spans (ends included). time_s: ascending."""
    first = np.searchsorted(time_s, spans[:, 0], side="left")
    after = np.searchsorted(time_s, spans[:, 1], side="right")
    # Out, in, out, in, … : spans that touch share a reading, which the first of them keeps.
    edges = np.maximum.accumulate(np.column_stack([first, after]).ravel())
    lengths = np.diff(edges, prepend=0, append=len(time_s))
    return np.repeat(np.arange(len(lengths)) % 2 == 1, lengths)


def pieces(channel: Channel, spans: Array) -> list[tuple[Array, Array]]:
    """(times, values) of the channel's readings in each span."""
    first = np.searchsorted(channel.time_s, spans[:, 0], side="left")
    last = np.searchsorted(channel.time_s, spans[:, 1], side="right")
    return [
        (channel.time_s[a:b], channel.values[a:b])
        for a, b in zip(first.tolist(), last.tolist(), strict=True)
    ]
