"""What of a job file holds, part by part: for a signer, and for somebody who disputes it later.

    file ─strict reader→ members ─seal, manifest, keys→ entries ─chain, signatures→ edition ─fold→
    session ─recompute→ every verdict again ─→ Audit (one sentence, parts, entries)

Pure over a stream. A part that does not hold does not keep the others from being looked at. What a
file cannot show of itself is said and never taken for proven: whose keys these are, and the times.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import BinaryIO

from verify.job import audit_journal as journal
from verify.job.audit_container import container
from verify.job.audit_result import Audit, Auditing, EntryAudit, Level, Part, upper
from verify.job.entry import Entry
from verify.job.jobfile_read import JobFileReader
from verify.job.recompute import Told
from verify.job.session import ReadOnlySession

__all__ = ["Audit", "EntryAudit", "Level", "Part", "audit"]

_ORDER = (
    *("seal", "manifest", "keys", "trust", "chain", "signatures", "sign-off", "edition", "replay"),
    *("evidence", "verdicts", "times", "job"),
)
_GRAVEST = (
    *("seal", "chain", "manifest", "signatures", "keys", "edition", "evidence", "replay"),
    *("verdicts", "trust", "sign-off", "times", "job"),
)


def audit(
    stream: BinaryIO,
    source_name: str,
    *,
    trust: Collection[str] = (),
    told: Told | None = None,
    verdicts: bool = True,
) -> Audit:
    """Looks at everything a job file holds.

    trust: fingerprints (RFC 7638) of keys whose owners the reader knows by another way.
    told: see `recompute.Told`. verdicts: whether they are computed again.
    Raises UserError where it is no job file, or of a newer version; all else is said in the result.
    """
    a = Auditing(JobFileReader(stream, source_name), source_name, frozenset(trust))
    manifest, keys = container(a)
    entries = journal.chain(a, manifest)
    session: ReadOnlySession | None = None
    if entries:
        held = journal.signatures(a, entries, keys)
        machine = journal.edition(a, entries)
        evidence = journal.evidence(a, entries, manifest)
        if machine is not None:
            session = journal.replay(a, entries, machine, manifest)
        if session is not None and session.ending is not None:
            journal.second_person(a, entries, held)
        if session is not None and verdicts:
            journal.verdicts(a, session, evidence, told)
        journal.claims(a, entries, session)
    if a.trust and not a.trusted:
        a.finding("trust", "Nothing in this file is signed by a key you trust.")
    a.parts.sort(key=lambda p: _ORDER.index(p.name))
    return Audit(
        _sentence(a),
        manifest.job if manifest else "",
        manifest.flow if manifest else "",
        session.ending.kind.value if session is not None and session.ending else "",
        tuple(a.parts),
        _per_entry(a, entries),
        dict(a.verdicts),
    )


def _sentence(a: Auditing) -> str:
    findings = [p for p in a.parts if p.level is Level.FINDING]
    if findings:
        first = min(findings, key=lambda p: _GRAVEST.index(p.name))
        rest = f" ({len(findings)} parts do not hold.)" if len(findings) > 1 else ""
        return f"DOES NOT HOLD. {upper(first.name)}: {first.text}{rest}"
    names = {p.name for p in a.parts}
    verdicts = journal.verdict_words(a) if "verdicts" in names else "no verdict was computed again"
    if "replay" not in names:
        verdicts = "the flow cannot be loaded any more, so nothing was computed again"
    if not a.signed_by:
        who = "HOLDS TOGETHER, BUT NOBODY SIGNED IT: anybody can have made it."
        return f"{who} {upper(verdicts)}."
    if a.signed_by in a.trust:
        return f"HOLDS: unchanged since the trusted key signed it; {verdicts}."
    return (
        "HOLDS TOGETHER: unchanged since it was signed, by a key you did not name as trusted; "
        f"{verdicts}."
    )


def _per_entry(a: Auditing, entries: tuple[Entry, ...]) -> tuple[EntryAudit, ...]:
    found = []
    for e in entries:
        said = a.said.get(e.seq, [])
        levels = {level for level, _ in said}
        level = next((v for v in (Level.FINDING, Level.NOTE) if v in levels), Level.HOLDS)
        step = e.body.get("step", "")
        texts = tuple(text for _, text in said)
        step = step if isinstance(step, str) else ""
        found.append(EntryAudit(e.seq, e.time, e.person, e.kind, step, level, texts))
    return tuple(found)
