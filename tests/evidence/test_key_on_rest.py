"""`key-on-rest`: plates whose last movement is known, and recordings that show no key-on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.slow_cars import (
    Array,
    gapped,
    less,
    made,
    moved,
    run,
    spoiled,
    told,
    turned,
)
from tests.evidence.slow_drives import KEY_S, hammers, sweeps
from tests.evidence.slow_drives import keyed_car as car
from tests.nasty import zoo
from verify.evidence.checks.key_on_rest import KEY_ON_REST
from verify.words import Verdict


@pytest.mark.parametrize("sign", ["voltage", "supply", "gap"])
@pytest.mark.parametrize(
    ("plate", "finding"),
    [
        (sweeps, "at-rest"),
        (lambda s: sweeps(s, 2.0), "at-rest"),
        (lambda s: sweeps(s, 4.0), "keeps-moving"),
        (lambda s: hammers(s, 60.0), "hammering"),
        (lambda s: hammers(s, 6.0), "hammering"),
    ],
)
def test_the_last_movement_decides(sign: str, plate: Any, finding: str) -> None:
    result = run(KEY_ON_REST, car(plate, sign=sign))
    assert result.finding == finding, result.why


def test_the_end_of_the_movement_is_within_what_is_stated() -> None:
    for last in (0.8, 1.5, 2.2, 3.4, 5.0):
        # 20 points in half the time: the band of 1 % is entered a little before the very end.
        slope = 20.0 / (0.5 * last)
        result = run(KEY_ON_REST, car(lambda s, e=last: sweeps(s, e)))
        assert result.value is not None
        assert result.uncertainty is not None
        band = (1.0 if result.verdict is Verdict.PASS else 2.4) / slope
        assert abs(result.value - (last - band)) <= 2.0 * result.uncertainty + 0.05


def test_hammering_is_counted_with_its_rate() -> None:
    result = run(KEY_ON_REST, car(lambda s: hammers(s, 10.0, 0.8)))
    value = result.to_json()
    assert value["swings"] == 13  # from 0.2 s: in every 0.8 s of 10 s one
    assert value["late_swings_hz"] == pytest.approx(1.25, rel=0.03)


def test_a_car_that_does_not_test_itself_passes_by_its_rest() -> None:
    result = run(KEY_ON_REST, car(lambda s: 15.0 + 0.0 * s))
    assert result.finding == "no-self-test"
    # Without voltage, zeros may be what a logger writes until the first answer.
    for sign in ("supply", "gap"):
        assert run(KEY_ON_REST, car(lambda s: 15.0 + 0.0 * s, sign=sign)).finding == "no-key-on"


def test_a_recording_that_begins_with_the_key_on_shows_nothing() -> None:
    for plate in (sweeps, lambda s: hammers(s, 60.0)):
        assert run(KEY_ON_REST, car(plate, sign="none")).finding == "no-key-on"


def test_one_dropped_reading_of_voltage_is_no_key_on() -> None:
    base = car(sign="none")
    volts = base.channels["module_voltage"]
    dropped = np.where(np.arange(len(volts.values)) == 40, 0.0, volts.values)
    channels = {n: (c.time_s, c.values) for n, c in base.channels.items()}
    again = made(channels | {"module_voltage": (volts.time_s, dropped)})
    assert run(KEY_ON_REST, again).finding == "no-key-on"


def test_a_small_movement_is_neither() -> None:
    def small(since: Array) -> Array:
        return sweeps(since) + np.where((since > 6.0) & (since < 6.5), 1.7, 0.0)

    assert run(KEY_ON_REST, car(small)).finding == "small-movement"

    def large(since: Array) -> Array:
        return sweeps(since) + np.where((since > 6.0) & (since < 6.5), 4.0, 0.0)

    assert run(KEY_ON_REST, car(large)).verdict is Verdict.FAIL


def test_a_single_wrong_reading_is_no_movement() -> None:
    base = car()
    throttle = base.channels["throttle"]
    stray = np.where(np.arange(len(throttle.values)) == 250, 80.0, throttle.values)
    channels = {n: (c.time_s, c.values) for n, c in base.channels.items()}
    again = made(channels | {"throttle": (throttle.time_s, stray)})
    assert run(KEY_ON_REST, again).finding == "at-rest"


def test_the_engine_and_the_foot_end_the_watch() -> None:
    assert run(KEY_ON_REST, car(start_s=3.5)).finding == "too-short"
    assert run(KEY_ON_REST, car(touched_s=3.5)).finding == "too-short"
    result = run(KEY_ON_REST, car(touched_s=8.0))
    assert result.finding == "at-rest"
    assert any("pedal was touched" in note for note in result.notes)
    # What the plate does under the foot or with the engine is no fault.
    after = run(KEY_ON_REST, car(lambda s: sweeps(s) + np.where(s > 9.0, 30.0, 0.0), touched_s=8.5))
    assert after.finding == "at-rest"
    # A plate that hammered before the start is a fault all the same.
    assert run(KEY_ON_REST, car(lambda s: hammers(s, 60.0), start_s=6.0)).verdict is Verdict.FAIL


def test_a_pedal_that_is_fed_a_moment_later_was_not_touched() -> None:
    base = car()
    pedal = base.channels["pedal_d"]
    late = np.where(pedal.time_s < KEY_S + 0.6, 0.0, pedal.values)
    channels = {n: (c.time_s, c.values) for n, c in base.channels.items()}
    assert run(KEY_ON_REST, made(channels | {"pedal_d": (pedal.time_s, late)})).finding == "at-rest"


def test_too_slow_is_not_told() -> None:
    assert run(KEY_ON_REST, car(rate_hz=10.0)).finding == "too-slow-to-tell"
    assert run(KEY_ON_REST, car(rate_hz=1.0)).verdict is Verdict.UNDECIDED
    assert run(KEY_ON_REST, car(slow_hz=0.5)).verdict is Verdict.UNDECIDED
    # Readings that may be old widen what is stated, and a plate near the limit stays open.
    fresh = run(KEY_ON_REST, car(lambda s: sweeps(s, 2.45)))
    stale = run(KEY_ON_REST, car(lambda s: sweeps(s, 2.45), skew_s=0.4))
    assert fresh.finding == "at-rest"
    assert stale.verdict is not Verdict.FAIL
    assert (stale.uncertainty or 0.0) > (fresh.uncertainty or 0.0)


@pytest.mark.parametrize("missing", ["throttle", "pedal_d", "engine_speed"])
def test_a_required_channel_missing_never_passes(missing: str) -> None:
    assert run(KEY_ON_REST, less(car(), missing)).finding == "channel-missing"
    assert run(KEY_ON_REST).finding == "channel-missing"


def test_a_gap_ends_the_watch() -> None:
    assert run(KEY_ON_REST, gapped(car(), KEY_S + 1.5, KEY_S + 4.0)).verdict is Verdict.UNDECIDED
    assert run(KEY_ON_REST, gapped(car(), KEY_S - 1.0, KEY_S + 3.0)).verdict is Verdict.UNDECIDED


def test_one_bad_key_on_among_good_ones_is_a_fail() -> None:
    good, bad = car(), car(lambda s: hammers(s, 60.0), seed=2)
    assert run(KEY_ON_REST, good, bad).finding == "hammering"
    assert run(KEY_ON_REST, good, car(sign="none", seed=3)).finding == "at-rest"


@pytest.mark.parametrize("name", ["throttle", "pedal_d", "engine_speed"])
def test_spoiled_readings_never_pass(name: str) -> None:
    for way, bad in spoiled(car(), name).items():
        if (name, way) not in STILL_SOUND:
            assert run(KEY_ON_REST, bad).verdict is not Verdict.PASS, way


# An engine that stands reads 0 before its start, however it reads after it; a pedal at rest may
# read any one low number.
STILL_SOUND = {
    ("engine_speed", "constant"),
    ("engine_speed", "zero"),
    ("engine_speed", "flickering"),
    ("pedal_d", "zero"),
    ("pedal_d", "constant"),
    ("pedal_d", "negative"),
}


def test_the_zoo_breaks_nothing_and_earns_no_pass() -> None:
    for name, made_ in zoo().items():
        assert run(KEY_ON_REST, made_).verdict is Verdict.UNDECIDED, name


def test_without_a_sound_voltage_the_plates_own_supply_shows_the_key() -> None:
    for way, bad in spoiled(car(), "module_voltage").items():
        result = run(KEY_ON_REST, bad)
        assert result.verdict is not Verdict.FAIL, way
        hammering = spoiled(car(lambda s: hammers(s, 60.0)), "module_voltage")[way]
        assert run(KEY_ON_REST, hammering).verdict is not Verdict.PASS, way


@pytest.mark.parametrize("shift_s", [-13.7, 86_400.25])
def test_the_clock_and_the_order_of_channels_change_nothing(shift_s: float) -> None:
    for base in (car(), car(lambda s: hammers(s, 6.0)), car(sign="gap"), car(sign="none")):
        assert told(run(KEY_ON_REST, moved(base, shift_s))) == told(run(KEY_ON_REST, base))
        assert run(KEY_ON_REST, turned(base)).to_json() == run(KEY_ON_REST, base).to_json()


@settings(max_examples=60, deadline=None)
@given(
    last=st.floats(0.6, 7.0),
    rate=st.floats(20.0, 60.0),
    noise=st.floats(0.0, 0.1),
    hammering=st.booleans(),
    seed=st.integers(0, 9999),
)
def test_never_wrong_away_from_the_limit(
    last: float, rate: float, noise: float, hammering: bool, seed: int
) -> None:
    plate = (lambda s: hammers(s, last)) if hammering else (lambda s: sweeps(s, last))
    made_ = car(plate, rate_hz=rate, noise=noise, seed=seed)
    verdict = run(KEY_ON_REST, made_).verdict
    since = np.arange(0.0, 10.0, 0.001)
    position = plate(since)
    late = position[since > 2.5]
    if float(np.ptp(late)) >= 2.0 and last > 2.9:
        assert verdict is not Verdict.PASS
    if float(np.ptp(position[since > 2.4])) < 1e-9:
        assert verdict is not Verdict.FAIL


def test_pinned() -> None:
    """What version 1 says of a car written out by plain arithmetic; a change is a new version."""
    t = np.arange(0.0, 20.0, 0.04)
    s = np.arange(0.0, 20.0, 0.2)
    plate = 16.0 + 18.0 * np.interp(t - 4.0, [0.2, 0.7, 1.4], [0.0, 1.0, 0.0])
    result = run(
        KEY_ON_REST,
        made(
            {
                "throttle": (t, np.where(t < 4.0, 0.0, plate)),
                "pedal": (s, 0.0 * s),
                "engine_speed": (s, np.where(s > 17.0, 850.0, 0.0)),
                "module_voltage": (s, np.where(s < 4.0, 0.1, 12.4)),
            }
        ),
    )
    assert KEY_ON_REST.version == 1
    assert told(result) == ("pass", "at-rest")
    assert result.value == pytest.approx(PINNED[0], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[1], rel=1e-9)


PINNED = (1.3600000000000003, 0.023094010767585053)
