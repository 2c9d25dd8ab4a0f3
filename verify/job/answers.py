"""Answers as typed values: what a person, or an answers file, says to a step.

The edge between words and outcomes: front ends make these, `judge` turns them into outcomes. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.errors import Problem, UserError, unknown
from verify.flow.graph import Step
from verify.job.codes_answer import FORM, codes_from_tree
from verify.job.codes_answer import CodesRead as CodesRead
from verify.job.codes_answer import strict_codes as strict_codes


@dataclass(frozen=True, slots=True)
class Done:
    """The step was done."""


@dataclass(frozen=True, slots=True)
class Chosen:
    name: str


@dataclass(frozen=True, slots=True)
class Said:
    text: str


@dataclass(frozen=True, slots=True)
class Number:
    """As typed, with or without unit."""

    text: str


@dataclass(frozen=True, slots=True)
class Fastened:
    """order_kept: None where the service information gives no order; order_done: how it was done,
    in words or as numbers, or ""; order_wanted: that of the service information as numbers, to be
    compared with it, or ""; wrench_max: the wrench's largest torque, as typed, or ""."""

    torque: str
    order_kept: bool | None
    wrench_max: str = ""
    order_done: str = ""
    order_wanted: str = ""


@dataclass(frozen=True, slots=True)
class RecordingFile:
    path: str
    mapping: Mapping[str, str] = field(default_factory=dict)
    interval: str = ""


@dataclass(frozen=True, slots=True)
class ToldInstead:
    """label: told-pass, told-fail or told-undecided."""

    label: str


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """Findings put in the place of a recording, to play a flow in memory: check → finding. There is
    no evidence behind it, so no job takes it."""

    findings: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class PhotoFile:
    path: str


@dataclass(frozen=True, slots=True)
class Exceptions:
    """The items of a card that are wrong, and those nobody saw; none means that all is well."""

    items: frozenset[str]
    unseen: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Cannot:
    reason: str


@dataclass(frozen=True, slots=True)
class StopNow:
    """Not safe: engine off, do not drive."""

    reason: str = ""


Answer = (
    Done
    | Chosen
    | Said
    | Number
    | CodesRead
    | Fastened
    | RecordingFile
    | ToldInstead
    | Rehearsed
    | PhotoFile
    | Exceptions
    | Cannot
    | StopNow
)

_FASTEN_MORE = frozenset({"order", "wrench", "done", "wanted"})

FORMS: Mapping[str, str] = {
    "do": "done",
    "ask": "one of the answers, or the text",
    "reading": 'the number with its unit, such as "12.6 V"',
    "codes": FORM,
    "fasten": '{torque: "9 N·m", order: yes, wrench: "25 N·m"}',
    "record": "{file: idle.csv}, or {told: told-pass}",
    "photo": "{file: connector.jpg}",
    "card": "ok, or {wrong: [item, …]}, with unseen: [item, …] where some were not seen",
}


def answer_from_tree(step: Step, value: Any) -> Answer:
    """An answer as an answers file gives it. Raises UserError saying what this step takes."""
    if value == "stop":
        return StopNow()
    if isinstance(value, dict) and set(value) == {"stop"}:
        return StopNow(str(value["stop"]))
    if isinstance(value, dict) and set(value) == {"cannot"} and isinstance(value["cannot"], str):
        return Cannot(value["cannot"])
    match step.kind, value:
        case "do", "done":
            return Done()
        case "ask", str() if "answers" in step.detail:
            if value in step.detail["answers"]:
                return Chosen(value)
            raise UserError(unknown(value, [*step.detail["answers"], "cannot", "stop"], "answer"))
        case "ask", str():
            return Said(value)
        case "reading", str() | int():
            return Number(str(value))
        case "codes", dict():
            return codes_from_tree(step, value)
        case "fasten", {"torque": str() as torque, **more} if set(more) <= _FASTEN_MORE:
            order = {"yes": True, "no": False, True: True, False: False, None: None}
            texts = [more.get(name, "") for name in ("wrench", "done", "wanted")]
            match more.get("order"), texts:
                case said, [str() as wrench, str() as done, str() as wanted] if said in order:
                    return Fastened(torque, order[said], wrench, done, wanted)
        case "record", {"file": str() as path, **more} if set(more) <= {"map", "every"}:
            mapping = more.get("map") or {}
            if isinstance(mapping, dict):
                return RecordingFile(path, dict(mapping), str(more.get("every", "")))
        case "record", {"told": str() as label} if label in step.labels:
            if label.startswith("told-"):
                return ToldInstead(label)
        case "record", {"judged": dict() as findings}:
            return Rehearsed({str(check): str(finding) for check, finding in findings.items()})
        case "photo", {"file": str() as path}:
            return PhotoFile(path)
        case "card", "ok":
            return Exceptions(frozenset())
        case "card", {"wrong": list() as items, **more} if set(more) <= {"unseen"}:
            unseen = more.get("unseen") or []
            if isinstance(unseen, list):
                for item in (*items, *unseen):
                    if item not in step.detail["items"]:
                        known = step.detail["items"]
                        raise UserError(unknown(str(item), known, "item of this card"))
                return Exceptions(frozenset(items), frozenset(unseen) - frozenset(items))
    raise UserError(
        Problem(
            found=f'"{value}"' if isinstance(value, str) else f"{value}",
            expected=f"{FORMS.get(step.kind, 'an answer')}, {{cannot: reason}} or stop",
            next="write the answer in this form",
        )
    )
