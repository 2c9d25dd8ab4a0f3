"""How far a recorded drive went and whether it holds a warm-up; lengths of published schedules
stand in tests/outside/test_driving_schedules.py.

Warm-up: coolant rises by 40 °F (22.2 K) and reaches 160 °F (71.1 °C), makers' service texts.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.nasty import channel, recording
from verify.evidence.driven import distance_km, running_s, stale_speed, warmed_up
from verify.evidence.recording import Recording

TIMES = np.arange(0.0, 601.0)


def warming(start: float, end: float, rpm: object = 1500.0, step: float = 1.0) -> Recording:
    coolant = np.linspace(start, end, len(TIMES))
    speed = np.broadcast_to(np.asarray(rpm, dtype=np.float64), TIMES.shape)
    return recording(
        [channel("coolant", TIMES, coolant, step), channel("engine_speed", TIMES, speed, 1.0)]
    )


@pytest.mark.parametrize(
    ("start", "end", "step", "shown"),
    [
        (20.0, 90.0, 1.0, True),
        (20.0, 70.0, 1.0, False),  # not warm enough
        (60.0, 82.0, 1.0, False),  # no rise of 22.2 K
        (60.0, 83.0, 1.0, False),  # 23 K of whole degrees can be 22
        (60.0, 84.0, 1.0, True),
        (48.8, 71.1, 0.0, False),  # 160 °F are 71.11 °C
        (48.8, 71.2, 0.0, True),
        (90.0, 95.0, 1.0, False),
    ],
)
def test_a_warm_up_needs_the_rise_and_the_temperature(
    start: float, end: float, step: float, shown: bool
) -> None:
    assert warmed_up(warming(start, end, step=step)) is shown


def test_a_restart_on_the_way_begins_anew() -> None:
    at_half = np.where(np.abs(TIMES - 300) < 5, 0.0, 1500.0)
    assert warmed_up(warming(50.0, 85.0)) is True
    assert warmed_up(warming(50.0, 85.0, at_half)) is False
    assert warmed_up(warming(20.0, 120.0, at_half)) is True, "the second half rises by 50 K"
    assert warmed_up(warming(20.0, 90.0, 0.0)) is False, "an engine that stands"


def test_a_gap_can_hide_a_restart() -> None:
    made = warming(50.0, 85.0)
    holed = recording(list(made.channels.values()), gaps=[(300.0, 310.0)])
    assert warmed_up(holed) is False


def test_without_coolant_or_engine_speed_none_is_shown() -> None:
    made = warming(20.0, 90.0).channels
    assert warmed_up(recording([made["coolant"]])) is False
    assert warmed_up(recording([made["engine_speed"]])) is False


def test_a_steady_drive_is_open_by_its_step() -> None:
    """One hour at 60 km/h read in whole km/h is 59.5 (rounded up) to 61 km (cut off)."""
    times = np.arange(0.0, 3601.0)
    made = recording([channel("vehicle_speed", times, np.full(3601, 60.0), 1.0)])
    assert distance_km(made) == pytest.approx((59.5, 61.0))


def test_speed_that_is_missing_at_an_end_or_in_a_gap_leaves_the_most_open() -> None:
    times = np.arange(0.0, 3601.0)
    speed = channel("vehicle_speed", times, np.full(3601, 60.0), 1.0)
    holed = distance_km(recording([speed], gaps=[(600.0, 1200.0)]))
    assert holed == (pytest.approx(59.5 * 3000 / 3600), math.inf)
    late = channel("vehicle_speed", times[1800:], np.full(1801, 60.0), 1.0)
    other = channel("engine_speed", times, np.full(3601, 1500.0), 1.0)
    assert distance_km(recording([late, other])) == (pytest.approx(59.5 / 2), math.inf)


def test_no_speed_is_no_distance() -> None:
    assert distance_km(recording([channel("engine_speed", TIMES, TIMES, 1.0)])) is None
    assert distance_km(recording([channel("vehicle_speed", [0.0], [9.0], 1.0)])) is None
    apart = recording([channel("vehicle_speed", [0.0, 500.0], [9.0, 9.0], 1.0)])
    assert distance_km(apart) is None


def test_a_speed_that_no_car_has_is_no_distance() -> None:
    """Engine speed under the name of road speed: 2,000 "km/h" would be 333 km in ten minutes."""
    wrong = recording([channel("vehicle_speed", TIMES, np.full(len(TIMES), 2000.0), 1.0)])
    assert distance_km(wrong) is None
    partly = np.where(TIMES < 300.0, 60.0, 2000.0)
    ends = distance_km(recording([channel("vehicle_speed", TIMES, partly, 0.0)]))
    assert ends is not None
    assert ends[0] == pytest.approx(299 / 60)
    assert math.isinf(ends[1])


def test_running_time_is_that_between_running_readings() -> None:
    speed = np.where((TIMES >= 100.0) & (TIMES <= 400.0), 900.0, 0.0)
    made = recording([channel("engine_speed", TIMES, speed)])
    assert running_s(made) == pytest.approx(300.0)
    cut = recording([channel("engine_speed", TIMES, speed)], gaps=[(200.2, 200.8)])
    assert running_s(cut) == pytest.approx(299.0)
    assert running_s(recording([])) is None


def driving(kmh: np.ndarray, rpm: np.ndarray) -> Recording:
    times = 0.5 * np.arange(len(kmh))
    return recording(
        [channel("vehicle_speed", times, kmh, 1.0), channel("engine_speed", times, rpm, 1.0)]
    )


def test_a_speed_that_is_written_on_while_the_engine_goes_up_and_down_is_no_distance() -> None:
    """Ten minutes of town, then nine at 60 km/h by a logger that has lost the speed."""
    t = np.arange(2400)
    town = np.round(30.0 + 20.0 * np.sin(t / 23.0))
    rpm = 1600.0 + 700.0 * np.sin(t / 23.0)
    whole = distance_km(driving(town, rpm))
    lost = driving(np.where(t < 1300, town, 60.0), rpm)
    half = distance_km(lost)
    first = distance_km(driving(town[:1300], rpm[:1300]))
    assert whole is not None
    assert half is not None
    assert first is not None
    assert half[0] == pytest.approx(first[0], abs=0.02)
    assert half[0] < 0.6 * whole[0]
    (span,) = stale_speed(lost)
    assert span.tolist() == pytest.approx([650.0, 1199.5], abs=1.0)


def test_an_even_speed_in_one_gear_is_driven() -> None:
    """Cruise control, one shift in it, a stop, and a speed that stands for less than a minute."""
    t = np.arange(1200)
    even = np.full(len(t), 90.0)
    shifted = np.where(t < 600, 2400.0, 1900.0) + t % 7
    for made in (
        driving(even, 2200.0 + t % 9),
        driving(even, shifted),
        driving(np.zeros(len(t)), 750.0 + 900.0 * (t % 20 < 6)),
        driving(np.where(t % 100 < 60, 50.0, 51.0), 1500.0 + 800.0 * np.sin(t / 9.0)),
    ):
        assert len(stale_speed(made)) == 0
