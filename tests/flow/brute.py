"""All walks of a small flow, one outcome at a time, and every violation on them.

Written from the words of the design alone, to disagree with the prover where the prover is wrong:
no cells, no liveness, no bit vectors; every set of wrong items and every combination of findings
is an outcome of its own, and a walk drags its whole past along. Only what outcomes and conditions
mean is taken from `verify.flow.graph` (`holds`, `Step.counts`, `gate_outcome`), for that is the
language itself.

Two walks are the same from here on when they agree in everything a rule or a condition can ever
ask of them; so "all walks" are the paths of a finite graph of such pasts.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import chain, combinations, pairwise, product
from typing import NamedTuple

from verify.flow.graph import (
    CANNOT,
    NATURAL_GRADE,
    STOP,
    Catalogue,
    Graph,
    Look,
    Outcome,
    Step,
    View,
    gate_outcome,
    holds,
)
from verify.words import EndingKind, Grade, Group, Verdict

Violation = tuple[str, str]
"""(rule, step or ending)"""


class TooLarge(Exception):
    """More pasts than the caller allows."""


class Past(NamedTuple):
    node: str
    last: tuple[Outcome | None, ...]  # by step
    attempts: tuple[int, ...]  # by step
    audience: int
    visited: frozenset[str]  # of the steps that a promise wants first
    failed: frozenset[str]  # required steps that failed and nothing was done since
    saved: bool
    cleared: bool  # codes were cleared, and no road test passed since


def outcomes_of(step: Step, looks: Iterable[Look], catalogue: Catalogue) -> Iterator[Outcome]:
    grade = NATURAL_GRADE[step.kind]
    if step.kind == "record":
        every = [
            [(check, verdict, finding) for finding, verdict in catalogue.checks[check].items()]
            for check in sorted((*step.detail["checks"], *step.detail.get("also", ())))
        ]
        for found in product(*every):
            own = {verdict for check, verdict, _ in found if check in step.detail["checks"]}
            if any(verdict is Verdict.FAIL for _, verdict, _ in found):
                label = "fail"
            else:
                label = "pass" if own == {Verdict.PASS} else "undecided"
            yield Outcome(label, grade, checks=found)
        if "told" in step.detail:
            for word in ("pass", "fail", "undecided"):
                yield Outcome(f"told-{word}", Grade.TOLD)
    elif step.kind == "card":
        yield Outcome("ok", grade)
        names = list(step.detail["items"])
        for size in range(1, len(names) + 1):
            for items in combinations(names, size):
                yield Outcome("exceptions", grade, items=frozenset(items))
    elif step.kind == "reading" and "limits" not in step.detail:
        ends = sorted({e for look in looks if look.value for e in look.value if e is not None})
        between = [(a + b) / 2 for a, b in pairwise(ends)]
        edges = [ends[0] - 1, ends[-1] + 1] if ends else [Fraction(0)]
        for value in (*ends, *between, *edges):
            yield Outcome("taken", grade, value=value)
    else:
        for label in step.labels:
            yield Outcome(label, grade)
    if step.kind != "gate":
        yield Outcome(CANNOT)
        yield Outcome(STOP)


class Brute:
    """violations: every (rule, step). seen: how many pasts there were.

    anywhere: a correction may have left attempts at any step at any time. Without it only where a
    branch looks at them: enough, and far fewer pasts; the small flows are walked both ways.
    wander: where a flow is too large for all its walks, so many by chance.
    """

    def __init__(
        self,
        graph: Graph,
        catalogue: Catalogue,
        *,
        limit: int = 100_000,
        anywhere: bool = True,
        wander: int = 0,
    ) -> None:
        self.graph, self.catalogue, self.anywhere = graph, catalogue, anywhere
        self.limit = limit
        self.names = list(graph.steps)
        self.place = {name: i for i, name in enumerate(self.names)}
        looks: dict[str, list[Look]] = {name: [] for name in self.names}
        self.asked_later = set()
        self.counted_at: dict[str, set[str]] = {name: set() for name in self.names}
        for step in graph.steps.values():
            for branch in step.branches:
                for name, look in chain([(step.name, branch.when.own)], branch.when.earlier):
                    looks[name].append(look)
                    if look.attempts is not None:
                        self.counted_at[step.name].add(name)
                self.asked_later |= {name for name, _ in branch.when.earlier}
        self.promised_first = {promise.first for promise in graph.promises}
        self.cap = {
            name: max([n for look in found if look.attempts for n in look.attempts if n] or [0])
            for name, found in looks.items()
        }
        self.outcomes = {
            name: list(outcomes_of(step, looks[name], catalogue))
            for name, step in graph.steps.items()
        }
        self.asked = {s.group for s in graph.steps.values() if s.required and self._may_object(s)}
        self.violations: set[Violation] = set(self._alone())
        self.seen = 0
        self.taken: set[tuple[str, int]] = set()
        self.entered: set[str] = set()
        if wander:
            self._wander(wander)
        else:
            self._walk()

    def rules(self) -> set[str]:
        return {rule for rule, _ in self.violations}

    def _may_object(self, step: Step) -> bool:
        """Whether some outcome, but for `cannot` and `stop`, is not among those that pass."""
        labels = {outcome.label for outcome in self.outcomes[step.name]} - {CANNOT, STOP}
        return any(label not in step.passes for label in labels)

    # each step alone

    def _alone(self) -> Iterator[Violation]:
        for step in self.graph.steps.values():
            if step.kind == "gate":
                continue
            brought = {h for a in step.does for h in self.catalogue.activities[a]}
            if brought - set(step.hazards) or set(step.hazards) - set(self.catalogue.hazards):
                yield "caution", step.name
            order = [Grade.TOLD, Grade.READ, Grade.RECORDED]
            least, natural = order.index(step.least), order.index(NATURAL_GRADE[step.kind])
            told_will_do = step.required and step.kind == "record" and least == 0
            if least > natural or told_will_do or (least < natural and not step.least_reason):
                yield "grade", step.name
            if step.required and step.group is None:
                yield "group", step.name
            may_wait = step.group in (Group.COMPLAINT, Group.LEARNING)
            if step.required and may_wait and step.later is None:
                yield "later", step.name
            passing = (step.counts(o) is Verdict.PASS for o in self.outcomes[step.name])
            if step.required and least <= natural and not any(passing):
                yield "never-passes", step.name

    # all walks

    def _walk(self) -> None:
        graph = self.graph
        waiting = self._starts()
        following: dict[Past, set[Past]] = {}
        while waiting:
            past = waiting.pop()
            if past in following:
                continue
            following[past] = set(self._leave(past))
            waiting += following[past]
            if len(following) > self.limit:
                raise TooLarge(f"more than {self.limit} pasts")
        self.seen = len(following)
        if _has_cycle(following):
            self.violations.add(("endless-loop", ""))
        for name in (*graph.steps, *graph.endings):
            if name not in self.entered and name != graph.on_stop:
                self.violations.add(("unreachable", name))
        for step in graph.steps.values():
            for index in range(len(step.branches)):
                alive = step.name in self.entered and step.kind != "gate"
                if alive and (step.name, index) not in self.taken:
                    self.violations.add(("branch-never-taken", step.name))

    def _wander(self, walks: int) -> None:
        """So many walks by chance, each outcome looked at along them; no way mostly cut short."""
        rng = random.Random(walks)
        starts = self._starts()
        for _ in range(walks):
            past = rng.choice(starts)
            for _ in range(1000):
                following = list(self._leave(past))
                if not following:
                    break
                going_on = [p for p in following if p.node in self.graph.steps]
                past = rng.choice(going_on if going_on and rng.random() < 0.97 else following)
                self.seen += 1
            else:
                self.violations.add(("endless-loop", ""))

    def _starts(self) -> list[Past]:
        blank = Past("", (None,) * len(self.names), (0,) * len(self.names), 0,
                     frozenset(), frozenset(), False, False)  # fmt: skip
        return [
            past
            for audience in range(len(self.graph.audiences))
            for past in self._enter(blank._replace(audience=audience), self.graph.start)
        ]

    def _enter(self, past: Past, name: str) -> Iterator[Past]:
        """Arriving at a step or ending: what must not be so, and what attempts there may be."""
        self.entered.add(name)
        self._arrive(past, name)
        if name in self.graph.endings:
            # The walk is over; nothing of it is asked any more.
            yield Past(name, (), (), 0, frozenset(), frozenset(), False, False)
            return
        counts = list(past.attempts)
        here = self.place[name]
        counts[here] = min(counts[here] + 1, self.cap[name])
        choices = []
        for i, other in enumerate(self.names):
            free = self.anywhere or other in self.counted_at[name]
            choices.append(range(counts[i], (self.cap[other] if free else counts[i]) + 1))
        visited = past.visited | ({name} & self.promised_first)
        for attempts in product(*choices):
            yield past._replace(node=name, attempts=attempts, visited=visited)

    def _arrive(self, past: Past, name: str) -> None:
        wrong = self.violations.add
        for promise in self.graph.promises:
            if promise.then == name:
                if promise.kind == "before" and promise.first not in past.visited:
                    wrong(("promise-before", name))
                if promise.kind == "never" and not self._passed(past, promise.first):
                    wrong(("promise-never", name))
        if name in self.graph.steps:
            if name in past.failed:
                wrong(("second-throw", name))
            if "clears-codes" in self.graph.steps[name].does and not past.saved:
                wrong(("codes-saved-first", name))
            return
        ending = self.graph.endings[name]
        if ending.kind not in (EndingKind.HAND_BACK, EndingKind.PROOF_TO_FOLLOW):
            return
        if past.cleared:
            wrong(("drive-after-clearing", name))
        if Group.SAFE not in self.asked:
            wrong(("safe-unasked", name))
        if ending.kind is EndingKind.HAND_BACK and Group.COMPLAINT not in self.asked:
            wrong(("gone-unasked", name))
        for step in self.graph.steps.values():
            if not step.required or self._passed(past, step.name):
                continue
            if ending.kind is EndingKind.HAND_BACK:
                wrong(("hand-back", name))
            elif step.group in (None, Group.SAFE):
                wrong(("proof-to-follow", name))
            elif step.later is not None and self._failed(past, step.name):
                wrong(("failed-to-follow", name))

    def _passed(self, past: Past, name: str) -> bool:
        last = past.last[self.place[name]]
        return last is not None and self.graph.steps[name].counts(last) is Verdict.PASS

    def _failed(self, past: Past, name: str) -> bool:
        last = past.last[self.place[name]]
        return last is not None and self.graph.steps[name].counts(last) is Verdict.FAIL

    def _leave(self, past: Past) -> Iterator[Past]:
        if past.node in self.graph.endings:
            return
        step = self.graph.steps[past.node]
        last = {n: o for n, o in zip(self.names, past.last, strict=True) if o is not None}
        attempts = dict(zip(self.names, past.attempts, strict=True))
        view = View(self.graph.audiences[past.audience], last, attempts)
        outcomes = self.outcomes[step.name]
        if step.kind == "gate":
            outcomes = [gate_outcome(self.graph, last)]
        for outcome in outcomes:
            after = self._answered(past, step, outcome)
            if outcome.label == STOP:
                yield from self._enter(after, self.graph.on_stop)
                continue
            applying = [
                i for i, b in enumerate(step.branches) if holds(b.when, step.name, outcome, view)
            ]
            if not applying:
                self.violations.add(("no-branch", step.name))
            if len(applying) > 1:
                self.violations.add(("two-branches", step.name))
            for index in applying:
                self.taken.add((step.name, index))
                yield from self._enter(after, step.branches[index].to)

    def _answered(self, past: Past, step: Step, outcome: Outcome) -> Past:
        counted = step.counts(outcome)
        passed = counted is Verdict.PASS
        kept = outcome
        if step.name not in self.asked_later:
            # Nobody asks more of it than what it counts as.
            kept = next(o for o in self.outcomes[step.name] if step.counts(o) is counted)
        last = list(past.last)
        last[self.place[step.name]] = kept
        failed = past.failed - {step.name}
        if passed and "remedy" in step.does:
            failed = frozenset()
        if step.required and counted is Verdict.FAIL:
            failed |= {step.name}
        cleared = past.cleared and not (passed and "road-test" in step.does)
        return past._replace(
            last=tuple(last),
            failed=failed,
            saved=past.saved or (passed and "saves-codes" in step.does),
            cleared=cleared or "clears-codes" in step.does,
        )


def _has_cycle(following: dict[Past, set[Past]]) -> bool:
    """Whether something is left when all that nothing leads to is taken away, again and again."""
    incoming = dict.fromkeys(following, 0)
    for targets in following.values():
        for target in targets:
            incoming[target] += 1
    free = [past for past, count in incoming.items() if count == 0]
    removed = 0
    while free:
        removed += 1
        for target in following[free.pop()]:
            incoming[target] -= 1
            if incoming[target] == 0:
                free.append(target)
    return removed < len(following)
