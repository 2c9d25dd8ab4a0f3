"""The runner: shows the open question, takes the answer, has it judged and written, goes on.

One loop over the session; where the answers come from (a person at a screen, plain lines, an
answers file) is the hand's business (`hands`). Nothing here decides about the car.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from verify.errors import UserError
from verify.flow.graph import CANNOT as CANNOT_LABEL
from verify.flow.graph import STOP, Outcome, Step
from verify.job.bodies import (
    closed_body,
    correction_body,
    note_body,
    outcome_body,
    paused_body,
    ready_body,
    wait_ended_body,
    wait_skipped_body,
    wait_started_body,
)
from verify.job.session import ReadOnlySession, Visit
from verify.job.visits import computed
from verify.terminal import leave_out, relearn_advice
from verify.terminal.clock import read_stamp
from verify.terminal.collect import Taken, ask_spec, take_answer
from verify.terminal.confirm import Said
from verify.terminal.desk import Desk, Live, Secrets
from verify.terminal.endings import show_ending, stop_words
from verify.terminal.hands import Hands
from verify.terminal.mended import mended_since
from verify.terminal.recall import with_the_complaint
from verify.terminal.rejudge import judge_what_is_owed, rejudge_all
from verify.terminal.say import answer_words, choice_page, outcome_words, spec_words, step_page
from verify.terminal.tongue import tr, trouble_words
from verify.terminal.ui import CANNOT, CORRECT, LEAVE_OUT, NOTE, PAUSE, SPEC, Option, Wish
from verify.terminal.ui import STOP as STOP_WISH

ON_ONE_SCREEN = 12


class Paused(Exception):
    """The person paused; the job can be resumed."""


@dataclass(slots=True)
class Runner:
    desk: Desk
    hands: Hands

    def run(self) -> Live:
        """Goes on until the job ends. Raises Paused, UserError, KeyboardInterrupt."""
        # Where a sitting broke off between a number of the car and the verdicts that use it.
        session = judge_what_is_owed(self.desk, self.desk.live())
        while session.pending is not None:
            try:
                session = self._one(session)
            except Wish as wish:
                # From the desk: an answer may have been written before the wish was made.
                session = self._wishes(wish.name)
        show_ending(session, self.hands)
        return relearn_advice.offer(self.desk, session, self.hands)

    # One question

    def _one(self, session: Live) -> Live:
        step, pending = session.step(), session.pending
        assert pending is not None
        page = step_page(session)
        self.hands.page(with_the_complaint(page, session, step, self.desk.secret))
        if pending.ready is not None:
            return self._ready(session, step, pending.ready)
        if pending.wait_s is not None and not (pending.wait and pending.wait.over):
            return self._wait(session, step, pending.wait_s)
        taken = take_answer(self.desk, session, step, self.hands)
        return self._write(step, taken)

    def _ends_unsaid(
        self, kind: str, body: Mapping[str, Any], step: Step, taken: Taken | None = None
    ) -> bool:
        """Whether this entry would end the job and the person, asked, does not want that.

        What a recording shows is no slip of a hand: it is written as it was measured.
        """
        if taken is not None and taken.evidence:
            return False
        if self.desk.session().ending is not None:
            # A proof that is corrected: the job ended long ago.
            return False
        then = self.desk.preview(kind, body)
        if then.ending is None:
            return False
        said = Said.of(body)
        if self.hands.ends_here(self.desk.live(), then, step, said):
            return False
        what = f"{step.title}: {said.outcome.label}" + (f" ({said.text})" if said.text else "")
        self._taken_back(what, then.ending.kind.value)
        return True

    def _taken_back(self, what: str, ending: str) -> None:
        """An answer that would have ended the job and was taken back stays on the record, as a
        note: else numbers could be tried until one fits. In English, like all that is recorded."""
        text = f"Taken back before it counted: {what}. It would have ended the job: {ending}."
        secrets = Secrets(text=text)
        self.desk.write("note", note_body(self.desk.live(), secrets.digests), secrets)

    def _write(self, step: Step, taken: Taken) -> Live:
        # From the desk: numbers of the car may have been written while the answer was taken.
        session = self.desk.live()
        if taken.judged.outcome.label == STOP:
            return self._stop(session, taken.judged.private.get("reason", ""))
        secrets = Secrets(**taken.judged.private)
        body = outcome_body(
            session,
            taken.judged.outcome,
            values=taken.judged.values,
            results=[r.to_json() for r in taken.judged.results] or None,
            evidence=taken.evidence or None,
            private=secrets.digests or None,
        )
        if self._ends_unsaid("outcome", body, step, taken):
            return self.desk.live()
        new = self.desk.write("outcome", body, secrets)
        self.hands.judged(session, step, taken)
        return new

    def _ready(self, session: Live, step: Step, ready: Visit) -> Live:
        """An answer from before a correction is offered again, with its own time."""
        pending = session.pending
        assert pending is not None
        if chain := mended_since(session, ready):
            # It failed, was put right and was answered again: the last answer is what holds, and
            # what was done before it stays on the walk.
            keep = self.hands.keep_ready(session, step, chain[-1], locked=False)
            session = self._take_again(session, chain if keep else chain[:-1])
            pending = session.pending
            if keep or pending is None or pending.step != step.name or pending.locked:
                return session
        elif self.hands.keep_ready(session, step, ready, locked=pending.locked):
            body = ready_body(session)
            if not computed(step, ready.outcome) and self._ends_unsaid("outcome", body, step):
                return self.desk.live()
            return self.desk.write("outcome", body)
        taken = take_answer(self.desk, session, step, self.hands)
        if pending.locked and "reason" not in taken.judged.private:
            reason = self.hands.reason(
                tr(
                    "This failed before, and nothing was done to the car since. "
                    "Why is the answer another one now?"
                ),
                back=True,
            )
            if not reason:
                return session
            taken = taken.with_private(reason=reason)
        return self._write(step, taken)

    def _take_again(self, session: Live, chain: Sequence[Visit]) -> Live:
        """Takes ready answers up again, one after the other, as far as they are still offered."""
        for visit in chain:
            pending = session.pending
            if pending is None or pending.ready is None or pending.ready.seq != visit.seq:
                break
            session = self.desk.write("outcome", ready_body(session))
        return session

    # Waits

    def _wait(self, session: Live, step: Step, seconds: float) -> Live:
        """Start and end are entries; a clock that ran backwards starts the wait again."""
        pending = session.pending
        assert pending is not None
        kept = step.required or bool(session.graph.rest_on(step.name))
        if pending.wait is None:
            # The time counts from when a person says so: before that, the key may still be on.
            skipped = self.hands.begin_wait(step, seconds, kept=kept)
            session = self.desk.write("wait-started", wait_started_body(session))
            if skipped:
                return self._skip_wait(session, skipped)
            pending = session.pending
            assert pending is not None
            assert pending.wait is not None
        wait = pending.wait
        assert wait is not None
        begun = read_stamp(wait.started)
        if self.desk.clock.now() < begun:
            return self.desk.write("wait-started", wait_started_body(session, restarted=True))

        def left() -> float:
            gone = (self.desk.clock.now() - begun).total_seconds()
            # Running backwards while we look: leave the countdown, the loop starts it again.
            return 0.0 if gone < 0 else seconds - gone

        skipped = self.hands.wait(step, seconds, left, kept=kept)
        if skipped:
            return self._skip_wait(session, skipped)
        if self.desk.clock.now() < begun:
            return session
        if left() > 0:
            return session
        return self.desk.write("wait-ended", wait_ended_body(session))

    def _skip_wait(self, session: Live, reason: str) -> Live:
        secrets = Secrets(reason=reason)
        body = wait_skipped_body(session, reason=secrets.digests["reason"])
        return self.desk.write("wait-skipped", body, secrets)

    # What a person may ask for at every prompt

    def _wishes(self, name: str) -> Live:
        """Grants a wish, and those made at its own prompts (stop, while a note is written)."""
        while True:
            try:
                return self._wish(self.desk.live(), name)
            except Wish as wish:
                name = wish.name

    def _wish(self, session: Live, name: str) -> Live:
        try:
            if name == STOP_WISH:
                return self._stop(session, "")
            if name == PAUSE:
                return self._pause(session)
            if name == NOTE:
                return self._note(session)
            if name == CANNOT:
                return self._cannot(session)
            if name == LEAVE_OUT:
                return self._cannot(session, leave_out.REASON)
            if name == CORRECT:
                return self.correct(session, list(session.correctable()))
            if name == SPEC:
                return self._change_spec(session)
        except UserError as error:
            # Twice: at once, and on the page that is drawn over it.
            self.hands.trouble(error)
            self.hands.notice(trouble_words(error))
        return session

    def _stop(self, session: Live, reason: str) -> Live:
        """At once: the sign first, then whether it is meant, then the entry."""
        self.hands.stop_sign(stop_words(session))
        if not self.hands.stops_here():
            self._taken_back("STOP", "do-not-drive")
            self.hands.notice(tr("The stop was taken back. A note says so."))
            return self.desk.live()
        secrets = Secrets(**({"reason": reason} if reason else {}))
        body = outcome_body(session, Outcome(STOP), private=secrets.digests or None)
        return self.desk.write("outcome", body, secrets)

    def _pause(self, session: Live) -> Live:
        self.desk.write("paused", paused_body(session))
        raise Paused

    def _note(self, session: Live) -> Live:
        text = self.hands.reason(tr("Note"), back=True)
        if not text:
            return session
        secrets = Secrets(text=text)
        self.hands.notice(tr("The note is written down."))
        return self.desk.write("note", note_body(session, secrets.digests), secrets)

    def _cannot(self, session: Live, reason: str = "") -> Live:
        reason = reason or self.hands.reason(tr("Why can this not be done?"), back=True)
        if not reason:
            return session
        secrets = Secrets(reason=reason)
        body = outcome_body(session, Outcome(CANNOT_LABEL), private=secrets.digests)
        if self._ends_unsaid("outcome", body, session.step()):
            return self.desk.live()
        return self.desk.write("outcome", body, secrets)

    def correct(self, session: Live, visits: Sequence[Visit]) -> Live:
        """One of these answers is given anew, with a reason. Raises Wish, UserError."""
        if not visits:
            self.hands.notice(
                tr(
                    "There is no typed answer to correct yet. What was computed from a recording "
                    "is measured again, not corrected."
                )
            )
            return session
        visit = self._which_answer(session, visits)
        if visit is None:
            return session
        step = session.graph.steps[visit.step]
        was = tr("Correcting. Until now: {words}", words=outcome_words(step, visit.outcome))
        page = step_page(session, step=step, attempt=visit.attempt)
        page = with_the_complaint(replace(page, before=was), session, step, self.desk.secret)
        # What cannot be done is said of the open question, not of this one.
        self.hands.page(replace(page, wishes=(PAUSE, STOP_WISH)))
        taken = take_answer(self.desk, session, step, self.hands)
        session = self.desk.live()
        if taken.judged.outcome.label == STOP:
            return self._stop(session, "")
        secrets = Secrets(**taken.judged.private)
        wrong = self.hands.reason(tr("What was wrong with the answer before?"), back=True)
        if not wrong:
            self.hands.notice(tr("Nothing was corrected."))
            return session
        reason = secrets.add("correction", wrong)
        body = correction_body(
            session,
            visit.seq,
            taken.judged.outcome,
            reason=reason,
            values=taken.judged.values,
            results=[r.to_json() for r in taken.judged.results] or None,
            evidence=taken.evidence or None,
            private={k: v for k, v in secrets.digests.items() if k != "correction"} or None,
        )
        if self._ends_unsaid("correction", body, step, taken):
            self.hands.notice(tr("Nothing was corrected."))
            return self.desk.live()
        return self.desk.write("correction", body, secrets)

    def _change_spec(self, session: Live) -> Live:
        specs = session.graph.specs
        known = [n for n in specs if n in session.specs]
        if not known:
            self.hands.notice(tr("No number of this car was entered yet."))
            return session
        options = [Option(n, f"{specs[n].title}: {spec_words(session, n)}") for n in known]
        self.hands.page(choice_page(session, tr("Change a number of this car")))
        name = self.hands.pick(
            tr("Which number changes?"), [*options, Option("", tr("None; go on"))]
        )
        if not name:
            return session
        was = spec_words(session, name)
        stood = session.specs[name].seq
        session = ask_spec(self.desk, session, name, self.hands)
        if session.specs[name].seq == stood:
            return session
        before = session.history[-1].seq
        session = rejudge_all(self.desk, session, name)
        words = f"{specs[name].title}: {was} → {spec_words(session, name)}."
        again = [
            answer_words(session.graph.steps[v.step], v)
            for v in session.walk
            if v.rejudged > before
        ]
        if again:
            words += " " + tr("Judged again: {answers}", answers="; ".join(again))
        self.hands.notice(words)
        return session

    def _which_answer(self, session: Live, visits: Sequence[Visit]) -> Visit | None:
        """The answer to correct, the newest first and not more of them than a screen holds."""
        newest = list(reversed(visits))
        at = 0
        while True:
            options = [
                Option(str(v.seq), answer_words(session.graph.steps[v.step], v))
                for v in newest[at : at + ON_ONE_SCREEN]
            ]
            if at + ON_ONE_SCREEN < len(newest):
                options.append(Option("earlier", tr("An earlier one …")))
            self.hands.page(choice_page(session, tr("Correct an earlier answer")))
            key = self.hands.pick(
                tr("Which answer was wrong?"), [*options, Option("", tr("None; go on"))]
            )
            if key == "earlier":
                at += ON_ONE_SCREEN
                continue
            return next((v for v in newest if str(v.seq) == key), None)


def close_by_hand(desk: Desk, ending: str, reason: str) -> ReadOnlySession:
    """Ends a job without the keys. Raises UserError where it cannot be closed so."""
    secrets = Secrets(reason=reason)
    body = closed_body(desk.session(), ending, reason=secrets.digests["reason"])
    return desk.write_any("closed", body, secrets)
