"""Medians and low ranks of long arrays: numpy's own answers, found by counting instead of sorting.

A million steps of a clock, or a pedal that rests most of the time, hold few distinct numbers; then
a guess from a sample is nearly always the answer, and two passes prove it. Oracle in the tests:
numpy's `median` and `percentile`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Below this, sorting is as fast.
_LONG = 20_000
_SAMPLE = 2_000
_BRACKET = 0.04


def median_of(values: Array) -> float:
    """The median, exactly as `numpy.median` gives it. values: shape (n,), n ≥ 1, without NaN."""
    n = len(values)
    lower, upper = _at_ranks(values, (n - 1) // 2, n // 2)
    return lower if lower == upper else float(np.mean([lower, upper]))


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
