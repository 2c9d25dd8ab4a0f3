"""Proof that follows: what may come in, what it does, and that nothing is thrown twice."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.flow.small import flow, go, look, step
from tests.job.play import HIDDEN, Job, judged, machine_for
from tests.job.test_signoff_fold import append, decide
from verify.errors import UserError
from verify.flow.graph import Graph, Outcome, Spec
from verify.flow.machine import Machine, draft_machine
from verify.job import bodies
from verify.job.due import due_day
from verify.job.session import ReadOnlySession
from verify.job.standing import due_days, index_row
from verify.words import EndingKind, Group

LATER = ("drive on and look again", "within two weeks")


def flow_with_proofs(failed: str = "diagnosis") -> Graph:
    """seal (safe) → idle (recorded, learning) → rest (a wait, learning) → road (asked) → gate."""
    rest = step("do", "rest", go(["done", "cannot"], "road"), group=Group.LEARNING, later=LATER)
    graph = flow(
        step("ask", "seal", go("yes", "idle"), go(["no", "cannot"], "diagnosis")),
        step("record", "idle", go(["pass", "told-pass", "cannot", "told-undecided"], "rest"),
             go(["fail", "told-fail"], failed),
             go(look("undecided", attempts=(1, 2)), "rest"),
             go(look("undecided", attempts=(2, None)), "rest"),
             group=Group.LEARNING, later=LATER, told=True),
        replace(rest, detail={"wait_s": 600.0}),
        step("ask", "road", go(["yes", "unsure", "cannot"], "keys"), go("no", "diagnosis"),
             answers={"yes": "Yes", "no": "No", "unsure": "?"}, unsure=["unsure"],
             group=Group.COMPLAINT, later=("drive 100 km", "100 km")),
        step("gate", "keys", go("hand-back", "handed-back"), go("proof-to-follow", "to-follow"),
             go("neither", "diagnosis")),
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
    )  # fmt: skip
    return replace(graph, specs={"idle_speed": Spec("idle_speed", "Idle speed", "rpm")})


def to_follow(
    idle: str | Outcome = "cannot", road: str = "unsure", machine: Machine | None = None
) -> Job:
    job = Job(machine or machine_for(flow_with_proofs()))
    job.answer("yes")
    job.answer(idle)
    job.answer("cannot")
    job.answer(road)
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.PROOF_TO_FOLLOW
    return job


def proof(job: Job, name: str, outcome: str | Outcome, **more: Any) -> ReadOnlySession:
    outcome = Outcome(outcome) if isinstance(outcome, str) else outcome
    return job.put("proof", bodies.proof_body(job.now, name, outcome, **more))


def rested(job: Job) -> None:
    job.put("wait-started", bodies.wait_started_body(job.now, step="rest"))
    job.put("wait-ended", bodies.wait_ended_body(job.now, step="rest"))
    proof(job, "rest", "done")


def state(job: Job) -> str:
    return str(index_row(job.now)["state"])


def test_all_that_was_to_follow_comes_in_and_the_job_is_proven() -> None:
    job = to_follow()
    assert list(job.now.to_prove) == ["idle", "rest", "road"]
    proof(job, "idle", judged("pass"), evidence=["a"])
    assert state(job) == "handed back, proof to follow"
    with pytest.raises(UserError, match="before its wait is over"):
        bodies.proof_body(job.now, "rest", Outcome("done"))
    rested(job)
    proof(job, "road", "yes")
    assert job.now.proven_later
    assert job.now.open_required == ()
    assert state(job) == "handed back, proven"
    assert job.now.closings() == ()
    assert [v.step for v in job.now.walk][-1] == "keys"  # the walk itself stands still


def test_what_passed_is_not_asked_again_and_safety_is_never_proven_later() -> None:
    job = to_follow()
    proof(job, "idle", judged("pass"), evidence=["a"])
    for name in ("idle", "seal"):
        with pytest.raises(UserError):
            proof(job, name, Outcome("yes") if name == "seal" else judged("pass"))


def test_a_fail_does_not_close_and_is_not_tried_again() -> None:
    job = to_follow()
    proof(job, "idle", judged("fail"), evidence=["a"])
    assert job.now.proof_failed == ("idle",)
    assert state(job) == "PROOF FAILED: the car must come back"
    assert not job.now.to_prove
    for name, outcome in (("idle", judged("pass")), ("road", Outcome("yes"))):
        with pytest.raises(UserError):
            proof(job, name, outcome)
    job.put("closed", bodies.closed_body(job.now, "diagnosis", HIDDEN))
    assert job.now.closed


def test_undecided_stays_open_and_its_evidence_is_judged_with_the_next() -> None:
    job = to_follow(judged("undecided"))
    first = [v.seq for v in job.now.walk if v.step == "idle"]
    proof(job, "idle", judged("undecided"), evidence=["b"])
    proof(job, "idle", judged("undecided"), evidence=["c"])
    assert "idle" in job.now.to_prove
    found = [v.seq for v in job.now.earlier_evidence("idle")]
    assert found == [v.seq for v in job.now.proofs]  # the first held no evidence
    assert first
    proof(job, "idle", judged("pass"), evidence=["d"])
    assert "idle" not in job.now.to_prove


def test_what_failed_before_the_keys_went_back_is_not_proven_later() -> None:
    """No second throw: something has to be done to the car first, and that is a comeback.

    The flow does not prove; jobs of editions that once did are read all the same.
    """
    job = to_follow(judged("fail"), machine=draft_machine(flow_with_proofs("rest")))
    assert list(job.now.to_prove) == ["rest", "road"]
    with pytest.raises(UserError, match="proof for idle"):
        proof(job, "idle", judged("pass"), evidence=["a"])


def test_told_instead_of_recorded_leaves_it_open() -> None:
    job = to_follow()
    proof(job, "idle", Outcome("told-pass"))
    assert "idle" in job.now.to_prove
    assert not job.now.proven_later


def test_stop_while_proving_is_a_stop() -> None:
    job = to_follow()
    proof(job, "road", "stop")
    assert job.now.stopped
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.DO_NOT_DRIVE
    assert "not to be driven" in state(job)


def test_a_mistyped_proof_is_corrected_in_its_place() -> None:
    job = to_follow()
    proof(job, "road", "no")
    assert job.now.proof_failed == ("road",)
    job.correct(job.now.proofs[-1].seq, "yes")
    assert job.now.proof_failed == ()
    assert [v.outcome.label for v in job.now.proofs] == ["yes"]
    assert [v.step for v in job.now.walk] == ["seal", "idle", "rest", "road", "keys"]


def test_a_measured_proof_is_not_corrected() -> None:
    job = to_follow()
    proof(job, "idle", judged("fail"), evidence=["a"])
    with pytest.raises(UserError, match="a correction of the verdict at idle"):
        job.correct(job.now.proofs[-1].seq, "told-pass")


def test_a_failed_proof_survives_a_correction_of_the_walk() -> None:
    job = to_follow()
    proof(job, "idle", judged("fail"), evidence=["a"])
    job.correct(job.seq("seal"), "yes")
    assert job.now.proofs == ()
    job.take()  # the answer of the walk: could not be done
    job.take()
    job.take()
    # It stands among what is open and failed, and no proof can undo it.
    assert job.now.at == "to-follow"
    assert "idle" in job.now.open_required
    assert "idle" not in job.now.to_prove


def test_signed_off_it_still_takes_its_proof_and_is_signed_anew() -> None:
    job = to_follow()
    decide(job)
    body = bodies.spec_body(job.now, name="idle_speed", text="700", unit="rpm", source="standard")
    job.put("spec", body)  # a number that the proof needs
    proof(job, "idle", judged("pass"), evidence=["a"])
    with pytest.raises(UserError, match="signed off"):
        job.correct(job.seq("road"), "yes")
    with pytest.raises(UserError, match="who worked at this job"):
        decide(job, person="p-1")
    decide(job)
    assert len(job.now.sign_offs) == 2


def test_by_when_counts_from_when_the_keys_went_back() -> None:
    job = to_follow()
    assert due_days(job.now) == {"idle": "2031-05-15", "rest": "2031-05-15", "road": ""}
    assert index_row(job.now)["proof_due"] == "2031-05-15"
    for name in ("idle", "rest"):
        if name == "idle":
            proof(job, name, judged("pass"), evidence=["a"])
        else:
            rested(job)
    assert "proof_due" not in index_row(job.now)


@pytest.mark.parametrize(
    ("by", "day"),
    [
        ("within two weeks", "2031-05-15"),
        ("within two weeks, after at least three warm drives", "2031-05-15"),
        ("10 days", "2031-05-11"),
        ("a month", "2031-06-01"),
        ("4 weeks", "2031-05-29"),
        ("100 km", ""),
        ("at the next service", ""),
    ],
)
def test_the_day_proof_is_due(by: str, day: str) -> None:
    assert due_day(by, "2031-05-01T08:00:00.000Z") == day
    assert due_day(by, "no time") == ""


def test_a_comeback_ends_what_was_to_follow() -> None:
    job = to_follow()
    append(job, "comeback", bodies.comeback_body(job.now, "next", "cd" * 32))
    assert not job.now.to_prove
    assert state(job) == "handed back, proof to follow; came back: job next"
    assert index_row(job.now)["open_proofs"] == 0
    with pytest.raises(UserError, match="car has come back"):
        job.correct(job.seq("road"), "yes")


def spec_of(job: Job, text: str) -> dict[str, Any]:
    source = "standard" if text else "not found"
    return bodies.spec_body(job.now, name="idle_speed", text=text, unit="rpm", source=source)


def test_after_a_sign_off_a_number_that_was_not_found_may_still_be_found() -> None:
    job = to_follow()
    job.put("spec", spec_of(job, ""))
    decide(job)
    job.put("spec", spec_of(job, "700"))
    assert job.now.specs["idle_speed"].text == "700"
    assert job.now.signed_off is not None


def test_after_a_sign_off_a_number_that_was_known_stays_as_it_was_signed() -> None:
    job = to_follow()
    job.put("spec", spec_of(job, "650"))
    decide(job)
    with pytest.raises(UserError, match="signed off"):
        spec_of(job, "700")


def flow_with_a_relearn() -> Graph:
    """seal (safe) → info (what is required; learning) → relearn → gate."""
    return flow(
        step("ask", "seal", go("yes", "info"), go(["no", "cannot"], "diagnosis")),
        step("ask", "info", go("required", "relearn"),
             go(["itself", "done", "?", "cannot"], "gone"),
             answers={"required": "Required", "itself": "By itself", "done": "Done", "?": "?"},
             passes=["required", "itself", "done"], unsure=["?"],
             group=Group.LEARNING, later=("find out, and have it done", "within two weeks")),
        step("do", "relearn", go("done", "gone"), go("cannot", "diagnosis"), does=["remedy"],
             optional=True),
        step("ask", "gone", go(["yes", "cannot"], "keys"), go("no", "diagnosis"),
             group=Group.COMPLAINT, later=("drive 100 km", "100 km")),
        step("gate", "keys", go("hand-back", "handed-back"), go("proof-to-follow", "to-follow"),
             go("neither", "diagnosis")),
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
    )  # fmt: skip


def with_nothing_found() -> Job:
    job = Job(machine_for(flow_with_a_relearn()))
    for answer in ("yes", "?", "yes"):
        job.answer(answer)
    assert list(job.now.to_prove) == ["info"]
    return job


def test_that_work_is_required_is_no_proof_until_it_was_done() -> None:
    job = with_nothing_found()
    proof(job, "info", "required")
    assert list(job.now.to_prove) == ["info"]
    assert not job.now.proven_later
    assert not job.now.proof_failed
    assert state(job) == "handed back, proof to follow"
    proof(job, "info", "done")
    assert job.now.proven_later


def test_an_answer_after_which_nothing_is_to_be_done_closes_it_at_once() -> None:
    job = with_nothing_found()
    proof(job, "info", "itself")
    assert job.now.proven_later


def test_a_proof_corrected_to_work_that_is_required_stays_open() -> None:
    job = with_nothing_found()
    proof(job, "info", "itself")
    seq = job.now.proofs[-1].seq
    job.put("correction", bodies.correction_body(job.now, seq, Outcome("required"), reason=HIDDEN))
    assert not job.now.proven_later
    assert list(job.now.to_prove) == ["info"]


def test_on_the_walk_the_same_answer_passes_as_its_work_follows_there() -> None:
    job = with_nothing_found()
    proof(job, "info", "required")
    job.put("correction", bodies.correction_body(job.now, 3, Outcome("required"), reason=HIDDEN))
    assert job.now.at == "relearn"
    job.answer("done")
    job.answer("yes")
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.HAND_BACK


def test_a_proof_of_the_first_version_counts_as_it_did() -> None:
    """Such a journal holds the answer without `opens`, and replays to what it was."""
    job = with_nothing_found()
    body = {**bodies.proof_body(job.now, "info", Outcome("required")), "outcome": {
        "label": "required", "grade": "told"}}  # fmt: skip
    job.put("proof", body)
    assert job.now.proven_later
