"""What the foot did: presses and releases with the brackets their readings allow."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nasty import channel, recording, with_gap, zoo
from verify.evidence.presses import Presses, pedal_channel, presses
from verify.evidence.recording import Channel, Recording


def car(
    time_s: Any, pedal: Any, *, name: str = "pedal", skew_s: float = 0.0, kmh: float = 0.0
) -> Recording:
    t = np.asarray(time_s, dtype=float)
    made = channel(name, t, pedal, 0.4)
    aged = Channel(name, "%", made.time_s, made.values, 0.4, made.interval_s, "", skew_s)
    around = np.arange(float(t[0]) - 1.0, float(t[-1]) + 1.5, 0.5)
    return recording(
        [
            aged,
            channel("engine_speed", around, 700.0 + around % 3.0),
            channel("vehicle_speed", around, np.full(len(around), kmh)),
        ]
    )


def test_one_press_with_each_bracket_between_its_readings() -> None:
    t = np.arange(0.0, 12.0)
    #      0  1  2  3   4   5   6   7   8  9 10 11
    foot = [0, 0, 0, 6, 30, 30, 30, 28, 9, 0, 0, 0]
    p = presses(car(t, foot))
    assert len(p) == 1
    assert (p.rest, p.level[0], p.readings[0]) == (0.0, 30.0, 4)
    assert p.start.tolist() == [[2.0, 3.0]]
    assert p.half.tolist() == [[3.0, 4.0]]
    assert p.let_go.tolist() == [[7.0, 8.0]]
    assert p.half_back.tolist() == [[7.0, 8.0]]
    assert p.back.tolist() == [[8.0, 9.0]]
    assert (p.held_s[0], p.rested_s[0], p.watched_s[0]) == (3.0, 2.0, 2.0)
    assert (p.wander[0], p.whole[0], p.ended[0], p.parked[0]) == (2.0, True, True, True)


def test_a_foot_that_holds_on_its_way_does_not_press_in_one_go() -> None:
    t = np.arange(0.0, 24.0)
    climb = np.select([t >= 16, t >= 12, t >= 8, t >= 4], [0.0, 75.0, 50.0, 25.0], 0.0)
    p = presses(car(t, climb))
    # Half of the way is that of the level, 62.5: the climb goes over the first stair.
    assert (p.level[0], p.climb_s[0]) == (62.5, 7.0)
    assert p.straight.tolist() == [False]
    once = presses(car(t, np.where((t >= 4) & (t < 16), 75.0, 0.0)))
    assert (once.climb_s[0], once.straight[0]) == (0.0, True)


def test_a_foot_that_holds_on_its_way_back_does_not_let_go_at_once() -> None:
    t = np.arange(0.0, 24.0)
    p = presses(car(t, np.select([t >= 16, t >= 12, t >= 4], [0.0, 25.0, 75.0], 0.0)))
    assert (p.fall_s[0], p.straight[0], p.let_go_at_once[0]) == (3.0, True, False)
    assert p.let_go.tolist() == [[11.0, 12.0]]
    once = presses(car(t, np.where((t >= 4) & (t < 16), 75.0, 0.0)))
    assert (once.fall_s[0], once.let_go_at_once[0]) == (0.0, True)


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.25, 1.0])
def test_a_foot_that_takes_half_a_second_presses_in_one_go(every_s: float) -> None:
    t = np.arange(0.0, 20.0, every_s) + 0.4 * every_s
    p = presses(car(t, np.interp(t, [5.0, 5.5, 12.0, 12.3], [0.0, 30.0, 30.0, 0.0])))
    assert (p.straight.tolist(), p.let_go_at_once.tolist()) == ([True], [True])
    assert p.climb_s[0] <= 0.5
    assert p.fall_s[0] <= 0.3


def test_the_age_of_a_reading_moves_the_early_ends_only() -> None:
    t = np.arange(0.0, 12.0)
    foot = np.where((t >= 3) & (t < 8), 30.0, 0.0)
    p, aged = presses(car(t, foot)), presses(car(t, foot, skew_s=0.3))
    for name in ("start", "half", "let_go", "half_back", "back"):
        plain, older = getattr(p, name), getattr(aged, name)
        assert older[:, 1].tolist() == plain[:, 1].tolist()
        assert older[:, 0] == pytest.approx(plain[:, 0] - 0.3)
    assert aged.held_s[0] == pytest.approx(p.held_s[0] - 0.3)


def test_a_release_that_was_not_seen_has_no_late_end() -> None:
    t = np.arange(0.0, 8.0)
    p = presses(car(t, np.where(t >= 3, 30.0, 0.0)))
    assert (p.ended[0], p.whole[0], p.watched_s[0]) == (False, False, 0.0)
    assert p.let_go.tolist() == [[7.0, np.inf]]
    assert p.back.tolist() == [[7.0, np.inf]]


def test_a_press_that_was_on_when_the_recording_began_is_none() -> None:
    t = np.arange(0.0, 9.0)
    assert len(presses(car(t, np.where(t < 3, 30.0, 0.0)))) == 0


def test_a_gap_within_a_press_makes_it_less_than_whole() -> None:
    t = np.arange(0.0, 30.0, 0.5)
    base = car(t, np.where(t % 10 >= 5, 25.0, 0.0))
    assert presses(base).whole.tolist() == [True, True, False]
    p = presses(with_gap(base, 16.9, 19.6))
    assert p.whole.tolist() == [True, False, False]


def test_a_press_on_the_road_or_without_the_speed_is_not_parked() -> None:
    t = np.arange(0.0, 20.0, 0.5)
    foot = np.where(t % 10 >= 5, 25.0, 0.0)
    assert presses(car(t, foot)).parked.tolist() == [True, True]
    moving = car(t, foot, kmh=30.0)
    assert not presses(moving).parked.any()
    alone = recording([moving.channels["pedal"], moving.channels["engine_speed"]])
    assert len(presses(alone)) == 2
    assert not presses(alone).parked.any()


def test_the_second_track_serves_where_the_first_is_read_too_seldom() -> None:
    slow, fast = np.arange(0.0, 20.0, 2.0), np.arange(0.0, 20.0, 0.5)
    made = recording(
        [channel("pedal_d", slow, 0 * slow + 14.0), channel("pedal_e", fast, 0 * fast + 7.0)]
    )
    found = pedal_channel(made)
    assert found is not None
    assert found.name == "pedal_e"


@pytest.mark.parametrize(
    ("values", "lack"), [([40.0] * 20, "no-rest"), ([0.0] * 20, ""), ([0.0], "too-slow-to-tell")]
)
def test_why_there_are_none(values: list[float], lack: str) -> None:
    p = presses(recording([channel("pedal", np.arange(len(values)), values)]))
    assert (len(p), p.lack) == (0, lack)
    assert p.why
    nothing = presses(recording([]))
    assert nothing.lack == "channel-missing"


@pytest.mark.parametrize("name", zoo())
def test_the_zoo_breaks_nothing(name: str) -> None:
    p = presses(zoo()[name])
    assert len(p.only(p.parked)) <= len(p)


def bracketed(p: Presses, true: dict[str, Any]) -> None:
    for name, wanted in true.items():
        bracket = getattr(p, name)
        assert np.all(bracket[:, 0] <= wanted), name
        assert np.all(bracket[:, 1] >= wanted), name


@settings(max_examples=80, deadline=None)
@given(
    st.floats(0.02, 1.3),
    st.floats(0.0, 0.9),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.5),
    st.floats(15.0, 80.0),
)
def test_the_true_times_lie_in_their_brackets(
    every_s: float, phase: float, old: float, ramp_s: float, level: float
) -> None:
    """A foot that moves evenly, ten times, read late by up to the age a reading may have."""
    skew_s = old * every_s  # no reading is older than the one before it
    rng = np.random.default_rng(round(1e6 * (every_s + phase + skew_s)))
    begin = 4.0 + 11.0 * np.arange(10) + rng.uniform(0, 1, 10)
    corners = np.concatenate([[b, b + ramp_s, b + 5.5, b + 5.5 + ramp_s] for b in begin])
    heights = np.tile([0.0, level, level, 0.0], 10)
    t = np.arange(phase, 116.0, every_s)
    v = np.interp(t - rng.uniform(0, skew_s, len(t)), corners, heights)
    p = presses(car(t, v, skew_s=skew_s))
    assert len(p) == 10
    assert p.level == pytest.approx(np.full(10, level), rel=0.3)
    flat = p.wander < 1e-9
    if every_s < 0.4 and ramp_s == 0.0:
        assert flat.all()
    # Brackets are of the level that the readings show; a slow foot's own is only nearly that.
    own = p.level / level
    bracketed(
        p,
        {
            "half": begin + ramp_s * 0.5 * own,
            "half_back": begin + 5.5 + ramp_s * (1 - 0.5 * own),
            "start": begin + ramp_s * 2.0 / level,
            "back": begin + 5.5 + ramp_s * (1 - 2.0 / level),
        },
    )


def test_a_long_noisy_recording_is_quick() -> None:
    """A million readings: no loop over them (one over 50,000 presses would show, too)."""
    rng = np.random.default_rng(5)
    t = np.arange(1_000_000) * 0.1
    v = np.where(rng.uniform(size=len(t)) < 0.1, 30.0, 0.0)
    began = time.perf_counter()
    p = presses(car(t, v))
    assert len(p) > 50_000
    assert time.perf_counter() - began < 5.0
