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
from verify.evidence.checks.idle_speed import LEAST_EFFECTIVE
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


def held(memory_s: float, seconds: float, noise_rpm: float, draws: int) -> tuple[float, int, float]:
    """(share whose mean lies within twice its doubt, how many of them are worth hardly more than
    one reading, share of these), the systematic part of the doubt left out."""
    rng = np.random.default_rng([int(10 * memory_s), int(seconds), int(noise_rpm)])
    found = []
    for _ in range(draws):
        x = wander(rng, memory_s, seconds, noise_rpm)
        spread = mean_with_effective_size([x])
        m = _mean(spread, [x], 0.0, STEP_S)
        own = np.sqrt(max(0.0, m.uncertainty**2 - (SYSTEMATIC_SHARE * spread.mean) ** 2))
        found.append((abs(m.value - TRUE) <= 2.0 * own, spread.effective < LEAST_EFFECTIVE))
    slow = [hit for hit, few in found if few]
    share = float(np.mean([hit for hit, _ in found]))
    return share, len(slow), float(np.mean(slow)) if slow else 1.0


@pytest.mark.parametrize("noise_rpm", [0.0, 2.0])
@pytest.mark.parametrize("seconds", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.25])
def test_a_wander_within_a_quarter_of_the_sound_is_held(
    share: float, seconds: float, noise_rpm: float
) -> None:
    """95 of 100, less what 300 draws may miss by chance."""
    assert held(share * seconds, seconds, noise_rpm, 300)[0] >= 0.92


@pytest.mark.parametrize("seconds", [60.0, 120.0])
def test_what_is_worth_hardly_more_than_one_reading_is_held_by_half_its_range(
    seconds: float,
) -> None:
    share, many, of_them = held(0.5 * seconds, seconds, 0.0, 300)
    assert many > 100
    assert of_them >= 0.95
    assert share >= 0.85


def test_of_a_wander_slower_than_the_sound_too_little_is_shown_and_the_blind_spot_says_so() -> None:
    from verify.evidence.checks.by_ear import IDLE_SPEED_BY_EAR

    assert held(300.0, 60.0, 2.0, 200)[0] < 0.9
    assert any("quarter of the sound" in spot for spot in IDLE_SPEED_BY_EAR.blind_spots)
