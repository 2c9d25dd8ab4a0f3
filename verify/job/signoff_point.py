"""A point that a signer must see, how much it weighs, and what was answered to it. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.job.visits import SignOff


LEAST_LETTERS = 5
"""So many letters has a reason at least, three of them different."""


class Weight(StrEnum):
    """grave: the record does not bear out the ending, or could be made up; look: worth a look and
    a question; note: good to know. In this order."""

    GRAVE = "grave"
    LOOK = "look"
    NOTE = "note"


WEIGHTS = {Weight.GRAVE: "GRAVE", Weight.LOOK: "LOOK", Weight.NOTE: "note"}
"""What a weight is called, on screens and on paper."""
_SHOWN = 6


def entries_words(entries: Sequence[int]) -> str:
    """Where to look: "entries 3, 5"."""
    more = len(entries) - _SHOWN
    word = "entry" if len(entries) == 1 else "entries"
    return f"{word} {', '.join(map(str, entries[:_SHOWN]))}" + (f" and {more} more" * (more > 0))


@dataclass(frozen=True, slots=True)
class Point:
    """name: of a closed list, kept in the sign-off. words: one or two plain sentences, nothing
    personal in them. entries: where to look. said: salted digests of the words a person wrote."""

    name: str
    weight: Weight
    words: str
    entries: tuple[int, ...] = ()
    said: tuple[str, ...] = ()


def what_is_missing(reason: str, before: Collection[str] = ()) -> str:
    """Why these words are no answer to a grave point, "" where they may be one.

    before: the answers to the other points; each is answered by itself.
    """
    letters = [c for c in reason.casefold() if c.isalpha()]
    if len(letters) < LEAST_LETTERS or len(set(letters)) < 3:
        return "no reason in words"
    if " ".join(reason.casefold().split()) in {" ".join(b.casefold().split()) for b in before}:
        return "the words that answer another point"
    return ""


def answered(sign_off: SignOff, found: Sequence[Point]) -> list[tuple[str, str]]:
    """Each grave point that a signer accepted: what it says, and the digest of their reason.

    found: the points of the job as it stands; where one is among them no more, its name is said.
    """
    left, pairs = list(found), []
    for name, entries, reason in sign_off.answers:
        point = next((p for p in left if (p.name, p.entries) == (name, entries)), None)
        if point is not None:
            left.remove(point)
        where = f" ({entries_words(entries)})" if entries else ""
        pairs.append((point.words if point is not None else f"{name}{where}", reason))
    return pairs
