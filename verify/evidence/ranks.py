"""Medians, ranks and places in long arrays: numpy's own answers, found by a guess that is proven.

A million steps of a clock, or a pedal that rests most of the time, hold few distinct numbers; then
a guess from a sample is nearly always the answer, and two passes prove it. And times that are
looked up among others mostly lie as far behind one another as these do. Oracle in the tests:
numpy's `median`, `percentile` and `searchsorted`.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]

# Below this, sorting is as fast.
_LONG = 20_000
_SAMPLE = 2_000
_BRACKET = 0.04
# Looked up at once: what fits the processor's cache.
_BLOCK = 1 << 14


def median_of(values: Array) -> float:
    """The median, exactly as `numpy.median` gives it. values: shape (n,), n ≥ 1, without NaN."""
    n = len(values)
    lower, upper = _at_ranks(values, (n - 1) // 2, n // 2)
    return lower if lower == upper else 0.5 * (lower + upper)


def low_percentile(values: Array, percent: float) -> float:
    """The reading at or just below a percentile, as numpy's method "lower" gives it.

    values: shape (n,), n ≥ 1, without NaN. percent: 0 to 100.
    """
    rank = math.floor((len(values) - 1) * (percent / 100.0))
    return _at_ranks(values, rank, rank)[0]


def _at_ranks(values: Array, first: int, last: int) -> tuple[float, float]:
    """The values that would stand at two neighbouring (or equal) places if all were sorted."""
    n = len(values)
    if n >= _LONG:
        sample = np.sort(values[:: n // _SAMPLE])
        place = first / (n - 1) * (len(sample) - 1)
        guess = sample[round(place)]
        below = int(np.count_nonzero(values < guess))
        if below <= first and last < below + int(np.count_nonzero(values == guess)):
            return float(guess), float(guess)
        low = sample[max(0, int(place - _BRACKET * len(sample)))]
        high = sample[min(len(sample) - 1, int(place + _BRACKET * len(sample)) + 1)]
        near = values[(values >= low) & (values <= high)]
        below = int(np.count_nonzero(values < low))
        if below <= first and last < below + len(near):
            values, first, last = near, first - below, last - below
    found = np.partition(values, (first, last))
    return float(found[first]), float(found[last])


def places_among(time_s: Array, at_s: Array, side: Literal["left", "right"]) -> Places:
    """Where each of `at_s` belongs among `time_s`, exactly as `numpy.searchsorted` gives it.

    time_s: shape (n,), strictly increasing. at_s: shape (m,), finite; quick where its times follow
    one another about as those of `time_s` do, such as the same times a little later.
    """
    n, m = len(time_s), len(at_s)
    if m < _LONG or n < _LONG:
        return np.searchsorted(time_s, at_s, side=side)
    found = np.empty(m, dtype=np.intp)
    before = np.less if side == "left" else np.less_equal
    for first in range(0, m, _BLOCK):
        at = at_s[first : first + _BLOCK]
        own = found[first : first + _BLOCK]
        guess = int(np.searchsorted(time_s, at[0], side=side))
        last = guess + len(at)
        if guess < 2 or last + 1 > n:
            own[:] = np.searchsorted(time_s, at, side=side)
            continue
        # The place is the guess, or one more, or one less; what lies elsewhere is looked up.
        more = before(time_s[guess:last], at)
        less = ~before(time_s[guess - 1 : last - 1], at)
        if not (more.any() or less.any()):
            own[:] = np.arange(guess, last)
            continue
        np.add(np.arange(guess, last), more, out=own)
        own -= less
        wrong = before(time_s[guess + 1 : last + 1], at)
        wrong |= ~before(time_s[guess - 2 : last - 2], at)
        if wrong.any():
            own[wrong] = np.searchsorted(time_s, at[wrong], side=side)
    return found


def medians_of(values: Array, start: Places, sizes: Places) -> Array:
    """The median of each group, shape (g,), as `numpy.median` gives it.

    values: shape (n,), the groups one behind the other; start, sizes: shape (g,), sizes ≥ 1.
    """
    middle = np.empty(len(start))
    order = np.argsort(sizes, kind="stable")
    ordered = sizes[order]
    # Groups of one size are the rows of a table; there are few sizes, whatever the groups.
    for own in np.split(order, np.flatnonzero(ordered[1:] != ordered[:-1]) + 1):
        if not len(own):
            continue
        size = int(sizes[own[0]])
        rows = values[start[own][:, None] + np.arange(size)]
        rows.sort(axis=1)
        middle[own] = 0.5 * (rows[:, (size - 1) // 2] + rows[:, size // 2])
    return middle
