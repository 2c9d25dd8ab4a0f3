"""The members of a job file as values: strict readers of what `jobfile` writes.

bytes of a member → manifest, entries, keys and people, personal values. Pure. Whatever has another
shape than ours is a `Bad`, whose text completes "found …"; nothing here says what holds.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verify.job.canonical import canonical, parse
from verify.job.entry import Entry
from verify.job.jobfile_zip import Listed
from verify.job.jws import BadSignature, fingerprint, public_of
from verify.job.people import Key, Person, Role

SHA256 = re.compile(r"[0-9a-f]{64}")
_ENTRY = {
    "job": str,
    "seq": int,
    "time": str,
    "person": str,
    "kind": str,
    "version": int,
    "body": dict,
    "previous": str,
    "digest": str,
}
_MANIFEST = {
    "format": int,
    "made": str,
    "made_by": str,
    "maker": str,
    "job": str,
    "flow": str,
    "edition": str,
    "entries": int,
    "head": str,
    "at": str,
    "ending": str,
    "members": list,
    "withheld": list,
}
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


class Bad(Exception):
    """Another shape than a job file of ours has; the text completes "found …"."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """made: time as in entries, made_by: program. ending: its kind, "" while the job goes on.
    members: by name. withheld: SHA-256 → why."""

    made: str
    made_by: str
    maker: str
    job: str
    flow: str
    edition: str
    entries: int
    head: str
    at: str
    ending: str
    members: Mapping[str, Listed]
    withheld: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Keys:
    """public: fingerprint → the 32 bytes."""

    public: Mapping[str, bytes]
    people: tuple[Person, ...]


def is_time(text: str) -> bool:
    return _TIME.fullmatch(text) is not None


def strict_json(text: bytes, what: str) -> Any:
    """The value of an RFC 8785 text, which can be read in one way only. Raises Bad."""
    try:
        value = parse(text.decode())
        if canonical(value) != text:
            raise ValueError("another form")
    except (ValueError, RecursionError):
        raise Bad(f"{what} that is not written in the one form of RFC 8785") from None
    return value


def read_manifest(text: bytes) -> Manifest:
    value = _typed(strict_json(text, "a manifest"), _MANIFEST, "a manifest")
    members: dict[str, Listed] = {}
    for row in value["members"]:
        row = _typed(row, {"name": str, "size": int, "sha256": str}, "a member in the manifest")
        if row["name"] in members or not SHA256.fullmatch(row["sha256"]):
            raise Bad("a manifest with a member twice, or without its hash")
        members[row["name"]] = Listed(row["name"], row["size"], row["sha256"])
    withheld = {}
    for row in value["withheld"]:
        row = _typed(row, {"sha256": str, "why": str}, "withheld evidence in the manifest")
        withheld[row["sha256"]] = row["why"]
    rest = {n: value[n] for n in _MANIFEST if n not in ("format", "members", "withheld")}
    return Manifest(**rest, members=members, withheld=withheld)


def read_entries(text: bytes) -> tuple[Entry, ...]:
    """The entries of a journal, each line in its one form; the chain is not looked at."""
    if not text.endswith(b"\n"):
        raise Bad("a journal without its last line")
    found = []
    for number, line in enumerate(text[:-1].split(b"\n"), start=1):
        what = f"a line {number} of the journal"
        value = _typed(strict_json(line, what), _ENTRY, what)
        found.append(Entry(**value))
    return tuple(found)


def read_keys(text: bytes) -> Keys:
    value = _typed(strict_json(text, "keys"), {"keys": list, "people": list}, "keys")
    public: dict[str, bytes] = {}
    try:
        for row in value["keys"]:
            kid = row.pop("kid")
            public[kid] = public_of(row)
            if fingerprint(public[kid]) != kid:
                raise Bad("a key under another name than its own fingerprint")
        people = tuple(
            Person(
                str(p["id"]),
                "",
                tuple(Role(r) for r in p["roles"]),
                str(p["added"]),
                str(p["retired"]),
                tuple(Key(public[k["kid"]], str(k["added"]), str(k["retired"])) for k in p["keys"]),
            )
            for p in value["people"]
        )
    except (KeyError, TypeError, ValueError, AttributeError, BadSignature):
        raise Bad("keys that cannot be read") from None
    return Keys(public, people)


def read_personal(text: bytes) -> dict[str, str]:
    """digest → value, each checked against its salt."""
    rows = strict_json(text, "personal values")
    found: dict[str, str] = {}
    for row in rows if isinstance(rows, list) else [None]:
        form = {"digest": str, "salt": str, "value": str}
        row = _typed(row, form, "personal values")
        if not SHA256.fullmatch(row["salt"]):
            raise Bad("a personal value without its salt")
        own = hashlib.sha256(bytes.fromhex(row["salt"]) + row["value"].encode()).hexdigest()
        if own != row["digest"]:
            raise Bad(f"a personal value that is not what {row['digest'][:12]}… stands for")
        found[own] = row["value"]
    return found


def _typed(value: Any, form: Mapping[str, type], what: str) -> dict[str, Any]:
    if (
        not isinstance(value, dict)
        or value.keys() != form.keys()
        or any(type(value[name]) is not kind for name, kind in form.items())
    ):
        raise Bad(f"{what} of another shape")
    return value
