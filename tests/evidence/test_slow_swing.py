"""Idles whose noise is slow, and hunting whose phase slips: constructed, with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from tests.nasty import SPECS, drive, with_values
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.idle_readings import gather
from verify.evidence.checks.idle_swings import looks_a_stretch
from verify.evidence.periodogram import amplitude_in_parts, strongest_oscillation
from verify.evidence.recording import Recording
from verify.words import Verdict


def slow_noise(seed: int, sd: float, memory_s: float) -> Recording:
    """Two minutes of idle with noise that remembers `memory_s`."""
    made = drive((("idle", 120.0),), every_s=0.2, seed=seed, scatter_rpm=0.0)
    rng = np.random.default_rng(seed)
    times = made.channels["engine_speed"].time_s
    own = np.empty(len(times))
    own[0] = rng.normal(0.0, sd)
    for i, step in enumerate(np.diff(times), start=1):
        keep = np.exp(-step / memory_s)
        own[i] = keep * own[i - 1] + rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep))
    return with_values(made, "engine_speed", lambda v: np.round(v + own))


def test_slow_noise_is_worth_few_looks() -> None:
    slow, fast = (looks_a_stretch(gather([slow_noise(4, 10.0, m)], {})) for m in (2.0, 0.05))
    assert 2.0 < slow < 12.0
    assert fast > 60.0


def test_idles_restless_beyond_the_limit_hardly_pass_though_slow() -> None:
    """Noise of 2 s: 20 s show 12.5 turns of it, half a range of 1.9 deviations give or take a
    quarter. At a long-run tenth of 1.2 x the limit and more none may pass."""
    passed = 0
    for seed in range(60):
        result = judge([slow_noise(seed, 27.0, 2.0)], SPECS, ["idle-steady"])[0]
        passed += result.verdict is Verdict.PASS
    assert passed <= 1
    calm = [judge([slow_noise(s, 8.0, 2.0)], SPECS, ["idle-steady"])[0] for s in range(20)]
    assert all(r.verdict is Verdict.PASS for r in calm)


def slipping(rng: np.random.Generator, amplitude: float, slip: float, noise: float) -> np.ndarray:
    t = np.arange(0.0, 60.0, 0.2)
    phase = np.cumsum(rng.normal(0.0, slip * np.sqrt(0.2), len(t)))
    wave = amplitude * np.sin(2.0 * np.pi * t / 3.0 + phase)
    return np.column_stack([t, wave + rng.normal(0.0, noise, len(t))])


def test_a_slipping_phase_costs_less_amplitude_in_parts() -> None:
    """Of a phase that wanders by q per root second, a part of T seconds keeps
    2/x (1 − (1 − e^−x)/x) of the power, x = q² T/2: 0.69 in 20 s and 0.40 in 60 s for q = 0.35."""
    rng = np.random.default_rng(6)
    whole, parts = [], []
    for _ in range(60):
        t, v = slipping(rng, 26.0, 0.35, 5.0).T
        found = strongest_oscillation(t, v, 1.0, 10.0)
        assert found is not None
        own = amplitude_in_parts(t, v, found.period_s, 20.0)
        assert own is not None
        whole.append(found.amplitude)
        parts.append(max(own[0], found.amplitude))
    kept = np.mean(np.square(parts)) / 26.0**2
    assert 0.6 < kept < 0.85
    assert np.mean(np.square(whole)) / 26.0**2 < kept - 0.07
    assert np.max(parts) < 28.0


def test_a_pure_wave_and_noise_alone_keep_their_amplitudes() -> None:
    rng = np.random.default_rng(7)
    pure, none = [], []
    for _ in range(80):
        t, v = slipping(rng, 20.0, 0.0, 5.0).T
        own = amplitude_in_parts(t, v, 3.0, 20.0)
        assert own is not None
        pure.append(own)
        t, v = slipping(rng, 0.0, 0.0, 5.0).T
        own = amplitude_in_parts(t, v, 3.0, 20.0)
        assert own is not None
        none.append(own[0] ** 2)
    assert np.mean([a for a, _ in pure]) == pytest.approx(20.0, abs=0.15)
    # The truth lies within twice the stated uncertainty about as often as it should.
    assert np.mean([abs(a - 20.0) <= 2.0 * u for a, u in pure]) > 0.85
    # With nothing there the debiased square is near none; 4 s²/n of a part would be 1.0.
    assert np.mean(none) < 0.7


def test_too_short_for_parts() -> None:
    t = np.arange(0.0, 30.0, 0.5)
    assert amplitude_in_parts(t, np.sin(t), 3.0, 20.0) is None
    assert amplitude_in_parts(np.arange(0.0, 60.0, 6.0), np.arange(10.0), 3.0, 20.0) is None
