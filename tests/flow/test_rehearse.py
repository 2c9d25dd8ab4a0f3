"""Rehearsal: every branch that can be taken, no other, and as few walks as that needs.

The oracle is `tests.whole.rehearse_walks`: exact walks played with `holds` and `gate_outcome`, all
of them, one outcome after the other. It knows neither the prover nor the chart.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, look, step
from tests.whole import rehearse_walks
from verify.flow.graph import Graph
from verify.flow.proof import ProvenFlow, prove
from verify.flow.rehearse import Rehearsal, rehearse
from verify.words import Audience, Group


def proven(graph: Graph) -> ProvenFlow:
    found = prove(graph, CATALOGUE)
    assert isinstance(found, ProvenFlow), found
    return found


def by_brute_force(graph: Graph) -> set[tuple[str, int]]:
    """Every branch that some walk takes, all walks being played to their end."""
    taken = set()
    for here in rehearse_walks.Rehearsal(graph, CATALOGUE).explore():
        assert here.before is not None
        taken.add((here.before[1].step, here.before[1].branch))
    return taken


def check_walks(graph: Graph, found: Rehearsal) -> None:
    """Each walk is one: played again from its outcomes, through gates that find what it showed."""
    for walk in found.walks:
        players = rehearse_walks.Rehearsal(graph, CATALOGUE)
        here = players.start(walk.audience)
        for taken in walk:
            assert here.node == taken.step
            if graph.steps[taken.step].kind == "gate":
                here = next(players.following(here))
            else:
                here = players.step_on(here, taken.outcomes[0])
            assert here.before is not None
            assert here.before[1].branch == taken.branch
        assert here.node == walk.ending
        assert here.node in graph.endings


def random_proven(gates: bool, seeds: range) -> Iterator[tuple[int, ProvenFlow]]:
    for seed in seeds:
        found = prove(random_flow(seed, gates=gates), CATALOGUE)
        if isinstance(found, ProvenFlow):
            yield seed, found


@pytest.mark.parametrize("gates", [False, True])
def test_the_branches_taken_are_those_that_brute_force_takes(gates: bool) -> None:
    flows = infeasible = 0
    for seed, flow_ in random_proven(gates, range(1500)):
        found = rehearse(flow_, CATALOGUE)
        wanted = by_brute_force(flow_.graph)
        assert found.taken == wanted, seed
        assert set(found.infeasible) == set(found.items) - wanted, seed
        assert not found.unsettled
        assert found.coverage == 100.0
        assert found.at_least <= len(found.walks) <= len(wanted)
        check_walks(flow_.graph, found)
        flows += 1
        infeasible += bool(found.infeasible)
    assert flows > 50
    assert infeasible > 0
