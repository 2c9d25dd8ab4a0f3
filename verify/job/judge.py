"""A step's answer → what came of it: outcome, verdicts with their numbers, what to keep.

Pure. Files have been read and recordings imported by the shell before anything arrives here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from verify.errors import Problem, UserError
from verify.evidence.checks.catalogue import judge as put_checks
from verify.evidence.recording import Recording
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    decide,
    probability_of_conformity,
)
from verify.flow.graph import CANNOT, STOP, Outcome, Step, recorded_checks, recorded_label
from verify.job.answers import (
    Answer,
    Cannot,
    Chosen,
    CodesRead,
    Done,
    Exceptions,
    Fastened,
    Number,
    PhotoFile,
    Said,
    StopNow,
    ToldInstead,
)
from verify.job.codes_judge import judge_codes
from verify.job.fastener_order import order_kept, order_of
from verify.quantity import Quantity, SpecValue, parse
from verify.words import Grade, Verdict

# A click wrench in calibration holds ±4 % (±6 % below 10 N·m). ISO 6789-1, from memory.
WRENCH_SHARE = 0.04
WRENCH_SHARE_SMALL = 0.06
# Below this share of its largest torque a wrench says little. Common practice, no source.
WRENCH_LEAST_SHARE = Fraction(20, 100)
NUMBER_CHECK_VERSION = 1
TORQUE_CHECK_VERSION = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """values: what was typed, as JSON; private: field → personal text, to be kept apart."""

    outcome: Outcome
    values: Mapping[str, Any] | None = None
    results: tuple[CheckResult, ...] = ()
    private: Mapping[str, str] = field(default_factory=dict)


def judge_answer(step: Step, answer: Answer, specs: Mapping[str, SpecValue]) -> Judged:
    """What came of any answer but a recording. Raises UserError on what this step cannot take."""
    match step.kind, answer:
        case _, Cannot(reason):
            return Judged(Outcome(CANNOT), private={"reason": reason})
        case _, StopNow(reason):
            return Judged(Outcome(STOP), private={"reason": reason} if reason else {})
        case "do", Done():
            return Judged(Outcome("done"))
        case "ask", Chosen(name) if name in step.labels:
            return Judged(Outcome(name))
        case "ask", Said(text) if step.detail.get("text"):
            return Judged(Outcome("answered"), private={"answer": text})
        case "reading", Number(text):
            return _reading(step, text, specs)
        case "codes", CodesRead():
            return Judged(*judge_codes(step, answer))
        case "fasten", Fastened() as fastened:
            return _fasten(step, fastened, specs)
        case "record", ToldInstead(label) if label in step.labels:
            return Judged(Outcome(label, Grade.TOLD))
        case "photo", PhotoFile():
            return Judged(Outcome("taken"))
        case "card", Exceptions(wrong, unseen) if wrong or not unseen:
            # What nobody saw is not shown to be fine, so it counts with what is wrong.
            label = "exceptions" if wrong else "ok"
            return Judged(Outcome(label, items=wrong | unseen, unseen=unseen))
    raise UserError(
        Problem(
            found=f"an answer of the form {type(answer).__name__}",
            expected=f"an answer to a step of kind {step.kind}",
            next="answer what is asked",
            field=step.name,
        )
    )


def judge_recordings(
    step: Step, recordings: Sequence[Recording], specs: Mapping[str, SpecValue]
) -> Judged:
    """The step's checks put to all recordings together (after `undecided`, new evidence joins the
    earlier)."""
    results = put_checks(tuple(recordings), specs, recorded_checks(step))
    return Judged(outcome_of(step, results), results=tuple(results))


def outcome_of(step: Step, results: Sequence[CheckResult]) -> Outcome:
    """What the verdicts come to, see `recorded_label`; nothing judged is undecided."""
    label = recorded_label(step, ((r.check, r.verdict) for r in results))
    checks = tuple(sorted((r.check, r.verdict, r.finding) for r in results))
    return Outcome(label, Grade.RECORDED, checks=checks)


def typed_uncertainty(quantity: Quantity, accuracy: Fraction) -> float:
    """Standard uncertainty of a typed reading, in its unit.

    Half the last place typed and the instrument's ± accuracy, each as a uniform error (÷ √3),
    joined in quadrature: JCGM 100:2008 4.3.7 and 5.1.2.
    """
    rounding = float(quantity.last_place) / 2 / math.sqrt(3)
    return math.hypot(rounding, float(accuracy) / math.sqrt(3))


def _reading(step: Step, text: str, specs: Mapping[str, SpecValue]) -> Judged:
    unit = step.detail["unit"]
    quantity = parse(text, expect=unit)
    value = quantity.to(unit)
    values = {"text": quantity.text, "unit": quantity.unit}
    form = step.detail.get("limits")
    if form is None:
        return Judged(Outcome("taken", Grade.READ, value=value.value), values)
    limits = _limits(form, unit, specs)
    if limits is None:
        result = CheckResult(
            "reading",
            NUMBER_CHECK_VERSION,
            Verdict.UNDECIDED,
            "no-spec",
            f"{quantity} was read, but the vehicle's own figure is not known.",
            settle="Look the figure up in the service information and enter it.",
            value=float(value.value),
            unit=unit,
        )
    else:
        u = typed_uncertainty(value, step.detail["accuracy"])
        result = _held_against("reading", float(value.value), u, limits)
    outcome = Outcome(result.verdict.value, Grade.READ, value=value.value)
    return Judged(outcome, values, (result,))


def _held_against(
    check: str,
    value: float,
    uncertainty: float,
    limits: Limits,
    version: int = NUMBER_CHECK_VERSION,
) -> CheckResult:
    p = probability_of_conformity(Measurement(value, limits.unit, uncertainty), limits)
    verdict = decide(p)
    two_sided = limits.lower is not None and limits.upper is not None
    words = {
        Verdict.PASS: ("within", "lies within" if two_sided else "is", ""),
        Verdict.FAIL: ("outside", "lies outside" if two_sided else "is not", ""),
        Verdict.UNDECIDED: (
            "near-limit",
            "is too close to the limit to say:",
            "Read again with a more accurate instrument.",
        ),
    }
    finding, phrase, settle = words[verdict]
    return CheckResult(
        check,
        version,
        verdict,
        finding,
        f"{value:.4g} {limits.unit} {phrase} {band(limits)}.",
        settle=settle,
        value=value,
        unit=limits.unit,
        uncertainty=uncertainty,
        limits=limits,
        probability=p,
        samples=1,
    )


def band(limits: Limits) -> str:
    """The limits in words."""
    if limits.lower is None:
        return f"at most {limits.upper:.4g} {limits.unit}"
    if limits.upper is None:
        return f"at least {limits.lower:.4g} {limits.unit}"
    return f"{limits.lower:.4g} to {limits.upper:.4g} {limits.unit}"


def _limits(form: Mapping[str, Any], unit: str, specs: Mapping[str, SpecValue]) -> Limits | None:
    if form["spec"] is None:
        ends = (form["lower"], form["upper"])
        low, high = (float(e) if e is not None else None for e in ends)
        return Limits(low, high, unit, form["source"])
    spec = specs.get(form["spec"])
    if spec is None:
        return None
    centre = spec.quantity.to(unit).value
    low = float(centre - form["minus"]) if form["minus"] is not None else None
    high = float(centre + form["plus"]) if form["plus"] is not None else None
    if low is None and high is None:
        return None
    return Limits(low, high, unit, f"{form['source']}; figure: {spec.source}")


def _fasten(step: Step, answer: Fastened, specs: Mapping[str, SpecValue]) -> Judged:
    typed = parse(answer.torque, expect="N·m")
    newton_metres = typed.to("N·m")
    applied = float(newton_metres.value)
    wrench = parse(answer.wrench_max, expect="N·m") if answer.wrench_max else None
    if wrench is not None and not wrench.value > 0:
        raise UserError(
            Problem(
                found=f"a torque wrench that goes up to {wrench}",
                expected="the largest torque on its scale",
                next="read it off the wrench, or leave it out where it is not known",
            )
        )
    kept = order_kept(answer.order_kept, answer.order_done, answer.order_wanted)
    values: dict[str, Any] = {"text": typed.text, "unit": typed.unit, "order": kept}
    if answer.order_wanted:
        values["order_done"] = list(order_of(answer.order_done))
        values["order_wanted"] = list(order_of(answer.order_wanted))
    if wrench is not None:
        values["wrench"] = str(wrench)
    private = {"order": answer.order_done} if answer.order_done else {}

    outside = _outside_its_range(newton_metres, wrench) if wrench is not None else None

    def judged(result: CheckResult) -> Judged:
        """A wrench out of its range shows nothing: `cannot`, with what was computed beside it, so
        that a corrected figure finds it again. What was set wrong stays wrong with any wrench."""
        if outside is None or result.verdict is Verdict.FAIL:
            return Judged(Outcome(result.verdict.value, Grade.READ), values, (result,), private)
        if result.finding != "tool-range":
            why, settle = outside
            also = f"{result.why} Besides, {typed} {why}"
            result = replace(result, why=also, settle=f"{result.settle} {settle}")
        return Judged(Outcome(CANNOT), values, (result,), private)

    spec = specs.get(step.detail["spec"])
    if spec is None or not spec.quantity.value > 0:
        why = "is not known" if spec is None else f"cannot be {spec.quantity}"
        return judged(
            _torque_result(
                Verdict.UNDECIDED,
                "no-spec",
                f"{typed} was set, but the figure of the service information {why}.",
                applied,
                settle="Look the torque up in the service information and enter it.",
            )
        )
    wanted = float(spec.quantity.to("N·m").value)
    half = wanted * float(step.detail["tolerance"]) / 100
    limits = Limits(wanted - half, wanted + half, "N·m", f"torque: {spec.source}")
    if unit_slip(typed, spec.quantity):
        return judged(
            _torque_result(
                Verdict.UNDECIDED,
                "unit-slip",
                f"{typed} is twelve times off {spec.quantity}: one may be in·lbf, the other "
                "ft·lbf.",
                applied,
                limits,
                "Look at the unit on the wrench and in the service information, enter it again.",
            )
        )
    if kept is False:
        return judged(
            _torque_result(
                Verdict.FAIL,
                "wrong-order",
                "The fasteners were not tightened in the order of the service information.",
                applied,
                limits,
            )
        )
    share = WRENCH_SHARE if applied >= 10 else WRENCH_SHARE_SMALL
    rounding = float(newton_metres.last_place) / 2 / math.sqrt(3)
    u = max(math.hypot(applied * share / math.sqrt(3), rounding), 1e-9)
    result = _held_against("torque", applied, u, limits, TORQUE_CHECK_VERSION)
    if result.verdict is Verdict.UNDECIDED:
        why, settle = _near_its_limit(newton_metres, spec.quantity, share, limits)
        result = replace(result, why=why, settle=settle)
    if result.verdict is not Verdict.FAIL and outside is not None:
        why, settle = outside
        result = _torque_result(
            Verdict.UNDECIDED, "tool-range", f"{typed} {why}", applied, limits, settle
        )
    return judged(result)


def _near_its_limit(
    set_to: Quantity, figure: Quantity, share: float, limits: Limits
) -> tuple[str, str]:
    """(why, settle) where the wrench's own doubt reaches over the limit: what it may have given,
    and what hands do about it."""
    low, high = (float(set_to.value) * (1 + sign * share) for sign in (-1, 1))
    why = (
        f"A wrench set to {float(set_to.value):.4g} N·m may give {low:.3g} to {high:.3g} N·m "
        f"(±{share:.0%}); wanted are {band(limits)}."
    )
    if set_to.value < figure.to("N·m").value:
        return why, f"Set the wrench to {figure}, tighten again until it clicks and enter it."
    return why, f"Loosen, set the wrench to {figure}, tighten again and enter it."


def unit_slip(torque: Quantity, wanted: Quantity) -> bool:
    """Whether a torque is twelve times its figure, or a twelfth: a foot is twelve inches.

    Within 15 %, so that a tolerance on top of the slip does not hide it.
    """
    applied, figure = torque.to("N·m").value, wanted.to("N·m").value
    if figure <= 0 or applied <= 0:
        return False
    ratio = applied / figure
    return any(abs(ratio / slip - 1) < Fraction(15, 100) for slip in (12, Fraction(1, 12)))


def _outside_its_range(torque: Quantity, wrench: Quantity) -> tuple[str, str] | None:
    """(why, settle) where a wrench cannot be believed at this torque."""
    most = wrench.to("N·m").value
    if torque.value > most:
        return (
            f"is more than the {wrench} this wrench goes up to.",
            "Look at the scale and its unit again, or use a larger wrench, and enter it again.",
        )
    if torque.value < WRENCH_LEAST_SHARE * most:
        return (
            f"is less than a fifth of the {wrench} this wrench goes up to: so low it says little "
            "(common practice, no source).",
            "Loosen, use a smaller wrench, tighten again and enter it again.",
        )
    return None


def _torque_result(
    verdict: Verdict,
    finding: str,
    why: str,
    applied: float,
    limits: Limits | None = None,
    settle: str = "",
) -> CheckResult:
    return CheckResult(
        "torque",
        TORQUE_CHECK_VERSION,
        verdict,
        finding,
        why,
        settle=settle,
        value=applied,
        unit="N·m",
        limits=limits,
    )
