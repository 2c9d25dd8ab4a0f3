"""`warm-up`: engines whose regulation is known, cold days, short drives, and boiling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.slow_cars import (
    gapped,
    less,
    made,
    moved,
    run,
    spoiled,
    told,
    turned,
)
from tests.evidence.slow_drives import warming_car as car
from tests.nasty import zoo
from verify.evidence.checks.warm_up import WARM_UP
from verify.evidence.recording import Recording
from verify.words import Verdict


@pytest.mark.parametrize(
    ("regulation", "finding"),
    [
        (83.0, "regulates"),
        (90.0, "regulates"),
        (102.0, "regulates"),
        (70.0, "too-cold"),
        (55.0, "too-cold"),
        (109.0, "overheats"),
        (118.0, "overheats"),
        (105.0, "near-limit"),
    ],
)
def test_the_true_regulation_decides(regulation: float, finding: str) -> None:
    result = run(WARM_UP, car(regulation))
    assert result.finding == finding, result.why
    if finding == "regulates":
        assert result.value == pytest.approx(regulation, abs=1.0)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 5.0, 20.0])
def test_the_rate_changes_nothing(every_s: float) -> None:
    base, cold = car(every_s=1.0), car(68.0, every_s=1.0)
    for drive, finding in ((base, "regulates"), (cold, "too-cold")):
        coolant = drive.channels["coolant"]
        t = np.arange(0.0, 1795.0, every_s)
        slow = made(
            {n: (c.time_s, c.values) for n, c in drive.channels.items() if n != "coolant"}
            | {"coolant": (t, np.interp(t, coolant.time_s, coolant.values))}
        )
        assert run(WARM_UP, slow).finding == finding


def test_a_warm_start_on_the_road() -> None:
    assert run(WARM_UP, car(90.0, start_c=88.0, minutes=10.0)).finding == "regulates"


def test_falls_on_the_road() -> None:
    """Warm at idle, where no air cools it; cold on the road, as with a thermostat stuck open."""
    result = run(WARM_UP, car(62.0, idles_at_c=92.0, road_from_s=900.0, minutes=30.0))
    assert result.finding == "falls-on-the-road", result.why


def test_warm_at_idle_alone_is_no_pass() -> None:
    result = run(WARM_UP, car(90.0, road_from_s=1e9))
    assert result.finding == "not-driven"
    assert "thermostat" in result.why


def test_a_short_drive_is_still_warming_and_says_how_long() -> None:
    result = run(WARM_UP, car(90.0, minutes=5.0, tau_s=400.0))
    assert result.finding == "still-warming"
    assert "min to go" in result.settle
    assert run(WARM_UP, car(65.0, minutes=12.0)).verdict is Verdict.UNDECIDED
    # Long idling never makes an engine too cold.
    assert run(WARM_UP, car(65.0, road_from_s=1500.0)).verdict is Verdict.UNDECIDED


def test_a_cold_engine_is_called_so_only_with_the_weather_known() -> None:
    cold = car(66.0, outside_c=None)
    assert run(WARM_UP, cold).finding == "ambient-unknown"
    assert run(WARM_UP, cold, ambient="12 °C").finding == "too-cold"
    assert run(WARM_UP, cold, ambient="-22 °C").finding == "frost"
    assert run(WARM_UP, car(66.0, outside_c=-20.0)).finding == "frost"
    # A hot one needs no weather.
    assert run(WARM_UP, car(110.0, outside_c=None)).finding == "overheats"
    assert run(WARM_UP, car(90.0, outside_c=None)).finding == "regulates"


def test_the_vehicles_own_numbers() -> None:
    assert run(WARM_UP, car(75.0), warm_coolant="70 °C").finding == "regulates"
    assert run(WARM_UP, car(83.0), warm_coolant="88 °C").finding == "too-cold"
    assert run(WARM_UP, car(108.0), coolant_most="112 °C").finding == "regulates"
    assert run(WARM_UP, car(), warm_coolant="20 °C").finding == "spec-implausible"
    assert run(WARM_UP, car(), coolant_most="150 °C").finding == "spec-implausible"


def test_boiling_for_half_a_minute_fails_whatever_the_mean() -> None:
    base = car(92.0, minutes=40.0)
    t, c = base.channels["coolant"].time_s, base.channels["coolant"].values

    def with_peak(start: float, end: float) -> Recording:
        hot = (t >= start) & (t <= end)
        return made(
            {n: (k.time_s, k.values) for n, k in base.channels.items() if n != "coolant"}
            | {"coolant": (t, np.where(hot, 117.0, c))}
        )

    assert run(WARM_UP, with_peak(1500.0, 1545.0)).finding == "overheats"
    # Shorter than half a minute it is no fail, and no pass.
    short = run(WARM_UP, with_peak(1500.0, 1515.0))
    assert (short.finding, "115 °C or more" in short.why) == ("near-limit", True)
    # A hot engine that stood is hottest just after its start.
    assert run(WARM_UP, with_peak(10.0, 60.0)).finding != "overheats"


def test_an_engine_that_climbs_and_climbs_is_no_pass() -> None:
    """Slower than any block shows, from 84 to past the limit."""
    t = np.arange(0.0, 3600.0, 1.0)
    climbing = made(
        {
            "engine_speed": (t, 2000.0 + 9.0 * np.sin(t)),
            "vehicle_speed": (t, 70.0 + 0.0 * t),
            "coolant": (t, 84.0 + 24.0 * t / 3600.0),
            "ambient": (t, 15.0),
        }
    )
    assert run(WARM_UP, climbing).verdict is not Verdict.PASS


@pytest.mark.parametrize("missing", ["engine_speed", "vehicle_speed", "coolant"])
def test_a_required_channel_missing_never_passes(missing: str) -> None:
    assert run(WARM_UP, less(car(), missing)).verdict is Verdict.UNDECIDED
    assert run(WARM_UP).verdict is Verdict.UNDECIDED


def test_a_gap_is_no_holding() -> None:
    assert run(WARM_UP, gapped(car(minutes=20.0), 500.0, 1100.0)).verdict is Verdict.UNDECIDED
    # Two minutes of silence in a long drive are left out, and the rest speaks.
    result = run(WARM_UP, gapped(car(), 1000.0, 1110.0))
    assert result.finding == "regulates"


def test_recordings_are_judged_together() -> None:
    assert run(WARM_UP, car(minutes=6.0), car(seed=2)).finding == "regulates"
    assert run(WARM_UP, car(), car(62.0, seed=2)).verdict is not Verdict.PASS


@pytest.mark.parametrize("name", ["coolant", "engine_speed", "vehicle_speed"])
def test_spoiled_readings_never_pass(name: str) -> None:
    for way, bad in spoiled(car(), name).items():
        # Halved readings of 70 km/h still show minutes on the road; so does one speed throughout
        # where it is no 0.
        if (name, way) in {("vehicle_speed", "flickering"), ("vehicle_speed", "huge")}:
            continue
        assert run(WARM_UP, bad).verdict is not Verdict.PASS, way


def test_the_zoo_breaks_nothing_and_earns_no_pass() -> None:
    for name, made_ in zoo().items():
        assert run(WARM_UP, made_).verdict is not Verdict.PASS, name


@pytest.mark.parametrize("shift_s", [-13.7, 86_400.25])
def test_the_clock_and_the_order_of_channels_change_nothing(shift_s: float) -> None:
    for base in (car(), car(66.0), car(110.0), car(minutes=5.0)):
        assert told(run(WARM_UP, moved(base, shift_s))) == told(run(WARM_UP, base))
        assert run(WARM_UP, turned(base)).to_json() == run(WARM_UP, base).to_json()


@settings(max_examples=40, deadline=None)
@given(
    regulation=st.floats(50.0, 125.0),
    start=st.floats(-5.0, 40.0),
    tau=st.floats(150.0, 400.0),
    ripple=st.floats(0.0, 3.0),
    minutes=st.floats(2.0, 45.0),
)
def test_never_wrong_away_from_the_limits(
    regulation: float, start: float, tau: float, ripple: float, minutes: float
) -> None:
    made_ = car(regulation, start_c=start, tau_s=tau, ripple_c=ripple, minutes=minutes)
    verdict = run(WARM_UP, made_).verdict
    if not 78.5 <= regulation <= 106.5:
        assert verdict is not Verdict.PASS
    if 81.5 <= regulation <= 103.5:
        assert verdict is not Verdict.FAIL


def test_pinned() -> None:
    """What version 2 says of a car written out by plain arithmetic; a change is a new version."""
    t = np.arange(0.0, 1500.0, 1.0)
    result = run(
        WARM_UP,
        made(
            {
                "engine_speed": (t, 1900.0 + 40.0 * np.sin(1.7 * t)),
                "vehicle_speed": (t, np.where(t > 100.0, 65.0, 0.0)),
                "coolant": (t, np.minimum(20.0 + 0.2 * t, 89.0 + 1.7 * np.sin(t / 17.0))),
                "ambient": (t, 11.0),
            }
        ),
    )
    assert WARM_UP.version == 2
    assert told(result) == ("pass", "regulates")
    assert result.value == pytest.approx(PINNED[0], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[1], rel=1e-9)


PINNED = (88.95526315789473, 0.5115496356843309)
