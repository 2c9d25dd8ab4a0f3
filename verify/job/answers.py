"""Answers as typed values: what a person, or an answers file, says to a step.

The edge between words and outcomes: front ends make these, `judge` turns them into outcomes. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.car.codes import CodeReading, Parsed, parse_codes, says_none
from verify.errors import Problem, UserError, unknown
from verify.flow.graph import Step


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
class CodesRead:
    reading: CodeReading


@dataclass(frozen=True, slots=True)
class Fastened:
    """order_kept: None where the service information gives no order; order_done: how it was done,
    in words, or ""; wrench_max: the wrench's largest torque, as typed, "" where not known."""

    torque: str
    order_kept: bool | None
    wrench_max: str = ""
    order_done: str = ""


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
class PhotoFile:
    path: str


@dataclass(frozen=True, slots=True)
class Exceptions:
    """The items of a card that are wrong; none means that all is well."""

    items: frozenset[str]


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
    | PhotoFile
    | Exceptions
    | Cannot
    | StopNow
)

_FASTEN_MORE = frozenset({"order", "wrench", "done"})

FORMS: Mapping[str, str] = {
    "do": "done",
    "ask": "one of the answers, or the text",
    "reading": 'the number with its unit, such as "12.6 V"',
    "codes": "{stored: [P0507], pending: [], permanent: not read, modules: [engine]}",
    "fasten": '{torque: "9 N·m", order: yes, wrench: "25 N·m"}',
    "record": "{file: idle.csv}, or {told: told-pass}",
    "photo": "{file: connector.jpg}",
    "card": "ok, or {wrong: [item, …]}",
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
            return _codes(step, value)
        case "fasten", {"torque": str() as torque, **more} if set(more) <= _FASTEN_MORE:
            order = {"yes": True, "no": False, True: True, False: False, None: None}
            said, wrench, done = more.get("order"), more.get("wrench", ""), more.get("done", "")
            if said in order and isinstance(wrench, str) and isinstance(done, str):
                return Fastened(torque, order[said], wrench, done)
        case "record", {"file": str() as path, **more} if set(more) <= {"map", "every"}:
            mapping = more.get("map") or {}
            if isinstance(mapping, dict):
                return RecordingFile(path, dict(mapping), str(more.get("every", "")))
        case "record", {"told": str() as label} if label in step.labels:
            if label.startswith("told-"):
                return ToldInstead(label)
        case "photo", {"file": str() as path}:
            return PhotoFile(path)
        case "card", "ok":
            return Exceptions(frozenset())
        case "card", {"wrong": list() as items}:
            for item in items:
                if item not in step.detail["items"]:
                    raise UserError(unknown(str(item), step.detail["items"], "item of this card"))
            return Exceptions(frozenset(items))
    raise UserError(
        Problem(
            found=f'"{value}"' if isinstance(value, str) else f"{value}",
            expected=f"{FORMS.get(step.kind, 'an answer')}, {{cannot: reason}} or stop",
            next="write the answer in this form",
        )
    )


def _codes(step: Step, value: Mapping[str, Any]) -> CodesRead:
    foreign = set(value) - {"stored", "pending", "permanent", "modules"}
    if foreign:
        raise UserError(
            unknown(sorted(foreign)[0], ["stored", "pending", "permanent", "modules"], "memory")
        )

    def memory(name: str) -> tuple[str, ...] | None:
        given = value.get(name, "not read")
        if given == "not read":
            return None
        if given == []:
            return ()
        text = " ".join(map(str, given)) if isinstance(given, list) else str(given or "")
        return strict_codes(text).codes

    stored = memory("stored")
    if stored is None:
        raise UserError(
            Problem(
                found="stored codes that were not read",
                expected="at least the stored codes",
                next='if no reader is at hand, answer {cannot: "no code reader"}',
            )
        )
    # Modules that nobody names were not read, as far as anybody knows.
    modules = value.get("modules", [])
    if not isinstance(modules, list) or not all(isinstance(m, str) for m in modules):
        raise UserError(
            Problem(
                found=f"the modules {modules}",
                expected="a list of the modules that were read",
                next=f"write modules: [{', '.join(step.detail['modules'])}]",
            )
        )
    return CodesRead(CodeReading(stored, memory("pending"), memory("permanent"), tuple(modules)))


def strict_codes(text: str) -> Parsed:
    """Codes of a text in which nothing else may stand. Raises UserError naming what is no code."""
    parsed = parse_codes(text)
    if parsed.rest:
        raise UserError(
            Problem(
                found=f'"{" ".join(parsed.rest)}", which is no fault code',
                expected="codes such as P0507, or none",
                next="correct it, or leave it out",
            )
        )
    if not parsed.codes and not says_none(text):
        # A blank, a dash or a dot can just as well stand for a memory that was not read.
        raise UserError(
            Problem(
                found=f'"{text.strip()}", which names no code',
                expected="codes such as P0507, or the word none",
                next='write "none" if the memory was read and held none',
            )
        )
    return parsed


def needs_modules(step: Step, read: Iterable[str]) -> tuple[str, ...]:
    """The modules a codes step asks for that were not among those read."""
    have = {m.casefold() for m in read}
    return tuple(m for m in step.detail["modules"] if m.casefold() not in have)
