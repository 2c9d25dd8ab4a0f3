"""Readings that only repeat the last one after the car stopped answering: a constructed truth, and
no false find. The rule is held against a real logger in tests/outside/test_real_import.py."""

from __future__ import annotations

import io

import numpy as np
import pytest

from tests.evidence.test_unearned_passes import parked
from verify.evidence.checks.catalogue import judge
from verify.evidence.importers.port import read_recording
from verify.evidence.prepare import make_channel
from verify.evidence.stuck import stuck
from verify.words import Verdict


def idle(rng: np.random.Generator, seconds: float, step_s: float = 0.4) -> tuple:
    time_s = np.arange(0.0, seconds, step_s)
    return time_s, np.round(750 + 3 * rng.standard_normal(len(time_s)))


@pytest.mark.parametrize("seed", range(5))
def test_twenty_seconds_of_one_number_are_found_and_only_they(seed: int) -> None:
    time_s, rpm = idle(np.random.default_rng(seed), 200)
    held = (time_s > 60) & (time_s < 80)
    rpm[held] = 751.0
    found = stuck(time_s, rpm)
    assert found is not None
    assert np.count_nonzero(found & ~held) <= 3  # a neighbour may hold the same number by chance
    assert np.count_nonzero(held & ~found) <= 1  # the first of them was read


def test_what_scatters_by_chance_is_hardly_ever_called_stuck() -> None:
    """Independent digits, coarse or fine, however long their runs are: in one file of a hundred at
    most, and what it costs then is evidence."""
    rng = np.random.default_rng(7)
    files = wrong = 0
    for step in (1.0, 4.0, 10.0, 25.0):
        for sigma in (0.3, 0.5, 1.0, 2.0, 5.0, 8.0, 12.0, 20.0):
            for _ in range(25):
                rpm = np.round((750 + sigma * rng.standard_normal(1500)) / step) * step
                wrong += stuck(np.arange(1500) * 0.3, rpm) is not None
                files += 1
    assert wrong / files <= 0.01


@pytest.mark.parametrize("forgets", [0.5, 0.9, 0.98])
def test_slow_noise_is_hardly_ever_called_stuck(forgets: float) -> None:
    """Readings that remember the ones before: their runs are longer, and the file shows it."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(8)
    files = wrong = 0
    for step in (0.25, 1.0, 4.0, 10.0):
        for sigma in (0.5, 1.0, 3.0, 8.0, 20.0):
            for _ in range(10):
                drawn = rng.standard_normal(1500)
                noise = lfilter([np.sqrt(1 - forgets**2)], [1.0, -forgets], drawn)
                rpm = np.round((750 + sigma * noise) / step) * step
                wrong += stuck(np.arange(1500) * 0.3, rpm) is not None
                files += 1
    assert wrong / files <= 0.01


def test_a_standing_engine_and_a_file_that_shows_too_little_are_left_alone() -> None:
    time_s, rpm = idle(np.random.default_rng(1), 200)
    stands = rpm.copy()
    stands[200:400] = 0.0
    assert stuck(time_s, stands) is None
    assert stuck(time_s, np.full(len(time_s), 750.0)) is None
    assert stuck(time_s[:40], rpm[:40]) is None
    assert stuck(time_s[:0], rpm[:0]) is None


def test_a_drive_does_not_make_an_even_idle_stuck() -> None:
    """Runs of like speed alone count: that the digits race on the road says nothing of idle."""
    rng = np.random.default_rng(2)
    road = np.round(1500 + 700 * rng.random(2000))
    time_s = np.arange(2060) * 0.5
    assert stuck(time_s, np.concatenate((road, np.full(60, 750.0)))) is None


def test_it_is_said_and_it_is_a_gap() -> None:
    time_s, rpm = idle(np.random.default_rng(3), 200)
    rpm[(time_s > 60) & (time_s < 80)] = 751.0
    channel, repairs = make_channel("engine_speed", "RPM", "rpm", time_s, rpm)
    assert channel is not None
    assert np.diff(channel.time_s).max() > 18
    assert any("may not have answered" in said for said in repairs)


def test_an_idle_in_which_the_logger_stood_still_is_not_free_of_stalls() -> None:
    t, rpm, pedal = parked()

    def verdict(speeds: np.ndarray) -> Verdict:
        head = "time (s),engine speed (rpm),vehicle speed (km/h),"
        head += "accelerator pedal position (%),coolant (°C)\n"
        rows = (f"{a:.1f},{b},0,{c},90\n" for a, b, c in zip(t, speeds, pedal, strict=True))
        made = read_recording(io.BytesIO((head + "".join(rows)).encode()), "parked.csv")
        (result,) = judge([made], {}, ["no-stall"])
        return result.verdict

    assert verdict(rpm) is Verdict.PASS
    # Twenty seconds, and as short as the stall that it may hide.
    for seconds in (20.0, 5.0, 2.0, 1.4):
        frozen = rpm.copy()
        frozen[(t > 40) & (t < 40 + seconds)] = 701.0
        assert verdict(frozen) is Verdict.UNDECIDED, seconds
