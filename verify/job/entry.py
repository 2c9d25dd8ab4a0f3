"""Entries of the journal: the closed list of kinds, their bodies, and the hash chain.

Pure: builds and checks entries, knows neither disk nor clock. Light on purpose (no pydantic): the
list of jobs must open at once.

The hash covers everything of an entry but itself, in RFC 8785 form, so that anybody can recompute
it: sha256(canonical {job, seq, time, person, kind, version, body, previous}).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verify.errors import Problem, UserError
from verify.job.canonical import canonical, parse

__all__ = [
    "GENESIS",
    "KINDS",
    "Draft",
    "Entry",
    "canonical",
    "check_body",
    "digest_of",
    "hide",
    "parse",
    "seal",
    "seal_with_text",
    "verify_chain",
]

GENESIS = "0" * 64

# kind → (version, required fields, optional fields). A new field is a new version; an old version
# stays readable for ever.
KINDS: dict[str, tuple[int, frozenset[str], frozenset[str]]] = {
    # 2: model, which is not personal. 3: comeback_of, the job that this car comes back from.
    # 4: language, in which the person was shown the flow; absent where it was English.
    "opened": (
        4,
        frozenset({"flow", "edition", "audience", "mode", "units"}),
        frozenset({"scripted", "demo", "car", "model", "comeback_of", "language"}),
    ),
    # 2: language, as in `opened`.
    "sitting": (2, frozenset({"mode"}), frozenset({"scripted", "language"})),
    # 2: reused, where a number of another car of the model was taken: its time, person and job.
    # 3: reason, why a number that stood already was changed; insisted, where it is not usual.
    "spec": (
        3,
        frozenset({"name", "text", "unit", "source"}),
        frozenset({"detail", "reused", "reason", "insisted"}),
    ),
    "outcome": (
        1,
        frozenset({"step", "attempt", "outcome"}),
        frozenset({"evidence", "results", "values", "private", "from"}),
    ),
    # 2: an outcome may say `opens`, of a proof after which something is still to be done.
    "correction": (
        2,
        frozenset({"of", "step", "attempt", "outcome", "reason"}),
        frozenset({"evidence", "results", "values", "private"}),
    ),
    "rejudged": (
        1,
        frozenset({"of", "step", "attempt", "outcome", "results", "spec"}),
        frozenset({"evidence"}),
    ),
    "wait-started": (1, frozenset({"step", "attempt", "seconds"}), frozenset({"restarted"})),
    "wait-ended": (1, frozenset({"step", "attempt"}), frozenset()),
    "wait-skipped": (1, frozenset({"step", "attempt", "reason"}), frozenset()),
    "note": (1, frozenset({"private"}), frozenset({"step"})),
    # What a person decided after the ending, and upon which advice. figures: as typed.
    "decision": (
        1,
        frozenset({"about", "choice"}),
        frozenset({"advised", "ruled_out", "figures", "private"}),
    ),
    "paused": (1, frozenset(), frozenset({"step"})),
    "closed": (1, frozenset({"ending", "reason"}), frozenset()),
    # Over the entry directly before it (seq, over: its number and hash) by whoever wrote that one.
    # It holds the public key, so that a journal can be checked by itself: see verify/job/signing.
    "signature": (
        1,
        frozenset({"purpose", "role", "seq", "over", "jwk", "kid", "jws"}),
        frozenset(),
    ),
    # A second person's decision about a job that has ended. of, step, attempt: the answer that is
    # sent back, with its reason; look: what they looked at themselves; shown: what they were shown
    # first, each point's name with its entries. 2: each with its weight too, and where the job is
    # accepted a grave one with the signer's own reason.
    "sign-off": (
        2,
        frozenset({"decision"}),
        frozenset({"of", "step", "attempt", "reason", "look", "shown"}),
    ),
    # What a step that was left open came to after the keys went back, judged as at the step.
    # 2: its outcome may say `opens`, as in `correction`.
    "proof": (
        2,
        frozenset({"step", "attempt", "outcome"}),
        frozenset({"evidence", "results", "values", "private"}),
    ),
    # The car came back: the job opened for it, and the hash of that job's first entry.
    "comeback": (1, frozenset({"job", "head"}), frozenset()),
    # What was erased on request, after it was: how many personal texts and pictures, and the
    # SHA-256 of each recording (which entries name openly as it is).
    "erased": (1, frozenset({"texts", "pictures", "recordings"}), frozenset()),
}


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry before it has a place in the chain.

    time: RFC 3339 UTC with milliseconds, passed in by the front end that owns the clock.
    append_id: one per wish to append; a retry with the same id returns the first entry.
    private: salted digest → (salt, value) for each personal value the body refers to.
    """

    kind: str
    body: Mapping[str, Any]
    time: str
    person: str
    append_id: str
    private: Mapping[str, tuple[bytes, str]]


@dataclass(frozen=True, slots=True)
class Entry:
    job: str
    seq: int
    time: str
    person: str
    kind: str
    version: int
    body: Mapping[str, Any]
    previous: str
    digest: str


def digest_of(
    job: str, seq: int, time: str, person: str, kind: str, version: int, body: object, previous: str
) -> str:
    return _digest(job, seq, time, person, kind, version, canonical(body), previous)


def _digest(
    job: str, seq: int, time: str, person: str, kind: str, version: int, body: bytes, previous: str
) -> str:
    """The hash of an entry whose body is canonical already, so that it is written out only once:
    in RFC 8785 order "body" stands before all other fields."""
    rest = canonical(
        {
            "job": job,
            "seq": seq,
            "time": time,
            "person": person,
            "kind": kind,
            "version": version,
            "previous": previous,
        }
    )
    return hashlib.sha256(b'{"body":' + body + b"," + rest[1:]).hexdigest()


def check_body(kind: str, body: Mapping[str, Any]) -> None:
    """Raises ValueError when `kind` is not of the list or its fields are not its own.

    A wrong body is a defect of the program and never a user's, hence no UserError.
    """
    if kind not in KINDS:
        raise ValueError(f"unknown entry kind {kind!r}")
    _, required, optional = KINDS[kind]
    missing, foreign = required - body.keys(), body.keys() - required - optional
    if missing or foreign:
        raise ValueError(f"entry {kind}: missing {sorted(missing)}, unknown {sorted(foreign)}")


def seal(job: str, seq: int, draft: Draft, previous: str) -> Entry:
    """Gives a draft its place: sequence number, previous hash, own hash."""
    return seal_with_text(job, seq, draft, previous)[0]


def seal_with_text(job: str, seq: int, draft: Draft, previous: str) -> tuple[Entry, str]:
    """As `seal`, with the RFC 8785 text of the body, which is what a store keeps of it."""
    check_body(draft.kind, draft.body)
    version = KINDS[draft.kind][0]
    text = canonical(draft.body)
    digest = _digest(job, seq, draft.time, draft.person, draft.kind, version, text, previous)
    # Through JSON and back, so that what is held in memory is what a reader of the disk will see.
    body = parse(text)
    entry = Entry(job, seq, draft.time, draft.person, draft.kind, version, body, previous, digest)
    return entry, text.decode()


def verify_chain(entries: tuple[Entry, ...]) -> None:
    """Raises UserError at the first entry whose number, link or hash does not hold, or that a
    newer version wrote."""
    previous = GENESIS
    for expected, e in enumerate(entries, start=1):
        try:
            own = digest_of(e.job, e.seq, e.time, e.person, e.kind, e.version, e.body, e.previous)
        except (ValueError, RecursionError):  # no JSON any more, so nobody sealed it
            own = ""
        if e.seq != expected or e.previous != previous or e.digest != own:
            raise UserError(
                Problem(
                    found=f"entry {expected} of job {e.job} changed since it was written",
                    expected="an unbroken chain of hashes",
                    next="keep a copy of the store as it is; restore it from a backup",
                )
            )
        if e.kind not in KINDS or e.version > KINDS[e.kind][0]:
            raise UserError(
                Problem(
                    found=f"entry {expected} of job {e.job}: {e.kind}, version {e.version}",
                    expected="an entry that this version of keysback knows",
                    next="install the newer keysback that wrote it",
                )
            )
        previous = e.digest


def hide(value: str) -> tuple[str, tuple[bytes, str]]:
    """(digest, (salt, value)) for a personal value: the digest may stand in an entry, the rest
    lies in a table that can be erased."""
    import secrets

    salt = secrets.token_bytes(32)
    return hashlib.sha256(salt + value.encode()).hexdigest(), (salt, value)
