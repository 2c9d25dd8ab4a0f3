"""A plate that sticks and leaps while it is moved slowly, made by plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nasty import Array, channel, recording
from verify.evidence.checks.throttle_follow import THROTTLE_FOLLOW
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict

STEP = 100.0 / 255.0


def ramps(
    leap: float = 0.0,
    *,
    hz: float = 10.0,
    ramp_s: float = 8.0,
    seed: int = 0,
    names: tuple[str, ...] = ("pedal_d",),
    bend: float = 1.0,
    play: float = 0.0,
    steep_at: float | None = None,
    foot_leaps: float = 0.0,
    limiter: bool = False,
    lag_s: float = 0.1,
) -> Recording:
    """Stairs held 5 s, then three slow ways to a half and back; the plate waits until it is `leap`
    points behind, and then leaps to where it should be."""
    rng = np.random.default_rng(seed)
    corners, levels = [0.0], [0.0]
    for level in (25.0, 50.0, 75.0, 50.0, 25.0, 0.0) * 2:
        start = corners[-1] + 5.0
        corners += [start, start + 0.3]
        levels += [levels[-1], level]
    for _ in range(3):
        start = corners[-1] + 4.0
        corners += [start, start + ramp_s, start + ramp_s + 3.0, start + 2.0 * ramp_s + 3.0]
        levels += [0.0, 50.0, 50.0, 0.0]
    fine = np.arange(0.0, corners[-1] + 5.0, 0.01)
    pedal = np.interp(fine, corners, levels)
    if foot_leaps:
        pedal = np.where(pedal < 60.0, np.round(pedal / foot_leaps) * foot_leaps, pedal)
    command = 3.0 + 97.0 * (pedal / 100.0) ** bend
    if steep_at is not None:
        command = command + 8.0 * (pedal > steep_at)
    late = np.interp(fine - lag_s, fine, command)
    plate, at = np.empty(len(fine)), float(late[0])
    for place, aim in enumerate(late.tolist()):
        at = aim if abs(aim - at) * 0.75 >= leap else at
        plate[place] = at
    if play:
        for place, aim in enumerate(late.tolist()):
            at = min(max(at, aim - play / 2.0), aim + play / 2.0)
            plate[place] = at
    rpm = 800.0 + 50.0 * plate
    if limiter:
        shut = (plate > 35.0) & (np.floor(fine / 0.7) % 2 == 0)
        plate, rpm = np.where(shut, 30.0, plate), np.minimum(rpm, 2560.0)
    truth = {
        "pedal_d": 15.0 + 0.72 * pedal,
        "throttle_commanded": 12.0 + 0.75 * command,
        "throttle": 12.0 + 0.75 * plate,
        "engine_speed": rpm,
        "vehicle_speed": 0.0 * plate,
    }
    made = []
    for name in (*names, "throttle", "engine_speed", "vehicle_speed"):
        count = int(float(fine[-1]) * hz) - 1
        t = (np.arange(count) + rng.uniform(0.0, 0.2) + rng.uniform(0, 0.1, count)) / hz
        step = 1.0 if name.endswith("speed") else STEP
        noise = rng.normal(0.0, 5.0 if name == "engine_speed" else 0.0, count)
        values: Array = np.round((np.interp(t, fine, truth[name]) + noise) / step) * step
        made.append(channel(name, t, values, step))
    return recording(made)


def judged(*recordings: Recording) -> CheckResult:
    result = THROTTLE_FOLLOW.run(THROTTLE_FOLLOW, recordings, {}, Rule())
    result.to_json()
    return result


BOTH = (("pedal_d",), ("throttle_commanded",))


@pytest.mark.parametrize("names", BOTH)
@pytest.mark.parametrize("hz", [10.0, 20.0])
def test_a_plate_that_sticks_and_leaps_fails(names: tuple[str, ...], hz: float) -> None:
    for seed in range(4):
        result = judged(ramps(8.5, hz=hz, seed=seed, names=names))
        assert result.finding == "stick-slip", result.why
        # What the movement itself explains is taken off the leap, so it is no less than told.
        assert result.value is not None
        assert 5.0 < result.value <= 8.5


@pytest.mark.parametrize("names", BOTH)
@pytest.mark.parametrize("hz", [10.0, 20.0])
def test_a_sound_plate_moved_slowly_follows(names: tuple[str, ...], hz: float) -> None:
    for seed, ramp_s in enumerate((5.0, 8.0, 15.0)):
        result = judged(ramps(hz=hz, seed=seed, names=names, ramp_s=ramp_s))
        assert result.finding == "follows", result.why
        assert any("slow movement: it stuck and leapt 0 times" in n for n in result.notes)


@pytest.mark.parametrize("leap", [4.2, 4.8])
def test_leaps_near_the_limit_are_unclear(leap: float) -> None:
    result = judged(ramps(leap, names=("throttle_commanded",), hz=20.0, ramp_s=14.0))
    assert result.verdict is Verdict.UNDECIDED
    assert "slowly" in THROTTLE_FOLLOW.settles[result.finding] or result.finding == "near-limit"


def test_what_looks_like_sticking_and_is_none() -> None:
    # One steep place of the map, a foot that leaps, a limiter, play, a bent map, a lazy plate.
    assert judged(ramps(steep_at=22.0)).verdict is not Verdict.FAIL
    assert judged(ramps(foot_leaps=8.0)).finding != "stick-slip"
    assert judged(ramps(limiter=True)).finding != "stick-slip"
    assert judged(ramps(play=4.0)).finding == "follows"
    for bend in (0.6, 1.6):
        assert judged(ramps(bend=bend)).finding == "follows"
    assert judged(ramps(lag_s=0.4)).finding == "follows"


@pytest.mark.parametrize("hz", [2.0, 5.0])
def test_a_slow_log_says_that_it_is_not_shown(hz: float) -> None:
    sound = judged(ramps(hz=hz))
    assert sound.finding == "follows"
    assert any("not shown" in note for note in sound.notes)
    assert judged(ramps(8.5, hz=hz)).finding != "stick-slip"


def test_quick_presses_alone_show_nothing_of_it() -> None:
    assert any("not shown" in n for n in judged(ramps(ramp_s=0.3)).notes)


@settings(max_examples=25, deadline=None)
@given(
    st.floats(5.0, 15.0), st.floats(0.6, 1.6), st.integers(0, 99), st.sampled_from([10.0, 20.0]),
    st.floats(0.0, 0.4),
)  # fmt: skip
def test_no_sound_plate_sticks(
    ramp_s: float, bend: float, seed: int, hz: float, lag: float
) -> None:
    made = ramps(ramp_s=ramp_s, bend=bend, seed=seed, hz=hz, lag_s=lag)
    assert judged(made).verdict is not Verdict.FAIL
