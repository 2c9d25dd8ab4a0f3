"""Distribution functions the verdicts need, in plain Python.

Stands apart from `verdict.py` because it is mathematics and nothing of the trade. Written here so
that a judgement need not wait for a statistics library to load; `scipy.stats` is the oracle in
the tests (absolute 1e-12 for the functions, 1e-9 for the quantile).

Formulas: DLMF 7.2 (error function), 8.17.22 (continued fraction of the incomplete beta function),
8.7.1 and 8.9.2 (series and continued fraction of the incomplete gamma function).
"""

from __future__ import annotations

import math

_TINY = 1e-300
_ROUNDS = 2000


def normal_cdf(z: float) -> float:
    """P(Z ≤ z) of the standard normal distribution; exact in both tails."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """z with P(Z ≤ z) = p, for 0 < p < 1. Bisection, then Newton: called rarely, never in bulk."""
    if not 0.0 < p < 1.0:
        raise ValueError("p must lie between 0 and 1")
    low, high = -40.0, 40.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if normal_cdf(middle) < p:
            low = middle
        else:
            high = middle
    z = 0.5 * (low + high)
    for _ in range(3):
        density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        if density <= 0.0:
            break
        z -= (normal_cdf(z) - p) / density
    return z


def student_cdf(t: float, dof: float) -> float:
    """P(T ≤ t) of Student's distribution; dof > 0 need not be whole."""
    if not (dof > 0.0 and math.isfinite(dof)):
        raise ValueError("degrees of freedom must be finite and above 0")
    if math.isinf(t):
        return 1.0 if t > 0 else 0.0
    tail = 0.5 * _beta(0.5 * dof, 0.5, dof / (dof + t * t))
    return 1.0 - tail if t > 0 else tail


def chi_square_cdf(x: float, dof: float) -> float:
    """P(X ≤ x) of the chi-square distribution."""
    if not (dof > 0.0 and math.isfinite(dof)):
        raise ValueError("degrees of freedom must be finite and above 0")
    if x <= 0.0:
        return 0.0
    if math.isinf(x):
        return 1.0
    return _gamma(0.5 * dof, 0.5 * x)


def uniform_cdf(z: float) -> float:
    """P(Z ≤ z) of the uniform distribution with mean 0 and standard deviation 1."""
    half = math.sqrt(3.0)
    return min(1.0, max(0.0, (z + half) / (2.0 * half)))


def triangular_cdf(z: float) -> float:
    """P(Z ≤ z) of the symmetric triangular distribution with mean 0, standard deviation 1."""
    half = math.sqrt(6.0)
    if z <= -half:
        return 0.0
    if z >= half:
        return 1.0
    if z <= 0.0:
        return (z + half) ** 2 / (2.0 * half * half)
    return 1.0 - (half - z) ** 2 / (2.0 * half * half)


def _beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    # The fraction converges fast on one side only; the symmetry I_x(a,b) = 1 − I_{1−x}(b,a) does
    # the other.
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, _ROUNDS):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + step * d
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = 1.0 + step / c
            c = c if abs(c) > _TINY else _TINY
            value *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return value


def _gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x)."""
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        for n in range(1, 20 * _ROUNDS):
            term *= x / (a + n)
            total += term
            if term < total * 1e-17:
                break
        return front * total
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / b
    value = d
    for n in range(1, 20 * _ROUNDS):
        step = -n * (n - a)
        b += 2.0
        d = step * d + b
        d = 1.0 / (d if abs(d) > _TINY else _TINY)
        c = b + step / c
        c = c if abs(c) > _TINY else _TINY
        value *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return 1.0 - front * value
