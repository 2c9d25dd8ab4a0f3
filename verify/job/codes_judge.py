"""What comes of a code reading: the gravest code's class, then what was not read, then the proof
that nobody cleared codes after the drive and that the clear before it happened, then the monitors.
Pure.

Whatever is missing leaves the step open and never passes it: `partly-read` where a memory, a module
or the counters since the clear were not read or do not decide, `not-ready` where only monitors or
permanent codes are left, `cleared` where the counters surely show less than the drive.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from verify.car.readiness import Status, not_complete_words
from verify.car.since_clear import covers_drive
from verify.car.told_clear import with_clear
from verify.car.whole_counts import Span
from verify.evidence.verdict import CheckResult
from verify.flow.graph import Outcome, Step
from verify.job.codes_answer import CodesRead, needs_modules
from verify.words import Grade, Verdict

SINCE_CLEAR_VERSION = 3
READINESS_VERSION = 1
# A code of these classes decides by itself, whatever the counters say.
GRAVER_THAN_CLEARED = ("forbids", "wiring", "learn")

Found = tuple[Outcome, dict[str, Any], tuple[CheckResult, ...]]


def judge_codes(step: Step, answer: CodesRead) -> Found:
    """(outcome, what was read as JSON, results: `since-clear` and `readiness` where asked)."""
    reading = answer.reading
    label = reading.label()
    unread = bool(needs_modules(step, reading.modules))
    if label == "none" and unread:
        # A module that was not read may hold anything.
        label = "partly-read"
    if step.required and label in step.passes and (unread or reading.pending is None):
        # So it may beside a code that this step puts up with.
        label = "partly-read"
    values: dict[str, Any] = reading.to_json()
    if answer.frame is not None:
        values["freeze_frame"] = answer.frame.to_json()
    results: list[CheckResult] = []
    if step.detail.get("since_clear"):
        values["since_clear"] = answer.counters.to_json()
        values["drive"] = _drive_json(answer)
        if answer.clear is not None:
            values["cleared"] = answer.clear.to_json()
        proof = _since_clear(answer)
        results.append(proof)
        label = _with_proof(step, label, proof.verdict)
    if step.detail.get("readiness"):
        values["readiness"] = answer.status.to_json() if answer.status else "not read"
        ready = _readiness(answer)
        results.append(ready)
        if label in step.passes and ready.finding == "does-not-fit":
            label = "partly-read"
        elif label in step.passes and ready.verdict is not Verdict.PASS:
            label = "not-ready"
    return Outcome(label, Grade.READ), values, tuple(results)


def _with_proof(step: Step, label: str, verdict: Verdict) -> str:
    if verdict is Verdict.PASS:
        return label
    if verdict is Verdict.FAIL and (label in step.passes or label not in GRAVER_THAN_CLEARED):
        return "cleared"
    return "partly-read" if label in step.passes else label


def _since_clear(answer: CodesRead) -> CheckResult:
    """Whether the counters cover the drive, and hold no more than fits since codes were cleared."""
    drive, told = answer.drive, not answer.from_recording
    proof = covers_drive(answer.counters, drive)
    if answer.clear is not None:
        proof = with_clear(proof, answer.counters, answer.clear, drive)
    known = drive.distance_km is not None or drive.minutes is not None
    return CheckResult(
        "since-clear",
        SINCE_CLEAR_VERSION,
        proof.verdict,
        proof.finding,
        _sentence("; ".join(proof.why)),
        settle=_sentence(proof.settle) if proof.settle else "",
        notes=("How long the drive was is told, not measured.",) if known and told else (),
    )


def _readiness(answer: CodesRead) -> CheckResult:
    """Whether every monitor is complete and no permanent code is known. Never a fail: incomplete
    monitors are no fault of the car, and their proof can follow."""
    status, reading = answer.status, answer.reading
    again = "Read the monitors since the clear again (01 01) after some ordinary drives."
    if status is None:
        finding, why, settle = "not-read", "The monitors were not read.", "Read them (01 01)."
    elif _does_not_fit(status, reading.stored):
        finding = "does-not-fit"
        why = "The car commands its lamp on or counts stored codes, but none were typed."
        settle = "Read the stored codes of every module again."
    elif left := not_complete_words(status):
        finding = "not-complete"
        why = f"{len(left)} of {len(status.states)} monitors have not shown themselves complete."
        settle = again
    elif reading.permanent:
        finding = "permanent-codes"
        why = f"Permanent codes are left: {', '.join(reading.permanent)}."
        settle = "Drive on: the car clears them by itself when their tests have run and passed."
    else:
        finding, why, settle = "complete", "Every monitor the car has is complete.", ""
    verdict = Verdict.PASS if finding == "complete" else Verdict.UNDECIDED
    return CheckResult("readiness", READINESS_VERSION, verdict, finding, why, settle=settle)


def _does_not_fit(status: Status, stored: tuple[str, ...]) -> bool:
    return not stored and bool(status.lamp_commanded or status.stored_codes)


def _drive_json(answer: CodesRead) -> Mapping[str, Any]:
    drive = answer.drive
    spans = {"distance_km": drive.distance_km, "minutes": drive.minutes}
    found: dict[str, Any] = {
        name: _ends(span) if span is not None else "not known" for name, span in spans.items()
    }
    found["warm_ups"] = drive.warm_ups
    return {**found, "from": "recording" if answer.from_recording else "told"}


def _ends(span: Span) -> list[float | str]:
    return [span.low, span.high if math.isfinite(span.high) else "not known"]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
