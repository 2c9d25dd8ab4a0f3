"""The delay of the throttle behind the pedal: verdicts on known truth, and honest intervals."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tests.conftest import real_recording
from tests.evidence.parked_car import Car, play
from tests.nasty import Array, changed, channel, recording, with_gap, with_values, without, zoo
from verify.evidence.answers_in_time import (
    SCATTERS_S,
    STRAY_S,
    STRAY_SHARE,
    Brackets,
    _log_likelihood,
    probability_all_within,
    time_posterior,
)
from verify.evidence.checks.pedal_response import PEDAL_RESPONSE
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


# ---- the statistics ----


def simulated(
    rng: np.random.Generator, every_s: float, n: int, median_s: float, age_s: float
) -> tuple[Brackets, float]:
    """n presses at random phases of a logger that reads cause and answer in turn."""
    at = 5.0 + 10.0 * np.arange(n) + rng.uniform(0.0, 10.0 * every_s, n)
    took = np.maximum(median_s * (1.0 + rng.uniform(0.0, 0.2) * rng.standard_normal(n)), 0.0)
    count = int((10.0 * n + 20.0 + 10 * every_s) / every_s)
    ends = []
    for event, phase in ((at, 0.0), (at + took, rng.uniform(0.0, 1.0))):
        read = (np.arange(count) + phase) * every_s + rng.uniform(0.0, 0.05 * every_s, count)
        shown = np.searchsorted(read - rng.uniform(0.0, age_s), event)
        ends += [read[shown - 1], read[shown]]
    return Brackets(*ends, age_s, age_s), float(np.median(took))


@pytest.mark.parametrize(
    ("every_s", "n", "age_s"),
    [
        (1.0, 10, 0.0),
        (0.5, 10, 0.0),
        (0.5, 25, 0.0),
        (0.2, 10, 0.0),
        (0.5, 10, 0.2),
        (0.05, 8, 0.0),
    ],
)
def test_the_stated_interval_holds_the_truth_as_often_as_it_says(
    every_s: float, n: int, age_s: float
) -> None:
    """95 % intervals over random delays and phases: 93 % at least (sampling dominates)."""
    rng = np.random.default_rng(11)
    trials, held = 400, 0
    for _ in range(trials):
        brackets, truth = simulated(rng, every_s, n, rng.uniform(0.05, 0.6), age_s)
        posterior = time_posterior(brackets)
        held += posterior.quantile(0.025) <= truth <= posterior.quantile(0.975)
    assert held >= 0.93 * trials


def test_a_wrong_verdict_on_the_limit_is_as_rare_as_the_rule_says() -> None:
    """Delays from the limit up to a quarter more: passes stay under 5 % of them."""
    rng = np.random.default_rng(12)
    wrong = trials = 0
    while trials < 400:
        brackets, truth = simulated(
            rng, rng.choice([0.3, 0.5, 1.0]), 10, rng.uniform(0.3, 0.375), 0.0
        )
        if truth <= 0.3:
            continue
        trials += 1
        wrong += time_posterior(brackets).below(0.3) >= 0.95
    assert wrong <= 0.05 * trials


def quad(bracket: tuple[float, ...], m: float, s: float, limit: float) -> float:
    """∫ logistic(d; m, s) · P(answer in its bracket | d) up to the limit, by scipy."""
    a0, a1, b0, b1 = bracket

    def shared(d: float) -> float:
        return max(0.0, min(a1 + d, b1) - max(a0 + d, b0)) / (a1 - a0)

    corners = sorted({b0 - a1, b0 - a0, b1 - a1, b1 - a0, m, m - 5 * s, m + 5 * s, limit})
    total = 0.0
    for low, high in itertools.pairwise(corners):
        if high <= min(limit, b1 - a0) and low >= b0 - a1:
            total += integrate.quad(
                lambda d: stats.logistic.pdf(d, m, s) * shared(d), low, high, epsabs=1e-11
            )[0]
    return total


@pytest.mark.parametrize(
    "bracket", [(0.0, 0.5, 0.2, 0.7), (0.0, 1.0, 0.9, 1.3), (0.1, 0.2, 0.1, 2.0)]
)
def test_the_chance_of_a_bracket_is_the_integral_it_stands_for(
    bracket: tuple[float, float, float, float],
) -> None:
    one = Brackets(*[np.array([x]) for x in bracket])
    at = np.array([0.05, 0.4, 1.1])
    found = _log_likelihood(one, at)
    stray = min((bracket[3] - bracket[2]) / STRAY_S, 1.0)
    for j in (3, 5, 6):
        for k, m in enumerate(at.tolist()):
            whole = quad(bracket, m, float(SCATTERS_S[j]), np.inf)
            wanted = np.log((1 - STRAY_SHARE) * whole + STRAY_SHARE * stray + 1e-12)
            assert found[j, k] == pytest.approx(wanted, abs=1e-6)


def test_one_press_gives_its_trapezoid() -> None:
    """Closed form: one bracket of 1 s against one of 1 s is a triangle from −1 to 1 about 0, and
    what is left of it from 0 on. The scatter's prior (0.05 s) blurs it by about a hundredth."""
    one = Brackets(*[np.array([x]) for x in (0.0, 1.0, 0.0, 1.0)])
    posterior = time_posterior(one)
    for d in (0.2, 0.5, 0.8):
        assert posterior.below(d) == pytest.approx(1.0 - (1.0 - d) ** 2, abs=0.02)


def test_all_within_is_the_mean_over_the_posterior() -> None:
    """Against scipy's integral of each press, weighted by the posterior."""
    rng = np.random.default_rng(4)
    brackets, _ = simulated(rng, 0.5, 4, 0.25, 0.0)
    limit = 0.45
    posterior = time_posterior(brackets)
    each = np.column_stack(
        [brackets.cause_from, brackets.cause_to, brackets.answer_from, brackets.answer_to]
    )
    each = each[brackets.most > limit]
    assert len(each) >= 2
    wanted = 0.0
    own = np.zeros_like(posterior.weight)
    own[:, 5::20] = posterior.weight[:, 5::20]  # smooth, so every twentieth will do
    for j, k in np.argwhere(own).tolist():
        m, s = float(posterior.at[k]), float(posterior.scatter[j])
        chance = 1.0
        for row in each.tolist():
            stray_all = STRAY_SHARE * (row[3] - row[2]) / STRAY_S
            inner = np.linspace(row[2] - row[1], limit, 2001)
            flat = np.minimum(row[1] + inner, row[3]) - np.maximum(row[0] + inner, row[2])
            part = float(integrate.trapezoid(np.maximum(flat, 0.0), inner)) / (row[1] - row[0])
            inside = (1 - STRAY_SHARE) * quad(
                tuple(row), m, s, limit
            ) + STRAY_SHARE * part / STRAY_S
            chance *= inside / ((1 - STRAY_SHARE) * quad(tuple(row), m, s, np.inf) + stray_all)
        wanted += float(own[j, k]) * chance
    assert probability_all_within(brackets, limit) == pytest.approx(wanted / own.sum(), abs=0.01)


def test_all_within_where_everything_is_known() -> None:
    sharp = Brackets(*[np.array([x]) for x in (0.0, 0.01, 0.3, 0.31)])
    assert probability_all_within(sharp, 0.5) == pytest.approx(1.0, abs=1e-9)
    assert probability_all_within(sharp, 0.2) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("bad", [[], [np.nan], [np.inf]])
def test_a_time_needs_finite_brackets(bad: list[float]) -> None:
    with pytest.raises(ValueError):
        time_posterior(Brackets(np.array(bad), np.array(bad), np.array(bad), np.array(bad)))


# ---- verdicts ----


@pytest.mark.parametrize("every_s", [0.02, 0.1, 0.2, 0.5])
def test_a_healthy_throttle_passes_and_a_slow_one_fails(every_s: float) -> None:
    good, truth = play(Car(dead_s=0.03), every_s)
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


def test_overshoot_that_the_rate_hides_is_named() -> None:
    result = of(Car(dead_s=0.03), 0.5)
    assert result.finding == "prompt"
    assert any("overshoot is not shown" in note for note in result.notes)


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


def test_the_wording_of_a_result_and_its_number_are_pinned_at_version_1() -> None:
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
    assert PEDAL_RESPONSE.version == 1
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
