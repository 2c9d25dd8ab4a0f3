"""Which rows of a table are readings, and which only repeat the last one.

A logger that asks one value after the other, and writes a whole line each time, shows every value
many times over. Taking repeats for readings overstates the rate, hides a stall between two
readings, and lets a value from before a gap pass for one after it.

The rule. A *change* is a row where a channel's number differs from the row before (or appears
where the cell was blank). Nothing is assumed of the logger; two patterns are looked for.

1. *One after the other* (round robin). For a cycle of N rows, the distances between the changes
   of one channel are multiples of N. The largest N is taken for which that holds for at least 80 %
   of the distances of most channels that change often, provided that these channels fall on
   different rows of the cycle and that rows with more than one change are rare (3 %). Each
   channel's place in the cycle is its commonest distance from the channel that changes most.

         row      0  1  2  3  4  5  6        a channel that never changes has no place of its own
         read     A  B  C  A  B  C  A        unless the blank start shows it; it then keeps one
         A writes *  .  .  *  .  .  *        row a cycle: its value is right, its time is right to
         B writes .  *  .  .  *  .  .        within a cycle

   A missed answer shifts the cycle. Every change tells the shift at its row; between two changes
   that agree the shift is known, between two that do not it is not, and there only the changes
   themselves are readings. After a gap the shift counts as known from the first change on that
   confirms it. So stale values after a gap drop out by themselves.

2. *Held*. A single channel changes only every M-th row (97 % of at least 30 distances, M ≥ 2):
   it is refreshed on those rows only.

Everything else is taken as it stands: a constant value in a table without such a pattern is a
real value, read again and again. Limits: a value held over a varying number of rows (a table
resampled afterwards) is not recognised; in a file with too few changes (40 in all) nothing is
concluded; channels asked twice in a cycle end up as held or untouched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rows = NDArray[np.int64]

_SAMPLE_ROWS = 4000
_LEAST_CHANGES = 40
_LEAST_OWN = 8


@dataclass(frozen=True, slots=True)
class Genuine:
    """For each column, the rows that are readings (None: all that hold a number).

    cycle: rows in a round of a logger that asks one after the other; 0 where there is none.
    held: number of columns of the second pattern.
    """

    masks: tuple[Mask | None, ...]
    cycle: int
    held: int
    repairs: tuple[str, ...] = ()


def changes(values: Array) -> Rows:
    """Rows at which the number differs from the row before, or appears. Row 0 never counts here."""
    if values.shape[0] < 2:
        return np.empty(0, dtype=np.int64)
    now, before = values[1:], values[:-1]
    changed = (now != before) & ~np.isnan(now)
    return np.flatnonzero(changed) + 1


def _share(rows: Rows, period: int) -> float:
    distances = np.diff(rows)
    return float(np.count_nonzero(distances % period == 0)) / max(len(distances), 1)


def _cycle(found: Sequence[Rows]) -> tuple[int, list[int]]:
    """(N, columns that keep to it); (0, []) where no cycle explains the changes."""
    often = [i for i, rows in enumerate(found) if len(rows) > _LEAST_OWN]
    if len(often) < 2 or sum(len(found[i]) for i in often) < _LEAST_CHANGES:
        return 0, []
    for period in range(2 * len(found) + 2, 1, -1):
        keep = [i for i in often if _share(found[i], period) >= 0.8]
        if len(keep) >= 2 and 2 * len(keep) > len(often):
            return period, keep
    return 0, []


def _place(rows: Rows, reference: Rows, period: int) -> tuple[int, float]:
    """(commonest distance behind the last change of the reference, its share of all)."""
    if len(rows) == 0:
        return -1, 0.0
    at = np.maximum(np.searchsorted(reference, rows, side="right") - 1, 0)
    counts = np.bincount((rows - reference[at]) % period, minlength=period)
    best = int(np.argmax(counts))
    return best, float(counts[best]) / len(rows)


def _places(found: Sequence[Rows], keep: Sequence[int], period: int) -> dict[int, int]:
    """Column → place in the cycle, for the columns whose place can be told; {} where two share one.

    A column with few changes is told its place by them when they agree and the place is free.
    """
    reference = found[max(keep, key=lambda i: (len(found[i]), -int(found[i][0])))]
    places: dict[int, int] = {}
    for i in keep:
        place, share = _place(found[i], reference, period)
        if place < 0 or share < 0.6 or place in places.values():
            return {}
        places[i] = place
    free: dict[int, list[int]] = {}
    for i, rows in enumerate(found):
        if i in places or len(rows) == 0:
            continue
        place, share = _place(rows, reference, period)
        if place >= 0 and share >= 0.6 and place not in places.values():
            free.setdefault(place, []).append(i)
    for place, claimants in free.items():
        if len(claimants) == 1:
            places[claimants[0]] = place
    return places


def _shifts(n: int, found: Sequence[Rows], places: dict[int, int], period: int) -> Rows:
    """For each row which place of the cycle was read, -1 where the changes do not tell."""
    columns = sorted(places)
    rows = np.concatenate([found[i] for i in columns])
    shift = np.concatenate([(places[i] - found[i]) % period for i in columns])
    order = np.argsort(rows, kind="stable")
    rows, shift = rows[order], shift[order]
    alone = np.ones(len(rows), dtype=bool)
    alone[1:] &= rows[1:] != rows[:-1]
    alone[:-1] &= rows[:-1] != rows[1:]
    rows, shift = rows[alone], shift[alone]
    if len(rows) == 0:
        return np.full(n, -1, dtype=np.int64)
    every = np.arange(n, dtype=np.int64)
    after = np.searchsorted(rows, every, side="left")
    before = np.searchsorted(rows, every, side="right") - 1
    lower = shift[np.maximum(before, 0)]
    upper = shift[np.minimum(after, len(rows) - 1)]
    lower = np.where(before < 0, upper, lower)
    upper = np.where(after >= len(rows), lower, upper)
    return np.where(lower == upper, (every + lower) % period, -1)


def _after_last_gap(read: Rows, found: Sequence[Rows], gap_rows: Rows) -> None:
    """Takes back what was concluded beyond a gap after which nothing ever changed."""
    if len(gap_rows) == 0:
        return
    last_change = max((int(rows[-1]) for rows in found if len(rows)), default=0)
    unproven = gap_rows[gap_rows > last_change]
    if len(unproven):
        read[int(unproven[0]) :] = -1
    first_change = min((int(rows[0]) for rows in found if len(rows)), default=0)
    unproven = gap_rows[gap_rows <= first_change]
    if len(unproven):
        read[: int(unproven[-1])] = -1


def _one_after_the_other(
    columns: Sequence[Array], found: Sequence[Rows], gap_rows: Rows
) -> tuple[list[Mask | None], int]:
    n = columns[0].shape[0]
    nothing: list[Mask | None] = [None] * len(columns)
    period, keep = _cycle(found)
    if period == 0:
        return nothing, 0
    together = np.bincount(np.concatenate([found[i] for i in keep]), minlength=n)
    if np.count_nonzero(together > 1) > 0.03 * np.count_nonzero(together):
        return nothing, 0
    places = _places(found, keep, period)
    if not places:
        return nothing, 0
    read = _shifts(n, found, places, period)
    _after_last_gap(read, [found[i] for i in places], gap_rows)
    masks = nothing
    free = sorted(set(range(period)) - set(places.values()))
    left = free[0] if len(free) == 1 else 0  # a channel that never changes, if there is one
    unruly = {i for i, rows in enumerate(found) if len(rows) > _LEAST_OWN} - set(places)
    for i in range(len(columns)):
        if i in unruly:
            continue  # changes when it likes: not one of those asked in turn
        mask = read == places.get(i, left)
        mask[found[i]] = True
        masks[i] = mask
    return masks, period


def _held(rows: Rows) -> int:
    """Every how many rows a channel can change at all; 1 where no such number shows."""
    if len(rows) <= 30:
        return 1
    distances = np.diff(rows)
    for period in range(min(100, int(np.median(distances))), 1, -1):
        if np.count_nonzero(distances % period == 0) >= 0.97 * len(distances):
            return period
    return 1


def genuine_rows(columns: Sequence[Array], gap_rows: Rows) -> Genuine:
    """Finds the readings among the rows of a wide table.

    columns: one array of shape (n,) a channel, blank cells NaN, in the order of the rows in the
        file (their own order does not matter); recognised or not, because all tell of the cycle.
    gap_rows: the rows that are first after a gap.
    """
    nothing = Genuine((None,) * len(columns), 0, 0)
    if not columns or columns[0].shape[0] < _LEAST_OWN:
        return nothing
    n = columns[0].shape[0]
    if n > 10 * _SAMPLE_ROWS:
        # Where a stretch from the middle has plenty of changes and no pattern, there is none.
        middle = slice(n // 2 - _SAMPLE_ROWS // 2, n // 2 + _SAMPLE_ROWS // 2)
        sample = [changes(c[middle]) for c in columns]
        busy = [rows for rows in sample if len(rows) > 200]
        if busy and len(busy) == len([s for s in sample if len(s)]):
            period, _ = _cycle(sample)
            if period == 0 and all(_held(rows) == 1 for rows in busy):
                return nothing
    found = [changes(c) for c in columns]
    filled = [i for i, c in enumerate(columns) if not np.isnan(c[0])]
    if len(filled) == 1:  # a blank start: the first row shows who was asked first
        found[filled[0]] = np.concatenate(([0], found[filled[0]])).astype(np.int64)
    masks, cycle = _one_after_the_other(columns, found, gap_rows)
    held = 0
    for i, rows in enumerate(found):
        period = _held(rows) if masks[i] is None else 1
        if period > 1:
            masks[i] = _shifts(n, [rows], {0: 0}, period) == 0
            masks[i][rows] = True  # type: ignore[index]
            held += 1
    repairs = []
    if cycle:
        kept = sum(int(np.count_nonzero(m)) for m in masks if m is not None)
        repairs.append(
            f"the logger asked one value after the other, {cycle} in a round: only the rows at "
            f"which a channel was really read were kept ({kept} readings in {n} rows)"
        )
    if held:
        repairs.append(
            f"{held} {'channel repeats its' if held == 1 else 'channels repeat their'} last value "
            "between readings: the repeats were left out"
        )
    return Genuine(tuple(masks), cycle, held, tuple(repairs))
