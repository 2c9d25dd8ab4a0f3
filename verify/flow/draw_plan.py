"""What stands where in the picture of a flow: a main path, and what hangs from it.

    Graph ─good way→ main path ─each step once→ blocks ─draw_svg→ picture

Drawn as a net of boxes, a flow of fifty steps is two hundred lines that cross. So each step is put
down once: the good way straight down, and every side way below the step that first leads there, one
place further in. What leads to a step put down elsewhere names its number, what leads to an ending
its letter. No line crosses another, whatever the flow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from verify.flow.card_words import when_words
from verify.flow.good_way import good_way
from verify.flow.graph import Graph, Step
from verify.words import Audience

HERE, ON, BACK, ENDING, DOWN = "here", "on", "back", "ending", "down"


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


def picture_of(graph: Graph, audience: Audience | None = None) -> Picture:
    """Where everything stands, for a flow that proves or a draft whose names all exist.

    audience: whose good way is the main path; the first of the flow where it is None. All branches
    are drawn, those of others too.
    """
    who = audience or graph.audiences[0]
    main, main_ending = good_way(graph, who)
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
