"""What can be said of a job's signatures: who signed what, whether it holds, what is not signed.

session.signatures ─cryptography (signing)→ holds ─the store's people→ whose it is ─→ lines, JSON
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from verify.job.jws import BadSignature, public_of, short
from verify.job.people import why_not
from verify.job.session import ReadOnlySession, Signature
from verify.terminal.clock import local
from verify.terminal.desk import Desk


@dataclass(frozen=True, slots=True)
class Standing:
    """A signature as it was found. broken: why it does not hold, "" where it does; doubt: why this
    store does not stand behind it all the same, "" where it does."""

    signature: Signature
    broken: str
    doubt: str


def standings(desk: Desk, session: ReadOnlySession) -> list[Standing]:
    """Every signature of the job, checked."""
    from verify.job.signing import check_signature

    found = []
    people = desk.journal.people()
    for signature in session.signatures:
        entry, over = session.history[signature.seq - 1], session.history[signature.over - 1]
        try:
            public = check_signature(entry, over)
        except BadSignature as bad:
            found.append(Standing(signature, str(bad), ""))
        else:
            doubt = why_not(people, entry.person, public, entry.time)
            found.append(Standing(signature, "", doubt))
    return found


def signed_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    """For people: each signature, and what no signature stands behind."""
    if not session.signatures:
        return ["Not signed: nobody who worked at this job signed it with a key."]
    lines, begin = ["Signatures:"], 1
    for s in standings(desk, session):
        signature = s.signature
        holds = "it holds" if not s.broken else f"IT DOES NOT HOLD: found {s.broken}"
        if s.doubt:
            holds += f", but was {s.doubt}"
        lines.append(
            f"  {local(signature.time)}: {desk.name(signature.person)}, {signature.role}, "
            f"{_entries(begin, signature.over)}; key {short(public_of(signature.jwk))}; {holds}"
        )
        begin = signature.seq + 1
    if left := session.unsigned():
        lines.append(f"  Not signed: {_entries(left[0].seq, left[-1].seq)}.")
    return lines


def _entries(first: int, last: int) -> str:
    return f"entry {first}" if first == last else f"entries {first} to {last}"


def signed_json(desk: Desk, session: ReadOnlySession) -> dict[str, Any]:
    """For programs. entries: through the chain each signature covers all before it as well."""
    return {
        "signatures": [
            {
                "seq": s.signature.seq,
                "time": s.signature.time,
                "person": s.signature.person,
                "role": s.signature.role,
                "purpose": s.signature.purpose,
                "over": s.signature.over,
                "key": s.signature.kid,
                "holds": not s.broken,
                "why": s.broken or s.doubt,
            }
            for s in standings(desk, session)
        ],
        "unsigned": len(session.unsigned()),
    }
