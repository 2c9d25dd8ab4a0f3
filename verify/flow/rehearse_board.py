"""A chart laid out flat for the search of walks: numbered edges, and what a gate asks of a walk.

    Chart ─→ Board ─→ Search

Nothing is decided here. A required step has a bit; what a gate must have found for a way out of it
is said with masks of these bits (`Need`), by the rule for letting a car go (invariant 6).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from verify.flow.dataflow import may_stay_open
from verify.flow.digraph import reverse_postorder
from verify.flow.expanded import Chart, Way
from verify.flow.graph import GATE_OUTCOMES
from verify.flow.product import STOPPED
from verify.words import Verdict

Item = tuple[str, int]
"""(step, number of its branch, or STOPPED for `stop`)"""

HAND_BACK, TO_FOLLOW, NEITHER = GATE_OUTCOMES


class Need(NamedTuple):
    """What the walk to a gate must have shown: the steps in `passed` passed last, and at least one
    of those in `some_open` (0: asks nothing) did not, or was not asked."""

    passed: int
    some_open: int


class Board:
    """Edges by number: `frm`, `to` (states), `way`, `item`, `bit` (of a required step, else 0),
    `passes`, `needs` (of a gate: one of these must hold; () asks nothing), `labels` (of a gate).

    into, out: edges by state. order: the states, each before those it leads to. start: state 0.
    """

    def __init__(self, chart: Chart, *, stops: bool = False) -> None:
        self.chart = chart
        graph = chart.graph
        required = [s.name for s in graph.required()]
        self.bit_of: Mapping[str, int] = {name: 1 << i for i, name in enumerate(required)}
        self.required = (1 << len(required)) - 1
        self.must = sum(self.bit_of[n] for n in required if not may_stay_open(graph.steps[n]))
        self.items: list[Item] = []
        self.frm: list[int] = []
        self.to: list[int] = []
        self.way: list[Way] = []
        self.item: list[int] = []
        self.bit: list[int] = []
        self.passes: list[bool] = []
        self.needs: list[tuple[Need, ...]] = []
        self.labels: list[frozenset[str]] = []
        self.into: list[list[int]] = [[] for _ in chart.states]
        self.out: list[list[int]] = [[] for _ in chart.states]
        self._numbers: dict[Item, int] = {}
        for state in range(len(chart.states)):
            self._lay(state, stops)
        self.edges_of: list[list[int]] = [[] for _ in self.items]
        for edge, item in enumerate(self.item):
            self.edges_of[item].append(edge)
        succ = [[self.to[edge] for edge in out] for out in self.out]
        self.order = reverse_postorder(succ, [0])

    def is_ending(self, state: int) -> bool:
        return not self.chart.ways[state]

    def found(self, still_open: int) -> str:
        """What a gate finds while these required steps are open."""
        if not still_open:
            return HAND_BACK
        return NEITHER if still_open & self.must else TO_FOLLOW

    def _lay(self, state: int, stops: bool) -> None:
        ways = self.chart.ways[state]
        name = self.chart.states[state].at
        gate = bool(ways) and self.chart.graph.steps[name].kind == "gate"
        alike: dict[tuple[int, int, bool], list[Way]] = {}
        for way in ways:
            if way.branch != STOPPED or stops:
                passes = way.verdict is Verdict.PASS
                alike.setdefault((way.target, way.branch, passes), []).append(way)
        possible = frozenset(way.outcomes[0].label for way in ways) if gate else frozenset()
        for (target, branch, passes), group in alike.items():
            labels = frozenset(w.outcomes[0].label for w in group) if gate else frozenset()
            number = self._numbers.setdefault((name, branch), len(self.items))
            if number == len(self.items):
                self.items.append((name, branch))
            edge = len(self.to)
            self.frm.append(state)
            self.to.append(target)
            self.way.append(group[0])
            self.item.append(number)
            self.bit.append(self.bit_of.get(name, 0))
            self.passes.append(passes)
            self.needs.append(() if labels == possible else tuple(self._needs(labels)))
            self.labels.append(labels)
            self.into[target].append(edge)
            self.out[state].append(edge)

    def _needs(self, labels: frozenset[str]) -> Iterable[Need]:
        if labels == {HAND_BACK, TO_FOLLOW}:
            yield Need(self.must, 0)
        elif labels == {TO_FOLLOW, NEITHER}:
            yield Need(0, self.required)
        else:
            if HAND_BACK in labels:
                yield Need(self.required, 0)
            if TO_FOLLOW in labels:
                yield Need(self.must, self.required & ~self.must)
            if NEITHER in labels:
                yield Need(0, self.must)
