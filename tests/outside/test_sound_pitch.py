"""Engine speed by ear against others' methods: Praat's pitch by autocorrelation (Boersma 1993, the
library praat-parselmouth) and scipy's spectra. Both are told roughly where to look, as neither
knows engines; what is compared is the number.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.engines_heard.engine import Engine, Heard, engines, hear
from tests.engines_heard.files import heard
from verify.evidence.sound.speed import EarSpeed, firing_hz, speed_by_ear

EVEN = {n: e for n, e in engines().items() if not e.angles}


def by_ear(sound: Heard, cylinders: int) -> EarSpeed:
    return speed_by_ear(heard(sound.sound, sound.rate), cylinders)


def praat(sound: Heard, firing: float) -> tuple[np.ndarray, np.ndarray]:
    """(times, Hz) of the voiced frames, within two thirds and three halves of `firing`."""
    parselmouth = pytest.importorskip("parselmouth")
    low = parselmouth.Sound(sound.sound, sound.rate).resample(2000)
    pitch = low.to_pitch_ac(
        time_step=0.1, pitch_floor=0.67 * firing, pitch_ceiling=1.5 * firing, voicing_threshold=0.2
    )
    hz = pitch.selected_array["frequency"]
    return pitch.xs()[hz > 0], hz[hz > 0]


@pytest.mark.parametrize("name", EVEN)
def test_praat_hears_the_same_speed(name: str) -> None:
    engine = EVEN[name].but(snr_db=20.0, phone=False)
    sound = hear(engine)
    own = by_ear(sound, engine.cylinders)
    assert own.lack == ""
    _, hz = praat(sound, firing_hz(engine.rpm, engine.cylinders))
    theirs = float(np.median(hz)) * 120.0 / engine.cylinders
    ours = float(np.median(np.concatenate([v for _, v in own.pieces])))
    assert ours == pytest.approx(theirs, rel=0.005)
    assert ours == pytest.approx(sound.mean_rpm, rel=0.01)


def test_praat_hears_the_same_hunting() -> None:
    engine = Engine(rpm=720.0, seed=5, hunting_rpm=60.0, hunting_s=5.0, snr_db=20.0, phone=False)
    sound = hear(engine)
    own = by_ear(sound, 4)
    times, hz = praat(sound, firing_hz(720.0, 4))
    ((at, rpm),) = own.pieces
    theirs = np.interp(at, times, hz) * 30.0
    assert np.corrcoef(rpm, theirs)[0, 1] > 0.98
    assert np.percentile(np.abs(rpm / theirs - 1.0), 90) < 0.02


@pytest.mark.parametrize("name", EVEN)
def test_the_spectrum_of_scipy_has_its_line_where_the_firing_is(name: str) -> None:
    """An even engine: among the lines of the spectrum below 8 firings, the one nearest the firing
    (or one of its multiples) that was followed stands well above its surroundings."""
    engine = EVEN[name].but(wander_rpm=1.0, jitter=0.001, snr_db=25.0, phone=False)
    sound = hear(engine)
    own = by_ear(sound, engine.cylinders)
    firing = firing_hz(own.alternatives[0].rpm, engine.cylinders)
    f, power = signal.welch(sound.sound, sound.rate, nperseg=sound.rate * 4)
    level = 10 * np.log10(power)
    found = 0
    for k in range(1, 9):
        near = np.abs(f - k * firing) < 0.02 * k * firing
        around = (np.abs(f - k * firing) < 0.25 * firing) & ~near
        found += level[near].max() > np.median(level[around]) + 10.0
        if k == 1:
            line = f[near][level[near].argmax()]
            assert line == pytest.approx(firing_hz(sound.mean_rpm, engine.cylinders), rel=0.02)
    assert found >= 5


@pytest.mark.parametrize("hz", [18.0, 24.0, 30.5, 47.0])
def test_a_train_of_pulses_has_the_note_that_it_has(hz: float) -> None:
    """Pulses at a known rate, which wander by half a percent as nothing even does, in the noise of
    a place: without any, the silence between two of them would be a hole in the recording."""
    rate = 16_000
    t = np.arange(rate * 25) / rate
    moved = hz * (t - 0.005 * np.cos(2 * np.pi * t / 6.0) * 6.0 / (2 * np.pi))
    sound = np.exp(-((moved % 1.0) / hz) / 0.002) * np.sin(2 * np.pi * 180.0 * (moved % 1.0) / hz)
    sound = 0.5 * sound + 0.01 * np.random.default_rng(1).normal(size=len(t))
    own = speed_by_ear(heard(sound, rate), 4)
    notes = [firing_hz(a.rpm, 4) for a in own.alternatives]
    assert min(abs(n / hz - 1.0) for n in notes) < 0.005
    assert firing_hz(own.alternatives[0].rpm, 4) == pytest.approx(hz, rel=0.005)
