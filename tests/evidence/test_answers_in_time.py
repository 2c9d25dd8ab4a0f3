"""How long an answer takes, from brackets alone: closed forms, scipy's integrals, and coverage."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import integrate, stats

from verify.evidence.answers_in_time import (
    SCATTERS_S,
    STRAY_S,
    STRAY_SHARE,
    Brackets,
    _log_likelihood,
    hidden_chance,
    probability_all_within,
    time_posterior,
)


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


# --- one late answer among quick ones ------------------------------------------------------------


def in_rows(
    rng: np.random.Generator, every_s: float, takes: np.ndarray, places: tuple[float, float]
) -> Brackets:
    """A logger that writes rows with one time. places: where in its row cause and answer are read,
    0 at its end and 1 at its beginning; the ages told are those of the slow rows."""
    n = len(takes)
    at = 5.0 + 10.0 * np.arange(n) + rng.uniform(0.0, 5.0, n)
    rows = every_s * np.maximum(0.4, 1.0 + 0.06 * rng.normal(size=int((10 * n + 30) / every_s)))
    t = np.cumsum(rows)
    ends = []
    for event, place in ((at, places[0]), (at + takes, places[1])):
        shown = np.searchsorted(t - place * rows, event)
        ends += [t[shown - 1], t[shown]]
    age = float(np.quantile(rows, 0.95))
    return Brackets(*ends, age, age)


def on_own_clocks(rng: np.random.Generator, every_s: float, takes: np.ndarray) -> Brackets:
    """Each channel on its own clock, with a phase that drifts from press to press."""
    n = len(takes)
    cause = rng.uniform(0.0, every_s, n) + 10.0 * np.arange(n)
    at = cause + rng.uniform(0.0, every_s, n)
    phase = cause + rng.uniform(0.0, every_s, n)
    shown = np.ceil((at + takes - phase) / every_s)
    until = phase + shown * every_s
    return Brackets(cause, cause + every_s, until - every_s, until)


@pytest.mark.parametrize("every_s", [0.35, 0.4, 0.5])
@pytest.mark.parametrize("late_s", [0.7, 0.77])
def test_one_late_answer_is_hidden_as_seldom_as_stated(every_s: float, late_s: float) -> None:
    """One of ten takes the limit, or a tenth more, at every phase of the logger."""
    rng = np.random.default_rng(6)
    passed = 0
    for _ in range(400):
        takes = rng.normal(0.1, 0.02, 10)
        takes[rng.integers(10)] = late_s
        passed += hidden_chance(on_own_clocks(rng, every_s, takes), 0.7) <= 0.05
    assert passed <= (0.05 if late_s == 0.7 else 0.02) * 400


@pytest.mark.parametrize("every_s", [0.35, 0.4, 0.5])
@pytest.mark.parametrize("places", [(0.95, 0.05), (0.95, 0.8), (0.05, 0.95), (0.5, 0.5)])
def test_no_order_of_a_row_hides_a_late_answer(every_s: float, places: tuple[float, float]) -> None:
    """It is always the same logger: the order that hides best may pass no more than any other."""
    rng = np.random.default_rng(8)
    passed = 0
    for _ in range(150):
        takes = rng.normal(rng.uniform(0.05, 0.3), 0.01, 10)
        takes[rng.integers(10)] = rng.uniform(0.7, 0.85)
        passed += hidden_chance(in_rows(rng, every_s, takes, places), 0.7) <= 0.05
    assert passed <= 0.05 * 150


def test_where_each_is_known_by_itself_nothing_is_hidden() -> None:
    rng = np.random.default_rng(3)
    quick = on_own_clocks(rng, 0.1, np.full(10, 0.1))
    assert np.all(quick.most <= 0.5)
    assert hidden_chance(quick, 0.5) == 0.0
    assert hidden_chance(on_own_clocks(rng, 1.0, np.full(10, 0.1)), 0.7) > 0.05


def test_a_hidden_chance_by_hand() -> None:
    """Two presses within 1 s each, the answers read 0.9 s after the early ends of the first and
    0.5 s after those of the second. One of 0.7 s looks so where the first press lay in its first
    0.2 s; the second's would be seen at its next reading, a second later, and look later."""
    two = Brackets(
        np.array([0.0, 10.0]), np.array([1.0, 11.0]), np.array([-0.1, 9.5]), np.array([0.9, 10.5])
    )
    assert hidden_chance(two, 0.7) == pytest.approx((0.2 + 0.0) / 2)


def test_all_within_weighs_the_ages_a_row_may_have() -> None:
    """Rows of half a second, all answers in the row of their cause: 0.5 s is shown where the age
    was held for certain against it before; the lag is a triangle of ± 0.5 s about none."""
    n = 12
    rows = 10.0 * np.arange(n)
    same = Brackets(rows, rows + 0.5, rows, rows + 0.5, 0.5, 0.5)
    assert probability_all_within(same, 0.5) > 0.9
    assert probability_all_within(same, 0.0) < 0.6
    plain = Brackets(rows, rows + 0.5, rows, rows + 0.5)
    assert probability_all_within(plain, 0.3) > probability_all_within(same, 0.3)
