"""Presses without an answer: an event wherever the rate shows one, a pass only where it would."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.evidence.parked_car import Car, climbs, play
from tests.nasty import changed, channel, recording, with_gap, with_values, without, zoo
from verify.evidence.checks.no_response import NO_RESPONSE
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict


def judged(*recordings: Recording) -> CheckResult:
    result = NO_RESPONSE.run(NO_RESPONSE, recordings, {}, Rule())
    result.to_json()
    return result


def of(car: Car, every_s: float = 0.1, seed: int = 1, **more: Any) -> CheckResult:
    return judged(play(car, every_s, seed, **more)[0])


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2, 0.3, 0.5])
def test_ten_answered_presses_pass(every_s: float) -> None:
    result = of(Car(), every_s)
    assert (result.verdict, result.finding, result.value) == (Verdict.PASS, "none-seen", 0.0)


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2, 0.5, 1.0])
def test_one_press_without_any_answer_fails_at_every_rate(every_s: float) -> None:
    result = of(Car(dead_s=[0.05] * 6 + [9.0] + [0.05] * 3), every_s)
    assert result.finding == "no-answer"
    assert result.value == 1.0
    (event,) = result.details["events"]
    assert event["waited_s"] > 2.5


def test_an_answer_after_a_second_is_an_event_where_the_rate_shows_it() -> None:
    late = Car(dead_s=[0.05] * 6 + [1.1] + [0.05] * 3)
    assert of(late, 0.1).finding == "no-answer"
    for every_s in (0.2, 0.3, 0.5, 1.0):
        for seed in range(8):
            assert of(late, every_s, seed).verdict is not Verdict.PASS


def test_all_presses_a_little_late_fail_together_at_slow_rates() -> None:
    found = [of(Car(dead_s=1.2), 0.5, seed).finding for seed in range(10)]
    assert found == ["no-answer"] * 10


def test_it_is_never_wrong_at_any_rate() -> None:
    """160 cars with one press, or all, late by any time up to 1.4 s."""
    rng = np.random.default_rng(9)
    for seed in range(160):
        late = float(rng.uniform(0.03, 1.4))
        dead = [late] * 10 if seed % 2 else [0.05] * 9 + [late]
        made, _ = play(Car(dead_s=dead), float(rng.choice([0.1, 0.3, 0.5, 1.0])), seed)
        # The plate leaves its rest by a fifth a quarter of its lag after the dead time.
        verdict = judged(made).verdict
        if late > 0.72:
            assert verdict is not Verdict.PASS, (late, seed)
        elif late < 0.63:
            assert verdict is not Verdict.FAIL, (late, seed)


def test_at_one_reading_a_second_no_dead_time_of_that_length_shows() -> None:
    assert of(Car(), 1.0).finding == "too-slow-to-tell"


@pytest.mark.parametrize("n", [10, 12, 20])
def test_the_exposure_is_the_second_result(n: int) -> None:
    """Zero in n: Clopper–Pearson's one-sided bound, by scipy."""
    result = of(Car(presses=n), 0.1)
    wanted = stats.beta.ppf(0.95, 1, n)
    assert result.details["exposure"]["no_answer_share_below"] == pytest.approx(wanted, rel=1e-9)
    assert result.details["exposure"]["presses"] == n
    assert any(f"{100 * wanted:.0f} of 100" in note for note in result.notes)


def test_nine_presses_are_too_few_and_two_recordings_count_together() -> None:
    nine = play(Car(presses=9), 0.1)[0]
    assert judged(nine).finding == "too-few-presses"
    assert judged(nine, play(Car(presses=3), 0.1, 7)[0]).finding == "none-seen"


def test_a_missed_press_of_one_recording_is_not_outvoted_by_another() -> None:
    bad = play(Car(presses=4, dead_s=[0.05, 0.05, 9.0, 0.05]), 0.2)[0]
    assert judged(play(Car(presses=20), 0.2, 5)[0], bad).finding == "no-answer"


def test_an_engine_that_answers_without_the_plate_is_unclear_and_no_pass() -> None:
    """Three presses in which the plate reads still and the engine revs up all the same."""
    whole, _ = play(Car(), 0.1)
    made, _ = play(Car(dead_s=[0.05] * 7 + [9.0] * 3), 0.1)
    mixed = replace(
        made, channels={**made.channels, "engine_speed": whole.channels["engine_speed"]}
    )
    assert judged(mixed).finding == "answer-unclear"


def test_a_plate_that_never_moves_is_told_from_a_control_without_one() -> None:
    still = Car(dead_s=[9.0] * 10)
    assert of(still).finding == "not-following"
    assert of(replace(still, map_kpa=35.0)).finding == "no-answer"
    assert of(replace(still, map_kpa=97.0)).finding == "not-following"
    assert of(Car(flap=True)).finding == "not-following"


def test_old_readings_count_against_a_pass() -> None:
    assert of(Car(), 0.5, skew=True).finding == "too-slow-to-tell"
    assert of(Car(), 0.1, skew=True).finding == "none-seen"


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2])
def test_stairs_are_no_missed_press_and_no_answered_one(every_s: float) -> None:
    for seed, bend in enumerate((0.6, 1.0, 1.8)):
        stairs = climbs(every_s, bend, seed)
        assert judged(stairs).verdict is Verdict.UNDECIDED
        both = judged(play(Car(), every_s)[0], stairs)
        assert (both.finding, both.details["exposure"]["presses"]) == ("none-seen", 10)
        stuck = climbs(every_s, bend, seed, stuck=True)
        assert judged(play(Car(), every_s)[0], stuck).finding == "no-answer"


# ---- what must not matter, and bad input ----

BASE = play(Car(), 0.1)[0]


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 100.0), st.floats(0.8, 12.0))
def test_a_gap_in_a_press_is_never_counted_as_a_clean_one(start: float, length: float) -> None:
    """Ten presses are needed and ten are there: a gap that touches one takes the pass away."""
    cut = with_gap(BASE, start, start + length)
    foot = BASE.channels["pedal"]
    pressed = foot.time_s[foot.values > 5.0]
    if np.any((pressed > start) & (pressed < start + length)):
        assert judged(cut).verdict is not Verdict.PASS


@pytest.mark.parametrize("missing", ["pedal", "throttle", "engine_speed", "vehicle_speed"])
def test_without_a_required_channel_nothing_passes(missing: str) -> None:
    assert judged(BASE).verdict is Verdict.PASS
    assert judged(without(BASE, missing)).finding == "channel-missing"


def test_the_order_of_channels_and_the_start_of_the_clock_change_nothing() -> None:
    turned = replace(BASE, channels=dict(reversed(list(BASE.channels.items()))))
    assert judged(turned).to_json() == judged(BASE).to_json()
    for shift in (-3.7, 1000.0, 86_400.5):
        moved = changed(
            BASE,
            lambda c: channel(c.name, c.time_s + shift, c.values, c.resolution),  # noqa: B023
        )
        assert judged(moved).finding == "none-seen"


@pytest.mark.parametrize("name", zoo())
def test_the_zoo_earns_nothing(name: str) -> None:
    assert judged(zoo()[name]).verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("value", [0.0, 12.0, 30.0, 100.0, 1e300, -5.0])
@pytest.mark.parametrize("name", ["pedal", "throttle"])
def test_a_constant_passes_nothing(name: str, value: float) -> None:
    assert (
        judged(with_values(BASE, name, lambda v: np.full(len(v), value))).verdict
        is not Verdict.PASS
    )


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_random_recordings_break_nothing(data: Any) -> None:
    numbers = st.floats(0.0, 100.0) | st.sampled_from([0.0, 30.0, 12.0, 1e308, -1e308])
    made = []
    for name in ("pedal", "throttle", "engine_speed", "vehicle_speed", "map"):
        steps = data.draw(st.lists(st.floats(1e-3, 3.0), min_size=2, max_size=40))
        drawn = np.array(data.draw(st.lists(numbers, min_size=len(steps), max_size=len(steps))))
        if name == "vehicle_speed":
            drawn = 0.0 * np.clip(drawn, 0.0, 1.0)
        if name == "engine_speed":
            drawn = 800.0 + np.clip(drawn, 0.0, 100.0) % 7.0
        made.append(channel(name, np.cumsum(steps), drawn, data.draw(st.sampled_from([0.0, 0.4]))))
    judged(recording(made))


def test_the_result_is_pinned_at_version_3() -> None:
    t = np.arange(0.0, 112.0, 0.25)
    begin = 5.0 + 10.37 * np.arange(10.0)
    pressed = ((t[:, None] >= begin) & (t[:, None] < begin + 5.0)).any(axis=1)
    made = recording(
        [
            channel("pedal", t, np.where(pressed, 30.0, 0.0), 0.4),
            channel("throttle", t + 0.1, np.where(pressed, 24.0, 12.0), 0.4),
            channel("engine_speed", t + 0.05, 750.0 + np.round(6.0 * np.sin(t)) + 900.0 * pressed),
            channel("vehicle_speed", t + 0.15, 0.0 * t),
        ]
    )
    result = judged(made)
    assert NO_RESPONSE.version == 4
    assert (result.finding, result.value) == ("none-seen", 0.0)
    assert result.details["exposure"]["presses"] == 10
    assert result.details["exposure"]["no_answer_share_below"] == pytest.approx(0.258865, rel=1e-5)


def test_every_undecided_finding_says_what_settles_it() -> None:
    for finding, verdict in NO_RESPONSE.findings.items():
        if verdict is Verdict.UNDECIDED and finding not in ("not-following", "channel-missing"):
            assert NO_RESPONSE.settles[finding]


def test_a_flicker_of_one_step_is_no_answer() -> None:
    """The plate stands still for a whole press, but its reading does not quite."""
    for every_s in (0.05, 0.1, 0.2):
        flickering = Car(noise=0.25, dead_s=[0.05] * 6 + [9.0] + [0.05] * 3)
        for seed in range(4):
            assert of(flickering, every_s, seed).finding == "no-answer"
