"""Where a walk stands, and what follows from it: what is open, ready, locked, still to be proven.

Below `walk`, which moves it. Mutable, lives only inside a fold; nothing here changes it.
"""

from __future__ import annotations

from verify.flow.graph import Graph, Outcome, Step, still_open
from verify.flow.machine import Machine
from verify.job.rules import changed_since
from verify.job.visits import Pending, SetAside, Visit, Wait
from verify.words import Audience, EndingKind, Group, Verdict


class Stand:
    """Where a job stands. ended: "" while it goes on, else "walk", "stop" or "closed"."""

    def __init__(self, machine: Machine, audience: Audience) -> None:
        self.machine = machine
        self.graph: Graph = machine.graph
        self.audience = audience
        self.at = self.graph.start
        self.ended = ""
        self.made: dict[str, int] = {}
        self.aside: dict[str, dict[int, SetAside]] = {}
        self.wait: Wait | None = None
        self.proofs: list[Visit] = []
        self._begin_again()

    def _begin_again(self) -> None:
        self.visits: list[Visit] = []
        self.last: dict[str, Outcome] = {}
        self._attempts: dict[str, int] = {}
        self._remedied = 0

    # What is asked of a walk

    def pending(self) -> Pending | None:
        """The open question; None at the end."""
        if self.ended:
            return None
        return self._question(
            self.at, ready=self._ready(self.at), locked=bool(self._standing_fails(self.at))
        )

    def asked_later(self, name: str) -> Pending | None:
        """What is asked of an open step once the keys went back; None where nothing is."""
        return self._question(name) if name in self.provable() else None

    def to_prove(self) -> dict[str, Pending]:
        return {name: self._question(name) for name in self.provable()}

    def _question(self, name: str, ready: Visit | None = None, locked: bool = False) -> Pending:
        step = self.graph.steps[name]
        attempt = self.made.get(name, 0) + 1
        wait = self.wait
        if wait is not None and (wait.step, wait.attempt) != (name, attempt):
            wait = None
        wait_s = step.detail.get("wait_s") if step.kind == "do" else None
        return Pending(name, attempt, ready, locked, wait_s, wait)

    def known(self) -> dict[str, Outcome]:
        """The last outcome of each step, for what decides about the keys.

        A required step that failed on a stretch set aside counts with that fail until it is
        answered for: otherwise a correction further up, and another way afterwards, would lose it.
        """
        failed = {step: self._standing_fails(step) for step in self.aside}
        later = {v.step: v.outcome for v in self.proofs}
        later |= {v.step: v.outcome for v in self.proofs if self._fails(v)}
        return self.last | later | {step: v[-1].outcome for step, v in failed.items() if v}

    def open_steps(self) -> tuple[Step, ...]:
        """The required steps that have not passed."""
        return still_open(self.graph, self.known())

    def earlier_evidence(self, step: str) -> tuple[Visit, ...]:
        """The visits whose evidence is judged together with the next of this step, oldest first.

        Those since its last fail and since the last remedy, in the order the work was done. An
        undecided one that was set aside is among them: evidence is not shed by a correction.
        """
        here = self.graph.steps[step]
        since = self._remedied
        found = [v for v in (*self.visits, *self.proofs) if v.step == step]
        for visit in found:
            if here.counts(visit.outcome) is Verdict.FAIL:
                since = max(since, visit.rank)
        found += [
            a.visit
            for a in self.aside.get(step, {}).values()
            if here.counts(a.visit.outcome) is Verdict.UNDECIDED
        ]
        kept = [v for v in found if v.rank > since and v.evidence is not None]
        return tuple(sorted(kept, key=lambda v: v.rank))

    def _ready(self, step: str) -> Visit | None:
        fails = self._standing_fails(step)
        waiting = [v for v in self._waiting(step) if v in fails or self._changed_since(v) is None]
        # A fail that was passed over when something had been done to the car, and stands again
        # because that too was set aside.
        return min(waiting or fails, key=lambda v: v.attempt, default=None)

    def _waiting(self, step: str) -> list[Visit]:
        return [a.visit for a in self.aside.get(step, {}).values() if not a.discarded]

    def _changed_since(self, visit: Visit) -> Visit | None:
        return changed_since(self.graph, self.visits, visit)

    def _standing_fails(self, step: str) -> list[Visit]:
        """Fails of a required step that are set aside, unless something was done to the car since.

        In the order the work was done.
        """
        here = self.graph.steps[step]
        if not here.required or step not in self.aside:
            return []
        found = [
            a.visit
            for a in self.aside[step].values()
            if not a.settled
            and a.visit.rank > self._remedied
            and here.counts(a.visit.outcome) is Verdict.FAIL
        ]
        return sorted(found, key=lambda v: v.rank)

    # Proof that follows: the keys are back, and the walk stands still

    def provable(self) -> tuple[str, ...]:
        """The open steps for which proof may come in, in the order of the flow.

        Not one that failed and was not mended since, nor any once a proof has failed: that is a
        second throw, and the car has to come back.
        """
        if self.ended != "walk" or self.proof_failed():
            return ()
        if self.graph.endings[self.at].kind is not EndingKind.PROOF_TO_FOLLOW:
            return ()
        return tuple(
            s.name
            for s in self.open_steps()
            if s.group is not Group.SAFE and s.later is not None and not self._failed_before(s.name)
        )

    def proof_failed(self) -> tuple[str, ...]:
        """The steps whose proof failed."""
        return tuple(dict.fromkeys(v.step for v in self.proofs if self._fails(v)))

    def _fails(self, visit: Visit) -> bool:
        return self.graph.steps[visit.step].counts(visit.outcome) is Verdict.FAIL

    def _failed_before(self, step: str) -> bool:
        last = next((v for v in reversed(self.visits) if v.step == step), None)
        fell = last is not None and self._fails(last) and last.rank > self._remedied
        return fell or bool(self._standing_fails(step))
