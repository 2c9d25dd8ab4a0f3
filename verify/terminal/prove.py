"""Proof that follows: what stayed open when the keys went back is answered, and judged as then.

    job in proof-to-follow ─choose an open step→ answer ─judge→ entry ─→ proven / open / failed

Nothing else is asked: the walk stands still, and a proof that failed is not tried again.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

from verify.errors import UserError
from verify.flow.graph import CANNOT as CANNOT_LABEL
from verify.flow.graph import STOP, Outcome, Step
from verify.job.bodies import (
    note_body,
    paused_body,
    proof_body,
    sitting_body,
    wait_ended_body,
    wait_skipped_body,
    wait_started_body,
)
from verify.job.session import Pending, ReadOnlySession, Session, Visit
from verify.terminal.answers_file import Answers
from verify.terminal.bench import Worker
from verify.terminal.clock import read_stamp, stamp
from verify.terminal.collect import Taken, ask_spec, take_answer
from verify.terminal.desk import Desk, Live, Secrets
from verify.terminal.endings import later_head, rehearsal_or
from verify.terminal.hands import Hands
from verify.terminal.recall import with_the_complaint
from verify.terminal.rejudge import prove_with
from verify.terminal.runner import Paused, Runner
from verify.terminal.say import answer_words, choice_page, spec_words, step_page
from verify.terminal.screen import say_plain
from verify.terminal.signoff_words import due_words, open_proof_lines
from verify.terminal.tongue import mark, spoken, tr, trouble_words
from verify.terminal.ui import BACK, CANNOT, CORRECT, NOTE, PAUSE, SPEC, Option, Page, Wish
from verify.terminal.ui import STOP as STOP_WISH
from verify.terminal.ui_lines import LineUi
from verify.words import Verdict

PROGRESS = mark("proof that follows")


def proof_end_lines(session: ReadOnlySession, today: str) -> list[str]:
    """What a person reads when no more proof is given now."""
    lines = [rehearsal_or(session, later_head(session))]
    if session.proof_failed:
        names = "; ".join(session.graph.steps[n].title for n in session.proof_failed)
        lines += [
            "",
            tr("Failed: {steps}.", steps=names),
            tr(
                "Tell the customer to bring the car back, and open a job for it then: "
                "keysback comeback {job}",
                job=session.job,
            ),
            tr("The proof is not taken a second time: something has to be done to the car first."),
        ]
    elif not session.proven_later:
        # The list first: on a low screen what is printed first runs off the top.
        lines = [tr("Still open:"), *open_proof_lines(session, today), "", *lines]
        if not session.to_prove:
            words = tr("The car must come back for it: keysback comeback {job}", job=session.job)
            lines.append(words)
    return lines


def takes_proof(session: ReadOnlySession) -> bool:
    """Whether something can still be answered: proof is to follow, or one was typed wrong."""
    return isinstance(session, Session) and bool(
        session.to_prove or (session.proof_failed and typed_proofs(session))
    )


def typed_proofs(session: ReadOnlySession) -> list[Visit]:
    return [v for v in session.correctable() if v in session.proofs]


@dataclass(slots=True)
class ProofRunner:
    """mode, scripted: of the sitting, which begins with the first answer."""

    desk: Desk
    hands: Hands
    mode: str
    answers: Answers | None = None
    begun: bool = False

    def run(self) -> Live:
        """Goes on until nothing is to follow or nobody has more. Raises Paused, UserError."""
        session = self.desk.live()
        while True:
            try:
                session = self.desk.live()
                if session.proof_failed and typed_proofs(session):
                    if not self._was_typed_wrong(session):
                        return session
                    Runner(self.desk, self.hands).correct(session, typed_proofs(session))
                    continue
                name = self._choose(session) if session.to_prove else ""
                if not name:
                    return session
                self._one(session, session.graph.steps[name])
            except Wish as wish:
                self._wishes(wish.name)

    def _was_typed_wrong(self, session: Live) -> bool:
        self.hands.page(
            Page(
                job=session.job,
                flow=session.graph.title,
                progress=tr(PROGRESS),
                title=tr("A proof failed"),
                say="\n".join(proof_end_lines(session, self._today())[2:]),
                wishes=(NOTE, PAUSE),
            )
        )
        options = [
            Option("", tr("It is so: the car must come back")),
            Option("correct", tr("It was typed wrong: correct it, with a reason")),
        ]
        return bool(self.hands.pick(tr("Is that so?"), options))

    def _begin(self, session: Live) -> Live:
        if self.begun:
            return session
        self.begun = True
        body = sitting_body(
            session, mode=self.mode, scripted=self.answers is not None, language=spoken()
        )
        return self.desk.write("sitting", body)

    def _today(self) -> str:
        return stamp(self.desk.clock.now())[:10]

    def _choose(self, session: Live) -> str:
        """The open step for which there is proof now, "" for none."""
        names = list(session.to_prove)
        if self.answers is not None:
            return next((n for n in names if self._has_answer(n)), "")
        options = [Option(n, session.graph.steps[n].title) for n in names]
        say = "\n".join(open_proof_lines(session, self._today()))
        self.hands.page(
            Page(
                job=session.job,
                flow=session.graph.title,
                progress=tr(PROGRESS),
                title=tr("What was to follow"),
                say=say,
                wishes=(
                    NOTE,
                    *((CORRECT,) if typed_proofs(session) else ()),
                    *((SPEC,) if not_found(session) else ()),
                    PAUSE,
                ),
                prompt_rows=len(options) + 6,
            )
        )
        return self.hands.pick(
            tr("For which is there proof now?"), [*options, Option("", tr("None now; go on later"))]
        )

    def _has_answer(self, name: str) -> bool:
        assert self.answers is not None
        given = self.answers.tree.data.get(name)
        return isinstance(given, list) and self.answers.used.get(name, 0) < len(given)

    def _one(self, session: Live, step: Step) -> Live:
        """One step asked, judged and written; asked again after a wish that leaves it open."""
        session = self._begin(session)
        while True:
            pending = session.to_prove[step.name]
            self.hands.page(self._page(session, step, pending))
            try:
                if pending.wait_s is not None and not (pending.wait and pending.wait.over):
                    session = self._wait(session, step, pending, pending.wait_s)
                    continue
                taken = take_answer(self.desk, session, step, self.hands)
                break
            except Wish as wish:
                if wish.name == CANNOT:
                    reason = self.hands.reason(tr("Why can this not be done?"), back=True)
                    if reason:
                        return self._told(step, CANNOT_LABEL, reason)
                elif wish.name == STOP_WISH:
                    return self._stop(session, step)
                else:
                    session = self._wishes(wish.name)
                    if step.name not in session.to_prove:
                        return session
        return self._write(step, taken)

    def _page(self, session: Live, step: Step, pending: Pending) -> Page:
        page = step_page(session, step=step, attempt=pending.attempt)
        page = with_the_complaint(page, session, step, self.desk.secret)
        settle, by = step.later or ("", "")
        due = due_words(by, "", self._today())
        before = tr("To follow: {settle} ({due})", settle=settle, due=due)
        missing = [n for n in not_found(session) if n in step.detail.get("specs", ())]
        if missing:
            titles = "; ".join(session.graph.specs[n].title for n in missing)
            before += "\n" + tr(
                "Not found until now: {titles}. Enter it first (!spec).", titles=titles
            )
        return replace(
            page,
            progress=tr(PROGRESS),
            before="\n".join(line for line in (page.before, before) if line),
            wishes=(CANNOT, NOTE, *((SPEC,) if missing else ()), PAUSE, STOP_WISH),
        )

    def _write(self, step: Step, taken: Taken) -> Live:
        # From the desk: numbers of the car may have been written while the answer was taken.
        session = self.desk.live()
        if taken.judged.outcome.label == STOP:
            return self._stop(session, step)
        secrets = Secrets(**taken.judged.private)
        body = proof_body(
            session,
            step.name,
            taken.judged.outcome,
            values=taken.judged.values,
            results=[r.to_json() for r in taken.judged.results] or None,
            evidence=taken.evidence or None,
            private=secrets.digests or None,
        )
        new = self.desk.write("proof", body, secrets)
        self.hands.judged(session, step, taken)
        if not taken.judged.results:
            words = {
                Verdict.PASS: tr("proven"),
                Verdict.FAIL: tr("failed"),
                Verdict.UNDECIDED: tr("still open"),
            }
            now = Outcome.from_json(body["outcome"])
            told = f"{step.title}: {words[step.counts(now)]}."
            if now.opens and step.later is not None:
                told += " " + tr("That is still to be done, and then to be said here.")
            self.hands.notice(told)
        return new

    def _told(self, step: Step, label: str, reason: str) -> Live:
        secrets = Secrets(**({"reason": reason} if reason else {}))
        session = self.desk.live()
        body = proof_body(session, step.name, Outcome(label), private=secrets.digests or None)
        return self.desk.write("proof", body, secrets)

    def _stop(self, session: Live, step: Step) -> Live:
        from verify.terminal.endings import stop_words

        self.hands.stop_sign(stop_words(session))
        if not self.hands.stops_here():
            return session
        return self._told(step, STOP, "")

    # Waits, as on the walk

    def _wait(self, session: Live, step: Step, pending: Pending, seconds: float) -> Live:
        if pending.wait is None:
            skipped = self.hands.begin_wait(step, seconds, kept=True)
            body = wait_started_body(session, step=step.name)
            session = self.desk.write("wait-started", body)
            if skipped:
                return self._skip(session, step, skipped)
            pending = session.to_prove[step.name]
        assert pending.wait is not None
        begun = read_stamp(pending.wait.started)
        if self.desk.clock.now() < begun:
            body = wait_started_body(session, restarted=True, step=step.name)
            return self.desk.write("wait-started", body)

        def left() -> float:
            gone = (self.desk.clock.now() - begun).total_seconds()
            return 0.0 if gone < 0 else seconds - gone

        skipped = self.hands.wait(step, seconds, left, kept=True)
        if skipped:
            return self._skip(session, step, skipped)
        if self.desk.clock.now() < begun or left() > 0:
            return session
        return self.desk.write("wait-ended", wait_ended_body(session, step=step.name))

    def _skip(self, session: Live, step: Step, reason: str) -> Live:
        secrets = Secrets(reason=reason)
        body = wait_skipped_body(session, secrets.digests["reason"], step=step.name)
        return self.desk.write("wait-skipped", body, secrets)

    def _wishes(self, name: str) -> Live:
        """What may be wished for beside a step, and after its verdict was shown."""
        session = self.desk.live()
        if name == BACK:
            return session
        if name == PAUSE:
            if self.begun and session.to_prove:
                self.desk.write("paused", paused_body(session))
            raise Paused
        if name == STOP_WISH and session.to_prove:
            return self._stop(session, session.graph.steps[next(iter(session.to_prove))])
        if name == CORRECT and typed_proofs(session):
            return Runner(self.desk, self.hands).correct(session, typed_proofs(session))
        if name == SPEC and not_found(session):
            return self._found(session)
        if name not in (NOTE, CANNOT):
            self.hands.notice(
                tr("Nothing is open here any more; write a note, or open a comeback.")
            )
        if name == NOTE:
            text = self.hands.reason(tr("Note"), back=True)
            if text:
                secrets = Secrets(text=text)
                self.hands.notice(tr("The note is written down."))
                return self.desk.write("note", note_body(session, secrets.digests), secrets)
        return session

    def _found(self, session: Live) -> Live:
        """A number that was not found is entered, and what is open is judged with it."""
        names = not_found(session)
        name = names[0]
        if len(names) > 1:
            options = [Option(n, session.graph.specs[n].title) for n in names]
            self.hands.page(choice_page(session, tr("Change a number of this car")))
            name = self.hands.pick(
                tr("Which number changes?"), [*options, Option("", tr("None; go on"))]
            )
            if not name:
                return session
        session = self._begin(session)
        stood, was_open = session.specs[name].seq, tuple(session.to_prove)
        session = ask_spec(self.desk, session, name, self.hands)
        if session.specs[name].seq == stood:
            return session
        session = prove_with(self.desk, session, name)
        graph = session.graph
        lines = [f"{graph.specs[name].title}: {spec_words(session, name)}."]
        for there in was_open:
            last = session.last(there)
            if last is not None and last.seq > stood and last in session.proofs:
                lines.append(answer_words(graph.steps[there], last))
        self.hands.notice("\n".join(lines))
        return session


def not_found(session: ReadOnlySession) -> tuple[str, ...]:
    """The numbers of the car that were not found and that something open is held against."""
    used = {n for s in session.to_prove for n in session.graph.steps[s].detail.get("specs", ())}
    return tuple(n for n, spec in session.specs.items() if not spec.text and n in used)


def sit_for_proof(
    desk: Desk, hands: Hands, worker: Worker, *, mode: str, answers: Answers | None
) -> int:
    """As `sitting.sit`, for proof that follows. Returns the exit code."""
    from verify.terminal.sitting import end_signed

    resume = f"keysback resume {desk.job}"
    before = desk.session().history[-1].seq
    try:
        session = ProofRunner(desk, hands, mode, answers).run()
        if answers is not None:
            answers.finish()
        LineUi().tell("", *proof_end_lines(session, stamp(desk.clock.now())[:10]))
    except Paused:
        say_plain(tr("Paused. Go on with: {command}", command=resume))
    except KeyboardInterrupt:
        words = tr("Interrupted. Nothing accepted is lost. Go on with: {command}", command=resume)
        say_plain(f"\n{words}", target=sys.stderr)
        return 130
    except UserError as error:
        say_plain(trouble_words(error), target=sys.stderr)
        say_plain(f"What was accepted is kept. Go on with: {resume}", target=sys.stderr)
        return 2
    if desk.session().history[-1].seq == before:
        return 0
    return end_signed(desk, worker, scripted=answers is not None)
