"""N-switch items against published worked examples.

Sources: the chart start–S1–S2–S3–end is printed at myideasandexperiences.blogspot.com (2017-12),
which counts 7 pairs because it drops FF; the claim states ACT, ACC, DIS, CLO at
devpeace.com/testing/42507861. N-switch: ISO/IEC/IEEE 29119-4, clauses 5.2.8 and 6.2.8.
"""

from __future__ import annotations

import pytest

from tests.flow.small import flow, go, look, step
from verify.flow.rehearse_counts import branch_transitions, pairs_taken, sequences

WORKED = [
    ("start", "A", "S1"),
    ("S1", "B", "S2"),
    ("S2", "E", "S1"),
    ("S2", "C", "S3"),
    ("S3", "F", "S3"),
    ("S3", "D", "end"),
]


def events(switches: int, start: str = "") -> list[str]:
    return ["".join(t[1] for t in row) for row in sequences(WORKED, switches, start)]


def test_the_worked_example_has_six_transitions_and_eight_pairs_and_not_seven() -> None:
    assert events(0) == ["A", "B", "E", "C", "F", "D"]
    assert sorted(events(1)) == sorted(["AB", "EB", "BE", "BC", "CF", "CD", "FF", "FD"])


def test_pairs_are_ways_in_times_ways_out_of_each_state() -> None:
    states = {t[0] for t in WORKED} | {t[2] for t in WORKED}
    product = sum(
        sum(t[2] == state for t in WORKED) * sum(t[0] == state for t in WORKED) for state in states
    )
    assert len(events(1)) == product == 8


def test_the_claim_states_have_four_transitions_and_twelve_pairs_from_act() -> None:
    # From ACT one transition to each state; these have 4, 2, 2 and 4 ways on.
    ways = {"ACT": 4, "ACC": 2, "DIS": 2, "CLO": 4}
    chart = [("ACT", f"to {name}", name) for name in ways]
    chart += [
        (name, f"{name} {number}", "ACT")
        for name, count in ways.items()
        if name != "ACT"
        for number in range(count)
    ]
    assert len(list(sequences(chart, 0, "ACT"))) == 4
    assert len(list(sequences(chart, 1, "ACT"))) == 12


def test_a_sequence_has_a_transition() -> None:
    with pytest.raises(ValueError, match="at least one"):
        list(sequences(WORKED, -1))


def test_the_branches_of_a_flow_are_its_transitions_and_walks_take_pairs_of_them() -> None:
    graph = flow(
        step("ask", "one", go("yes", "two"), go(look(["no", "cannot"]), "tow")),
        step("ask", "two", go("yes", "diagnosis"), go(look(["no", "cannot"]), "tow")),
    )
    assert branch_transitions(graph) == [
        ("one", "0", "two"), ("one", "1", "tow"), ("two", "0", "diagnosis"), ("two", "1", "tow"),
    ]  # fmt: skip
    assert len(list(sequences(branch_transitions(graph), 1))) == 2
    assert pairs_taken([[("one", 0), ("two", 0)], [("one", 0), ("two", 0)], [("one", 1)]]) == 1
