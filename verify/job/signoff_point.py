"""A point that a signer must see, and how much it weighs. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Weight(StrEnum):
    """grave: the record does not bear out the ending, or could be made up; look: worth a look and
    a question; note: good to know. In this order."""

    GRAVE = "grave"
    LOOK = "look"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Point:
    """name: of a closed list, kept in the sign-off. words: one or two plain sentences, nothing
    personal in them. entries: where to look. said: salted digests of the words a person wrote."""

    name: str
    weight: Weight
    words: str
    entries: tuple[int, ...] = ()
    said: tuple[str, ...] = ()
