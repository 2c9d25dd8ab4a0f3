"""What a stop of a parked engine was: dips before it, how long the computer was read, late polls.

Truth is in the construction: each recording is made from what the hands and the engine did. That
sound engines lose 100 rpm or less to a load, and that a computer is silent soon after the key is
turned off (0.3 to 4.8 s in the real recordings of `tests/outside`), is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nasty import PARKED_SCRIPT, channel, drive, recording, with_values
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.stall import _shown_s, exposure
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

SCRIPT_S = sum(s for _, s in PARKED_SCRIPT)


def one(made: Recording) -> CheckResult:
    return judge([made], {}, ["no-stall"])[0]


def kinds(made: Recording) -> list[str]:
    return [e["kind"] for e in one(made).to_json()["events"]]


def dying(
    dips: Sequence[tuple[float, float]],
    end: Sequence[tuple[str, float]],
    *,
    every_s: float = 0.2,
    scatter_rpm: float = 6.0,
) -> Recording:
    """Parked, presses, a minute of idle; dips (seconds before the stop, rpm) in it, then `end`."""
    made = drive((*PARKED_SCRIPT, *end), every_s=every_s, scatter_rpm=scatter_rpm)
    times = made.channels["engine_speed"].time_s

    def dipped(values: np.ndarray) -> np.ndarray:
        for before_s, depth in dips:
            values = values - depth * np.exp(-(((times - SCRIPT_S + before_s) / 0.4) ** 2))
        return np.round(np.maximum(values, 0.0))

    return with_values(made, "engine_speed", dipped)


GONE, BACK = (("off", 8.0),), (("off", 4.0), ("idle", 30.0))


@pytest.mark.parametrize("end", [GONE, BACK])
@pytest.mark.parametrize("dips", [[(2.0, 130.0), (4.0, 150.0)], [(3.0, 220.0)]])
def test_an_idle_that_breaks_in_and_then_ends_was_a_stall(
    dips: list[tuple[float, float]], end: tuple[tuple[str, float], ...]
) -> None:
    result = one(dying(dips, end))
    assert result.finding == "stalled"
    assert "broke in" in result.why


@pytest.mark.parametrize(
    "dips",
    [
        [(3.0, 100.0)],  # a compressor that comes in once
        [(3.0, 60.0), (4.5, 60.0), (2.0, 60.0)],  # a fan that comes and goes
        [(9.0, 250.0), (12.0, 250.0)],  # long before: the idle has been sound since
    ],
)
def test_loads_before_the_key_are_no_stall(dips: list[tuple[float, float]]) -> None:
    assert kinds(dying(dips, GONE)) == ["key-off"]


def test_a_restless_idle_has_deeper_dips_by_itself() -> None:
    """A dip must stand out of what this engine's readings do all the time."""
    assert kinds(dying([(3.0, 90.0), (4.5, 90.0)], GONE, scatter_rpm=40.0)) != ["stall"]


def test_dips_right_after_letting_go_are_the_revs_that_come_back() -> None:
    script = (*PARKED_SCRIPT, ("press", 5.0), ("idle", 3.0), ("off", 8.0))
    made = drive(script, every_s=0.2)
    times = made.channels["engine_speed"].time_s
    at = SCRIPT_S + 5.0 + 1.5
    under = with_values(
        made, "engine_speed", lambda v: np.round(v - 250.0 * np.exp(-(((times - at) / 0.3) ** 2)))
    )
    assert "stall" not in kinds(under)


def test_start_stop_after_coming_to_rest_with_an_undershoot_is_no_stall() -> None:
    light = (("town", 20.0), ("idle", 5.0), ("off", 12.0))
    made = drive((*PARKED_SCRIPT, *light, *light, *light, ("idle", 15.0)), every_s=0.2)
    times = made.channels["engine_speed"].time_s
    for n in range(3):
        at = SCRIPT_S + 37.0 * n + 21.5
        made = with_values(
            made,
            "engine_speed",
            lambda v, at=at: np.round(v - 250.0 * np.exp(-(((times - at) / 0.3) ** 2))),
        )
    assert "stall" not in kinds(made)


def test_a_computer_that_goes_on_being_read_leaves_a_steady_stop_open() -> None:
    assert kinds(drive((*PARKED_SCRIPT, ("off", 9.0)))) == ["key-off"]
    long = drive((*PARKED_SCRIPT, ("off", 30.0)))
    assert kinds(long) == ["open"]
    assert one(long).verdict is Verdict.UNDECIDED


def test_revs_that_fall_right_through_idle_with_the_computer_on_were_a_stall() -> None:
    press = (("press", 5.0), ("idle", 1.5))
    script = (*PARKED_SCRIPT, *press)
    assert kinds(drive((*script, ("off", 20.0)), every_s=0.2)) == ["stall"]
    assert kinds(drive((*script, ("off", 6.0)), every_s=0.2)) == ["open"]


def test_a_pause_of_the_readings_ends_what_the_computer_was_read() -> None:
    made = drive((*PARKED_SCRIPT, ("off", 30.0)), every_s=0.2)
    kept = {
        n: channel(n, c.time_s[keep], c.values[keep])
        for n, c in made.channels.items()
        for keep in [(c.time_s < SCRIPT_S + 5.0) | (c.time_s > SCRIPT_S + 25.0)]
    }
    assert kinds(recording(list(kept.values()))) == ["key-off"]


def polled(steps_s: np.ndarray) -> Recording:
    """The parked script read at uneven times, all channels at once."""
    fine = drive(every_s=0.1)
    at = np.cumsum(steps_s)
    at = at[at < SCRIPT_S - 1.0]
    return recording(
        [
            channel(n, at, np.interp(at, c.time_s, c.values).round())
            for n, c in fine.channels.items()
        ]
    )


def test_polls_that_come_late_count_by_the_chance_that_a_stall_would_show() -> None:
    """A stall of 1 s, anywhere, is seen by readings 1.2 s apart in 1 of 1.2 cases (geometry)."""
    steps = np.full(400, 0.9)
    even = exposure(polled(steps))
    steps[::5] = 1.2
    late = exposure(polled(steps))
    assert even.idle_s > 100.0
    share = (4 * 0.9 + 1.2 / 1.2) / (4 * 0.9 + 1.2)
    assert late.idle_s / even.idle_s == pytest.approx(share, rel=0.06)
    assert 3.0 <= late.lift_offs < even.lift_offs == 4.0


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_the_counted_seconds_are_those_in_which_stalls_show(seed: int) -> None:
    """Monte Carlo: stalls of 1 s at random instants, seen where a reading falls into them."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.choice([0.7, 1.0, 1.15, 1.25], 2000))
    begins = rng.uniform(10.0, times[-1] - 10.0, 40_000)
    seen = np.searchsorted(times, begins + 1.0) > np.searchsorted(times, begins)
    span = np.array([[10.0, times[-1] - 10.0]])
    counted = _shown_s(times, span) / float(span[0, 1] - span[0, 0])
    assert counted == pytest.approx(float(seen.mean()), abs=0.006)  # 4 standard errors


def test_one_very_late_poll_is_no_exposure() -> None:
    steps = np.full(400, 0.9)
    steps[40] = 2.2
    made = polled(steps)
    assert exposure(made).idle_s < exposure(polled(np.full(400, 0.9))).idle_s - 2.0


def lights(*idles_s: float, off: Sequence[int] = ()) -> Recording:
    """From light to light: at each so many seconds of idle, and at those in `off` the engine then
    stands still for 8 s and comes back."""
    script: list[tuple[str, float]] = list(PARKED_SCRIPT)
    for place, idle_s in enumerate(idles_s):
        script += [("town", 20.0), ("idle", idle_s)]
        script += [("off", 8.0), ("idle", 3.0)] if place in off else []
    return drive(tuple(script))


def test_start_stop_soon_after_each_rest_is_none() -> None:
    made = lights(8.0, 8.0, 8.0, 20.0, off=(0, 1, 2))
    assert kinds(made) == ["start-stop"] * 3
    assert one(made).finding == "none-seen"


def test_engines_that_die_long_after_coming_to_rest_were_not_stopped_by_start_stop() -> None:
    made = lights(25.0, 25.0, 8.0, off=(0, 1))
    assert kinds(made) == ["open"] * 2
    assert "after the car had come to rest" in one(made).why


def test_engines_that_die_at_some_lights_and_idle_on_at_others_stay_open() -> None:
    made = lights(8.0, 25.0, 8.0, 25.0, off=(0, 2))
    assert kinds(made) == ["open"] * 2
    assert "at 2 standstills and idled on at 2" in one(made).why
