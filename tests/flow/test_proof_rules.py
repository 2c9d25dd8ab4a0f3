"""Every rule: a flow that keeps it, one that breaks it, and what is then said, word by word.

The flows themselves stand in `rule_flows`.
"""

from __future__ import annotations

import pytest

from tests.flow.rule_flows import FLOWS
from tests.flow.small import CATALOGUE
from verify.flow import product
from verify.flow.proof import RULES, Finding, ProvenFlow, prove

SAID = {
    "names": "brakes: “Brakes” leads to “handed-over”, which is no step or ending.",
    "caution": "drive: “Drive” means “road-test”, but does not name the hazard “traffic”.",
    "grade": "warm-idle: “Warm idle” is satisfied with read instead of recorded, without a reason.",
    "group": (
        "brakes: “Brakes” is required, but does not say which question about the car it answers."
    ),
    "later": (
        "idle: “Idle” may stay open when the car leaves, "
        "but does not say what would settle it later."
    ),
    "never-passes": "brakes: “Brakes” is required, but none of its outcomes passes.",
    "too-big": (
        "q19: More than 1,000,000 combinations of steps and what is remembered. "
        "Most are at “Q19”, where later branches still ask about "
        "“Q0”, “Q1”, “Q2”, “Q3”, “Q4” and 14 more."
    ),
    "no-branch": (
        "road-test: After “Road test” answered “hard pedal”, "
        "with “Warm idle” undecided (idle-speed: adapting), no branch applies.\n"
        "  Warm idle: undecided (idle-speed: adapting)"
    ),
    "two-branches": (
        "idle: After “Idle” 650 rpm, branch 1 (to “Back to diagnosis”) "
        "and branch 2 (to “Brakes”) both apply."
    ),
    "endless-loop": (
        "leak: “Leak” and “Clamps” can be gone round without end: no count of attempts ends it.\n"
        "  Leak: “No”\n"
        "  Clamps: done"
    ),
    "unreachable": (
        "bleed: No walk reaches the step “Bleed”. "
        "Nor, for that reason, “Refill” or “Relearn elsewhere”."
    ),
    "branch-never-taken": (
        "brakes: After “Brakes”, branch 3 (to “Relearn elsewhere”) can never be taken."
    ),
    "promise-before": "start: “Start” can be reached before “Chock” has been.\n  Complaint: “No”",
    "promise-never": (
        "drive: “Drive” can be reached although “Brakes” did not pass when last asked.\n"
        "  Brakes: “No”"
    ),
    "codes-saved-first": (
        "clear: “Clear” clears codes, and can be reached before they were saved.\n"
        "  Save: cannot be done"
    ),
    "drive-after-clearing": (
        "handed-back: “Hand back” can be reached although no road test passed since codes were "
        "cleared.\n"
        "  Save: done\n"
        "  Drive: “Yes”\n"
        "  Clear: done\n"
        "  Gone: “Yes”"
    ),
    "hand-back": (
        "handed-back: “Hand back” can be reached although “Pedal” has not passed.\n"
        "  Pedal: cannot be done\n"
        "  Brakes: “Yes”\n"
        "  Gone: “Yes”"
    ),
    "proof-to-follow": (
        "to-follow: “Proof to follow” can be reached although “Pedal” has not passed, "
        "without which the car is not safe to drive.\n"
        "  Pedal: cannot be done"
    ),
    "failed-to-follow": (
        "to-follow: “Proof to follow” can be reached although “Idle” has failed: what has failed "
        "is not open, and nothing is left that could follow.\n"
        "  Pedal: “Yes”\n"
        "  Idle: “No”\n"
        "  Enough: proof to follow"
    ),
    "safe-unasked": (
        "handed-back: “Hand back” can be reached, but no required step shows that the car is safe "
        "to drive. “Soak” can never speak against the car.\n"
        "  Soak: done\n"
        "  Gone: “Yes”"
    ),
    "gone-unasked": (
        "handed-back: “Hand back” can be reached, but no required step asks whether the complaint "
        "is gone.\n"
        "  Brakes: “Yes”"
    ),
    "second-throw": (
        "pedal: “Pedal” can be asked again after it failed, although nothing was done to the car "
        "in between.\n"
        "  Pedal: “No”\n"
        "  Connector: done"
    ),
}


def shown(findings: tuple[Finding, ...]) -> str:
    """Findings as text: "step: message", and the walk below it."""
    return "\n".join(
        "\n  ".join([f"{f.step}: {f.message}" if f.step else f.message, *f.walk]) for f in findings
    )


def findings(result: ProvenFlow | tuple[Finding, ...]) -> tuple[Finding, ...]:
    assert isinstance(result, tuple), "the flow was proven"
    return result


def test_every_rule_has_a_flow_that_breaks_it() -> None:
    assert list(RULES) == list(SAID) == list(FLOWS)


@pytest.mark.parametrize("rule", [r for r in RULES if r != "too-big"])
def test_a_flow_that_keeps_a_rule_is_proven_and_one_that_breaks_it_is_told_so(rule: str) -> None:
    kept, broken = FLOWS[rule]()
    result = prove(kept, CATALOGUE)
    assert isinstance(result, ProvenFlow)
    assert result.graph is kept
    found = findings(prove(broken, CATALOGUE))
    assert [f.rule for f in found] == [rule]
    assert shown(found) == SAID[rule]


def test_too_much_memory_is_a_finding_and_no_hang(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty-one remembered questions are two million states: more than the bound.

    Going to the true bound takes many seconds; `benchmarks/prove.py` does that.
    """
    assert product.MAX_STATES == 1_000_000
    kept, broken = FLOWS["too-big"]()
    assert isinstance(prove(kept, CATALOGUE), ProvenFlow)
    # Breadth first: the bound of 2 to the 10th is passed among the states of the tenth question.
    monkeypatch.setattr(product, "MAX_STATES", 2**10)
    found = findings(prove(broken, CATALOGUE))
    assert [f.rule for f in found] == ["too-big"]
    expected = (
        SAID["too-big"].replace("q19", "q9").replace("Q19", "Q9").replace("14 more", "4 more")
    )
    assert shown(found) == expected
