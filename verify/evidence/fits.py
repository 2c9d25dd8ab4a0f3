"""Curves through a few points: least squares, its doubt, and whether the curve fits at all.

Stands apart from the checks because it is arithmetic; they say what a curve means. Two tools:
Levenberg–Marquardt for any curve, and the exponential approach solved exactly for each time
constant (variable projection), so that nothing hangs on a lucky start. Oracles in the tests:
NIST StRD and `scipy.optimize.curve_fit`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np

from verify.evidence.distributions import chi_square_cdf
from verify.evidence.recording import Array
from verify.values import dataclass

Trouble = Literal[
    "", "not-converged", "undetermined", "at-a-bound", "no-better-than-constant", "poor"
]

ROUNDS = 400
# The residual may make no smaller angle than this with any way to go (cosine).
LEVEL = 1e-9
# A way to go that changes the curve less than this share of the strongest one is no knowledge.
LEAST_DIRECTION = 1e-7
# Residuals as large as these come by chance once in a thousand.
POOR_AT = 1e-3
_THIRD_ROOT_EPS = float(np.finfo(float).eps) ** (1.0 / 3.0)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted curve.

    parameters, errors: shape (p,), with standard errors (inf where the points do not determine
    them). covariance: shape (p, p). chi_square: sum of squared residuals, each over its own
    uncertainty where these were given. dof: points minus parameters. trouble: "" or why it is no
    fit: it ended before the lowest place; some parameter is not determined; a bound stopped it; a
    plain mean does as well; the residuals are far larger than the uncertainties allow.
    """

    parameters: Array
    errors: Array
    covariance: Array
    chi_square: float
    dof: int
    trouble: Trouble = ""


def fit_curve(
    curve: Callable[[Array], Array],
    y: Array,
    starts: Sequence[Sequence[float]],
    *,
    u: Array | None = None,
    lower: Sequence[float] | None = None,
    upper: Sequence[float] | None = None,
) -> Fit:
    """The best of the fits from several starts, by Levenberg–Marquardt.

    curve: parameters of shape (p,) → values of shape (n,). y: shape (n,), finite. u: standard
    uncertainties, shape (n,), > 0; None where they are unknown: then the covariance is scaled by
    the residual variance. lower, upper: bounds of the parameters.
    A fit without trouble is preferred to one with a lower sum of squares that has some, unless
    that sum is lower by more than a tenth: then the trouble is the answer.
    Raises ValueError without a start or with no more points than parameters.
    """
    if not starts:
        raise ValueError("a fit needs a start")
    if len(y) <= len(starts[0]):
        raise ValueError("a fit needs more points than parameters")
    weight = np.ones(len(y)) if u is None else 1.0 / u
    low = np.full(len(starts[0]), -np.inf) if lower is None else np.asarray(lower, dtype=float)
    high = np.full(len(starts[0]), np.inf) if upper is None else np.asarray(upper, dtype=float)
    fits = []
    for given in starts:
        start = np.asarray(given, dtype=float)
        end = _descend(curve, y, weight, start, low, high)
        fits.append(_examined(curve, y, weight, u is not None, low, high, start, *end))
    lowest = min(fits, key=lambda f: f.chi_square)
    sound = [f for f in fits if not f.trouble and f.chi_square <= 1.1 * lowest.chi_square]
    return min(sound, key=lambda f: f.chi_square) if sound else lowest


def _residual(curve: Callable[[Array], Array], y: Array, weight: Array, p: Array) -> Array:
    with np.errstate(all="ignore"):
        r: Array = (y - curve(p)) * weight
    return r


def _size(start: Array) -> Array:
    result: Array = np.where(start != 0.0, np.abs(start), 1.0)
    return result


def _squares(r: Array) -> float:
    with np.errstate(all="ignore"):
        return float(r @ r)


def _jacobian(curve: Callable[[Array], Array], weight: Array, p: Array, size: Array) -> Array:
    """d(curve · weight)/dp by central differences, shape (n, p). size: of the start, for
    parameters that have come near 0."""
    columns = []
    with np.errstate(all="ignore"):
        for i in range(len(p)):
            h = _THIRD_ROOT_EPS * max(abs(p[i]), 1e-3 * size[i])
            up, down = p.copy(), p.copy()
            up[i] += h
            down[i] -= h
            columns.append((curve(up) - curve(down)) * weight / (up[i] - down[i]))
    result: Array = np.column_stack(columns)
    return result


def _descend(
    curve: Callable[[Array], Array], y: Array, weight: Array, start: Array, low: Array, high: Array
) -> tuple[Array, bool]:
    """(where it ended, whether it cannot go lower there). Marquardt 1963, scaled by the columns."""
    p = np.clip(start, low, high)
    size = _size(start)
    r = _residual(curve, y, weight, p)
    squares = _squares(r)
    if not math.isfinite(squares):
        return p, False
    damping = 1e-3
    scale = np.zeros(len(p))
    for _ in range(ROUNDS):
        j = _jacobian(curve, weight, p, size)
        if not np.all(np.isfinite(j)):
            return p, False
        norms = np.sqrt(np.einsum("ij,ij->j", j, j))
        scale = np.maximum(scale, norms)
        gradient = j.T @ r
        free = ~(((p <= low) & (gradient < 0)) | ((p >= high) & (gradient > 0)))
        steep = np.abs(gradient) / np.where(norms > 0, norms, 1.0)
        if squares == 0.0 or float(np.max(steep * free, initial=0.0)) <= LEVEL * math.sqrt(squares):
            return p, True
        moved = False
        while damping < 1e20:
            rows = np.vstack([j[:, free], math.sqrt(damping) * np.diag(scale[free])])
            step, *_ = np.linalg.lstsq(
                rows, np.concatenate([r, np.zeros(int(free.sum()))]), rcond=None
            )
            new = p.copy()
            new[free] += step
            new = np.clip(new, low, high)
            new_r = _residual(curve, y, weight, new)
            new_squares = _squares(new_r)
            if new_squares < squares:
                moved = True
                damping = max(damping / 10.0, 1e-14)
                break
            damping *= 4.0
        if not moved:
            # Nothing lower within the numbers' own grain; that is a bottom if it is level there.
            return p, float(np.max(steep * free)) <= 1e-5 * math.sqrt(squares)
        p, r, squares = new, new_r, new_squares
    return p, False


def _examined(
    curve: Callable[[Array], Array],
    y: Array,
    weight: Array,
    known: bool,
    low: Array,
    high: Array,
    start: Array,
    p: Array,
    converged: bool,
) -> Fit:
    squares = _squares(_residual(curve, y, weight, p))
    dof = len(y) - len(p)
    endless = np.full(len(p), np.inf)
    lost = Fit(p, endless, np.diag(endless), squares, dof, "not-converged")
    if not math.isfinite(squares):
        return Fit(p, endless, np.diag(endless), math.inf, dof, "not-converged")
    j = _jacobian(curve, weight, p, _size(start))
    if not np.all(np.isfinite(j)):
        return lost
    norms = np.sqrt(np.einsum("ij,ij->j", j, j))
    if not np.all(norms > 0.0) or _weakest(j / norms) < LEAST_DIRECTION:
        return Fit(p, endless, np.diag(endless), squares, dof, "undetermined")
    scaled = j / norms
    inverse = np.linalg.inv(scaled.T @ scaled) / np.outer(norms, norms)
    covariance = inverse * (1.0 if known else squares / dof)
    errors = np.sqrt(np.diag(covariance))
    trouble: Trouble = ""
    mean = float(np.sum(y * weight**2) / np.sum(weight**2))
    flat = float(np.sum(((y - mean) * weight) ** 2))
    if not converged:
        trouble = "not-converged"
    elif np.any((p <= low) | (p >= high)):
        trouble = "at-a-bound"
    elif len(p) > 1 and squares >= 0.999 * flat:
        trouble = "no-better-than-constant"
    elif known and 1.0 - chi_square_cdf(squares, float(dof)) < POOR_AT:
        trouble = "poor"
    return Fit(p, errors, covariance, squares, dof, trouble)


def _weakest(scaled: Array) -> float:
    values = np.linalg.svd(scaled, compute_uv=False)
    return float(values[-1] / values[0])


def aicc(misfit: float, parameters: int, points: int) -> float:
    """Akaike's criterion with the correction for few points; lower is better.

    misfit: −2 ln likelihood, up to a constant that is the same for all models compared: χ² where
    the uncertainties are known, n ln(RSS/n) where the spread is one of the `parameters`.
    Source: Hurvich and Tsai 1989; Burnham and Anderson 2002, section 2.4.
    Raises ValueError where the correction has no meaning (points ≤ parameters + 1).
    """
    if points <= parameters + 1:
        raise ValueError("too few points for that many parameters")
    k = float(parameters)
    return misfit + 2.0 * k + 2.0 * k * (k + 1.0) / (points - k - 1.0)


def akaike_weights(criteria: Sequence[float]) -> list[float]:
    """How much each model has in its favour, summing to 1 (Burnham and Anderson 2002, 2.9)."""
    least = min(criteria)
    share = [math.exp(-0.5 * (c - least)) for c in criteria]
    return [s / sum(share) for s in share]


@dataclass(frozen=True, slots=True, eq=False)
class Approach:
    """a + b·exp(−t/τ) solved for a and b at each τ; all of shape (m,), one for each τ.

    asymptote, asymptote_error: a. last, last_error: the level at the last time. step: b.
    """

    tau: Array
    chi_square: Array
    asymptote: Array
    asymptote_error: Array
    step: Array
    last: Array
    last_error: Array


def approach_by_tau(t: Array, y: Array, u: Array, tau: Array) -> Approach:
    """The best a and b for each time constant, by weighted linear least squares.

    t: shape (n,), from 0 on. y, u: shape (n,). tau: shape (m,), > 0, in the unit of t.
    Source: variable projection (Golub and Pereyra 1973), one parameter left.
    """
    e = np.exp(-t[None, :] / tau[:, None])
    w = 1.0 / u**2
    s0 = float(w.sum())
    level = float(w @ y) / s0
    mean = e @ w / s0
    # Taken from their means: at a long τ the wave is nearly level, and the digits would be lost.
    centred = e - mean[:, None]
    s2 = (centred**2) @ w
    step = (centred * (y - level)) @ w / s2
    asymptote = level - step * mean
    e_last = e[:, -1]
    residual = y[None, :] - asymptote[:, None] - step[:, None] * e
    return Approach(
        tau,
        (residual**2) @ w,
        asymptote,
        np.sqrt(1.0 / s0 + mean**2 / s2),
        step,
        asymptote + step * e_last,
        np.sqrt(1.0 / s0 + (e_last - mean) ** 2 / s2),
    )


@dataclass(frozen=True, slots=True)
class Line:
    """level + slope·(t − mean_t); level and slope are independent of each other."""

    level: float
    level_error: float
    slope: float
    slope_error: float
    mean_t: float
    chi_square: float

    def at(self, t: float) -> tuple[float, float]:
        """(value, standard error) at t."""
        away = t - self.mean_t
        return self.level + self.slope * away, math.hypot(self.level_error, self.slope_error * away)


def fit_line(t: Array, y: Array, u: Array) -> Line:
    """The weighted straight line. Raises ValueError where all times are the same."""
    w = 1.0 / u**2
    s0 = float(w.sum())
    mean_t, level = float(w @ t) / s0, float(w @ y) / s0
    away = t - mean_t
    s2 = float(w @ away**2)
    if not s2 > 0.0:
        raise ValueError("a line needs two different times")
    slope = float(w @ (away * (y - level))) / s2
    rest = y - level - slope * away
    return Line(level, s0**-0.5, slope, s2**-0.5, mean_t, float(w @ rest**2))
