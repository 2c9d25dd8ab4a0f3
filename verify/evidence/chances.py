"""How probable it is that one uncertain number lies better than another: mathematics of `compare`.

Distributions are propagated as stated (JCGM 101:2008) by one sum: the earlier number in cells of
its own distribution, and for each cell the exact probability of the later one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

from verify.evidence.verdict import (
    Distribution,
    Limits,
    Measurement,
    least_uncertainty,
    probability_of_conformity,
)
from verify.values import dataclass

CELLS = 400
# A change of less than this share of the tolerance is none. Common practice, no source.
MARGIN_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities in [0, 1]; better + worse = 1, and unchanged speaks of the size alone.

    moved: that the number went the way it seems to have gone, down or up.
    """

    better: float
    worse: float
    unchanged: float
    moved: float


def margin_of(limits: Limits) -> float | None:
    """A quarter of the tolerance: of half the width of two-sided limits; of the limit itself where
    there is one. None where that is zero."""
    if limits.lower is not None and limits.upper is not None:
        tolerance = 0.5 * (limits.upper - limits.lower)
    else:
        tolerance = abs(limits.upper if limits.upper is not None else limits.lower or 0.0)
    return MARGIN_SHARE * tolerance or None


def difference(before: Measurement, after: Measurement) -> tuple[float, float]:
    """(AFTER − BEFORE, its standard uncertainty), in their unit. Raises ValueError where unlike.

    In quadrature (JCGM 100:2008, 5.1.2), with the doubt of a common rounding counted once.
    """
    if before.unit != after.unit:
        raise ValueError(f"a change from {before.unit} to {after.unit}")
    own = max(before.uncertainty**2 - shared_rounding(before, after) ** 2, 0.0)
    return after.value - before.value, math.hypot(math.sqrt(own), after.uncertainty)


def shared_rounding(before: Measurement, after: Measurement) -> float:
    """Standard uncertainty that both averages owe to the same step of the same readings; 0.0 where
    there is none in common."""
    averages = (Distribution.NORMAL, Distribution.STUDENT)
    if before.distribution not in averages or after.distribution not in averages:
        return 0.0
    if not math.isclose(before.resolution, after.resolution, rel_tol=1e-6):
        return 0.0
    return least_uncertainty(before.resolution)


def point_chances(before: Measurement, after: Measurement, limits: Limits) -> Chances:
    """How probable better, worse and unchanged are, by the distributions of both.

    Better: below BEFORE where the only limit is an upper one, above it where it is a lower one,
    nearer the middle where there are two. Unchanged: within `margin_of` the limits of BEFORE.
    Raises ValueError where the units differ.
    """
    if not before.unit == after.unit == limits.unit:
        raise ValueError(f"{before.unit} and {after.unit} against limits in {limits.unit}")
    margin = margin_of(limits)
    better = unchanged = fell = 0.0
    for value, weight in _cells(before, shared_rounding(before, after)):
        better += weight * _in(after, *_better_than(value, limits))
        fell += weight * _in(after, None, value)
        if margin is not None:
            unchanged += weight * _in(after, value - margin, value + margin)
    better, fell = (min(1.0, max(0.0, p)) for p in (better, fell))
    return Chances(better, 1.0 - better, min(1.0, unchanged), max(fell, 1.0 - fell))


def _better_than(value: float, limits: Limits) -> tuple[float | None, float | None]:
    if limits.lower is None:
        return None, value
    if limits.upper is None:
        return value, None
    middle = 0.5 * (limits.lower + limits.upper)
    reach = abs(value - middle)
    return middle - reach, middle + reach


def _in(m: Measurement, lower: float | None, upper: float | None) -> float:
    if lower is not None and upper is not None and not lower < upper:
        return 0.0
    return probability_of_conformity(m, Limits(lower, upper, m.unit, "computed"))


def _cells(m: Measurement, rounding: float) -> Sequence[tuple[float, float]]:
    """(value, weight) of cells of the distribution; `rounding` is left to the other side."""
    left = m.uncertainty**2 - rounding**2
    if rounding > 0.0:
        if left <= (1e-9 * m.uncertainty) ** 2:
            return ((m.value, 1.0),)
        m = replace(m, uncertainty=math.sqrt(left), resolution=0.0)
    edges = _edges(m)
    below = [_in(m, None, edge) for edge in edges]
    middles = [0.5 * (a + b) for a, b in itertools.pairwise(edges)]
    weights = [b - a for a, b in itertools.pairwise(below)]
    # What lies beyond the outermost edges stands at them.
    return (
        (edges[0], below[0]),
        *zip(middles, weights, strict=True),
        (edges[-1], 1.0 - below[-1]),
    )


def _edges(m: Measurement) -> list[float]:
    steps = [2.0 * i / CELLS - 1.0 for i in range(CELLS + 1)]
    if m.distribution is Distribution.CHI_SQUARE:
        return _spread_edges(m)
    if m.distribution is Distribution.STUDENT:
        # Heavy tails: cells that grow outwards.
        return [m.value + m.uncertainty * math.sinh(9.0 * s) for s in steps]
    reach = {
        Distribution.UNIFORM: math.sqrt(3.0),
        Distribution.TRIANGULAR: math.sqrt(6.0),
    }.get(m.distribution, 9.0)
    return [m.value + m.uncertainty * reach * s for s in steps]


def _spread_edges(m: Measurement) -> list[float]:
    """Of a spread: by equal ratios, from nearly nothing below to nearly nothing above."""
    if m.value <= 0.0:
        return [0.0, m.uncertainty]
    low = high = m.value
    while _in(m, None, low) > 1e-9 and low > 1e-9 * m.value:
        low /= 1.2
    while _in(m, None, high) < 1.0 - 1e-9 and high < 1e9 * m.value:
        high *= 1.2
    ratio = math.log(high / low)
    return [low * math.exp(ratio * i / CELLS) for i in range(CELLS + 1)]


def rates_fell_and_rose(
    before: int, before_over: float, after: int, after_over: float
) -> tuple[float, float]:
    """(p of so few after, p of so many after), were both rates the same: one-sided and exact.

    Of n events in all, those after are then binomial with the share of AFTER in the exposure
    (J. Przyborowski and H. Wilenski, Biometrika 31 (1940) 313–323; citation from memory).
    Raises ValueError for a negative count or an exposure that is not above 0.
    """
    if before < 0 or after < 0 or not (before_over > 0.0 and after_over > 0.0):
        raise ValueError("counts must not be negative and exposures must be above 0")
    n = before + after
    share = after_over / (before_over + after_over)
    few = math.fsum(_binomial(k, n, share) for k in range(after + 1))
    many = math.fsum(_binomial(k, n, share) for k in range(after, n + 1))
    return min(1.0, few), min(1.0, many)


def _binomial(k: int, n: int, share: float) -> float:
    if share >= 1.0:
        return 1.0 if k == n else 0.0
    logs = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
    return math.exp(logs + k * math.log(share) + (n - k) * math.log1p(-share))
