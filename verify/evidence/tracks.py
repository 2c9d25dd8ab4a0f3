"""Two tracks of one position, read one after the other: which readings may be compared.

Comes before `checks/pairs.py`. While a pedal moves, two sound tracks read a row apart differ; so a
reading of one is compared only where the readings of the other before and after it, and all
between, lie so close together that the movement cannot matter. What is left is grouped: one group
is one level in one stretch of ten seconds or less, in which the two stay the same distance apart.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.holds import extremes, extremes_between
from verify.evidence.lines import Line
from verify.evidence.ranks import median_of, medians_of, places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.stretches import as_slice, blocks, places_in, places_of
from verify.values import dataclass

Mask = NDArray[np.bool_]
Places = NDArray[np.intp]

LONGEST_STEP_S = 5.0
# Movement between the readings on both sides, in shares of the travel, beyond the reading's step.
QUIET_SHARE = 0.015
# The greatest age is a little more than a row. That both readings have just that age at once is so
# rare that a row more on each side, which costs half of a short hold, is not asked for it.
SLACK_SHARE = 0.15
PIECE_S = 10.0
# A single reading so far off, in percent of span; nothing moves there and back in the time.
SINGLE_PERCENT, DROP_PERCENT, THERE_AND_BACK_S = 3.0, 15.0, 0.25
BEYOND_REST_PERCENT = 6.0
MOST_DROP_READINGS = 3
# The distance of the tracks jumps between two readings where it changes by more than rounding can,
# and by more than this many times its usual change.
JUMP_NOISE = 4.0


@dataclass(frozen=True, slots=True)
class Pairs:
    """Readings y of one track, each with the other track's x around the same time; shapes (n,).

    t: time of y. place: which recording. x: interpolated. low, high: extremes of x from the
    reading before to the one after, across the ages the readings may have. around_s: that time.
    follows: whether the pair before belongs to the same unbroken series of readings.
    """

    t: Array
    place: NDArray[np.intp]
    x: Array
    y: Array
    low: Array
    high: Array
    around_s: Array
    follows: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.t)


@shared
def _around(
    x_s: Array, y_s: Array, back_s: float, ahead_s: float, longest_s: float,
    gaps: tuple[tuple[float, float], ...],
) -> tuple[Places | slice, Places | slice, Places | slice]:  # fmt: skip
    """(which readings of y have some of x shortly before and after them, the places of these in x).

    Both tracks of a pedal and both of a plate mostly stand in the same rows: what is found for one
    pair holds for all. Places that follow one another are a slice, so that nothing is copied.
    """
    n = len(x_s)
    before = places_among(x_s, y_s - back_s, "left") - 1
    after = places_among(x_s, y_s + ahead_s, "right")
    good = (before >= 0) & (after < n)
    broken = sp.breaks(x_s, longest_s, gaps)
    if len(broken) and broken[-1]:
        good &= broken[np.maximum(before, 0)] == broken[np.minimum(after, n - 1)]
    index = as_slice(np.flatnonzero(good))
    return index, as_slice(before[index]), as_slice(after[index])


def bracketed(
    recording: Recording, x: Channel, y: Channel, place: int = 0, *, strict: bool = False
) -> Pairs:
    """Every reading of y that has readings of x shortly before and after it.

    x, y: with ascending times. strict: even were both as old as they can be.
    A pair is left out where a reading is stale or a gap lies between.
    """
    slack = SLACK_SHARE * x.interval_s if x.interval_s > 0.0 and not strict else 0.0
    back, ahead = max(0.0, y.skew_s - slack), max(0.0, x.skew_s - slack)
    longest = sp.longest_step_s(x, LONGEST_STEP_S)
    index, before, after = _around(x.time_s, y.time_s, back, ahead, longest, recording.gaps)
    t, values = y.time_s[index], y.values[index]
    if isinstance(before, slice) and isinstance(after, slice):
        high, low = extremes_between(x.values, before, after)
    else:
        first, last = places_of(before), places_of(after)
        high, low = extremes(x.values, first, last - first + 1)
    if x.time_s is y.time_s:
        at = x.values[index]
    else:
        at = np.interp(t, x.time_s, x.values) if len(x.time_s) else values
    own = sp.linked(y.time_s, sp.longest_step_s(y, LONGEST_STEP_S), recording.gaps)
    follows = np.ones(len(y.time_s), dtype=bool)
    follows[1:] = own
    follows = follows[index]
    if not isinstance(index, slice):
        follows[1:] &= np.diff(index) == 1
    follows[:1] = False
    around = x.time_s[after] - x.time_s[before] + x.skew_s + y.skew_s
    places = np.broadcast_to(np.intp(place), len(t))
    return Pairs(t, places, at, values, low, high, around, follows)


def joined(parts: list[Pairs]) -> Pairs:
    if len(parts) == 1:
        return parts[0]
    return Pairs(*(np.concatenate([getattr(p, n) for p in parts]) for n in Pairs.__slots__))


@dataclass(frozen=True, slots=True)
class Groups:
    """Pairs of one level in one stretch; every field has shape (g,).

    x, y: medians. scatter: robust standard deviation of y around the group's own trend-free
    middle. motion: mean movement of x around the readings. samples: pairs. start_s, end_s, place.
    """

    x: Array
    y: Array
    scatter: Array
    motion: Array
    samples: NDArray[np.intp]
    start_s: Array
    end_s: Array
    place: NDArray[np.intp]
    level: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.x)


def quiet(pairs: Pairs, travel: float, step: float) -> Mask:
    result = np.empty(len(pairs), dtype=bool)
    for part in blocks(len(pairs)):
        moved = pairs.high[part] - pairs.low[part]
        np.less_equal(moved, QUIET_SHARE * travel + 1.01 * step, out=result[part])
    return result


def rough_slope(pairs: Pairs, take: Mask) -> float:
    """About how much y changes with x over the pairs that `take` marks; 0 where x does not."""
    x_low, x_high, y_low, y_high = math.inf, -math.inf, math.inf, -math.inf
    count, sum_x, sum_y, both, size = 0, 0.0, 0.0, 0.0, 0.0
    x_first = y_first = 0.0
    for part in blocks(len(pairs)):
        x, y = pairs.x[part][take[part]], pairs.y[part][take[part]]
        if not len(x):
            continue
        if not count:
            x_first, y_first = float(x[0]), float(y[0])
        count += len(x)
        x_low, x_high = min(x_low, float(x.min())), max(x_high, float(x.max()))
        y_low, y_high = min(y_low, float(y.min())), max(y_high, float(y.max()))
        x, y = x - x_first, y - y_first
        sum_x += float(x.sum())
        sum_y += float(y.sum())
        x *= y
        both += float(x.sum())
        size += float(np.abs(x).sum())
    if count < 2 or x_high - x_low <= 0.0:
        return 0.0
    # Only the sign is asked for, and it is sure unless the sums nearly cancel.
    together = both - sum_x * sum_y / count
    if not abs(together) > 1e-9 * (size + abs(sum_x * sum_y) / count):
        x, y = pairs.x[take], pairs.y[take]
        together = float(np.sum((x - x.mean()) * (y - y.mean())))
    return float((y_high - y_low) / (x_high - x_low) * np.sign(together))


def _jumps(pairs: Pairs, fresh: Mask, slope: float, steps: tuple[float, float]) -> Mask:
    """Where the distance of the tracks is another than at the reading before.

    An offset that comes or goes while a level is held would else be averaged away.
    """
    change = np.empty(max(len(pairs) - 1, 0))
    for part in blocks(len(change)):
        near = slice(part.start, part.stop + 1)
        distance = pairs.y[near] - slope * pairs.x[near]
        np.abs(np.diff(distance), out=change[part])
    within = change[~fresh[1:]]
    usual = 1.4826 * median_of(within) if len(within) else 0.0
    result = np.zeros(len(pairs), dtype=bool)
    for part in blocks(len(change)):
        moved = pairs.high[part.start : part.stop + 1] - pairs.low[part.start : part.stop + 1]
        rounding = np.maximum(moved[1:], moved[:-1])
        rounding *= 0.5
        rounding += steps[0]
        rounding *= abs(slope)
        rounding += 1.5 * steps[1]
        rounding += JUMP_NOISE * usual
        np.greater(change[part], rounding, out=result[1:][part])
    return result


@dataclass(frozen=True, slots=True)
class Parts:
    """Which pairs belong together, before anything is computed of them.

    pairs: all of them. order: the places of those that were taken, group behind group. start,
    samples, level: shape (g,), the first place of each group in `order`, its pairs, its level.
    """

    pairs: Pairs
    order: Places
    start: Places
    samples: Places
    level: NDArray[np.int64]


def parted(
    pairs: Pairs, take: Mask, level_width: float, slope: float,
    steps: tuple[float, float] = (0.0, 0.0),
) -> Parts:  # fmt: skip
    """The pairs that `take` marks, in groups of one level and one unbroken stretch.

    level_width: in units of x. slope: of y over x. steps: resolutions of x and y.
    """
    if not take.any():
        empty = np.empty(0, dtype=np.intp)
        return Parts(pairs, empty, empty, empty, np.empty(0, np.int64))
    n = len(pairs)
    # Most are taken, so nothing is copied: what is not taken are groups that are left out after.
    fresh = ~(pairs.follows & take)
    fresh[1:] |= ~take[:-1]
    fresh[:1] = True
    fresh |= _jumps(pairs, fresh, slope, steps)
    begins = np.flatnonzero(fresh)
    # Stretches of ten seconds or less follow one another in time: only levels need sorting.
    part = pairs.t - np.repeat(pairs.t[begins], np.diff(begins, append=n))
    part /= PIECE_S
    np.floor(part, out=part)
    fresh[1:] |= part[1:] != part[:-1]
    level = np.floor(pairs.x / level_width).astype(np.int64)
    lowest, levels = int(level.min()), int(level.max()) - int(level.min()) + 1
    rank = level - lowest
    if levels * n >= 1 << 62:  # readings no car has: what counts is their order
        rank = np.unique(level, return_inverse=True)[1]
        levels = n
    key = np.cumsum(fresh, dtype=np.int64)
    key *= levels
    key += rank
    order = np.argsort(key, kind="stable")
    edge = np.ones(n, dtype=bool)
    ordered = key[order]
    np.not_equal(ordered[1:], ordered[:-1], out=edge[1:])
    start = np.flatnonzero(edge)
    samples = np.diff(start, append=n)
    kept = take[order[start]]
    start, samples = start[kept], samples[kept]
    return Parts(pairs, order, start, samples, level[order[start]])


def described(parts: Parts, which: Places, slope: float, *, flat: bool = False) -> Groups:
    """These groups (numbers may recur), in this order.

    slope: of y over x, so that a creeping x is no scatter of y (with `flat`: known too roughly to
    be taken off).
    """
    if not len(which):
        none, empty = np.empty(0), np.empty(0, dtype=np.intp)
        return Groups(none, none, none, none, empty, none, none, empty, np.empty(0, np.int64))
    samples = parts.samples[which]
    start = np.cumsum(samples) - samples
    index = parts.order[places_in(parts.start[which], parts.start[which] + samples)]
    pairs = parts.pairs
    x, y = pairs.x[index], pairs.y[index]
    x_mid = medians_of(x, start, samples)
    level_y = y if flat else y - slope * (x - np.repeat(x_mid, samples))
    y_mid = medians_of(level_y, start, samples)
    off = np.abs(level_y - np.repeat(y_mid, samples))
    scatter = 1.4826 * medians_of(off, start, samples)
    motion = np.add.reduceat(pairs.high[index] - pairs.low[index], start) / samples
    first = index[start]
    # Within a group the order is that of time.
    return Groups(
        x_mid, y_mid, scatter, motion, samples, pairs.t[first],
        pairs.t[index[start + samples - 1]], pairs.place[first], parts.level[which],
    )  # fmt: skip


def grouped(
    pairs: Pairs, take: Mask, level_width: float, slope: float,
    steps: tuple[float, float] = (0.0, 0.0), *, flat: bool = False,
) -> Groups:  # fmt: skip
    """All groups of the pairs that `take` marks; arguments as in `parted` and `described`."""
    parts = parted(pairs, take, level_width, slope, steps)
    return described(parts, np.arange(len(parts.start)), slope, flat=flat)


def spread_over_levels(groups: Groups | Parts, least: int, most_a_level: int) -> Places:
    """Places of groups with `least` pairs or more: for each level a few, evenly over time.

    So a line is drawn over the travel, and hours at rest weigh little more than one press. The
    lowest level, the rest, is the one place known without a foot's doubt: it counts three times.
    """
    enough = np.flatnonzero(groups.samples >= least)
    chosen: list[NDArray[np.intp]] = []
    levels = groups.level[enough]
    for place, level in enumerate(np.unique(levels).tolist()):
        own = enough[levels == level]
        pick = np.unique(np.linspace(0, len(own) - 1, min(most_a_level, len(own))).astype(np.intp))
        chosen += [own[pick]] * (3 if place == 0 else 1)
    return np.concatenate(chosen) if chosen else np.empty(0, dtype=np.intp)


def singles(pairs: Pairs, line: Line, span: float, take: NDArray[np.bool_]) -> Array:
    """For each pair how far it lies off the line, percent of span, beyond what both its
    neighbours do; 0 where it has no two neighbours."""
    off = (pairs.y - line.at(pairs.x)) / line.slope * 100.0 / span
    result = np.zeros(len(off))
    if len(off) < 3:
        return result
    middle = take[1:-1] & pairs.follows[1:-1] & pairs.follows[2:]
    alone = np.minimum(np.abs(off[1:-1] - off[:-2]), np.abs(off[1:-1] - off[2:]))
    same = np.sign(off[1:-1] - off[:-2]) == np.sign(off[1:-1] - off[2:])
    result[1:-1] = np.where(middle & same, alone, 0.0)
    return result


@dataclass(frozen=True, slots=True)
class Drop:
    place: int
    at_s: float
    value: float


def drop_outs(
    pairs: Pairs, back: Pairs, line: Line, span: float, rest: float
) -> tuple[list[Drop], NDArray[np.bool_]]:
    """(readings of either track that no movement explains, which of `pairs` are such).

    Farther off than the other track went around them in a time too short to go there and back, or
    beyond the stop that the pedal or plate rests on. pairs: readings of y with x around them;
    back: readings of x with y around them.
    """
    own = (pairs.y - line.intercept) / line.slope
    wild = _unexplained(own, pairs.low, pairs.high, pairs.around_s, span, rest)
    ends = (back.low - line.intercept) / line.slope, (back.high - line.intercept) / line.slope
    low, high = np.minimum(*ends), np.maximum(*ends)
    other = _unexplained(back.y, low, high, back.around_s, span, rest)
    found = [
        Drop(int(p.place[i]), float(p.t[i]), float(p.y[i]))
        for p, which in ((pairs, wild), (back, other))
        for i in np.flatnonzero(which)[:1000].tolist()
    ]
    return sorted(found, key=lambda d: (d.place, d.at_s)), wild


def _unexplained(
    reading: Array, low: Array, high: Array, around_s: Array, span: float, rest: float
) -> NDArray[np.bool_]:
    beyond = np.maximum(reading - high, low - reading) * 100.0 / span
    brief = (beyond > DROP_PERCENT) & (around_s <= THERE_AND_BACK_S)
    below = (rest - reading) * 100.0 / span > BEYOND_REST_PERCENT
    found = brief | (below & (beyond > BEYOND_REST_PERCENT))
    # What stays off is no drop-out but another level, and is held against the line as such.
    starts, ends = sp.runs_of(found)
    long = ends - starts > MOST_DROP_READINGS
    for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        found[start:end] = False
    return found
