"""A point that a signer must see, and how much it weighs. Plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


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
    """Where to look: "entry 3, 5"."""
    more = len(entries) - _SHOWN
    return f"entry {', '.join(map(str, entries[:_SHOWN]))}" + (f" and {more} more" * (more > 0))


@dataclass(frozen=True, slots=True)
class Point:
    """name: of a closed list, kept in the sign-off. words: one or two plain sentences, nothing
    personal in them. entries: where to look. said: salted digests of the words a person wrote."""

    name: str
    weight: Weight
    words: str
    entries: tuple[int, ...] = ()
    said: tuple[str, ...] = ()
