"""Rehearsal: a small set of walks that takes every branch of a flow.

Plays the graph with `holds` and `gate_outcome` alone, as a person would: no prover, no machine. So
it is a second opinion on both. A walk is exact: a gate finds what that very walk has shown.

Walks that nothing later can tell apart are followed once. What later can tell: the conditions
that branches put to earlier steps, the attempts they name, and which required steps have passed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType

from verify.flow.graph import (
    CANNOT,
    NATURAL_GRADE,
    Catalogue,
    Graph,
    Look,
    Outcome,
    Step,
    View,
    gate_outcome,
    holds,
    look_holds,
    recorded_checks,
)
from verify.words import Audience, Grade, Verdict

BranchId = tuple[str, int]
Key = tuple[object, ...]
Fact = tuple[str, str, int]
"""("look", step, which of the looks put to it), ("attempts" or "passed", step, 0), "audience"."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One step of a walk: what came of it, and which branch that took."""

    step: str
    outcome: Outcome
    branch: int


@dataclass(frozen=True, slots=True)
class Here:
    """Where a walk stands; `before` leads back to its start."""

    node: str
    audience: Audience
    last: Mapping[str, Outcome]
    attempts: Mapping[str, int]
    before: tuple[Here, Taken] | None = None

    def walk(self) -> list[Taken]:
        taken: list[Taken] = []
        here = self
        while here.before is not None:
            here, step = here.before
            taken.append(step)
        return taken[::-1]


class Rehearsal:
    """All walks of one flow, followed as far as something new can come of them.

    watch: step → conditions that a test asks of the whole walk; never forgotten.
    any_gate: a gate may find anything. More walks than there are, but far fewer to tell apart,
    so that all of them can be looked at: what holds on them holds on the real ones.
    """

    def __init__(
        self,
        graph: Graph,
        catalogue: Catalogue,
        *,
        watch: Mapping[str, Sequence[Look]] = MappingProxyType({}),
        any_gate: bool = False,
    ) -> None:
        self.graph, self.catalogue = graph, catalogue
        self.watch, self.any_gate = watch, any_gate
        self.looks: dict[str, list[Look]] = {
            name: list(watch.get(name, ())) for name in graph.steps
        }
        self.caps: dict[str, int] = {}
        for step in graph.steps.values():
            for branch in step.branches:
                for name, look in ((step.name, branch.when.own), *branch.when.earlier):
                    if look.attempts is not None:
                        ends = (n for n in look.attempts if n is not None)
                        self.caps[name] = max(self.caps.get(name, 1), *ends)
                    bare = replace(look, attempts=None)
                    if name != step.name and bare not in self.looks[name]:
                        self.looks[name].append(bare)
        self.choices = {name: self._choices(step) for name, step in graph.steps.items()}

    # --- what can come of a step ---

    def _choices(self, step: Step) -> tuple[Outcome, ...]:
        """One outcome for each set that no condition, and no gate, tells apart."""
        own = [replace(b.when.own, attempts=None) for b in step.branches]
        looks = [*own, *self.looks[step.name]]
        apart: dict[Key, Outcome] = {}
        for outcome in self._outcomes(step):
            told = tuple(look_holds(look, outcome, 0) for look in looks)
            apart.setdefault((told, step.counts(outcome)), outcome)
        return tuple(apart.values())

    def _outcomes(self, step: Step) -> Iterator[Outcome]:
        grade = NATURAL_GRADE[step.kind]
        if step.kind == "gate":
            return
        if step.kind == "card":
            items = list(step.detail["items"])
            yield Outcome("ok", grade)
            for item in items:
                yield Outcome("exceptions", grade, items=frozenset({item}))
            yield Outcome("exceptions", grade, items=frozenset(items))
        elif step.kind == "record":
            yield from self._judged(step)
        elif step.kind == "reading" and not step.detail.get("limits"):
            for value in self._values(step):
                yield Outcome("taken", grade, value=value)
        else:
            for label in step.labels:
                yield Outcome(label, grade)
        yield Outcome(CANNOT)

    def _judged(self, step: Step) -> Iterator[Outcome]:
        """All well; then each finding of each check alone among good ones; then what is told."""
        good = {}
        for check in recorded_checks(step):
            verdicts = self.catalogue.checks[check]
            finding = next(f for f, v in verdicts.items() if v is Verdict.PASS)
            good[check] = (Verdict.PASS, finding)
        for check in recorded_checks(step):
            for finding, verdict in self.catalogue.checks[check].items():
                found = {**good, check: (verdict, finding)}
                label = verdict.value
                if check not in step.detail["checks"] and verdict is not Verdict.FAIL:
                    label = "pass"  # put beside: undecided does not hold
                yield Outcome(
                    label,
                    Grade.RECORDED,
                    checks=tuple(sorted((c, v, f) for c, (v, f) in found.items())),
                )
        for label in step.labels:
            if label.startswith("told-"):
                yield Outcome(label, Grade.TOLD)

    def _values(self, step: Step) -> list[Fraction]:
        looks = [*self.looks[step.name], *(b.when.own for b in step.branches)]
        ends = sorted({e for look in looks if look.value for e in look.value if e is not None})
        return [ends[0] - 1, *ends] if ends else [Fraction(1)]

    # --- walking ---

    def start(self, audience: Audience) -> Here:
        first = self.graph.start
        return Here(first, audience, {}, {first: 1})

    def step_on(self, here: Here, outcome: Outcome) -> Here:
        """Where `outcome` leads. Raises AssertionError unless exactly one branch applies."""
        step = self.graph.steps[here.node]
        view = View(here.audience, here.last, here.attempts)
        conditions = [branch.when for branch in step.branches]
        fitting = [i for i, c in enumerate(conditions) if holds(c, step.name, outcome, view)]
        assert len(fitting) == 1, f"{step.name} {outcome} {here.audience}: branches {fitting}"
        to = step.branches[fitting[0]].to
        attempts = {**here.attempts, to: here.attempts.get(to, 0) + 1}
        taken = Taken(step.name, outcome, fitting[0])
        return Here(to, here.audience, {**here.last, step.name: outcome}, attempts, (here, taken))

    def following(self, here: Here) -> Iterator[Here]:
        step = self.graph.steps.get(here.node)
        if step is None:
            return
        if step.kind == "gate":
            any_of = [Outcome(label) for label in step.labels]
            exact = [gate_outcome(self.graph, here.last)]
            for outcome in any_of if self.any_gate else exact:
                yield self.step_on(here, outcome)
            return
        for outcome in self.choices[here.node]:
            yield self.step_on(here, outcome)

    def key(self, here: Here) -> Key:
        """What later steps can still tell of this walk; everything else may be forgotten."""
        seen: list[object] = [here.node]
        for fact in self.live[here.node]:
            match fact:
                case "audience", _, _:
                    seen.append(here.audience)
                case "attempts", name, _:
                    seen.append(min(here.attempts.get(name, 0), self.caps[name]))
                case "passed", name, _:
                    outcome = here.last.get(name)
                    counts = None if outcome is None else self.graph.steps[name].counts(outcome)
                    seen.append(counts is Verdict.PASS)
                case _, name, index:
                    seen.append(look_holds(self.looks[name][index], here.last.get(name), 0))
        return tuple(seen)

    @cached_property
    def live(self) -> Mapping[str, tuple[Fact, ...]]:
        """At each step and ending, the facts of the past that can still matter."""
        graph = self.graph
        always: set[Fact] = {
            ("look", name, self.looks[name].index(look))
            for name, looks in self.watch.items()
            for look in looks
        }
        uses: dict[str, set[Fact]] = {}
        for name, step in graph.steps.items():
            used = uses[name] = set(always)
            for branch in step.branches:
                if branch.when.audience is not None:
                    used.add(("audience", "", 0))
                for other, look in ((name, branch.when.own), *branch.when.earlier):
                    if look.attempts is not None:
                        used.add(("attempts", other, 0))
                    bare = replace(look, attempts=None)
                    if other != name and bare != Look():
                        used.add(("look", other, self.looks[other].index(bare)))
            decides = any(b.when.own.outcome is not None for b in step.branches)
            if step.kind == "gate" and decides and not self.any_gate:
                used |= {("passed", s.name, 0) for s in graph.required()}
        changed = True
        while changed:
            changed = False
            for name, step in graph.steps.items():
                for branch in step.branches:
                    # A step answers anew, so what it said before is forgotten; not its attempts.
                    kept = {
                        fact
                        for fact in uses.get(branch.to, always)
                        if fact[1] != name or fact[0] == "attempts" or fact in always
                    }
                    if not kept <= uses[name]:
                        uses[name] |= kept
                        changed = True
        return {name: tuple(sorted(uses.get(name, always))) for name in self.places}

    @property
    def places(self) -> tuple[str, ...]:
        return (*self.graph.steps, *self.graph.endings)

    def explore(self, *starts: Here) -> Iterator[Here]:
        """Every distinguishable place that walks from `starts` lead to, nearest first."""
        seen: set[Key] = set()
        waiting = deque(starts or [self.start(audience) for audience in self.graph.audiences])
        while waiting:
            here = waiting.popleft()
            for there in self.following(here):
                yield there
                key = self.key(there)
                if key not in seen:
                    seen.add(key)
                    waiting.append(there)

    # --- walks that take every branch ---

    def branches(self) -> set[BranchId]:
        """All but those for somebody whom the flow is not for: a part may serve others too."""
        return {
            (step.name, index)
            for step in self.graph.steps.values()
            for index, branch in enumerate(step.branches)
            if branch.when.audience in (None, *self.graph.audiences)
        }

    def to_an_ending(self, here: Here) -> Here:
        if here.node in self.graph.endings:
            return here
        return next(there for there in self.explore(here) if there.node in self.graph.endings)

    def covering(self) -> tuple[list[Here], set[BranchId]]:
        """(walks to an ending that together take every branch, branches that no walk takes)."""
        missing = self.branches()
        first: list[Here] = []
        for here in self.explore():
            assert here.before is not None
            taken = here.before[1]
            if (taken.step, taken.branch) in missing:
                missing.discard((taken.step, taken.branch))
                first.append(here)
                if not missing:
                    break
        chosen: list[Here] = []
        covered: set[BranchId] = set()
        # The longest first: what they take on their way needs no walk of its own.
        for here in reversed(first):
            assert here.before is not None
            taken = here.before[1]
            if (taken.step, taken.branch) not in covered:
                chosen.append(self.to_an_ending(here))
                covered |= {(t.step, t.branch) for t in chosen[-1].walk()}
        return chosen, missing


def as_outcome_lists(walk: Here) -> dict[str, list[Outcome]]:
    """A walk as scripts give it: step → outcomes, in the order they are asked for."""
    lists: dict[str, list[Outcome]] = {}
    for taken in walk.walk():
        lists.setdefault(taken.step, []).append(taken.outcome)
    return lists
