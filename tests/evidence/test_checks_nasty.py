"""What no check may do: break, pass without having earned it, or depend on what does not matter."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.settling_drives import one_file, settling
from tests.nasty import (
    PARKED_SCRIPT,
    SPECS,
    broken_files,
    changed,
    channel,
    drive,
    kept,
    recording,
    spec,
    with_gap,
    without,
    zoo,
)
from verify.errors import UserError
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

ROAD = (("idle", 45.0), ("road", 330.0), ("town", 200.0), ("idle", 45.0))

# The few passes that a nasty recording does earn, each with its reason.
EARNED = {
    "saturated coolant": {"no-stall"},  # warmth is not asked for
    "no coolant sensor": {"no-stall"},  # the same
    "slow 3 s": {"idle-speed"},  # slow readings of an even idle still have a mean
    "very coarse steps": {"no-stall"},  # 0 and 750 rpm are far enough apart
    "drop-outs to zero": {"idle-speed"},  # the readings between them are sound
}

# Broken files in which more than a minute of sound idle is left to read.
STILL_SOUND = ("doubled timestamps", "unsorted", "NaN", "infinite", "cut off in mid-line")

ZOO = zoo()


@pytest.mark.parametrize("name", ZOO)
def test_the_zoo_breaks_nothing_and_earns_no_pass(name: str) -> None:
    results = judge([ZOO[name]], SPECS)
    for r in results:
        assert r.finding != "could-not-run", r.why
        assert r.why
        r.to_json()
    passed = {r.check for r in results if r.verdict is Verdict.PASS}
    assert passed == EARNED.get(name, set())


@pytest.mark.parametrize("name", ZOO)
def test_the_zoo_together_with_a_sound_recording_breaks_nothing(name: str) -> None:
    for r in judge([drive(), ZOO[name]], SPECS):
        assert r.finding != "could-not-run", r.why


def test_nasty_names_are_of_use_only_while_they_exist() -> None:
    assert set(EARNED) <= set(ZOO)


@pytest.mark.parametrize("name", broken_files())
def test_a_broken_file_is_refused_or_judged_without_a_pass_it_has_not_earned(name: str) -> None:
    from verify.evidence.importers.port import read_recording

    try:
        read = read_recording(io.BytesIO(broken_files()[name]), f"{name}.csv")
    except UserError:
        return  # what a refusal says is tested with the importers
    for r in judge([read], SPECS):
        assert r.finding != "could-not-run", r.why
        if name not in STILL_SOUND:
            assert r.verdict is not Verdict.PASS


def test_no_recording_at_all_is_undecided() -> None:
    assert all(r.verdict is Verdict.UNDECIDED for r in judge([], SPECS))


def verdicts(results: tuple[CheckResult, ...]) -> dict[str, tuple[str, str]]:
    return {r.check: (r.verdict.value, r.finding) for r in results}


BASES = {
    "parked": drive(),
    "road": drive(ROAD, every_s=1.0),
    "hunting": drive(hunting_rpm=40.0),
    "outings": one_file(settling(705, 0, 1)),
}
# The recording that a check passes on, where it is not the parked one.
PASSES_ON = {"road-coverage": "road", "idle-settling": "outings"}


@pytest.mark.parametrize("name", BASES)
def test_the_order_of_channels_changes_nothing(name: str) -> None:
    base = BASES[name]
    turned = replace(base, channels=dict(reversed(list(base.channels.items()))))
    assert [r.to_json() for r in judge([turned], SPECS)] == [
        r.to_json() for r in judge([base], SPECS)
    ]


@pytest.mark.parametrize("name", BASES)
@pytest.mark.parametrize("shift_s", [-3.7, 1000.0, 86_400.5])
def test_another_start_of_the_clock_changes_no_verdict(name: str, shift_s: float) -> None:
    moved = changed(
        BASES[name], lambda c: channel(c.name, c.time_s + shift_s, c.values, c.resolution)
    )
    assert verdicts(judge([moved], SPECS)) == verdicts(judge([BASES[name]], SPECS))


def test_the_unit_a_spec_is_typed_in_changes_nothing() -> None:
    typed = {"idle_speed": spec("700 U/min"), "warm_coolant": spec("176 °F")}
    plain = {"idle_speed": spec("700 rpm"), "warm_coolant": spec("80 °C")}
    assert verdicts(judge([drive()], typed)) == verdicts(judge([drive()], plain))


REQUIRED = {
    "idle-settling": ("engine_speed", "vehicle_speed", "pedal", "coolant"),
    "idle-speed": ("engine_speed", "vehicle_speed", "pedal", "coolant"),
    "idle-steady": ("engine_speed", "vehicle_speed", "pedal", "coolant"),
    "no-stall": ("engine_speed", "vehicle_speed", "pedal"),
    "road-coverage": ("vehicle_speed",),
}


def test_every_check_names_what_it_requires_here() -> None:
    assert set(REQUIRED) == set(CATALOGUE)


@pytest.mark.parametrize(
    ("check", "missing"), [(c, m) for c, names in REQUIRED.items() for m in names]
)
def test_without_a_required_channel_nothing_passes(check: str, missing: str) -> None:
    base = BASES[PASSES_ON.get(check, "parked")]
    assert judge([base], SPECS, [check])[0].verdict is Verdict.PASS
    assert judge([without(base, missing)], SPECS, [check])[0].verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("check", [c for c in CATALOGUE if CATALOGUE[c].specs])
def test_without_a_required_spec_nothing_passes(check: str) -> None:
    base = BASES[PASSES_ON.get(check, "parked")]
    assert judge([base], SPECS, [check])[0].verdict is Verdict.PASS
    for name in CATALOGUE[check].specs:
        less = {k: v for k, v in SPECS.items() if k != name}
        assert judge([base], less, [check])[0].verdict is not Verdict.PASS


@settings(max_examples=60, deadline=None)
@given(st.floats(2.0, 75.0), st.floats(1.2, 60.0))
def test_a_gap_inside_the_only_idle_never_passes_freedom_from_events(
    start: float, length: float
) -> None:
    """Three lift-offs and one long idle: whatever a gap hides may have been a stall."""
    script = (*((("press", 5.0), ("idle", 5.0)) * 3), ("idle", 78.0))
    base = drive(tuple(script), every_s=0.4)
    assert judge([base], {}, ["no-stall"])[0].verdict is Verdict.PASS
    cut = with_gap(base, 28.0 + start, 28.0 + start + length)
    assert judge([cut], {}, ["no-stall"])[0].verdict is not Verdict.PASS


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

    for r in judge([changed(BASES["parked"], stick)], SPECS):
        assert r.finding != "could-not-run", r.why


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_random_recordings_break_nothing(data: Any) -> None:
    names = ["engine_speed", "vehicle_speed", "pedal", "pedal_d", "throttle", "coolant", "oil",
             "ambient", "altitude", "baro", "run_time", "map"]  # fmt: skip
    numbers = st.floats(-1e5, 1e5) | st.sampled_from([0.0, 700.0, 14.1, 90.0, 1e308, -1e308])
    made = []
    for name in data.draw(st.lists(st.sampled_from(names), unique=True, max_size=8)):
        steps = data.draw(st.lists(st.floats(1e-3, 50.0), max_size=30))
        values = data.draw(st.lists(numbers, min_size=len(steps), max_size=len(steps)))
        resolution = data.draw(st.sampled_from([0.0, 0.4, 1.0, 100.0]))
        made.append(channel(name, np.cumsum(steps), values, resolution))
    edges = sorted(data.draw(st.lists(st.floats(0.0, 500.0), max_size=4)))
    gaps = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=False) if b > a]
    for r in judge([recording(made, gaps=gaps)], SPECS):
        assert r.finding != "could-not-run", r.why


@pytest.mark.parametrize("seconds", [5.0, 12.0, 18.0, 28.0])
def test_windows_below_the_precondition_never_pass(seconds: float) -> None:
    made = drive((("idle", seconds),))
    for r in judge([made], SPECS, ["idle-speed", "idle-steady", "no-stall"]):
        assert r.verdict is not Verdict.PASS


def test_fewer_readings_never_turn_undecided_into_pass() -> None:
    """Cutting a sound recording shorter and shorter: once the pass is lost it stays lost."""
    base = drive(PARKED_SCRIPT)
    for check in ("idle-speed", "idle-steady", "no-stall"):
        passed = [
            judge([_until(base, end)], SPECS, [check])[0].verdict is Verdict.PASS
            for end in range(5, 180, 5)
        ]
        assert passed == sorted(passed), check


def _until(base: Recording, end_s: float) -> Recording:
    return kept(base, lambda t: t < end_s)
