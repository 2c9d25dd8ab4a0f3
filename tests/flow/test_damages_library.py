"""Damages of the flows that are shipped: too large for all walks, so a sample, and walks by chance.

A damage the prover lets through is walked at random with the whole past kept, every outcome along
the walk looked at; that can find harm and cannot rule it out. The enumeration of all walks is in
`test_damages`, on flows made small enough for it.
"""

from __future__ import annotations

from itertools import islice

import pytest

from tests.flow.brute import Brute
from tests.flow.damages import KINDS, damages
from tests.flow.rule_flows import FLOWS
from tests.flow.small import CATALOGUE
from tests.flow.test_damages import why_harmless
from verify.flow.proof import ProvenFlow, prove
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow

OF_A_KIND = 3


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
        found = Brute(damage.graph, known, anywhere=False, wander=60).violations
        print(f"  let through: {damage.kind}: {damage.what}: {why_harmless(damage)}")
        assert not found, f"{damage.kind}: {damage.what}"
    print(f"{name}: {len(sample)} of {len(every)} damages, {refused} refused")
    assert refused >= len(sample) // 2
