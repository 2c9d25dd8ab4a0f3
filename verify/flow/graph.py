"""The graph: plain frozen data with parts inlined, and what its words mean.

Everything below (prover, machine, pictures, rehearsal) reads this and nothing else, so they cannot
disagree. The meaning of an outcome, of a condition and of "passed" stands here once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from verify.words import Audience, EndingKind, Grade, Group, Verdict

CANNOT = "cannot"
STOP = "stop"
NOT_VISITED = "not-visited"
GATE_OUTCOMES = ("hand-back", "proof-to-follow", "neither")

# Activities with a meaning of their own for the prover (seeds/activities.csv names them all).
REMEDY = "remedy"
CLEARS_CODES = "clears-codes"
SAVES_CODES = "saves-codes"
ROAD_TEST = "road-test"

# The best evidence a kind of step can yield; it is also the least grade unless a reason is given.
NATURAL_GRADE: Mapping[str, Grade] = {
    "do": Grade.TOLD,
    "ask": Grade.TOLD,
    "card": Grade.TOLD,
    "photo": Grade.TOLD,
    "reading": Grade.READ,
    "codes": Grade.READ,
    "fasten": Grade.READ,
    "record": Grade.RECORDED,
    "gate": Grade.TOLD,
}


@dataclass(frozen=True, slots=True)
class Catalogue:
    """What flows may name, handed to `load` and `prove` by the caller.

    checks: check → finding → verdict. hazards: name → caution as shown.
    activities: name → hazards it brings. check_specs: check → specs it cannot do without.
    """

    checks: Mapping[str, Mapping[str, Verdict]]
    hazards: Mapping[str, str]
    activities: Mapping[str, tuple[str, ...]]
    check_specs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a step, reduced to what a flow can ask about.

    label: one of `Step.labels`, or `cannot`, `stop`.
    checks: check → (verdict, finding), for a judged recording.
    items: the items of a card that are wrong, or that nobody saw: what was not seen is not shown to
        be fine. unseen: those of them that nobody saw.
    value: a reading, in the step's unit.
    opens: it passes on the walk because of what follows there, and was given as proof, where
        nothing follows (see `opens`): it leaves the step open.
    """

    label: str
    grade: Grade = Grade.TOLD
    checks: tuple[tuple[str, Verdict, str], ...] = ()
    items: frozenset[str] = frozenset()
    value: Fraction | None = None
    opens: bool = False
    unseen: frozenset[str] = frozenset()

    def to_json(self) -> dict[str, Any]:
        body: dict[str, Any] = {"label": self.label, "grade": self.grade.value}
        if self.checks:
            body["checks"] = {c: {"verdict": v.value, "finding": f} for c, v, f in self.checks}
        if self.items:
            body["items"] = sorted(self.items)
        if self.value is not None:
            body["value"] = f"{self.value.numerator}/{self.value.denominator}"
        if self.unseen:
            body["unseen"] = sorted(self.unseen)
        if self.opens:
            body["opens"] = True
        return body

    @staticmethod
    def from_json(body: Mapping[str, Any]) -> Outcome:
        return Outcome(
            label=body["label"],
            grade=Grade(body["grade"]),
            checks=tuple(
                sorted(
                    (c, Verdict(r["verdict"]), r["finding"])
                    for c, r in body.get("checks", {}).items()
                )
            ),
            items=frozenset(body.get("items", ())),
            value=Fraction(body["value"]) if "value" in body else None,
            opens=body.get("opens") is True,
            unseen=frozenset(body.get("unseen", ())),
        )


@dataclass(frozen=True, slots=True)
class Look:
    """A condition on one step's last outcome; None means not asked. Ends are half-open [a, b)."""

    outcome: frozenset[str] | None = None
    findings: tuple[tuple[str, frozenset[str]], ...] = ()
    wrong: frozenset[str] | None = None
    fine: frozenset[str] | None = None
    value: tuple[Fraction | None, Fraction | None] | None = None
    attempts: tuple[int, int | None] | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    own: Look
    audience: Audience | None = None
    earlier: tuple[tuple[str, Look], ...] = ()


@dataclass(frozen=True, slots=True)
class Branch:
    when: Condition
    to: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Spec:
    name: str
    title: str
    unit: str
    say: str = ""
    default: str | None = None
    accuracy: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do or find out.

    name: unique; an inlined step carries its part's step name as a prefix ("relearn/sleep").
    labels: the labels an outcome of this step can have besides `cannot` and `stop`.
    passes, unsure: of the labels; every other label counts as a fail.
    detail: what the kind needs beyond that (answers, items, checks, unit, limits …), plain data.
    line, column, file: where it stands in which file, for messages; 0 and "" where unknown.
    """

    name: str
    kind: str
    title: str
    say: str
    branches: tuple[Branch, ...]
    labels: tuple[str, ...]
    passes: frozenset[str]
    unsure: frozenset[str] = frozenset()
    why: str = ""
    owner: str = ""
    hazards: tuple[str, ...] = ()
    does: frozenset[str] = frozenset()
    required: bool = True
    optional_reason: str = ""
    group: Group | None = None
    least: Grade = Grade.TOLD
    least_reason: str = ""
    later: tuple[str, str] | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)
    file: str = field(default="", compare=False)

    def counts(self, outcome: Outcome) -> Verdict:
        """Whether this outcome passes the step, fails it, or leaves it open.

        A passing label on poorer evidence than the step's least grade leaves it open.
        """
        if outcome.opens:
            return Verdict.UNDECIDED
        if outcome.label in self.passes:
            return Verdict.PASS if outcome.grade.covers(self.least) else Verdict.UNDECIDED
        if outcome.label == CANNOT or outcome.label in self.unsure:
            return Verdict.UNDECIDED
        return Verdict.FAIL


@dataclass(frozen=True, slots=True)
class Ending:
    name: str
    kind: EndingKind
    title: str
    advice: str
    owner: str = ""
    who: str = ""
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Promise:
    """kind "before": `then` never before `first`; "never": `then` never unless `first` passed.

    line, column, file: where it stands, for messages; index: its number there, from 0.
    """

    kind: str
    first: str
    then: str
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)
    file: str = field(default="", compare=False)
    index: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Graph:
    """look: what a signer looks at on the car before signing it off, name → words; {} for none.

    english: of a graph in another language, each of its texts → the English; {} of an English one.
    """

    flow_id: str
    title: str
    repair: str
    audiences: tuple[Audience, ...]
    start: str
    on_stop: str
    steps: Mapping[str, Step]
    endings: Mapping[str, Ending]
    specs: Mapping[str, Spec]
    promises: tuple[Promise, ...]
    look: Mapping[str, str] = field(default_factory=dict)
    english: Mapping[str, str] = field(default_factory=dict)

    def in_english(self, text: str) -> str:
        """A text of this graph in English: for lists and dates, which speak no other language."""
        return self.english.get(text, text)

    def rest_on(self, name: str) -> tuple[str, ...]:
        """What is never reached unless this step passed, by the promises of the flow."""
        return tuple(p.then for p in self.promises if p.kind == "never" and p.first == name)

    def required(self) -> tuple[Step, ...]:
        return tuple(s for s in self.steps.values() if s.required)


@dataclass(frozen=True, slots=True)
class View:
    """What a condition may look at: the live walk so far.

    last: step → last outcome on the live walk; attempts: step → times entered, never less than 1
    for the step that is being answered.
    """

    audience: Audience
    last: Mapping[str, Outcome]
    attempts: Mapping[str, int]


def recorded_checks(step: Step) -> tuple[str, ...]:
    """All checks that a recording of this step is put to: those it must pass, and those beside."""
    return (*step.detail.get("checks", ()), *step.detail.get("also", ()))


def recorded_label(step: Step, verdicts: Iterable[tuple[str, Verdict]]) -> str:
    """What verdicts come to at a step that takes a recording.

    Any fail is a fail, of a check `also` put too. A pass needs a pass of each of the step's own
    checks; those `also` put may stay undecided.
    """
    found = dict(verdicts)
    if Verdict.FAIL in found.values():
        return "fail"
    own = [found.get(check) for check in step.detail.get("checks", ())]
    return "pass" if own and all(v is Verdict.PASS for v in own) else "undecided"


def look_holds(look: Look, outcome: Outcome | None, attempts: int) -> bool:
    """Whether a condition holds of one step's last outcome (None: not visited)."""
    if look.attempts is not None:
        low, high = look.attempts
        if attempts < low or (high is not None and attempts >= high):
            return False
    if outcome is None:
        only_attempts = not (
            look.findings or look.wrong or look.fine or look.value or look.outcome is not None
        )
        return only_attempts or (look.outcome is not None and NOT_VISITED in look.outcome)
    if look.outcome is not None and outcome.label not in look.outcome:
        return False
    if look.findings:
        found = {c: (v.value, f) for c, v, f in outcome.checks}
        for check, allowed in look.findings:
            if check not in found or not allowed.intersection(found[check]):
                return False
    if look.wrong is not None and not (look.wrong & outcome.items):
        return False
    if look.fine is not None and look.fine & outcome.items:
        return False
    if look.value is not None:
        if outcome.value is None:
            return False
        low_v, high_v = look.value
        if low_v is not None and outcome.value < low_v:
            return False
        if high_v is not None and outcome.value >= high_v:
            return False
    return True


def holds(when: Condition, step: str, outcome: Outcome, view: View) -> bool:
    """Whether a branch applies to `outcome` of `step` on the live walk `view`."""
    if when.audience is not None and when.audience is not view.audience:
        return False
    if not look_holds(when.own, outcome, view.attempts.get(step, 1)):
        return False
    return all(
        look_holds(look, view.last.get(name), view.attempts.get(name, 0))
        for name, look in when.earlier
    )


def still_open(graph: Graph, last: Mapping[str, Outcome]) -> tuple[Step, ...]:
    """The required steps that have not passed on the live walk, in the order of the flow.

    An unvisited step has not passed.
    """
    return tuple(
        s
        for s in graph.required()
        if s.name not in last or s.counts(last[s.name]) is not Verdict.PASS
    )


def gate_outcome(graph: Graph, last: Mapping[str, Outcome]) -> Outcome:
    """What a gate finds on the live walk (invariant 6)."""
    open_steps = still_open(graph, last)
    if not open_steps:
        return Outcome("hand-back")
    if all(s.group is not Group.SAFE and s.later is not None for s in open_steps):
        return Outcome("proof-to-follow")
    return Outcome("neither")
