"""How a job stands, for lists: its state in a few words, and by when proof is due. Pure.

session ─→ one row of texts and whole numbers, kept beside the job by the journal
"""

from __future__ import annotations

from verify.job.due import due_day
from verify.job.session import ReadOnlySession
from verify.words import EndingKind

_STATES = {
    EndingKind.HAND_BACK: "handed back",
    EndingKind.PROOF_TO_FOLLOW: "handed back, proof to follow",
    EndingKind.RELEARN: "to be relearned elsewhere",
    EndingKind.BACK_TO_DIAGNOSIS: "back to diagnosis",
    EndingKind.DO_NOT_DRIVE: "not to be driven",
}


def index_row(session: ReadOnlySession) -> dict[str, str | int]:
    """What lists say of a job: texts and whole numbers, nothing personal.

    state: in words; at: name of the step or ending; ending: its kind, "" while the job goes on;
    open_proofs: required steps still to be proven after the keys went back; erased: how often
    personal data were erased on request; proof_due: the earliest day proof is due, YYYY-MM-DD,
    where a calendar can say; comeback_of: the job before; model: of the car; car: digests of what
    was typed for it, which only the store can turn into words; these only where there is something
    to say.
    """
    ending = session.ending
    gone = ending is not None and ending.kind.lets_go
    row: dict[str, str | int] = {
        "flow": session.flow,
        "title": session.graph.in_english(session.graph.title),
        "audience": session.audience.value,
        "state": state_words(session),
        "at": session.at,
        "ending": ending.kind.value if ending is not None else "",
        "opened": session.opened,
        "updated": session.updated,
        "scripted": int(session.scripted),
        "demo": int(session.demo),
        "open_proofs": len(session.open_required) if gone and not session.comebacks else 0,
    }
    row |= {"erased": len(session.erased)} if session.erased else {}
    if session.comeback_of:
        row |= {"comeback_of": str(session.comeback_of["job"])}
    row |= {"model": session.model} if session.model else {}
    row |= {"car": " ".join(map(str, session.car.values()))} if session.car else {}
    due = [day for day in due_days(session).values() if day]
    return row | ({"proof_due": min(due)} if due else {})


def state_words(session: ReadOnlySession) -> str:
    """How the job stands, for lists."""
    ending = session.ending
    if ending is None:
        where = "paused at: " if session.paused else "at: "
        back = session.sign_offs and not session.sign_offs[-1].accepted
        return (
            ("sent back by the signer; " if back else "")
            + where
            + session.graph.in_english(session.step().title)
        )
    state = _STATES[ending.kind] + (", closed by hand" if session.closed else "")
    if session.proof_failed and not session.closed:
        state = "PROOF FAILED: the car must come back"
        state += "; " + _STATES[ending.kind] if session.stopped else ""
    elif session.proven_later:
        state = "handed back, proven"
    state += "; signed off" if session.signed_off else ""
    if session.comebacks:
        state += f"; came back: job {session.comebacks[-1].job}"
    return state


def due_days(session: ReadOnlySession) -> dict[str, str]:
    """Open step → the day by which its proof is due, YYYY-MM-DD, counted from when the keys went
    back; "" where no calendar can say (a distance). {} where no proof is to follow."""
    if not session.to_prove:
        return {}
    since = session.history[session.walk[-1].placed - 1].time if session.walk else session.opened
    graph = session.graph
    by = {name: (graph.steps[name].later or ("", ""))[1] for name in session.to_prove}
    return {name: due_day(graph.in_english(text), since) for name, text in by.items()}
