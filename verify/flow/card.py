"""A flow in the order a person works through it on paper: numbered blocks, answers, ways on.

    Graph ─the walk on which all goes well, then what it sends aside→ Card ─card_page→ HTML

A card cannot judge and cannot keep somebody from going on, so it says at each answer where it
leads, decisions that nobody is asked included. Pure; what flows only name (cautions, what a check
asks) is handed in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from verify.flow.card_words import condition_words, label_words
from verify.flow.graph import (
    CANNOT,
    NATURAL_GRADE,
    NOT_VISITED,
    STOP,
    Branch,
    Ending,
    Graph,
    Outcome,
    Step,
    View,
    gate_outcome,
    holds,
    recorded_checks,
)
from verify.words import Audience, EndingKind, Verdict

_MOST_STEPS = 400


@dataclass(frozen=True, slots=True)
class Way:
    """Where an answer leads. when: in words, each enough by itself, none for always; to: name of
    a step or ending."""

    when: tuple[str, ...]
    to: str


@dataclass(frozen=True, slots=True)
class Row:
    """An answer to tick. label: as in `Step.labels`, or cannot."""

    label: str
    words: str
    ways: tuple[Way, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """A step with its number; a gate has one row, whose ways are the decision."""

    number: int
    step: Step
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Card:
    """main: the blocks of the walk on which all goes well; aside: those a step may send to.

    endings: letter → ending, those that can be reached."""

    graph: Graph
    audience: Audience
    main: tuple[Block, ...]
    aside: tuple[Block, ...]
    endings: Mapping[str, Ending]
    letters: Mapping[str, str] = field(default_factory=dict)

    def blocks(self) -> tuple[Block, ...]:
        return self.main + self.aside


def flow_to_card(graph: Graph, audience: Audience) -> Card:
    """Every step and ending that `audience` can come to, each once."""
    good = _good_walk(graph, audience)
    there = set(graph.steps)
    # A step that nobody comes to bars the ways that ask for its answer, so again until it rests.
    while there != {*good, *(rest := _reached(graph, audience, good, there))}:
        there = {*good, *rest}
    order = [*good, *rest]
    numbers = {name: number for number, name in enumerate(order, start=1)}
    blocks = {
        name: Block(numbers[name], graph.steps[name], _rows(graph, audience, name, numbers))
        for name in order
    }
    ends = [
        way.to
        for block in blocks.values()
        for row in block.rows
        for way in row.ways
        if way.to in graph.endings
    ]
    reached = [e for e in graph.endings if e in {*ends, graph.on_stop}]
    reached.sort(key=lambda e: list(EndingKind).index(graph.endings[e].kind))
    letters = {name: _letter(place) for place, name in enumerate(reached)}
    return Card(
        graph,
        audience,
        tuple(blocks[name] for name in good),
        tuple(blocks[name] for name in rest),
        {letters[name]: graph.endings[name] for name in reached},
        letters,
    )


def _letter(place: int) -> str:
    first, second = divmod(place, 26)
    return (chr(64 + first) if first else "") + chr(65 + second)


def _branches(graph: Graph, audience: Audience, name: str) -> Iterator[Branch]:
    for branch in graph.steps[name].branches:
        if branch.when.audience in (None, audience):
            yield branch


def _reached(graph: Graph, audience: Audience, first: list[str], there: set[str]) -> list[str]:
    """The steps beside the walk `first`, each behind the first one that leads to it.

    there: steps that an answer may have been given at."""
    seen, found = set(first), list[str]()

    def follow(name: str) -> None:
        for branch in _branches(graph, audience, name):
            if branch.to in graph.steps and branch.to not in seen and _can_hold(branch, there):
                seen.add(branch.to)
                found.append(branch.to)
                follow(branch.to)

    for name in first:
        follow(name)
    return found


# The walk on which all goes well


def _good_walk(graph: Graph, audience: Audience) -> list[str]:
    """The shortest walk of passing answers that lets the car go, as far as it can be found by
    trying one step's passing answers after the other; each step once, in the order of the walk.

    Where none lets it go, answers that stay open may stand in: what passes there comes later.
    """
    best, end = _shortest(graph, audience, {n: _good_outcomes(graph, n) for n in graph.steps})
    if not _lets_go(graph, end):
        open_too = {n: _good_outcomes(graph, n, open_too=True) for n in graph.steps}
        best, end = _shortest(graph, audience, open_too)
    return list(dict.fromkeys(best))


def _lets_go(graph: Graph, end: str) -> bool:
    return end in graph.endings and graph.endings[end].kind.lets_go


def _shortest(
    graph: Graph, audience: Audience, options: Mapping[str, list[Outcome]]
) -> tuple[list[str], str]:
    chosen = dict.fromkeys(graph.steps, 0)

    def length(walk: list[str], end: str) -> tuple[bool, int]:
        # A walk that does not let the car go is the better, the further it came.
        return (False, len(walk)) if _lets_go(graph, end) else (True, -len(walk))

    best = _walk(graph, audience, options, chosen)
    for name in graph.steps:
        for place in range(1, len(options[name])):
            trial = chosen | {name: place}
            found = _walk(graph, audience, options, trial)
            if length(*found) < length(*best):
                best, chosen = found, trial
    return best


def _walk(
    graph: Graph,
    audience: Audience,
    options: Mapping[str, list[Outcome]],
    chosen: Mapping[str, int],
) -> tuple[list[str], str]:
    at, walk = graph.start, list[str]()
    last: dict[str, Outcome] = {}
    attempts: dict[str, int] = {}
    while at in graph.steps and len(walk) < _MOST_STEPS:
        walk.append(at)
        attempts[at] = attempts.get(at, 0) + 1
        step = graph.steps[at]
        outcome = gate_outcome(graph, last) if step.kind == "gate" else options[at][chosen[at]]
        view = View(audience, last, attempts)
        fitting = [b.to for b in step.branches if holds(b.when, at, outcome, view)]
        if step.kind != "gate":
            last[at] = outcome
        if not fitting:
            break
        at = fitting[0]
    return walk, at


def _good_outcomes(graph: Graph, name: str, *, open_too: bool = False) -> list[Outcome]:
    step = graph.steps[name]
    labels = [label for label in step.labels if label in step.passes] or list(step.labels[:1])
    labels = [x for x in labels if not x.startswith("told-")] or labels
    if open_too and step.kind == "ask":
        labels += [label for label in step.labels if label in step.unsure]
    grade = NATURAL_GRADE[step.kind]
    checks = tuple(sorted((c, Verdict.PASS, "") for c in recorded_checks(step)))
    values: list[Fraction | None] = [
        low if low is not None else (high or Fraction(0)) - 1
        for branch in step.branches
        if branch.when.own.value is not None
        for low, high in (branch.when.own.value,)
    ]
    return [
        Outcome(label, grade, checks=checks, value=value)
        for label in labels
        for value in (values or [None])
    ]


# Answers and where they lead


def _rows(
    graph: Graph, audience: Audience, name: str, numbers: Mapping[str, int]
) -> tuple[Row, ...]:
    step = graph.steps[name]
    possible = [b for b in _branches(graph, audience, name) if _can_hold(b, numbers)]
    if step.kind == "gate":
        ways = [(condition_words(step, b, graph, numbers, gate=True), b.to) for b in possible]
        return (Row("", "", _merged(ways)),)
    rows = []
    for label in (*step.labels, CANNOT):
        ways = [
            (condition_words(step, b, graph, numbers), b.to)
            for b in possible
            if b.when.own.outcome is None or label in b.when.own.outcome
            if _fits(step, label, b)
        ]
        if ways:
            rows.append(Row(label, label_words(step, label), _merged(ways)))
    return tuple(rows)


def _fits(step: Step, label: str, branch: Branch) -> bool:
    """Whether the answer can go this way: without a wrong item no branch that asks for one."""
    own = branch.when.own
    if own.wrong is not None and label != "exceptions":
        return False
    if own.findings and label not in ("pass", "fail", "undecided"):
        return False
    return not (own.value is not None and label in (CANNOT, STOP))


def _can_hold(branch: Branch, there: Collection[str]) -> bool:
    """Whether what it asks of earlier steps can be so for this audience."""
    for name, look in branch.when.earlier:
        if name in there:
            continue
        if look.findings or look.wrong or look.fine or look.value is not None:
            return False
        if look.outcome is not None and NOT_VISITED not in look.outcome:
            return False
    return True


def _merged(ways: list[tuple[str, str]]) -> tuple[Way, ...]:
    """Ways (when, to) to one place as one, in the order of their first."""
    found: dict[str, list[str]] = {}
    for when, to in ways:
        found.setdefault(to, []).append(when)
    return tuple(
        Way(() if "" in known else tuple(dict.fromkeys(known)), to) for to, known in found.items()
    )
