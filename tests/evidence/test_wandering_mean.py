"""The doubt of a mean under a slow wander: Kiefer and Vogelsang's quantile drawn anew, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from verify.evidence.series import (
    MANY_READINGS,
    WANDER_WIDENS,
    mean_with_effective_size,
    wandering_uncertainty,
)


def memory(rng: np.random.Generator, n: int, sd: float, tau: float) -> np.ndarray:
    """First-order autoregressive, standard deviation sd, memory of tau readings."""
    keep = np.exp(-1.0 / tau)
    noise = rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep), n)
    made, _ = lfilter([1.0], [1.0, -keep], noise, zi=[keep * rng.normal(0.0, sd)])
    return np.asarray(made)


def plain_variance(x: np.ndarray, share: float = 0.5) -> float:
    """Bartlett's long-run variance by the definition, lag by lag."""
    n, d = len(x), x - x.mean()
    lags = int(share * n)
    total = float(d @ d) / n
    for k in range(1, lags):
        total += 2.0 * (1.0 - k / lags) * float(d[k:] @ d[:-k]) / n
    return total


def test_the_widening_is_the_quantile_of_the_statistic_itself() -> None:
    """√n·mean over the root of its long-run variance, for white noise: 97.5 % lie below the
    quantile (3.482 for b = 0.5); drawn from 20,000 series of 200 readings."""
    rng = np.random.default_rng(3)
    n, many = 200, 20_000
    x = rng.normal(0.0, 1.0, (many, n))
    d = x - x.mean(axis=1, keepdims=True)
    f = np.fft.rfft(d, 512, axis=1)
    own = np.fft.irfft(np.abs(f) ** 2, 512, axis=1)[:, : n // 2] / n
    weights = 1.0 - np.arange(n // 2) / (n // 2)
    variance = 2.0 * own @ weights - own[:, 0]
    t = np.abs(np.sqrt(n) * x.mean(axis=1) / np.sqrt(variance))
    assert float(np.quantile(t, 0.95)) == pytest.approx(1.96 * WANDER_WIDENS, rel=0.03)


@given(st.integers(0, 1000), st.integers(8, 300))
def test_it_is_the_definition(seed: int, n: int) -> None:
    x = memory(np.random.default_rng(seed), n, 3.0, 5.0) + 700.0
    wanted = WANDER_WIDENS * np.sqrt(max(0.0, plain_variance(x)) / n)
    cut = n // 3
    assert wandering_uncertainty([x[:cut], x[cut:]]) == pytest.approx(wanted, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("sd", "tau", "wander", "slow", "least"),
    [
        (5.0, 1.0, 0.0, 1.0, 0.93),  # noise alone
        (5.0, 4.0, 0.0, 1.0, 0.92),
        (
            5.0,
            1.0,
            3.0,
            60.0,
            0.78,
        ),  # a wander that remembers a quarter of the series: not all of it
        (5.0, 1.0, 3.0, 20.0, 0.89),
    ],
)
def test_how_often_it_holds_the_mean(
    sd: float, tau: float, wander: float, slow: float, least: float
) -> None:
    rng = np.random.default_rng(11)
    held = noise_only = 0
    for _ in range(800):
        x = memory(rng, 240, sd, tau)
        if wander:
            x = x + memory(rng, 240, wander, slow)
        spread = mean_with_effective_size([x])
        usual = spread.deviation / np.sqrt(spread.effective)
        both = max(usual, wandering_uncertainty([x]))
        held += abs(x.mean()) <= 1.96 * both
        noise_only += abs(x.mean()) <= 1.96 * usual
    assert held / 800 >= least
    assert held >= noise_only + (60 if slow > 30.0 else 0)


def test_few_constant_and_many_readings() -> None:
    assert wandering_uncertainty([np.arange(7.0)]) == 0.0
    assert wandering_uncertainty([np.full(50, 3.0)]) == 0.0
    x = memory(np.random.default_rng(5), 2 * MANY_READINGS, 5.0, 400.0)
    wanted = WANDER_WIDENS * np.sqrt(plain_variance(x[::16].copy()) / len(x[::16]))
    assert wandering_uncertainty([x]) == pytest.approx(wanted, rel=0.05)
