"""The shortest walk that shows a violation, in words.

Looked for only once the facts of the whole product graph say that there may be one: a breadth-first
search over the states, each with what the rule is about (mostly one bit).
"""

from __future__ import annotations

from collections.abc import Callable, Container, Hashable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from verify.flow.dataflow import Solution
from verify.flow.graph import STOP, Outcome, Step
from verify.flow.phrases import audience_words, outcome_words, times
from verify.flow.product import STOPPED, Edge, Product, State
from verify.words import Verdict

Hop = tuple[int, Edge]
Known = TypeVar("Known", bound=Hashable)
Move = Callable[[Step, Verdict, Outcome, Known], Known | None]
"""(step, what its outcome counts as, the outcome, known before) → known after; None: no such
walk."""


class TooFar(Exception):
    """A search looked at more places than it may."""


def unchanged(_step: Step, _verdict: Verdict, _outcome: Outcome, known: Known) -> Known:
    return known


@dataclass(slots=True)
class Walk:
    """Hops from a start state; `end` is the state reached."""

    hops: list[Hop]
    end: int


class Walker:
    """Finds and tells walks in the product graph of one flow."""

    def __init__(self, product: Product, solution: Solution) -> None:
        self.product, self.plan = product, product.plan
        self.edges = solution.edges

    def node(self, state: int) -> str:
        return self.plan.names[self.product.states[state].node]

    def step(self, state: int) -> Step:
        return self.plan.nodes[self.product.states[state].node].step

    def outcome(self, hop: Hop) -> Outcome:
        state, edge = hop
        if edge.cell == STOPPED:
            return Outcome(STOP)
        return self.plan.nodes[self.product.states[state].node].cells[edge.cell].outcome

    def to(self, states: Container[int]) -> Walk | None:
        """The shortest walk to one of `states`."""
        return self.find(lambda state, _: state in states, unchanged, False)

    def around(self, state: int) -> Walk | None:
        """The shortest walk from `state` back to it."""
        return self.find(lambda other, _: other == state, unchanged, False, starts=[state])

    def find(
        self,
        goal: Callable[[int, Known], bool],
        move: Move[Known],
        known: Known,
        starts: Iterable[int] | None = None,
        most: int | None = None,
    ) -> Walk | None:
        """The shortest walk to a state and what is known there that `goal` accepts.

        One that takes no corrections is preferred, since it is easier to follow; with `starts`
        the first hop is made before `goal` is asked. Raises TooFar beyond `most` places.
        """
        for corrected in (False, True):
            walk = self._search(goal, move, known, corrected, starts, most)
            if walk is not None:
                return walk
        return None

    def _search(
        self,
        goal: Callable[[int, Known], bool],
        move: Move[Known],
        known: Known,
        corrected: bool,
        starts: Iterable[int] | None,
        most: int | None,
    ) -> Walk | None:
        origin: dict[tuple[int, Known], tuple[tuple[int, Known], Edge] | None] = {}
        level: list[tuple[int, Known]] = []
        for start in self._starts(corrected) if starts is None else starts:
            if starts is None and goal(start, known):
                return Walk([], start)
            if (start, known) not in origin:
                origin[start, known] = None
                level.append((start, known))
        while level:
            if most is not None and len(origin) > most:
                raise TooFar
            following = []
            for here in level:
                state, now = here
                for edge in self.edges[state]:
                    if edge.corrected and not corrected:
                        continue
                    outcome = self.outcome((state, edge))
                    step = self.step(state)
                    after = move(step, step.counts(outcome), outcome, now)
                    if after is None:
                        continue
                    there = edge.target, after
                    if goal(edge.target, after):
                        return Walk([*_back(origin, here), (state, edge)], edge.target)
                    if there not in origin:
                        origin[there] = (here, edge)
                        following.append(there)
            level = following
        return None

    def _starts(self, corrected: bool) -> list[int]:
        """Start states; without corrections only those entered for the first time."""
        states = self.product.states
        if corrected:
            return self.product.starts
        least: dict[int, int] = {}
        for start in self.product.starts:
            key = states[start].audience
            if key not in least or states[start].counts < states[least[key]].counts:
                least[key] = start
        return list(least.values())

    def last_outcomes(self, walk: Walk) -> dict[str, Outcome]:
        return {self.node(hop[0]): self.outcome(hop) for hop in walk.hops}

    def told(self, walk: Walk) -> tuple[str, ...]:
        """Each step of the walk with its outcome: "Warm idle: undecided"."""
        sentences = []
        if walk.hops:
            who = self.who(self.product.states[walk.hops[0][0]])
            if who:
                sentences.append(f"worked through by {who}")
        jumped = bool(walk.hops) and walk.hops[0][0] not in self._starts(corrected=False)
        for hop in walk.hops:
            state, edge = hop
            step = self.step(state)
            count = self.corrected_count(state) if jumped else ""
            sentences.append(f"{step.title}{count}: {outcome_words(step, self.outcome(hop))}")
            jumped = edge.corrected
        return tuple(sentences)

    def who(self, state: State) -> str:
        if state.audience < 0:
            return ""
        return audience_words(self.plan.graph.audiences[state.audience])

    def corrected_count(self, state: int) -> str:
        """How often a step was entered when only corrected answers can have led to such a count."""
        node = self.plan.nodes[self.product.states[state].node]
        counts = self.product.states[state].counts
        parts: list[str] = []
        for name in sorted(node.looked_at):
            number = times(self.plan.counters[name].read(counts))
            if name == node.step.name:
                parts.insert(0, f"{number} time")
            else:
                title = self.plan.graph.steps[name].title
                parts.append(f"“{title}” entered {self.plan.counters[name].read(counts)} times")
        return f" ({', '.join(parts)}, corrected answers counted)" if parts else ""


def _back(
    origin: dict[tuple[int, Known], tuple[tuple[int, Known], Edge] | None], end: tuple[int, Known]
) -> list[Hop]:
    hops: list[Hop] = []
    here = origin[end]
    while here is not None:
        before, edge = here
        hops.append((before[0], edge))
        here = origin[before]
    hops.reverse()
    return hops
