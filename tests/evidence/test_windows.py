"""Idle windows: what is shown, what is implied, what is left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nasty import channel, drive, kept, recording, with_gap, with_values, without
from verify.evidence import spans as sp
from verify.evidence.recording import Recording
from verify.evidence.windows import (
    FLICKER_S,
    at_rest,
    frozen,
    hold_onto,
    idle_windows,
    idling,
    released,
    seen_idle,
)

T = np.arange(0.0, 120.0, 0.5)


def car(
    rpm: Any = None, speed: Any = 0.0, pedal: Any = 0.0, coolant: Any = 90.0, **more: Any
) -> Recording:
    """A car over 120 s, read twice a second; each argument a number or an array over T."""
    engine = 700.0 + 6.0 * np.sin(T * 9.1) if rpm is None else rpm
    given_ = {"engine_speed": engine, "vehicle_speed": speed, "pedal": pedal, "coolant": coolant}
    made = [
        channel(name, T, np.broadcast_to(values, T.shape), 0.4 if "pedal" in name else None)
        for name, values in (given_ | more).items()
        if values is not None
    ]
    return recording(made)


def spans(found: Any) -> list[tuple[float, float]]:
    return [(round(a, 3), round(b, 3)) for a, b in found.spans.tolist()]


def test_a_plain_idle_is_one_window_without_its_first_and_last_moments() -> None:
    # 10 s for the flare an unseen start may have had; 1.5 s before it may roll off.
    assert spans(idle_windows(car())) == [(10.0, 118.0)]


def test_a_stop_gives_a_window_from_3_s_after_coming_to_rest() -> None:
    speed = np.where((T >= 40) & (T < 80), 0.0, 30.0)
    assert spans(idle_windows(car(speed=speed))) == [(43.0, 78.0)]


def test_a_blip_splits_the_idle_and_its_echo_is_left_out() -> None:
    pedal = np.where((T >= 60) & (T < 62), 12.0, 0.0)
    assert spans(idle_windows(car(pedal=pedal))) == [(10.0, 58.5), (65.0, 118.0)]


def test_the_flare_after_a_start_is_left_out() -> None:
    rpm = np.where(T < 30, 0.0, 700.0 + 6.0 * np.sin(T * 9.1))
    assert spans(idle_windows(car(rpm=rpm))) == [(40.0, 118.0)]


def test_the_run_down_at_key_off_is_left_out() -> None:
    rpm = np.where(T < 100, 700.0 + 6.0 * np.sin(T * 9.1), 0.0)
    assert spans(idle_windows(car(rpm=rpm))) == [(10.0, 98.5)]


def test_only_the_warm_part_counts() -> None:
    found = idle_windows(car(coolant=40.0 + T / 2))
    assert spans(found) == [(80.0, 118.0)]


def test_a_gap_breaks_a_window_and_what_follows_may_be_a_start() -> None:
    assert spans(idle_windows(with_gap(car(), 50.0, 70.0))) == [(10.0, 48.0), (80.5, 118.0)]


def test_a_declared_gap_breaks_a_window_even_where_readings_stand_close() -> None:
    base = car()
    made = recording(list(base.channels.values()), gaps=[(60.1, 60.4)])
    assert len(idle_windows(made).spans) == 2


def test_a_pause_of_one_channel_breaks_the_window_like_a_gap() -> None:
    base = car()
    speed = base.channels["vehicle_speed"]
    mask = (speed.time_s < 50.0) | (speed.time_s > 58.0)
    part = channel("vehicle_speed", speed.time_s[mask], speed.values[mask])
    made = recording([*without(base, "vehicle_speed").channels.values(), part])
    assert spans(idle_windows(made)) == [(10.0, 48.0), (61.5, 118.0)]


@pytest.mark.parametrize(
    ("changes", "lack", "words"),
    [
        ({"rpm": np.zeros(len(T))}, "no-idle", "running engine"),
        ({"speed": None}, "channel-missing", "vehicle speed"),
        ({"pedal": None}, "channel-missing", "pedal"),
        ({"coolant": None}, "channel-missing", "coolant"),
        ({"speed": 30.0}, "no-idle", "stands still"),
        ({"pedal": 20.0}, "no-idle", "pedal"),
        ({"coolant": 79.0}, "not-warm", "79 °C"),
        ({"coolant": 130.0}, "not-warm", "above 115"),
        ({"coolant": -40.0}, "not-warm", "-40"),
        ({"rpm": np.full(len(T), 700.0)}, "frozen", "700"),
    ],
)
def test_what_is_not_shown_is_not_met(changes: dict[str, Any], lack: str, words: str) -> None:
    found = idle_windows(car(**changes))
    assert found.lack == lack
    assert words in found.why
    assert found.settle
    assert len(found.spans) == 0


def test_oil_stands_in_for_the_coolant_and_says_so() -> None:
    found = idle_windows(car(coolant=None, oil=85.0))
    assert spans(found) == [(10.0, 118.0)]
    assert "oil" in found.implied[0]
    assert idle_windows(car(coolant=None, oil=75.0)).lack == "not-warm"


def test_a_cold_coolant_is_not_overruled_by_warm_oil() -> None:
    assert idle_windows(car(coolant=40.0, oil=95.0)).lack == "not-warm"


def pressing(rest: float = 14.0, open_: float = 60.0) -> np.ndarray:
    return np.where((T % 20 >= 5) & (T % 20 < 10), open_, rest)


def test_a_throttle_that_is_seen_to_follow_stands_in_for_the_pedal() -> None:
    throttle = pressing()
    made = car(
        rpm=700.0 + 40.0 * (throttle - 14.0) + 6.0 * np.sin(T * 9.1),
        pedal=None,
        throttle=throttle,
        map=30.0 + throttle,
    )
    foot = released(made)
    assert not foot.lack
    assert "throttle" in foot.implied
    assert len(foot.spans) == 7
    assert not idle_windows(made).lack


@pytest.mark.parametrize(
    ("throttle", "map_", "words"),
    [
        (np.full(len(T), 83.5), np.full(len(T), 100.0), "diesel"),
        (83.5 - 0.5 * pressing(), np.full(len(T), 100.0), "diesel"),
        (np.full(len(T), 14.0), np.full(len(T), 30.0), "never opens"),
        (pressing(), 40.0 + 10.0 * np.sin(T * 1.7), "nothing rises and falls"),
    ],
)
def test_a_throttle_that_is_not_seen_to_follow_implies_nothing(
    throttle: Any, map_: Any, words: str
) -> None:
    found = idle_windows(car(pedal=None, throttle=throttle, map=map_))
    assert found.lack == "channel-missing"
    assert words in found.why


def test_the_flap_of_a_diesel_is_not_asked_where_the_pedal_is_recorded() -> None:
    made = car(pedal=None, pedal_d=14.1, pedal_e=14.5, throttle=83.5)
    assert spans(idle_windows(made)) == [(10.0, 118.0)]


def test_both_tracks_of_a_pedal_must_rest() -> None:
    made = car(pedal=None, pedal_d=14.1, pedal_e=np.where(T < 60, 14.5, 20.0))
    assert spans(idle_windows(made))[-1][1] < 60.0


def test_a_foot_that_rests_on_the_pedal_is_not_released() -> None:
    """One step above rest for some seconds: a real car answered with 180 rpm more."""
    pedal = np.where((T > 50) & (T < 60), 0.4, 0.0)
    assert len(idle_windows(car(pedal=pedal)).spans) == 2


def test_a_rest_that_flickers_by_a_step_is_released() -> None:
    pedal = np.where(np.arange(len(T)) % 3 == 0, 0.4, 0.0)
    assert spans(idle_windows(car(pedal=pedal))) == [(10.0, 118.0)]


def rest_by_loop(times: list[float], values: list[float], level: float, step: float) -> list[bool]:
    """The rule of `at_rest` reading by reading, for a rest that does not flicker all the time."""
    lowest = [v <= level + 0.5 * step for v in values]
    near = [v <= level + 1.5 * step for v in values]
    if sum(near) >= 1.25 * sum(lowest):
        return near
    rest = list(lowest)
    for i in range(len(values)):
        if lowest[i] or not near[i]:
            continue
        before, after = i, i
        while before >= 0 and near[before] and not lowest[before]:
            before -= 1
        while after < len(values) and near[after] and not lowest[after]:
            after += 1
        if before < 0 or after >= len(values) or not (lowest[before] and lowest[after]):
            continue
        rest[i] = times[after] - times[before] <= FLICKER_S
    return rest


@settings(max_examples=400, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 30.0]), st.integers(1, 12)),
        max_size=40,
    ),
    st.sampled_from([0.1, 0.4, 0.8, 1.0, 2.5]),
)
def test_rest_is_what_a_plain_loop_finds(told: Any, step: float) -> None:
    """Steps of the reading and tenths of a second to the next, drawn at will."""
    times = np.cumsum([0.0, *(0.1 * tenths for _, tenths in told)])[: len(told)]
    values = np.array([14.0 + steps * step for steps, _ in told])
    own = min(max(step, 0.4), 1.0)
    wanted = rest_by_loop(times.tolist(), values.tolist(), 14.0, own)
    assert at_rest(channel("pedal_d", times, values, step), 14.0).tolist() == wanted


def test_a_last_digit_that_flickers_now_and_then_does_not_cut_the_idle() -> None:
    pedal = np.where(np.isin(np.arange(len(T)), [60, 97, 98, 150]), 0.4, 0.0)
    assert T[99] - T[96] == 1.5  # two readings in a row half a second apart: too long for a flicker
    assert spans(idle_windows(car(pedal=pedal))) == [(10.0, 47.0), (52.5, 118.0)]


@pytest.mark.parametrize("steps", [[2], [1, 2, 1], [5]])
def test_more_than_one_step_is_never_rest_however_brief(steps: list[int]) -> None:
    fine = np.arange(0.0, 60.0, 0.1)
    pedal = np.zeros(len(fine))
    pedal[300 : 300 + len(steps)] = 0.4 * np.array(steps)
    rest = at_rest(channel("pedal", fine, pedal, 0.4), 0.0)
    assert np.flatnonzero(~rest).tolist() == list(range(300, 300 + len(steps)))


def test_a_foot_that_creeps_on_is_never_rest() -> None:
    """One step up, and after half a second the next: rest ends with the first of them."""
    fine = np.arange(0.0, 60.0, 0.1)
    pedal = 0.4 * np.clip(np.floor((fine - 30.0) / 0.5) + 1.0, 0.0, 8.0)
    rest = at_rest(channel("pedal", fine, pedal, 0.4), 0.0)
    assert rest.tolist() == (pedal == 0.0).tolist()


def test_a_step_with_which_the_recording_begins_or_ends_is_not_rest() -> None:
    fine = np.arange(0.0, 60.0, 0.1)
    pedal = np.where((fine < 0.25) | (fine > 59.65), 0.4, 0.0)
    rest = at_rest(channel("pedal", fine, pedal, 0.4), 0.0)
    assert rest.tolist() == (pedal == 0.0).tolist()


def test_a_gap_in_a_flicker_still_breaks_the_idle() -> None:
    pedal = np.where(np.arange(len(T)) == 100, 0.4, 0.0)
    base = car(pedal=pedal)
    made = recording(list(base.channels.values()), gaps=[(50.1, 50.4)])
    assert len(idle_windows(base).spans) == 1
    assert len(idle_windows(made).spans) == 2


def test_a_pedal_seen_at_two_places_only_is_not_at_rest_at_both() -> None:
    """Its numbers show no smaller step than the whole press."""
    base = car(pedal=np.where((T > 50) & (T < 60), 20.0, 0.0))
    two = channel("pedal", T, base.channels["pedal"].values, 20.0)
    made = recording([*without(base, "pedal").channels.values(), two])
    assert len(idle_windows(made).spans) == 2


def test_readings_too_far_apart_say_nothing_of_the_time_between() -> None:
    slow = kept(car(), lambda t: t % 20.0 < 0.4)
    assert idle_windows(slow).lack == "too-slow-to-tell"


def test_a_frozen_stretch_is_cut_out() -> None:
    rpm = 700.0 + 6.0 * np.sin(T * 9.1)
    rpm[100:140] = 700.0
    found = idle_windows(car(rpm=rpm))
    assert spans(found) == [(10.0, 49.0), (79.5, 118.0)]


def test_equal_readings_of_a_coarse_channel_are_not_frozen() -> None:
    assert len(frozen(channel("engine_speed", T, np.full(len(T), 700.0), 20.0))) == 0
    assert len(frozen(channel("engine_speed", T, np.full(len(T), 700.0), 1.0))) == 1
    assert len(frozen(channel("engine_speed", T, np.zeros(len(T)), 1.0))) == 0


def test_exposure_is_not_trimmed_and_may_be_cold() -> None:
    assert spans(idling(car(coolant=None))) == [(0.0, 119.5)]


def test_what_is_seen_of_an_idle_is_told_even_without_coolant_and_pedal() -> None:
    found, shown = seen_idle(car(pedal=None, coolant=None))
    assert found.tolist() == [[10.0, 118.0]]
    assert shown == ("standing",)
    assert len(seen_idle(car(speed=None))[0]) == 0


def test_one_stray_reading_is_no_standstill() -> None:
    speed = np.full(len(T), 50.0)
    speed[::20] = 0.0
    assert idle_windows(car(speed=speed)).lack == "no-idle"


@settings(deadline=None)
@given(st.integers(0, 200), st.integers(10, 100))
def test_a_gap_never_adds_idle(start: int, length: int) -> None:
    base = drive()
    cut = with_gap(base, float(start), float(start + length))
    assert idle_windows(cut).seconds <= idle_windows(base).seconds + 1e-9


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 9)), max_size=8),
       st.lists(st.tuples(st.integers(0, 50), st.integers(1, 9)), max_size=8))  # fmt: skip
def test_intersection_is_what_both_hold(a: Any, b: Any) -> None:
    """Against plain sets of hundredths."""

    def build(raw: Any) -> tuple[Any, set[int]]:
        held: set[int] = set()
        for start, length in raw:
            held |= set(range(start * 10, (start + length) * 10))
        cells = sorted(held)
        made = []
        for cell in cells:
            if made and made[-1][1] == cell:
                made[-1][1] = cell + 1
            else:
                made.append([cell, cell + 1])
        return np.array(made, dtype=float).reshape(-1, 2), held

    first, one = build(a)
    second, two = build(b)
    both = sp.intersect(first, second)
    got = {c for s, e in both.tolist() for c in range(round(s), round(e))}
    assert got == one & two
    rest = sp.without(first, second)
    left = {c for s, e in rest.tolist() for c in range(round(s), round(e))}
    assert left == one - two


def test_nothing_before_the_first_reading_or_after_the_last_is_claimed() -> None:
    holds = np.array([True, True, True])
    found = sp.true_spans(np.array([1.0, 2.0, 3.0]), holds, 1.5, [])
    assert found.tolist() == [[1.0, 3.0]]
    assert sp.true_spans(np.array([1.0]), holds[:1], 1.5, []).tolist() == []


def test_values_held_are_never_older_than_allowed() -> None:
    speed = with_values(car(), "vehicle_speed", lambda v: v).channels["vehicle_speed"]
    at = hold_onto(speed, np.array([-1.0, 0.0, 119.6, 125.0]), 1.0)
    assert np.isnan(at).tolist() == [True, False, False, True]
    nothing = channel("vehicle_speed", [], [])
    assert np.isnan(hold_onto(nothing, np.array([1.0]), 1.0)).all()
