"""What readings miss of a swing, against tables of ranges and simulated series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from verify.evidence.extremes import (
    BEND_SCATTER,
    PUSHED_S,
    RATIO_SCATTER,
    bends,
    expected_maximum,
    half_range_scatter,
    missed_in,
)


def noise(seed: int, series: int, n: int, memory_s: float, every_s: float) -> np.ndarray:
    """Stationary series of deviation 1 that forget exponentially, shape (series, n)."""
    rng = np.random.default_rng(seed)
    phi = math.exp(-every_s / memory_s)
    drive = rng.normal(size=(series, n)) * math.sqrt(1.0 - phi * phi)
    drive[:, 0] /= math.sqrt(1.0 - phi * phi)
    return np.asarray(signal.lfilter([1.0], [1.0, -phi], drive, axis=1))


def growth(readings: np.ndarray) -> float:
    squares = [np.mean([bends(row, apart) ** 2 for row in readings]) for apart in (1, 2)]
    return float(squares[1] / squares[0])


@pytest.mark.parametrize(("n", "d2"), [(25, 3.931), (100, 5.015), (1000, 6.483)])
def test_of_readings_that_forget_at_once_the_maximum_is_half_the_tabled_range(
    n: int, d2: float
) -> None:
    """d2 of control charts (Tippett 1925; printed in every handbook of them)."""
    own = float(expected_maximum(float(n), np.array([1e-3]), 1.0)[0])
    assert own == pytest.approx(d2 / 2.0, abs=0.1 if n < 100 else 0.05)


@pytest.mark.parametrize("memory", [0.05, 0.2, 0.5, 2.0])
@pytest.mark.parametrize("every", [0.04, 0.2, 1.0])
def test_what_is_missed_of_the_maximum_is_what_simulated_series_miss(
    memory: float, every: float
) -> None:
    """20 s at full step and thinned; the source's form is an asymptotic one, right to 0.06."""
    full = noise(1, 1600, 1000, memory, PUSHED_S)
    thinned = full[:, 3 :: round(every / PUSHED_S)]
    missed = full.max(axis=1) - thinned.max(axis=1)
    own = [float(expected_maximum(20.0, np.array([memory]), s)[0]) for s in (PUSHED_S, every)]
    chance = 3.0 * float(missed.std()) / math.sqrt(len(missed))
    assert own[0] - own[1] == pytest.approx(float(missed.mean()), abs=0.06 + chance)


@pytest.mark.parametrize("every", [0.1, 0.2, 0.5, 1.0])
def test_readings_and_what_they_missed_are_the_swing_that_was_there(every: float) -> None:
    """Two minutes of each of many memories, found from the readings alone: without bias, and with
    the one-sided 95 % ends of what was missed held by about as many series."""
    seen, true, above, below = [], [], 0, 0
    step = round(every / PUSHED_S)
    for seed, memory in enumerate(np.geomspace(0.1, 2.0, 60).tolist()):
        full = noise(100 + seed, 1, 6000, memory, PUSHED_S)
        read = full[:, seed % step :: step]
        told = missed_in(20.0, every, growth(read), read.shape[1])
        for part in range(6):
            whole = full[0, 1000 * part : 1000 * (part + 1)]
            few = read[0, 1000 // step * part : 1000 // step * (part + 1)]
            bend = max(float(bends(few).std()), float(bends(read[0]).std()))
            missed = 0.5 * float(np.ptp(whole)) - 0.5 * float(np.ptp(few))
            doubt = math.hypot(told.doubt, told.expected * BEND_SCATTER / math.sqrt(len(few)))
            seen.append(0.5 * float(np.ptp(few)) + bend * told.expected)
            true.append(0.5 * float(np.ptp(whole)))
            above += missed > bend * (told.expected + 1.645 * doubt)
            below += missed < bend * (told.expected - 1.645 * doubt)
    assert np.mean(seen) == pytest.approx(float(np.mean(true)), rel=0.03)
    assert above <= 0.07 * len(true)
    assert below <= 0.05 * len(true)


def test_nothing_is_missed_by_readings_as_fast_as_the_firing() -> None:
    assert missed_in(20.0, 0.02, 1.5, 1000).expected == 0.0
    assert missed_in(20.0, 0.02, 1.5, 1000).doubt == 0.0
    assert missed_in(20.0, math.nan, 1.5, 1000).expected == 0.0


@given(every=st.floats(0.03, 0.6), growth=st.floats(0.0, 30.0), readings=st.integers(1, 100_000))
def test_what_is_missed_is_finite_and_never_negative(
    every: float, growth: float, readings: int
) -> None:
    found = missed_in(20.0, every, growth, readings)
    assert 0.0 <= found.expected < 2.0
    assert 0.0 < found.doubt < 2.0


def test_readings_that_forget_each_other_leave_the_memory_open_downwards() -> None:
    """The more readings say so, the shorter it must be, and the more is missed."""
    missed = [missed_in(20.0, 1.0, 1.0, n).expected for n in (8, 60, 4000)]
    assert missed == sorted(missed)


def test_bends_see_noise_and_no_slow_swing() -> None:
    t = np.arange(0.0, 120.0, 0.1)
    assert np.abs(bends(30.0 * np.sin(2 * np.pi * t / 8.0))).max() < 0.1
    assert bends(np.array([1.0, 2.0])).shape == (0,)
    rng = np.random.default_rng(5)
    assert bends(rng.normal(size=100_000)).std() == pytest.approx(math.sqrt(1.5), rel=0.01)
    steps = np.cumsum(rng.normal(size=100_000))
    assert bends(steps).std() == pytest.approx(math.sqrt(0.5), rel=0.01)


@pytest.mark.parametrize("memory", [0.01, 1.0, 10.0])
def test_bends_and_their_growth_scatter_as_stated(memory: float) -> None:
    made = noise(9, 600, 200, memory, 1.0)
    sizes = [math.sqrt(float(np.mean(bends(row) ** 2))) for row in made]
    assert np.std(sizes) / np.mean(sizes) <= 1.1 * BEND_SCATTER / math.sqrt(200)
    ratios = [math.log(growth(row[None, :])) for row in made]
    assert np.std(ratios) == pytest.approx(RATIO_SCATTER / math.sqrt(200), rel=0.15)


@pytest.mark.parametrize(
    ("n", "mean", "deviation"),
    [(5, 2.326, 0.864), (10, 3.078, 0.797), (25, 3.931, 0.708), (100, 5.015, 0.605)],
)
def test_the_scatter_of_a_range_is_the_tabled_one(n: int, mean: float, deviation: float) -> None:
    """d2 and d3 of control charts (Tippett 1925; printed in every handbook of them)."""
    own, tabled = half_range_scatter(n), deviation / mean
    assert own == pytest.approx(tabled, rel=0.16 if n < 10 else 0.07)
    assert own >= 0.99 * tabled or n >= 25  # of few it is told rather too large


def test_the_scatter_of_a_range_of_many_readings() -> None:
    rng = np.random.default_rng(2)
    ranges = np.ptp(rng.normal(size=(4000, 250)), axis=1)
    assert half_range_scatter(250) == pytest.approx(float(ranges.std() / ranges.mean()), rel=0.06)
