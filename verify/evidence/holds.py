"""Where a channel was held still: stretches of one level, from which side it was reached.

Comes after the importers and before the checks that compare steady positions. A foot trembles and
a reading has steps, so "still" is a band; a slow drift is no hold. Nothing is taken across a gap or
a stale stretch. Everything works on arrays: a long recording has tens of thousands of holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.ranks import places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.stretches import as_slice, blocks, places_in, reduced
from verify.values import dataclass

Places = NDArray[np.intp]

# Two readings may lie so far apart and still speak for the time between.
LONGEST_STEP_S = 5.0
# A longer stillness is cut into pieces, so that a change of level in it does not average out.
PIECE_S = 10.0
# The side from which a level was reached shows in this time before it.
BEFORE_S = 1.0


@dataclass(frozen=True, slots=True)
class Holds:
    """Held levels of one channel, in time order; every field has shape (k,).

    start_s, end_s: first and last reading of the hold. level: mean of its readings, in the
        channel's unit. spread: largest minus smallest. samples: readings.
    came: +1 reached from below, −1 from above, 0 not known. run: pieces of one long stillness
        share a number.
    """

    start_s: Array
    end_s: Array
    level: Array
    spread: Array
    samples: NDArray[np.intp]
    came: NDArray[np.int64]
    run: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.start_s)

    def only(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Holds:
        return Holds(*(getattr(self, f.name)[which] for f in fields(self)))


def holds_of(
    channel: Channel,
    gaps: Sequence[tuple[float, float]],
    *,
    within: float,
    least_s: float = 1.8,
    least_readings: int = 2,
) -> Holds:
    """The stretches of `least_s` or more in which a channel stays within a band.

    within: width of the band, in the channel's unit (> 0). A hold is made of stretches of
    `least_s` with all readings in such a band; one whose readings wander by more than 1.5 bands
    altogether (a drift) is left out.
    """
    none = np.empty(0)
    empty = np.empty(0, dtype=np.intp)
    t, v = channel.time_s, channel.values
    n = len(t)
    if n < max(2, least_readings):
        return Holds(none, none, none, none, empty, np.empty(0, dtype=np.int64), empty)
    longest = sp.longest_step_s(channel, LONGEST_STEP_S)
    broken = sp.breaks(t, longest, gaps)
    begin = _as_long_ago(t, least_s)
    first = np.maximum(begin, 0)
    count = np.arange(1, n + 1) - first
    full = (begin >= 0) & (count >= least_readings)
    if broken[-1]:
        full &= broken == broken[first]
    still = np.zeros(n, dtype=bool)
    able = as_slice(np.flatnonzero(full))
    still[able] = _range_of(v, first[able], count[able]) <= within
    starts, ends = sp.runs_of(still)
    begins = first[starts]
    return _pieces(channel, begins, ends, broken, within, least_s, least_readings)


@shared
def _as_long_ago(time_s: Array, seconds: float) -> Places:
    """The place of the last time that lies so long before each, −1 where there is none."""
    return places_among(time_s, time_s - seconds, "right") - 1


def _range_of(values: Array, first: NDArray[np.intp], count: NDArray[np.intp]) -> Array:
    """Largest minus smallest of count values from first on, shape (k,)."""
    high, low = extremes(values, first, count)
    return high - low


def extremes(
    values: Array, first: NDArray[np.intp], count: NDArray[np.intp]
) -> tuple[Array, Array]:
    """(largest, smallest) of count values (≥ 1) from first on: doubling blocks, O(n log count);
    where they lie far apart, each by itself.

    first: ascending, or nearly so, for speed alone.
    """
    highest, lowest = np.zeros(len(first)), np.zeros(len(first))
    # Part by part, so that all blocks stay in the processor's cache.
    for part in blocks(len(first)):
        own, sizes = first[part], count[part]
        start = int(own.min())
        near = values[start : int((own + sizes).max())]
        if int(sizes.sum()) <= len(near):
            after = own - start + sizes
            highest[part] = reduced(np.maximum, near, own - start, after)
            lowest[part] = reduced(np.minimum, near, own - start, after)
        else:
            _extremes(near, own - start, sizes, highest[part], lowest[part])
    return highest, lowest


def extremes_between(values: Array, first: slice, last: slice) -> tuple[Array, Array]:
    """(largest, smallest) of values[first.start + i : last.start + i + 1] for each i.

    first, last: of equal length, `last` not before `first`.
    """
    n, count = first.stop - first.start, last.start - first.start + 1
    highest, lowest = np.empty(n), np.empty(n)
    for part in blocks(n):
        high = low = values[first.start + part.start : first.start + part.stop + count - 1]
        size, many = 1, part.stop - part.start
        while 2 * size <= count:
            high, low = np.maximum(high[:-size], high[size:]), np.minimum(low[:-size], low[size:])
            size *= 2
        rest = slice(count - size, count - size + many)
        np.maximum(high[:many], high[rest], out=highest[part])
        np.minimum(low[:many], low[rest], out=lowest[part])
    return highest, lowest


def _extremes(
    values: Array, first: NDArray[np.intp], count: NDArray[np.intp], highest: Array, lowest: Array
) -> None:
    """Writes what `extremes` gives."""
    # Two blocks of this size, which may overlap, make up any stretch that is no shorter.
    size = 1 << (int(count.max()).bit_length() - 1)
    high, low, half = values, values, 1
    while half < size:
        high, low = np.maximum(high[:-half], high[half:]), np.minimum(low[:-half], low[half:])
        half *= 2
    last = first + count - size
    np.maximum(high.take(first, mode="clip"), high.take(last, mode="clip"), out=highest)
    np.minimum(low.take(first, mode="clip"), low.take(last, mode="clip"), out=lowest)
    short = np.flatnonzero(count < size)
    if len(short):
        highest[short], lowest[short] = extremes(values, first[short], count[short])


def _pieces(
    channel: Channel,
    begins: NDArray[np.intp],
    ends: NDArray[np.intp],
    broken: NDArray[np.intp],
    within: float,
    least_s: float,
    least_readings: int,
) -> Holds:
    """Stretches of readings [begin, end) cut into pieces of about PIECE_S, with their numbers."""
    t, v = channel.time_s, channel.values
    # Two bands that follow each other closely may share readings: the first keeps them.
    begins = np.maximum(begins, np.concatenate([[0], ends[:-1]]).astype(np.intp)[: len(begins)])
    seconds = t[np.maximum(ends - 1, 0)] - t[begins] if len(begins) else np.empty(0)
    cuts = np.maximum(1, np.floor(seconds / PIECE_S)).astype(np.intp)
    run = np.repeat(np.arange(len(begins)), cuts)
    place = np.arange(len(run)) - np.repeat(np.cumsum(cuts) - cuts, cuts)
    edge = t[begins[run]] + place * (seconds[run] / cuts[run])
    start = np.maximum(np.searchsorted(t, edge, side="left"), begins[run]).astype(np.intp)
    stop = np.append(start[1:], 0)
    last = np.append(run[1:] != run[:-1], True)[: len(run)] if len(run) else np.empty(0, bool)
    stop[last] = ends[run[last]]
    good = (stop - start >= least_readings) & (t[np.maximum(stop - 1, 0)] - t[start] >= 0.0)
    start, stop, run = start[good], stop[good], run[good]
    level = _mean(v, start, stop)
    spread = reduced(np.maximum, v, start, stop) - reduced(np.minimum, v, start, stop)
    came = _came(channel, begins, ends, broken, within)[run]
    # What was reached a first time is held on to: later pieces of the run came the same way.
    kept = (spread <= 1.5 * within) & (t[stop - 1] - t[start] >= 0.9 * least_s)
    found = Holds(t[start], t[stop - 1], level, spread, stop - start, came, run)
    return found.only(kept)


def _came(
    channel: Channel,
    begins: NDArray[np.intp],
    ends: NDArray[np.intp],
    broken: NDArray[np.intp],
    within: float,
) -> NDArray[np.int64]:
    """From which side each run was reached, by the readings of the second before it.

    Not known where some of them lie above and some below (a foot that overshot), or where the
    logger missed something.
    """
    t, v = channel.time_s, channel.values
    level = _mean(v, begins, ends)
    ahead = np.searchsorted(t, t[begins] - BEFORE_S, side="left")
    first = np.maximum(np.minimum(ahead, begins - 1), 0)
    known = (begins > 0) & (broken[begins] == broken[first])
    after = np.maximum(begins, first + 1)
    high, low = reduced(np.maximum, v, first, after), reduced(np.minimum, v, first, after)
    below, above = level - low > 0.8 * within, high - level > 0.8 * within
    return np.where(known & (below != above), np.where(below, 1, -1), 0).astype(np.int64)


def _mean(v: Array, start: Places, stop: Places) -> Array:
    """Of each stretch of one reading or more."""
    result: Array = reduced(np.add, v, start, stop) / np.maximum(stop - start, 1)
    return result


def means_within(channel: Channel, start_s: Array, end_s: Array) -> tuple[Array, Places]:
    """(mean, number) of the readings in each [start_s, end_s], shapes (k,); NaN without a reading.

    channel: with one reading or more.
    """
    first, after = _between(channel, start_s, end_s)
    count = after - first
    return np.where(count > 0, _mean(channel.values, first, after), np.nan), count


def scatter_within(channel: Channel, start_s: Array, end_s: Array) -> Array:
    """The standard deviation of one reading in each [start_s, end_s], shape (k,).

    NaN where there are no two. channel: with one reading or more.
    """
    first, after = _between(channel, start_s, end_s)
    count = after - first
    sound = np.flatnonzero(count > 1)
    result = np.full(len(count), np.nan)
    if len(sound):
        first, after, count = first[sound], after[sound], count[sound]
        values = channel.values[places_in(first, after)]
        values -= np.repeat(_mean(channel.values, first, after), count)
        squares = np.add.reduceat(values * values, np.cumsum(count) - count)
        result[sound] = np.sqrt(squares / (count - 1))
    return result


def _between(channel: Channel, start_s: Array, end_s: Array) -> tuple[Places, Places]:
    first = np.searchsorted(channel.time_s, start_s, side="left")
    return first, np.maximum(np.searchsorted(channel.time_s, end_s, side="right"), first)


def inside_one(start_s: Array, end_s: Array, spans: Array) -> NDArray[np.bool_]:
    """For each stretch, whether it lies wholly within one of the spans."""
    if not len(spans):
        return np.zeros(len(start_s), dtype=bool)
    place = np.searchsorted(spans[:, 0], start_s, side="right") - 1
    safe = np.maximum(place, 0)
    result: NDArray[np.bool_] = (place >= 0) & (spans[safe, 1] >= end_s)
    return result


def first_channel(recording: Recording, names: Sequence[str]) -> Channel | None:
    """The first of these channels that has two readings or more."""
    for name in names:
        channel = recording.channels.get(name)
        if channel is not None and len(channel.values) >= 2:
            return channel
    return None
