"""The live walk over a flow, and the rules by which it moves. Mutable, lives only inside a fold.

    answers ──→ │ visit │ visit │ gate │ visit │ …     the live walk
                        ╲ corrected here
                         ╲ visit, gate, visit …        set aside, offered again as ready answers

What it refuses it refuses with `Misfit`. No clock, no disk, and no verdict is computed here:
outcomes come as they were stored.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from verify.flow.graph import REMEDY, STOP, Outcome, View, gate_outcome
from verify.flow.machine import MachineBroken
from verify.job.rules import check_correctable, check_not_outdated, check_outcome, was_judged
from verify.job.stand import Stand
from verify.job.visits import Misfit, Pending, SetAside, Stamp, Visit, computed
from verify.words import EndingKind, Group, Verdict

# No flow has so many gates; more in a row means that they lead in a circle.
_GATES_IN_A_ROW = 1000


class Walk(Stand):
    """Where a job stands, and how it moves."""

    def begin(self, stamp: Stamp) -> None:
        self._arrive(self.graph.start, stamp)

    def answer(self, visit: Visit, stamp: Stamp, *, settles: bool) -> None:
        """A new answer to the open question. settles: it comes with a reason."""
        pending = self._asked(visit.step)
        step = self.graph.steps[visit.step]
        check_outcome(step, visit.outcome)
        if visit.attempt != pending.attempt:
            raise Misfit(
                f"attempt {visit.attempt} at {visit.step}",
                f"attempt {pending.attempt}",
                "show the question again and answer it as it stands",
            )
        if visit.outcome.label == "done" and pending.wait_s is not None:
            self._waited(visit.step, pending.wait is not None and pending.wait.over)
            visit = replace(visit, waited=True)
        there = self.aside.get(visit.step, {})
        if pending.locked and visit.outcome.label != STOP:
            if step.kind == "record":
                raise Misfit(
                    f"a second try at {visit.step}, which failed",
                    "something done to the car in between",
                    "take the ready answer and go on from there, or stop",
                )
            if not settles:
                raise Misfit(
                    f"another answer at {visit.step}, which failed, without a reason",
                    "the ready answer, or another one with a reason",
                    "say why it is answered differently now",
                )
            for fail in self._standing_fails(visit.step):
                there[fail.attempt] = replace(there[fail.attempt], settled=True)
        # With the answer that is passed over goes what nobody could have taken up any more.
        for old in self._waiting(visit.step):
            if old is pending.ready or self._changed_since(old) is not None:
                there[old.attempt] = replace(there[old.attempt], discarded=True)
        self.made[visit.step] = visit.attempt
        self.wait = None
        self._go(visit, stamp)

    def take_ready(self, step: str, attempt: int, outcome: Outcome, of: int, stamp: Stamp) -> None:
        """The ready answer is taken up again, unchanged and with its own time."""
        ready = self._asked(step).ready
        for old in self._waiting(step):
            if (old.attempt, old.seq) == (attempt, of) and old != ready:
                check_not_outdated(self.graph, self.visits, old)
        if ready is None or (ready.attempt, ready.seq, ready.outcome) != (attempt, of, outcome):
            raise Misfit(
                f"the answer of entry {of}, attempt {attempt}, taken up again at {step}",
                f"the answer of entry {ready.seq}, attempt {ready.attempt}, unchanged"
                if ready is not None
                else "a new answer, as none is ready",
                "show the question again and answer it as it stands",
            )
        self._take(ready)
        self._go(replace(ready, placed=stamp.seq), stamp)

    def correct(self, of: int, visit: Visit, stamp: Stamp) -> Visit:
        """Another answer in the place of a live one; what came after is set aside.

        Returns the answer that was replaced.
        """
        self.check_not_stopped("a correction")
        proof = self._proof(of, visit)
        index, old = proof or self._live(of, visit.step, visit.attempt)
        step = self.graph.steps[old.step]
        check_correctable(step, old)
        check_outcome(step, visit.outcome)
        if computed(step, visit.outcome) and step.counts(old.outcome) is Verdict.FAIL:
            raise Misfit(
                f"a recording in the place of the fail told at {old.step}",
                "another answer in words",
                "repair first, then measure where the flow asks again",
            )
        if visit.outcome.label == "done" and step.detail.get("wait_s") is not None:
            self._waited(old.step, old.waited)
        new = replace(visit, rank=old.rank, waited=old.waited, corrected=old.seq)
        if proof is not None:
            self.proofs[index] = new
            self._look_for_stop(new)
            return old
        self._cut(index)
        self._put_aside_proofs()
        self._go(new, stamp)
        return old

    def send_back(self, of: int, step: str, attempt: int) -> None:
        """A signer cuts the walk before an answer. It is given anew, as one more attempt: nothing
        that was said there before is offered, and a fail stays one."""
        self.check_not_stopped("a job sent back")
        index, old = self._live(of, step, attempt)
        if any(v.step == step for v in self.visits[index + 1 :]):
            raise Misfit(
                f"{step} sent back to an earlier answer of it",
                "the last answer of a step",
                "send back the last one",
            )
        self._cut(index)
        self._put_aside([old])
        self._put_aside_proofs()
        there = self.aside[step]
        for number, one in there.items():
            there[number] = replace(one, discarded=True)
        self.at, self.ended, self.wait = step, "", None

    def rejudge(self, of: int, new: Visit, stamp: Stamp) -> None:
        """Stored evidence was judged anew: `new` has outcome, results and (if given) evidence.

        The walk is gone over again and kept as long as it leads to the same steps.
        """
        self.check_not_stopped("a verdict judged anew")
        aside = self.aside.get(new.step, {}).get(new.attempt)
        proof = self._proof(of, new)
        if aside is not None and aside.visit.seq == of:
            old = aside.visit
        else:
            index, old = proof or self._live(of, new.step, new.attempt)
        step = self.graph.steps[old.step]
        check_outcome(step, new.outcome)
        if not (was_judged(step, old) and was_judged(step, new)):
            raise Misfit(
                f"a verdict in the place of an answer at {old.step}",
                "a verdict that was computed before",
                "judge only what rests on evidence",
            )
        judged = replace(
            old,
            outcome=new.outcome,
            results=new.results,
            evidence=old.evidence if new.evidence is None else new.evidence,
            rejudged=stamp.seq,
        )
        if aside is not None and old is aside.visit:
            self.aside[old.step][old.attempt] = replace(aside, visit=judged)
        elif proof is not None:
            self.proofs[index] = judged
            return
        else:
            self.visits[index] = judged
        self._go_over(stamp)

    def close(self, ending: str) -> None:
        self.at, self.ended = ending, "closed"

    # Proof that follows

    def prove(self, visit: Visit) -> None:
        """An open step is answered after the keys went back. It leads nowhere, but for `stop`."""
        pending = self.asked_later(visit.step)
        if pending is None:
            open_now = self.provable()
            raise Misfit(
                f"proof for {visit.step}",
                f"proof for {' or '.join(open_now)}" if open_now else "none, as none is to follow",
                "choose one of these" if open_now else "open a comeback where the car is back",
            )
        step = self.graph.steps[visit.step]
        check_outcome(step, visit.outcome)
        if visit.attempt != pending.attempt:
            raise Misfit(
                f"attempt {visit.attempt} at {visit.step}",
                f"attempt {pending.attempt}",
                "show the question again and answer it as it stands",
            )
        if visit.outcome.label == "done" and pending.wait_s is not None:
            self._waited(visit.step, pending.wait is not None and pending.wait.over)
            visit = replace(visit, waited=True)
        self.made[visit.step] = visit.attempt
        self.wait = None
        self.proofs.append(visit)
        self._look_for_stop(visit)

    def _look_for_stop(self, visit: Visit) -> None:
        if visit.outcome.label == STOP:
            self.at, self.ended = self.graph.on_stop, "stop"

    # What may be done

    def check_not_stopped(self, what: str) -> None:
        if self.ended == "stop":
            raise Misfit(
                f"{what} after stop",
                "nothing more, as a stop stands",
                "open a new job once the car is safe",
            )
        if self.ended == "closed":
            raise Misfit(f"{what} after the job was closed", "nothing more", "open a new job")

    def _asked(self, step: str) -> Pending:
        pending = self.pending()
        if pending is None:
            raise Misfit(
                f"an answer to {step} in a job that has ended",
                "nothing more to answer",
                "correct an earlier answer, or open a new job",
            )
        if step != pending.step:
            raise Misfit(
                f"an answer to {step}",
                f"one to {pending.step}, which is asked now",
                "show the question again and answer it as it stands",
            )
        return pending

    def _live(self, of: int, step: str, attempt: int) -> tuple[int, Visit]:
        for index in range(len(self.visits) - 1, -1, -1):
            visit = self.visits[index]
            if visit.seq == of and not visit.gate:
                if (visit.step, visit.attempt) == (step, attempt):
                    return index, visit
                break
        raise Misfit(
            f"entry {of} as an answer to {step}, attempt {attempt}",
            "an answer that counts at present",
            "choose one of the answers that are shown",
        )

    def _proof(self, of: int, new: Visit) -> tuple[int, Visit] | None:
        """The place of the proof that entry `of` gave, where it gave one of this step."""
        return next(
            (
                (index, v)
                for index, v in enumerate(self.proofs)
                if (v.seq, v.step, v.attempt) == (of, new.step, new.attempt)
            ),
            None,
        )

    def _waited(self, step: str, over: bool) -> None:
        if not over:
            raise Misfit(
                f"{step} done before its wait is over",
                "the end of the wait, or a reason for skipping it",
                "wait, or say why it is skipped",
            )

    # The walk itself

    def _go(self, visit: Visit, stamp: Stamp) -> None:
        self._arrive(self._leave(visit), stamp)

    def _leave(self, visit: Visit) -> str:
        """Puts a visit at the end of the walk; returns where it leads.

        The attempts a branch sees are counted along the live walk and never fall on it: a visit
        counts with its own number, and at least one more than the visit before. So a new answer
        counts all that were ever made, and a ready one taken up again counts as it did then (a
        correction of a mistyped number must not use up the tries of everything after it).
        """
        seen = max(visit.attempt, self._attempts.get(visit.step, 0) + 1)
        self._attempts[visit.step] = seen
        view = View(self.audience, self.last, self._attempts)
        target = self.machine.target(visit.step, visit.outcome, view)
        self._lay(visit)
        return target

    def _lay(self, visit: Visit) -> None:
        self.visits.append(visit)
        self.last[visit.step] = visit.outcome
        step = self.graph.steps[visit.step]
        if REMEDY in step.does and step.counts(visit.outcome) is Verdict.PASS:
            self._remedied = max(self._remedied, visit.rank)

    def _arrive(self, target: str, stamp: Stamp) -> None:
        """Goes on to a step, through any gates, or to an ending."""
        for _ in range(_GATES_IN_A_ROW):
            if target in self.graph.endings:
                self._check_letting_go(target)
            self.at = target
            if target in self.graph.endings:
                stopped = bool(self.visits) and self.visits[-1].outcome.label == STOP
                self.ended = "stop" if stopped else "walk"
                return
            self.ended = ""
            if self.graph.steps[target].kind != "gate":
                return
            target = self._leave(self._gate(target, stamp))
        raise MachineBroken(f'the gates after "{target}" lead in a circle')

    def _check_letting_go(self, ending: str) -> None:
        """A fail that was set aside stands in the way of the keys, as it would on the walk.

        The proof speaks of live walks, and a live walk may have gone round it.
        """
        kind = self.graph.endings[ending].kind
        for name in self.aside if kind.lets_go else ():
            step = self.graph.steps[name]
            later = step.group is not Group.SAFE and step.later is not None
            if self._standing_fails(name) and not (later and kind is EndingKind.PROOF_TO_FOLLOW):
                raise Misfit(
                    f"the keys handed back, while {name} failed and nothing was done since",
                    f"the way on which {name} is asked again",
                    f"take the ready answers that lead to {name}, or close the job without keys",
                )

    def _gate(self, name: str, stamp: Stamp) -> Visit:
        """What a gate finds now. It keeps its number where it finds the same as it did on the
        stretch set aside; nobody is asked, so nobody can take that up by hand."""
        found = gate_outcome(self.graph, self.known())
        ready = self._ready(name)
        if ready is not None and ready.outcome == found:
            self._take(ready)
            attempt = ready.attempt
        else:
            if ready is not None:
                aside = self.aside[name]
                aside[ready.attempt] = replace(aside[ready.attempt], discarded=True)
            attempt = self.made[name] = self.made.get(name, 0) + 1
        return Visit(
            step=name,
            attempt=attempt,
            outcome=found,
            seq=stamp.seq,
            placed=stamp.seq,
            rank=stamp.seq,
            time=stamp.time,
            person=stamp.person,
            mode=stamp.mode,
            gate=True,
        )

    def _take(self, ready: Visit) -> None:
        del self.aside[ready.step][ready.attempt]
        if not self.aside[ready.step]:
            del self.aside[ready.step]

    def _cut(self, index: int) -> None:
        """Drops the visit at `index` and sets aside all after it."""
        visits = self.visits
        self._begin_again()
        for visit in visits[:index]:
            self._attempts[visit.step] = max(visit.attempt, self._attempts.get(visit.step, 0) + 1)
            self._lay(visit)
        self._put_aside(visits[index + 1 :])

    def _put_aside(self, visits: Iterable[Visit]) -> None:
        for visit in visits:
            # On the walk the work that an answer opens follows it again.
            plain = replace(visit, outcome=replace(visit.outcome, opens=False))
            self.aside.setdefault(visit.step, {})[visit.attempt] = SetAside(
                plain if visit.outcome.opens else visit
            )

    def _put_aside_proofs(self) -> None:
        """The walk is another one: what was proven later is a ready answer, and its fails stand."""
        self._put_aside(self.proofs)
        self.proofs = []

    def _go_over(self, stamp: Stamp) -> None:
        visits, at = self.visits, self.at
        # No gate of the walk has seen what was proven after it.
        proofs, self.proofs = self.proofs, []
        self._begin_again()
        for number, visit in enumerate(visits):
            now = visit
            if visit.gate:
                now = replace(visit, outcome=gate_outcome(self.graph, self.known()))
            target = self._leave(now)
            following = visits[number + 1].step if number + 1 < len(visits) else at
            if target != following:
                self._put_aside([*visits[number + 1 :], *proofs])
                self._arrive(target, stamp)
                return
        self.proofs = proofs
