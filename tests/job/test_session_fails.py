"""The fold: fails that survive corrections, and ready answers that the car has outlived."""

from __future__ import annotations

import pytest

from tests.flow.small import flow, go, look, step
from tests.job.play import HIDDEN, Job, failed_once, judged
from verify.errors import UserError
from verify.flow.machine import draft_machine
from verify.job import bodies
from verify.words import Group


def test_a_fail_survives_a_correction_and_is_not_measured_away() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    job.correct(job.seq("seal"), "yes")
    assert job.where == "idle 2, ready 1 fail, locked"
    with pytest.raises(UserError, match="something done to the car"):
        job.idle("pass")
    with pytest.raises(UserError, match="something done to the car"):
        job.answer("cannot", private={"reason": HIDDEN})
    job.take()
    assert job.where == "clean 1"


def test_stop_is_possible_where_everything_else_is_locked() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    job.correct(job.seq("seal"), "yes")
    job.answer("stop")
    assert job.now.stopped


def test_after_a_remedy_on_the_live_walk_the_fail_is_not_locked() -> None:
    job = failed_once()
    job.correct(job.seq("seal"), "yes")
    job.take()
    job.clean()
    assert job.where == "idle 3"
    job.idle("pass")
    assert job.where == "road 1"


def test_a_remedy_done_anew_after_the_last_fail_unlocks_it() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    job.clean()
    job.idle("fail")
    job.correct(job.seq("seal"), "yes")
    job.take()
    assert job.where == "clean 2, ready 1 done"
    job.clean()
    assert job.where == "idle 3"
    job.idle("pass")
    assert job.where == "road 1"


def test_a_fail_passed_over_after_a_remedy_is_offered_again_when_that_is_taken_back() -> None:
    """A remedy that was corrected away has unlocked nothing, and there is still a way on."""
    first = step("ask", "first", go(["yes", "no", "cannot"], "fix"), optional=True)
    fix = step("do", "fix", go(["done", "cannot"], "idle"), does=["remedy"], optional=True)
    idle = step("record", "idle", go(["pass", "fail", "undecided", "cannot"], "more"))
    more = step("ask", "more", go("yes", "diagnosis"), go(["no", "cannot"], "idle"), optional=True)
    job = Job(draft_machine(flow(first, fix, idle, more)))
    job.answer("yes")
    job.answer("done")
    job.idle("fail")
    job.correct(job.seq("first"), "no")
    job.answer("done")
    assert job.where == "idle 2"
    job.idle("pass")
    job.correct(job.seq("fix", 2), "cannot")
    assert job.where == "idle 3, ready 2 pass, locked"
    job.take()
    job.answer("no")
    assert job.where == "idle 3, ready 1 fail, locked"
    job.take()
    assert job.walk == "first1:no fix2:cannot idle2:pass more1:no idle1:fail"
    assert job.where == "more 2"


def stale_pass(does: list[str], says: str = "done") -> Job:
    """It passed; then an answer further up was corrected, and on that way the car was changed."""
    first = step("ask", "first", go("yes", "idle"), go(["no", "cannot"], "fix"), optional=True)
    fix = step("do", "fix", go(["done", "cannot"], "idle"), does=does, optional=True)
    idle = step("record", "idle", go(["pass", "fail", "undecided", "cannot"], "more"))
    more = step("ask", "more", go(["yes", "no", "cannot"], "diagnosis"), optional=True)
    job = Job(draft_machine(flow(first, fix, idle, more)))
    job.answer("yes")
    job.idle("pass")
    job.correct(job.seq("first"), "no")
    job.answer(says)
    return job


@pytest.mark.parametrize("does", ["remedy", "clears-codes"])
def test_an_answer_from_before_the_car_was_changed_is_neither_offered_nor_taken(does: str) -> None:
    job = stale_pass([does])
    assert job.where == "idle 2"
    with pytest.raises(UserError, match="no ready answer here"):
        bodies.ready_body(job.now)
    (old,) = (a.visit for a in job.now.aside if a.visit.step == "idle")
    body = {"step": "idle", "attempt": 1, "from": old.seq, "outcome": old.outcome.to_json()}
    with pytest.raises(UserError, match="from before “Fix”"):
        job.put("outcome", body)


@pytest.mark.parametrize(
    ("does", "says"), [([], "done"), (["saves-codes"], "done"), (["remedy"], "cannot")]
)
def test_an_answer_after_which_nothing_was_changed_is_offered(does: list[str], says: str) -> None:
    job = stale_pass(does, says)
    assert job.where == "idle 2, ready 1 pass"
    job.take()
    assert job.where == "more 1"


def test_an_answer_is_offered_again_once_the_change_is_taken_back() -> None:
    job = stale_pass(["remedy"])
    job.correct(job.seq("fix"), "cannot")
    assert job.where == "idle 2, ready 1 pass"


def test_what_was_outdated_when_another_answer_was_given_is_offered_no_more() -> None:
    job = stale_pass(["remedy"])
    job.idle("undecided")
    job.correct(job.seq("fix"), "cannot")
    assert job.where == "idle 3, ready 2 undecided"


def test_a_fail_that_stands_is_offered_though_codes_were_cleared_and_an_older_pass_is_not() -> None:
    first = step("ask", "first", go(["yes", "no", "cannot"], "fix"), optional=True)
    fix = step("do", "fix", go(["done", "cannot"], "idle"), does=["clears-codes"], optional=True)
    idle = step("record", "idle", go(["pass", "fail", "undecided", "cannot"], "more"))
    more = step("ask", "more", go("yes", "diagnosis"), go(["no", "cannot"], "idle"), optional=True)
    job = Job(draft_machine(flow(first, fix, idle, more)))
    job.answer("yes")
    job.answer("cannot")
    job.idle("pass")
    job.answer("no")
    job.idle("fail")
    job.correct(job.seq("first"), "no")
    job.answer("done")
    assert job.where == "idle 3, ready 2 fail, locked"
    job.take()
    assert job.walk == "first1:no fix2:done idle2:fail"


def test_a_ready_answer_is_taken_up_unchanged_or_not_at_all() -> None:
    job = failed_once()
    job.correct(job.seq("seal"), "yes")
    assert job.now.pending is not None
    ready = job.now.pending.ready
    assert ready is not None
    body = {"step": "idle", "attempt": 1, "from": ready.seq, "outcome": judged("pass").to_json()}
    for wrong in (
        body,
        body | {"outcome": ready.outcome.to_json(), "attempt": 3},
        body | {"outcome": ready.outcome.to_json(), "from": ready.seq + 2},
    ):
        with pytest.raises(UserError, match="taken up again"):
            job.put("outcome", wrong)


def test_a_remedy_done_before_the_fail_does_not_unlock_it() -> None:
    """Cleaned, failed again; the cleaning taken up again, or corrected, is still from before."""
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    job.clean()
    job.idle("fail")
    job.correct(job.seq("seal"), "yes")
    job.take()
    job.take()
    assert job.where == "idle 3, ready 2 fail, locked"
    job.correct(job.seq("clean"), "done")
    assert job.where == "idle 3, ready 2 fail, locked"
    job.correct(job.seq("clean"), "cannot")
    assert job.where == "ended: diagnosis"


def locked_question() -> Job:
    """A typed fail set aside: seal said no, then the odometer was corrected."""
    job = Job()
    job.answer("yes")
    job.answer("no")
    job.correct(job.seq("odometer"), "no")
    assert job.where == "seal 2, ready 1 no, locked"
    return job


def test_a_typed_fail_may_be_answered_differently_only_with_a_reason() -> None:
    job = locked_question()
    with pytest.raises(UserError, match="with a reason"):
        job.answer("yes")
    job.answer("yes", private={"reason": HIDDEN})
    assert job.where == "idle 1"
    assert [(a.visit.step, a.settled) for a in job.now.aside] == [("seal", True)]
    job.correct(job.seq("odometer"), "yes")
    assert job.where == "seal 3, ready 2 yes"


def test_an_undecided_or_optional_answer_locks_nothing() -> None:
    job = Job()
    job.answer("no")
    job.answer("yes")
    job.idle("undecided")
    job.correct(job.seq("seal"), "yes")
    assert job.where == "idle 2, ready 1 undecided"
    job.idle("pass")
    assert job.where == "road 1"


def round_flow(*, later: bool) -> Job:
    """idle → more → (no) idle again → keys: a fail can come after a pass, and be walked round."""
    over = {"group": Group.COMPLAINT, "later": ("drive on", "1 day")} if later else {}
    first = step("ask", "first", go(["yes", "no", "cannot"], "idle"), optional=True)
    idle = step(
        "record",
        "idle",
        go("cannot", "diagnosis"),
        go(look(["pass", "fail", "undecided"], attempts=(1, 2)), "more"),
        go(look(["pass", "fail", "undecided"], attempts=(2, None)), "keys"),
        **over,
    )
    more = step("ask", "more", go("yes", "keys"), go(["no", "cannot"], "idle"), optional=True)
    ways = [go("hand-back", "handed-back"), go("proof-to-follow", "to-follow")]
    keys = step("gate", "keys", *ways, go("neither", "diagnosis"))
    endings = ("handed-back", "to-follow", "diagnosis", "tow")
    job = Job(draft_machine(flow(first, idle, more, keys, endings=endings)))
    job.answer("yes")
    job.idle("pass")
    job.answer("no")
    job.idle("fail")
    assert job.where == "ended: to-follow" if later else "ended: diagnosis"
    job.correct(job.seq("first"), "no")
    job.take()
    assert job.where == "more 2, ready 1 no"
    job.answer("yes")
    return job


def test_a_fail_cannot_be_walked_round_after_a_correction() -> None:
    job = round_flow(later=False)
    assert job.walk == "first1:no idle1:pass more2:yes keys1:neither"
    assert job.now.open_required == ("idle",)
    assert job.where == "ended: diagnosis"


def test_a_fail_that_may_be_proven_later_is_still_named_as_open() -> None:
    job = round_flow(later=True)
    assert job.where == "ended: to-follow"
    assert job.now.open_required == ("idle",)


def test_without_a_gate_too_the_keys_do_not_go_past_a_fail_that_was_set_aside() -> None:
    """The proof holds for each live walk; it knows nothing of the one that was cut off."""
    idle = step("record", "idle", go(["pass", "fail", "undecided", "cannot"], "more"))
    more = step("ask", "more", go("yes", "handed-back"), go(["no", "cannot"], "again"))
    again = step("ask", "again", go(["yes", "no", "cannot"], "idle"), optional=True)
    first = step("ask", "first", go(["yes", "no", "cannot"], "idle"), optional=True)
    machine = draft_machine(flow(first, idle, more, again, endings=("handed-back", "tow")))
    job = Job(machine)
    job.answer("yes")
    job.idle("pass")
    job.answer("no")
    job.answer("yes")
    job.idle("fail")
    job.correct(job.seq("first"), "no")
    job.take()
    with pytest.raises(UserError, match="idle failed and nothing was done since"):
        job.answer("yes", private={"reason": HIDDEN})
