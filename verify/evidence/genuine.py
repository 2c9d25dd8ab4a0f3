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
   it is refreshed on those rows only. Not so a channel that goes to and fro between two values,
   each time after the same number of rows: that is something switched in strict time.

Everything else is taken as it stands: a constant value in a table without such a pattern is a
real value, read again and again. Limits: a value held over a varying number of rows (a table
resampled afterwards) is looked for in `resampled`, by engine speed; in a file with too few changes
(40 in all) nothing is concluded; channels asked twice in a cycle end up as held or untouched;
something switched in multiples of one time, now twice as long and now once, looks like a slow
reading and is taken for one, which costs evidence and invents none.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from verify.evidence.columns import of_each
from verify.values import dataclass

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
    return np.flatnonzero(_changed(values)) + 1


def _changed(values: Array) -> Mask:
    """For each row but the first, whether the number differs from the row before or appears."""
    now, before = values[1:], values[:-1]
    changed: Mask = now != before
    changed &= now == now  # a blank is no change
    return changed


class _Track:
    """The changes of one column, and how far they lie apart; rows are listed when asked for.

    rows: ascending. count: how many. restless: more than a fifth of the distances are of one row,
    so that no longer period can explain four fifths of them.
    """

    def __init__(self, values: Array, *, first_row_shows: bool = False) -> None:
        self._values = values
        self._changed = _changed(values)
        self._first = first_row_shows
        self._rows: Rows | None = None
        self.count = int(np.count_nonzero(self._changed)) + first_row_shows
        neighbours = int(np.count_nonzero(self._changed[1:] & self._changed[:-1]))
        self.restless = 5 * neighbours > self.count - 1

    @property
    def rows(self) -> Rows:
        if self._rows is None:
            own = np.flatnonzero(self._changed) + 1
            self._rows = np.concatenate(([0], own)).astype(np.int64) if self._first else own
        return self._rows

    @cached_property
    def distances(self) -> tuple[Rows, Rows]:
        """(distances between changes that occur, ascending; how often each does)."""
        often = np.bincount(np.diff(self.rows))
        occurring = np.flatnonzero(often)
        return occurring, often[occurring]

    def multiples(self, period: int) -> int:
        """How many of the distances are multiples of the period."""
        occurring, often = self.distances
        return int(np.sum(often[occurring % period == 0]))

    def held(self) -> int:
        """Every how many rows a channel can change at all; 1 where no such number shows."""
        if self.count <= 30 or self.restless:
            return 1
        occurring, often = self.distances
        upto = np.cumsum(often)
        middle = occurring[np.searchsorted(upto, [self.count // 2, (self.count + 1) // 2])]
        for period in range(min(100, int(np.mean(middle))), 1, -1):
            if self.multiples(period) >= 0.97 * (self.count - 1):
                return 1 if self._is_switched(period) else period
        return 1

    def _is_switched(self, period: int) -> bool:
        """Whether it goes to and fro between two values, each time after `period` rows.

        Somebody (or a program) switches it. Were it read once in so many rows, it would now and
        then be found as it was before, and the next change come after twice the time.
        """
        occurring, often = self.distances
        if float(np.sum(often[occurring == period])) < 0.97 * (self.count - 1):
            return False
        seen = self._values[self.rows]
        return bool(np.all(seen[2:] == seen[:-2]))


def _cycle(tracks: Sequence[_Track]) -> tuple[int, list[int]]:
    """(N, columns that keep to it); (0, []) where no cycle explains the changes."""
    often = [i for i, t in enumerate(tracks) if t.count > _LEAST_OWN]
    if len(often) < 2 or sum(tracks[i].count for i in often) < _LEAST_CHANGES:
        return 0, []
    able = [i for i in often if not tracks[i].restless]
    if len(able) < 2 or 2 * len(able) <= len(often):
        return 0, []
    for period in range(2 * len(tracks) + 2, 1, -1):
        keep = [i for i in able if tracks[i].multiples(period) / (tracks[i].count - 1) >= 0.8]
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
    n: int, tracks: Sequence[_Track], gap_rows: Rows
) -> tuple[list[Mask | None], int]:
    nothing: list[Mask | None] = [None] * len(tracks)
    period, keep = _cycle(tracks)
    if period == 0:
        return nothing, 0
    found = [t.rows for t in tracks]
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
    for i, rows in enumerate(found):
        if i in unruly:
            continue  # changes when it likes: not one of those asked in turn
        mask = read == places.get(i, left)
        mask[rows] = True
        masks[i] = mask
    return masks, period


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
        sample = [_Track(c[middle]) for c in columns]
        busy = [t for t in sample if t.count > 200]
        if busy and len(busy) == len([t for t in sample if t.count]):
            period, _ = _cycle(sample)
            if period == 0 and all(t.held() == 1 for t in busy):
                return nothing
    filled = [i for i, c in enumerate(columns) if not np.isnan(c[0])]
    # A blank start: the first row shows who was asked first.
    shown = filled[0] if len(filled) == 1 else -1
    tracks = of_each(_Track, columns, n)
    if shown >= 0:
        tracks[shown] = _Track(columns[shown], first_row_shows=True)
    masks, cycle = _one_after_the_other(n, tracks, gap_rows)
    held = 0
    for i, track in enumerate(tracks):
        period = track.held() if masks[i] is None else 1
        if period > 1:
            mask = _shifts(n, [track.rows], {0: 0}, period) == 0
            mask[track.rows] = True
            masks[i] = mask
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
