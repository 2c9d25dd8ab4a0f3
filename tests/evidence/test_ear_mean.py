"""The doubt of a mean heard under a wander about as slow as the sound is long.

Drawn from its definition: a wander whose correlation falls as exp(−t / memory), with the noise of
the tracking over it (Priestley 1981, Spectral Analysis and Time Series, the AR(1) process). The
truth is its long-run mean.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from verify.evidence.checks.by_ear import _mean
from verify.evidence.series import mean_with_effective_size
from verify.evidence.sound.speed import SYSTEMATIC_SHARE

TRUE, STEP_S = 700.0, 0.1


def wander(
    rng: np.random.Generator, memory_s: float, seconds: float, noise_rpm: float
) -> np.ndarray:
    keep = np.exp(-STEP_S / memory_s)
    kicks = rng.normal(0.0, 8.0 * np.sqrt(1.0 - keep * keep), int(seconds / STEP_S))
    slow, _ = signal.lfilter([1.0], [1.0, -keep], kicks, zi=[keep * rng.normal(0.0, 8.0)])
    # Frames of 0.64 s overlap: the noise of the tracking forgets itself in about as long.
    fast = signal.lfilter([1.0], [1.0, -0.85], rng.normal(0.0, noise_rpm * 0.527, len(slow)))
    return np.asarray(TRUE + slow + fast)


def held(
    memory_s: float, seconds: float, noise_rpm: float, draws: int, hunting_rpm: float = 0.0
) -> tuple[float, float]:
    """(share whose mean lies within twice its doubt, the median of the doubts), the systematic part
    of the doubt left out."""
    rng = np.random.default_rng([int(10 * memory_s), int(seconds), int(noise_rpm)])
    hits, doubts = [], []
    for _ in range(draws):
        x = wander(rng, memory_s, seconds, noise_rpm)
        turn = 2.0 * np.pi * (np.arange(len(x)) * STEP_S / rng.uniform(2.0, 8.0) + rng.random())
        x = x + hunting_rpm * np.sin(turn)
        spread = mean_with_effective_size([x])
        m = _mean(spread, [x], 0.0)
        own = np.sqrt(max(0.0, m.uncertainty**2 - (SYSTEMATIC_SHARE * spread.mean) ** 2))
        hits.append(abs(m.value - TRUE) <= 2.0 * own)
        doubts.append(own)
    return float(np.mean(hits)), float(np.median(doubts))


@pytest.mark.parametrize("noise_rpm", [0.0, 2.0])
@pytest.mark.parametrize("seconds", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.25])
def test_a_wander_within_a_quarter_of_the_sound_is_held(
    share: float, seconds: float, noise_rpm: float
) -> None:
    """95 of 100, less what 300 draws may miss by chance."""
    assert held(share * seconds, seconds, noise_rpm, 300)[0] >= 0.92


@pytest.mark.parametrize("hunting_rpm", [20.0, 60.0])
def test_an_idle_that_hunts_has_a_mean_all_the_same(hunting_rpm: float) -> None:
    """A swing of some seconds comes and goes many times in a minute."""
    share, doubt = held(3.0, 60.0, 2.0, 200, hunting_rpm)
    assert share >= 0.95
    assert doubt < 15.0


@pytest.mark.parametrize("seconds", [30.0, 60.0, 120.0])
def test_of_a_wander_of_half_the_sound_less_is_held(seconds: float) -> None:
    assert 0.8 <= held(0.5 * seconds, seconds, 2.0, 300)[0] <= 0.97


def test_of_a_wander_slower_than_the_sound_too_little_is_shown_and_the_blind_spot_says_so() -> None:
    from verify.evidence.checks.by_ear import IDLE_SPEED_BY_EAR

    assert held(300.0, 60.0, 2.0, 200)[0] < 0.9
    assert any("quarter of the sound" in spot for spot in IDLE_SPEED_BY_EAR.blind_spots)
