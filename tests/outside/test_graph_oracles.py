"""Graph and interval code against independent libraries: networkx and portion."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import pairwise

import networkx as nx
import portion as P
import pytest

from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.digraph import components, cyclic_nodes, reachable, reverse_postorder
from verify.flow.graph import Graph
from verify.flow.proof import prove
from verify.flow.spaces import cells, cut_values


def random_digraph(rng: random.Random, nodes: int, edges: int) -> list[list[int]]:
    found: list[list[int]] = [[] for _ in range(nodes)]
    for _ in range(edges):
        found[rng.randrange(nodes)].append(rng.randrange(nodes))
    return found


def to_networkx(successors: list[list[int]]) -> nx.DiGraph:
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(successors)))
    graph.add_edges_from((a, b) for a, inner in enumerate(successors) for b in inner)
    return graph


@pytest.mark.parametrize("seed", range(60))
def test_components_reach_and_order_agree_with_networkx(seed: int) -> None:
    rng = random.Random(seed)
    nodes = rng.randint(1, 60)
    successors = random_digraph(rng, nodes, rng.randint(0, 2 * nodes))
    graph = to_networkx(successors)
    assert {frozenset(g) for g in components(successors)} == {
        frozenset(g) for g in nx.strongly_connected_components(graph)
    }
    assert (
        {i for g in cyclic_nodes(successors) for i in g}
        == {i for cycle in nx.simple_cycles(graph, length_bound=None) for i in cycle}
        if nodes < 12
        else True
    )
    start = rng.randrange(nodes)
    reached = nx.descendants(graph, start) | {start}
    assert reachable(successors, [start]) == reached
    order = reverse_postorder(successors, [start])
    assert set(order) == reached
    inside = graph.subgraph(reached)
    if nx.is_directed_acyclic_graph(inside):
        place = {node: i for i, node in enumerate(order)}
        assert all(place[a] < place[b] for a, b in inside.edges)


def asking(successors: list[list[int]], promises: list[tuple[str, str, str]]) -> Graph:
    """A flow of optional questions, one answer for each successor; without one it ends."""
    steps = []
    for number, inner in enumerate(successors):
        targets = [f"n{i}" for i in dict.fromkeys(inner)] or ["diagnosis"]
        answers = {f"a{i}": f"A {i}" for i in range(len(targets) + 1)}
        branches = [go(f"a{i}", target) for i, target in enumerate(targets)]
        branches.append(go([f"a{len(targets)}", "cannot"], "diagnosis"))
        steps.append(
            step("ask", f"n{number}", *branches, answers=answers, passes=(), optional=True)
        )
    return flow(*steps, promises=promises)


@pytest.mark.parametrize("seed", range(40))
def test_before_is_dominance_and_unreachable_is_what_networkx_does_not_reach(seed: int) -> None:
    """`first` before `then` holds exactly where `first` dominates `then` (and is another step)."""
    rng = random.Random(seed)
    nodes = rng.randint(2, 12)
    successors = random_digraph(rng, nodes, rng.randint(nodes - 1, 2 * nodes))
    graph = to_networkx(successors)
    reached = nx.descendants(graph, 0) | {0}
    immediate = nx.immediate_dominators(graph, 0)
    pairs = [(rng.randrange(nodes), rng.randrange(nodes)) for _ in range(15)]
    for first, then in pairs:
        result = prove(asking(successors, [("before", f"n{first}", f"n{then}")]), CATALOGUE)
        found = result if isinstance(result, tuple) else ()
        dominators = set()
        node = then
        while then in reached and node != 0:
            node = immediate[node]
            dominators.add(node)
        broken = [f for f in found if f.rule == "promise-before"]
        assert bool(broken) == (then in reached and first not in dominators)
        for finding in broken:
            # The walk is the shortest that avoids `first`.
            avoiding = graph.copy()
            if first != then:
                avoiding.remove_node(first)
            assert len(finding.walk) == nx.shortest_path_length(avoiding, 0, then)
        missing = [f for f in found if f.rule == "unreachable"]
        assert bool(missing) == (len(reached) < nodes)
        assert {int(f.step[1:]) for f in missing} <= set(range(nodes)) - reached
        loops = any(f.rule == "endless-loop" for f in found)
        assert loops == (not nx.is_directed_acyclic_graph(graph.subgraph(reached)))


def as_portion(ends: tuple[int | None, int | None]) -> P.Interval:
    low, high = ends
    return P.closedopen(-P.inf if low is None else low, P.inf if high is None else high)


@pytest.mark.parametrize("seed", range(120))
def test_gaps_and_overlaps_of_number_branches_agree_with_portion(seed: int) -> None:
    """Half-open intervals drawn by chance, half the time made to fit."""
    rng = random.Random(seed)
    if seed % 2:
        cuts = sorted(rng.sample(range(12), rng.randint(1, 4)))
        drawn: list[tuple[int | None, int | None]] = list(pairwise([None, *cuts, None]))
        if rng.random() < 0.5:
            drawn.pop(rng.randrange(len(drawn)))
    else:
        drawn = []
        for _ in range(rng.randint(1, 4)):
            low, high = sorted(rng.sample(range(12), 2))
            drawn.append((rng.choice((None, low)), rng.choice((None, high))))
    branches = [go(look("taken", value=ends), "diagnosis") for ends in drawn]
    reading = step("reading", "idle", *branches, go("cannot", "diagnosis"), optional=True)
    result = prove(flow(reading), CATALOGUE)
    rules = {f.rule for f in result} if isinstance(result, tuple) else set()
    covered = P.empty()
    overlap = P.empty()
    for interval in map(as_portion, drawn):
        overlap |= covered & interval
        covered |= interval
    assert ("no-branch" in rules) == (covered != P.open(-P.inf, P.inf))
    assert ("two-branches" in rules) == (not overlap.empty)


@pytest.mark.parametrize("seed", range(40))
def test_the_pieces_of_the_number_line_are_those_of_portion(seed: int) -> None:
    rng = random.Random(1000 + seed)
    drawn = []
    for _ in range(rng.randint(1, 5)):
        low, high = sorted(rng.sample(range(20), 2))
        drawn.append((Fraction(low), Fraction(high)))
    values = cut_values(drawn)
    intervals = [P.closedopen(*ends) for ends in drawn]
    # Every piece, as the set of intervals it lies in, is met by one of the values.
    ends = sorted({e for pair in drawn for e in pair})
    middles = [(a + b) / 2 for a, b in pairwise(ends)]
    samples = [ends[0] - 7, *ends, *middles, ends[-1] + 7]
    pieces = {tuple(v in interval for interval in intervals) for v in samples}
    assert {tuple(v in interval for interval in intervals) for v in values} == pieces
    looks = [look("taken", value=(int(a), int(b))) for a, b in drawn]
    found = cells(step("reading", "idle", optional=True), looks, CATALOGUE)
    truths = {c.truth for c in found if c.outcome.label == "taken"}
    assert truths == {sum(1 << i for i, inside in enumerate(piece) if inside) for piece in pieces}
