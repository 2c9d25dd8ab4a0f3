"""Sign-off, proof that follows and comebacks in words: for screens, the account and the note."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from verify.job.session import ReadOnlySession, SignOff, Visit
from verify.job.signoff_point import WEIGHTS, Point, Weight, answered, entries_words
from verify.job.standing import due_days
from verify.terminal.clock import local
from verify.terminal.tongue import tr

if TYPE_CHECKING:
    from verify.terminal.desk import Desk

NOBODY = "No second person signed this off."
DESK_ONLY = "Desk signature only: the signer did not look at the car."
_INDENT = 9


def numbered(points: Sequence[Point]) -> list[tuple[Point, int]]:
    """The points with the numbers of the grave ones, by which they are answered; 0 for the rest."""
    grave = [p for p in points if p.weight is Weight.GRAVE]
    places = {id(p): number for number, p in enumerate(grave, start=1)}
    return [(p, places.get(id(p), 0)) for p in points]


def point_lines(desk: Desk, point: Point, width: int = 78, number: int = 0) -> list[str]:
    """A point as rows of a screen: its weight, what it says, where, and what a person wrote.

    number: of a grave point among those that are to be answered, 0 for none.
    """
    head = f"{WEIGHTS[point.weight]}{f' {number}' if number else ''}"
    where = f" [{entries_words(point.entries)}]" if point.entries else ""
    texts = [f"{head:<{_INDENT}}{desk.shown(point.words)}{where}"]
    texts += [" " * _INDENT + f"“{desk.secret(digest)}”" for digest in point.said]
    rows: list[str] = []
    for text in texts:
        rows += textwrap.wrap(text, width, subsequent_indent=" " * _INDENT) or [""]
    return rows


def counted(points: Sequence[Point]) -> str:
    """ "2 grave, 3 to look at, 1 note"."""
    grave, look, note = (sum(p.weight is w for p in points) for w in Weight)
    parts = [f"{grave} grave"] if grave else []
    parts += [f"{look} to look at"] if look else []
    parts += [f"{note} note{'' if note == 1 else 's'}"] if note else []
    return ", ".join(parts) or "nothing that went another way than straight on"


def grave_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    """The grave points of a job that has ended, for the top of its account, and what else there is
    to see; [] where there are none."""
    from verify.job.signoff import points
    from verify.terminal.elsewhere import elsewhere

    if session.ending is None:
        return []
    found = points(session, elsewhere(desk))
    grave = [p for p in found if p.weight is Weight.GRAVE]
    if not grave:
        return []
    rows = [" ".join(row.split()) for p in grave for row in point_lines(desk, p, width=10_000)]
    return [
        f"A signer must see first: {counted(found)} (keysback signoff {session.job} --points)",
        *(f"  {row}" for row in rows),
        "",
    ]


def look_words(session: ReadOnlySession, sign_off: SignOff) -> str:
    """What the signer's own look came to; "" where the flow asks for none."""
    if sign_off.looked is None:
        return ""
    if not sign_off.looked:
        return DESK_ONLY
    look = session.graph.look
    if sign_off.wrong:
        return "Looked at the car; not so: " + "; ".join(look[n] for n in sign_off.wrong) + "."
    return "Looked at the car, everything so: " + "; ".join(look.values()) + "."


def sign_off_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    """All decisions of signers, and plainly where there is none that stands."""
    from verify.job.signoff import points
    from verify.terminal.elsewhere import elsewhere

    lines = []
    asked = any(s.answers for s in session.sign_offs)
    found = points(session, elsewhere(desk)) if asked else ()
    for s in session.sign_offs:
        what = "accepted"
        if not s.accepted:
            title = session.graph.steps[s.step].title
            what = f"sent back to “{title}” ({desk.secret(s.reason)})"
        lines.append(f"Sign-off {local(s.time)}: {what} by {desk.name(s.person)}.")
        lines += [f"  {words}"] if (words := look_words(session, s)) else []
        for words, reason in answered(s, found) if s.answers else ():
            lines.append(f"  Accepted: {desk.shown(words)} Because: “{desk.secret(reason)}”")
        if not _signed(session, s):
            lines.append("  This decision is not signed with a key.")
    signed = session.signed_off
    if signed is None:
        lines.append(NOBODY)
    elif any(v.seq > signed.seq for v in session.proofs):
        lines.append("Proof came in after that. No second person has signed it.")
    return lines


def sent_back_words(desk: Desk, session: ReadOnlySession) -> str:
    """Why the step that is asked now was sent back; "" where it was not."""
    last = session.sign_offs[-1] if session.sign_offs else None
    if last is None or last.accepted or last.step != session.at:
        return ""
    if any(v.step == last.step and v.placed > last.seq for v in session.walk):
        return ""
    wrong = "; ".join(session.graph.look[n] for n in last.wrong)
    seen = " " + tr("They saw that this is not so: {lines}.", lines=wrong) if wrong else ""
    who, why = desk.name(last.person), desk.secret(last.reason)
    return tr("Sent back by {person}: {reason}.", person=who, reason=why) + seen


def _signed(session: ReadOnlySession, sign_off: SignOff) -> bool:
    return any(s.over == sign_off.seq for s in session.signatures)


def link_lines(session: ReadOnlySession) -> list[str]:
    """The job this car comes back from, and those it came back as."""
    lines = []
    if session.comeback_of:
        lines.append(f"A comeback: the job before is {session.comeback_of['job']}.")
    lines += [f"The car came back {local(c.time)}: job {c.job}." for c in session.comebacks]
    return lines


def due_words(by: str, due: str, today: str) -> str:
    """today, due: YYYY-MM-DD; due "" where no calendar can say."""
    if not due:
        return tr("by: {by}", by=by)
    if today > due:
        return tr("by: {by}, OVERDUE since {due}", by=by, due=due)
    return tr("by: {by}, that is {due}", by=by, due=due)


def open_proof_lines(session: ReadOnlySession, today: str) -> list[str]:
    """What is still open after the keys went back, what settles it and by when."""
    due, lines = due_days(session), []
    for step in session.open_steps():
        settle, by = step.later or ("", "")
        if step.name in session.to_prove:
            lines.append(f"  - {step.title}: {settle} ({due_words(by, due[step.name], today)})")
        else:
            words = tr("{title}: cannot be proven here.", title=step.title)
            lines.append(f"  - {words} {_why_not(session, step.name)}")
    return lines


def _why_not(session: ReadOnlySession, name: str) -> str:
    if session.comebacks:
        return tr("The car came back as job {job}.", job=session.comebacks[-1].job)
    if session.stopped or session.closed:
        return tr("The job is closed.")
    if session.proof_failed:
        return tr("A proof failed: the car must come back.")
    return tr(
        "It failed before the keys went back, and nothing was done since: open a comeback where "
        "something is done."
    )


def sign_off_json(desk: Desk, session: ReadOnlySession) -> dict[str, Any]:
    """For programs; no personal texts."""
    from verify.job.signoff import points
    from verify.terminal.elsewhere import elsewhere

    return {
        "points": [
            {
                "point": p.name,
                "weight": p.weight.value,
                "words": desk.shown(p.words),
                "entries": list(p.entries),
            }
            for p in points(session, elsewhere(desk))
        ],
        "signed_off": session.signed_off is not None,
        "sign_offs": [
            {
                "seq": s.seq,
                "time": s.time,
                "person": s.person,
                "decision": "accepted" if s.accepted else "sent-back",
                "step": s.step or None,
                "looked": s.looked,
                "wrong": list(s.wrong),
                "shown": [{"point": name, "entries": list(e)} for name, e in s.shown],
                "answered": [{"point": name, "entries": list(e)} for name, e, _ in s.answers],
                "signed": _signed(session, s),
            }
            for s in session.sign_offs
        ],
        "proofs": [_proof_json(session, v) for v in session.proofs],
        "proof_due": due_days(session),
        "proof_failed": list(session.proof_failed),
        "proven_later": session.proven_later,
        "comeback_of": dict(session.comeback_of) or None,
        "comebacks": [{"job": c.job, "time": c.time} for c in session.comebacks],
    }


def _proof_json(session: ReadOnlySession, visit: Visit) -> Mapping[str, Any]:
    return {
        "step": visit.step,
        "attempt": visit.attempt,
        "outcome": visit.outcome.to_json(),
        "counts": session.graph.steps[visit.step].counts(visit.outcome).value,
        "seq": visit.seq,
        "time": visit.time,
        "values": visit.values,
        "results": visit.results,
        "evidence": visit.evidence,
    }
