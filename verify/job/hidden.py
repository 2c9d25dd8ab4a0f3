"""What a job's entries stand for and do not hold: personal values by their salted digest, and
evidence by the hash of its bytes. Pure, and general on purpose: kinds of entry that come later
keep personal data in the same form, and are found too.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.job.entry import Entry

_SHA256 = re.compile(r"[0-9a-f]{64}")


def digests_in(entries: Iterable[Entry]) -> dict[str, str]:
    """Everything in the bodies that has the form of a digest → the field it stands in.

    Which of them hide a personal value, the journal knows (`Journal.private`).
    """
    found: dict[str, str] = {}
    for entry in entries:
        for path, value in _strings(entry.body, ()):
            if _SHA256.fullmatch(value):
                found.setdefault(value, path[-1] if path else "")
    return found


def evidence_in(entries: Iterable[Entry]) -> frozenset[str]:
    """The SHA-256 of every piece of evidence that the entries name openly: of recordings, not of
    pictures, whose hash is a personal value."""
    return frozenset(
        value
        for entry in entries
        for path, value in _strings(entry.body.get("evidence"), ())
        if path[-1:] == ("sha256",) and _SHA256.fullmatch(value)
    )


def _strings(value: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _strings(inner, (*path, str(name)))
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _strings(inner, path)


def plain_texts(entries: Iterable[Entry]) -> Iterator[tuple[str, str]]:
    """(kind and field, text) of all that stands openly in the entries."""
    for entry in entries:
        for path, value in _strings(entry.body, ()):
            yield " ".join((entry.kind, *path[-1:])), value
