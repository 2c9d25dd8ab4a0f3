"""What a report says, before it is a page: plain frozen data, the same for every format.

    session ─build→ Report ─┬─pdf→ bytes
                            └─html→ str

A report is a head (what the job came to), sections, and a foot. A section holds blocks; each block
has a `kind` by which the templates know it. Everything in it is text for people, or a picture as
SVG with words that say the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from verify.words import Verdict


class Reader(StrEnum):
    """For whom a report is written."""

    CUSTOMER = "customer"
    SIGNER = "signer"
    WORKSHOP = "workshop"


class Mark(StrEnum):
    """The sign before a line. It never stands without its word."""

    PASS = "pass"
    FAIL = "fail"
    OPEN = "open"
    NOTED = "noted"
    GRAVE = "grave"
    LOOK = "look"
    STOP = "stop"
    GO = "go"


MARK_WORDS = {
    Mark.PASS: "PASS",
    Mark.FAIL: "FAIL",
    Mark.OPEN: "UNDECIDED",
    Mark.NOTED: "NOTED",
    Mark.GRAVE: "GRAVE",
    Mark.LOOK: "LOOK",
    Mark.STOP: "STOP",
    Mark.GO: "",
}
OF_VERDICT = {
    Verdict.PASS: Mark.PASS,
    Verdict.FAIL: Mark.FAIL,
    Verdict.UNDECIDED: Mark.OPEN,
}


@dataclass(frozen=True, slots=True)
class Say:
    """A paragraph. tone: "plain", "quiet" (small print) or "quote" (somebody's own words)."""

    text: str
    tone: str = "plain"
    kind: str = "say"


@dataclass(frozen=True, slots=True)
class Point:
    """One line of a list: what, and beside or below it what belongs to it."""

    text: str
    detail: str = ""
    mark: Mark | None = None


@dataclass(frozen=True, slots=True)
class Points:
    items: tuple[Point, ...]
    kind: str = "points"


@dataclass(frozen=True, slots=True)
class Facts:
    """Label and value, one pair a row."""

    rows: tuple[tuple[str, str], ...]
    kind: str = "facts"


@dataclass(frozen=True, slots=True)
class Table:
    """columns: heads; shares: how the width is divided; rows: as many texts as columns."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class VerdictBox:
    """One verdict with everything it rests on.

    number, limits: with units and doubt; source: where the limits are from. strip: the number on
    its limits, as SVG ("" where there is none), and the same in words in `strip_alt`.
    """

    mark: Mark
    word: str
    check: str
    finding: str
    number: str
    limits: str
    source: str
    rests: str
    why: str
    settle: str
    notes: tuple[str, ...]
    strip: str = ""
    strip_alt: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """svg: the picture; alt: what it shows, in words; note: how it is to be read."""

    title: str
    svg: str
    alt: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Stage:
    """One answer on the path: what was asked, what came of it, and what it rests on."""

    mark: Mark
    word: str
    title: str
    outcome: str
    stamp: str
    lines: tuple[str, ...] = ()
    verdicts: tuple[VerdictBox, ...] = ()
    figures: tuple[Figure, ...] = ()
    kind: str = "stage"


@dataclass(frozen=True, slots=True)
class Gallery:
    figures: tuple[Figure, ...]
    kind: str = "gallery"


@dataclass(frozen=True, slots=True)
class Seal:
    """The head of the journal as text and as QR code."""

    head: str
    words: str
    svg: str
    alt: str
    kind: str = "seal"


@dataclass(frozen=True, slots=True)
class Sign:
    """A place for a second person: what was decided, or that nobody did."""

    present: bool
    title: str
    lines: tuple[str, ...]
    kind: str = "sign"


Block = Say | Points | Facts | Table | Stage | Gallery | Seal | Sign


@dataclass(frozen=True, slots=True)
class Section:
    """side: stands in the narrow column where a page has two."""

    title: str
    blocks: tuple[Block, ...]
    side: bool = False


@dataclass(frozen=True, slots=True)
class Head:
    """What the job came to. mark: GO (the keys went back), OPEN (they stay, or it is not over),
    STOP (do not drive)."""

    mark: Mark
    words: str
    more: str


@dataclass(frozen=True, slots=True)
class Report:
    """kicker: the line above the title. warnings: what must be read before anything else (demo,
    rehearsal, still open). record: the journal as JSON lines, b"" where it is kept back; edition:
    the flow's content. moment: the last entry's time, RFC 3339. paper: "a4" or "us-letter"."""

    reader: Reader
    job: str
    title: str
    kicker: str
    head: Head
    warnings: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    foot: str
    moment: str
    record: bytes = b""
    edition: bytes = b""
    lang: str = "en"
    paper: str = "a4"
