"""Fault codes: what each says, who defines it, and what a reading means for the close-out.

Reading what people typed is code_text's; the facts stand in seeds/codes.csv, what to verify after
a repair in seeds/code_checks.csv, each row with its source. A code may forbid; no code, and no
absence of codes, allows anything by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from functools import cache
from typing import Any

from verify import tables
from verify.car.code_places import is_brake_module, parse_placed
from verify.car.code_text import (
    Parsed,
    Read,
    Unread,
    code_to_word,
    parse_codes,
    says_none,
    word_to_code,
)
from verify.values import dataclass

__all__ = [
    "CLASSES",
    "CodeReading",
    "Definer",
    "Fact",
    "Parsed",
    "Read",
    "Unread",
    "class_of",
    "code_to_word",
    "compare",
    "fact",
    "is_brake_module",
    "is_maker_defined",
    "meaning",
    "notes_for",
    "parse_codes",
    "parse_placed",
    "says_none",
    "who_defines",
    "word_to_code",
]

# From the gravest to the mildest; the gravest code of a reading decides its class.
CLASSES = ("forbids", "wiring", "learn", "other")
THROTTLE = ("throttle", "pedal")


class Definer(StrEnum):
    """Who says what a code means."""

    STANDARD = "the standard"
    MAKER = "the vehicle's maker"
    PARTLY = "partly the standard, partly the vehicle's maker"
    RESERVED = "nobody yet: reserved by the standard"
    UNKNOWN = "not known here"


@dataclass(frozen=True, slots=True)
class Fact:
    """One row of seeds/codes.csv, with what to verify in full.

    touches: the part of the close-out; relearn: "yes", "no" or "part" (points to wiring or part);
    forbids: whether it forbids driving by itself, with why; sure: how far lists agree on it.
    """

    code: str
    kind: str
    meaning: str
    touches: str
    verify: str
    relearn: str
    forbids: bool
    why: str
    source: str
    sure: str


def who_defines(code: str) -> Definer:
    """Who says what a code means, by its range. `code` as the standard writes it.

    SAE J2012 / ISO 15031-6, from memory: P0, P2, P34–P39, U0, B0, C0 the standard, U3 in part;
    P1, P30–P33, U1–U2, B1–B2, C1–C2 the maker; B3, C3 reserved. P3A–P3F are not known here.
    """
    if code[:2] == "P3":
        if code[2] in "0123":
            return Definer.MAKER
        return Definer.STANDARD if code[2] in "456789" else Definer.UNKNOWN
    if code[:2] == "U3":
        return Definer.PARTLY
    if code[:2] in ("B3", "C3"):
        return Definer.RESERVED
    return Definer.STANDARD if code[:2] in ("P0", "P2", "U0", "B0", "C0") else Definer.MAKER


def is_maker_defined(code: str) -> bool:
    """Whether the vehicle's maker, not the standard, says what the code means."""
    return who_defines(code) is Definer.MAKER


def fact(code: str) -> Fact | None:
    """What is known here about one code, or None."""
    return _known().get(code)


def meaning(code: str) -> str:
    """What the code says, in our words, or honestly that it is not known here."""
    row = _known().get(code)
    if row is not None:
        return row.meaning
    match who_defines(code):
        case Definer.MAKER:
            return "defined by the vehicle's maker: see the service information"
        case Definer.RESERVED:
            return "reserved by the standard: no meaning is given to it"
    return "not in our table: see the service information"


def class_of(code: str, modules: Sequence[str] = ()) -> str:
    """One of CLASSES; a code that is not in the table is `other`.

    modules: where it was read, as far as that was said; whatever was read in a brake module
    forbids driving, the maker's own codes too.
    """
    if any(is_brake_module(m) for m in modules):
        return "forbids"
    row = _known().get(code)
    return row.kind if row is not None else "other"


def notes_for(codes: Sequence[str]) -> tuple[str, ...]:
    """What is to be said once about these codes together, from seeds/code_notes.csv."""
    kinds = {note["applies"]: note["note"] for note in tables.rows("seeds/code_notes.csv")}
    found = []
    known = [row for code in codes if (row := fact(code)) is not None]
    if any(row.touches in THROTTLE for row in known):
        found.append(kinds["throttle"])
    if any(code[0] == "C" for code in codes) or any(row.touches == "brakes" for row in known):
        found.append(kinds["brakes"])
    return tuple(found)


@cache
def _known() -> Mapping[str, Fact]:
    checks = {row["check"]: row["verify"] for row in tables.rows("seeds/code_checks.csv")}
    return {
        row["code"]: Fact(
            row["code"],
            row["class"],
            row["meaning"],
            row["touches"],
            checks[row["verify"]],
            row["relearn"],
            row["forbids"] == "yes",
            row["why"],
            row["source"],
            row["sure"],
        )
        for row in tables.rows("seeds/codes.csv")
    }


@dataclass(frozen=True, slots=True)
class CodeReading:
    """What was read, kept apart by memory. None means not read or not supported, never "none".

    modules: those that were read. where: (code, module) where somebody said which module a code
    came from. by_work: codes that the work itself set (unplugged with the key on), as somebody
    says; it changes no class. notes: what was read otherwise than it was typed. types: (code,
    failure type) where one was typed; it changes no class either.
    """

    stored: tuple[str, ...]
    pending: tuple[str, ...] | None
    permanent: tuple[str, ...] | None
    modules: tuple[str, ...]
    where: tuple[tuple[str, str], ...] = ()
    by_work: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    types: tuple[tuple[str, str], ...] = ()

    @property
    def present(self) -> tuple[str, ...]:
        """Stored and pending codes, each once."""
        return tuple(dict.fromkeys((*self.stored, *(self.pending or ()))))

    def modules_of(self, code: str) -> tuple[str, ...]:
        """The modules a code is said to have been read in; empty where nobody said."""
        return tuple(module for found, module in self.where if found == code)

    def types_of(self, code: str) -> tuple[str, ...]:
        """The failure types a code was read with; empty where none was typed."""
        return tuple(byte for found, byte in self.types if found == code)

    def label(self) -> str:
        """The outcome of a codes step: the gravest class among stored and pending codes.

        `none` needs both memories read; with pending unread it is `partly-read`. Permanent codes
        alone decide nothing here: they clear themselves over drives to come. But a permanent code
        read in a brake module forbids like any other fault read there.
        """
        found = {class_of(c, self.modules_of(c)) for c in self.present}
        if any(is_brake_module(m) for c in self.permanent or () for m in self.modules_of(c)):
            found.add("forbids")
        for name in CLASSES:
            if name in found:
                return name
        return "none" if self.pending is not None else "partly-read"

    def to_json(self) -> dict[str, Any]:
        value: dict[str, Any] = {
            "stored": list(self.stored),
            "pending": list(self.pending) if self.pending is not None else "not read",
            "permanent": list(self.permanent) if self.permanent is not None else "not read",
            "modules": list(self.modules),
        }
        # Left out where empty, so that a reading of before these were asked is the same reading.
        if self.where:
            value["where"] = [list(pair) for pair in self.where]
        if self.by_work:
            value["by_work"] = list(self.by_work)
        if self.notes:
            value["notes"] = list(self.notes)
        if self.types:
            value["failure_types"] = [list(pair) for pair in self.types]
        return value

    @staticmethod
    def from_json(body: Mapping[str, Any]) -> CodeReading:
        def memory(value: Any) -> tuple[str, ...] | None:
            return None if value == "not read" else tuple(value)

        return CodeReading(
            tuple(body["stored"]),
            memory(body["pending"]),
            memory(body["permanent"]),
            tuple(body["modules"]),
            tuple((str(code), str(module)) for code, module in body.get("where", ())),
            tuple(body.get("by_work", ())),
            tuple(body.get("notes", ())),
            tuple((str(code), str(byte)) for code, byte in body.get("failure_types", ())),
        )


def compare(before: CodeReading, after: CodeReading) -> dict[str, tuple[str, ...]]:
    """The difference in plain words: gone, still there, new. Only memories read both times."""
    old = {*before.stored, *(before.pending or ())}
    new = {*after.stored, *(after.pending or ())}
    return {
        "gone": tuple(sorted(old - new)),
        "still there": tuple(sorted(old & new)),
        "new": tuple(sorted(new - old)),
    }
