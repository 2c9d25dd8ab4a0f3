"""The answer to a codes step: what was read, the counters since the clear, the monitors. Pure.

Words as people and answers files give them → typed values; what comes of it is `codes_judge`'s.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from verify.car.codes import CodeReading, Parsed, parse_placed, says_none
from verify.car.frame_text import frame_from_text
from verify.car.freeze_frame import FreezeFrame
from verify.car.readiness import Status, status_from_typed
from verify.car.since_clear import Counters, Drive, counters_from_typed, drive_from_told
from verify.car.told_clear import ToldClear
from verify.errors import Problem, UserError, unknown
from verify.flow.graph import Step

FORM = "{stored: [P0507], pending: [], permanent: not read, modules: [engine]}"
MEMORIES = ("stored", "pending", "permanent")
FIELDS = (*MEMORIES, "modules", "by_work", "freeze_frame", "since_clear", "drive", "readiness")


@dataclass(frozen=True, slots=True)
class CodesRead:
    """counters, drive: what the car counts since the clear, and the drive they must cover; asked
    where the step says `since_clear`. from_recording: the drive is that of its recording.
    status: the monitors, where the step says `readiness`; None where they were not read. frame: the
    freeze frame; it changes no outcome. clear: how long ago the job says codes were cleared, None
    where that is not known."""

    reading: CodeReading
    counters: Counters = field(default_factory=Counters)
    drive: Drive = field(default_factory=Drive)
    from_recording: bool = False
    status: Status | None = None
    frame: FreezeFrame | None = None
    clear: ToldClear | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """One memory as typed: what was understood, where each code was read, what to say of it, and
    the failure type of each code that had one."""

    codes: tuple[str, ...]
    where: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    types: tuple[tuple[str, str], ...] = ()


# A memory that was not read, and one that the car or the reader does not have: neither is "none".
UNREAD = ("?", "not read")
UNSUPPORTED = ("not supported", "unsupported", "n/a")


def memory_or_unread(text: str) -> Memory | None:
    """As `memory_of`; None where the memory was not read, or is said not to be supported."""
    plain = " ".join(text.split()).casefold()
    return None if plain in (*UNREAD, *UNSUPPORTED) else memory_of(text)


def unsupported_note(memory: str, text: str) -> str:
    """What is kept of a memory that is not supported; "" for any other answer."""
    if " ".join(text.split()).casefold() not in UNSUPPORTED:
        return ""
    return (
        f"{memory} codes: not supported by car or reader, which does not mean that there are none"
    )


def memory_of(text: str) -> Memory:
    """Codes of a text in which nothing else may stand, "@module" behind a code allowed.

    Raises UserError naming each word that is no code, with the reason.
    """
    parsed, where = parse_placed(text)
    _only_codes(parsed, text)
    notes = tuple(
        f'"{r.typed}" was read as {r.code}: {"; ".join(r.notes)}' for r in parsed.read if r.notes
    )
    types = dict.fromkeys((r.code, r.failure_type) for r in parsed.read if r.failure_type)
    return Memory(parsed.codes, where, notes, tuple(types))


def strict_codes(text: str) -> Parsed:
    """Codes of a text in which nothing else may stand. Raises UserError naming what is no code."""
    parsed, _ = parse_placed(text)
    _only_codes(parsed, text)
    return parsed


def _only_codes(parsed: Parsed, text: str) -> None:
    if parsed.rest:
        reasons = "; ".join(f'"{u.typed}": {u.reason}' for u in parsed.unread)
        understood = f"; understood: {' '.join(parsed.codes)}" if parsed.codes else ""
        raise UserError(
            Problem(
                found=f'"{" ".join(parsed.rest)}", which is no fault code',
                expected="codes such as P0507, or none",
                next=f"correct it, or leave it out ({reasons}{understood})",
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


def codes_from_tree(step: Step, value: Mapping[str, Any]) -> CodesRead:
    """The answer as an answers file gives it. Raises UserError."""
    foreign = set(value) - set(FIELDS)
    if foreign:
        raise UserError(unknown(str(sorted(map(str, foreign))[0]), FIELDS, "memory"))
    for name, asked in (
        ("since_clear", "since_clear"),
        ("drive", "since_clear"),
        ("readiness",) * 2,
    ):
        if name in value and not step.detail.get(asked):
            raise UserError(
                Problem(
                    f"{name} at a step that does not ask for it",
                    ", ".join(FIELDS[:4]),
                    "leave it out",
                    field=step.name,
                )
            )
    memories = {name: _memory(value.get(name, "not read")) for name in MEMORIES}
    lacking = [unsupported_note(name, str(value.get(name, ""))) for name in MEMORIES]
    stored, pending, permanent = (memories[name] for name in MEMORIES)
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
    by_work = _memory(value.get("by_work", []))
    reading = reading_of(stored, pending, permanent, modules, by_work.codes if by_work else ())
    reading = replace(reading, notes=(*reading.notes, *filter(None, lacking)))
    readiness = str(value.get("readiness", "not read"))
    given = str(value.get("freeze_frame", "not read"))
    frame = None if given == "not read" else frame_from_text(given)
    if frame is not None:
        reading = replace(reading, notes=(*reading.notes, *frame.notes))
    return CodesRead(
        reading,
        counters_from_typed(_texts(value, "since_clear")),
        drive_from_told(_texts(value, "drive")),
        status=None if readiness == "not read" else status_from_typed(readiness),
        frame=frame.frame if frame is not None else None,
    )


def reading_of(
    stored: Memory,
    pending: Memory | None,
    permanent: Memory | None,
    modules: Iterable[str],
    by_work: Iterable[str] = (),
) -> CodeReading:
    """The reading of three memories. A module that a code was read in was read itself."""
    found = [m for m in (stored, pending, permanent) if m is not None]
    where = tuple(dict.fromkeys(place for m in found for place in m.where))
    have = list(modules)
    for _, module in where:
        if module.casefold() not in {m.casefold() for m in have}:
            have.append(module)
    reading = CodeReading(
        stored.codes,
        pending.codes if pending is not None else None,
        permanent.codes if permanent is not None else None,
        tuple(have),
        where,
        (),
        tuple(note for m in found for note in m.notes),
        tuple(dict.fromkeys(pair for m in found for pair in m.types)),
    )
    own = tuple(dict.fromkeys(by_work))
    for code in own:
        if code not in reading.present:
            raise UserError(unknown(code, reading.present, "code of this reading"))
    return replace(reading, by_work=own)


def needs_modules(step: Step, read: Iterable[str]) -> tuple[str, ...]:
    """The modules a codes step asks for that were not among those read."""
    have = {m.casefold() for m in read}
    return tuple(m for m in step.detail["modules"] if m.casefold() not in have)


def _memory(given: Any) -> Memory | None:
    if given == []:
        return Memory(())
    text = " ".join(map(str, given)) if isinstance(given, list) else str(given or "")
    return memory_or_unread(text)


def _texts(value: Mapping[str, Any], name: str) -> dict[str, str]:
    given = value.get(name, {})
    if given == "not read":
        return {}
    if not isinstance(given, dict):
        raise UserError(
            Problem(
                found=f"{name}: {given}",
                expected='numbers by name, such as {distance: "23 km", time: "41 min"}',
                next="write what was read, or leave it out",
            )
        )
    return {str(key): str(text) for key, text in given.items()}
