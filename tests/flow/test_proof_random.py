"""The prover against all walks of small random flows, rule by rule and step by step.

The enumeration (`brute`) is written from the words of the design; it knows nothing of cells,
liveness or bit vectors. Without gates both must say exactly the same. With gates the prover knows
less than the walk does (it follows a gate's outcome where it cannot rule it out), so there it may
be stricter, and never more lenient in what concerns safety.
"""

from __future__ import annotations

from collections import Counter

from tests.flow.brute import Brute, TooLarge, Violation
from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE
from verify.flow.graph import Graph
from verify.flow.proof import ProvenFlow, prove

WITHOUT_GATES = 700
WITH_GATES = 1500


def found(graph: Graph) -> set[Violation]:
    result = prove(graph, CATALOGUE)
    return set() if isinstance(result, ProvenFlow) else {(f.rule, f.step) for f in result}


def comparable(violations: set[Violation]) -> set[Violation]:
    """A loop has no first step; of what cannot be reached the prover names only the first."""
    vague = ("endless-loop", "unreachable")
    return {(rule, "" if rule in vague else step) for rule, step in violations}


def unreachable(violations: set[Violation]) -> set[str]:
    return {step for rule, step in violations if rule == "unreachable"}


def test_without_gates_prover_and_enumeration_say_the_same_of_every_rule() -> None:
    rules: Counter[str] = Counter()
    accepted = too_large = 0
    for seed in range(WITHOUT_GATES):
        graph = random_flow(seed, gates=False)
        said = found(graph)
        try:
            true = Brute(graph, CATALOGUE, limit=20_000).violations
        except TooLarge:
            too_large += 1
            continue
        assert comparable(said) == comparable(true), f"seed {seed}"
        assert unreachable(said) <= unreachable(true), f"seed {seed}"
        accepted += not said
        rules.update({rule for rule, _ in said})
    print(f"{WITHOUT_GATES} flows, {accepted} accepted, {too_large} too large; {dict(rules)}")
    assert accepted >= 30
    assert too_large <= WITHOUT_GATES // 50
    walked = {
        "hand-back", "proof-to-follow", "second-throw", "codes-saved-first", "no-branch",
        "drive-after-clearing", "promise-before", "promise-never", "two-branches",
        "endless-loop", "unreachable", "branch-never-taken",
    }  # fmt: skip
    assert not {rule for rule in walked if rules[rule] < 5}


def test_with_gates_an_accepted_flow_has_no_walk_that_violates_a_rule() -> None:
    accepted = stricter = lenient = 0
    for seed in range(WITH_GATES):
        graph = random_flow(seed, gates=True)
        said = found(graph)
        true = Brute(graph, CATALOGUE, limit=20_000).violations
        # What the prover takes for reachable need not be; that hurts nobody.
        harmless = {(r, s) for r, s in true if r in ("unreachable", "branch-never-taken")}
        assert comparable(true - harmless) <= comparable(said), f"seed {seed}"
        assert unreachable(said) <= unreachable(true), f"seed {seed}"
        accepted += not said
        stricter += bool(comparable(said) - comparable(true))
        lenient += not said and bool(true)
    print(
        f"{WITH_GATES} flows with gates, {accepted} accepted; stricter than need be: {stricter}; "
        f"accepted with something that no walk reaches: {lenient}"
    )
    assert accepted >= 50
    assert stricter <= WITH_GATES // 20


def test_attempts_left_by_corrections_matter_only_where_a_branch_looks_at_them() -> None:
    compared = 0
    for seed in range(150):
        graph = random_flow(seed, gates=seed % 3 == 0)
        try:
            everywhere = Brute(graph, CATALOGUE, limit=20_000).violations
            looked_at = Brute(graph, CATALOGUE, limit=20_000, anywhere=False).violations
        except TooLarge:
            continue
        assert everywhere == looked_at, f"seed {seed}"
        compared += 1
    assert compared >= 140
