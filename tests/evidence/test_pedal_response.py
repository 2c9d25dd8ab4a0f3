"""The delay of the throttle behind the pedal: verdicts on known truth, and honest intervals."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from tests.evidence.parked_car import Car, climbs, play
from tests.nasty import Array, changed, channel, recording, with_gap, with_values, without, zoo
from verify.evidence.checks.overshoot import at_most, seen_s
from verify.evidence.checks.overshoot import overshoot as shot
from verify.evidence.checks.parked_presses import gather
from verify.evidence.checks.pedal_response import PEDAL_RESPONSE, timed
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict


def judged(*recordings: Recording) -> CheckResult:
    result = PEDAL_RESPONSE.run(PEDAL_RESPONSE, recordings, {}, Rule())
    result.to_json()
    return result


def of(car: Car, every_s: float = 0.1, seed: int = 1, **more: Any) -> CheckResult:
    return judged(play(car, every_s, seed, **more)[0])


# ---- verdicts ----


@pytest.mark.parametrize(("every_s", "presses"), [(0.02, 10), (0.1, 10), (0.2, 10), (0.5, 16)])
def test_a_healthy_throttle_passes_and_a_slow_one_fails(every_s: float, presses: int) -> None:
    good, truth = play(Car(dead_s=0.03, presses=presses), every_s)
    result = judged(good)
    assert result.finding == "prompt"
    assert result.value == pytest.approx(
        float(np.median(truth.delay_s)), abs=3 * result.uncertainty
    )  # type: ignore[operator]
    assert of(Car(dead_s=0.55), every_s).finding in ("slow", "one-press-slow")


def test_verdicts_over_rates_against_the_truth() -> None:
    """No wrong verdict in 160 cars whose delay is not within 10 % of the limit."""
    rng = np.random.default_rng(6)
    for seed in range(160):
        car = Car(dead_s=float(rng.uniform(0.0, 0.6)), foot_s=float(rng.uniform(0.05, 0.3)))
        made, truth = play(car, float(rng.choice([0.1, 0.3, 0.5, 1.0])), seed)
        median = float(np.median(truth.delay_s))
        verdict = judged(made).verdict
        if median > 0.33:
            assert verdict is not Verdict.PASS, (car, median)
        elif median < 0.27:
            assert verdict is not Verdict.FAIL, (car, median)


def test_a_single_press_that_is_far_too_slow_fails() -> None:
    result = of(Car(dead_s=[0.05] * 9 + [1.0]))
    assert result.finding == "one-press-slow"
    assert of(Car(dead_s=[0.05] * 9 + [0.55])).finding == "uneven"
    # At two readings a second a whole second shows, too, as a press not answered for 5 s does.
    assert of(Car(dead_s=[0.05] * 9 + [9.0]), 0.5).finding == "one-press-slow"


def test_few_presses_are_too_few_unless_each_is_known_by_itself() -> None:
    assert of(Car(presses=5), 0.5).finding == "too-few-presses"
    assert of(Car(presses=3), 0.02).finding == "prompt"
    assert of(Car(presses=2), 0.02).finding == "too-few-presses"


def test_recordings_of_one_step_count_together() -> None:
    halves = [play(Car(presses=5), 0.2, seed)[0] for seed in (1, 2)]
    assert judged(halves[0]).finding == "too-few-presses"
    assert judged(*halves).finding == "prompt"


def test_overshoot_where_the_rate_shows_it() -> None:
    assert of(Car(overshoot=0.25), 0.02).finding == "overshoots"
    low = of(Car(overshoot=0.04), 0.02)
    assert low.finding == "prompt"
    assert low.to_json()["overshoot_pct"] < 8.0


def test_a_pass_needs_presses_enough_for_an_overshoot_to_have_been_seen() -> None:
    """Two readings a second show the upper 0.6 of half a sine of 0.2 s, 0.148 s, with the chance
    0.148 : 0.5 at each press."""
    few = of(Car(dead_s=0.03, presses=7), 0.5)
    assert (few.verdict, few.finding) == (Verdict.UNDECIDED, "overshoot-not-shown")
    assert few.details["overshoot_unseen"] == pytest.approx((1.0 - 0.148 / 0.52) ** 7, rel=0.2)
    more = re.search(r"(\d+) more presses", few.why)
    assert more is not None
    # Evidence adds up, and what is asked for is enough.
    halves = [play(Car(dead_s=0.03, presses=n), 0.5, n)[0] for n in (7, int(more[1]))]
    assert judged(*halves).finding == "prompt"
    assert any("overshoot is not measured" in note for note in judged(*halves).notes)


@pytest.mark.parametrize(("every_s", "presses"), [(0.1, 10), (0.2, 10), (0.5, 11), (1.0, 20)])
def test_an_overshoot_passes_at_no_rate(every_s: float, presses: int) -> None:
    """Humps of 0.18 s, 1.3 to 3 times the limit; with as many presses as the rate asks for."""
    shares = np.random.default_rng(5).uniform(0.13, 0.3, 40)
    found = [
        of(Car(dead_s=0.03, overshoot=float(share), presses=presses), every_s, seed)
        for seed, share in enumerate(shares)
    ]
    assert sum(r.verdict is Verdict.PASS for r in found) <= 2


def test_what_counts_as_high_follows_from_rate_and_presses_alone() -> None:
    """From 7 % of the step on where readings are close, from 4 % where they would else not do."""
    assert [seen_s(h) for h in (0.0, 0.7, 0.4)] == pytest.approx([0.2, 0.1013, 0.1476], abs=1e-4)
    for every_s, presses, share in ((0.1, 10, 0.7), (0.5, 20, 0.7), (0.5, 10, 0.4), (1.0, 6, 0.4)):
        for overshoot in (0.0, 0.2):
            made, _ = play(Car(dead_s=0.03, overshoot=overshoot, presses=presses), every_s, 3)
            pieces = gather([made]).pieces
            assert shot(pieces, [timed(p) for p in pieces], 0.05).share == share


@settings(deadline=None)
@given(st.integers(0, 30), st.integers(0, 30), st.floats(0.01, 1.0))
def test_the_chance_of_so_few_high_readings_is_binomial(n: int, high: int, chance: float) -> None:
    """Outside value: scipy.stats.binom."""
    stats = pytest.importorskip("scipy.stats")
    assert at_most(high, np.full(n, chance)) == pytest.approx(
        float(stats.binom.cdf(high, n, chance)), abs=1e-9
    )


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2, 0.5, 1.0])
def test_a_climb_over_stairs_is_no_press_to_time(every_s: float) -> None:
    """With a bent map pedal and plate cross their halves at different stairs."""
    for seed, bend in enumerate((0.6, 0.75, 1.0, 1.35, 1.8)):
        result = judged(climbs(every_s, bend, seed))
        assert result.finding == "too-few-presses"
        base = play(Car(presses=16), every_s, seed)[0]
        assert judged(base, climbs(every_s, bend, seed)).finding == judged(base).finding


def test_a_plate_that_never_moves_over_stairs_is_still_seen() -> None:
    moving = play(Car(), 0.2)[0]
    assert judged(moving, climbs(0.2, 1.0, 1, stuck=True)).finding == "one-press-slow"


def test_an_overshoot_seen_once_at_a_slow_rate_holds_back_the_pass() -> None:
    found = [of(Car(dead_s=0.03, overshoot=0.35), 0.2, seed) for seed in range(10)]
    assert all(r.verdict is not Verdict.PASS for r in found)
    assert {r.finding for r in found} <= {"overshoots", "overshoot-unclear", "near-limit"}
    calm = [of(Car(dead_s=0.03, overshoot=0.05), 0.2, seed) for seed in range(10)]
    assert all(r.finding == "prompt" for r in calm)


def test_an_overshoot_that_was_commanded_is_none() -> None:
    made, _ = play(Car(overshoot=0.25), 0.02)
    wanted = made.channels["throttle"]
    both = replace(
        made,
        channels={
            **made.channels,
            "throttle_commanded": replace(wanted, name="throttle_commanded"),
        },
    )
    assert judged(both).finding == "prompt"


def test_a_flap_that_rests_open_is_not_judged() -> None:
    result = of(Car(flap=True))
    assert (result.verdict, result.finding) == (Verdict.UNDECIDED, "not-following")
    assert "diesel" in result.settle


def test_a_plate_that_never_moves_is_told_from_a_control_without_one() -> None:
    still = Car(dead_s=[9.0] * 10)
    assert of(still).finding == "not-following"
    assert of(replace(still, map_kpa=35.0)).finding == "no-answer"
    # The engine answers, so something else than this reading steers it.
    made, _ = play(replace(still, map_kpa=35.0), 0.1)
    alive, _ = play(Car(map_kpa=35.0), 0.1)
    mixed = replace(made, channels={**alive.channels, "throttle": made.channels["throttle"]})
    assert judged(mixed).finding == "not-following"


def test_a_rev_limiter_that_closes_the_plate_is_no_fault() -> None:
    """It closes 1.5 s into each press, with the foot still down."""
    made, _ = play(Car(), 0.1)
    foot = made.channels["pedal"]
    pressed = np.flatnonzero(np.diff((foot.values > 5.0).astype(int)) == 1)
    cut = with_values(made, "throttle", lambda v: v)
    t = cut.channels["throttle"].time_s
    values = cut.channels["throttle"].values.copy()
    for at in foot.time_s[pressed].tolist():
        values[(t > at + 1.5) & (t < at + 5.2) & (np.floor(t * 2.0) % 2 == 0)] = 12.0
    limited = with_values(made, "throttle", lambda _: values)
    assert judged(limited).verdict is Verdict.UNDECIDED


def test_readings_written_as_one_row_may_all_be_old() -> None:
    aged = of(Car(dead_s=0.03), 0.5, skew=True)
    assert aged.verdict is Verdict.UNDECIDED
    fine = of(Car(dead_s=0.03), 0.1, skew=True)
    assert fine.finding == "prompt"
    assert fine.uncertainty > of(Car(dead_s=0.03), 0.1).uncertainty  # type: ignore[operator]


def test_clocks_that_disagree_are_noticed() -> None:
    made, _ = play(Car(), 0.1)
    early = changed(
        made,
        lambda c: channel(c.name, c.time_s - 0.3 * (c.name == "throttle"), c.values, c.resolution),
    )
    assert judged(early).finding == "out-of-step"


# ---- what must not matter, and bad input ----

BASE = play(Car(), 0.2)[0]


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
        result = judged(moved)
        assert result.finding == "prompt"
        assert result.value == pytest.approx(judged(BASE).value, abs=1e-6)


def test_presses_on_the_road_are_not_judged() -> None:
    driving = with_values(BASE, "vehicle_speed", lambda v: v + 40.0)
    assert judged(driving).finding == "not-parked"


def test_a_press_with_a_gap_is_not_counted() -> None:
    cut = with_gap(BASE, 16.0, 19.5)
    assert judged(cut).details["presses"] < judged(BASE).details["presses"]


@pytest.mark.parametrize("name", zoo())
def test_the_zoo_earns_nothing(name: str) -> None:
    assert judged(zoo()[name]).verdict is Verdict.UNDECIDED


def damaged(how: str, values: Array) -> Array:
    damages = {
        "constant": lambda v: np.full(len(v), v[0]),
        "zero": lambda v: 0.0 * v,
        "saturated": lambda v: np.full(len(v), 100.0),
        "enormous": lambda v: v * 1e300,
        "negative": lambda v: -v,
        "flickers": lambda v: np.where(np.arange(len(v)) % 2 == 0, v, 0.0),
        "reversed": lambda v: v[::-1],
    }
    result: Array = damages[how](values)
    return result


@pytest.mark.parametrize(
    "how", ["constant", "zero", "saturated", "enormous", "negative", "flickers", "reversed"]
)
@pytest.mark.parametrize("name", ["pedal", "throttle"])
def test_damaged_channels_pass_nothing(name: str, how: str) -> None:
    bad = with_values(BASE, name, lambda v: damaged(how, v))
    assert judged(bad).verdict is not Verdict.PASS


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_random_recordings_break_nothing(data: Any) -> None:
    numbers = st.floats(0.0, 100.0) | st.sampled_from([0.0, 30.0, 12.0, 1e308, -1e308])
    made = []
    for name in ("pedal", "throttle", "engine_speed", "vehicle_speed"):
        steps = data.draw(st.lists(st.floats(1e-3, 3.0), min_size=2, max_size=40))
        values = data.draw(st.lists(numbers, min_size=len(steps), max_size=len(steps)))
        if name == "vehicle_speed":
            values = [0.0] * len(values)
        if name == "engine_speed":
            values = [800.0 + v % 7.0 for v in values]
        made.append(channel(name, np.cumsum(steps), values, data.draw(st.sampled_from([0.0, 0.4]))))
    judged(recording(made))


def test_the_wording_of_a_result_and_its_number_are_pinned_at_version_3() -> None:
    """By plain arithmetic, so that no random generator can change it."""
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
    assert PEDAL_RESPONSE.version == 4
    assert (result.verdict, result.finding) == (Verdict.PASS, "prompt")
    assert result.value == pytest.approx(PINNED_VALUE_S, rel=1e-6)


PINNED_VALUE_S = 0.17981670716263695


def test_a_real_pedal_without_a_throttle_is_undecided() -> None:
    sha = "f498d1a26cbc0de086a34b6ff1ddddef12a9040890567e59732ada87a5397380"
    made = read_recording(io.BytesIO(real_recording(sha).read_bytes()), "long")
    assert judged(made).finding == "channel-missing"


def test_no_finding_is_without_a_verdict_or_a_way_out() -> None:
    for finding, verdict in PEDAL_RESPONSE.findings.items():
        if verdict is Verdict.UNDECIDED and finding not in ("not-following", "channel-missing"):
            assert PEDAL_RESPONSE.settles[finding]
