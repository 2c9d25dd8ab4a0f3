"""The last screen: what the walk has come to, and what follows from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.flow.graph import STOP, Step
from verify.job.session import ReadOnlySession
from verify.job.standing import due_days
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
    return rehearsal_or(session, words)


def rehearsal_or(session: ReadOnlySession, words: str) -> str:
    """These words of an ending, or that a rehearsal has come to them."""
    lets_go = session.ending is not None and session.ending.kind.lets_go
    if lets_go and session.scripted and not session.demo:
        return tr("REHEARSAL ONLY ({words})", words=words.lower())
    return words


def ending_lines(session: ReadOnlySession) -> list[str]:
    """What a person reads at the end: head, advice, what is still open and by when."""
    return [*_first_lines(session), *_lists(session), *_bounds(session)]


def closing_lines(session: ReadOnlySession) -> list[str]:
    """The same for the end of a walk at a terminal, where what is printed first runs off the top:
    the lists first, then the ending's word, what to do, and of several proofs the first one due."""
    lists = _lists(session)
    lines = [*lists[1:], ""] if lists else []
    return [*lines, *_first_lines(session), *_first_proof(session), *_bounds(session)]


def _first_lines(session: ReadOnlySession) -> list[str]:
    ending = session.ending
    lines = [head(session)]
    if ending is None:
        return lines
    if ending.title.casefold() != head(session).casefold():
        lines.append(ending.title)
    lines += ["", ending_advice(ending, session.audience)]
    return [*lines, "", tr("Who can do it: {who}", who=ending.who)] if ending.who else lines


def _lists(session: ReadOnlySession) -> list[str]:
    """What led here, what is still open, what rests on a word: each after an empty line."""
    ending, lines = session.ending, []
    if ending is None:
        return []
    against = failed_steps(session)
    if against and not ending.kind.lets_go:
        lines += ["", tr("What led here:"), *(f"  - {line}" for line in against)]
    elif (open_at := last_not_shown(session)) and ending.kind in BY_HAND:
        lines += ["", tr("Not shown: {title}", title=sentence_end(open_at))]
    if ending.kind is EndingKind.PROOF_TO_FOLLOW and session.open_required:
        lines += ["", tr("Proof still to follow:")]
        lines += [f"  - {_proof_words(step)}" for step in session.open_steps()]
    told = told_steps(session)
    if told and ending.kind.lets_go:
        titles = sentence_end("; ".join(told))
        lines += ["", tr("Told, not measured: {titles}", titles=titles)]
    return lines


def _proof_words(step: Step) -> str:
    settle, by = step.later or ("", "")
    return tr("{title}: {settle} By: {by}.", title=step.title, settle=settle, by=by)


def _first_proof(session: ReadOnlySession) -> list[str]:
    """Of several proofs the one due first; where no calendar can say, the first of the list."""
    ending = session.ending
    if ending is None or ending.kind is not EndingKind.PROOF_TO_FOLLOW or session.comebacks:
        return []
    open_steps = session.open_steps()
    if len(open_steps) < 2 or session.proof_failed:
        return []
    due = due_days(session)
    first = min(open_steps, key=lambda step: due.get(step.name) or "9999")
    return ["", tr("First of them: {proof}", proof=_proof_words(first))]


def _bounds(session: ReadOnlySession) -> list[str]:
    """How far it holds: no rehearsal lets a car go, and it is no statutory test."""
    ending, lines = session.ending, []
    if ending is not None and ending.kind.lets_go:
        if session.scripted and not session.demo:
            lines += ["", tr(REHEARSAL)]
        lines += ["", tr(NOT_STATUTORY)]
    return [*lines, "", tr(DEMO)] if session.demo and ending is not None else lines


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
    lines = closing_lines(session)
    if session.stopped:
        # The sign above has said it already.
        advice = ending_advice(session.ending, session.audience)
        if ["", advice] in [lines[i : i + 2] for i in range(len(lines))]:
            at = lines.index(advice)
            lines[at - 1 : at + 1] = []
    hands.say("", *lines, "", *last_lines(session))


def show_ended(session: ReadOnlySession) -> None:
    """A job that has ended, as plain lines that break between words."""
    from verify.terminal.clock import SystemClock, stamp
    from verify.terminal.prove import proof_end_lines
    from verify.terminal.ui_lines import LineUi

    lines = [tr("The walk through this job has ended."), ""]
    if session.ending is not None and session.ending.kind is EndingKind.PROOF_TO_FOLLOW:
        lines += [*proof_end_lines(session, stamp(SystemClock().now())[:10]), ""]
    LineUi().tell(*lines, *closing_lines(session), "", *last_lines(session))


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
