"""What may be appended to a job as it stands: one builder a kind of entry.

    entries ─fold→ session ─a builder→ body ─append→ entry          (and again)

Every builder tries its body on the fold before it hands it out, so that nothing can be appended
which the job cannot be read with afterwards. A builder raises UserError where the job cannot take
it, saying what to do instead; ValueError where the program forgot to hide personal data; TypeError
for a job that can only be read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from verify.errors import Problem, UserError
from verify.flow.graph import Outcome
from verify.flow.machine import DraftMachine, FlowMachine
from verify.flow.opens import as_proof
from verify.job.entry import GENESIS, Draft, seal
from verify.job.session import (
    DraftSession,
    Pending,
    ReadOnlySession,
    Session,
    Visit,
    fold,
    fold_on,
)
from verify.job.standing import index_row as index_row
from verify.words import Audience

if TYPE_CHECKING:
    from verify.job.jws import SigningKey
    from verify.job.people import Purpose, Role
    from verify.job.signoff_point import Point

Body = dict[str, Any]
S = TypeVar("S", bound=ReadOnlySession)

_DIGEST = re.compile(r"[0-9a-f]{64}")


def after(session: S, draft: Draft) -> S:
    """The session once `draft` is appended: for the job's row in lists, which goes with it.

    Raises UserError where it does not fit.
    """
    last = session.history[-1]
    return fold_on(session, seal(session.job, last.seq + 1, draft, last.digest))


def opened_body(
    machine: FlowMachine | DraftMachine,
    *,
    edition: str,
    audience: Audience,
    mode: str,
    units: str,
    scripted: bool = False,
    demo: bool = False,
    car: Mapping[str, str] | None = None,
    model: str = "",
    comeback_of: tuple[str, str] | None = None,
    language: str = "",
) -> Body:
    """The first entry of a job. mode: "as-work" or "afterwards"; car: field → salted digest; model:
    what many cars share, so not personal; comeback_of: the job before, the hash of its last
    entry; language: in which the flow is shown, "" for English."""
    if not isinstance(machine, FlowMachine | DraftMachine):
        raise TypeError("a job is opened on a proven flow, or in memory on a draft")
    body: Body = {
        "flow": machine.graph.flow_id,
        "edition": edition,
        "audience": audience.value,
        "mode": mode,
        "units": units,
    }
    body |= {"scripted": True} if scripted else {}
    body |= {"demo": True} if demo else {}
    body |= {"car": _hidden(car)} if car else {}
    body |= {"model": model} if model else {}
    body |= {"language": language} if language else {}
    if comeback_of is not None:
        body["comeback_of"] = {"job": comeback_of[0], "head": _digest(comeback_of[1])}
    fold("new", (seal("new", 1, _draft("opened", body), GENESIS),), machine)
    return body


def sitting_body(
    session: ReadOnlySession, *, mode: str, scripted: bool = False, language: str = ""
) -> Body:
    """Somebody sits down to the job again. Once scripted, a job stays so. language: as in
    `opened_body`."""
    body: Body = {"mode": mode} | ({"scripted": True} if scripted else {})
    body |= {"language": language} if language else {}
    return _live(session, "sitting", body)


def spec_body(
    session: ReadOnlySession,
    *,
    name: str,
    text: str,
    unit: str,
    source: str,
    detail: str = "",
    reused: Mapping[str, str] | None = None,
    reason: str = "",
    insisted: bool = False,
) -> Body:
    """A spec as typed (`text`), with its source. A later one of the same name corrects it.

    reused: time, person and job of the entry it was taken over from, of another car of the model.
    reason: why it corrects an earlier one (salted digest). insisted: it is not usual, and was
    entered twice.
    """
    body: Body = {"name": name, "text": text, "unit": unit, "source": source}
    body |= {"detail": detail} if detail else {}
    body |= {"reason": _digest(reason)} if reason else {}
    body |= {"insisted": True} if insisted else {}
    return _live(session, "spec", body | ({"reused": dict(reused)} if reused else {}))


def outcome_body(
    session: ReadOnlySession,
    outcome: Outcome,
    *,
    evidence: Any = None,
    results: Any = None,
    values: Any = None,
    private: Mapping[str, str] | None = None,
) -> Body:
    """A new answer to the open question.

    evidence, results, values: JSON, stored as given. private: field → salted digest; with a
    "reason" among them a typed step that is locked may be answered differently.
    """
    pending = _pending(session)
    body: Body = {
        "step": pending.step,
        "attempt": pending.attempt,
        "outcome": outcome.to_json(),
    } | _given(evidence, results, values, private)
    return _live(session, "outcome", body)


def proof_body(
    session: ReadOnlySession,
    step: str,
    outcome: Outcome,
    *,
    evidence: Any = None,
    results: Any = None,
    values: Any = None,
    private: Mapping[str, str] | None = None,
) -> Body:
    """What an open step came to after the keys went back; step: one of `session.to_prove`."""
    outcome = as_proof(session.graph, step, outcome)
    body: Body = {
        "step": step,
        "attempt": session.made.get(step, 0) + 1,
        "outcome": outcome.to_json(),
    } | _given(evidence, results, values, private)
    return _live(session, "proof", body)


def sign_off_body(
    session: ReadOnlySession,
    *,
    person: str,
    back_to: Visit | None = None,
    reason: str = "",
    look: Mapping[str, Any] | None = None,
    shown: Sequence[tuple[Point, str]] = (),
) -> Body:
    """A second person's decision, to be appended by this person: accepted, or sent back to the
    answer `back_to` with a reason (salted digest).

    look: {"looked": bool, "wrong": names} where the flow asks for one; shown: each point that was
    shown, with the reason for accepting it (salted digest) where it is grave, else "".
    """
    body: Body = {"decision": "accepted" if back_to is None else "sent-back"}
    if back_to is not None:
        body |= {"of": back_to.seq, "step": back_to.step, "attempt": back_to.attempt}
        body["reason"] = _digest(reason)
    body |= {"look": dict(look)} if look is not None else {}
    if shown:
        body["shown"] = [
            {"point": p.name, "entries": list(p.entries), "weight": p.weight.value}
            | ({"reason": _digest(reason)} if reason else {})
            for p, reason in shown
        ]
    if isinstance(session, DraftSession):
        raise TypeError("a draft is played, not signed off")
    if back_to is not None and not isinstance(session, Session):
        raise TypeError("a job of a flow that is not proven cannot go on")
    after(session, Draft("sign-off", body, "", person, "", {}))
    return body


def comeback_body(session: ReadOnlySession, job: str, head: str) -> Body:
    """The car came back: the job opened for it, and the hash of that job's first entry."""
    return _tried(session, "comeback", {"job": job, "head": _digest(head)})


def ready_body(session: ReadOnlySession) -> Body:
    """The ready answer of the open question, taken up again."""
    ready = _pending(session).ready
    if ready is None:
        raise UserError(
            Problem(
                found="no ready answer here",
                expected="an answer from before a correction",
                next="answer the question",
            )
        )
    body: Body = {
        "step": ready.step,
        "attempt": ready.attempt,
        "outcome": ready.outcome.to_json(),
        "from": ready.seq,
    }
    return _live(session, "outcome", body)


def correction_body(
    session: ReadOnlySession,
    seq: int,
    outcome: Outcome,
    *,
    reason: str,
    evidence: Any = None,
    results: Any = None,
    values: Any = None,
    private: Mapping[str, str] | None = None,
) -> Body:
    """Another answer in the place of the live one of entry `seq`; reason: salted digest."""
    old = _answer(session, seq, aside=False)
    if old in session.proofs:
        outcome = as_proof(session.graph, old.step, outcome)
    body: Body = {
        "of": seq,
        "step": old.step,
        "attempt": old.attempt,
        "outcome": outcome.to_json(),
        "reason": _digest(reason),
    } | _given(evidence, results, values, private)
    return _live(session, "correction", body)


def rejudged_body(
    session: ReadOnlySession,
    seq: int,
    outcome: Outcome,
    *,
    results: Any,
    spec: str,
    evidence: Any = None,
) -> Body:
    """The answer of entry `seq`, live or set aside, judged anew after `spec` was corrected."""
    old = _answer(session, seq, aside=True)
    body: Body = {
        "of": seq,
        "step": old.step,
        "attempt": old.attempt,
        "outcome": outcome.to_json(),
        "results": results,
        "spec": spec,
    } | ({"evidence": evidence} if evidence is not None else {})
    return _live(session, "rejudged", body)


def wait_started_body(
    session: ReadOnlySession,
    *,
    seconds: float | None = None,
    restarted: bool = False,
    step: str = "",
) -> Body:
    """The countdown of the open question starts; restarted: anew, as the clock ran backwards.

    seconds: as the flow says unless given; never less. step: of a proof that follows.
    """
    pending = _pending(session, step)
    body = _wait(pending) | {"seconds": (pending.wait_s or 0) if seconds is None else seconds}
    return _live(session, "wait-started", body | ({"restarted": True} if restarted else {}))


def wait_ended_body(session: ReadOnlySession, *, step: str = "") -> Body:
    return _live(session, "wait-ended", _wait(_pending(session, step)))


def wait_skipped_body(session: ReadOnlySession, reason: str, *, step: str = "") -> Body:
    """reason: salted digest. A wait on which something else rests (a promise `never … unless`) is
    kept or left out, not skipped; only a rehearsal from a file has no time for it."""
    pending = _pending(session, step)
    if session.graph.rest_on(pending.step) and not session.scripted:
        raise UserError(
            Problem(
                found=f"the wait of {pending.step} skipped, on which what comes after it rests",
                expected="its end",
                next="wait, or pause, as the time runs on; or answer that it cannot be done",
            )
        )
    body = _wait(pending) | {"reason": _digest(reason)}
    return _live(session, "wait-skipped", body)


def note_body(session: ReadOnlySession, private: Mapping[str, str], *, step: str = "") -> Body:
    """A note, at any time. private: field → salted digest; step: "" for the job as a whole."""
    body: Body = {"private": _hidden(private)} | ({"step": step} if step else {})
    return _tried(session, "note", body)


def decision_body(
    session: ReadOnlySession,
    *,
    choice: str,
    advised: str = "",
    ruled_out: Sequence[str] = (),
    figures: Mapping[str, Any] | None = None,
    private: Mapping[str, str] | None = None,
) -> Body:
    """What a person decided about the relearn, once the job has ended in one.

    choice, advised: names of ways; ruled_out: those that safety forbids, which a choice may not be;
    figures: prices and times as typed; private: field → salted digest.
    """
    body: Body = {"about": "relearn", "choice": choice}
    body |= {"advised": advised} if advised else {}
    body |= {"ruled_out": list(ruled_out)} if ruled_out else {}
    body |= {"figures": dict(figures)} if figures else {}
    return _live(session, "decision", body | ({"private": _hidden(private)} if private else {}))


def paused_body(session: ReadOnlySession) -> Body:
    return _live(session, "paused", {"step": session.at})


def erased_body(
    session: ReadOnlySession, *, texts: int, pictures: int, recordings: Sequence[str] = ()
) -> Body:
    """What was erased on request, at any time, once it is gone; recordings: by their SHA-256."""
    body: Body = {"texts": texts, "pictures": pictures}
    body["recordings"] = [_digest(sha256) for sha256 in recordings]
    return _tried(session, "erased", body)


def closed_body(session: ReadOnlySession, ending: str, reason: str) -> Body:
    """The job ends by hand in one of `session.closings()`; reason: salted digest.

    The way out for a job that can only be read.
    """
    return _tried(session, "closed", {"ending": ending, "reason": _digest(reason)})


def signature_body(
    session: ReadOnlySession,
    key: SigningKey,
    *,
    person: str,
    role: Role,
    purpose: Purpose,
    time: str,
) -> Body:
    """A signature over the last entry of the job, which is by `person`.

    It must be appended by this person, with this time. Signs also what can only be read (a job that
    was closed by hand); never a draft.
    """
    if isinstance(session, DraftSession):
        raise TypeError("a draft is played, not signed")
    from verify.job.signing import signature_content

    last = session.history[-1]
    body = signature_content(last, key, person=person, role=role, purpose=purpose, time=time)
    after(session, Draft("signature", body, time, person, "", {}))
    return body


def _given(
    evidence: Any, results: Any, values: Any, private: Mapping[str, str] | None
) -> dict[str, Any]:
    stored = {"evidence": evidence, "results": results, "values": values}
    found = {name: value for name, value in stored.items() if value is not None}
    return found | ({"private": _hidden(private)} if private else {})


def _wait(pending: Pending) -> Body:
    return {"step": pending.step, "attempt": pending.attempt}


def _pending(session: ReadOnlySession, later: str = "") -> Pending:
    """later: the open step that is proven after the keys went back, "" for the open question."""
    if later in session.to_prove:
        return session.to_prove[later]
    if session.pending is None:
        raise UserError(
            Problem(
                found="a job that has ended",
                expected="an open question",
                next="correct an earlier answer, or open a new job",
            )
        )
    return session.pending


def _answer(session: ReadOnlySession, seq: int, *, aside: bool) -> Visit:
    answers = [v for v in (*session.walk, *session.proofs) if not v.gate]
    answers += [a.visit for a in session.aside] if aside else []
    for visit in answers:
        if visit.seq == seq:
            return visit
    raise UserError(
        Problem(
            found=f"entry {seq}",
            expected="the entry of an answer that counts at present",
            next="choose one of the answers that are shown",
        )
    )


def _live(session: ReadOnlySession, kind: str, body: Body) -> Body:
    if not isinstance(session, Session | DraftSession):
        raise TypeError("a job of a flow that is not proven can be read, noted on and closed")
    return _tried(session, kind, body)


def _tried(session: ReadOnlySession, kind: str, body: Body) -> Body:
    """The body, once the fold has taken it. Raises UserError where it does not."""
    after(session, _draft(kind, body))
    return body


def _draft(kind: str, body: Body) -> Draft:
    """The fold decides by neither the time nor the person of an entry (but for signatures, which
    are tried with theirs); any will do to try it."""
    return Draft(kind, body, "", "", "", {})


def _digest(text: str) -> str:
    if not isinstance(text, str) or not _DIGEST.fullmatch(text):
        raise ValueError("personal words stand in an entry only as a salted digest")
    return text


def _hidden(private: Mapping[str, str]) -> dict[str, str]:
    return {name: _digest(value) for name, value in private.items()}
