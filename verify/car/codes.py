"""Fault codes as people type and paste them, and what a reading means for the close-out.

Structure of a code: SAE J2012 / ISO 15031-6 (letter P, C, B, U; a digit 0–3; three hexadecimal
digits). Which class a code belongs to stands in seeds/code_classes.csv, each row with its source.
A code may forbid; no code, and no absence of codes, allows anything by itself.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from verify import tables

# From the gravest to the mildest; the gravest code of a reading decides its class.
CLASSES = ("forbids", "wiring", "learn", "other")

_CODE = re.compile(r"^([PCBU])([0-3O])([0-9A-FO]{3})(?:-([0-9A-F]{2}))?$", re.IGNORECASE)
_WORD = re.compile(r"[^\s,;:/|()\[\]\"']+")
# Words that say by themselves that a memory was read and held nothing.
_NONE = frozenset({"none", "no", "keine", "nothing"})
_NOTHING = _NONE | frozenset({"codes", "code", "-", "–", "and", "dtc"})


@dataclass(frozen=True, slots=True)
class Parsed:
    """codes: as the standard writes them, in the order given, each once; rest: words that are
    neither code nor filler, so that nothing is dropped silently."""

    codes: tuple[str, ...]
    rest: tuple[str, ...]


def parse_codes(text: str) -> Parsed:
    """Reads "p2111", "P2111-00, u0100" or a pasted list. Never raises.

    The letter O where only a digit can stand is read as zero. A failure-type suffix ("-00") is
    left out: it says how the circuit failed, not what the close-out needs.
    """
    codes: list[str] = []
    rest: list[str] = []
    for word in _WORD.findall(text):
        bare = word.strip(".")
        match = _CODE.match(bare)
        if match is None:
            if bare and bare.casefold() not in _NOTHING:
                rest.append(word)
            continue
        letter, digit, tail, _ = match.groups()
        code = letter.upper() + (digit + tail).upper().replace("O", "0")
        if code not in codes:
            codes.append(code)
    return Parsed(tuple(codes), tuple(rest))


def says_none(text: str) -> bool:
    """Whether a text says in so many words that there is no code."""
    return any(word.strip(".").casefold() in _NONE for word in _WORD.findall(text))


def is_maker_defined(code: str) -> bool:
    """Whether the vehicle's maker, not the standard, says what the code means.

    SAE J2012: P1, P30–P33, U1–U2, B1–B2, C1–C2 (from memory).
    """
    return code[:2] in ("P1", "U1", "U2", "B1", "B2", "C1", "C2") or (
        code[:2] == "P3" and code[2] in "0123"
    )


def meaning(code: str) -> str:
    """What the code says, in our words, or honestly that it is not known here."""
    row = _known().get(code)
    if row is not None:
        return row["meaning"]
    if is_maker_defined(code):
        return "defined by the vehicle's maker: see the service information"
    return "not in our table: see the service information"


def class_of(code: str) -> str:
    """One of CLASSES; a code that is not in the table is `other`."""
    row = _known().get(code)
    return row["class"] if row is not None else "other"


@cache
def _known() -> Mapping[str, Mapping[str, str]]:
    return {row["code"]: row for row in tables.rows("seeds/code_classes.csv")}


@dataclass(frozen=True, slots=True)
class CodeReading:
    """What was read, kept apart by memory. None means not read or not supported, never "none"."""

    stored: tuple[str, ...]
    pending: tuple[str, ...] | None
    permanent: tuple[str, ...] | None
    modules: tuple[str, ...]

    def label(self) -> str:
        """The outcome of a codes step: the gravest class among stored and pending codes.

        `none` needs both memories read; with pending unread it is `partly-read`. Permanent codes
        alone decide nothing here: they clear themselves over drives to come.
        """
        found = {class_of(c) for c in (*self.stored, *(self.pending or ()))}
        for name in CLASSES:
            if name in found:
                return name
        return "none" if self.pending is not None else "partly-read"

    def to_json(self) -> dict[str, Any]:
        return {
            "stored": list(self.stored),
            "pending": list(self.pending) if self.pending is not None else "not read",
            "permanent": list(self.permanent) if self.permanent is not None else "not read",
            "modules": list(self.modules),
        }

    @staticmethod
    def from_json(body: Mapping[str, Any]) -> CodeReading:
        def memory(value: Any) -> tuple[str, ...] | None:
            return None if value == "not read" else tuple(value)

        return CodeReading(
            tuple(body["stored"]),
            memory(body["pending"]),
            memory(body["permanent"]),
            tuple(body["modules"]),
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
