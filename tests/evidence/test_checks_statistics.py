"""Effective sample size and the periodogram, each against something not ours."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal, stats

from verify.evidence.periodogram import (
    false_alarm_probability,
    normalised_power,
    strongest_oscillation,
)
from verify.evidence.series import (
    ar1_effective_size,
    mean_with_effective_size,
)


def ar1(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    start = rng.normal(0, 1 / math.sqrt(1 - phi * phi))
    made, _ = signal.lfilter([1.0], [1.0, -phi], rng.normal(0, 1, n), zi=[phi * start])
    return made


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.7, 0.95, 0.999])
@pytest.mark.parametrize("n", [2, 7, 50, 1000])
def test_ar1_closed_form_equals_the_sum_over_all_pairs(n: int, phi: float) -> None:
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    pairs = float((phi**lags).sum())
    assert ar1_effective_size([n], phi) == pytest.approx(n * n / pairs, rel=1e-9)


def test_ar1_windows_do_not_know_of_each_other() -> None:
    one, two = ar1_effective_size([40], 0.8), ar1_effective_size([40, 40], 0.8)
    assert two == pytest.approx(2 * one)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8, 0.95])
def test_the_estimate_comes_near_the_closed_form(phi: float) -> None:
    """n (1 − φ)/(1 + φ) for long series; the estimate leans to fewer, never far to more."""
    rng = np.random.default_rng(5)
    n = 2000
    truth = n * (1 - phi) / (1 + phi)
    found = [mean_with_effective_size([ar1(rng, n, phi)]).effective for _ in range(40)]
    assert 0.75 * truth <= float(np.median(found)) <= 1.05 * truth


@pytest.mark.parametrize(
    ("n", "phi", "least"),
    [
        (30, 0.0, 930),
        (60, 0.6, 930),
        (200, 0.9, 930),
        (120, 0.8, 930),
        # Worth 4.4 readings by the closed form: near the least that idle-speed decides on.
        (40, 0.8, 900),
    ],
)
def test_the_stated_interval_of_a_mean_holds_the_truth(n: int, phi: float, least: int) -> None:
    """95 % intervals by Student's distribution, over 1,000 series with mean 0."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(1000):
        s = mean_with_effective_size([ar1(rng, n, phi)])
        dof = max(s.effective - 1.0, 0.2)
        reach = stats.t.ppf(0.975, dof) * s.deviation / math.sqrt(s.effective)
        held += abs(s.mean) <= reach
    assert held >= least


def test_a_level_that_differs_between_windows_is_worth_few_readings() -> None:
    rng = np.random.default_rng(2)
    pieces = [rng.normal(level, 1.0, 200) for level in (690.0, 720.0, 700.0)]
    assert mean_with_effective_size(pieces).effective < 6.0


def test_alternating_readings_are_worth_no_more_than_their_number() -> None:
    s = mean_with_effective_size([np.tile([1.0, -1.0], 50)])
    assert s.effective <= 100.0


def test_one_reading_has_no_spread() -> None:
    with pytest.raises(ValueError):
        mean_with_effective_size([np.array([1.0])])


def uneven(rng: np.random.Generator, n: int, span: float) -> np.ndarray:
    return np.sort(rng.uniform(0, span, n))


def test_power_equals_that_of_scipy_on_uneven_times() -> None:
    rng = np.random.default_rng(4)
    t = uneven(rng, 90, 45.0)
    y = rng.normal(0, 5, 90) + 8 * np.sin(2 * np.pi * t / 3.3 + 1)
    f = np.linspace(0.05, 2.0, 400)
    theirs = signal.lombscargle(t, y - y.mean(), 2 * np.pi * f, normalize=True)
    np.testing.assert_allclose(normalised_power(t, y, f), theirs, atol=1e-9)


def test_power_equals_that_of_scipy_up_to_half_the_sampling_rate() -> None:
    t = np.arange(64) * 0.5
    y = np.random.default_rng(6).normal(0, 1, 64)
    f = np.linspace(0.05, 0.999, 300)
    theirs = signal.lombscargle(t, y - y.mean(), 2 * np.pi * f, normalize=True)
    np.testing.assert_allclose(normalised_power(t, y, f), theirs, atol=1e-8)


@pytest.mark.parametrize("period", [2.3, 4.0, 7.5])
def test_amplitude_and_period_of_a_known_oscillation(period: float) -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(30):
        t = uneven(rng, 80, 40.0)
        y = 700 + rng.normal(0, 6, 80) + 30 * np.sin(2 * np.pi * t / period + rng.uniform(0, 6))
        o = strongest_oscillation(t, y, 1.0, 10.0)
        assert o is not None
        assert o.period_s == pytest.approx(period, rel=0.05)
        assert o.false_alarm < 1e-6
        found.append((o.amplitude - 30) / o.amplitude_uncertainty)
    assert abs(float(np.mean(found))) < 0.8
    assert 0.5 < float(np.std(found)) < 1.6


def test_false_alarms_of_white_noise_are_no_more_than_stated() -> None:
    rng = np.random.default_rng(9)
    alarms = {0.01: 0, 0.1: 0}
    for _ in range(1500):
        t = uneven(rng, 60, 30.0)
        o = strongest_oscillation(t, rng.normal(0, 5, 60), 1.0, 10.0)
        assert o is not None
        for level in alarms:
            alarms[level] += o.false_alarm <= level
    assert alarms[0.1] <= 0.1 * 1500 + 3 * math.sqrt(0.09 * 1500)
    assert alarms[0.01] <= 0.01 * 1500 + 3 * math.sqrt(0.0099 * 1500)
    assert alarms[0.1] > 0  # the bound is no wall


def test_nothing_is_found_where_nothing_can_be() -> None:
    t = np.arange(50) * 0.5
    assert strongest_oscillation(t, np.full(50, 700.0), 1.0, 10.0) is None
    assert strongest_oscillation(t[:5], t[:5], 1.0, 10.0) is None
    assert strongest_oscillation(t, t, 10.0, 1.0) is None
    assert false_alarm_probability(1.0, t, 1.0) == 0.0
    assert false_alarm_probability(0.0, t, 1.0) == 1.0
