"""The two slow signals of a sound, against scipy's filters and spectra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from verify.evidence.sound.bands import Bands, level_db, low_pass

RATES = (8000, 16_000, 22_050, 44_100, 48_000)


def through(sound: np.ndarray, rate: int, cuts: list[int] | None = None):
    bands = Bands(rate)
    parts = np.split(sound.astype(np.float32), cuts or [])
    made = [bands.feed(p) for p in parts] + [bands.finish()]
    low, clicks = (np.concatenate([m[i] for m in made]) for i in (0, 1))
    return bands, low, clicks


@pytest.mark.parametrize("cutoff", [0.02, 0.1, 0.4])
def test_the_kernel_is_that_of_scipy(cutoff: float) -> None:
    """signal.firwin with a Hamming window; its cutoff is in shares of half the rate."""
    wanted = signal.firwin(101, 2.0 * cutoff, window="hamming")
    np.testing.assert_allclose(low_pass(cutoff, 101), wanted, atol=2e-7)


@pytest.mark.parametrize("rate", RATES)
def test_the_low_band_is_the_sound_below_900_hz(rate: int) -> None:
    """Its power spectrum against that of scipy's resampled sound."""
    rng = np.random.default_rng(1)
    sound = 0.2 * rng.normal(size=rate * 20)
    bands, low, _ = through(sound, rate)
    assert bands.low_rate == pytest.approx(2000.0, rel=0.12)
    f, power = signal.welch(low, bands.low_rate, nperseg=512)
    fs, whole = signal.welch(sound, rate, nperseg=int(512 * rate / bands.low_rate))
    inside = (f > 10.0) & (f < 700.0)
    wanted = np.interp(f[inside], fs, whole)
    assert np.median(np.abs(10 * np.log10(power[inside] / wanted))) < 0.5


@pytest.mark.parametrize("rate", RATES)
def test_what_lies_above_does_not_come_back_folded(rate: int) -> None:
    t = np.arange(rate * 4) / rate
    for hz in (1300.0, 2100.0, 3700.0):
        _, low, _ = through(np.sin(2 * np.pi * hz * t), rate)
        assert level_db(low[50:-50].astype(float)) < -40.0


@pytest.mark.parametrize("rate", RATES)
def test_loudness_of_the_click_band_is_that_of_a_sine_within_it(rate: int) -> None:
    t = np.arange(rate * 2) / rate
    for hz, low, high in ((2500.0, -3.0, 0.5), (60.0, -200.0, -30.0), (200.0, -200.0, -10.0)):
        _, _, clicks = through(np.sin(2 * np.pi * hz * t), rate)
        assert low <= float(np.median(clicks[20:-20])) <= high, hz


@settings(max_examples=30, deadline=None)
@given(
    rate=st.sampled_from(RATES),
    cuts=st.lists(st.integers(0, 8000), max_size=6).map(sorted),
    seed=st.integers(0, 99),
)
def test_how_a_sound_is_cut_into_blocks_changes_nothing(
    rate: int, cuts: list[int], seed: int
) -> None:
    sound = np.random.default_rng(seed).uniform(-1.0, 1.0, 8000)
    one, low, clicks = through(sound, rate)
    other, low2, clicks2 = through(sound, rate, cuts)
    np.testing.assert_allclose(low2, low, atol=1e-5)
    np.testing.assert_allclose(clicks2, clicks, atol=1e-3)
    assert other.samples == one.samples


@pytest.mark.parametrize("share", [0.3, 0.7])
def test_clipping_is_counted_where_it_is_heard(share: float) -> None:
    """A sine cut off at a height is above it for 1 − 2/π·asin(height) of the time."""
    t = np.arange(44_100 * 2) / 44_100
    wave = np.sin(2 * np.pi * 97.0 * t)
    bands, _, _ = through(np.clip(wave, -share, share) / share, 44_100)
    at_top = 1.0 - 2.0 / np.pi * np.arcsin(share * 0.985)
    assert bands.clipped / bands.samples == pytest.approx(at_top, abs=0.01)
    assert through(0.98 * wave, 44_100)[0].clipped == 0


@pytest.mark.parametrize("size", [0, 1, 2, 5, 30])
def test_hardly_any_samples_break_nothing(size: int) -> None:
    for rate in RATES:
        bands, low, clicks = through(np.full(size, 0.5), rate)
        assert bands.samples == size
        assert np.all(np.isfinite(low))
        assert np.all(np.isfinite(clicks))
