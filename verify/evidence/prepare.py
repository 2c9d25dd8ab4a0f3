"""From raw columns to channels: a clock that only runs forwards, gaps, plausible values.

Between the importers, which know file formats, and the checks, which rely on `Channel`'s promises.
What is mended is told in plain sentences; what cannot be mended is refused. No loops over samples.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from verify.errors import Problem, UserError
from verify.evidence.channels import quantities, to_canonical
from verify.evidence.genuine import Array, Mask, Rows
from verify.evidence.ranks import median_of
from verify.evidence.recording import Channel
from verify.evidence.stuck import stuck
from verify.values import dataclass

_MOST_JUMPS = 20
_COARSE_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Clock:
    """When the rows of a file were written.

    rows: shape (n,), the rows kept, in the order of their times (None: all, as they stand).
    time_s: shape (n,), seconds since the first; never running back.
    step_s: median time between rows (where times are equal, between different times).
    gaps: (start_s, end_s); gap_rows: the row of the file that is first after each.
    """

    rows: Rows | None
    time_s: Array
    step_s: float
    gaps: tuple[tuple[float, float], ...]
    gap_rows: Rows
    repairs: tuple[str, ...]

    @property
    def seconds(self) -> float:
        return float(self.time_s[-1])


def _many(count: int, what: str, plural: str = "") -> str:
    return f"{count} {what if count == 1 else plural or what + 's'}"


def typical_step(time_s: Array) -> float:
    """Median of the steps forwards, in seconds; 0 where there is none."""
    steps = np.diff(time_s)
    if not np.all(steps > 0):
        steps = steps[steps > 0]
    return median_of(steps) if len(steps) else 0.0


def gap_limit(step_s: float) -> float:
    """The pause from which on a recording has a gap: the larger of 2 s and five usual steps."""
    return max(2.0, 5.0 * step_s)


def _no_clock(found: str) -> UserError:
    return UserError(
        Problem(
            found=found,
            expected="a time for each row that runs forwards",
            next="name the right time column in the mapping, or export the recording again",
        )
    )


def age_in_a_row(clock: Clock) -> float:
    """How old a reading may be that stands in a row with others, in seconds.

    A logger that asks one value after the other and writes a row when it has them all gives them
    one time: what it asked first is nearly as old as the row before. Where a round robin was found
    the row of each reading is known, but not when within that row it was read. So: the time
    between rows, by the slow ones (95 %) of an uneven logger, gaps apart. Of a table that was
    averaged or resampled afterwards nothing more can be known.
    """
    t = clock.time_s
    at = np.arange(0, len(t) - 1, max(1, len(t) // 20_000))
    steps = t[at + 1] - t[at]
    steps = steps[steps <= gap_limit(clock.step_s)]
    if len(steps) == 0:
        return clock.step_s
    return float(np.quantile(steps, 0.95, method="higher"))


def _without_jumps(t: Array, repairs: list[str]) -> tuple[Array, float]:
    """Joins parts whose clock was set back by more than a gap; the pause between is not known.

    Returns the times, and from which pause on there is a gap between parts (infinite where there
    is one part). Put in are two such pauses: rows out of order at the end of one part or the start
    of the next lie less than one from their place, so a gap is left whatever is sorted afterwards.
    """
    limit = gap_limit(typical_step(t))
    at = np.flatnonzero(np.diff(t) < -limit)
    if len(at) == 0:
        return t, float("inf")
    if len(at) > _MOST_JUMPS:
        raise _no_clock(f"a clock that is set back {len(at)} times")
    shift = np.zeros(len(t))
    pause = 2 * limit + typical_step(t)
    shift[at + 1] = t[at] - t[at + 1] + pause
    largest = float(np.max(t[at] - t[at + 1]))
    repairs.append(
        f"the clock was set back {_many(len(at), 'time')}, by up to {largest:.3g} s: what follows "
        "was put behind what came before, with a gap whose real length is not known"
    )
    return np.asarray(t + np.cumsum(shift), dtype=np.float64), limit


def _strays(t: Array) -> Mask:
    """Rows whose time lies far outside those of their neighbours, which agree with each other."""
    limit = gap_limit(typical_step(t))
    stray = np.zeros(len(t), dtype=bool)
    before, here, after = t[:-2], t[1:-1], t[2:]
    agree = (after >= before) & (after - before <= limit)
    stray[1:-1] = agree & ((here < before - limit) | (here > after + limit))
    return stray


def spread(t: Array) -> tuple[Array, Mask]:
    """(strictly increasing times, which of the given ones they are).

    t: shape (n,), never running back. Equal times are put evenly into the time up to the next, at
    most a usual step; the first of them stays where it is. A time is left out only where there is
    no number between its neighbours.
    """
    every = np.ones(len(t), dtype=bool)
    steps = np.diff(t)
    if np.all(steps > 0):
        return t, every
    first = np.flatnonzero(np.concatenate(([True], steps > 0)))
    sizes = np.diff(np.append(first, len(t)))
    usual = typical_step(t) or 1.0
    room = np.minimum(np.diff(np.append(t[first], t[first[-1]] + usual)), usual)
    within = np.arange(len(t)) - np.repeat(first, sizes)
    moved = t + within * np.repeat(room / sizes, sizes)
    every[1:] = moved[1:] > np.maximum.accumulate(moved)[:-1]
    return moved[every], every


def mend_clock(
    raw_s: Array,
    *,
    wrap_s: float = 0.0,
    events: bool = False,
    repeated: Callable[[Rows, Rows], Mask] | None = None,
) -> Clock:
    """Rows in the order of their times, with every repair told.

    raw_s: shape (n,), seconds on any zero, NaN where the file has none.
    wrap_s: what the clock falls back by when it starts anew (86400 for a time of day), 0 if never.
    events: rows are single events of several channels: equal times are no fault and order is
        restored by sorting. Otherwise rows are lines of a table, written one after the other.
    repeated: tells for rows with the times of others whether all else is the same, too.
    Raises UserError where the times are no clock.
    """
    repairs: list[str] = []
    n = len(raw_s)
    kept: Rows | None = None
    t = raw_s
    good = np.isfinite(t)
    if not np.all(good):
        kept = np.flatnonzero(good)
        if 2 * len(kept) < n:
            raise _no_clock(f"a readable time in only {len(kept)} of {n} rows")
        t = t[kept]
        repairs.append(f"{_many(n - len(kept), 'row')} without a readable time left out")
    if len(t) < 2:
        raise _no_clock(_many(len(t), "row with a time", "rows with a time"))
    if wrap_s or t[0] != 0:  # otherwise it can be taken as it is, and stays as it is
        t = t - t[0]
    if float(np.ptp(t)) == 0:
        raise _no_clock("the same time in every row")
    if wrap_s:
        wraps = np.diff(t) < -wrap_s / 2
        if np.any(wraps):
            t[1:] += wrap_s * np.cumsum(wraps)
            what = "passed midnight" if wrap_s == 86400 else "began anew"
            repairs.append(f"the clock {what} {_many(int(np.count_nonzero(wraps)), 'time')}")
    steps = np.diff(t)
    between = float("inf")
    if not np.all(steps > 0):
        t, kept, between = _mend_order(t, kept, steps, events, repeated, repairs)
        steps = np.diff(t)
        step = typical_step(t)
    else:
        step = median_of(steps)
    # Where the clock began anew nothing may be joined, however slow the rows are after mending.
    after = np.flatnonzero(steps > min(gap_limit(step), between)) + 1
    gaps = tuple((float(t[i - 1]), float(t[i])) for i in after)
    gap_rows = after if kept is None else kept[after]
    return Clock(kept, t, step, gaps, np.asarray(gap_rows, dtype=np.int64), tuple(repairs))


def _mend_order(
    t: Array,
    kept: Rows | None,
    steps: Array,
    events: bool,
    repeated: Callable[[Rows, Rows], Mask] | None,
    repairs: list[str],
) -> tuple[Array, Rows | None, float]:
    """(times, rows, the pause from which on there is a gap where the clock began anew)."""
    rows = np.arange(len(t), dtype=np.int64) if kept is None else kept
    between = float("inf")
    back = int(np.count_nonzero(steps < 0))
    if back > (0.5 if events else 0.1) * len(t) + 1:
        raise _no_clock(f"times that run backwards {back} times in {len(t)} rows")
    coarse = not events and int(np.count_nonzero(steps == 0)) > _COARSE_SHARE * len(t)
    if not events and not coarse and repeated is not None:
        t, rows = _without_repeats(t, rows, repeated, repairs)
    if back:
        stray = _strays(t)
        if np.any(stray):
            t, rows = t[~stray], rows[~stray]
            repairs.append(
                f"{_many(int(np.count_nonzero(stray)), 'row')} with a time far from those of the "
                "neighbours left out"
            )
        if repeated is not None:
            t, rows = _without_copies(t, rows, repeated, repairs)
        t, between = _without_jumps(t, repairs)
    if coarse:
        repairs.append(
            f"the clock shows steps of {typical_step(t):.3g} s only, with several rows in one: "
            "they were spread evenly in between, so times are good to one such step"
        )
    elif equal := 0 if events else int(np.count_nonzero(np.diff(t) == 0)):
        what = _many(equal, "row has", "rows have")
        repairs.append(f"{what} the time of the row before: spread evenly up to the next")
    t, rows = _forwards(t, rows, events, repairs)
    t = t - t[0]
    if events:
        return t, rows, between
    t, keep = spread(t)
    return t, rows[keep], between


def _without_repeats(
    t: Array, rows: Rows, repeated: Callable[[Rows, Rows], Mask], repairs: list[str]
) -> tuple[Array, Rows]:
    """Leaves out lines that were written twice: same time, same cells."""
    equal = np.flatnonzero(np.diff(t) == 0) + 1
    twice = equal[repeated(rows[equal], rows[equal] - 1)] if len(equal) else equal
    if len(twice) == 0:
        return t, rows
    keep = np.ones(len(t), dtype=bool)
    keep[twice] = False
    what = _many(len(twice), "row repeats", "rows repeat")
    repairs.append(f"{what} the row before with the same time: left out")
    return t[keep], rows[keep]


def _without_copies(
    t: Array, rows: Rows, repeated: Callable[[Rows, Rows], Mask], repairs: list[str]
) -> tuple[Array, Rows]:
    """Leaves out what stands in the file a second time: where the clock is set back, and all that
    follows (or all from that time to there) is the same to the last cell. An export added to the
    one before it would otherwise count twice."""
    keep = np.ones(len(t), dtype=bool)
    edges = np.append(np.flatnonzero(np.diff(t) < -gap_limit(typical_step(t))) + 1, len(t))
    for a, b in zip(edges[:_MOST_JUMPS].tolist(), edges[1:].tolist(), strict=False):
        for i in np.flatnonzero(t[:a] == t[a])[:_MOST_JUMPS].tolist():
            n = min(b - a, a - i)
            if np.array_equal(t[i : i + n], t[a : a + n]) and bool(
                np.all(repeated(rows[a : a + n], rows[i : i + n]))
            ):
                keep[a : a + n] = False
                seconds = float(t[a + n - 1] - t[a])
                repairs.append(f"{seconds:.3g} s stand in the file a second time: left out")
                break
    return t[keep], rows[keep]


def _forwards(t: Array, rows: Rows, events: bool, repairs: list[str]) -> tuple[Array, Rows]:
    """Times that never run back: misplaced rows are sorted in, a clock set back a little waits."""
    steps = np.diff(t)
    at = np.flatnonzero(steps < 0)
    if len(at) == 0:
        return t, rows
    largest = -float(np.min(steps))
    highest = np.maximum.accumulate(t)
    following = np.minimum(at + 2, len(t) - 1)
    alone = (t[following] >= highest[at]) & (following > at + 1)
    if events or bool(np.all(alone)):
        order = np.argsort(t, kind="stable")
        repairs.append(f"{_many(len(at), 'row')} out of order, by up to {largest:.3g} s: sorted in")
        return t[order], rows[order]
    repairs.append(
        f"the clock stepped back {_many(len(at), 'time')} by up to {largest:.3g} s "
        f"(first at data row {int(rows[at[0]]) + 2}): the rows it ran through twice were put in "
        "order of writing"
    )
    return highest, rows


def resolution_of(values: Array) -> float:
    """The smallest step that the numbers commonly show; 0.0 where none can be seen.

    Looks at no more than about 20,000 numbers. Where values recur, it is the step between
    neighbouring levels below which only a tenth of these steps lie (so that levels rounded to a
    decimal, 14.1, 14.5, 14.9, 15.3, 15.7, 16.0, give 0.4 and not the rare 0.3). Where hardly any
    recur, it is the last decimal written, up to six.
    """
    sample = values[:: max(1, len(values) // 20_000)]
    if len(sample) < 2:
        return 0.0
    size = float(np.max(np.abs(sample)))
    levels = np.unique(sample)
    steps = np.diff(levels)
    steps = steps[steps > 1e-9 * max(size, 1e-9)]
    if len(steps) == 0:
        return 0.0
    if len(levels) <= len(sample) / 2 or len(sample) < 8:
        return float(f"{np.quantile(steps, 0.1, method='lower'):.6g}")
    for places in range(7):
        scaled = sample * 10.0**places
        if np.all(np.abs(scaled - np.round(scaled)) < 1e-3):
            return 10.0**-places
    return 0.0


def interval_of(time_s: Array) -> float:
    """Median time between readings, nan with fewer than two."""
    return median_of(np.diff(time_s)) if len(time_s) > 1 else float("nan")


def make_channel(
    name: str,
    header: str,
    written_unit: str,
    time_s: Array,
    values: Array,
    *,
    unit_told: bool = True,
    interval_s: float | None = None,
    least_step: float = 0.0,
    skew_s: float = 0.0,
) -> tuple[Channel | None, tuple[str, ...]]:
    """One channel in its canonical unit, or None with the reason why it is not one.

    time_s, values: shape (n,), strictly increasing times; values may hold NaN (no reading) and
        are taken over without copying where nothing needs to change.
    written_unit: unit of `values`. unit_told: whether the file or a person said it.
    interval_s: median interval of `time_s` where the caller knows it already.
    least_step: the least step that the coding of `values` can show, 0 where that is not known; the
        resolution is never taken for finer. skew_s: as in `Channel`.
    Raises ValueError where the unit is not one of the channel's kind: callers ask first.
    """
    quantity = quantities()[name]
    factors = to_canonical(written_unit, quantity.unit)
    if factors is None:
        raise ValueError(f"{written_unit} is no unit of {name}")
    scale, offset = factors
    repairs: list[str] = []
    low, high = (float(np.min(values)), float(np.max(values))) if len(values) else (np.nan, np.nan)
    if not (np.isfinite(low) and np.isfinite(high)):
        good = np.isfinite(values)
        infinite = int(np.count_nonzero(np.isinf(values)))
        if infinite:
            repairs.append(f"{header}: {_many(infinite, 'infinite value')} left out")
        time_s, values, interval_s = time_s[good], values[good], None
        if len(values) == 0:
            return None, (*repairs, f"{header}: no readings, left out")
        low, high = float(np.min(values)), float(np.max(values))
    step = max(resolution_of(values), least_step) * abs(scale)
    if quantity.unit == "%" and not unit_told and 0 < high <= 1 and low >= 0 and high % 1:
        why = "no value above 1 and no unit, so it may be a share of 1 and not of 100"
        return None, (*repairs, f"{header}: {why}; left out until somebody says which")
    if (scale, offset) != (1.0, 0.0):
        values = values * scale + offset
        low, high = low * scale + offset, high * scale + offset
    if quantity.unit == "°C" and len(values) > 1 and abs(low + 40) < 0.01 and abs(high + 40) < 0.01:
        return None, (*repairs, f"{header}: reads -40 °C throughout, which means no sensor")
    if low < quantity.low or high > quantity.high:
        good = (values >= quantity.low) & (values <= quantity.high)
        wrong = len(values) - int(np.count_nonzero(good))
        bounds = f"{quantity.low:g} to {quantity.high:g} {quantity.unit}"
        if 2 * wrong > len(values):
            why = f"{wrong} of {len(values)} values outside {bounds}"
            return None, (*repairs, f"{header}: {why}, so the unit or the column is wrong")
        repairs.append(f"{header}: {_many(wrong, 'value')} outside {bounds} left out")
        time_s, values, interval_s = time_s[good], values[good], None
    if name == "engine_speed" and (repeats := stuck(time_s, values)) is not None:
        count = int(np.count_nonzero(repeats))
        repairs.append(
            f"{header}: stands to the last digit for far longer than elsewhere in this file; "
            f"{_many(count, 'repeat')} left out, as the car may not have answered"
        )
        time_s, values, interval_s = time_s[~repeats], values[~repeats], None
    if interval_s is None:
        interval_s = interval_of(time_s)
    return (
        Channel(name, quantity.unit, time_s, values, step, interval_s, header, skew_s),
        tuple(repairs),
    )
