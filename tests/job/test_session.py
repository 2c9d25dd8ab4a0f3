"""The fold: where a job stands after answers, corrections, ready answers and new judgements."""

from __future__ import annotations

import dataclasses

import pytest

from tests.flow.small import flow, go, look, step
from tests.job.play import HIDDEN, Job, failed_once, judged, machine_for, workshop_flow
from verify.errors import UserError
from verify.flow.graph import Outcome
from verify.flow.machine import draft_machine
from verify.job.session import fold
from verify.words import EndingKind, Grade


def test_answers_lead_from_step_to_step_and_a_gate_is_passed_unasked() -> None:
    job = failed_once()
    assert job.where == "road 1"
    job.answer("no")
    assert job.walk == (
        "odometer1:yes seal1:yes idle1:fail clean1:done idle2:pass road1:no keys1:proof-to-follow"
    )
    assert job.where == "ended: to-follow"
    gate = job.now.walk[-1]
    assert (gate.gate, gate.seq, gate.step) == (True, job.seq("road"), "keys")
    assert [e.kind for e in job.now.history][-1] == "outcome"
    assert [s.name for s in job.now.open_steps()] == ["road"]


def test_a_visit_holds_what_its_entry_stored() -> None:
    job = Job(mode="afterwards")
    job.answer("yes")
    job.answer("yes", private={"reason": HIDDEN}, values={"typed": "yes"})
    job.idle("pass", evidence=["a"], results=[{"p": 0.99}])
    seal, idle = job.now.walk[1], job.now.walk[2]
    assert (seal.seq, seal.time, seal.person) == (3, "2031-05-01T08:03:00.000Z", "p-1")
    assert (seal.mode, seal.private, seal.values) == (
        "afterwards",
        {"reason": HIDDEN},
        {"typed": "yes"},
    )
    assert (idle.evidence, idle.results) == (["a"], [{"p": 0.99}])
    assert idle.outcome == judged("pass")


def test_a_stored_verdict_is_read_and_not_computed_anew() -> None:
    """The result says one thing, the outcome another: the outcome counts."""
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail", results=[{"check": "idle-speed", "verdict": "pass", "probability": 1}])
    assert job.where == "clean 1"


def test_a_session_cannot_be_changed() -> None:
    session = failed_once().now
    with pytest.raises(dataclasses.FrozenInstanceError):
        session.at = "handed-back"  # type: ignore[misc]
    with pytest.raises(TypeError):
        session.made["idle"] = 0  # type: ignore[index]


def test_the_same_entries_give_the_same_session_on_a_machine_built_anew() -> None:
    job = failed_once()
    job.correct(job.seq("odometer"), "no")
    again = fold("j", job.journal.entries("j"), machine_for(workshop_flow()))
    assert again == job.now
    assert fold("j", job.journal.entries("j")[:-1], job.machine) != job.now


# Attempts


def test_attempts_count_every_answer_that_was_ever_given() -> None:
    job = failed_once()
    assert dict(job.now.made) == {"odometer": 1, "seal": 1, "idle": 2, "clean": 1}
    job.correct(job.seq("seal"), "yes")
    assert dict(job.now.made) == {"odometer": 1, "seal": 1, "idle": 2, "clean": 1}


def test_a_new_answer_after_a_correction_counts_all_tries_before_it() -> None:
    """Twice undecided, then a correction further up: the third is the last, not the first again."""
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("undecided")
    job.idle("undecided")
    assert job.where == "idle 3"
    job.correct(job.seq("odometer"), "no")
    job.take()
    assert job.where == "idle 3, ready 1 undecided"
    job.idle("undecided")
    assert job.where == "road 1"
    assert job.now.made["idle"] == 3


def test_a_corrected_mistyping_does_not_use_up_the_tries_after_it() -> None:
    job = failed_once()
    job.answer("yes")
    assert job.where == "ended: handed-back"
    walk = job.walk
    job.correct(job.seq("odometer"), "yes")
    for _ in range(5):
        job.take()
    assert job.walk == walk
    assert job.where == "ended: handed-back"


def test_attempts_on_the_walk_never_fall_when_an_older_answer_follows_a_newer() -> None:
    """Third try first, then the second taken up again: it is the fourth time, not the second."""
    again = step(
        "ask",
        "start",
        go("yes", "diagnosis"),
        go(look(["no", "cannot"], attempts=(1, 4)), "start"),
        go(look(["no", "cannot"], attempts=(4, None)), "tow"),
        optional=True,
    )
    first = step("ask", "first", go(["yes", "no", "cannot"], "start"), optional=True)
    job = Job(draft_machine(flow(first, again)))
    job.answer("yes")
    job.answer("no")
    job.answer("no")
    job.correct(job.seq("first"), "no")
    job.answer("no")
    assert job.where == "start 4, ready 2 no"
    job.take()
    assert job.where == "ended: tow"


# Corrections and ready answers


def test_a_correction_replaces_the_answer_and_sets_aside_what_came_after() -> None:
    job = failed_once()
    old = job.seq("seal")
    job.correct(old, "cannot")
    assert job.walk == "odometer1:yes seal1:cannot"
    assert [(a.visit.step, a.visit.attempt) for a in job.now.aside] == [
        ("idle", 1),
        ("clean", 1),
        ("idle", 2),
    ]
    seal = job.now.walk[-1]
    assert (seal.attempt, seal.corrected, seal.rank) == (1, old, old)
    made = job.now.corrections[0]
    assert (made.of, made.was.label, made.now.label, made.reason) == (old, "yes", "cannot", HIDDEN)
    assert len(job.now.history) == 9


def test_what_was_set_aside_is_offered_again_with_its_own_time() -> None:
    job = failed_once()
    first = job.now.walk[2]
    job.correct(job.seq("seal"), "yes")
    assert job.where == "idle 3, ready 1 fail, locked"
    assert job.now.pending is not None
    ready = job.now.pending.ready
    assert ready == first
    job.take()
    taken = job.now.walk[-1]
    assert (taken.seq, taken.time, taken.evidence) == (first.seq, first.time, ["first"])
    assert taken.placed == len(job.now.history)
    assert job.now.history[-1].body["from"] == first.seq
    assert job.where == "clean 2, ready 1 done"


def test_a_new_answer_takes_a_new_number_and_the_ready_one_is_offered_no_more() -> None:
    job = failed_once()
    job.correct(job.seq("seal"), "yes")
    job.take()
    job.take()
    assert job.where == "idle 3, ready 2 pass"
    job.idle("undecided")
    assert job.where == "road 1"
    assert [a.visit.attempt for a in job.now.aside if a.visit.step == "idle" and a.discarded] == [2]
    job.correct(job.seq("seal"), "yes")
    assert job.where == "idle 4, ready 1 fail, locked"
    job.take()
    job.take()
    assert job.where == "idle 4, ready 3 undecided"


def test_an_answer_taken_up_again_can_be_corrected_by_its_first_entry() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    seal = job.seq("seal")
    job.correct(job.seq("odometer"), "no")
    job.take()
    assert job.seq("seal") == seal
    job.correct(seal, "no")
    assert job.where == "ended: diagnosis"


def test_an_answer_can_be_corrected_twice_and_only_where_it_stands_now() -> None:
    job = Job()
    job.answer("yes")
    job.answer("no")
    assert job.where == "ended: diagnosis"
    first = job.seq("seal")
    job.correct(first, "cannot")
    assert job.where == "idle 1"
    with pytest.raises(UserError, match="choose one of the answers"):
        job.correct(first, "yes")
    job.correct(job.seq("seal"), "no")
    assert job.where == "ended: diagnosis"


def test_a_computed_verdict_is_measured_again_and_never_corrected() -> None:
    job = failed_once()
    assert [v.step for v in job.now.correctable()] == ["odometer", "seal", "clean"]
    with pytest.raises(UserError, match="measure again") as error:
        job.correct(job.seq("idle", 1), judged("pass"))
    assert "correction of the verdict at idle" in error.value.problems[0].found


def test_what_was_told_in_place_of_a_recording_can_be_corrected() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.answer("told-undecided")
    job.correct(job.seq("idle"), "told-pass")
    assert job.where == "road 1"
    assert job.now.open_required == ("idle", "road")  # told, where recorded is asked


def test_a_fail_that_was_told_cannot_be_corrected_into_a_recording() -> None:
    """That would be a second throw."""
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.answer("told-fail")
    with pytest.raises(UserError, match="repair first"):
        job.correct(job.seq("idle"), judged("pass"))
    job.correct(job.seq("idle"), "told-undecided")
    assert job.where == "idle 2"
    job.correct(job.seq("idle"), judged("pass"))
    assert job.where == "road 1"


def test_a_gate_is_no_answer_and_cannot_be_corrected() -> None:
    job = failed_once()
    job.answer("no")
    seq = job.now.walk[-1].seq
    body = {"of": seq, "step": "keys", "attempt": 1, "reason": HIDDEN}
    body["outcome"] = {"label": "hand-back", "grade": "told"}
    with pytest.raises(UserError, match="does not fit"):
        job.put("correction", body)


def test_an_ending_reached_by_a_wrong_answer_is_left_by_correcting_it() -> None:
    job = Job()
    job.answer("yes")
    job.answer("no")
    assert job.now.ending is not None
    job.correct(job.seq("seal"), "yes")
    assert (job.now.ending, job.where) == (None, "idle 1")


def test_a_stop_stands() -> None:
    job = Job()
    job.answer("yes")
    job.answer("stop")
    assert job.where == "ended: tow"
    assert job.now.stopped
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.DO_NOT_DRIVE
    assert job.now.correctable() == ()
    for seq in (job.seq("odometer"), job.seq("seal")):
        with pytest.raises(UserError, match="open a new job once the car is safe"):
            job.correct(seq, "yes")


def test_do_not_drive_by_a_branch_is_no_stop_and_can_be_corrected() -> None:
    job = Job(draft_machine(flow(step("ask", "smell", go(["yes", "cannot"], "tow"),
                                      go("no", "diagnosis")))))  # fmt: skip
    job.answer("yes")
    assert not job.now.stopped
    job.correct(2, "no")
    assert job.where == "ended: diagnosis"


# Gates


def test_a_gate_that_finds_the_same_again_keeps_its_number() -> None:
    job = failed_once()
    job.answer("no")
    job.correct(job.seq("odometer"), "no")
    for _ in range(5):
        job.take()
    assert job.now.walk[-1].attempt == 1
    assert job.now.walk[-1].seq == len(job.now.history)
    job.correct(job.seq("road"), "yes")
    assert (job.now.walk[-1].outcome.label, job.now.walk[-1].attempt) == ("hand-back", 2)
    assert job.where == "ended: handed-back"


# After undecided


def test_evidence_after_undecided_is_judged_together_with_the_earlier() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    assert job.now.earlier_evidence("idle") == ()
    job.idle("undecided", evidence=["first"])
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["first"]]
    job.idle("undecided", evidence=["second"])
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["first"], ["second"]]


def test_a_fail_and_a_remedy_begin_the_evidence_anew() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("undecided", evidence=["before"])
    job.idle("fail", evidence=["failed"])
    assert job.now.earlier_evidence("idle") == ()
    job.clean()
    assert job.now.earlier_evidence("idle") == ()
    job.idle("pass", evidence=["after"])
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["after"]]


def test_a_remedy_begins_the_evidence_anew_without_a_fail_as_well() -> None:
    idle = step("record", "idle", go(["pass", "fail", "undecided", "cannot"], "fix"))
    fix = step(
        "do", "fix", go("done", "idle"), go("cannot", "idle"), does=["remedy"], optional=True
    )
    job = Job(draft_machine(flow(idle, fix)))
    job.idle("undecided", evidence=["first"])
    job.answer("cannot")
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["first"]]
    job.idle("undecided", evidence=["second"])
    job.answer("done")
    assert job.now.earlier_evidence("idle") == ()


def test_undecided_evidence_is_not_shed_by_a_correction() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("undecided", evidence=["first"])
    job.correct(job.seq("seal"), "yes")
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["first"]]
    job.idle("undecided", evidence=["second"])
    assert [v.evidence for v in job.now.earlier_evidence("idle")] == [["first"], ["second"]]


# Judged anew


def test_a_verdict_judged_anew_that_leads_to_the_same_step_changes_nothing_else() -> None:
    job = failed_once()
    before, seq = job.now, job.seq("idle", 1)
    anew = Outcome("fail", Grade.RECORDED, checks=(("idle-speed", judged("fail").checks[0][1],
                                                    "too-low"),))  # fmt: skip
    job.rejudge(seq, anew)
    assert job.now.walk[2] == dataclasses.replace(
        before.walk[2], outcome=anew, results=[{"check": "idle-speed"}], rejudged=9
    )
    assert job.now.walk[:2] + job.now.walk[3:] == before.walk[:2] + before.walk[3:]
    assert (job.now.pending, job.now.aside) == (before.pending, ())


def test_a_verdict_judged_anew_that_leads_elsewhere_sets_the_rest_aside() -> None:
    job = failed_once()
    job.rejudge(job.seq("idle", 1), judged("pass"), evidence=["again"])
    assert job.walk == "odometer1:yes seal1:yes idle1:pass"
    assert job.now.walk[-1].evidence == ["again"]
    assert [(a.visit.step, a.visit.attempt) for a in job.now.aside] == [("clean", 1), ("idle", 2)]
    assert job.where == "road 1"


def test_a_pass_judged_anew_as_fail_takes_the_keys_back() -> None:
    job = failed_once()
    job.answer("yes")
    assert job.where == "ended: handed-back"
    job.rejudge(job.seq("idle", 2), judged("fail"))
    assert job.where == "clean 2"
    assert job.now.ending is None


def test_a_gate_finds_anew_what_a_verdict_judged_anew_means_for_it() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    for _ in range(3):
        job.idle("undecided")
    job.answer("yes")
    assert job.where == "ended: diagnosis"
    assert job.now.walk[-1].outcome.label == "neither"
    gate = job.now.walk[-1]
    job.rejudge(job.seq("idle", 3), judged("pass"))
    assert job.now.walk[-1] == dataclasses.replace(gate, outcome=Outcome("hand-back"))
    assert job.where == "ended: handed-back"


def test_an_answer_set_aside_is_judged_anew_where_it_lies() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    seq = job.seq("idle")
    job.correct(job.seq("seal"), "yes")
    assert job.where == "idle 2, ready 1 fail, locked"
    job.rejudge(seq, judged("undecided"))
    assert job.where == "idle 2, ready 1 undecided"
    job.take()
    assert job.walk == "odometer1:yes seal1:yes idle1:undecided"


@pytest.mark.parametrize("label", ["told-pass", "cannot"])
def test_what_nobody_computed_is_not_judged_anew(label: str) -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.answer(label)
    with pytest.raises(UserError, match="judge only what rests on evidence"):
        job.rejudge(job.seq("idle"), judged("pass"))
