"""What stands where in the picture of a flow: a main path, and what hangs from it.

    Graph ─good way→ main path ─each step once→ blocks ─draw_svg→ picture

Drawn as a net of boxes, a flow of fifty steps is two hundred lines that cross. So each step is put
down once: the good way straight down, and every side way below the step that first leads there, one
place further in. What leads to a step put down elsewhere names its number, what leads to an ending
its letter. No line crosses another, whatever the flow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from verify.flow.card_words import when_words
from verify.flow.dataflow import Facts, solve
from verify.flow.graph import (
    NATURAL_GRADE,
    Catalogue,
    Graph,
    Outcome,
    Step,
    View,
    gate_outcome,
    holds,
    recorded_checks,
)
from verify.flow.product import Plan, TooBig, explore
from verify.flow.spaces import TooMany
from verify.flow.statics import broken_names
from verify.flow.walks import Walker
from verify.words import Audience, Verdict

HERE, ON, BACK, ENDING, DOWN = "here", "on", "back", "ending", "down"
_LONGEST_WALK = 300


@dataclass(frozen=True, slots=True)
class Line:
    """One branch. words: what it asks for, in full.

    kind: HERE (the step stands just below, one place further in), ON and BACK (put down elsewhere),
    ENDING, or DOWN (the main path goes on with it). to: the step or ending, by name.
    """

    words: str
    kind: str
    to: str


@dataclass(frozen=True, slots=True)
class Block:
    """A step in its place. number: from 1, from the top down. depth: 0 on the main path."""

    number: int
    step: Step
    depth: int
    lines: tuple[Line, ...]

    @property
    def part(self) -> str:
        """The part this step came from, by its name in the flow; "" where it is the flow's own."""
        return self.step.name.rsplit("/", 1)[0] if "/" in self.step.name else ""


@dataclass(frozen=True, slots=True)
class Picture:
    """blocks: from the top down. letters: ending → its letter, in the order of the file.

    main: names on the main path; the last leads to `main_ending` ("" where none is reached).
    """

    graph: Graph
    audience: Audience
    blocks: tuple[Block, ...]
    letters: dict[str, str]
    main: tuple[str, ...]
    main_ending: str
    _numbers: dict[str, int]
    _on_main: frozenset[str]

    def on_main(self, name: str) -> bool:
        return name in self._on_main

    def number(self, name: str) -> int:
        """Of a step, from the top down."""
        return self._numbers[name]


def picture_of(graph: Graph, catalogue: Catalogue, audience: Audience | None = None) -> Picture:
    """Where everything stands, for a flow that proves or a draft whose names all exist.

    audience: whose good way is the main path; the first of the flow where it is None. All branches
    are drawn, those of others too.
    """
    who = audience or graph.audiences[0]
    main, main_ending = good_way(graph, catalogue, who)
    order = _places(graph, main)
    numbers = {name: i for i, (name, _) in enumerate(order, start=1)}
    children = _children(order)
    following = {a: b for a, b in zip(main, [*main[1:], main_ending], strict=True) if b}
    blocks = tuple(
        Block(
            numbers[name],
            graph.steps[name],
            depth,
            tuple(_lines(graph, graph.steps[name], numbers, children, following)),
        )
        for name, depth in order
    )
    letters = {name: _letter(i) for i, name in enumerate(graph.endings)}
    return Picture(graph, who, blocks, letters, main, main_ending, numbers, frozenset(main))


def _letter(index: int) -> str:
    """A, B … Z, AA, AB …"""
    head = _letter(index // 26 - 1) if index >= 26 else ""
    return head + chr(ord("A") + index % 26)


def good_way(graph: Graph, catalogue: Catalogue, audience: Audience) -> tuple[tuple[str, ...], str]:
    """(steps, ending) of somebody for whom all goes well: each answer the first that passes.

    Where that goes round or lets no car go, the shortest walk that lets one go; where there is none
    either, the way as far as it went, and "".
    """
    steps, ending = _walk(graph, catalogue, audience, {})
    if ending and graph.endings[ending].kind.lets_go:
        return steps, ending
    # Another answer that passes too may lead on where the first one goes round.
    for name in steps:
        step = graph.steps[name]
        for label in (one for one in step.labels if one in step.passes):
            other, end = _walk(graph, catalogue, audience, {name: label})
            if end and graph.endings[end].kind.lets_go:
                return other, end
    return _shortest(graph, catalogue, audience) or (steps, ending)


def _walk(
    graph: Graph, catalogue: Catalogue, audience: Audience, chosen: Mapping[str, str]
) -> tuple[tuple[str, ...], str]:
    last: dict[str, Outcome] = {}
    attempts: dict[str, int] = {}
    here = graph.start
    while here in graph.steps and len(last) < _LONGEST_WALK:
        step = graph.steps[here]
        if here in attempts:
            break  # a main path that comes back to itself is none
        attempts[here] = 1
        outcome = gate_outcome(graph, last) if step.kind == "gate" else _best(step, catalogue)
        if here in chosen:
            outcome = Outcome(chosen[here], NATURAL_GRADE[step.kind])
        view = View(audience, last, attempts)
        taken = [b for b in step.branches if holds(b.when, here, outcome, view)]
        if not taken:
            break
        if step.kind != "gate":
            last[here] = outcome
        here = taken[0].to
    return tuple(attempts), here if here in graph.endings else ""


def _best(step: Step, catalogue: Catalogue) -> Outcome:
    """The first answer that passes, with every instrument at hand."""
    grade = NATURAL_GRADE[step.kind]
    if step.kind == "record":
        checks = tuple(
            (check, Verdict.PASS, finding)
            for check in sorted(set(recorded_checks(step)))
            for finding in _passing(check, catalogue)
        )
        return Outcome("pass", grade, checks=checks)
    label = next((one for one in step.labels if one in step.passes), step.labels[0])
    return Outcome(label, grade)


def _passing(check: str, catalogue: Catalogue) -> Sequence[str]:
    return [f for f, v in catalogue.checks[check].items() if v is Verdict.PASS][:1]


def _shortest(
    graph: Graph, catalogue: Catalogue, audience: Audience
) -> tuple[tuple[str, ...], str] | None:
    if any(broken_names(graph, catalogue)):
        return None
    try:
        plan = Plan(graph, catalogue)
        product = explore(plan)
    except (TooMany, TooBig):
        return None
    walker = Walker(product, solve(product, Facts(plan)))
    wanted = {name for name, e in graph.endings.items() if e.kind.lets_go}
    who = graph.audiences.index(audience)
    starts = [s for s in product.starts if product.states[s].audience in (-1, who)]
    walk = walker.find(lambda state, _: walker.node(state) in wanted, starts=starts)
    if walk is None:
        return None
    return tuple(dict.fromkeys(walker.node(hop[0]) for hop in walk.hops)), walker.node(walk.end)


def _places(graph: Graph, main: Sequence[str]) -> list[tuple[str, int]]:
    """(step, depth) from the top down; what nothing leads to comes last."""
    placed: dict[str, int] = {}
    on_main = set(main)

    def put(name: str, depth: int) -> None:
        # Without recursion: a flow may hang ten thousand steps below one another.
        waiting = [(name, depth)]
        while waiting:
            here, at = waiting.pop()
            if here in placed:
                continue
            placed[here] = at
            inner = [
                (b.to, at + 1)
                for b in graph.steps[here].branches
                if b.to in graph.steps and b.to not in placed and b.to not in on_main
            ]
            waiting += reversed(inner)

    for name in main:
        put(name, 0)
    for name in graph.steps:
        put(name, 0)
    return list(placed.items())


def _children(order: Sequence[tuple[str, int]]) -> dict[str, str]:
    """Step → the step below which it stands, one place further in."""
    above: list[str] = []
    found: dict[str, str] = {}
    for name, depth in order:
        del above[depth:]
        if depth and above:
            found[name] = above[-1]
        above.append(name)
    return found


def _lines(
    graph: Graph,
    step: Step,
    numbers: dict[str, int],
    children: dict[str, str],
    following: dict[str, str],
) -> Iterator[Line]:
    down = following.get(step.name)
    for branch in step.branches:
        words = when_words(graph, step, branch)
        if branch.to == down:
            kind = DOWN
        elif branch.to in graph.endings:
            kind = ENDING
        elif children.get(branch.to) == step.name:
            kind = HERE
        else:
            kind = ON if numbers[branch.to] > numbers[step.name] else BACK
        yield Line(words, kind, branch.to)
