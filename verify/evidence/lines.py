"""Straight lines through readings that err in both directions, and of which some may be wrong.

Stands between held levels (or pairs of readings) and the checks that ask whether one quantity
follows another. Two lines, for two questions:

- `symmetric_line`: the median of the slopes between all pairs of points. Neither variable is
  taken to be free of error: swapping them gives the same line.
- `consensus_lines`: the line (or lines) that most points lie on. A median line leans towards a
  stretch that has gone off and so hides part of the fault; this one stays with the majority and
  shows the whole of it. Where two lines have as many points, both are given, because the points
  do not tell which of them is the sound one.

Every function takes a bounded number of points; who has more takes medians of groups first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.values import dataclass

Truths = NDArray[np.bool_]

# Pairs grow with the square of the points: 400 points have 80,000.
MOST_POINTS = 400
# Consensus tries a line for each pair and holds every point against it.
MOST_CONSENSUS_POINTS = 160
_MOST_LINES = 12


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope · x."""

    slope: float
    intercept: float

    def at(self, x: Array) -> Array:
        return self.intercept + self.slope * x


def _pairs(x: Array, y: Array) -> tuple[Array, Array]:
    """(x and y distances of all pairs whose points differ), each shape (m,)."""
    if len(x) > MOST_POINTS:
        raise ValueError(f"at most {MOST_POINTS} points; take medians of groups first")
    one, other = np.triu_indices(len(x), 1)
    return x[other] - x[one], y[other] - y[one]


def theil_sen(x: Array, y: Array) -> Line | None:
    """The median of the slopes of all pairs with different x; intercept med(y) − slope · med(x).

    x, y: shape (n,), finite, n ≤ MOST_POINTS. None where no two x differ.
    For an x without error. Source: Theil 1950, Sen 1968; the intercept after Conover 1980, as in
    Helsel and Hirsch, Statistical Methods in Water Resources, ch. 10.
    """
    dx, dy = _pairs(x, y)
    apart = dx != 0.0
    if not apart.any():
        return None
    slope = float(np.median(dy[apart] / dx[apart]))
    return Line(slope, float(np.median(y) - slope * np.median(x)))


def symmetric_line(x: Array, y: Array, apart: float = 0.0) -> Line | None:
    """The line for errors in both variables: median of the pairs' |slopes|, with the sign that
    most of them have; intercept med(y − slope · x).

    x, y: shape (n,), finite, n ≤ MOST_POINTS. apart: pairs whose x lie nearer together do not
    count (many readings of one level have slopes among themselves that are mere noise). None where
    no slope can be told: no two points differ, or rising and falling pairs are equally many.
    Swapping x and y gives the inverse slope, and other units scale it. Source: the equivariant
    form of Passing and Bablok (1983, 1988); formula from memory.
    """
    dx, dy = _pairs(x, y)
    counts = ((dx != 0.0) | (dy != 0.0)) & (np.abs(dx) >= apart)
    dx, dy = dx[counts], dy[counts]
    sign = float(np.sign(np.sum(np.sign(dx) * np.sign(dy))))
    if not len(dx) or sign == 0.0:
        return None
    with np.errstate(divide="ignore"):
        sizes = np.sort(np.abs(dy) / np.abs(dx))
    # The geometric mean of the middle two keeps the symmetry that the arithmetic one would break.
    low, high = sizes[(len(sizes) - 1) // 2], sizes[len(sizes) // 2]
    size = float(low) if low == high else float(np.sqrt(low * high))
    if not (np.isfinite(size) and size > 0.0):
        return None
    slope = sign * size
    return Line(slope, float(np.median(y - slope * x)))


def consensus_lines(
    x: Array,
    y: Array,
    tolerance: Array,
    *,
    apart: float,
    least_slope: float = 0.0,
    most_slope: float = np.inf,
    share: float = 1.0,
) -> list[tuple[Line, Truths]]:
    """The lines on which most points lie, each with the points that lie on it.

    x, y, tolerance: shape (n,), finite, n ≤ MOST_CONSENSUS_POINTS; a point lies on a line from
    which its y is no further than its own tolerance. apart: only pairs of points whose x lie so
    far apart propose a line. least_slope, most_slope: bounds of |slope|. share: lines with at
    least this share of the most points are given too, those with most points first.
    Each line is drawn anew through its points by `symmetric_line`, within the same bounds. Lines
    that run closer together than the tolerance at both ends count once. [] where no pair proposes
    one.
    """
    if len(x) > MOST_CONSENSUS_POINTS:
        raise ValueError(f"at most {MOST_CONSENSUS_POINTS} points")
    one, other = np.triu_indices(len(x), 1)
    far = np.abs(x[other] - x[one]) >= max(apart, 1e-12)
    one, other = one[far], other[far]
    slope = (y[other] - y[one]) / (x[other] - x[one])
    good = (np.abs(slope) >= least_slope) & (np.abs(slope) <= most_slope)
    one, slope = one[good], slope[good]
    if not len(slope):
        return []
    intercept = y[one] - slope * x[one]
    on = np.abs(y - intercept[:, None] - slope[:, None] * x) <= tolerance
    count = on.sum(axis=1)
    best = np.flatnonzero(count >= share * count.max())
    off = np.where(on[best], np.abs(y - intercept[best, None] - slope[best, None] * x), 0.0)
    best = best[np.lexsort((off.sum(axis=1), -count[best]))]
    ends = np.array([x.min(), x.max()])
    at_ends = intercept[best, None] + slope[best, None] * ends
    left = np.ones(len(best), dtype=bool)
    found: list[tuple[Line, Truths]] = []
    while left.any() and len(found) < _MOST_LINES:
        first = int(np.argmax(left))
        members = on[best[first]]
        refined = symmetric_line(x[members], y[members], apart) if members.sum() > 2 else None
        if refined is None or not least_slope <= abs(refined.slope) <= most_slope:
            refined = Line(float(slope[best[first]]), float(intercept[best[first]]))
        found.append((refined, members))
        left &= np.any(np.abs(at_ends - at_ends[first]) > float(np.median(tolerance)), axis=1)
    return found


def isotonic(y: Array, weight: Array) -> Array:
    """The rising (never falling) sequence nearest to y in weighted squares, shape (n,).

    y, weight: shape (n,), weight > 0. Pools neighbours that fall (Ayer and others 1955); at most
    a few hundred values. Oracle in the tests: scipy.optimize.isotonic_regression.
    """
    means: list[float] = []
    weights: list[float] = []
    sizes: list[int] = []
    for value, own in zip(y.tolist(), weight.tolist(), strict=True):
        mean, total, size = value, own, 1
        while means and means[-1] >= mean:
            before = weights.pop()
            mean = (means.pop() * before + mean * total) / (before + total)
            total += before
            size += sizes.pop()
        means.append(mean)
        weights.append(total)
        sizes.append(size)
    return np.repeat(np.array(means, dtype=np.float64), sizes)
