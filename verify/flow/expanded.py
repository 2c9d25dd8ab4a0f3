"""A proven flow as a plain chart: states, events, ways, and no condition left on any of them.

    ProvenFlow ─expand→ Chart ─→ rehearsal, pictures, SCXML

A branch of a flow may ask for attempts, for an earlier outcome, for who works. A chart has a state
of its own for each answer to such a question, so that the event alone says where a way leads:

    idle@2                            the second time that “idle” is asked
    sleep+relearn/run:2               “relearn/run” was asked twice so far
    decide+leaks/look:visited         and the leak check was made before

Attempts and earlier outcomes make a state of their own only where something later turns on them;
else `idle` is the same state however often it was asked. The largest number that is named stands
for all above it too. A name holds what was asked, never what was not.

A gate is a state like any other, left by an event that nobody gives: `gate:hand-back`,
`gate:proof-to-follow` or `gate:neither`, whichever the live walk has proven. To expand by what was
proven would take a state for each set of required steps that passed, two to the power of fifteen in
a flow of fifteen. So every walk of the flow is a walk of the chart; the reverse holds of walks
whose gates say what they would have found. What no walk at all can have proven has no way.

Corrections are no part of it: the chart is the flow as it is walked, answer by answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from verify.flow.dataflow import Facts, solve
from verify.flow.digraph import reverse_postorder
from verify.flow.graph import NOT_VISITED, STOP, Catalogue, Graph, Look, Outcome, Step, holds
from verify.flow.phrases import outcome_words
from verify.flow.product import STOPPED, Edge, Node, Plan, Product, State
from verify.flow.proof import ProvenFlow
from verify.flow.spaces import Cell, truth_of, without_attempts
from verify.words import Audience, Verdict

GATE = "gate:"
CellKey = tuple[int, Verdict, str]


@dataclass(frozen=True, slots=True)
class Way:
    """One way out of a state: all outcomes that nothing in the flow tells apart.

    events: one for each label among them; outcomes: one with each of these labels, the first stands
    for all; words: the same for people. branch: its number at the step, STOPPED for `stop`.
    target: number of a state.
    """

    events: tuple[str, ...]
    words: tuple[str, ...]
    outcomes: tuple[Outcome, ...]
    verdict: Verdict
    branch: int
    target: int


@dataclass(frozen=True, slots=True)
class ChartState:
    """name: unique in its chart. at: the step or ending. attempt: 0 where nothing counts it.

    remembered: what else tells it from other states of the step, as it stands in the name.
    """

    name: str
    at: str
    attempt: int = 0
    remembered: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """ways: by state, in the order of the step's outcomes, `stop` last; () for an ending.

    The states stand in the order of a breadth-first search; the first is the start.
    """

    graph: Graph
    audience: Audience
    states: tuple[ChartState, ...]
    ways: tuple[tuple[Way, ...], ...]
    _cuts: Mapping[str, _Cut] = field(repr=False, compare=False)

    def event(self, step: str, outcome: Outcome) -> str:
        """The event that an outcome of a step is. KeyError where the step cannot have it."""
        return self._cuts[step].event(outcome)

    def follow(self, state: int, outcome: Outcome) -> int:
        """The state behind an outcome. Raises KeyError where no way is left by it."""
        event = self.event(self.states[state].at, outcome)
        for way in self.ways[state]:
            if event in way.events:
                return way.target
        raise KeyError(f"{self.states[state].name} is not left by {event}")


class _Cut:
    """The outcomes of one step as events."""

    def __init__(self, node: Node) -> None:
        self.step = step = node.step
        self.looks: list[Look] = list(node.asked)
        for branch in step.branches:
            bare = without_attempts(branch.when.own)
            if bare not in self.looks:
                self.looks.append(bare)
        self.events = _events(step, node.cells)
        self.words = tuple(
            tuple(dict.fromkeys(outcome_words(step, o) for o in cell.outcomes))
            for cell in node.cells
        )
        self._number: dict[CellKey, int] = {
            (c.truth, c.verdict, self._apart(c.outcome)): i for i, c in enumerate(node.cells)
        }

    def _apart(self, outcome: Outcome) -> str:
        return outcome.label if self.step.kind == "gate" else ""

    def event(self, outcome: Outcome) -> str:
        if outcome.label == STOP and self.step.kind != "gate":
            return STOP
        truth = truth_of(outcome, self.looks)
        cell = self._number[truth, self.step.counts(outcome), self._apart(outcome)]
        return self.events[cell][outcome.label]


def expand(proven: ProvenFlow, audience: Audience, catalogue: Catalogue) -> Chart:
    """The chart of a flow as `audience` walks it; catalogue: the one it was proven with.

    Raises ValueError for somebody the flow is not for. The order is that of the file.
    """
    if audience not in proven.graph.audiences:
        raise ValueError(f"the flow {proven.graph.flow_id} is not for {audience}")
    plan = Plan(replace(proven.graph, audiences=(audience,)), catalogue)
    walked = _without_corrections(plan)
    possible = solve(walked, Facts(plan)).edges
    cuts = {node.step.name: _Cut(node) for node in plan.nodes}
    alike = _alike(plan, walked, possible)
    order, number = _breadth_first(possible, walked.starts[0], alike)
    ways = tuple(
        tuple(
            _way(plan, walked.states[s], edge, number[alike[edge.target]], cuts)
            for edge in possible[s]
        )
        for s in order
    )
    members: list[list[State]] = [[] for _ in order]
    for state, group in alike.items():
        members[number[group]].append(walked.states[state])
    return Chart(proven.graph, audience, _named(plan, members), ways, cuts)


def _without_corrections(plan: Plan) -> Product:
    """All states that a walk without corrections can reach, a gate being free, and an edge for
    each set of outcomes that nothing tells apart."""
    product = Product(plan)
    index: dict[State, int] = {}

    def at(state: State) -> int:
        found = index.get(state)
        if found is None:
            found = index[state] = len(product.states)
            product.states.append(state)
        return found

    start = plan.number[plan.graph.start]
    product.starts.append(at(plan.entered(start, plan.nothing_yet(), 0, 0)[0][0]))
    on_stop = at(State(plan.number[plan.graph.on_stop], 0, 0, -1))
    asked = [_asked(plan, node) for node in plan.nodes]
    chosen: dict[tuple[int, int, int], tuple[int, ...]] = {}
    done = 0
    while done < len(product.states):
        state = product.states[done]
        done += 1
        edges: list[Edge] = []
        product.edges.append(edges)
        if state.node >= plan.first_ending:
            continue
        node = plan.nodes[state.node]
        memory_bits, count_bits = asked[state.node]
        key = state.node, state.memory & memory_bits, state.counts & count_bits
        if key not in chosen:
            chosen[key] = _branches(plan, state)
        kept = state.memory & ~node.own_bits
        for number, branch in enumerate(chosen[key]):
            target, counts = node.targets[branch], state.counts
            if target < plan.first_ending:
                own = plan.counters.get(plan.nodes[target].step.name)
                if own is not None:
                    count = min(own.read(counts) + 1, own.cap)
                    counts = counts & ~(own.width << own.shift) | count << own.shift
            there = State(
                target,
                (kept | node.remembered[number]) & plan.live_memory[target],
                counts & plan.live_counts[target],
                state.audience if plan.live_audience[target] else -1,
            )
            edges.append(Edge(at(there), number, branch, False))
        if node.step.kind != "gate":
            edges.append(Edge(on_stop, STOPPED, STOPPED, False))
    return product


def _asked(plan: Plan, node: Node) -> tuple[int, int]:
    """The bits of memory and counts that the branches of a node look at."""
    memory = counts = 0
    for name in node.earlier:
        memory |= plan.node(name).own_bits
    for name in node.looked_at:
        counter = plan.counters[name]
        counts |= counter.width << counter.shift
    return memory, counts


def _branches(plan: Plan, state: State) -> tuple[int, ...]:
    """The branch that each cell of the state's step takes; on a proven flow there is one."""
    node = plan.nodes[state.node]
    view = plan.view(state)
    found = []
    for cell, possible in zip(node.cells, node.possible, strict=True):
        (branch,) = (
            b
            for b in possible
            if not node.conditional[b]
            or holds(node.step.branches[b].when, node.step.name, cell.outcome, view)
        )
        found.append(branch)
    return tuple(found)


def _alike(plan: Plan, walked: Product, edges: Sequence[Sequence[Edge]]) -> dict[int, int]:
    """Each state with the one that stands for it: the same step and attempt, and the same from
    there on whatever comes. Exact, as a proven flow leads nowhere twice (walked backwards once)."""
    order = reverse_postorder([[e.target for e in out] for out in edges], walked.starts)
    first: dict[tuple[object, ...], int] = {}
    found: dict[int, int] = {}
    for state in reversed(order):
        here = walked.states[state]
        onward = tuple((e.cell, e.branch, found[e.target]) for e in edges[state])
        key = here.node, _attempt(plan, here), onward
        found[state] = first.setdefault(key, state)
    return found


def _attempt(plan: Plan, state: State) -> int:
    own = plan.counters.get(plan.names[state.node])
    return own.read(state.counts) if own is not None else 0


def _breadth_first(
    edges: Sequence[Sequence[Edge]], start: int, alike: Mapping[int, int]
) -> tuple[list[int], dict[int, int]]:
    order = [alike[start]]
    number = {alike[start]: 0}
    for state in order:
        for edge in edges[state]:
            there = alike[edge.target]
            if there not in number:
                number[there] = len(order)
                order.append(there)
    return order, number


def _way(plan: Plan, state: State, edge: Edge, target: int, cuts: Mapping[str, _Cut]) -> Way:
    node = plan.nodes[state.node]
    if edge.branch == STOPPED:
        words = (outcome_words(node.step, Outcome(STOP)),)
        return Way((STOP,), words, (Outcome(STOP),), Verdict.FAIL, STOPPED, target)
    cut, cell = cuts[node.step.name], node.cells[edge.cell]
    events = tuple(cut.events[edge.cell].values())
    return Way(events, cut.words[edge.cell], cell.outcomes, cell.verdict, edge.branch, target)


# --- what things are called ---


def _events(step: Step, cells: Sequence[Cell]) -> tuple[dict[str, str], ...]:
    """For each cell: label → event. A label that several cells share gets what tells them apart.

    An event as SCXML has it: letters, digits, `-`, `_` and `:`. What tells it apart stands behind a
    single `.`, since SCXML takes `fail.a` for a kind of `fail`, and `fail.a.b` for one of `fail.a`.
    """
    if step.kind == "gate":
        return tuple({c.outcome.label: GATE + c.outcome.label} for c in cells)
    sharing: dict[str, int] = {}
    for cell in cells:
        for outcome in cell.outcomes:
            sharing[outcome.label] = sharing.get(outcome.label, 0) + 1
    taken: set[str] = set()
    found: list[dict[str, str]] = []
    for cell in cells:
        names = {}
        for outcome in cell.outcomes:
            name = outcome.label
            if sharing[name] > 1:
                name += f".{_telling(outcome) or cell.verdict.value}"
                stem, count = name, 1
                while name in taken:
                    count += 1
                    name = f"{stem}_{count}"
            taken.add(name)
            names[outcome.label] = name
        found.append(names)
    return tuple(found)


def _telling(outcome: Outcome) -> str:
    if outcome.items:
        return "_".join(sorted(outcome.items))
    if outcome.value is not None:
        return str(outcome.value).replace("-", "minus-").replace("/", "-over-")
    shown = [c for c in outcome.checks if outcome.label == "pass" or c[1] is not Verdict.PASS]
    return "_".join(f"{check}:{finding}" for check, _, finding in shown)


def _named(plan: Plan, groups: Sequence[Sequence[State]]) -> tuple[ChartState, ...]:
    """A state that stands for several is called by what is the same in all of them; where that is
    no name of its own, by all that is remembered in one of them."""
    words: dict[tuple[str, int, int], str] = {}
    taken: set[str] = set()
    found = []
    for group in groups:
        state = group[-1]
        at, attempt = plan.names[state.node], _attempt(plan, state)
        differ = _differences(s.memory for s in group), _differences(s.counts for s in group)
        for memory, counts in (differ, (0, 0)):
            remembered = tuple(_remembered(plan, state, memory, counts, words))
            name = "+".join([f"{at}@{attempt}" if attempt else at, *remembered])
            if name not in taken:
                break
        stem, count = name, 1
        while name in taken:  # outcomes cut under the same labels
            count += 1
            name = f"{stem}+other:{count}"
        taken.add(name)
        found.append(ChartState(name, at, attempt, remembered))
    return tuple(found)


def _remembered(
    plan: Plan, state: State, memory: int, counts: int, words: dict[tuple[str, int, int], str]
) -> Iterator[str]:
    """What a state remembers beside its own attempts, but for these bits."""
    for name, counter in plan.counters.items():
        count = counter.read(state.counts)
        if name != plan.names[state.node] and count and not counter.read(counts):
            yield f"{name}:{count}"
    for other in plan.nodes:
        live = plan.live_memory[state.node] & other.own_bits
        if live and not memory & live:
            key = other.step.name, live, state.memory & live
            if key not in words:
                words[key] = _seen(other, live, state.memory & live)
            if words[key] != NOT_VISITED:
                yield f"{other.step.name}:{words[key]}"


def _differences(values: Iterable[int]) -> int:
    """The bits that are not the same in all of them."""
    every, some = -1, 0
    for value in values:
        every &= value
        some |= value
    return some & ~every


def _seen(node: Node, live: int, memory: int) -> str:
    """The labels that agree with what is remembered of a step; those that do not, if fewer."""
    mask, bits = live >> node.shift, memory >> node.shift
    labels = dict.fromkeys([NOT_VISITED, *(o.label for c in node.cells for o in c.outcomes)])
    fitting = dict.fromkeys(
        o.label for c in node.cells if c.truth & mask == bits for o in c.outcomes
    )
    if truth_of(None, node.asked) & mask == bits:
        fitting = {NOT_VISITED: None, **fitting}
    others = [label for label in labels if label not in fitting]
    if len(others) < len(fitting):
        return "visited" if others == [NOT_VISITED] else "not-" + "-nor-".join(others)
    return "-or-".join(fitting)
