"""What a store knows that a job does not: its files in other jobs, and VINs written in them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from verify.car.vin import mask_vin
from verify.errors import UserError
from verify.evidence.likeness import SKETCH_LEAST, shared_stretch
from verify.job.entry import Entry
from verify.job.hidden import evidence_in
from verify.job.session import ReadOnlySession
from verify.job.signoff import Elsewhere
from verify.terminal.desk import Desk
from verify.terminal.masks import vin_in
from verify.terminal.recordings import reimport

# A logger writes the car into the head of its file, if anywhere.
HEAD_BYTES = 65_536
_VIN = re.compile(r"(?<![A-Za-z0-9])[A-HJ-NPR-Z0-9]{17}(?![A-Za-z0-9])")
_LEAST = 3


def elsewhere(desk: Desk) -> Elsewhere:
    """Looks through all jobs of the store. A job or file that cannot be read says nothing.

    A desk that masks hides nothing here: VINs are compared whole and handed out masked.
    """
    session = desk.session()
    own = evidence_in(session.history)
    vin = _plain(next((v for d in session.car.values() if (v := vin_in(Desk.secret(desk, d)))), ""))
    vins: dict[str, list[str]] = {}
    other = set()
    names = _names(desk, session)
    for sha256 in own:
        found = _vins_of(desk, sha256, names.get(sha256, ""))
        if found:
            vins[sha256] = [mask_vin(v) for v in found]
            if vin and vin not in found:
                other.add(sha256)
    masked = mask_vin(vin) if vin else ""
    return Elsewhere(_jobs(desk, own), vins, masked, frozenset(other), _alike(desk, session))


def _alike(desk: Desk, session: ReadOnlySession) -> dict[str, list[str]]:
    """SHA-256 of a recording → other jobs that rest on another file with its readings.

    Found by sketches, then held against each other; where one is gone, or the entry is older than
    sketches, nothing is said.
    """
    found: dict[str, list[str]] = {}
    for item in _items(session.history):
        hashes = item.get("sketch") or ()
        if len(hashes) < SKETCH_LEAST or item["sha256"] in found:
            continue
        near = desk.journal.jobs_naming_some(list(hashes), SKETCH_LEAST)
        jobs = [j for j in near if j != desk.job and _same_readings(desk, item, j)]
        found |= {item["sha256"]: jobs} if jobs else {}
    return found


def _same_readings(desk: Desk, item: Mapping[str, Any], job: str) -> bool:
    try:
        others = [
            other
            for other in _items(desk.journal.entries(job))
            if other["sha256"] != item["sha256"]
            and len({*item["sketch"]} & {*(other.get("sketch") or ())}) >= SKETCH_LEAST
        ]
        pairs = [reimport(desk.journal, [other, item]) for other in others]
    except UserError:
        return False
    return any(shared_stretch(theirs, own) is not None for theirs, own in pairs)


def _items(entries: Iterable[Entry]) -> Iterator[Mapping[str, Any]]:
    """Each recording that entries name, once."""
    seen: set[str] = set()
    for entry in entries:
        for item in entry.body.get("evidence") or ():
            if item.get("kind") == "recording" and item["sha256"] not in seen:
                seen.add(item["sha256"])
                yield item


def _jobs(desk: Desk, own: frozenset[str]) -> Mapping[str, list[str]]:
    used: dict[str, list[str]] = {}
    # A search for text first: a store of a thousand jobs is not read for one.
    near = {job for sha256 in own for job in desk.journal.jobs_naming(sha256)}
    for job in sorted(near):
        if job == desk.job:
            continue
        try:
            theirs = evidence_in(desk.journal.entries(job))
        except UserError:
            continue
        for sha256 in own & theirs:
            used.setdefault(sha256, []).append(job)
    return used


def _names(desk: Desk, session: ReadOnlySession) -> dict[str, str]:
    """SHA-256 → the name the file had when it was handed in."""
    names = {}
    for entry in session.history:
        digest = (entry.body.get("private") or {}).get("file")
        if digest is not None:
            for sha256 in evidence_in([entry]):
                names[sha256] = Desk.secret(desk, digest)
    return names


def _vins_of(desk: Desk, sha256: str, name: str) -> list[str]:
    try:
        with desk.journal.open_evidence(sha256) as stream:
            head = stream.read(HEAD_BYTES)
    except UserError:
        head = b""
    # Every byte is a character of Latin-1: nothing is replaced, and a VIN is ASCII.
    return list(dict.fromkeys(_written(f"{name}\n{head.decode('latin-1')}")))


def _written(text: str) -> Iterator[str]:
    for found in _VIN.findall(text):
        digits = sum(c.isdigit() for c in found)
        if digits >= _LEAST and len(found) - digits >= _LEAST:
            yield found


def _plain(vin: Any) -> str:
    return re.sub(r"[^A-Za-z0-9]", "", str(vin)).upper()
