"""Typed answers → outcomes: readings, torque, codes, against figures from outside."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.codes import CodeReading
from verify.errors import UserError
from verify.flow.graph import Step, recorded_label
from verify.job.answers import (
    Cannot,
    Chosen,
    CodesRead,
    Done,
    Exceptions,
    Fastened,
    Number,
    StopNow,
    ToldInstead,
    answer_from_tree,
)
from verify.job.catalogue import catalogue
from verify.job.fastener_order import order_kept, order_of
from verify.job.judge import judge_answer, outcome_of, typed_uncertainty
from verify.quantity import SpecValue, parse
from verify.terminal.library import load_flow
from verify.words import Grade, Verdict

JUDGED = ("pass", "fail", "undecided")


def step(kind: str, labels: tuple[str, ...], **detail: object) -> Step:
    return Step("s", kind, "S", "say", (), labels, frozenset({"pass", "ok"}), detail=detail)


def volts(minus: str | None = "0", spec: str | None = "rest") -> Step:
    limits = {
        "spec": spec,
        "minus": Fraction(minus) if minus is not None else None,
        "plus": None,
        "lower": None if spec else Fraction("12.2"),
        "upper": None,
        "source": "least voltage",
    }
    return step("reading", JUDGED, unit="V", accuracy=Fraction("0.1"), limits=limits)


SPECS = {
    "rest": SpecValue(parse("12.2 V"), "service information"),
    "torque": SpecValue(parse("9 N·m"), "service information"),
}
FASTEN = step("fasten", JUDGED, spec="torque", tolerance=Fraction(10))


def test_a_typed_reading_carries_rounding_and_accuracy_as_uniform_errors() -> None:
    """JCGM 100:2008 4.3.7: half width over root three; 5.1.2: joined in quadrature.

    ±0.1 V and half of the last place of 12.6: √(0.1² + 0.05²)/√3 = 0.0645.
    """
    assert typed_uncertainty(parse("12.6 V"), Fraction("0.1")) == pytest.approx(0.064550, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "label", "finding"),
    [
        ("12.6 V", "pass", "within"),
        ("11.9 V", "fail", "outside"),
        ("12.2 V", "undecided", "near-limit"),
        ("12.28 V", "undecided", "near-limit"),
    ],
)
def test_a_reading_against_its_least_value(text: str, label: str, finding: str) -> None:
    judged = judge_answer(volts(), Number(text), SPECS)
    assert judged.outcome.label == label
    assert judged.outcome.grade is Grade.READ
    assert judged.results[0].finding == finding


def test_the_probability_is_that_of_the_normal_distribution() -> None:
    """Oracle: scipy.stats.norm."""
    from scipy.stats import norm

    judged = judge_answer(volts(), Number("12.28 V"), SPECS)
    u = math.hypot(0.1, 0.005) / math.sqrt(3)
    assert judged.results[0].probability == pytest.approx(norm.cdf(0.08 / u), abs=1e-12)


def test_without_the_vehicle_s_figure_a_reading_is_undecided() -> None:
    judged = judge_answer(volts(), Number("12.6 V"), {})
    assert judged.results[0].verdict is Verdict.UNDECIDED
    assert judged.results[0].finding == "no-spec"
    assert judged.results[0].settle


def test_literal_limits_need_no_spec() -> None:
    assert judge_answer(volts(spec=None), Number("13 V"), {}).outcome.label == "pass"


@pytest.mark.parametrize(
    ("torque", "order", "label", "finding"),
    [
        ("9 N·m", True, "pass", "within"),
        ("9 N·m", None, "pass", "within"),
        ("9 N·m", False, "fail", "wrong-order"),
        ("12 N·m", True, "fail", "outside"),
        ("9.8 N·m", True, "undecided", "near-limit"),
        # 80 in·lbf = 9.04 N·m (check-values 6, exact factor).
        ("80 in·lbf", True, "pass", "within"),
        ("80 ft·lbf", True, "undecided", "unit-slip"),
    ],
)
def test_torque_against_the_service_information(
    torque: str, order: bool | None, label: str, finding: str
) -> None:
    judged = judge_answer(FASTEN, Fastened(torque, order), SPECS)
    assert (judged.outcome.label, judged.results[0].finding) == (label, finding)


@pytest.mark.parametrize(
    ("wrench", "label", "finding"),
    [
        ("", "pass", "within"),
        ("25 N·m", "pass", "within"),
        # A fifth of the scale is still in range: 20 % of 45 N·m is 9 N·m, exactly.
        ("45 N·m", "pass", "within"),
        ("45.1 N·m", "cannot", "tool-range"),
        ("150 ft·lbf", "cannot", "tool-range"),
        ("8 N·m", "cannot", "tool-range"),
    ],
)
def test_a_wrench_out_of_its_range_proves_nothing(wrench: str, label: str, finding: str) -> None:
    """Below 20 % of its largest torque: common practice, no source."""
    judged = judge_answer(FASTEN, Fastened("9 N·m", True, wrench), SPECS)
    (result,) = judged.results
    assert (judged.outcome.label, result.finding) == (label, finding)
    if wrench == "150 ft·lbf":
        assert "use a smaller wrench" in result.settle


def test_a_wrench_out_of_its_range_counts_and_leads_like_cannot() -> None:
    """It is `cannot` with its result beside it; nothing is gained over saying so."""
    graph = load_flow("throttle-body-replaced", catalogue()).graph
    fasteners = [s for s in graph.steps.values() if s.kind == "fasten"]
    assert fasteners
    for fastener in fasteners:
        specs = {fastener.detail["spec"]: SPECS["torque"]}
        weak = judge_answer(fastener, Fastened("9 N·m", True, "150 N·m"), specs)
        assert weak.results[0].finding == "tool-range"
        cannot = judge_answer(fastener, Cannot("no smaller wrench"), specs)
        assert weak.outcome == cannot.outcome
        assert fastener.counts(weak.outcome) is Verdict.UNDECIDED
        assert weak.results[0].value == 9
        assert cannot.results == ()


@given(
    st.floats(0.5, 40).map(lambda x: f"{x:.2f} N·m"),
    st.sampled_from([True, None, False]),
    st.floats(1, 400).map(lambda x: f"{x:.1f} N·m"),
    st.sampled_from([{}, SPECS]),
)
def test_no_wrench_makes_a_torque_better_and_none_hides_a_fail(
    torque: str, order: bool | None, wrench: str, specs: dict[str, SpecValue]
) -> None:
    with_it = judge_answer(FASTEN, Fastened(torque, order, wrench), specs)
    without = judge_answer(FASTEN, Fastened(torque, order), specs)
    set_to, most = parse(torque).value, parse(wrench).value
    believed = most / 5 <= set_to <= most
    if without.outcome.label == "fail" or believed:
        assert with_it.outcome == without.outcome
    else:
        assert with_it.outcome.label == "cannot"
        (result,) = with_it.results
        assert result.verdict is Verdict.UNDECIDED
        assert result.value == pytest.approx(float(set_to))
        assert "wrench" in result.settle


@pytest.mark.parametrize(
    ("said", "done", "wanted", "label"),
    [
        (True, "1 3 2 4", "1-3-2-4", "pass"),
        (None, "a c b", "A, C, B", "pass"),
        (True, "1 2 3 4", "1 3 2 4", "fail"),
        (None, "1 2 3 4", "1 3 2 4", "fail"),
        (True, "1 3 2", "1 3 2 4", "fail"),
        # What somebody says went wrong is not made better by numbers.
        (False, "1 3 2 4", "1 3 2 4", "fail"),
        (True, "crosswise", "", "pass"),
        (True, "1 2 3 4", "", "pass"),
    ],
)
def test_the_order_done_is_compared_with_the_one_that_was_wanted(
    said: bool | None, done: str, wanted: str, label: str
) -> None:
    judged = judge_answer(FASTEN, Fastened("9 N·m", said, "", done, wanted), SPECS)
    assert judged.outcome.label == label
    if label == "fail":
        assert judged.results[0].finding == "wrong-order"
    assert judged.values is not None
    # What is stored judges the same again, without the words.
    again = judge_answer(FASTEN, Fastened("9 N·m", judged.values["order"]), SPECS)
    assert again.outcome == judged.outcome
    assert ("order_wanted" in judged.values) is bool(wanted)


@pytest.mark.parametrize(
    ("done", "wanted"), [("", "1 2"), ("crosswise", "1 2"), ("1 2", "as ever")]
)
def test_orders_that_cannot_be_compared_are_asked_about(done: str, wanted: str) -> None:
    with pytest.raises(UserError, match="both orders"):
        judge_answer(FASTEN, Fastened("9 N·m", True, "", done, wanted), SPECS)


@given(st.text(max_size=20), st.text(max_size=20), st.sampled_from([True, False, None]))
def test_no_comparison_of_orders_makes_a_wrong_one_right(
    done: str, wanted: str, said: bool | None
) -> None:
    try:
        kept = order_kept(said, done, wanted)
    except UserError:
        return
    if said is False:
        assert kept is False
    if wanted and kept:
        assert order_of(done) == order_of(wanted) != ()


def test_without_a_figure_a_wrench_out_of_its_range_says_both() -> None:
    (result,) = judge_answer(FASTEN, Fastened("9 N·m", True, "150 N·m"), {}).results
    assert result.finding == "no-spec"
    assert "less than a fifth" in result.why
    assert "Look the torque up" in result.settle
    assert "smaller wrench" in result.settle


def test_no_wrench_excuses_what_was_done_wrong() -> None:
    wrong_order = judge_answer(FASTEN, Fastened("9 N·m", False, "200 N·m"), SPECS)
    assert wrong_order.results[0].finding == "wrong-order"
    wrong_torque = judge_answer(FASTEN, Fastened("14 N·m", True, "200 N·m"), SPECS)
    assert wrong_torque.results[0].finding == "outside"


def test_a_wrench_that_goes_up_to_nothing_is_asked_about_again() -> None:
    with pytest.raises(UserError, match="the largest torque on its scale"):
        judge_answer(FASTEN, Fastened("9 N·m", True, "0 N·m"), SPECS)


def test_the_order_in_words_is_kept_apart_and_the_wrench_on_record() -> None:
    judged = judge_answer(FASTEN, Fastened("9 N·m", True, "25 N·m", "crosswise, two rounds"), SPECS)
    assert judged.private == {"order": "crosswise, two rounds"}
    assert judged.values == {"text": "9", "unit": "N·m", "order": True, "wrench": "25 N·m"}


@pytest.mark.parametrize(("typed", "newton_metres"), [("65 in·lbf", 7.344), ("18 ft·lbf", 24.405)])
def test_torques_of_the_trade_convert_to_the_last_digit(typed: str, newton_metres: float) -> None:
    """The pair of values: common practice, no source; the factors are exact by definition."""
    assert float(parse(typed).to("N·m").value) == pytest.approx(newton_metres, abs=5e-4)
    figure = {"torque": SpecValue(parse(f"{newton_metres} N·m"), "service information")}
    assert judge_answer(FASTEN, Fastened(typed, True), figure).outcome.label == "pass"


def test_inch_pounds_taken_for_foot_pounds_are_asked_about() -> None:
    specs = {"torque": SpecValue(parse("9 ft·lbf"), "service information")}
    judged = judge_answer(FASTEN, Fastened("9 in·lbf", True), specs)
    assert judged.results[0].finding == "unit-slip"


def test_torque_without_the_service_information_is_undecided() -> None:
    assert judge_answer(FASTEN, Fastened("9 N·m", True), {}).results[0].finding == "no-spec"


def test_a_module_that_was_not_read_is_never_none() -> None:
    codes = step("codes", ("none", "partly-read"), modules=("engine", "brakes"))
    reading = CodeReading((), (), (), ("engine",))
    assert judge_answer(codes, CodesRead(reading), {}).outcome.label == "partly-read"
    both = CodeReading((), (), (), ("Engine", "brakes"))
    assert judge_answer(codes, CodesRead(both), {}).outcome.label == "none"


def test_no_results_are_undecided() -> None:
    recorded = step("record", ("pass", "fail", "undecided"), checks=("idle-speed",))
    assert outcome_of(recorded, ()).label == "undecided"
    assert outcome_of(step("record", ("pass", "fail", "undecided"), checks=()), ()).label != "pass"


@pytest.mark.parametrize(
    ("own", "beside", "label"),
    [
        (Verdict.PASS, Verdict.PASS, "pass"),
        (Verdict.PASS, Verdict.UNDECIDED, "pass"),
        (Verdict.PASS, Verdict.FAIL, "fail"),
        (Verdict.UNDECIDED, Verdict.PASS, "undecided"),
        (Verdict.UNDECIDED, Verdict.FAIL, "fail"),
        (Verdict.FAIL, Verdict.PASS, "fail"),
    ],
)
def test_a_check_put_beside_can_fail_a_step_and_cannot_hold_it(
    own: Verdict, beside: Verdict, label: str
) -> None:
    recorded = step(
        "record", ("pass", "fail", "undecided"), checks=("idle-speed",), also=("no-stall",)
    )
    found = [("idle-speed", own), ("no-stall", beside)]
    assert recorded_label(recorded, found) == label


def test_stop_and_cannot_fit_every_kind() -> None:
    for kind in ("do", "ask", "reading", "codes", "fasten", "record", "photo", "card"):
        assert judge_answer(step(kind, ()), StopNow(), {}).outcome.label == "stop"
        judged = judge_answer(step(kind, ()), Cannot("no tool"), {})
        assert judged.outcome.label == "cannot"
        assert judged.private == {"reason": "no tool"}


def test_an_answer_of_another_kind_is_refused() -> None:
    for wrong in (Done(), Chosen("no-such"), ToldInstead("told-pass"), Exceptions(frozenset())):
        with pytest.raises(UserError):
            judge_answer(step("reading", JUDGED, unit="V", accuracy=Fraction(1)), wrong, {})


@pytest.mark.parametrize(
    ("kind", "detail", "value"),
    [
        ("do", {}, "finished"),
        ("ask", {"answers": {"yes": "Yes"}}, "yess"),
        ("ask", {"answers": {"yes": "Yes"}}, 7),
        ("reading", {}, ["12"]),
        ("codes", {"modules": ("engine",)}, {"stored": ["lamp"]}),
        ("codes", {"modules": ("engine",)}, {"pending": []}),
        ("codes", {"modules": ("engine",)}, {"storde": []}),
        ("fasten", {}, {"torque": "9 N·m", "order": "maybe"}),
        ("fasten", {}, {"torque": 9}),
        ("fasten", {}, {"torque": "9 N·m", "wrench": 25}),
        ("fasten", {}, {"torque": "9 N·m", "wrnech": "25 N·m"}),
        ("record", {}, {"file": 3}),
        ("record", {}, {"told": "fine"}),
        ("card", {"items": {"plug": "Plug"}}, {"wrong": ["plugg"]}),
        ("photo", {}, "a.jpg"),
        ("do", {}, {"cannot": 3}),
    ],
)
def test_answers_of_the_wrong_form_say_what_is_expected(
    kind: str, detail: dict[str, object], value: object
) -> None:
    with pytest.raises(UserError) as caught:
        answer_from_tree(step(kind, (), **detail), value)
    assert caught.value.problems[0].expected


@pytest.mark.parametrize(
    ("torque", "figure", "why", "settle"),
    [
        (
            "9 N·m", "9.8 N·m",
            "A wrench set to 9 N·m may give 8.46 to 9.54 N·m (±6%); wanted are 8.82 to 10.78 N·m.",
            "Set the wrench to 9.8 N·m, tighten again until it clicks and enter it.",
        ),
        (
            "32 N·m", "22 ft·lbf",
            "A wrench set to 32 N·m may give 30.7 to 33.3 N·m (±4%); wanted are 26.85 to "
            "32.81 N·m.",
            "Loosen, set the wrench to 22 ft·lbf, tighten again and enter it.",
        ),
    ],
)  # fmt: skip
def test_a_torque_near_its_limit_says_what_the_wrench_may_have_given_and_what_to_do(
    torque: str, figure: str, why: str, settle: str
) -> None:
    """No more accurate instrument: the figure itself lies in the middle of its band."""
    specs = {"torque": SpecValue(parse(figure), "service information")}
    (found,) = judge_answer(FASTEN, Fastened(torque, True), specs).results
    assert (found.verdict, found.finding) == (Verdict.UNDECIDED, "near-limit")
    assert (found.why, found.settle) == (why, settle)
