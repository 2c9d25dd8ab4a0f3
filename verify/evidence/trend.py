"""Where a level is going that was measured a few times: it stays, it settles, or it drifts.

Between the fits and the checks. Three models are held against each other by AICc: a constant, an
exponential approach, a straight line. No model is believed alone: what is said of now and of later
is said by all of them, each with its Akaike weight, so that six points of a slow approach are not
taken for a constant merely because a constant has fewer parameters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np

from verify.evidence.distributions import student_cdf
from verify.evidence.fits import (
    Approach,
    Fit,
    Line,
    aicc,
    akaike_weights,
    approach_by_tau,
    fit_curve,
    fit_line,
)
from verify.evidence.recording import Array
from verify.values import dataclass

Kind = Literal["constant", "approach", "drift"]
PARAMETERS: Mapping[Kind, int] = {"constant": 1, "drift": 2, "approach": 3}
LEAST_POINTS = 6
# An approach slower than three times what was watched is told from a line by nothing (5 % of its
# step); up to ten times it is still thought of before a car is failed.
FASTEST, SLOWEST, UTMOST = 1.0 / 30.0, 3.0, 10.0
TAUS = 73
# A drift is followed this many times as long again as it was watched.
AHEAD = 4.0
# Residuals this much larger than the uncertainties explain: no model describes the points.
NO_FIT = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """n ≥ 6 levels over time, with the models that were fitted to them.

    kind: the best model by AICc. criteria, weights: AICc and Akaike weight of each model.
    inflation: factor on the variances, ≥ 1: the smallest reduced χ² of the three (Birge 1932; as
    the quasi-AICc of Burnham and Anderson 2002, 2.5). approach: polished a, b, ln τ. profile: the
    approach for each τ up to `UTMOST` times the span. span: last time minus first.
    """

    kind: Kind
    criteria: Mapping[Kind, float]
    weights: Mapping[Kind, float]
    inflation: float
    points: int
    span: float
    level: float
    level_error: float
    line: Line
    approach: Fit
    profile: Approach

    @property
    def fits(self) -> bool:
        """Whether some model describes the points."""
        return self.inflation <= NO_FIT

    @property
    def tau(self) -> float:
        return math.exp(float(self.approach.parameters[2]))

    def last(self) -> tuple[float, float, float]:
        """(level at the last time by the best model, its standard error, degrees of freedom)."""
        dof = float(self.points - PARAMETERS[self.kind])
        if self.kind == "constant":
            return self.level, self.level_error, dof
        if self.kind == "drift":
            return (*self._ahead(0.0), dof)
        best = int(np.argmin(self.profile.chi_square[self._known()]))
        p = self.profile
        return float(p.last[best]), float(p.last_error[best]) * math.sqrt(self.inflation), dof

    def end(self) -> tuple[float, float, float]:
        """(where it ends by the best model; a line: its last level, standard error, dof)."""
        if self.kind != "approach":
            return self.last()
        best = int(np.argmin(self.profile.chi_square[self._known()]))
        p = self.profile
        error = float(p.asymptote_error[best]) * math.sqrt(self.inflation)
        return float(p.asymptote[best]), error, float(self.points - 3)

    def remaining(self) -> float:
        """How far it still goes: to the asymptote, or along the line as long again."""
        if self.kind == "constant":
            return 0.0
        if self.kind == "drift":
            return self.line.slope * self.span
        return self.end()[0] - self.last()[0]

    def holds(self, lower: float, upper: float) -> tuple[float, float]:
        """(P the last level lies within, P it lies within now and later), over all models."""
        now: dict[Kind, float] = {}
        later: dict[Kind, float] = {}
        n = self.points
        now["constant"] = later["constant"] = _inside(
            self.level, self.level_error, n - 1, lower, upper
        )
        now["drift"] = _inside(*self._ahead(0.0), n - 2, lower, upper)
        later["drift"] = _inside(*self._ahead(AHEAD * self.span), n - 2, lower, upper)
        now["approach"], later["approach"] = self._mixed(lower, upper)
        w = self.weights
        return (
            sum(w[k] * now[k] for k in PARAMETERS),
            sum(w[k] * min(now[k], later[k]) for k in PARAMETERS),
        )

    def may_end_inside(self, lower: float, upper: float) -> float:
        """The best that can fairly be hoped: P that it ends within.

        Where a moving model is the best one, the level is given every τ that the points allow
        (95 %), up to ten times what was watched, and the kindest counts. Where the constant is
        best, the others speak with their weights: the line at its kindest up to `AHEAD`.
        """
        stays = _inside(self.level, self.level_error, self.points - 1, lower, upper)
        dof = self.points - 3
        if self.kind != "constant":
            chi = self.profile.chi_square / self.inflation
            allowed = np.flatnonzero(chi - chi.min() <= _student_95(dof) ** 2)
            kindest = max(self._asymptote_inside(i, lower, upper) for i in allowed.tolist())
            return self.weights["constant"] * stays + (1.0 - self.weights["constant"]) * kindest
        ahead = [self._ahead(share * self.span) for share in np.linspace(0.0, AHEAD, 9).tolist()]
        line = max(_inside(*a, self.points - 2, lower, upper) for a in ahead)
        chance = {"constant": stays, "drift": line, "approach": self._mixed(lower, upper)[1]}
        return sum(self.weights[k] * chance[k] for k in PARAMETERS)

    def _asymptote_inside(self, i: int, lower: float, upper: float) -> float:
        p, wide = self.profile, math.sqrt(self.inflation)
        error = float(p.asymptote_error[i]) * wide
        return _inside(float(p.asymptote[i]), error, self.points - 3, lower, upper)

    def _mixed(self, lower: float, upper: float) -> tuple[float, float]:
        """(P the last level lies within, P the asymptote does), over the time constants that the
        points can tell, each weighed with its likelihood."""
        p, wide, dof = self.profile, math.sqrt(self.inflation), self.points - 3
        # Relative to the best, or the shares of a bad fit would all be nothing.
        chi = p.chi_square[self._known()] / self.inflation
        share = np.exp(-0.5 * (chi - chi.min()))
        share = (share / share.sum()).tolist()
        now = [
            _inside(float(p.last[i]), float(p.last_error[i]) * wide, dof, lower, upper)
            for i in range(len(chi))
        ]
        later = [self._asymptote_inside(i, lower, upper) for i in range(len(chi))]
        return (
            sum(s * x for s, x in zip(share, now, strict=True)),
            sum(s * x for s, x in zip(share, later, strict=True)),
        )

    def minutes_until_inside(self, lower: float, upper: float) -> float | None:
        """Time from the last point until the approach is within by twice its error; None if never
        or if it is no approach. In the unit of the times."""
        if self.kind != "approach":
            return None
        end, error, _ = self.end()
        now = self.last()[0]
        room = (upper - end if now > end else end - lower) - 2.0 * error
        if not lower + 2.0 * error < end < upper - 2.0 * error:
            return None
        away = abs(now - end)
        return self.tau * math.log(away / room) if away > room else 0.0

    def _ahead(self, time: float) -> tuple[float, float]:
        value, error = self.line.at(self.span + time)
        return value, error * math.sqrt(self.inflation)

    def _known(self) -> slice:
        """The time constants within what the points can tell (the grid is ascending)."""
        return slice(0, int(np.searchsorted(self.profile.tau, SLOWEST * self.span * 1.0001)))


def trend(t: Array, y: Array, u: Array) -> Trend:
    """Which of the three models describes the levels best.

    t: shape (n,), n ≥ 6, ascending. y, u: shape (n,), levels and standard uncertainties > 0.
    Raises ValueError with fewer points, or all at one time.
    """
    n = len(t)
    if n < LEAST_POINTS:
        raise ValueError("a trend needs six points")
    t = t - t[0]
    span = float(t[-1])
    line = fit_line(t, y, u)
    w = 1.0 / u**2
    level = float(w @ y) / float(w.sum())
    constant = float(w @ (y - level) ** 2)
    tau = span * np.geomspace(FASTEST, UTMOST, TAUS)
    profile = approach_by_tau(t, y, u, tau)
    within = tau <= SLOWEST * span * 1.0001
    first = int(np.argmin(profile.chi_square[within]))
    places = sorted({0, first, int(np.count_nonzero(within)) - 1})
    starts = [
        (float(profile.asymptote[i]), float(profile.step[i]), math.log(float(tau[i])))
        for i in places
    ]
    fit = fit_curve(
        lambda p: p[0] + p[1] * np.exp(-t / math.exp(p[2])),
        y,
        starts,
        u=u,
        lower=(-np.inf, -np.inf, math.log(FASTEST * span)),
        upper=(np.inf, np.inf, math.log(SLOWEST * span)),
    )
    chi: dict[Kind, float] = {
        "constant": constant,
        "drift": line.chi_square,
        "approach": min(fit.chi_square, float(profile.chi_square[within].min())),
    }
    inflation = max(1.0, min(chi[k] / (n - PARAMETERS[k]) for k in PARAMETERS))
    criteria: dict[Kind, float] = {
        k: aicc(chi[k] / inflation, PARAMETERS[k], n) for k in PARAMETERS
    }
    weights = dict(zip(criteria, akaike_weights(list(criteria.values())), strict=True))
    kind = min(criteria, key=lambda k: criteria[k])
    error = math.sqrt(inflation / float(w.sum()))
    return Trend(kind, criteria, weights, inflation, n, span, level, error, line, fit, profile)


def _inside(value: float, error: float, dof: float, lower: float, upper: float) -> float:
    """P(lower ≤ true ≤ upper) by Student's distribution."""
    below = student_cdf((lower - value) / error, float(dof))
    above = student_cdf((value - upper) / error, float(dof))
    return min(1.0, max(0.0, 1.0 - below - above))


def _student_95(dof: float) -> float:
    """The two-sided 95 % point, by bisection."""
    low, high = 1.9, 13.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if student_cdf(middle, float(dof)) < 0.975:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
