"""Curves, lines and trends: `scipy.optimize.curve_fit`, `numpy`, and their own definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from verify.evidence.fits import aicc, akaike_weights, approach_by_tau, fit_curve, fit_line
from verify.evidence.recording import Array
from verify.evidence.trend import AHEAD, SLOWEST, Trend, trend

T = np.array([0.0, 6.0, 15.0, 21.0, 40.0, 55.0, 70.0, 90.0])


def approach(t: Array, a: float, b: float, tau: float) -> Array:
    return a + b * np.exp(-t / tau)


def levels(seed: int, a: float, b: float, tau: float, u: float, t: Array = T) -> Array:
    return approach(t, a, b, tau) + np.random.default_rng(seed).normal(0, u, len(t))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("known", [True, False])
def test_a_curve_equals_that_of_scipy(seed: int, known: bool) -> None:
    rng = np.random.default_rng(seed)
    t, u = np.sort(rng.uniform(0, 80, 15)), rng.uniform(1.0, 3.0, 15)
    y = approach(t, 705, 90, 18) + rng.normal(0, u)
    theirs, covariance = optimize.curve_fit(
        approach, t, y, (700, 80, 10), sigma=u if known else None, absolute_sigma=known
    )
    ours = fit_curve(lambda p: approach(t, *p), y, [(700, 80, 10)], u=u if known else None)
    assert ours.trouble == ""
    np.testing.assert_allclose(ours.parameters, theirs, rtol=1e-5)
    np.testing.assert_allclose(ours.covariance, covariance, rtol=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_an_approach_solved_for_each_time_constant_equals_the_curve(seed: int) -> None:
    y, u = levels(seed, 705, 90, 18, 2.0), np.full(len(T), 2.0)
    tau = np.geomspace(1, 270, 2001)
    found = approach_by_tau(T, y, u, tau)
    best = int(np.argmin(found.chi_square))
    whole = fit_curve(lambda p: approach(T, *p), y, [(700, 80, 10)], u=u)
    assert whole.chi_square <= found.chi_square[best] <= whole.chi_square + 1e-3
    assert found.asymptote[best] == pytest.approx(whole.parameters[0], abs=0.1)
    # For a given τ it is a linear problem, and numpy's own solution of it.
    design = np.column_stack([np.ones(len(T)), np.exp(-T / tau[best])])
    (a, b), covariance = np.polynomial.polynomial.polyfit(design[:, 1], y, 1), None
    assert (found.asymptote[best], found.step[best]) == pytest.approx((a, b))
    covariance = np.linalg.inv(design.T @ design) * 4.0
    assert found.asymptote_error[best] == pytest.approx(math.sqrt(covariance[0, 0]))
    row = design[-1]
    assert found.last_error[best] == pytest.approx(math.sqrt(row @ covariance @ row))


def test_a_line_equals_that_of_numpy() -> None:
    rng = np.random.default_rng(3)
    u = rng.uniform(1, 4, len(T))
    y = 700 + 0.3 * T + rng.normal(0, u)
    (slope, level), covariance = np.polyfit(T, y, 1, w=1 / u, cov="unscaled")
    found = fit_line(T, y, u)
    assert found.slope == pytest.approx(slope)
    assert found.at(0.0)[0] == pytest.approx(level)
    assert found.slope_error == pytest.approx(math.sqrt(covariance[0, 0]))
    row = np.array([50.0, 1.0])
    assert found.at(50.0)[1] == pytest.approx(math.sqrt(row @ covariance @ row))


def test_a_fit_says_what_is_wrong_with_it() -> None:
    flat = np.full(len(T), 700.0) + np.array([1, -1, 1, -1, 1, -1, 1, -1.0])
    u = np.ones(len(T))

    def curve(p: Array) -> Array:
        return approach(T, *p)

    # Whatever b is, it is gone after the first point with a τ as short as this.
    assert fit_curve(curve, flat, [(700, 50, 1e-3)]).trouble == "undetermined"
    bounded = fit_curve(
        curve,
        700 + 2.0 * T,
        [(700, -50, 30)],
        lower=(-np.inf, -np.inf, 1.0),
        upper=(np.inf, np.inf, 60.0),
    )
    assert bounded.trouble == "at-a-bound"
    bent = fit_curve(curve, 700 + 30 * np.sin(T), [(700, 10, 20)], u=u)
    assert bent.trouble in ("poor", "undetermined")
    assert bent.chi_square > 100
    line = fit_curve(lambda p: p[0] + p[1] * (T % 2), flat * 0 + 5.0, [(1.0, 1.0)])
    assert line.trouble == "no-better-than-constant"
    endless = fit_curve(lambda p: p[0] * np.full(len(T), np.nan), flat, [(1.0,)])
    assert endless.trouble == "not-converged"
    with pytest.raises(ValueError):
        fit_curve(curve, flat, [])
    with pytest.raises(ValueError):
        fit_curve(curve, flat[:3], [(1.0, 1.0, 1.0)])


def test_several_starts_are_no_worse_than_the_best_of_them() -> None:
    x = np.array([1, 2, 3, 5, 7, 10.0])
    y = np.array([109, 149, 149, 191, 213, 224.0])
    starts = [(1.0, 1.0), (100.0, 0.75), (1.0, 1e-6)]
    found = fit_curve(lambda b: b[0] * (1 - np.exp(-b[1] * x)), y, starts)
    assert found.trouble == ""
    assert found.chi_square == pytest.approx(1168.0088766, rel=1e-6)


def test_the_stated_errors_hold_the_truth() -> None:
    """68 % within one standard error, over 400 noisy approaches with known uncertainties."""
    held = 0
    u = np.full(len(T), 2.0)
    for seed in range(400):
        fit = fit_curve(
            lambda p: approach(T, *p), levels(seed, 705, 120, 18, 2.0), [(700, 90, 20)], u=u
        )
        held += abs(fit.parameters[0] - 705) <= fit.errors[0]
    assert 0.62 * 400 <= held <= 0.75 * 400


def test_aicc_is_its_formula_and_needs_points() -> None:
    assert aicc(10.0, 3, 9) == pytest.approx(10 + 6 + 24 / 5)
    assert aicc(10.0, 3, 10**9) == pytest.approx(16)
    with pytest.raises(ValueError):
        aicc(1.0, 3, 4)


@given(st.lists(st.floats(-500, 500), min_size=1, max_size=6))
def test_weights_are_shares_and_the_lowest_has_the_most(criteria: list[float]) -> None:
    weights = akaike_weights(criteria)
    assert sum(weights) == pytest.approx(1.0)
    assert weights[criteria.index(min(criteria))] == max(weights)


# --- trends ------------------------------------------------------------------------------------


def of(y: Array, u: float = 2.0, t: Array = T) -> Trend:
    return trend(t, y, np.full(len(t), u))


def test_each_model_is_chosen_where_it_is_the_truth() -> None:
    assert of(levels(1, 710, 0, 1, 2.0)).kind == "constant"
    assert of(levels(1, 710, 120, 15, 2.0)).kind == "approach"
    assert of(levels(1, 710, 0, 1, 2.0) + 1.0 * T).kind == "drift"


@pytest.mark.parametrize("seed", range(6))
def test_the_asymptote_of_an_approach_lies_within_its_doubt(seed: int) -> None:
    found = of(levels(seed, 712, 120, 15, 2.0))
    value, error, dof = found.end()
    assert found.kind == "approach"
    assert dof == len(T) - 3
    assert abs(value - 712) < 3.2 * error
    assert found.tau == pytest.approx(15, rel=0.25)
    assert found.last()[0] == pytest.approx(712 + 120 * math.exp(-6), abs=4)
    assert abs(found.remaining()) < 4


def test_a_level_without_scatter_is_judged_by_its_stated_doubt() -> None:
    found = of(np.full(len(T), 710.0))
    assert found.kind == "constant"
    assert found.inflation == 1.0
    assert found.last()[1] == pytest.approx(2.0 / math.sqrt(len(T)))
    below, above = (stats.t.cdf(z / found.last()[1], 7) for z in (-10.0, 20.0))
    now, _ = found.holds(700.0, 730.0)
    weight = found.weights["constant"]
    assert now == pytest.approx(weight * (above - below), abs=1.0 - weight)


def test_scatter_beyond_the_stated_doubt_widens_everything() -> None:
    rough = of(710 + 20.0 * np.array([1, -1, 1, -1, 1, -1, 1, -1]), u=0.5)
    assert not rough.fits
    assert rough.last()[1] > 5.0
    assert of(levels(2, 710, 0, 1, 2.0)).fits


def test_where_it_goes_is_said_by_all_models() -> None:
    """A line that is still inside, followed `AHEAD` times as long again, is outside."""
    found = of(680 + 0.5 * T, u=1.0)
    now, both = found.holds(650, 750)
    assert now > 0.99
    assert both < 0.1
    assert found.line.at(found.span * (1 + AHEAD))[0] > 750
    assert found.remaining() == pytest.approx(0.5 * found.span, rel=1e-6)


def test_a_slow_way_in_is_never_hopeless() -> None:
    """From 100 above, τ twice the time watched: no line and no constant may condemn it."""
    for seed in range(30):
        found = of(levels(seed, 700, 100, 180, 2.0))
        assert found.may_end_inside(650, 750) > 0.05


def test_time_until_an_approach_is_inside() -> None:
    found = of(levels(3, 700, 400, 40, 1.0))
    wait = found.minutes_until_inside(680, 720)
    value, error, _ = found.end()
    assert wait is not None
    left = (found.last()[0] - value) * math.exp(-wait / found.tau)
    assert left == pytest.approx(720 - value - 2 * error, rel=1e-6)
    assert found.minutes_until_inside(750, 800) is None


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6),
    st.integers(6, 14),
    st.floats(-300, 300),
    st.floats(0.1, 500),
    st.floats(-500, 500),
)
def test_a_trend_is_the_same_in_other_units_and_from_another_zero(
    seed: int, n: int, step: float, tau: float, shift: float
) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(1, 20, n))
    y, u = levels(seed, 700, step, tau, 3.0, t - t[0]), rng.uniform(1, 4, n)
    base = trend(t, y, u)
    moved = trend(60.0 * t + 1e4, y + shift, u)
    assert moved.kind == base.kind
    assert moved.last()[0] - shift == pytest.approx(base.last()[0], abs=1e-4)
    for low, high in ((650.0, 750.0),):
        assert moved.holds(low + shift, high + shift) == pytest.approx(
            base.holds(low, high), abs=1e-5
        )
    for value in (*base.holds(650, 750), base.may_end_inside(650, 750)):
        assert 0.0 <= value <= 1.0 + 1e-12
    assert base.tau <= SLOWEST * base.span * 1.001


def test_a_trend_needs_six_points_at_different_times() -> None:
    with pytest.raises(ValueError):
        trend(T[:5], np.full(5, 700.0), np.ones(5))
    with pytest.raises(ValueError):
        trend(np.zeros(6), np.full(6, 700.0), np.ones(6))
