"""The picture of a sound, against scipy's spectrogram and times that are known."""

from __future__ import annotations

import io
import tracemalloc

import numpy as np
import pytest
from scipy import signal

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import TOLD, heard, read, wav
from tests.engines_heard.key_on import KeyOn, key_ons
from verify.evidence.sound.picture import RANGE_DB, SoundPicture, sound_picture


def picture(sound: np.ndarray, rate: int = 44_100, **more) -> SoundPicture:
    raw = wav(sound, rate)
    return sound_picture(io.BytesIO(raw), read(raw), **more)


def test_a_note_stands_where_it_sounds_and_nowhere_else() -> None:
    t = np.arange(44_100 * 6) / 44_100
    sound = np.where(t < 3.0, np.sin(2 * np.pi * 500.0 * t), 0.5 * np.sin(2 * np.pi * 2000.0 * t))
    seen = picture(0.8 * sound)
    assert seen.level_db.shape == (len(seen.hz), len(seen.time_s))
    # Cells are mean powers, so one line in a wider row of higher frequencies is fainter.
    for at, hz, low, high in ((1.5, 500.0, -0.5, 0.0), (4.5, 2000.0, -18.0, -6.0)):
        column = seen.level_db[:, int(np.abs(seen.time_s - at).argmin())]
        assert seen.hz[column.argmax()] == pytest.approx(hz, rel=0.04)
        assert low <= column.max() <= high
        assert np.median(column) == -RANGE_DB


def test_levels_are_those_of_scipy() -> None:
    """signal.spectrogram with the same frames, averaged over the same rows and columns."""
    rng = np.random.default_rng(1)
    rate = 16_000
    sound = 0.1 * signal.lfilter([1.0], [1.0, -0.9], rng.normal(size=rate * 8))
    seen = picture(sound, rate, columns=40, rows=30)
    f, t, power = signal.spectrogram(
        sound, rate, window=np.hanning(1024), nperseg=1024, noverlap=512, scaling="spectrum",
        mode="psd", detrend=False,
    )  # fmt: skip
    wanted = np.array([
        [
            power[np.ix_((f >= a) & (f < b), (t >= c - 0.1) & (t < c + 0.1))].mean()
            for c in seen.time_s[1:-1]
        ]
        for a, b in zip(seen.hz[12:-1] * 0.95, seen.hz[12:-1] * 1.05, strict=True)
    ])  # fmt: skip
    level = 10 * np.log10(wanted)
    difference = seen.level_db[12:-1, 1:-1] - (level - level.max())
    assert np.std(difference) < 1.5


def test_the_speed_and_the_clicks_are_those_that_were_heard() -> None:
    engine = hear(Engine(seed=4, rpm=720.0))
    seen = picture(engine.sound, cylinders=4)
    times, rpm = (np.concatenate(x) for x in zip(*seen.speed, strict=True))
    assert float(rpm.mean()) == pytest.approx(engine.mean_rpm, rel=0.005)
    assert 0.0 < times[0] < times[-1] < 30.0
    assert seen.sure > 0.9
    assert picture(engine.sound).lack == "the number of cylinders is not known"
    case = KeyOn(ticking_s=4.0)
    raw = wav(key_ons(case))
    seen = sound_picture(io.BytesIO(raw), read(raw, {"(key-on)": "3, 18"}), 4)
    np.testing.assert_array_equal(seen.key_on_s, [3.0, 18.0])
    assert len(seen.clicks_s) > 80
    assert seen.speed == () or seen.lack


def test_a_stretch_is_a_stretch() -> None:
    engine = hear(Engine(seed=4, rpm=720.0))
    seen = picture(engine.sound, cylinders=4, from_s=10.0, to_s=12.5)
    assert 10.0 < seen.time_s[0] < seen.time_s[-1] < 12.5
    assert all(t[0] >= 10.0 and t[-1] <= 12.5 for t, _ in seen.speed)
    for wrong in ((-1.0, 5.0), (5.0, 5.0), (40.0, 50.0)):
        with pytest.raises(ValueError):
            picture(engine.sound, from_s=wrong[0], to_s=wrong[1])


def test_silence_and_a_short_sound_are_pictures_too() -> None:
    seen = picture(np.zeros(8000 * 2), 8000)
    assert np.all(seen.level_db == -RANGE_DB)
    assert picture(0.1 * np.ones(8000), 8000, columns=3).level_db.shape[1] == 3


def test_the_picture_does_not_grow_with_the_file() -> None:
    one = hear(Engine(seconds=30.0, rate=8000)).sound
    raw = wav(np.tile(one, 20), 8000)
    recording = read(raw, TOLD)
    sound_picture(io.BytesIO(raw), recording)
    tracemalloc.start()
    try:
        sound_picture(io.BytesIO(raw), recording)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 25_000_000
    assert heard(one, 8000).seconds == 30.0
