"""A flow in the order a person works through it on paper: numbered blocks, answers, ways on.

    Graph ─the walk on which all goes well, then what it sends aside→ Card ─card_page→ HTML

A card cannot judge and cannot keep somebody from going on, so it says at each answer where it
leads, decisions that nobody is asked included. Pure; what flows only name (cautions, what a check
asks) is handed in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from verify.flow.card_words import condition_words, label_words
from verify.flow.good_way import good_way
from verify.flow.graph import (
    CANNOT,
    NOT_VISITED,
    STOP,
    Branch,
    Ending,
    Graph,
    Step,
)
from verify.words import Audience, EndingKind


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
    good = list(good_way(graph, audience)[0])
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
