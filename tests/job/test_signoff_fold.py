"""A second person's decision in the fold: who may, when, what it cuts, and what stands after."""

from __future__ import annotations

from typing import Any

import pytest

from tests.job.play import HIDDEN, Job, failed_once, machine_for, workshop_flow
from verify.errors import UserError
from verify.flow.graph import Graph
from verify.flow.machine import FlowMachine, replay_machine
from verify.job import bodies
from verify.job.entry import Draft
from verify.job.session import fold
from verify.job.signoff_point import Point, Weight, answered
from verify.job.visits import ReadOnlySession, Visit
from verify.words import EndingKind

LOOK = {"lock": "The connector is locked", "lamps": "No lamp is lit"}


def handed_back(machine: FlowMachine | None = None, **opened: Any) -> Job:
    """Idle failed, was cleaned, passed; the road test passed; the keys can go back."""
    job = failed_once(**opened) if machine is None else Job(machine, **opened)
    if machine is not None:
        job.answer("yes")
        job.answer("yes")
        job.idle("pass", evidence=["one"])
    job.answer("yes")
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.HAND_BACK
    return job


def looked_at() -> FlowMachine:
    from dataclasses import replace

    graph: Graph = replace(workshop_flow(), look=LOOK)
    return machine_for(graph)


def decide(job: Job, *, person: str = "p-2", back: str = "", **more: Any) -> ReadOnlySession:
    """A sign-off by `person`; back: the step it is sent back to."""
    visit = last(job, back) if back else None
    if visit is not None:
        more = {"back_to": visit, "reason": HIDDEN} | more
    body = bodies.sign_off_body(job.now, person=person, **more)
    return append(job, "sign-off", body, person)


def append(job: Job, kind: str, body: dict[str, Any], person: str = "p-1") -> ReadOnlySession:
    number = len(job.journal.entries("j")) + 1
    wish = Draft(kind, body, f"2031-05-01T09:{number:02}:00.000Z", person, str(number), {})
    job.journal.append("j", wish, expected_head=job.journal.head("j"))
    job.now = fold("j", job.journal.entries("j"), job.machine)
    return job.now


def last(job: Job, step: str) -> Visit:
    found = job.now.last(step)
    assert found is not None
    return found


def test_accepted_it_stays_as_it_is_and_takes_notes_alone() -> None:
    job = handed_back()
    decide(job)
    assert job.now.signed_off is not None
    assert job.now.signed_off.person == "p-2"
    assert job.now.correctable() == ()
    for tries in (
        lambda: job.correct(job.seq("odometer"), "no"),
        lambda: bodies.spec_body(
            job.now, name="idle_speed", text="750", unit="rpm", source="standard"
        ),
        lambda: bodies.sitting_body(job.now, mode="as-work"),
        lambda: job.rejudge(job.seq("idle", 2), last(job, "idle").outcome),
    ):
        with pytest.raises(UserError, match="signed off"):
            tries()
    job.put("note", bodies.note_body(job.now, {"text": HIDDEN}))
    assert len(job.now.notes) == 1


def test_nobody_signs_off_their_own_work() -> None:
    job = handed_back()
    with pytest.raises(UserError, match="p-1, who worked at this job"):
        decide(job, person="p-1")


def test_whoever_only_opened_or_noted_may_sign() -> None:
    job = handed_back()
    append(job, "note", bodies.note_body(job.now, {"text": HIDDEN}), "p-2")
    decide(job, person="p-2")
    assert job.now.signed_off is not None


def test_a_job_that_goes_on_is_not_signed_off() -> None:
    with pytest.raises(UserError, match="while the job goes on"):
        decide(failed_once())


def test_a_rehearsal_is_not_signed_off_and_the_demo_is() -> None:
    with pytest.raises(UserError, match="sign-off of a rehearsal"):
        decide(handed_back(scripted=True))
    assert decide(handed_back(scripted=True, demo=True)).signed_off is not None


def test_the_same_is_not_signed_off_twice() -> None:
    job = handed_back()
    decide(job)
    with pytest.raises(UserError, match="second sign-off of the same"):
        decide(job, person="p-3")
    with pytest.raises(UserError, match="second sign-off of the same"):
        decide(job, person="p-3", back="road")


def test_sent_back_the_step_is_asked_anew_with_one_more_attempt() -> None:
    job = handed_back()
    decide(job, back="seal")
    assert job.where == "seal 2"  # nothing is ready: it is done again
    assert job.now.ending is None
    assert job.walk == "odometer1:yes"
    job.answer("yes")
    # What came after is offered as it was, but for the fail, which stands until the remedy.
    assert job.where == "idle 3, ready 1 fail, locked"
    job.take()
    assert job.where == "clean 2, ready 1 done"
    job.take()
    assert job.where == "idle 3, ready 2 pass"
    job.take()
    job.take()
    assert job.now.at == "handed-back"
    assert job.now.signed_off is None
    decide(job)
    assert [s.accepted for s in job.now.sign_offs] == [False, True]


def test_sent_back_a_measurement_that_passed_is_made_again_and_can_fail() -> None:
    job = handed_back()
    decide(job, back="idle")
    assert job.where == "idle 3"
    job.idle("fail", evidence=["third"])
    assert job.now.at == "diagnosis"  # the third fail: sending back resets no count


def test_sent_back_a_fail_stays_one() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail", evidence=["one"])
    job.answer("cannot")
    assert job.now.at == "diagnosis"
    decide(job, back="idle")
    assert job.where == "idle 2, ready 1 fail, locked"
    with pytest.raises(UserError, match="second try at idle"):
        job.idle("pass", evidence=["two"])


def test_nothing_older_is_offered_where_a_signer_sent_it_back() -> None:
    job = handed_back()
    job.correct(job.seq("odometer"), "no")
    assert job.where == "seal 2, ready 1 yes"
    job.take()
    job.take()
    job.take()
    job.take()
    job.take()
    assert job.now.at == "handed-back"
    decide(job, back="road")
    assert job.where == "road 2"


def test_a_stop_is_signed_and_not_sent_back() -> None:
    job = failed_once()
    job.answer("stop")
    with pytest.raises(UserError, match="after stop"):
        decide(job, back="seal")
    assert decide(job).signed_off is not None


def test_only_the_last_answer_of_a_step_is_sent_back() -> None:
    job = handed_back()
    first = next(v for v in job.now.walk if v.step == "idle")
    with pytest.raises(UserError, match="earlier answer"):
        bodies.sign_off_body(job.now, person="p-2", back_to=first, reason=HIDDEN)


def test_the_look_is_asked_where_the_flow_asks_for_it() -> None:
    job = handed_back(looked_at())
    with pytest.raises(UserError, match="whether the signer looked"):
        decide(job)
    with pytest.raises(UserError, match="while the signer saw wrong: lamps"):
        decide(job, look={"looked": True, "wrong": ["lamps"]})
    with pytest.raises(UserError, match="look at what this flow"):
        decide(job, look={"looked": True, "wrong": ["bonnet"]})
    decide(job, look={"looked": False, "wrong": []})
    assert job.now.sign_offs[-1].looked is False


def test_what_was_seen_wrong_goes_with_what_is_sent_back() -> None:
    job = handed_back(looked_at())
    decide(job, back="seal", look={"looked": True, "wrong": ["lock"]})
    assert job.now.sign_offs[-1].wrong == ("lock",)


def test_a_job_that_can_only_be_read_is_accepted_and_not_sent_back() -> None:
    job = handed_back()
    read = fold("j", job.journal.entries("j"), replay_machine(job.machine.graph))
    assert bodies.sign_off_body(read, person="p-2") == {"decision": "accepted"}
    with pytest.raises(TypeError, match="cannot go on"):
        bodies.sign_off_body(read, person="p-2", back_to=last(job, "seal"), reason=HIDDEN)


def test_what_was_shown_is_kept() -> None:
    job = handed_back()
    settled = Point("fail-settled", Weight.LOOK, "It failed.", (4, 7))
    decide(job, shown=[(settled, ""), (Point("told", Weight.LOOK, "Told."), "")])
    assert job.now.sign_offs[-1].shown == (("fail-settled", (4, 7)), ("told", ()))


def test_a_grave_point_is_accepted_with_a_reason_and_not_without() -> None:
    """Of two that say the same nothing, each has its own."""
    job = handed_back()
    twice = [Point("not-reached", Weight.GRAVE, "Never reached.") for _ in range(2)]
    with pytest.raises(UserError, match="a grave point that nobody answered"):
        decide(job, shown=[(twice[0], HIDDEN), (twice[1], "")])
    with pytest.raises(ValueError, match="salted digest"):
        decide(job, shown=[(twice[0], "words"), (twice[1], HIDDEN)])
    decide(job, shown=[(p, HIDDEN) for p in twice])
    made = job.now.sign_offs[-1]
    assert made.answers == (("not-reached", (), HIDDEN),) * 2
    assert answered(made, twice) == [("Never reached.", HIDDEN)] * 2
    assert answered(made, []) == [("not-reached", HIDDEN)] * 2


def test_what_was_signed_before_reasons_were_asked_for_is_read_as_it_was() -> None:
    job = handed_back()
    body = {"decision": "accepted", "shown": [{"point": "fail", "entries": [3]}]}
    made = bodies.after(job.now, Draft("sign-off", body, "", "p-2", "", {})).sign_offs[-1]
    assert (made.shown, made.answers) == ((("fail", (3,)),), ())


@pytest.mark.parametrize(
    "more",
    [
        {"decision": "maybe"},
        {"look": []},
        {"look": {"looked": 1, "wrong": []}},
        {"look": {"looked": True, "wrong": "lock"}},
        {"look": {"looked": False, "wrong": ["lock"]}},
        {"look": {"looked": True, "wrong": [["lock"]]}},
        {"shown": [{"point": "x"}]},
        {"shown": 3},
        {"reason": HIDDEN},
        {"decision": "sent-back"},
    ],
)
def test_a_sign_off_of_another_shape_is_refused_with_a_message(more: dict[str, Any]) -> None:
    job = handed_back(looked_at())
    body = {"decision": "accepted", "look": {"looked": True, "wrong": []}} | more
    with pytest.raises(UserError, match="does not fit"):
        append(job, "sign-off", body, "p-2")
