"""Recordings and numbers that once earned a pass and must not: each by the name of its trick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.evidence.every_case import sound, sound_specs
from verify.evidence.checks.catalogue import judge
from verify.evidence.recording import Array, Channel, Recording
from verify.quantity import SpecValue, parse
from verify.words import Verdict


def recording(t: Array, rpm: Array, pedal: Array, coolant: float = 90.0) -> Recording:
    """A car whose speed channel reads 0 throughout: standing, or the sensor is dead."""

    def channel(name: str, unit: str, values: Array, step: float) -> Channel:
        return Channel(name, unit, t.copy(), np.asarray(values, dtype=float), step, 0.2)

    channels = {
        "engine_speed": channel("engine_speed", "rpm", rpm, 0.25),
        "vehicle_speed": channel("vehicle_speed", "km/h", np.zeros(len(t)), 1.0),
        "pedal": channel("pedal", "%", pedal, 0.4),
        "coolant": channel("coolant", "°C", np.full(len(t), coolant), 1.0),
    }
    return Recording("r", "0" * 64, "t", 1, len(t), float(t[-1]), channels)


def parked(seconds: float = 180.0) -> tuple[Array, Array, Array]:
    """Warm idle at 700 rpm, five presses at the end."""
    t = np.arange(0, seconds, 0.2)
    rng = np.random.default_rng(1)
    rpm = 700 + np.round(rng.normal(0, 6, len(t)) * 4) / 4
    pedal = np.zeros(len(t))
    for start in range(120, 170, 10):
        pressed = (t >= start) & (t < start + 5)
        pedal[pressed] = 20
        rpm[pressed] = 1800 + np.round(rng.normal(0, 20, int(pressed.sum())))
    return t, rpm, pedal


def test_the_same_car_without_a_stall_passes() -> None:
    """So that what follows fails for its stalls and not for something else."""
    t, rpm, pedal = parked()
    (result,) = judge([recording(t, rpm, pedal)], {}, ["no-stall"])
    assert result.verdict is Verdict.PASS


def test_two_stalls_of_a_parked_car_are_no_start_stop() -> None:
    t, rpm, pedal = parked()
    for start in (40, 80):
        rpm[(t >= start) & (t < start + 6)] = 0
    (result,) = judge([recording(t, rpm, pedal)], {}, ["no-stall"])
    assert result.verdict is not Verdict.PASS


def test_an_engine_that_dies_with_the_pedal_pressed_was_not_stopped_by_start_stop() -> None:
    t, rpm, pedal = parked(300.0)
    rng = np.random.default_rng(2)
    for start in (70, 140, 210, 250):
        pressed = (t >= start) & (t < start + 30)
        pedal[pressed] = 15
        rpm[pressed] = 1800 + np.round(rng.normal(0, 20, int(pressed.sum())))
    for start in (85, 155):
        rpm[(t >= start) & (t < start + 3)] = 0
    (result,) = judge([recording(t, rpm, pedal)], {}, ["no-stall"])
    assert result.verdict is not Verdict.PASS


@pytest.mark.parametrize("check", ["idle-speed", "idle-steady"])
def test_a_cold_engine_called_warm_passes_nothing(check: str) -> None:
    t, rpm, pedal = parked()
    specs = {
        "idle_speed": SpecValue(parse("700 rpm"), "typed"),
        "warm_coolant": SpecValue(parse("20 °C"), "typed"),
    }
    (result,) = judge([recording(t, rpm, pedal, coolant=22.0)], specs, [check])
    assert result.finding == "spec-implausible"


def test_a_tolerance_wider_than_any_engine_needs_passes_nothing() -> None:
    t, rpm, pedal = parked()
    specs = {
        "idle_speed": SpecValue(parse("1300 rpm"), "typed"),
        "idle_tolerance": SpecValue(parse("5000 rpm"), "typed"),
    }
    (result,) = judge([recording(t, rpm, pedal)], specs, ["idle-speed"])
    assert result.finding == "spec-implausible"


@pytest.mark.parametrize(
    ("check", "source", "copy"),
    [
        ("pedal-response", "pedal", "throttle"),
        ("throttle-return", "pedal", "throttle"),
        ("no-response", "pedal", "throttle"),
        ("throttle-follow", "pedal_d", "throttle"),
        ("pedal-pair", "pedal_d", "pedal_e"),
        ("throttle-pair", "throttle", "throttle_b"),
    ],
)
def test_a_column_written_twice_shows_nothing_of_the_other_sensor(
    check: str, source: str, copy: str
) -> None:
    base = sound(check)
    own = base.channels[source]
    twice = replace(
        base, channels={**base.channels, copy: replace(own, name=copy)}, sha256="1" * 64
    )
    (result,) = judge([twice], sound_specs(check), [check])
    assert result.verdict is not Verdict.PASS, result.why
    (result,) = judge([base], sound_specs(check), [check])
    assert result.verdict is Verdict.PASS, result.why
