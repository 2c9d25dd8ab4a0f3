"""Memories followed one for all: the same findings as where each is followed for itself."""

from __future__ import annotations

import pytest

from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow import alike, product
from verify.flow.graph import Catalogue, Graph
from verify.flow.product import Plan, explore
from verify.flow.proof import ProvenFlow, prove
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow


def said(graph: Graph, checks: Catalogue) -> tuple[object, ...]:
    """Every finding with its message and walk."""
    result = prove(graph, checks)
    return () if isinstance(result, ProvenFlow) else result


@pytest.fixture
def apart(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """A prover that follows every memory for itself, once `setattr` was called on it."""
    return monkeypatch


def two_memories() -> Graph:
    """A drive and an idle with three answers each; what came of both decides between two places."""
    answers = {"good": "Good", "poor": "Poor", "bad": "Bad"}
    pairs = [(a, b) for a in ("good", "poor", "cannot") for b in ("good", "poor", "cannot")]
    return flow(
        step("ask", "drive", go(["good", "poor", "cannot"], "idle"), go("bad", "tow"),
             answers=answers, passes=["good"]),
        step("ask", "idle", go(["good", "poor", "cannot"], "quiet"), go("bad", "tow"),
             answers=answers, passes=["good"]),
        step("ask", "quiet", go(["yes", "no", "cannot"], "which")),
        step("ask", "which",
             *(go(["yes", "no", "cannot"],
                  "diagnosis" if "poor" in pair else "tow",
                  earlier={"drive": look(pair[0]), "idle": look(pair[1])}) for pair in pairs)),
        endings=("diagnosis", "tow"),
    )  # fmt: skip


def test_what_no_branch_tells_apart_is_one_memory(apart: pytest.MonkeyPatch) -> None:
    graph = two_memories()
    merged = set(explore(Plan(graph, CATALOGUE)).states)
    findings = said(graph, CATALOGUE)
    apart.setattr(product, "alike_everywhere", lambda plan: [()] * len(plan.names))
    every = set(explore(Plan(graph, CATALOGUE)).states)
    assert len(merged) <= len(every)
    assert said(graph, CATALOGUE) == findings


def test_random_flows_get_the_same_findings(apart: pytest.MonkeyPatch) -> None:
    graphs = [random_flow(seed, gates=bool(seed % 2)) for seed in range(600)]
    apart.setattr(alike, "FEWEST_BITS", 2)  # small flows remember little
    merged = [{(f.rule, f.step) for f in said(g, CATALOGUE)} for g in graphs]
    apart.setattr(product, "alike_everywhere", lambda plan: [()] * len(plan.names))
    every = [{(f.rule, f.step) for f in said(g, CATALOGUE)} for g in graphs]
    assert merged == every
    assert sum(1 for found in every if found) > 200


@pytest.mark.parametrize("name", flow_names())
def test_the_library_proves_either_way_with_no_more_states(
    apart: pytest.MonkeyPatch, name: str
) -> None:
    graph = load_flow(name, catalogue()).graph
    merged = len(explore(Plan(graph, catalogue())).states)
    assert said(graph, catalogue()) == ()
    apart.setattr(product, "alike_everywhere", lambda plan: [()] * len(plan.names))
    every = len(explore(Plan(graph, catalogue())).states)
    assert said(graph, catalogue()) == ()
    assert merged <= every
    if name == "throttle-body-replaced":
        assert merged < 0.8 * every
