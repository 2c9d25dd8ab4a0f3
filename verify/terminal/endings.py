"""The last screen: what the walk has come to, and what follows from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.flow.graph import STOP
from verify.job.session import ReadOnlySession
from verify.job.visits import BY_HAND
from verify.terminal.say import outcome_words
from verify.terminal.tongue import mark, must, tr
from verify.words import Audience, EndingKind, Grade, Verdict

if TYPE_CHECKING:
    from verify.terminal.hands import Hands

HEADS = {
    EndingKind.HAND_BACK: mark("THE KEYS CAN GO BACK"),
    EndingKind.PROOF_TO_FOLLOW: mark("THE KEYS CAN GO BACK, WITH PROOF TO FOLLOW"),
    EndingKind.RELEARN: mark("RELEARN FIRST; THE KEYS STAY HERE"),
    EndingKind.BACK_TO_DIAGNOSIS: mark("BACK TO DIAGNOSIS; THE KEYS STAY HERE"),
    EndingKind.DO_NOT_DRIVE: mark("DO NOT DRIVE"),
}
REHEARSAL = mark(
    "SCRIPTED: the answers came from a file. This is a rehearsal and lets no real car go."
)
DEMO = mark("DEMO: workshop, people, car and data are invented. No real car was let go.")
PROOF_OPEN = mark("PROOF STILL TO FOLLOW")
NOT_STATUTORY = mark("This is no statutory roadworthiness test.")


def stop_words(session: ReadOnlySession) -> str:
    ending = session.graph.endings[session.graph.on_stop]
    return must("Engine off. Do not drive.") + " " + ending_advice(ending, session.audience)


def ending_advice(ending: object, audience: Audience) -> str:
    owner = getattr(ending, "owner", "")
    advice = getattr(ending, "advice", "")
    return str(owner if audience is Audience.OWNER and owner else advice)


def head(session: ReadOnlySession) -> str:
    """The ending in capitals; a scripted job outside the demo lets no car go."""
    if session.ending is None:
        return tr("NOT FINISHED")
    kind = session.ending.kind
    words = must(HEADS[kind])
    if kind is EndingKind.PROOF_TO_FOLLOW and later_head(session) != tr(PROOF_OPEN):
        words = later_head(session)
    if kind.lets_go and session.scripted and not session.demo:
        return tr("REHEARSAL ONLY ({words})", words=words.lower())
    return words


def ending_lines(session: ReadOnlySession) -> list[str]:
    """What a person reads at the end: head, advice, what is still open and by when."""
    ending = session.ending
    if ending is None:
        return [head(session)]
    lines = [head(session)]
    if ending.title.casefold() != head(session).casefold():
        lines.append(ending.title)
    lines += ["", ending_advice(ending, session.audience)]
    against = failed_steps(session)
    if against and not ending.kind.lets_go:
        lines += ["", tr("What led here:"), *(f"  - {line}" for line in against)]
    elif (open_at := last_not_shown(session)) and ending.kind in BY_HAND:
        lines += ["", tr("Not shown: {title}", title=sentence_end(open_at))]
    if ending.who:
        lines += ["", tr("Who can do it: {who}", who=ending.who)]
    if ending.kind is EndingKind.PROOF_TO_FOLLOW and session.open_required:
        lines += ["", tr("Proof still to follow:")]
        for step in session.open_steps():
            settle, by = step.later or ("", "")
            words = tr("{title}: {settle} By: {by}.", title=step.title, settle=settle, by=by)
            lines.append(f"  - {words}")
    told = told_steps(session)
    if told and ending.kind.lets_go:
        titles = sentence_end("; ".join(told))
        lines += ["", tr("Told, not measured: {titles}", titles=titles)]
    if session.scripted and ending.kind.lets_go and not session.demo:
        lines += ["", tr(REHEARSAL)]
    if ending.kind.lets_go:
        lines += ["", tr(NOT_STATUTORY)]
    if session.demo:
        lines += ["", tr(DEMO)]
    return lines


def later_head(session: ReadOnlySession) -> str:
    """What became of the proof that was to follow, in capitals."""
    if session.comebacks:
        return tr("THE CAR CAME BACK")
    if session.proof_failed:
        return tr("PROOF FAILED: THE CAR MUST COME BACK")
    if session.proven_later:
        return tr("THE KEYS WENT BACK; ALL PROOF HAS COME IN")
    return tr(PROOF_OPEN)


def sentence_end(text: str) -> str:
    return text if text[-1:] in ".!?" else text + "."


def failed_steps(session: ReadOnlySession) -> list[str]:
    """What stands failed at the end, by title and outcome: required steps and recordings."""
    lines = []
    answers = (*session.walk, *session.proofs)
    for name in dict.fromkeys(v.step for v in answers if not v.gate):
        step, visit = session.graph.steps[name], session.last(name)
        if visit is None or not (step.required or step.kind == "record"):
            continue
        if step.counts(visit.outcome) is Verdict.FAIL and visit.outcome.label != STOP:
            lines.append(f"{step.title}: {outcome_words(step, visit.outcome)}")
    return lines


def last_not_shown(session: ReadOnlySession) -> str:
    """Title of the last step that was answered, where it stayed open: "" otherwise."""
    visit = next((v for v in reversed(session.walk) if not v.gate), None)
    if visit is None:
        return ""
    step = session.graph.steps[visit.step]
    return step.title if step.counts(visit.outcome) is Verdict.UNDECIDED else ""


def told_steps(session: ReadOnlySession) -> list[str]:
    """Titles of the required steps that rest on nothing but somebody's word."""
    titles = []
    for visit in (*session.walk, *session.proofs):
        step = session.graph.steps[visit.step]
        if visit.gate or not step.required or visit.outcome.grade is not Grade.TOLD:
            continue
        last = session.last(visit.step)
        if last in session.proofs and last is not visit:
            continue  # it was told on the walk, and shown later
        if step.kind in ("ask", "card", "record") and step.title not in titles:
            titles.append(step.title)
    return titles


def show_ending(session: ReadOnlySession, hands: Hands) -> None:
    lines = ending_lines(session)
    if session.stopped:
        # The sign above has said it already.
        advice = ending_advice(session.ending, session.audience)
        if advice in lines[3:4]:
            lines[2:4] = []
    hands.say("", *lines, "", *last_lines(session))


def show_ended(session: ReadOnlySession) -> None:
    """A job that has ended, as plain lines that break between words."""
    from verify.terminal.clock import SystemClock, stamp
    from verify.terminal.prove import proof_end_lines
    from verify.terminal.ui_lines import LineUi

    lines = [*ending_lines(session), "", tr("The walk through this job has ended.")]
    if session.ending is not None and session.ending.kind is EndingKind.PROOF_TO_FOLLOW:
        lines += ["", *proof_end_lines(session, stamp(SystemClock().now())[:10])]
    LineUi().tell(*lines, "", *last_lines(session))


def last_lines(session: ReadOnlySession) -> list[str]:
    """Where to look next. The head once more: on a low screen it may have run off the top."""
    lines = [
        tr("{head}. The whole account: keysback show {job}", head=head(session), job=session.job),
        tr("A text for the invoice or the customer: keysback note {job}", job=session.job),
    ]
    rehearsed = session.scripted or session.demo
    if session.ending is not None and session.signed_off is None and not rehearsed:
        lines.append(
            tr("A second person signs it off: keysback signoff {job} --by SIGNER", job=session.job)
        )
    return lines
