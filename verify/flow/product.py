"""The product graph: each step together with just what later branches still ask of the past.

Second stage of the proof. A state is (node, memory, counts, audience):
memory   one bit for each condition that a later branch puts to an earlier step (does it hold?),
         kept only while such a branch can still be reached;
         What no branch ahead will tell apart (`alike`) is remembered as one of its kind;
counts   times a step was entered, kept only while named later, up to the largest number named;
audience kept only while a later branch names it.
Whether a branch applies is asked of `holds` on concrete outcomes, as the machine does.

A correction can leave attempts behind that the live walk does not show. So wherever a branch looks
at a count, it may also be any larger one (edges marked `corrected`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import prod
from typing import NamedTuple

from verify.flow.alike import alike_everywhere, groups_of
from verify.flow.digraph import reverse_postorder
from verify.flow.graph import Branch, Catalogue, Condition, Graph, Look, Outcome, Step, View, holds
from verify.flow.spaces import MAX_CELLS, Cell, TooMany, cells, truth_of, without_attempts
from verify.words import Verdict

MAX_STATES = 1_000_000
MAX_EDGES = 4_000_000
STOPPED = -1


class TooBig(Exception):
    """More product states than the bound; carries the name of the step that has the most."""


class State(NamedTuple):
    node: int
    memory: int
    counts: int
    audience: int


class Edge(NamedTuple):
    """cell, branch: STOPPED for `stop`. corrected: only corrections can lead to such a count."""

    target: int
    cell: int
    branch: int
    corrected: bool


Arrival = tuple[State, bool]


@dataclass(frozen=True, slots=True)
class Counter:
    """Where the attempts of one step stand in `State.counts`; `cap` stands for it and all above."""

    step: str
    shift: int
    width: int
    cap: int

    def read(self, counts: int) -> int:
        return (counts >> self.shift) & self.width


@dataclass(slots=True)
class Node:
    """One step made ready for exploration."""

    step: Step
    cells: tuple[Cell, ...] = ()
    asked: list[Look] = field(default_factory=list)  # by later steps, without attempts
    shift: int = 0  # of its bits in memory
    own_bits: int = 0
    remembered: list[int] = field(default_factory=list)  # memory bits by cell
    possible: list[tuple[int, ...]] = field(default_factory=list)  # branches by cell
    conditional: tuple[bool, ...] = ()  # by branch: asks more than the own outcome
    targets: tuple[int, ...] = ()
    earlier: tuple[str, ...] = ()
    looked_at: tuple[str, ...] = ()  # steps whose attempts a branch here names, in that order


class Plan:
    """A graph compiled for exploration: nodes numbered, outcomes cut, liveness known.

    Raises TooMany (spaces) where the outcomes of a step fall into too many pieces.
    """

    def __init__(self, graph: Graph, catalogue: Catalogue) -> None:
        self.graph = graph
        self.names: tuple[str, ...] = (*graph.steps, *graph.endings)
        self.number = {name: i for i, name in enumerate(self.names)}
        self.nodes = [Node(step) for step in graph.steps.values()]
        self.first_ending = len(self.nodes)
        self.counters: dict[str, Counter] = {}
        self._number_looks()
        self._number_counters()
        for node in self.nodes:
            self._cut(node, catalogue)
        self.successors = [sorted({*node.targets}) for node in self.nodes]
        self.successors += [[] for _ in graph.endings]
        self._liveness()
        self.alike = alike_everywhere(self)
        self._faces: dict[tuple[int, int, int], Outcome | None] = {}

    def node(self, name: str) -> Node:
        return self.nodes[self.number[name]]

    def _number_looks(self) -> None:
        for node in self.nodes:
            names: dict[str, None] = {}
            for branch in node.step.branches:
                for name, look in branch.when.earlier:
                    names[name] = None
                    bare = without_attempts(look)
                    asked = self.node(name).asked
                    if bare != Look() and bare not in asked:
                        asked.append(bare)
            node.earlier = tuple(names)
        shift = 0
        for node in self.nodes:
            node.shift = shift
            node.own_bits = ((1 << len(node.asked)) - 1) << shift
            shift += len(node.asked)

    def _number_counters(self) -> None:
        caps: dict[str, int] = {}
        for node in self.nodes:
            looked: dict[str, None] = {}
            for branch in node.step.branches:
                for name, look in ((node.step.name, branch.when.own), *branch.when.earlier):
                    if look.attempts is not None:
                        looked[name] = None
                        caps[name] = max(caps.get(name, 1), *(n for n in look.attempts if n))
            node.looked_at = tuple(looked)
        shift = 0
        for name, cap in caps.items():
            bits = cap.bit_length()
            self.counters[name] = Counter(name, shift, (1 << bits) - 1, cap)
            shift += bits
        for node in self.nodes:
            if prod(caps[name] + 1 for name in node.looked_at) > MAX_CELLS:
                raise TooMany(node.step.name)

    def _cut(self, node: Node, catalogue: Catalogue) -> None:
        step = node.step
        looks = list(node.asked)
        own: list[int] = []
        for branch in step.branches:
            bare = without_attempts(branch.when.own)
            if bare not in looks:
                looks.append(bare)
            own.append(looks.index(bare))
        node.cells = cells(step, looks, catalogue)
        kept = (1 << len(node.asked)) - 1
        node.remembered = [(cell.truth & kept) << node.shift for cell in node.cells]
        node.possible = [
            tuple(i for i, look in enumerate(own) if cell.truth >> look & 1) for cell in node.cells
        ]
        node.conditional = tuple(_asks_more(branch.when) for branch in step.branches)
        node.targets = tuple(self.number[branch.to] for branch in step.branches)

    def _liveness(self) -> None:
        """What a branch at a node or after it may still ask, as masks, backwards to a fixpoint."""
        count = len(self.names)
        self.live_memory = [0] * count
        self.live_counts = [0] * count
        self.live_audience = [False] * count
        uses = []
        self.needs = [tuple(self._needs(b) for b in node.step.branches) for node in self.nodes]
        self.groups = groups_of(self.needs)
        for node, asked in zip(self.nodes, self.needs, strict=True):
            memory = 0
            for need in asked:
                memory |= need
            counts = 0
            for name in node.looked_at:
                counter = self.counters[name]
                counts |= counter.width << counter.shift
            audience = any(b.when.audience is not None for b in node.step.branches)
            uses.append((memory, counts, audience))
        self.uses = uses
        order = reverse_postorder(self.successors, range(count))
        order.reverse()
        changed = True
        while changed:
            changed = False
            for i in order:
                if i >= self.first_ending:
                    continue
                memory, counts, audience = uses[i]
                later = 0
                for inner in self.successors[i]:
                    later |= self.live_memory[inner]
                    counts |= self.live_counts[inner]
                    audience = audience or self.live_audience[inner]
                memory |= later & ~self.nodes[i].own_bits
                if (memory, counts, audience) != (
                    self.live_memory[i],
                    self.live_counts[i],
                    self.live_audience[i],
                ):
                    self.live_memory[i], self.live_counts[i] = memory, counts
                    self.live_audience[i] = audience
                    changed = True

    def _needs(self, branch: Branch) -> int:
        """The memory bits that a branch asks for together."""
        bits = 0
        for name, look in branch.when.earlier:
            bare, there = without_attempts(look), self.node(name)
            if bare != Look():
                bits |= 1 << (there.shift + there.asked.index(bare))
        return bits

    def nothing_yet(self) -> int:
        """The memory before the first step: what holds of a step that was not visited."""
        bits = 0
        for node in self.nodes:
            bits |= truth_of(None, node.asked) << node.shift
        return bits

    def face(self, name: str, state: State) -> Outcome | None:
        """A concrete last outcome of an earlier step that agrees with what is remembered of it."""
        node = self.node(name)
        mask = ((1 << len(node.asked)) - 1) & (self.live_memory[state.node] >> node.shift)
        seen = (state.memory >> node.shift) & mask
        key = self.number[name], seen, mask
        if key not in self._faces:
            face = None
            if truth_of(None, node.asked) & mask != seen:
                face = next(cell.outcome for cell in node.cells if cell.truth & mask == seen)
            self._faces[key] = face
        return self._faces[key]

    def view(self, state: State) -> View:
        """What the branches of the state's step may look at."""
        node = self.nodes[state.node]
        last = {name: self.face(name, state) for name in node.earlier}
        return View(
            audience=self.graph.audiences[max(state.audience, 0)],
            last={name: outcome for name, outcome in last.items() if outcome is not None},
            attempts={n: self.counters[n].read(state.counts) for n in node.looked_at},
        )

    def entered(self, target: int, memory: int, counts: int, audience: int) -> list[Arrival]:
        """The states in which `target` can be entered, with whether it took corrections."""
        options = [(counts, False)]
        if target < self.first_ending:
            node = self.nodes[target]
            own = self.counters.get(node.step.name)
            if own is not None:
                count = min(own.read(counts) + 1, own.cap)
                options = [(_with(counts, own, count), False)]
            for name in node.looked_at:
                counter = self.counters[name]
                options = [
                    (_with(c, counter, n), corrected or n > counter.read(c))
                    for c, corrected in options
                    for n in range(counter.read(c), counter.cap + 1)
                ]
        memory = self.stand_in(target, memory & self.live_memory[target])
        live = self.live_counts[target]
        audience = audience if self.live_audience[target] else -1
        return [(State(target, memory, c & live, audience), corrected) for c, corrected in options]

    def stand_in(self, target: int, memory: int) -> int:
        """The memory that stands for this one from `target` on."""
        for same in self.alike[target]:
            memory = same.stand_in(memory)
        return memory

    def counted(self, target: int) -> int:
        """The bits of counts that entering `target` may change."""
        if target >= self.first_ending:
            return 0
        node = self.nodes[target]
        counters = [self.counters[n] for n in {*node.looked_at, node.step.name} & {*self.counters}]
        return sum(counter.width << counter.shift for counter in counters)


def _with(counts: int, counter: Counter, value: int) -> int:
    return counts & ~(counter.width << counter.shift) | value << counter.shift


def _asks_more(when: Condition) -> bool:
    return bool(when.earlier) or when.audience is not None or when.own.attempts is not None


@dataclass(slots=True)
class Product:
    """All states that can be reached, a gate's outcome being free, and how they lead on.

    gaps: (state, cell) to which no branch applies; clashes: (state, cell, branches that all do).
    The states stand in the order of a breadth-first search.
    """

    plan: Plan
    states: list[State] = field(default_factory=list)
    edges: list[list[Edge]] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    clashes: list[tuple[int, int, tuple[int, ...]]] = field(default_factory=list)


def explore(plan: Plan) -> Product:
    """Raises TooBig above MAX_STATES states or MAX_EDGES edges."""
    product = Product(plan)
    states, index = product.states, dict[tuple[int, int, int, int], int]()

    def at(state: State) -> int:
        found = index.get(state)
        if found is None:
            found = index[state] = len(states)
            states.append(state)
        return found

    memory = plan.nothing_yet()
    start = plan.number[plan.graph.start]
    for audience in range(len(plan.graph.audiences)):
        for state, _ in plan.entered(start, memory, 0, audience):
            if at(state) not in product.starts:
                product.starts.append(at(state))
    stopped = at(State(plan.number[plan.graph.on_stop], 0, 0, -1))
    seen = [_seen(plan, number) for number in range(plan.first_ending)]
    known: dict[tuple[int, int, int, int], _Exits] = {}
    drawn = 0
    # `states` grows while it is gone through. What many states of a step share is found once, in
    # `_exits`; the rest is written out here, as it is done for each of them.
    for number, state in enumerate(states):
        edges: list[Edge] = []
        product.edges.append(edges)
        node, memory, counts, audience = state
        if node < plan.first_ending:
            asked, counted, who = seen[node]
            look = node, memory & asked, counts & counted, audience if who else -1
            exits = known.get(look)
            if exits is None:
                exits = known[look] = _exits(plan, state)
            for cell, branch, corrected, target, keep, put, keep_counts, put_counts in exits.moves:
                carried = memory & keep | put
                for same in plan.alike[target]:
                    carried = same.stand_in(carried)
                there = (
                    target,
                    carried,
                    counts & keep_counts | put_counts,
                    audience if plan.live_audience[target] else -1,
                )
                place = index.get(there)
                if place is None:
                    place = at(State(*there))
                edges.append(Edge(place, cell, branch, corrected))
            if exits.stops:
                edges.append(Edge(stopped, STOPPED, STOPPED, False))
            product.gaps += [(number, cell) for cell in exits.gaps]
            product.clashes += [(number, cell, branches) for cell, branches in exits.clashes]
            drawn += len(edges)
        if len(states) > MAX_STATES or drawn > MAX_EDGES:
            raise TooBig(_most_states(plan, states))
    return product


@dataclass(frozen=True, slots=True)
class _Exits:
    """How every state of a step is left that looks the same to the step's branches.

    moves: for each edge its cell, branch and mark, the node behind it, and what of memory and
    counts is carried over to it and put in. gaps, clashes: as in `Product`, without the state.
    """

    moves: tuple[tuple[int, int, bool, int, int, int, int, int], ...]
    gaps: tuple[int, ...]
    clashes: tuple[tuple[int, tuple[int, ...]], ...]
    stops: bool


def _seen(plan: Plan, number: int) -> tuple[int, int, bool]:
    """What of a state decides how its step is left: what its branches ask, and the counts that are
    looked at or grow where they lead."""
    memory, counts, audience = plan.uses[number]
    for target in plan.nodes[number].targets:
        counts |= plan.counted(target)
    return memory, counts, audience


def _exits(plan: Plan, state: State) -> _Exits:
    """The edges out of one state, one for each target, branch and verdict."""
    node = plan.nodes[state.node]
    found: dict[tuple[State, int, Verdict], tuple[int, int, bool, int, int, int, int, int]] = {}
    gaps, clashes = [], []
    gate = node.step.kind == "gate"
    view = plan.view(state) if any(node.conditional) else None
    for cell_number, cell in enumerate(node.cells):
        branches = node.possible[cell_number]
        if view is not None:
            branches = tuple(
                b
                for b in branches
                if not node.conditional[b]
                or holds(node.step.branches[b].when, node.step.name, cell.outcome, view)
            )
        if not branches:
            gaps.append(cell_number)
        elif len(branches) > 1:
            clashes.append((cell_number, branches))
        remembered = node.remembered[cell_number]
        memory = state.memory & ~node.own_bits | remembered
        for b in branches:
            target = node.targets[b]
            live, counted = plan.live_memory[target], plan.counted(target)
            keep, keep_counts = live & ~node.own_bits, plan.live_counts[target] & ~counted
            for arrival, corrected in plan.entered(target, memory, state.counts, state.audience):
                key = (arrival, b * len(node.cells) + cell_number if gate else b, cell.verdict)
                known = found.get(key)
                if known is None or (known[2] and not corrected):
                    carried = keep, remembered & live, keep_counts, arrival.counts & counted
                    found[key] = (cell_number, b, corrected, target, *carried)
    return _Exits(tuple(found.values()), tuple(gaps), tuple(clashes), not gate)


def _most_states(plan: Plan, states: Iterable[State]) -> str:
    tally: dict[int, int] = {}
    for state in states:
        tally[state.node] = tally.get(state.node, 0) + 1
    return plan.names[max(tally, key=lambda n: tally[n])]
