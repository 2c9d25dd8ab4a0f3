"""How soon the throttle comes back: the slowest release, the law's lines, and hanging revs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.parked_car import Car, climbs, play
from tests.nasty import (
    Array,
    changed,
    channel,
    kept,
    recording,
    spec,
    with_gap,
    with_values,
    without,
    zoo,
)
from verify.evidence.checks.throttle_return import THROTTLE_RETURN, fail_line_s
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict

LIGHT = {"gross_mass": spec("1900 kg")}
HEAVY = {"gross_mass": spec("7500 kg")}


def judged(*recordings: Recording, specs: Any = LIGHT) -> CheckResult:
    result = THROTTLE_RETURN.run(THROTTLE_RETURN, recordings, specs, Rule())
    result.to_json()
    return result


def of(
    car: Car, every_s: float = 0.1, seed: int = 1, specs: Any = LIGHT, **more: Any
) -> CheckResult:
    return judged(play(car, every_s, seed, **more)[0], specs=specs)


@pytest.mark.parametrize(
    ("mass_kg", "coldest_c", "early_s", "certain_s"),
    [
        (4536.0, 20.0, 1.0, 1.0),
        (4537.0, 20.0, 2.0, 2.0),
        (1500.0, -17.0, 1.0, 1.0),
        (9000.0, -17.0, 2.0, 2.0),
        (1500.0, -18.0, 3.0, 3.0),
        (9000.0, -40.0, 3.0, 3.0),
        (None, 20.0, 1.0, 2.0),
        (None, None, 1.0, 2.0),
        (None, -18.0, 3.0, 3.0),
        (4536.0, None, 1.0, 1.0),
    ],
)
def test_the_laws_line_at_its_edges(
    mass_kg: float | None, coldest_c: float | None, early_s: float, certain_s: float
) -> None:
    """49 CFR 571.124 S5.3, from memory; its own edges of mass and temperature."""
    line = fail_line_s(mass_kg, coldest_c)
    assert (line.early_s, line.certain_s) == (early_s, certain_s)


@pytest.mark.parametrize("every_s", [0.02, 0.1, 0.2])
@pytest.mark.parametrize(
    ("back_s", "finding"),
    [(0.1, "prompt"), (0.75, "legal-not-healthy"), (1.4, "too-slow"), (1e4, "stuck-open")],
)
def test_each_verdict(every_s: float, back_s: float, finding: str) -> None:
    assert of(Car(back_s=back_s), every_s).finding == finding


def test_the_slowest_release_counts() -> None:
    """One of ten sticks: it is not averaged away at any rate."""
    for every_s in (0.05, 0.1, 0.2, 0.3, 0.5, 1.0):
        for seed in range(8):
            one = [0.1] * 4 + [1.3] + [0.1] * 5
            assert of(Car(back_s=one), every_s, seed).verdict is not Verdict.PASS
    assert of(Car(back_s=[0.1] * 4 + [1.5] + [0.1] * 5), 0.2).finding == "too-slow"


def test_it_is_never_wrong_at_any_rate() -> None:
    """160 cars, all releases alike or one of them slow: no pass over the line, no fail under it."""
    rng = np.random.default_rng(8)
    for seed in range(160):
        slow = float(rng.uniform(0.05, 2.0))
        back = [slow] * 10 if seed % 2 else [0.1] * 9 + [slow]
        made, truth = play(Car(back_s=back), float(rng.choice([0.1, 0.3, 0.5, 1.0])), seed)
        verdict = judged(made).verdict
        if truth.back_s.max() > 1.0:
            assert verdict is not Verdict.PASS, (slow, seed)
        else:
            assert verdict is not Verdict.FAIL, (slow, seed)


def test_ten_releases_at_two_readings_a_second() -> None:
    found = [of(Car(back_s=0.05), 0.5, seed).finding for seed in range(10)]
    assert found.count("prompt") >= 8
    slow = [of(Car(back_s=1.6), 0.5, seed).finding for seed in range(10)]
    assert slow.count("too-slow") >= 9


def test_at_one_reading_a_second_a_slow_one_fails_and_a_quick_one_is_not_passed() -> None:
    assert of(Car(back_s=0.1), 1.0).finding == "too-slow-to-tell"
    assert of(Car(back_s=2.0), 1.0).finding == "too-slow"
    assert of(Car(back_s=1e4), 1.0).finding == "stuck-open"


def test_a_mass_that_is_not_known() -> None:
    assert of(Car(back_s=1.4), specs={}).finding == "mass-unknown"
    assert of(Car(back_s=1.4), specs=HEAVY).finding == "legal-not-healthy"
    assert of(Car(back_s=2.4), specs={}).finding == "too-slow"
    assert of(Car(back_s=2.4), specs=HEAVY).finding == "too-slow"
    assert of(Car(back_s=0.1), specs={}).finding == "prompt"


def test_a_mass_that_cannot_be() -> None:
    for text in ("0 kg", "1.9 kg", "1900000 kg"):
        assert of(Car(), specs={"gross_mass": spec(text)}).finding == "spec-implausible"


def test_cold_air_gives_three_seconds_at_any_mass() -> None:
    cold = Car(back_s=2.4, extra=(("ambient", -18.0),))
    assert of(cold).finding == "legal-not-healthy"
    assert of(replace(cold, extra=(("ambient", -17.0),))).finding == "too-slow"
    assert of(replace(cold, back_s=3.6)).finding == "too-slow"


@pytest.mark.parametrize("every_s", [0.1, 0.5])
def test_revs_that_hang_do_not_pass(every_s: float) -> None:
    """The plate is shut at once, and the engine stays up: no number of the plate shows it."""
    hang = Car(back_s=0.05, hang_s=4.0, apart_s=8.0)
    assert of(replace(hang, hang_s=0.4), every_s).finding == "prompt"
    assert of(hang, every_s).finding == "revs-hang"
    stay = replace(hang, hang_s=7.0, apart_s=10.0)
    assert of(stay, every_s).finding == "revs-hang"  # nothing shows a warm engine
    assert of(replace(stay, extra=(("coolant", 90.0),)), every_s).finding == "revs-stay-up"
    assert of(replace(stay, extra=(("coolant", 20.0),)), every_s).finding == "revs-hang"


def test_few_releases_are_too_few() -> None:
    assert of(Car(presses=5)).finding == "too-few-presses"
    assert of(Car(presses=6)).finding == "prompt"
    # A slow one fails all the same.
    assert of(Car(presses=2, back_s=1.5)).finding == "too-slow"


def test_a_plate_that_hardly_moves_is_not_judged() -> None:
    assert of(Car(travel=4.0)).finding == "too-few-presses"


def test_a_flap_is_not_judged() -> None:
    assert of(Car(flap=True)).finding == "not-following"


def test_a_fast_foot_and_a_slow_one_give_the_same() -> None:
    for foot_s in (0.02, 0.3, 0.9):
        assert of(Car(foot_s=foot_s)).finding == "prompt"


def test_old_readings_widen_what_is_said() -> None:
    fresh, aged = of(Car(), 0.1), of(Car(), 0.1, skew=True)
    assert aged.details["slowest_s"]["at_most"] > fresh.details["slowest_s"]["at_most"]
    assert of(Car(back_s=0.4), 0.3, skew=True).verdict is Verdict.UNDECIDED


# ---- what must not matter, and bad input ----

BASE = play(Car(), 0.1)[0]


def test_a_gap_in_a_release_takes_it_out() -> None:
    start = float(BASE.channels["pedal"].time_s[-1])
    assert start > 100.0
    whole = judged(BASE)
    foot = BASE.channels["pedal"]
    lets_go = foot.time_s[np.flatnonzero(np.diff((foot.values > 5.0).astype(int)) == -1)]
    cut = with_gap(BASE, float(lets_go[3]) - 0.05, float(lets_go[3]) + 2.5)
    assert judged(cut).details["releases"] == whole.details["releases"] - 1


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 100.0), st.floats(0.5, 8.0))
def test_a_gap_never_makes_a_slow_return_pass(start: float, length: float) -> None:
    slow = SLOW
    assert judged(with_gap(slow, start, start + length)).verdict is not Verdict.PASS


SLOW = play(Car(back_s=1.3), 0.3)[0]


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
        assert judged(moved).finding == "prompt"


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
    for name in ("pedal", "throttle", "engine_speed", "vehicle_speed"):
        steps = data.draw(st.lists(st.floats(1e-3, 3.0), min_size=2, max_size=40))
        drawn = data.draw(st.lists(numbers, min_size=len(steps), max_size=len(steps)))
        values: Array = np.array(drawn)
        if name == "vehicle_speed":
            values = 0.0 * np.clip(values, 0, 1)
        if name == "engine_speed":
            values = 800.0 + np.clip(values, 0.0, 100.0) % 7.0
        made.append(channel(name, np.cumsum(steps), values, data.draw(st.sampled_from([0.0, 0.4]))))
    judged(recording(made))


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2])
def test_a_release_over_stairs_tells_against_a_plate_and_never_for_it(every_s: float) -> None:
    """The way left at the last stair may be less than a fifth of the whole."""
    ten = play(Car(), every_s)[0]
    for seed, bend in enumerate((0.6, 1.0, 2.5)):
        stairs = climbs(every_s, bend, seed)
        assert judged(stairs).finding == "too-few-presses"
        both = judged(ten, stairs)
        assert (both.finding, both.details["releases"]) == ("prompt", 10)
    # From the third climb on the plate stays where three quarters put it.
    hung = with_values(stairs, "throttle", lambda v: np.where(np.arange(len(v)) < 0.75 * len(v), v,
                                                              np.maximum(v, 40.0)))  # fmt: skip
    assert judged(ten, hung).verdict is Verdict.FAIL


def test_the_result_is_pinned_at_version_4() -> None:
    t = np.arange(0.0, 112.0, 0.25)
    begin = 5.0 + 10.37 * np.arange(10.0)

    def shown(at: Array) -> Array:
        result: Array = ((at[:, None] >= begin) & (at[:, None] < begin + 5.0)).any(axis=1)
        return result

    pressed, late = shown(t), shown(t + 0.1 - 0.13)
    made = recording(
        [
            channel("pedal", t, np.where(pressed, 30.0, 0.0), 0.4),
            channel("throttle", t + 0.1, np.where(late, 24.0, 12.0), 0.4),
            channel("engine_speed", t + 0.05, 750.0 + np.round(6.0 * np.sin(t)) + 900.0 * pressed),
            channel("vehicle_speed", t + 0.15, 0.0 * t),
        ]
    )
    result = judged(made)
    assert THROTTLE_RETURN.version == 5
    assert (result.verdict, result.finding) == (Verdict.PASS, "prompt")
    assert result.details["slowest_s"]["at_most"] == pytest.approx(0.6, rel=1e-9)
    assert result.probability == pytest.approx(PINNED_PROBABILITY, rel=1e-6)


PINNED_PROBABILITY = 0.995724586869821


def test_every_undecided_finding_says_what_settles_it() -> None:
    for finding, verdict in THROTTLE_RETURN.findings.items():
        if verdict is Verdict.UNDECIDED and finding not in ("not-following", "channel-missing"):
            assert THROTTLE_RETURN.settles[finding]


def test_a_plate_not_read_after_one_release_of_ten_is_no_pass() -> None:
    """What came of that release nobody saw: the plate may have hung."""
    whole = play(Car(), 0.1, 1)[0]
    plate = whole.channels["throttle"]
    foot = whole.channels["pedal"]
    let_go = foot.time_s[1:][(foot.values[1:] < 5) & (foot.values[:-1] >= 5)][4]
    lost = (plate.time_s > let_go - 0.3) & (plate.time_s < let_go + 3.0)
    blind = replace(plate, time_s=plate.time_s[~lost], values=plate.values[~lost])
    holed = changed(whole, lambda c: blind if c.name == "throttle" else c)
    assert judged(whole).finding == "prompt"
    result = judged(holed)
    assert (result.finding, result.details["hidden"]) == ("release-hidden", 1)
    # A recording that just ends with the last release hides nothing.
    short = kept(whole, lambda t: t < let_go + 0.2)
    assert judged(short).details["hidden"] == 0


@pytest.mark.parametrize(("before_s", "after_s"), [(0.05, 1.85), (0.05, 3.0), (2.0, 3.0)])
def test_a_gap_in_everything_over_one_release_is_no_pass(before_s: float, after_s: float) -> None:
    """With vehicle and engine speed lost too, the press is not shown to be parked; it was one all
    the same, and ten sound ones beside it do not say that its plate came back."""
    made = play(Car(presses=12, back_s=[0.15] * 4 + [1.5] + [0.15] * 7), 0.1, 1)[0]
    foot = made.channels["pedal"]
    let_go = foot.time_s[1:][(foot.values[1:] < 5) & (foot.values[:-1] >= 5)][4]
    gap = (let_go - before_s, let_go + after_s)
    holed = with_gap(made, *gap) if after_s > 2.0 else kept(
        made, lambda t: (t < gap[0]) | (t > gap[1])
    )  # fmt: skip
    result = judged(holed)
    assert (result.finding, result.details["hidden"]) == ("release-hidden", 1)
    assert result.details["releases"] == 11


def test_a_gap_before_a_press_hides_no_release() -> None:
    made = play(Car(presses=12), 0.1, 1)[0]
    foot = made.channels["pedal"]
    pressed = foot.time_s[1:][(foot.values[1:] >= 5) & (foot.values[:-1] < 5)][4]
    result = judged(with_gap(made, pressed - 2.5, pressed + 2.0))
    assert (result.finding, result.details["hidden"]) == ("prompt", 0)
