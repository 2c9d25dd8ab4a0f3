"""What the rule flows leave out: who makes a ProvenFlow, corrections, words, floods, bounds."""

from __future__ import annotations

import copy
import pickle
import re
from dataclasses import FrozenInstanceError, replace
from fractions import Fraction

import pytest

from tests.flow.rule_flows import check, done
from tests.flow.small import CATALOGUE, closing, flow, go, look, step
from tests.flow.test_proof_rules import findings, shown
from verify.flow.finding import MOST_OF_A_RULE
from verify.flow.graph import Graph, Look, Outcome, look_holds
from verify.flow.phrases import listed, number_words, times
from verify.flow.proof import ProvenFlow, prove
from verify.flow.spaces import MAX_CELLS, TooMany, cells, cut_values
from verify.words import Audience, Grade, Group, Verdict

HB = ("handed-back", "diagnosis", "tow")


def said(graph: Graph) -> str:
    return shown(findings(prove(graph, CATALOGUE)))


# who makes a ProvenFlow


def test_nothing_but_prove_makes_a_proven_flow() -> None:
    graph = closing(check("brakes", "handed-back"), endings=HB)
    proven = prove(graph, CATALOGUE)
    assert isinstance(proven, ProvenFlow)
    with pytest.raises(TypeError, match="only prove"):
        ProvenFlow(graph, object())
    with pytest.raises(TypeError):
        ProvenFlow(graph)  # type: ignore[call-arg]
    other = replace(graph, title="Another")
    with pytest.raises((TypeError, ValueError)):
        replace(proven, graph=other)
    with pytest.raises(FrozenInstanceError):
        proven.graph = other  # type: ignore[misc]
    with pytest.raises(TypeError, match="prove the flow again"):
        pickle.dumps(proven)
    with pytest.raises(TypeError):
        copy.copy(proven)


# attempts that corrections leave behind


def test_a_count_that_only_corrections_can_reach_needs_a_branch_too() -> None:
    """The step is entered once, and yet a third attempt is possible: it was corrected twice."""
    pedal = step(
        "ask", "pedal", go(look("yes", attempts=(1, 3)), "handed-back"),
        go(["no", "cannot"], "diagnosis"),
    )  # fmt: skip
    assert said(closing(pedal, endings=HB)) == (
        "pedal: After “Pedal” answered “Yes” the 3rd time, no branch applies."
    )


def test_a_walk_says_where_it_counts_corrected_answers() -> None:
    pedal = step(
        "ask", "pedal", go(look("yes", attempts=(1, 2)), "brakes"),
        go(look("yes", attempts=(2, None)), "handed-back"), go(["no", "cannot"], "diagnosis"),
    )  # fmt: skip
    assert said(closing(pedal, check("brakes", "handed-back"), endings=HB)) == (
        "handed-back: “Hand back” can be reached although “Brakes” has not passed.\n"
        "  Pedal (2nd time, corrected answers counted): “Yes”\n"
        "  Gone: “Yes”"
    )


def test_attempts_at_another_step_may_be_left_though_the_walk_never_went_there() -> None:
    """Asked first about "leak", then corrected past it: not visited, and yet attempted."""
    noise = step("ask", "noise", go("yes", "leak"), go(["no", "cannot"], "idle"), optional=True)
    leak = step("ask", "leak", go(["yes", "no", "cannot"], "idle"), optional=True)
    idle = step(
        "ask",
        "idle",
        go(look("yes"), "handed-back", earlier={"leak": look(attempts=(1, None))}),
        go(look("yes"), "diagnosis", earlier={"leak": look("not-visited")}),
        go(["no", "cannot"], "diagnosis"),
    )
    assert said(closing(noise, leak, idle, endings=HB)) == (
        "idle: After “Idle” answered “Yes”, “Leak” having been entered 1×, "
        "with “Leak” not visited, "
        "branch 1 (to “Gone”) and branch 2 (to “Back to diagnosis”) both apply.\n"
        "  Noise: “No”"
    )


def test_attempts_at_other_steps_are_told_in_the_order_in_which_the_branch_names_them() -> None:
    """Not in the order of a set, which is another one in every process."""
    names = ["lamps", "brakes", "pedal", "horn", "noise"]
    steps = [
        step("ask", name, go(["yes", "no", "cannot"], then), optional=True)
        for name, then in zip(names, [*names[1:], "idle"], strict=True)
    ]
    counted = {
        name: look(attempts=(1, 2)) for name in ["noise", "brakes", "lamps", "horn", "pedal"]
    }
    idle = step(
        "ask", "idle", go(look("yes"), "handed-back", earlier=counted),
        go(["no", "cannot"], "diagnosis"),
    )  # fmt: skip
    said_of_it = said(closing(*steps, idle, endings=HB)).splitlines()[0]
    assert re.findall("“([A-Z][a-z]+)” having been entered", said_of_it) == [
        "Noise", "Brakes", "Lamps", "Horn", "Pedal",
    ]  # fmt: skip


# words


def test_all_outcomes_without_a_branch_are_named_in_one_finding() -> None:
    codes = step("codes", "codes", go("none", "handed-back"))
    assert said(closing(codes, endings=("handed-back", "tow"))) == (
        "codes: After “Codes” partly read, no branch applies. "
        "Nor, there or on another way, after: cannot be done, learn or other."
    )


def test_the_audience_is_said_where_it_decides() -> None:
    start = step(
        "ask", "scope", go(look("yes"), "handed-back", audience=Audience.TECHNICIAN),
        go(["no", "cannot"], "diagnosis"),
    )  # fmt: skip
    both = (Audience.TECHNICIAN, Audience.OWNER)
    assert said(closing(start, endings=HB, audiences=both)) == (
        "scope: After “Scope” answered “Yes”, by an owner, no branch applies."
    )
    assert isinstance(prove(closing(start, endings=HB), CATALOGUE), ProvenFlow)


def test_told_recordings_and_cards_are_put_in_words() -> None:
    idle = step(
        "record", "idle", go(["pass", "fail", "undecided", "told-pass", "cannot"], "card"),
        told=True, optional=True,
    )  # fmt: skip
    card = step(
        "card", "card", go("ok", "handed-back"), go(look("exceptions", fine=["seal"]), "diagnosis"),
        go("cannot", "diagnosis"),
    )  # fmt: skip
    assert said(closing(idle, card, endings=HB)) == (
        "idle: After “Idle” told, fail, no branch applies. "
        "Nor, there or on another way, after: told, undecided.\n"
        "card: After “Card” wrong: Seal, no branch applies.\n"
        "  Idle: pass (idle-speed: settled)"
    )


def test_numbers_and_lists_read_as_people_write_them() -> None:
    assert [number_words(Fraction(n)) for n in ("750", "7.4", "-1/2", "1/3")] == [
        "750", "7.4", "-0.5", "1/3",
    ]  # fmt: skip
    assert [times(n) for n in (1, 2, 3, 4, 11, 12, 13, 21)] == [
        "1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st",
    ]  # fmt: skip
    assert listed(["A"]) == "A"
    assert listed(list("ABC"), "or") == "A, B or C"
    assert listed(list("ABCDEFGH")) == "A, B, C, D, E and 3 more"


def test_findings_stand_in_the_order_of_the_file() -> None:
    first = replace(check("brakes", "lamps", group=None), line=40)
    second = replace(check("lamps", "pedal", group=None), line=20)
    last = check("pedal", "handed-back")
    found = findings(prove(closing(first, second, last, endings=HB), CATALOGUE))
    assert [(f.line, f.step) for f in found] == [(20, "lamps"), (40, "brakes")]


def test_a_flood_of_the_same_rule_is_cut_off_and_counted() -> None:
    steps = [check(f"s{i}", f"s{i + 1}", group=None) for i in range(MOST_OF_A_RULE + 5)]
    last = check(f"s{MOST_OF_A_RULE + 5}", "handed-back")
    found = findings(prove(closing(*steps, last, endings=HB), CATALOGUE))
    assert len(found) == MOST_OF_A_RULE
    assert found[-1].message.endswith("And 5 more like this.")


def test_many_open_steps_are_one_finding() -> None:
    steps = [check(f"s{i}", f"s{i + 1}", f"s{i + 1}") for i in range(9)]
    graph = closing(*steps, check("s9", "handed-back"), endings=HB)
    (finding,) = findings(prove(graph, CATALOGUE))
    assert finding.message == (
        "“Hand back” can be reached although “S0” has not passed. The same is so, there or on "
        "another way, of “S1”, “S2”, “S3”, “S4”, “S5” and 3 more."
    )


# names


@pytest.mark.parametrize(
    ("graph", "message"),
    [
        (
            replace(flow(check("a", "handed-back"), endings=HB), start="b"),
            "The flow starts at “b”, which is no step.",
        ),
        (
            replace(flow(check("a", "handed-back"), endings=HB), on_stop="diagnosis"),
            "“stop: not safe” leads to “diagnosis”, which is no do-not-drive ending.",
        ),
        (
            flow(check("a", "handed-back"), endings=HB, promises=[("before", "b", "a")]),
            "A promise names “b”, which is no step.",
        ),
        (
            flow(step("ask", "a", go(["yes", "stop"], "tow"), go(["no", "cannot"], "tow"))),
            "a: “A” asks whether “A” was stopped, which always ends the job "
            "(branch 1 (to “Do not drive”)).",
        ),
        (
            flow(step("ask", "a", go(None, "tow", earlier={"a": look("yes")}))),
            "a: “A” looks back at itself (branch 1 (to “Do not drive”)).",
        ),
        (
            flow(step("record", "a", go(None, "tow"), checks=("no-such-check",))),
            "a: “A” names the check “no-such-check”, which does not exist or has no findings.",
        ),
        (
            flow(step("reading", "a", go(look(value=(0, 1)), "tow"), limits=True)),
            "a: “A” asks for the number of “A”, which is no reading without limits "
            "(branch 1 (to “Do not drive”)).",
        ),
        (
            flow(step("ask", "a", go(look(attempts=(1, 1_000_000)), "tow"))),
            "a: “A” asks for more than 20 attempts at “A” (branch 1 (to “Do not drive”)).",
        ),
    ],
)
def test_what_names_nothing_is_said_before_anything_is_proven(graph: Graph, message: str) -> None:
    assert said(graph) == message


def test_evidence_better_than_the_kind_can_yield_is_refused() -> None:
    assert said(closing(check("brakes", "handed-back", least=Grade.READ), endings=HB)).startswith(
        "brakes: “Brakes” asks for evidence that is read, but its kind is only ever told, "
        "so it can never pass."
    )


@pytest.mark.parametrize("optional", [False, True])
def test_no_reason_lets_a_required_recording_pass_on_what_is_told(optional: bool) -> None:
    idle = step(
        "record", "idle", go(["pass", "told-pass"], "brakes"),
        go(["fail", "undecided", "told-fail", "told-undecided", "cannot"], "diagnosis"),
        told=True, optional=optional, least=Grade.TOLD, least_reason="owners have no recorder",
    )  # fmt: skip
    graph = closing(idle, check("brakes", "handed-back"), endings=HB)
    if optional:
        assert isinstance(prove(graph, CATALOGUE), ProvenFlow)
        return
    assert said(graph) == (
        "idle: “Idle” would pass on what is told instead of recorded, and that is no pass."
    )


# gates


def gate(name: str, proof: str = "to-follow", neither: str = "diagnosis") -> Graph:
    later = ("Drive on.", "1 week")
    return flow(
        step("ask", "pedal", go("yes", "idle"), go("no", "diagnosis"), go("cannot", "idle")),
        step("ask", "idle", go(["yes", "cannot"], name), go("no", "diagnosis"),
             group=Group.COMPLAINT, later=later),
        step("gate", name, go("hand-back", "handed-back"), go("proof-to-follow", proof),
             go("neither", neither)),
        endings=("handed-back", "to-follow", "diagnosis", "tow") if proof == "to-follow" else HB,
    )  # fmt: skip


def test_a_gate_lets_go_only_what_it_saw_proven() -> None:
    assert isinstance(prove(gate("enough"), CATALOGUE), ProvenFlow)


def test_a_gate_that_hands_back_on_less_is_refused_with_a_walk_it_can_take() -> None:
    assert said(gate("enough", proof="handed-back")) == (
        "handed-back: “Hand back” can be reached although “Idle” has not passed.\n"
        "  Pedal: “Yes”\n"
        "  Idle: cannot be done\n"
        "  Enough: proof to follow"
    )
    assert said(gate("enough", neither="handed-back")) == (
        "handed-back: “Hand back” can be reached although “Pedal” has not passed. "
        "The same is so, there or on another way, of “Idle”.\n"
        "  Pedal: cannot be done\n"
        "  Idle: “Yes”\n"
        "  Enough: neither"
    )


def test_a_loop_through_a_gate_needs_attempts_like_any_other() -> None:
    assert said(gate("enough", neither="idle")).startswith(
        "idle: “Idle” and “Enough” can be gone round without end: no count of attempts ends it."
    )


def driven_and_gated(first: str, then: str) -> Graph:
    """Saving, then two of clearing and driving; past a failed first one, the gate decides."""
    order = {"save": first, first: then, then: "enough"}
    drive = step(
        "ask", "drive", go("yes", order["drive"]), go(["no", "cannot"], "enough"),
        does=["road-test"], hazards=("traffic",),
    )  # fmt: skip
    clear = step("do", "clear", go(["done", "cannot"], order["clear"]), does=["clears-codes"],
                 optional=True)  # fmt: skip
    enough = step("gate", "enough", go("hand-back", "handed-back"),
                  go(["proof-to-follow", "neither"], "diagnosis"))  # fmt: skip
    gone = check("gone", "save", group=Group.COMPLAINT, later=("Drive on.", "4 weeks"))
    save = done("save", first, does=["saves-codes"])
    return flow(gone, save, drive, clear, enough, endings=HB)


def test_a_gate_that_sees_the_road_test_passed_knows_that_it_came_after_the_clearing() -> None:
    assert isinstance(prove(driven_and_gated("clear", "drive"), CATALOGUE), ProvenFlow)


def test_a_gate_does_not_know_that_codes_were_not_cleared_after_the_road_test() -> None:
    assert said(driven_and_gated("drive", "clear")) == (
        "handed-back: “Hand back” can be reached although no road test passed since codes were "
        "cleared.\n"
        "  Gone: “Yes”\n"
        "  Save: done\n"
        "  Drive: “Yes”\n"
        "  Clear: done\n"
        "  Enough: hand back"
    )


# outcome spaces


def test_card_items_are_cut_only_by_the_conditions_that_name_them() -> None:
    items = {f"i{n}": f"Item {n}" for n in range(30)}
    card = step("card", "card", items=items)
    looks = [look("exceptions", wrong=["i3"]), look("exceptions", fine=["i3", "i4"])]
    found = cells(card, looks, CATALOGUE)
    # ok; cannot; wrong: neither, i3 (with or without i4), i4 alone
    assert [(c.outcome.label, sorted(c.outcome.items), c.truth) for c in found] == [
        ("ok", [], 0),
        ("exceptions", ["i0"], 0b10),
        ("exceptions", ["i3"], 0b01),
        ("exceptions", ["i4"], 0),
        ("cannot", [], 0),
    ]


def test_findings_of_many_checks_are_not_multiplied_out() -> None:
    catalogue = replace(
        CATALOGUE,
        checks={
            f"c{n}": {f"f{i}": (Verdict.FAIL if i % 3 else Verdict.PASS) for i in range(9)}
            for n in range(40)
        },
    )
    record = step("record", "record", checks=tuple(catalogue.checks))
    looks = [look(findings={"c7": ["f1", "f2"]}), look(findings={"c7": ["pass"], "c9": ["fail"]})]
    found = cells(record, looks, catalogue)
    assert {(c.outcome.label, c.truth) for c in found} == {
        ("pass", 0), ("fail", 0), ("fail", 0b01), ("fail", 0b10), ("cannot", 0),
    }  # fmt: skip
    for cell in found:
        for outcome in cell.outcomes:
            assert len(outcome.checks) in (0, 40)


def test_conditions_that_tell_too_much_apart_are_refused() -> None:
    catalogue = replace(
        CATALOGUE,
        checks={f"c{n}": {"a": Verdict.PASS, "b": Verdict.FAIL} for n in range(20)},
    )
    looks = [look(findings={f"c{n}": ["a"]}) for n in range(20)]
    record = step(
        "record", "record", *(go(k, "tow") for k in looks), checks=tuple(catalogue.checks)
    )
    assert MAX_CELLS < 2**20
    with pytest.raises(TooMany):
        cells(record, looks, catalogue)
    found = findings(prove(flow(record), catalogue))
    assert "The conditions on “Record” tell too many outcomes apart" in shown(found)


def test_a_number_stands_for_every_piece_of_the_line() -> None:
    ends = [(None, Fraction(650)), (Fraction(650), Fraction(800)), None, (Fraction(800), None)]
    assert cut_values(ends) == [325, 650, 800]
    assert cut_values([(Fraction(-5), None)]) == [-6, -5]
    assert cut_values([]) == [0]


def test_a_condition_on_attempts_alone_holds_of_a_step_not_visited() -> None:
    """What `holds` says of it is what the product graph takes it to say."""
    asked = Look(attempts=(1, None))
    assert look_holds(asked, None, 1)
    assert not look_holds(asked, Outcome("yes"), 0)


def test_helpers_of_these_tests_are_proven_flows_themselves() -> None:
    chain = closing(done("save", "brakes"), check("brakes", "handed-back"), endings=HB)
    assert isinstance(prove(chain, CATALOGUE), ProvenFlow)
