"""What no check may do: break, or pass without having earned it."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.every_case import SOUND, sound, sound_specs
from tests.nasty import (
    broken_files,
    changed,
    channel,
    drive,
    of_channel,
    of_recording,
    recording,
    without,
    zoo,
)
from verify.errors import UserError
from verify.evidence.channels import quantities
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.checks.kind import COULD_NOT_RUN, IMPOSSIBLE_READINGS
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult
from verify.quantity import SpecValue
from verify.words import Verdict

# Every number of a vehicle that any check passes with.
SPECS: dict[str, SpecValue] = {n: v for name in SOUND for n, v in sound_specs(name).items()}

# The few passes that a nasty recording does earn, each with its reason.
EARNED = {
    "saturated coolant": {"no-stall"},  # warmth is not asked for
    "no coolant sensor": {"no-stall"},  # the same
    "slow 3 s": {"idle-speed"},  # slow readings of an even idle still have a mean
    "very coarse steps": {"no-stall"},  # 0 and 750 rpm are far enough apart
    "drop-outs to zero": {"idle-speed"},  # the readings between them are sound
}
ZOO = zoo()

# Of one channel gone wrong: (check, channel) → the ways that leave enough sound evidence.
SOUND_ENOUGH: dict[tuple[str, str], set[str]] = {
    # A car that was driven: where its speed and pedal read 0 throughout, revs tell the idle.
    ("idle-settling", "vehicle_speed"): {"constant", "zero", "tiny", "flickering"},
    ("idle-settling", "pedal"): {"constant", "zero", "tiny", "flickering"},
    # A pedal that reads 0 between presses too is at rest there, as it is.
    ("idle-speed", "pedal"): {"flickering"},
    ("idle-steady", "pedal"): {"flickering"},
    ("no-stall", "pedal"): {"flickering", "shuffled"},
    # A warm engine's coolant is warm in any order, every 20 s, and may stand still.
    **{(n, "coolant"): {"constant", "shuffled", "every 20 s"} for n in (
        "idle-speed", "idle-steady", "idle-settling", "fuel-trim",
    )},
    ("warm-up", "coolant"): {"shuffled", "every 20 s"},
    ("same-conditions", "coolant"): {"every 20 s"},
    # Readings of a running engine in any order are a running engine.
    **{(n, "engine_speed"): {"shuffled"} for n in (
        "no-stall", "pedal-response", "throttle-return", "no-response", "warm-up",
    )},
    # Whether the engine runs decides what a fault is called here, and no pass rests on it.
    ("throttle-follow", "engine_speed"): {
        "constant", "zero", "tiny", "flickering", "a day late",
    },
    # Trims that are small in any order, sign or share of the time are small.
    ("fuel-trim", "fuel_trim_short"): {"negative", "flickering", "shuffled"},
    ("fuel-trim", "fuel_trim_long"): {
        "constant", "zero", "tiny", "negative", "flickering", "shuffled", "every 20 s",
    },
    # Volts of a charging car in any order are those of a charging car.
    ("charging", "module_voltage"): {"shuffled"},
    # The pedal must not be touched and the engine not run, so both may read one value.
    ("key-on-rest", "pedal_d"): {"constant", "zero", "tiny"},
    ("key-on-rest", "engine_speed"): {"flickering"},
    # Driven at one road speed, in any order of its readings; half of them are of a drive.
    ("warm-up", "vehicle_speed"): {"shuffled", "flickering"},
    ("surge", "vehicle_speed"): {"constant", "shuffled"},
    ("hesitation", "vehicle_speed"): {"constant"},
}  # fmt: skip
# A third of these recordings holds all that is asked for.
A_THIRD_IS_ENOUGH = {
    *("idle-speed", "idle-steady", "pedal-response", "throttle-pair", "pedal-pair"),
    *("surge", "hesitation", "fuel-trim", "throttle-follow"),
}

# Broken files in which more than a minute of sound idle is left to read.
STILL_SOUND = ("doubled timestamps", "unsorted", "NaN", "infinite", "cut off in mid-line")

REQUIRED = [(check, name) for check, (_, _, names) in SOUND.items() for name in names]


def one(check: str, *made: Recording) -> CheckResult:
    return judge(made, sound_specs(check), [check])[0]


def bears(results: tuple[CheckResult, ...]) -> set[str]:
    """Which checks passed; every result must be one that can be stored, and say why."""
    for r in results:
        assert r.finding != COULD_NOT_RUN, f"{r.check}: {r.why}"
        assert r.why.endswith(".")
        assert bool(r.settle) == (r.verdict is Verdict.UNDECIDED), f"{r.check}: {r.finding}"
        assert CheckResult.from_json(r.to_json()).to_json() == r.to_json()
    return {r.check for r in results if r.verdict is Verdict.PASS}


@pytest.mark.parametrize("name", ZOO)
def test_the_zoo_breaks_nothing_and_earns_no_pass(name: str) -> None:
    assert bears(judge([ZOO[name]], SPECS)) == EARNED.get(name, set())


@pytest.mark.parametrize("name", ZOO)
def test_the_zoo_together_with_a_sound_recording_breaks_nothing(name: str) -> None:
    bears(judge([drive(), ZOO[name]], SPECS))


def test_nasty_names_are_of_use_only_while_they_exist() -> None:
    assert set(EARNED) <= set(ZOO)
    assert set(SOUND_ENOUGH) <= set(REQUIRED)


@pytest.mark.parametrize("check", CATALOGUE)
def test_the_recording_that_a_check_passes_on_is_sound(check: str) -> None:
    """So that what follows loses its pass for what was done to it."""
    assert bears((one(check, sound(check)),)) == {check}


@pytest.mark.parametrize(("check", "name"), REQUIRED)
def test_one_channel_gone_wrong_breaks_nothing_and_earns_no_pass(check: str, name: str) -> None:
    base = sound(check)
    good = set(SOUND_ENOUGH.get((check, name), set()))
    if check in A_THIRD_IS_ENOUGH:
        good.add("first third only")
    passed: set[str] = set()
    for way, made in of_channel(base, name).items():
        same = np.array_equal(made.channels[name].values, base.channels[name].values)
        if same and np.array_equal(made.channels[name].time_s, base.channels[name].time_s):
            continue  # a car that stands reads 0 in many a wrong way
        if bears((one(check, made),)):
            passed.add(way)
    assert passed <= good
    # So that no exception outlives its reason.
    assert passed >= SOUND_ENOUGH.get((check, name), set())


@pytest.mark.parametrize("check", CATALOGUE)
def test_a_recording_gone_wrong_breaks_nothing_and_earns_no_pass(check: str) -> None:
    for way, made in of_recording(sound(check)).items():
        assert not bears(judge([made], SPECS)), way


@pytest.mark.parametrize(("check", "name"), REQUIRED)
def test_a_channel_in_an_absurd_unit_earns_no_pass(check: str, name: str) -> None:
    """A million times what it should be, with a word of its own where a pass would rest on it."""
    base = sound(check)
    made = changed_values(base, name, lambda v: 1e6 * (v + 1.0))
    result = one(check, made)
    assert result.finding != COULD_NOT_RUN
    assert result.verdict is not Verdict.PASS
    if result.finding == IMPOSSIBLE_READINGS:
        assert quantities()[name].unit in result.why
        assert "no car has" in result.why


def changed_values(base: Recording, name: str, how: Any) -> Recording:
    c = base.channels[name]
    return replace(
        base,
        channels={**base.channels, name: replace(c, values=how(c.values))},
        sha256=f"{base.sha256[:-4]}abcd",
    )


@pytest.mark.parametrize("name", broken_files())
def test_a_broken_file_is_refused_or_judged_without_a_pass_it_has_not_earned(name: str) -> None:
    from verify.evidence.importers.port import read_recording

    try:
        read = read_recording(io.BytesIO(broken_files()[name]), f"{name}.csv")
    except UserError:
        return  # what a refusal says is tested with the importers
    assert not bears(judge([read], SPECS)) or name in STILL_SOUND


def test_no_recording_at_all_is_undecided() -> None:
    assert bears(judge([], SPECS)) == set()


@pytest.mark.parametrize(("check", "missing"), REQUIRED)
def test_without_a_required_channel_nothing_passes(check: str, missing: str) -> None:
    result = one(check, without_(sound(check), missing))
    assert result.verdict is Verdict.UNDECIDED, result.why
    assert result.settle


def without_(base: Recording, name: str) -> Recording:
    return replace(base, channels={n: c for n, c in base.channels.items() if n != name})


@pytest.mark.parametrize("check", [c for c in CATALOGUE if CATALOGUE[c].specs])
def test_without_a_required_spec_nothing_passes(check: str) -> None:
    assert set(CATALOGUE[check].specs) <= set(sound_specs(check))
    for name in CATALOGUE[check].specs:
        less = {k: v for k, v in sound_specs(check).items() if k != name}
        result = judge([sound(check)], less, [check])[0]
        assert result.verdict is Verdict.UNDECIDED
        assert result.settle


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["engine_speed", "vehicle_speed", "pedal", "coolant"]),
    st.sampled_from([0.0, -40.0, 1.0, 85.0, 255.0, 700.0, 16383.75, 1e9, -1e9]),
    st.floats(0.0, 170.0),
    st.floats(0.0, 170.0),
)
def test_a_channel_stuck_for_a_while_never_breaks_a_check(
    name: str, value: float, a: float, b: float
) -> None:
    low, high = min(a, b), max(a, b)

    def stick(c: Channel) -> Channel:
        inside = (c.time_s >= low) & (c.time_s <= high) & (c.name == name)
        return channel(c.name, c.time_s, np.where(inside, value, c.values), c.resolution)

    bears(judge([changed(drive(), stick)], SPECS))


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_random_recordings_break_nothing(data: Any) -> None:
    numbers = st.floats(-1e5, 1e5) | st.sampled_from([0.0, 700.0, 14.1, 90.0, 1e308, -1e308])
    made = []
    for name in data.draw(st.lists(st.sampled_from(list(quantities())), unique=True, max_size=10)):
        steps = data.draw(st.lists(st.floats(1e-3, 50.0), max_size=30))
        values = data.draw(st.lists(numbers, min_size=len(steps), max_size=len(steps)))
        resolution = data.draw(st.sampled_from([0.0, 0.4, 1.0, 100.0]))
        made.append(channel(name, np.cumsum(steps), values, resolution))
    edges = sorted(data.draw(st.lists(st.floats(0.0, 500.0), max_size=4)))
    gaps = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=False) if b > a]
    bears(judge([recording(made, gaps=gaps)], SPECS))


def test_a_stray_reading_no_car_can_have_takes_no_pass_away() -> None:
    base = drive()
    speed = base.channels["engine_speed"]
    odd = np.where(np.arange(len(speed.values)) == 50, 65_535.0, speed.values)
    made = recording([*without(base, "engine_speed").channels.values(),
                      channel("engine_speed", speed.time_s, odd)])  # fmt: skip
    assert one("idle-speed", made).verdict is Verdict.PASS
