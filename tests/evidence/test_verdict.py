"""Verdicts: decided by probability alone, earned, and stored without loss."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.evidence.verdict import (
    CheckResult,
    Distribution,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    mean_measurement,
    probability_of_conformity,
)
from verify.job.entry import canonical
from verify.words import Verdict

BAND = Limits(650.0, 750.0, "rpm", "common practice")
finite = st.floats(-1e6, 1e6)
spreads = st.floats(1e-3, 1e4)
distributions = st.sampled_from(
    [
        (Distribution.NORMAL, math.inf),
        (Distribution.STUDENT, 1.5),
        (Distribution.STUDENT, 12.0),
        (Distribution.UNIFORM, math.inf),
        (Distribution.TRIANGULAR, math.inf),
    ]
)


@pytest.mark.parametrize(
    ("p", "verdict"),
    [
        (1.0, Verdict.PASS),
        (0.95, Verdict.PASS),
        (0.9499, Verdict.UNDECIDED),
        (0.0501, Verdict.UNDECIDED),
        (0.05, Verdict.FAIL),
        (0.0, Verdict.FAIL),
    ],
)
def test_the_bounds_belong_to_pass_and_fail(p: float, verdict: Verdict) -> None:
    assert decide(p) is verdict


def test_what_is_no_number_is_undecided() -> None:
    assert decide(math.nan) is Verdict.UNDECIDED


@pytest.mark.parametrize("bounds", [(0.89, 0.05), (0.95, 0.11), (1.1, 0.05), (0.95, -0.1),
                                    (math.nan, 0.05), (0.95, math.nan)])  # fmt: skip
def test_no_flow_can_ask_for_less_certainty(bounds: tuple[float, float]) -> None:
    with pytest.raises(ValueError):
        decide(0.5, *bounds)


def test_a_flow_can_ask_for_more_and_for_the_loosest_allowed() -> None:
    assert decide(0.96, 0.99, 0.01) is Verdict.UNDECIDED
    assert decide(0.90, 0.90, 0.10) is Verdict.PASS
    assert Rule().pass_at == 0.95


def test_a_verdict_has_no_truth_value() -> None:
    with pytest.raises(TypeError):
        bool(decide(1.0))


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": math.nan},
        {"value": math.inf},
        {"uncertainty": 0.0},
        {"uncertainty": -1.0},
        {"uncertainty": math.nan},
        {"uncertainty": math.inf},
        {"dof": 0.0},
        {"resolution": 40.0},
        {"distribution": Distribution.STUDENT},
        {"distribution": Distribution.CHI_SQUARE},
        {"distribution": Distribution.CHI_SQUARE, "dof": 5.0, "value": -1.0},
    ],
)
def test_what_is_no_measurement_cannot_be_made(wrong: dict[str, object]) -> None:
    sound: dict[str, object] = {"value": 700.0, "unit": "rpm", "uncertainty": 10.0}
    Measurement(**sound)  # type: ignore[arg-type]
    with pytest.raises(ValueError):
        Measurement(**(sound | wrong))  # type: ignore[arg-type]


@pytest.mark.parametrize("ends", [(None, None), (750.0, 650.0), (1.0, 1.0), (math.nan, 2.0),
                                  (0.0, math.inf)])  # fmt: skip
def test_limits_must_hold_something(ends: tuple[float | None, float | None]) -> None:
    with pytest.raises(ValueError):
        Limits(*ends, "rpm", "common practice")


def test_limits_must_say_where_they_come_from() -> None:
    with pytest.raises(ValueError):
        Limits(1.0, 2.0, "rpm", "")


def test_unlike_units_are_never_compared() -> None:
    with pytest.raises(ValueError):
        probability_of_conformity(Measurement(700.0, "km/h", 1.0), BAND)


def test_a_mean_is_never_known_better_than_its_last_digit() -> None:
    m = mean_measurement(700.0, "rpm", 0.001, 1000.0, 1000, 50.0)
    assert m.uncertainty >= 50.0 / math.sqrt(12.0)


def test_few_readings_make_a_student_and_many_a_normal_distribution() -> None:
    few = mean_measurement(700.0, "rpm", 6.0, 8.0, 40, 1.0)
    many = mean_measurement(700.0, "rpm", 6.0, 80.0, 400, 1.0)
    assert (few.distribution, few.dof) == (Distribution.STUDENT, 7.0)
    assert (many.distribution, many.dof) == (Distribution.NORMAL, math.inf)


@given(finite, spreads, distributions)
def test_a_probability_lies_between_0_and_1(
    value: float, u: float, kind: tuple[Distribution, float]
) -> None:
    p = probability_of_conformity(Measurement(value, "rpm", u, *kind), BAND)
    assert 0.0 <= p <= 1.0


@given(finite, spreads, distributions)
def test_inside_and_outside_make_one(
    value: float, u: float, kind: tuple[Distribution, float]
) -> None:
    m = Measurement(value, "rpm", u, *kind)
    below = probability_of_conformity(m, Limits(None, 650.0, "rpm", "s"))
    above = probability_of_conformity(m, Limits(750.0, None, "rpm", "s"))
    assert below + above + probability_of_conformity(m, BAND) == pytest.approx(1.0, abs=1e-9)


@given(st.floats(0.0, 2000.0), st.floats(0.0, 500.0), spreads, distributions)
def test_wider_limits_are_never_harder(
    value: float, more: float, u: float, kind: tuple[Distribution, float]
) -> None:
    m = Measurement(value, "rpm", u, *kind)
    wide = Limits(650.0 - more, 750.0 + more, "rpm", "s")
    assert probability_of_conformity(m, wide) >= probability_of_conformity(m, BAND) - 1e-12


def test_a_pass_needs_more_than_half_the_doubt_inside() -> None:
    """At a limit itself the probability is a half, whatever the doubt: never a pass."""
    for kind in (Distribution.NORMAL, Distribution.UNIFORM, Distribution.TRIANGULAR):
        m = Measurement(750.0, "rpm", 5.0, kind)
        assert probability_of_conformity(m, BAND) == pytest.approx(0.5)


def test_a_spread_is_judged_by_chi_square() -> None:
    # scipy.stats.chi2(10).sf(10 * 5**2 / 8**2) computed independently in the distributions test.
    m = Measurement(5.0, "rpm", 1.1, Distribution.CHI_SQUARE, 10.0, 11)
    p = probability_of_conformity(m, Limits(None, 8.0, "rpm", "s"))
    assert 0.9 < p < 1.0
    assert probability_of_conformity(m, Limits(8.0, None, "rpm", "s")) == pytest.approx(1 - p)


RESULT = CheckResult(
    check="idle-speed",
    version=1,
    verdict=Verdict.UNDECIDED,
    finding="near-limit",
    why="warm idle is 745 ± 10 rpm, too near an end of 650 to 750 rpm to tell.",
    settle="idle 60 s more",
    value=745.2,
    unit="rpm",
    uncertainty=5.0,
    limits=BAND,
    probability=0.83,
    windows=(Window(0, 10.0, 40.5), Window(1, 0.0, 20.0)),
    samples=120,
    notes=("a note",),
    details={"met_at_s": None, "list": (1, 2), "deep": {"a": (0.5,)}},
)


def test_a_result_survives_storing_and_reading() -> None:
    text = canonical(RESULT.to_json())
    again = CheckResult.from_json(json.loads(text))
    assert canonical(again.to_json()) == text
    assert again.windows == RESULT.windows
    assert again.verdict is Verdict.UNDECIDED
    assert again.limits == BAND
    assert again.limits_source == "common practice"


def test_the_details_of_a_check_stand_beside_the_other_fields_and_never_over_them() -> None:
    value = CheckResult(
        "x", 1, Verdict.PASS, "f", "w", details={"met_at_s": 667.0, "verdict": "fail"}
    ).to_json()
    assert value["met_at_s"] == 667.0
    assert value["verdict"] == "pass"


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
def test_a_number_without_end_is_never_stored(wrong: float) -> None:
    with pytest.raises(ValueError):
        CheckResult("x", 1, Verdict.PASS, "f", "w", value=wrong).to_json()
    with pytest.raises(ValueError):
        CheckResult("x", 1, Verdict.PASS, "f", "w", details={"a": [{"b": wrong}]}).to_json()
