"""`charging`: generators whose voltage is known, smart ones, chargers, and what must never pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

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
from tests.evidence.slow_drives import charging_car as car
from tests.nasty import zoo
from verify.evidence.checks.charging import CHARGING
from verify.evidence.recording import Recording
from verify.words import Verdict


@pytest.mark.parametrize(
    ("idle", "raised", "finding"),
    [
        (14.2, 14.3, "charges"),
        (13.7, 14.6, "charges"),
        (12.1, 12.0, "not-charging"),
        (12.1, 13.9, "below-usual"),
        (13.1, 13.2, "below-usual"),
        (14.9, 14.9, "above-usual"),
        (14.4, 15.6, "overcharges"),
        (15.6, 15.6, "overcharges"),
    ],
)
def test_the_true_levels_decide(idle: float, raised: float, finding: str) -> None:
    result = run(CHARGING, car(idle, raised))
    assert result.finding == finding, result.why
    value = result.to_json()
    for name, true in (("idle", idle), ("raised", raised), ("rest", 12.5)):
        assert value[name]["volts"] == pytest.approx(true, abs=4 * value[name]["uncertainty"])


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0, 3.0])
def test_slow_loggers_see_the_same(every_s: float) -> None:
    assert run(CHARGING, car(every_s=every_s)).finding == "charges"
    assert run(CHARGING, car(12.0, 12.0, every_s=every_s)).finding == "not-charging"


def test_smart_charging_is_no_fault() -> None:
    smart = car(12.9, 12.8, first_v=14.4, first_s=40.0, idle_s=200.0)
    result = run(CHARGING, smart)
    assert result.finding == "charges-smart"
    assert any("smart charging" in note for note in result.notes)
    # The same without the time in which it charged: nothing slow can tell.
    assert run(CHARGING, car(12.9, 12.8, idle_s=200.0)).finding == "below-usual"
    # One high reading is a spike and not a charge.
    assert run(CHARGING, car(12.9, 12.8, first_v=14.4, first_s=2.0)).finding == "below-usual"
    fast = car(12.9, 12.8, first_v=14.4, first_s=2.0, every_s=0.1)
    assert run(CHARGING, fast).finding == "below-usual"
    # Noise about 13.5 V is no 13.5 V held.
    assert run(CHARGING, car(13.45, 13.45, every_s=0.1, noise_v=0.1)).finding == "below-usual"
    # A generator that gave up on the way drains the battery, whatever it did before.
    gave_up = car(12.0, 12.0, first_v=14.2, first_s=30.0, idle_s=400.0)
    assert run(CHARGING, gave_up).verdict is not Verdict.PASS
    sound = car(idle_s=400.0)
    volts = sound.channels["module_voltage"]
    ending = np.where(volts.time_s > volts.time_s[-1] - 60.0, 12.6, volts.values)
    channels = {n: (c.time_s, c.values) for n, c in sound.channels.items()}
    late = made(channels | {"module_voltage": (volts.time_s, ending)})
    assert run(CHARGING, late).finding == "low-at-the-end"


def test_barely_above_rest_is_no_charge() -> None:
    assert run(CHARGING, car(12.75, 12.75, rest_v=12.7)).finding == "barely-above-rest"
    assert run(CHARGING, car(12.75, 12.75, rest_v=12.2)).finding == "below-usual"
    # Without rest in the recording there is nothing to compare with.
    assert run(CHARGING, car(12.75, 12.75, off_s=0.0)).finding == "below-usual"


def test_rest_is_told_and_not_judged() -> None:
    result = run(CHARGING, car(rest_v=11.9))
    assert result.finding == "charges"
    assert any("below 12.2 V at rest" in note for note in result.notes)
    result = run(CHARGING, car(off_s=0.0))
    assert result.finding == "charges"
    assert any("fewer than two readings" in note for note in result.notes)


def test_trucks_have_twice_the_voltage() -> None:
    result = run(CHARGING, car(times=2.0))
    assert result.finding == "charges"
    assert result.limits is not None
    assert (result.limits.lower, result.limits.upper) == (27.0, 29.6)
    assert any("24 V" in note for note in result.notes)
    assert run(CHARGING, car(12.0, 12.0, times=2.0)).finding == "not-charging"
    assert run(CHARGING, car(15.6, 15.6, times=2.0)).finding == "overcharges"


def test_a_charger_or_a_converter_is_not_the_generator() -> None:
    assert run(CHARGING, car(14.3, 14.3, rest_v=13.9)).finding == "fed-without-engine"
    electric = made({"module_voltage": (np.arange(90.0), 14.2 + 0.02 * np.sin(np.arange(90.0)))})
    assert run(CHARGING, electric).finding == "channel-missing"


def test_both_speeds_are_asked_for() -> None:
    assert run(CHARGING, car(raised_s=0.0)).finding == "raised-speed-missing"
    t = np.arange(0.0, 120.0, 1.0)
    raised = made(
        {
            "engine_speed": (t, 2000.0 + 9.0 * np.sin(t)),
            "module_voltage": (t, 14.2 + 0.05 * np.sin(3.0 * t)),
        }
    )
    assert run(CHARGING, raised).finding == "idle-missing"
    # Too much is too much at one of them.
    assert run(CHARGING, car(15.7, 15.7, raised_s=0.0)).finding == "overcharges"


@pytest.mark.parametrize("missing", ["engine_speed", "module_voltage"])
def test_a_required_channel_missing_never_passes(missing: str) -> None:
    assert run(CHARGING, less(car(), missing)).finding == "channel-missing"
    assert run(CHARGING).finding == "channel-missing"
    apart = (less(car(), "engine_speed"), less(car(), "module_voltage"))
    assert run(CHARGING, *apart).finding == "channel-missing"


@pytest.mark.parametrize("name", ["module_voltage", "engine_speed"])
def test_spoiled_readings_never_pass(name: str) -> None:
    for way, bad in spoiled(car(), name).items():
        assert run(CHARGING, bad).verdict is not Verdict.PASS, way


def test_the_zoo_breaks_nothing_and_earns_no_pass() -> None:
    for name, made_ in zoo().items():
        assert run(CHARGING, made_).verdict is Verdict.UNDECIDED, name


def test_what_a_gap_took_away_is_not_there() -> None:
    assert run(CHARGING, gapped(car(), 85.0, 129.0)).finding == "raised-speed-missing"


@pytest.mark.parametrize("shift_s", [-13.7, 86_400.25])
def test_the_clock_and_the_order_of_channels_change_nothing(shift_s: float) -> None:
    for base in (car(), car(12.0, 12.0), car(13.0, 13.2)):
        assert told(run(CHARGING, moved(base, shift_s))) == told(run(CHARGING, base))
        assert run(CHARGING, turned(base)).to_json() == run(CHARGING, base).to_json()


@settings(max_examples=60, deadline=None)
@given(
    idle=st.floats(10.5, 17.0),
    raised=st.floats(10.5, 17.0),
    rest=st.floats(11.5, 12.8),
    noise=st.floats(0.0, 0.15),
    every_s=st.sampled_from([0.5, 1.0, 3.0]),
    seed=st.integers(0, 9999),
)
def test_held_to_its_own_truth(
    idle: float, raised: float, rest: float, noise: float, every_s: float, seed: int
) -> None:
    """As the module's text ties the verdict to the true levels, with 0.1 V to spare."""
    made_ = car(idle, raised, rest_v=rest, noise_v=noise, every_s=every_s, seed=seed)
    verdict = run(CHARGING, made_).verdict
    best, high = max(idle, raised), max(idle, raised)
    bad = best < 12.4 or high > 15.1
    good = min(idle, raised) > 13.6 and high < 14.7
    if bad:
        assert verdict is not Verdict.PASS
    if good:
        assert verdict is not Verdict.FAIL
    if min(idle, raised) < 12.4 or high > 14.9:
        assert verdict is not Verdict.PASS


def test_pinned() -> None:
    """What version 2 says of a car written out by plain arithmetic; a change is a new version."""
    t = np.arange(0.0, 180.0, 1.0)
    result = run(
        CHARGING,
        made(
            {
                "engine_speed": (
                    t,
                    np.where(t < 20.0, 0.0, np.where(t > 120.0, 2000.0, 760.0) + 7 * np.sin(2 * t)),
                ),
                "module_voltage": (t, np.where(t < 20.0, 12.4, 14.15) + 0.05 * np.sin(1.3 * t)),
            }
        ),
    )
    assert CHARGING.version == 2
    assert told(result) == ("pass", "charges")
    assert result.value == pytest.approx(PINNED[0], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[1], rel=1e-9)


PINNED = (14.150169491525425, 0.00700456417571076)


def with_volts(base: Recording, how: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Recording:
    volts = base.channels["module_voltage"]
    changed = replace(volts, values=how(volts.time_s, volts.values))
    return replace(base, channels={**base.channels, "module_voltage": changed})


def test_a_supply_that_rises_too_high_now_and_then_is_no_pass() -> None:
    """Eight seconds at 16.5 V hardly show in the mean of two minutes."""
    sound = car()
    bursts = with_volts(sound, lambda t, v: np.where((t > 160.0) & (t < 168.0), 16.5, v))
    assert run(CHARGING, sound).finding == "charges"
    result = run(CHARGING, bursts)
    assert told(result) == ("undecided", "above-usual")
    assert "16.50 V" in result.why


@pytest.mark.parametrize(("from_s", "to_s"), [(30.0, 90.0), (91.0, 129.0), (70.0, 500.0)])
def test_a_voltage_that_stands_still_at_a_level_is_no_evidence_there(
    from_s: float, to_s: float
) -> None:
    """Also where it moved before: the last number is written on and on."""
    held = with_volts(car(), lambda t, v: np.where((t > from_s) & (t < to_s), 14.1, v))
    wanted = "charges" if from_s == 30.0 else "frozen"
    assert run(CHARGING, held).finding == wanted
    # In steps of 0.1 V a steady supply may well stay on one.
    coarse = replace(held.channels["module_voltage"], resolution=0.1)
    told_coarsely = replace(held, channels={**held.channels, "module_voltage": coarse})
    assert run(CHARGING, told_coarsely).finding == "charges"
