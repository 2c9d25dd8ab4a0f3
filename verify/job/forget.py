"""Forgetting a customer: which jobs speak of them, what those jobs hold of them, and its erasure.

    words as typed ─find_jobs→ jobs ─holdings→ texts, pictures, recordings ─erase→ gone for good

Entries stay, and with them the hashes, so every chain still verifies (invariant 13). Pictures are
personal and always go with the texts; recordings, which hold the car's data, only on request. A
piece of evidence that a job not forgotten names as well stays. Works on any journal.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError
from verify.job.disk import is_sha256
from verify.job.hidden import digests_in, evidence_in, plain_texts

if TYPE_CHECKING:
    from verify.job.entry import Entry
    from verify.job.memory import Journal

_LEAST = 3
_PICTURE = "photo"


@dataclass(frozen=True, slots=True)
class Holding:
    """What a job holds of somebody.

    texts: digest → field, of the personal values still there (a picture's hash is one of them);
    digests: all that may hide one, those erased before included; pictures, recordings: SHA-256 of
    the pieces of evidence still there; shared: those that other jobs name as well.
    found_in: fields whose value holds the words that were looked for; plain: places in entries,
    which nothing can change, where the words stand openly.
    """

    job: str
    texts: Mapping[str, str]
    digests: frozenset[str]
    pictures: frozenset[str] = frozenset()
    recordings: frozenset[str] = frozenset()
    shared: frozenset[str] = frozenset()
    found_in: tuple[str, ...] = ()
    plain: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Gone:
    """What was erased of a job; as in an entry of kind `erased`."""

    texts: int
    pictures: int
    recordings: tuple[str, ...]


def pattern_of(words: str) -> re.Pattern[str]:
    """Finds the words however they are written: "ab 12-cde" finds AB12CDE, and "ada" no Adapter.

    Raises UserError for less than three letters or digits, which would find half the shop.
    """
    signs = [re.escape(c) for c in words if c.isalnum()]
    if len(signs) < _LEAST:
        raise UserError(
            Problem(
                found=f'"{words}"',
                expected=f"at least {_LEAST} letters or digits",
                next="write more of the name, plate or VIN, or name the job with --job",
            )
        )
    return re.compile(r"(?<!\w)" + r"[\W_]*".join(signs) + r"(?!\w)", re.IGNORECASE)


def holdings(journal: Journal, pattern: re.Pattern[str] | None = None) -> tuple[Holding, ...]:
    """Of every job, those last changed first; found_in and plain are empty without a pattern.

    Raises UserError where the store is damaged: what cannot be read cannot be searched.
    """
    people = {p.name for p in journal.people()}
    jobs = [str(row["job"]) for row in journal.jobs()]
    made = [_holding(journal, job, journal.entries(job), people, pattern) for job in jobs]
    named: dict[str, int] = {}
    for holding in made:
        for sha256 in holding.pictures | holding.recordings:
            named[sha256] = named.get(sha256, 0) + 1
    return tuple(_sharing(h, {s for s, count in named.items() if count > 1}) for h in made)


def _holding(
    journal: Journal,
    job: str,
    entries: tuple[Entry, ...],
    people: set[str],
    pattern: re.Pattern[str] | None,
) -> Holding:
    fields = {d: f for d, f in digests_in(entries).items() if d not in people}
    values = {d: journal.private(d) for d in fields}
    there = {d: value for d, value in values.items() if value is not None}
    pictures = {v for d, v in there.items() if fields[d] == _PICTURE and is_sha256(v)}
    found = [fields[d] for d, v in there.items() if pattern is not None and pattern.search(v)]
    plain = {
        name
        for name, text in plain_texts(entries)
        if pattern is not None and not is_sha256(text) and pattern.search(text)
    }
    return Holding(
        job=job,
        texts={d: fields[d] for d in there},
        digests=frozenset(fields),
        pictures=frozenset(filter(journal.has_evidence, pictures)),
        recordings=frozenset(filter(journal.has_evidence, evidence_in(entries))),
        found_in=tuple(found),
        plain=tuple(sorted(plain)),
    )


def _sharing(holding: Holding, shared: set[str]) -> Holding:
    from dataclasses import replace

    return replace(holding, shared=(holding.pictures | holding.recordings) & shared)


def planned(
    forgotten: Iterable[Holding], everybody: Iterable[Holding], *, recordings: bool
) -> dict[str, Gone]:
    """What erasing would take from each job; a job that holds nothing any more is left out."""
    chosen = tuple(forgotten)
    keep = _kept(chosen, everybody)
    gone = {}
    for h in chosen:
        texts = sum(field != _PICTURE for field in h.texts.values())
        pictures = len(h.pictures - keep)
        taken = tuple(sorted(h.recordings - keep)) if recordings else ()
        if h.texts or pictures or taken:
            gone[h.job] = Gone(texts, pictures, taken)
    return gone


def erase(
    journal: Journal,
    forgotten: Iterable[Holding],
    everybody: Iterable[Holding],
    *,
    recordings: bool,
) -> None:
    """Erases what these jobs hold. Twice does no harm, and clears up what a first time that was
    broken off left.

    everybody: the holdings of all jobs, for what is named by one that is not forgotten.
    Raises UserError where the store cannot be written; what was erased before that is gone.
    """
    chosen = tuple(forgotten)
    keep = _kept(chosen, everybody)
    # Pictures first: only the personal values know their hashes.
    for h in chosen:
        journal.erase_evidence(sorted(h.pictures - keep))
        if recordings:
            journal.erase_evidence(sorted(h.recordings - keep))
    journal.erase_private(sorted(frozenset[str]().union(*(h.digests for h in chosen))))


def _kept(chosen: tuple[Holding, ...], everybody: Iterable[Holding]) -> frozenset[str]:
    """The evidence that a job which is not forgotten names."""
    jobs = {h.job for h in chosen}
    others = [h.pictures | h.recordings for h in everybody if h.job not in jobs]
    return frozenset[str]().union(*others)


def unnamed(names: Iterable[str], everybody: Iterable[Holding]) -> tuple[str, ...]:
    """The pieces of evidence that no job names: given, and the answer was broken off."""
    named = frozenset[str]().union(*(h.pictures | h.recordings for h in everybody))
    return tuple(name for name in names if name not in named)


def summary(holding: Holding) -> Mapping[str, Any]:
    """How much there is to erase: texts, pictures, recordings."""
    return {
        "texts": sum(field != _PICTURE for field in holding.texts.values()),
        "pictures": len(holding.pictures),
        "recordings": len(holding.recordings),
    }
