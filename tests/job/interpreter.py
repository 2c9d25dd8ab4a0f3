"""A second reading of the rules by which a job moves, to hold the real one against.

Written from the meaning of the flow model and the rules for corrections alone: it shares no code
with the machine, the walk or the fold, does not even ask `holds` or `Step.counts`, and works quite
differently (one list of all answers ever given, from which everything else is found by looking
through it again each time). Slow, and plain on purpose. Outcomes are read as they are stored, as
JSON.

Takes from the graph its plain data only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

GRADES = ["told", "read", "recorded"]
BEST_GRADE = {"reading": 1, "codes": 1, "fasten": 1, "record": 2}


class Refused(Exception):
    """This entry does not fit here."""


class NoWay(Exception):
    """The flow does not say where to go, or says it twice."""


@dataclass
class Answer:
    """place: "live", "proof" (given after the keys went back), "waiting" (set aside), "passed" (set
    aside, and another given instead)."""

    number: int
    step: str
    attempt: int
    outcome: Mapping[str, Any]
    rank: int
    placed: int
    gate: bool = False
    place: str = "live"
    answered_for: bool = False
    waited: bool = False
    evidence: Any = None
    results: Any = None


@dataclass
class Interpreter:
    graph: Any
    answers: list[Answer] = field(default_factory=list)
    walk: list[Answer] = field(default_factory=list)
    made: dict[str, int] = field(default_factory=dict)
    at: str = ""
    end: str = ""
    ending_kind: str = ""
    audience: str = ""
    mode: str = ""
    scripted: bool = False
    proofs: list[Answer] = field(default_factory=list)
    last_work: dict[str, int] = field(default_factory=dict)
    spec_at: dict[str, int] = field(default_factory=dict)
    let_go: int = 0
    decisions: int = 0
    came_back: int = 0
    countdown: dict[str, Any] | None = None
    specs: dict[str, str] = field(default_factory=dict)
    notes: int = 0
    skipped: int = 0
    count: int = 0

    # ---- what words mean ----

    def result(self, step: str, outcome: Mapping[str, Any]) -> str:
        s = self.graph.steps[step]
        label = outcome["label"]
        if label in s.passes:
            good = GRADES.index(outcome["grade"]) >= GRADES.index(str(s.least))
            return "pass" if good else "undecided"
        return "undecided" if label == "cannot" or label in s.unsure else "fail"

    def fits(self, look: Any, outcome: Mapping[str, Any] | None, times: int) -> bool:
        if look.attempts is not None:
            first, end = look.attempts
            if not (times >= first and (end is None or times < end)):
                return False
        asked = [look.outcome, look.findings or None, look.wrong, look.fine, look.value]
        if outcome is None:
            if all(a is None for a in asked):
                return True
            return look.outcome is not None and "not-visited" in look.outcome
        checks = outcome.get("checks", {})
        items = set(outcome.get("items", []))
        tests = []
        if look.outcome is not None:
            tests.append(outcome["label"] in look.outcome)
        for check, words in look.findings:
            found = checks.get(check, {})
            tests.append(found.get("finding") in words or found.get("verdict") in words)
        if look.wrong is not None:
            tests.append(any(i in items for i in look.wrong))
        if look.fine is not None:
            tests.append(all(i not in items for i in look.fine))
        if look.value is not None:
            low, high = look.value
            value = Fraction(outcome["value"]) if "value" in outcome else None
            tests.append(
                value is not None
                and (low is None or low <= value)
                and (high is None or value < high)
            )
        return all(tests)

    def times(self, walk: Sequence[Answer], step: str) -> int:
        """How often a step counts as entered on a walk: each visit with its number, and with at
        least one more than the visit before."""
        n = 0
        for a in walk:
            if a.step == step:
                n = max(n + 1, a.attempt)
        return n

    def way(self, before: Sequence[Answer], here: Answer) -> str:
        s = self.graph.steps[here.step]
        if here.outcome["label"] == "stop":
            return str(self.graph.on_stop)
        now = [*before, here]
        ways = []
        for branch in s.branches:
            when = branch.when
            good = when.audience is None or str(when.audience) == self.audience
            good = good and self.fits(when.own, here.outcome, self.times(now, here.step))
            for name, look in when.earlier:
                last = [a.outcome for a in before if a.step == name]
                good = good and self.fits(look, last[-1] if last else None, self.times(now, name))
            if good:
                ways.append(branch.to)
        if len(ways) != 1:
            raise NoWay(f"{here.step}: {ways}")
        return str(ways[0])

    # ---- fails that stand, ready answers, gates ----

    def remedied(self, walk: Sequence[Answer]) -> int:
        good = [
            a.rank
            for a in walk
            if "remedy" in self.graph.steps[a.step].does
            and self.result(a.step, a.outcome) == "pass"
        ]
        return max(good, default=0)

    def set_aside(self, step: str) -> list[Answer]:
        return [a for a in self.answers if a.step == step and a.place in ("waiting", "passed")]

    def standing(self, walk: Sequence[Answer], step: str) -> list[Answer]:
        if not self.graph.steps[step].required:
            return []
        return [
            a
            for a in self.set_aside(step)
            if self.result(step, a.outcome) == "fail"
            and not a.answered_for
            and a.rank > self.remedied(walk)
        ]

    def ready(self) -> Answer | None:
        return self.offered(self.walk, self.at)

    def offered(self, walk: Sequence[Answer], step: str) -> Answer | None:
        holds = self.standing(walk, step)
        waiting = [a for a in self.set_aside(step) if a.place == "waiting"]
        choice = [a for a in waiting if a in holds or not self.outdated(walk, a)] or holds
        return sorted(choice, key=lambda a: a.attempt)[0] if choice else None

    def outdated(self, walk: Sequence[Answer], old: Answer) -> bool:
        """Whether the car of this walk was mended, or its codes cleared, after `old` was given."""
        changes = [
            new.rank
            for new in walk
            if {"remedy", "clears-codes"} & set(self.graph.steps[new.step].does)
            and self.result(new.step, new.outcome) == "pass"
        ]
        return not old.gate and max(changes, default=0) > old.rank

    def locked(self) -> bool:
        return not self.end and bool(self.standing(self.walk, self.at))

    def open_steps(self, walk: Sequence[Answer], later: Sequence[Answer] = ()) -> list[str]:
        """later: what was proven after the walk; no gate on the walk has seen it."""
        found = []
        for name, s in self.graph.steps.items():
            visits = [a for a in [*walk, *later] if a.step == name]
            passed = bool(visits) and self.result(name, visits[-1].outcome) == "pass"
            passed = passed and not any(a.step == name for a in later if a in self.bad_proofs())
            if s.required and not (passed and not self.standing(walk, name)):
                found.append(name)
        return found

    def bad_proofs(self) -> list[Answer]:
        return [a for a in self.proofs if self.result(a.step, a.outcome) == "fail"]

    def to_follow(self) -> list[str]:
        """What may still be proven: open, for later, not failed on the way without a mend."""
        if self.end != "walk" or self.ending_kind != "proof-to-follow" or self.bad_proofs():
            return []
        found = []
        for name in self.open_steps(self.walk, self.proofs):
            s = self.graph.steps[name]
            mine = [a for a in self.walk if a.step == name]
            fell = bool(mine) and self.result(name, mine[-1].outcome) == "fail"
            fell = fell and mine[-1].rank > self.remedied(self.walk)
            later = str(s.group) != "safe-to-drive" and s.later is not None
            if later and not fell and not self.standing(self.walk, name):
                found.append(name)
        return found

    def gate_says(self, walk: Sequence[Answer]) -> str:
        still = [self.graph.steps[n] for n in self.open_steps(walk)]
        if not still:
            return "hand-back"
        if any(str(s.group) == "safe-to-drive" or s.later is None for s in still):
            return "neither"
        return "proof-to-follow"

    def earlier_evidence(self, step: str) -> list[int]:
        given = [a for a in [*self.walk, *self.proofs] if a.step == step]
        fails = [a.rank for a in given if self.result(step, a.outcome) == "fail"]
        bound = max([self.remedied(self.walk), *fails])
        pool = given
        pool = pool + [
            a for a in self.set_aside(step) if self.result(step, a.outcome) == "undecided"
        ]
        kept = [a for a in pool if a.rank > bound and a.evidence is not None]
        return [a.number for a in sorted(kept, key=lambda a: a.rank)]

    # ---- moving ----

    def lay(self, answer: Answer, seq: int) -> None:
        target = self.way(self.walk, answer)
        self.walk.append(answer)
        self.enter(target, seq)

    def enter(self, target: str, seq: int) -> None:
        if target in self.graph.endings:
            kind = str(self.graph.endings[target].kind)
            held = [
                s
                for n, s in self.graph.steps.items()
                if self.standing(self.walk, n)
                and (kind == "hand-back" or str(s.group) == "safe-to-drive" or s.later is None)
            ]
            if kind in ("hand-back", "proof-to-follow") and held:
                raise Refused
        self.at, self.end, self.ending_kind = target, "", ""
        if target in self.graph.endings:
            self.end = "stop" if self.walk and self.walk[-1].outcome["label"] == "stop" else "walk"
            self.ending_kind = str(self.graph.endings[target].kind)
            return
        if self.graph.steps[target].kind != "gate":
            return
        outcome = {"label": self.gate_says(self.walk), "grade": "told"}
        old = self.offered(self.walk, target)
        attempt = None
        if old is not None:
            if old.outcome["label"] == outcome["label"]:
                attempt = old.attempt
                self.answers.remove(old)
            else:
                old.place = "passed"
        if attempt is None:
            attempt = self.made[target] = self.made.get(target, 0) + 1
        gate = Answer(seq, target, attempt, outcome, seq, seq, gate=True)
        self.answers.append(gate)
        self.lay(gate, seq)

    def cut(self, index: int) -> None:
        for a in [*self.walk[index:], *self.proofs]:
            a.place = "waiting"
            a.answered_for = False
        del self.walk[index:]
        self.proofs = []

    # ---- entries ----

    def take(self, seq: int, kind: str, body: Mapping[str, Any], person: str) -> None:
        self.count += 1
        if (kind == "opened") != (self.count == 1):
            raise Refused
        if kind == "sign-off":
            self.on_sign_off(seq, body, person)
            return
        free = kind in ("note", "comeback")
        if not free and (self.end in ("stop", "closed") or self.came_back):
            raise Refused
        if self.let_go and not free:
            self.refuse_if_signed(kind, body)
        getattr(self, "on_" + kind.replace("-", "_"))(seq, body)
        if kind not in ("opened", "sitting", "note", "paused", "comeback"):
            self.last_work[person] = seq

    def refuse_if_signed(self, kind: str, body: Mapping[str, Any]) -> None:
        """What was signed stays; what proof still needs goes on."""
        if kind in ("correction", "rejudged"):
            good = body["of"] > self.let_go
        elif kind == "spec":
            new = self.spec_at.get(body["name"], self.let_go + 1) > self.let_go
            good = new and bool(self.to_follow())
        elif kind in ("proof", "closed"):
            good = True
        else:
            good = bool(self.to_follow())
        if not good:
            raise Refused

    def on_sign_off(self, seq: int, body: Mapping[str, Any], person: str) -> None:
        if not self.end or self.scripted or person in self.last_work:
            raise Refused
        if self.let_go and not any(n > self.let_go for n in self.last_work.values()):
            raise Refused
        look = body.get("look")
        if look is not None:
            if not all(name in self.graph.look for name in look["wrong"]):
                raise Refused
            if look["wrong"] and not look["looked"]:
                raise Refused
        if body["decision"] == "accepted":
            if "of" in body or (self.graph.look and (look is None or look["wrong"])):
                raise Refused
            if look is not None and look["wrong"]:
                raise Refused
            self.let_go, self.decisions = seq, self.decisions + 1
            return
        if "of" not in body or self.let_go or self.came_back or self.end != "walk":
            raise Refused
        step = body["step"]
        mine = [i for i, a in enumerate(self.walk) if a.step == step and not a.gate]
        if not mine or (self.walk[mine[-1]].number, self.walk[mine[-1]].attempt) != (
            body["of"],
            body["attempt"],
        ):
            raise Refused
        self.cut(mine[-1])
        for a in self.set_aside(step):
            a.place = "passed"
        self.at, self.end, self.ending_kind, self.countdown = step, "", "", None
        self.decisions += 1

    def on_comeback(self, seq: int, body: Mapping[str, Any]) -> None:
        if not self.end:
            raise Refused
        self.came_back += 1

    def on_proof(self, seq: int, body: Mapping[str, Any]) -> None:
        step, outcome = body["step"], body["outcome"]
        if step not in self.to_follow():
            raise Refused
        self.possible(step, outcome)
        key = (step, self.made.get(step, 0) + 1)
        if body["attempt"] != key[1]:
            raise Refused
        waits = "wait_s" in self.graph.steps[step].detail and outcome["label"] == "done"
        c = self.countdown
        if waits and (c is None or c["for"] != key or c["state"] == "running"):
            raise Refused
        self.made[step], self.countdown = key[1], None
        new = Answer(seq, step, key[1], outcome, seq, seq, place="proof", waited=waits)
        new.evidence, new.results = body.get("evidence"), body.get("results")
        self.answers.append(new)
        self.proofs.append(new)
        self.stopped_later(new)

    def stopped_later(self, proof: Answer) -> None:
        if proof.outcome["label"] == "stop":
            self.at, self.end = self.graph.on_stop, "stop"
            self.ending_kind = str(self.graph.endings[self.at].kind)

    def on_opened(self, seq: int, body: Mapping[str, Any]) -> None:
        if body["flow"] != self.graph.flow_id:
            raise Refused
        if body["audience"] not in [str(a) for a in self.graph.audiences]:
            raise Refused
        self.audience = body["audience"]
        self.on_sitting(seq, body)
        self.enter(self.graph.start, seq)

    def on_sitting(self, seq: int, body: Mapping[str, Any]) -> None:
        if body["mode"] not in ("as-work", "afterwards"):
            raise Refused
        self.mode = body["mode"]
        self.scripted |= body.get("scripted", False)

    def on_spec(self, seq: int, body: Mapping[str, Any]) -> None:
        if body["name"] not in self.graph.specs:
            raise Refused
        self.specs[body["name"]] = body["text"]
        self.spec_at[body["name"]] = seq

    def possible(self, step: str, outcome: Mapping[str, Any]) -> None:
        s = self.graph.steps[step]
        label = outcome["label"]
        if s.kind == "gate" or label not in {*s.labels, "cannot", "stop"}:
            raise Refused
        told = label in ("cannot", "stop", "told-pass", "told-fail", "told-undecided")
        if GRADES.index(outcome["grade"]) != (0 if told else BEST_GRADE.get(s.kind, 0)):
            raise Refused
        if told:
            return
        if s.kind == "record":
            checks = outcome.get("checks", {})
            own, beside = s.detail["checks"], s.detail.get("also", ())
            found = {c["verdict"] for name, c in checks.items() if name in own}
            worst = next((v for v in ("fail", "undecided", "pass") if v in found), "undecided")
            if any(checks.get(name, {}).get("verdict") == "fail" for name in beside):
                worst = "fail"
            if set(checks) != {*own, *beside} or worst != label:
                raise Refused
        if s.kind == "card":
            items = outcome.get("items", [])
            if (label == "ok") == bool(items) or not set(items) <= set(s.detail["items"]):
                raise Refused
        if s.kind == "reading" and label == "taken" and "value" not in outcome:
            raise Refused

    def measured(self, step: str, outcome: Mapping[str, Any]) -> bool:
        return self.graph.steps[step].kind == "record" and (outcome["grade"] == "recorded")

    def on_outcome(self, seq: int, body: Mapping[str, Any]) -> None:
        if self.end or body["step"] != self.at:
            raise Refused
        ready = self.ready()
        if "from" in body:
            if ready is None or ready.number != body["from"] or ready.attempt != body["attempt"]:
                raise Refused
            if dict(ready.outcome) != dict(body["outcome"]):
                raise Refused
            ready.place, ready.placed = "live", seq
            self.lay(ready, seq)
            return
        step, outcome = body["step"], body["outcome"]
        self.possible(step, outcome)
        if body["attempt"] != self.made.get(step, 0) + 1:
            raise Refused
        s = self.graph.steps[step]
        waited = False
        if s.kind == "do" and outcome["label"] == "done" and "wait_s" in s.detail:
            c = self.countdown
            if c is None or c["for"] != (step, body["attempt"]) or c["state"] == "running":
                raise Refused
            waited = True
        if self.locked() and outcome["label"] != "stop":
            if s.kind == "record" or "reason" not in body.get("private", {}):
                raise Refused
            for a in self.standing(self.walk, step):
                a.answered_for = True
        for a in self.set_aside(step):
            if a is ready or (a.place == "waiting" and self.outdated(self.walk, a)):
                a.place = "passed"
        self.countdown = None
        self.made[step] = body["attempt"]
        new = Answer(seq, step, body["attempt"], outcome, seq, seq, waited=waited)
        new.evidence, new.results = body.get("evidence"), body.get("results")
        self.answers.append(new)
        self.lay(new, seq)

    def on_correction(self, seq: int, body: Mapping[str, Any]) -> None:
        pool = [*self.walk, *self.proofs]
        found = [i for i, a in enumerate(pool) if a.number == body["of"] and not a.gate]
        if not found:
            raise Refused
        old = pool[found[0]]
        if (old.step, old.attempt) != (body["step"], body["attempt"]):
            raise Refused
        if self.measured(old.step, old.outcome):
            raise Refused
        self.possible(old.step, body["outcome"])
        failed = self.result(old.step, old.outcome) == "fail"
        if failed and self.measured(old.step, body["outcome"]):
            raise Refused
        waits = "wait_s" in self.graph.steps[old.step].detail
        if waits and body["outcome"]["label"] == "done" and not old.waited:
            raise Refused
        if old.place == "live":
            self.cut(found[0])
        self.answers.remove(old)
        new = Answer(seq, old.step, old.attempt, body["outcome"], old.rank, seq, waited=old.waited)
        new.evidence, new.results = body.get("evidence"), body.get("results")
        self.answers.append(new)
        if old.place == "proof":
            new.place = "proof"
            self.proofs[self.proofs.index(old)] = new
            self.stopped_later(new)
            return
        self.lay(new, seq)

    def on_rejudged(self, seq: int, body: Mapping[str, Any]) -> None:
        found = [
            a
            for a in self.answers
            if not a.gate
            and (a.number, a.step, a.attempt) == (body["of"], body["step"], body["attempt"])
        ]
        if not found:
            raise Refused
        self.possible(found[0].step, body["outcome"])
        kind = self.graph.steps[found[0].step].kind
        for outcome, results in (
            (found[0].outcome, found[0].results),
            (body["outcome"], body["results"]),
        ):
            if outcome["label"] == "cannot":
                # Only a torque whose wrench was out of its range has results beside a "cannot".
                if kind != "fasten" or not results:
                    raise Refused
            elif outcome["label"] == "stop" or (
                kind not in ("reading", "fasten", "codes")
                and not self.measured(found[0].step, outcome)
            ):
                raise Refused
        found[0].outcome = body["outcome"]
        found[0].results = body["results"]
        found[0].evidence = body.get("evidence", found[0].evidence)
        if found[0].place == "proof":
            return
        for i, a in enumerate(self.walk):
            if a.gate:
                a.outcome = {"label": self.gate_says(self.walk[:i]), "grade": "told"}
            target = self.way(self.walk[:i], a)
            led = self.walk[i + 1].step if i + 1 < len(self.walk) else self.at
            if target != led:
                self.cut(i + 1)
                self.enter(target, seq)
                return

    def waiting(self, body: Mapping[str, Any]) -> dict[str, Any] | None:
        here = self.at
        if self.end:
            here = body["step"]
            if here not in self.to_follow():
                raise Refused
        s = self.graph.steps[here]
        key = (here, self.made.get(here, 0) + 1)
        if s.kind != "do" or "wait_s" not in s.detail or key != (body["step"], body["attempt"]):
            raise Refused
        return self.countdown if self.countdown and self.countdown["for"] == key else None

    def on_wait_started(self, seq: int, body: Mapping[str, Any]) -> None:
        c = self.waiting(body)
        if c is not None and (c["state"] != "running" or not body.get("restarted")):
            raise Refused
        if body["seconds"] < self.graph.steps[body["step"]].detail["wait_s"]:
            raise Refused
        self.countdown = {"for": (body["step"], body["attempt"]), "state": "running"}

    def on_wait_ended(self, seq: int, body: Mapping[str, Any]) -> None:
        c = self.waiting(body)
        if c is None or c["state"] != "running":
            raise Refused
        self.countdown = {**c, "state": "ended"}

    def on_wait_skipped(self, seq: int, body: Mapping[str, Any]) -> None:
        c = self.waiting(body)
        if c is not None and c["state"] != "running":
            raise Refused
        self.countdown = {"for": (body["step"], body["attempt"]), "state": "skipped"}
        self.skipped += 1

    def on_note(self, seq: int, body: Mapping[str, Any]) -> None:
        self.known(body)
        self.notes += 1

    def on_paused(self, seq: int, body: Mapping[str, Any]) -> None:
        self.known(body)

    def known(self, body: Mapping[str, Any]) -> None:
        names = {*self.graph.steps, *self.graph.endings}
        if "step" in body and body["step"] not in names:
            raise Refused

    def on_closed(self, seq: int, body: Mapping[str, Any]) -> None:
        proven = self.proofs and not self.open_steps(self.walk, self.proofs)
        if self.end and (self.ending_kind != "proof-to-follow" or proven):
            raise Refused
        name = body["ending"]
        kinds = {n: str(e.kind) for n, e in self.graph.endings.items()}
        kind = kinds.get(name)
        if name not in kinds and name not in kinds.values():
            kind = name
        if kind not in ("back-to-diagnosis", "do-not-drive"):
            raise Refused
        self.at, self.end, self.ending_kind = name, "closed", kind
