"""What an audit says, and what is known while it goes on: the parts, and the collector of them.

Below `audit_container` (the file) and `audit_journal` (what it tells), which fill it. Frozen data
but for the collector, which lives only inside one audit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from verify.errors import Problem, UserError
from verify.job.jobfile_read import Damaged, JobFileReader
from verify.job.jws import fingerprint, short

MOST_TEXT_BYTES = 1 << 26


class Level(StrEnum):
    """What came of looking at one part."""

    HOLDS = "holds"
    NOTE = "note"
    FINDING = "does not hold"


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the file. text: one sentence; more: one line for each thing to be said of it."""

    name: str
    level: Level
    text: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EntryAudit:
    """What holds of one entry."""

    seq: int
    time: str
    person: str
    kind: str
    step: str
    level: Level
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Audit:
    """sentence: what holds, for whoever reads one line only. verdicts: how often each came out."""

    sentence: str
    job: str
    flow: str
    ending: str
    parts: tuple[Part, ...]
    entries: tuple[EntryAudit, ...]
    verdicts: Mapping[str, int]

    @property
    def findings(self) -> tuple[Part, ...]:
        return tuple(p for p in self.parts if p.level is Level.FINDING)

    def to_json(self) -> dict[str, Any]:
        return {
            "holds": not self.findings,
            "sentence": self.sentence,
            "job": self.job,
            "flow": self.flow,
            "ending": self.ending,
            "parts": [
                {"part": p.name, "level": p.level.value, "text": p.text, "more": list(p.more)}
                for p in self.parts
            ],
            "verdicts": dict(self.verdicts),
            "entries": [
                {
                    "seq": e.seq,
                    "time": e.time,
                    "person": e.person,
                    "kind": e.kind,
                    "step": e.step,
                    "level": e.level.value,
                    "texts": list(e.texts),
                }
                for e in self.entries
            ],
        }


@dataclass(slots=True)
class Auditing:
    """One audit going on. trusted: whether a trusted key signed anything in the file; signed_by:
    the key of the maker's signature, "" where there is none that holds."""

    file: JobFileReader
    source_name: str
    trust: frozenset[str]
    parts: list[Part] = field(default_factory=list)
    said: dict[int, list[tuple[Level, str]]] = field(default_factory=dict)
    damaged: set[str] = field(default_factory=set)
    verdicts: Counter[str] = field(default_factory=Counter)
    trusted: bool = False
    signed_by: str = ""

    def part(self, name: str, level: Level, text: str, more: Collection[str] = ()) -> None:
        self.parts.append(Part(name, level, text, tuple(more)))

    def finding(self, name: str, text: str, more: Collection[str] = ()) -> None:
        self.part(name, Level.FINDING, text, more)

    def say(self, seq: int, level: Level, text: str) -> None:
        self.said.setdefault(seq, []).append((level, text))

    def bytes_of(self, name: str) -> bytes | None:
        """A member as bytes; None where it is missing or damaged."""
        if name not in self.file.members:
            return None
        try:
            return self.file.bytes_of(name, MOST_TEXT_BYTES)
        except Damaged:
            self.damaged.add(name)
            return None

    def newer(self, found: str) -> UserError:
        return UserError(
            Problem(
                file=self.source_name,
                found=found,
                expected="what this version of keysback knows",
                next="install the newer keysback that wrote it",
            )
        )

    def key_words(self, public: bytes) -> str:
        if fingerprint(public) in self.trust:
            self.trusted = True
            return f"the trusted key {short(public)}"
        return f"the key {short(public)}, signer unknown"


def upper(text: str) -> str:
    return text[:1].upper() + text[1:]
