"""Damages of the flows that are shipped: too large for all walks, so a sample, and walks by chance.

A damage the prover lets through is walked at random with the whole past kept, every outcome along
the walk looked at; that can find harm and cannot rule it out. The enumeration of all walks is in
`test_damages`, on flows made small enough for it. Of the findings of a check only those are told
apart that some condition names: seven checks with a dozen findings each would make ten million
outcomes of one step.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import pytest

from tests.flow.brute import Brute
from tests.flow.damages import KINDS, damages
from tests.flow.rule_flows import FLOWS
from tests.flow.small import CATALOGUE
from tests.flow.test_damages import why_harmless
from verify.flow.graph import Catalogue, Graph
from verify.flow.proof import ProvenFlow, prove
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow
from verify.words import Verdict

OF_A_KIND = 3


def told_apart(graph: Graph, known: Catalogue) -> Catalogue:
    """Of each check the findings that conditions of this graph name, and one other a verdict."""
    named: set[tuple[str, str]] = set()
    for step in graph.steps.values():
        for branch in step.branches:
            for look in (branch.when.own, *(look for _, look in branch.when.earlier)):
                for check, allowed in look.findings or ():
                    named |= {(check, word) for word in allowed}
    checks: dict[str, dict[str, Verdict]] = {}
    for check, findings in known.checks.items():
        kept: dict[str, Verdict] = {}
        others: set[Verdict] = set()
        for finding, verdict in findings.items():
            if (check, finding) in named or verdict not in others:
                kept[finding] = verdict
                if (check, finding) not in named:
                    others.add(verdict)
        checks[check] = kept
    return replace(known, checks=checks)


def test_findings_that_a_condition_names_are_kept_and_every_verdict_with_them() -> None:
    known = catalogue()
    graph = load_flow("throttle-body-replaced", known).graph
    thin = told_apart(graph, known)
    fails = {f for f, v in thin.checks["warm-up"].items() if v is Verdict.FAIL}
    assert fails == {"overheats", "too-cold", "falls-on-the-road"}
    for check, findings in known.checks.items():
        assert set(thin.checks[check].values()) == set(findings.values())
    assert len(thin.checks["hesitation"]) == 3


@pytest.mark.parametrize("rule", ["no-branch", "hand-back", "second-throw", "codes-saved-first"])
def test_walks_by_chance_find_harm_where_it_is(rule: str) -> None:
    kept, broken = FLOWS[rule]()
    assert not Brute(kept, CATALOGUE, wander=100).violations
    assert rule in Brute(broken, CATALOGUE, wander=100).rules()


@pytest.mark.parametrize("name", flow_names())
def test_a_spoilt_library_flow_is_refused_or_walks_by_chance_find_no_harm(name: str) -> None:
    known = catalogue()
    graph = load_flow(name, known).graph
    every = list(damages(graph))
    sample = []
    for kind in KINDS:
        same = [d for d in every if d.kind == kind]
        sample += islice(same, 0, None, max(1, len(same) // OF_A_KIND))
    refused = 0
    for damage in sample:
        if not isinstance(prove(damage.graph, known), ProvenFlow):
            refused += 1
            continue
        thin = told_apart(damage.graph, known)
        found = Brute(damage.graph, thin, anywhere=False, wander=60).violations
        print(f"  let through: {damage.kind}: {damage.what}: {why_harmless(damage)}")
        assert not found, f"{damage.kind}: {damage.what}"
    print(f"{name}: {len(sample)} of {len(every)} damages, {refused} refused")
    assert refused >= len(sample) // 2
