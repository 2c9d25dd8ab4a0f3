"""How far a restless quantity swings between its readings, and how much its swing scatters.

Stands between readings and measurements of a swing. A recording that reads once a second never
shows the highest point itself; what it missed follows from how rough the readings are.

The model: the part of the readings that is not a slow swing forgets with a memory τ (first-order
autoregressive, as noise through a flywheel is). Its size comes from the *bends*, the distances of
readings from the middle of their neighbours, in which a slow swing does not show; τ from how much
the bends grow where every second reading is left out.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from verify.evidence.distributions import normal_quantile
from verify.evidence.recording import Array
from verify.values import dataclass

# Engine speed is pushed anew at each firing and by nothing faster: an eight-cylinder engine at
# 750 rpm fires every 0.02 s, engines of more cylinders idle slower. A flywheel does not forget
# within a turn (0.08 s), and what it remembers for longer than 20 s is level, not noise.
PUSHED_S = 0.02
SHORTEST_MEMORY_S, LONGEST_MEMORY_S, MEMORIES = 0.08, 20.0, 24
# Of a diffusing quantity, readings Δ apart miss 0.5826·√(variance of a step) of each extreme
# (Broadie, Glasserman and Kou 1997), and a bend has half of that variance: 0.824 bends.
DIFFUSION_MISSES = 0.5826 * math.sqrt(2.0)
# What half a range of 20 s misses scatters by 0.35 to 0.42 of itself, where readings are not so
# close that hardly anything is missed, and its upper 5 % begin 1.85 of these deviations out, not
# 1.645 as a normal quantity's (1500 simulated series for each of 25 memories and rates).
CHANCE_SHARE = 0.45
# Relative standard deviation of the root mean square of n bends of one noise, times √n; and of
# the logarithm of the ratio of two mean squares of them, one with every second reading.
BEND_SCATTER, RATIO_SCATTER = 0.97, 2.1


@dataclass(frozen=True, slots=True)
class Missed:
    """How much wider half a range of 20 s is than the readings show, in bends (root mean square).

    expected: the mean; doubt: standard deviation, by chance and as the memory is known only about.
    """

    expected: float
    doubt: float


def bends(values: Array, apart: int = 1) -> Array:
    """How far each reading lies from the middle of the two `apart` places from it, (n − 2 apart,).

    Of independent readings √1.5 deviations, of a diffusing quantity √½ steps.
    """
    middle = values[apart : len(values) - apart]
    result: Array = middle - 0.5 * (values[: len(middle)] + values[2 * apart :])
    return result


def missed_in(window_s: float, every_s: float, growth: float, readings: int) -> Missed:
    """What readings `every_s` apart miss of half the range in a window.

    growth: mean square of the bends of every second reading over that of all; 1 where neighbours
    are independent, 2 where the quantity diffuses, more where it is smooth. readings: it rests on
    so many. The memory is taken as even in its logarithm beforehand, and weighted by how well it
    explains the growth.
    Source of the extremes: `expected_maximum`.
    """
    if not every_s > PUSHED_S:
        return Missed(0.0, 0.0)
    memory = _memories()
    phi = np.exp(-every_s / memory)
    one = 1.5 - 2.0 * phi + 0.5 * phi**2
    two = 1.5 - 2.0 * phi**2 + 0.5 * phi**4
    told = math.log(min(2.0, max(1.0, growth)))
    surprise = (told - np.log(two / one)) * math.sqrt(max(readings, 1)) / RATIO_SCATTER
    weight = np.exp(-0.5 * (surprise**2 - float(np.min(surprise**2))))
    weight /= float(weight.sum())
    own = (_maxima(window_s, PUSHED_S) - _maxima(window_s, every_s)) / np.sqrt(one)
    own = np.maximum(own, 0.0)
    mean = float(weight @ own)
    unknown = math.sqrt(max(0.0, float(weight @ (own - mean) ** 2)))
    hidden = DIFFUSION_MISSES * math.sqrt(1.0 - PUSHED_S / every_s)
    return Missed(mean, math.hypot(unknown, CHANCE_SHARE * max(mean, hidden)))


def expected_maximum(window_s: float, memory_s: Array, every_s: float) -> Array:
    """Mean highest of readings `every_s` apart in a window, in deviations, for each memory.

    The quantity is Gaussian and forgets exponentially. P(none above u) = exp(−(T/τ) u φ(u)
    ν(u√(2Δ/τ))) Φ(u), with ν(x) = (2/x)(Φ(x/2) − ½) / ((x/2) Φ(x/2) + φ(x/2)); its mean by the
    trapezoid rule.
    Source: Siegmund 1985, "Sequential Analysis", and Feingold, Brown and Siegmund 1993, equation
    (1) (from memory; the tests simulate it).
    """
    u = np.linspace(1e-3, 7.0, 400)
    x = u[None, :] * np.sqrt(2.0 * every_s / memory_s)[:, None]
    half = _normal(0.5 * x)
    nu = (2.0 / x) * (half - 0.5) / (0.5 * x * half + _density(0.5 * x))
    rate = window_s / memory_s[:, None] * u * _density(u) * nu
    none_above = np.exp(-rate) * _normal(u)
    result: Array = u[0] + np.sum(1.0 - 0.5 * (none_above[:, 1:] + none_above[:, :-1]), axis=1) * (
        u[1] - u[0]
    )
    return result


def half_range_scatter(readings: float) -> float:
    """Standard deviation of half the peak-to-peak of so many independent normal readings, as a
    share of its expectation.

    Each extreme of n scatters like Gumbel's distribution, π/√6 over √(2 ln n), and both are as good
    as independent: 0.907/√(2 ln n) for half their distance. Against the tabled range (mean d2,
    deviation d3: 3.078 and 0.797 for 10, 5.015 and 0.605 for 100) that is right to 6 %; for fewer
    it is told too large, by 15 % for 5. The expectation is Blom's (1958): Φ⁻¹((n − 3/8)/(n + 1/4)).
    """
    n = max(3.0, readings)
    return 0.907 / math.sqrt(2.0 * math.log(n)) / normal_quantile((n - 0.375) / (n + 0.25))


@lru_cache(maxsize=1)
def _memories() -> Array:
    made: Array = np.geomspace(SHORTEST_MEMORY_S, LONGEST_MEMORY_S, MEMORIES)
    made.setflags(write=False)
    return made


@lru_cache(maxsize=64)
def _maxima(window_s: float, every_s: float) -> Array:
    made = expected_maximum(window_s, _memories(), every_s)
    made.setflags(write=False)
    return made


@lru_cache(maxsize=1)
def _table() -> tuple[Array, Array]:
    at = np.linspace(0.0, 8.0, 1601)
    return at, np.array([0.5 * math.erfc(-z / math.sqrt(2.0)) for z in at.tolist()])


def _normal(z: Array) -> Array:
    """P(Z ≤ z) of z ≥ 0, from a table of steps of 0.005: right to 1e-6."""
    at, told = _table()
    result: Array = np.interp(z, at, told)
    return result


def _density(z: Array) -> Array:
    result: Array = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return result
