"""The fold: waits, specs, notes, sittings, closing; what does not fit; and what lists say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.flow.small import CATALOGUE, flow, go, step
from tests.job.play import HIDDEN, Job, judged, machine_for, workshop_flow
from verify.errors import UserError
from verify.flow.graph import Outcome
from verify.flow.machine import draft_machine, replay_machine
from verify.flow.proof import ProvenFlow, prove
from verify.job import bodies
from verify.job.entry import GENESIS, Draft, Entry, seal
from verify.job.session import DraftSession, ReadOnlySession, Session, fold
from verify.words import Audience, EndingKind, Grade


def at_clean(**opened: Any) -> Job:
    """The remedy is asked, which has a wait of 600 s."""
    job = Job(**opened)
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    assert job.where == "clean 1"
    return job


# Waits


def test_done_is_taken_only_after_the_wait_ended() -> None:
    job = at_clean()
    assert job.now.pending is not None
    assert (job.now.pending.wait_s, job.now.pending.wait) == (600.0, None)
    with pytest.raises(UserError, match="done before its wait is over"):
        job.answer("done")
    job.put("wait-started", bodies.wait_started_body(job.now))
    with pytest.raises(UserError, match="done before its wait is over"):
        job.answer("done")
    wait = job.now.pending.wait
    assert wait is not None
    assert (wait.state, wait.seconds, wait.started) == ("running", 600, "2031-05-01T08:05:00.000Z")
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    job.answer("done")
    assert job.where == "idle 2"
    assert job.now.skipped_waits == ()


def test_a_wait_skipped_with_a_reason_is_over_and_stays_on_record() -> None:
    job = at_clean()
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-skipped", bodies.wait_skipped_body(job.now, HIDDEN))
    job.answer("done")
    assert job.where == "idle 2"
    assert [(w.step, w.attempt, w.reason) for w in job.now.skipped_waits] == [("clean", 1, HIDDEN)]


def test_a_wait_may_be_skipped_before_it_began() -> None:
    job = at_clean()
    job.put("wait-skipped", bodies.wait_skipped_body(job.now, HIDDEN))
    job.answer("done")
    assert job.where == "idle 2"


def test_cannot_and_stop_need_no_wait() -> None:
    job = at_clean()
    job.answer("cannot")
    assert job.where == "ended: diagnosis"
    job = at_clean()
    job.answer("stop")
    assert job.where == "ended: tow"


def test_a_running_wait_starts_again_only_where_the_clock_went_back() -> None:
    job = at_clean()
    job.put("wait-started", bodies.wait_started_body(job.now))
    with pytest.raises(UserError, match="started twice"):
        bodies.wait_started_body(job.now)
    job.put("wait-started", bodies.wait_started_body(job.now, restarted=True))
    assert job.now.pending is not None
    assert job.now.pending.wait is not None
    assert job.now.pending.wait.started == "2031-05-01T08:06:00.000Z"


def test_a_wait_is_never_shorter_than_the_flow_says() -> None:
    job = at_clean()
    with pytest.raises(UserError, match="a wait of 599"):
        bodies.wait_started_body(job.now, seconds=599)
    job.put("wait-started", bodies.wait_started_body(job.now, seconds=1200))


def test_waits_that_are_not_there_do_not_end() -> None:
    job = at_clean()
    with pytest.raises(UserError, match="does not run"):
        bodies.wait_ended_body(job.now)
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    for again in (bodies.wait_ended_body, bodies.wait_started_body):
        with pytest.raises(UserError):
            again(job.now)
    with pytest.raises(UserError, match="that was over"):
        bodies.wait_skipped_body(job.now, HIDDEN)
    job.answer("done")
    with pytest.raises(UserError, match="a wait at idle"):
        bodies.wait_started_body(job.now)


def test_each_attempt_waits_anew() -> None:
    job = at_clean()
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    job.answer("done")
    job.idle("fail")
    assert job.where == "clean 2"
    with pytest.raises(UserError, match="done before its wait is over"):
        job.answer("done")


def test_a_wait_outlives_a_correction_but_not_another_answer() -> None:
    """Ready answers taken up again touch nothing; a new answer may mean that somebody did."""
    job = at_clean()
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    job.correct(job.seq("odometer"), "no")
    job.take()
    job.take()
    assert job.where == "clean 1"
    job.answer("done")
    job = at_clean()
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    job.correct(job.seq("odometer"), "no")
    job.answer("yes")
    job.take()
    assert job.where == "clean 1"
    with pytest.raises(UserError, match="done before its wait is over"):
        job.answer("done")


def test_a_correction_to_done_needs_the_wait_as_well() -> None:
    wait = replace(
        step("do", "sleep", go(["done", "cannot"], "smell"), optional=True),
        detail={"wait_s": 60.0},
    )
    smell = step("ask", "smell", go(["yes", "no", "cannot"], "diagnosis"))
    job = Job(draft_machine(flow(wait, smell)))
    job.answer("cannot")
    with pytest.raises(UserError, match="done before its wait is over"):
        job.correct(2, "done")
    job = Job(draft_machine(flow(wait, smell)))
    job.put("wait-skipped", bodies.wait_skipped_body(job.now, HIDDEN))
    job.answer("done")
    job.correct(3, "cannot")
    job.correct(4, "done")
    assert job.walk == "sleep1:done"


# Specs, notes, sittings, pauses


def test_the_last_spec_of_a_name_counts() -> None:
    job = Job()
    for text in ("750", "700"):
        job.put(
            "spec",
            bodies.spec_body(
                job.now,
                name="idle_speed",
                text=text,
                unit="rpm",
                source="service information",
                detail="sheet 3",
            ),
        )
    spec = job.now.specs["idle_speed"]
    assert (spec.text, spec.unit, spec.source, spec.detail) == (
        "700",
        "rpm",
        "service information",
        "sheet 3",
    )
    assert (spec.seq, spec.time) == (3, "2031-05-01T08:03:00.000Z")
    with pytest.raises(UserError, match='the spec "oil_level"'):
        bodies.spec_body(job.now, name="oil_level", text="1", unit="1", source="standard")


def test_a_note_is_kept_and_changes_nothing_else() -> None:
    job = Job()
    before = job.now
    job.put("note", bodies.note_body(job.now, {"text": HIDDEN}, step="idle"))
    assert [(n.step, n.private) for n in job.now.notes] == [("idle", {"text": HIDDEN})]
    assert replace(job.now, notes=(), history=(), updated="") == replace(
        before, history=(), updated=""
    )
    with pytest.raises(UserError, match='the step "nowhere"'):
        bodies.note_body(job.now, {"text": HIDDEN}, step="nowhere")


def test_a_note_can_be_made_when_everything_is_over() -> None:
    job = Job()
    job.answer("stop")
    job.put("note", bodies.note_body(job.now, {"text": HIDDEN}))
    assert len(job.now.notes) == 1


def test_a_pause_lasts_until_anything_but_a_note_follows() -> None:
    job = Job()
    job.put("paused", bodies.paused_body(job.now))
    assert job.now.paused
    job.put("note", bodies.note_body(job.now, {"text": HIDDEN}))
    assert job.now.paused
    job.put("sitting", bodies.sitting_body(job.now, mode="afterwards"))
    assert not job.now.paused
    assert job.where == "odometer 1"


def test_each_sitting_says_how_it_is_written_and_scripted_is_for_ever() -> None:
    job = Job(scripted=False)
    job.answer("yes")
    job.put("sitting", bodies.sitting_body(job.now, mode="afterwards", scripted=True))
    job.answer("yes")
    job.put("sitting", bodies.sitting_body(job.now, mode="as-work"))
    assert [v.mode for v in job.now.walk] == ["as-work", "afterwards"]
    assert (job.now.mode, job.now.scripted) == ("as-work", True)
    with pytest.raises(UserError, match="as-work or afterwards"):
        bodies.sitting_body(job.now, mode="later")


# Closing by hand


def test_a_job_is_closed_by_hand_only_without_the_keys() -> None:
    job = Job()
    names = [e.name for e in job.now.closings()]
    assert names == ["diagnosis", "tow"]
    for refused in ("handed-back", "to-follow", "nowhere", "hand-back"):
        with pytest.raises(UserError, match="closed by hand"):
            bodies.closed_body(job.now, refused, HIDDEN)
    job.put("closed", bodies.closed_body(job.now, "tow", HIDDEN))
    assert job.now.ending is not None
    assert (job.now.at, job.now.ending.kind) == ("tow", EndingKind.DO_NOT_DRIVE)
    assert (job.now.closed, job.now.stopped, job.now.closings()) == (True, False, ())
    with pytest.raises(UserError, match="after the job was closed"):
        job.put("closed", {"ending": "diagnosis", "reason": HIDDEN})


def test_a_flow_without_an_ending_of_that_kind_can_still_be_closed_so() -> None:
    job = Job(draft_machine(flow(step("ask", "smell", go(None, "tow")), endings=("tow",))))
    assert [e.name for e in job.now.closings()] == ["tow", "back-to-diagnosis"]
    job.put("closed", bodies.closed_body(job.now, "back-to-diagnosis", HIDDEN))
    assert job.now.ending is not None
    assert job.now.ending.kind is EndingKind.BACK_TO_DIAGNOSIS


def test_after_proof_to_follow_a_job_is_open_and_can_be_closed_and_after_hand_back_not() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("pass")
    job.answer("no")
    assert job.where == "ended: to-follow"
    assert [e.name for e in job.now.closings()] == ["diagnosis", "tow"]
    job.put("closed", bodies.closed_body(job.now, "diagnosis", HIDDEN))
    assert job.now.closed
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("pass")
    job.answer("yes")
    assert (job.where, job.now.closings()) == ("ended: handed-back", ())
    with pytest.raises(UserError, match="as it has ended"):
        bodies.closed_body(job.now, "tow", HIDDEN)


# What does not fit


OUTCOME = {"label": "yes", "grade": "told"}


@pytest.mark.parametrize(
    ("kind", "body", "found"),
    [
        ("outcome", {"step": "seal", "attempt": 1, "outcome": OUTCOME}, "an answer to seal"),
        ("outcome", {"step": "odometer", "attempt": 2, "outcome": OUTCOME}, "attempt 2"),
        ("outcome", {"step": "odometer", "attempt": 0, "outcome": OUTCOME}, "attempt 0"),
        (
            "outcome",
            {"step": "odometer", "attempt": 1, "outcome": {"label": "blue", "grade": "told"}},
            'the outcome "blue"',
        ),
        (
            "outcome",
            {"step": "odometer", "attempt": 1, "outcome": {"label": "yes", "grade": "read"}},
            "on evidence read",
        ),
        (
            "outcome",
            {"step": "odometer", "attempt": 1, "outcome": {"label": "yes", "grade": "good"}},
            "cannot be read",
        ),
        (
            "outcome",
            {"step": "odometer", "attempt": 1, "outcome": OUTCOME, "from": 1},
            "taken up again",
        ),
        (
            "correction",
            {"of": 1, "step": "odometer", "attempt": 1, "outcome": OUTCOME, "reason": HIDDEN},
            "entry 1 as an answer",
        ),
        (
            "rejudged",
            {"of": 1, "step": "idle", "attempt": 1, "outcome": OUTCOME, "results": [], "spec": ""},
            "entry 1 as an answer",
        ),
        ("wait-ended", {"step": "clean", "attempt": 1}, "a wait at clean"),
        ("sitting", {"mode": "asleep"}, "asleep"),
        ("closed", {"ending": "handed-back", "reason": HIDDEN}, "closed by hand"),
        ("paused", {"step": "nowhere"}, "nowhere"),
    ],
)
def test_an_entry_that_does_not_fit_is_named(kind: str, body: dict[str, Any], found: str) -> None:
    job = Job()
    with pytest.raises(UserError) as error:
        job.put(kind, body)
    problem = error.value.problems[0]
    assert problem.found.startswith("entry 2 of job j does not fit: ")
    assert found in problem.found
    assert problem.expected
    assert problem.next


def test_nothing_but_a_correction_is_answered_after_the_end() -> None:
    job = Job()
    job.answer("yes")
    job.answer("no")
    with pytest.raises(UserError, match="a job that has ended"):
        bodies.outcome_body(job.now, Outcome("yes"))
    with pytest.raises(UserError, match="in a job that has ended"):
        job.put("outcome", {"step": "idle", "attempt": 1, "outcome": OUTCOME})


def stored(number: int, kind: str, body: dict[str, Any], job: str = "j", version: int = 1) -> Entry:
    sealed = seal(job, number, Draft(kind, body, "t", "p", str(number), {}), GENESIS)
    return replace(sealed, version=version)


def test_a_journal_of_another_job_flow_order_or_version_is_refused() -> None:
    machine = machine_for(workshop_flow())
    body = bodies.opened_body(
        machine, edition="e", audience=Audience.TECHNICIAN, mode="as-work", units="us"
    )
    opened = stored(1, "opened", body)
    pause = stored(2, "paused", {})
    for entries in (
        (),
        (pause,),
        (opened, opened),
        (opened, replace(pause, seq=3)),
        (opened, replace(pause, job="other")),
        (opened, replace(pause, kind="unheard-of")),
        (opened, stored(2, "paused", {}, version=2)),
        (opened, stored(2, "opened", body)),
        (stored(1, "opened", body | {"flow": "another"}),),
        (stored(1, "opened", body | {"audience": "owner"}),),
    ):
        with pytest.raises(UserError):
            fold("j", entries, machine)
    assert fold("j", (opened, pause), machine).paused


@pytest.mark.parametrize(
    "outcome",
    [
        Outcome("pass", Grade.TOLD, checks=judged("pass").checks),
        Outcome("pass", Grade.RECORDED),
        Outcome("undecided", Grade.RECORDED),
        Outcome("pass", Grade.RECORDED, checks=judged("undecided").checks),
        Outcome("undecided", Grade.RECORDED, checks=judged("fail").checks),
        Outcome("told-pass", Grade.RECORDED),
    ],
)
def test_an_outcome_its_own_verdicts_do_not_bear_out_is_refused(outcome: Outcome) -> None:
    """A proof speaks of the outcomes a step can have; no other gets as far as a branch."""
    job = Job()
    job.answer("yes")
    job.answer("yes")
    with pytest.raises(UserError, match="idle"):
        job.answer(outcome)


# Machines of three kinds


def refused_today() -> ProvenFlow | None:
    found = prove(never_to_end(), CATALOGUE)
    return found if isinstance(found, ProvenFlow) else None


def never_to_end() -> Any:
    """Today's prover refuses it: a question that is asked for ever."""
    return flow(step("ask", "smell", go(["no", "cannot"], "smell"), go("yes", "diagnosis")))


def test_a_job_of_a_flow_refused_today_can_be_read_noted_on_and_closed_and_no_more() -> None:
    assert refused_today() is None
    job = Job(draft_machine(never_to_end()))
    job.answer("no")
    old = fold("j", job.journal.entries("j"), replay_machine(never_to_end()))
    assert type(old) is ReadOnlySession
    assert old.pending is not None
    assert (old.at, old.pending.attempt) == ("smell", 2)
    refused = [
        lambda: bodies.outcome_body(old, Outcome("yes")),
        lambda: bodies.correction_body(old, 2, Outcome("yes"), reason=HIDDEN),
        lambda: bodies.sitting_body(old, mode="as-work"),
        lambda: bodies.paused_body(old),
        lambda: bodies.spec_body(old, name="a", text="1", unit="1", source="standard"),
    ]
    for build in refused:
        with pytest.raises(TypeError, match="not proven"):
            build()
    with pytest.raises(TypeError, match="on a proven flow"):
        bodies.opened_body(
            replay_machine(never_to_end()),  # type: ignore[arg-type]
            edition="e",
            audience=Audience.TECHNICIAN,
            mode="as-work",
            units="us",
        )
    bodies.note_body(old, {"text": HIDDEN})
    job.machine = replay_machine(never_to_end())
    job.put("closed", bodies.closed_body(old, "diagnosis", HIDDEN))
    assert type(job.now) is ReadOnlySession
    assert job.where == "ended: diagnosis"


def test_a_draft_yields_another_type_than_a_proven_flow() -> None:
    draft, real = Job(draft_machine(workshop_flow())), Job()
    assert (type(draft.now), type(real.now)) == (DraftSession, Session)
    assert not isinstance(draft.now, Session)


# What is built can be appended, and nothing personal stands in it


def test_a_builder_hands_out_no_plain_words() -> None:
    job = Job()
    name = {"text": "Mrs Miller smelt petrol"}
    for build in (
        lambda: bodies.note_body(job.now, name),
        lambda: bodies.outcome_body(job.now, Outcome("yes"), private=name),
        lambda: bodies.closed_body(job.now, "tow", "it smells"),
        lambda: bodies.opened_body(job.machine, edition="e", audience=Audience.TECHNICIAN,
                                   mode="as-work", units="us", car=name),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="salted digest"):
            build()


def test_a_ready_answer_is_built_only_where_there_is_one() -> None:
    with pytest.raises(UserError, match="no ready answer"):
        bodies.ready_body(Job().now)


def test_the_session_after_a_draft_is_the_one_folded_from_the_journal() -> None:
    job = Job()
    body = bodies.outcome_body(job.now, Outcome("yes"))
    wish = Draft("outcome", body, "2031-05-01T09:00:00.000Z", "p-2", "x", {})
    expected = bodies.after(job.now, wish)
    job.journal.append("j", wish, expected_head=job.journal.head("j"))
    assert fold("j", job.journal.entries("j"), job.machine) == expected
    assert expected.updated == "2031-05-01T09:00:00.000Z"


# What lists say


def test_the_row_of_a_job_says_where_it_stands_in_texts_and_whole_numbers() -> None:
    job = Job(scripted=True)
    assert bodies.index_row(job.now) == {
        "flow": "test",
        "title": "Test",
        "audience": "technician",
        "state": "at: Odometer",
        "at": "odometer",
        "ending": "",
        "opened": "2031-05-01T08:01:00.000Z",
        "updated": "2031-05-01T08:01:00.000Z",
        "scripted": 1,
        "demo": 0,
        "open_proofs": 0,
    }
    job.put("paused", bodies.paused_body(job.now))
    assert bodies.index_row(job.now)["state"] == "paused at: Odometer"
    job.answer("yes")
    job.answer("yes")
    job.idle("pass")
    job.answer("no")
    row = bodies.index_row(job.now)
    assert (row["state"], row["at"]) == ("handed back, proof to follow", "to-follow")
    assert (row["ending"], row["open_proofs"]) == ("proof-to-follow", 1)
    assert row["updated"] == "2031-05-01T08:06:00.000Z"
    job.put("closed", bodies.closed_body(job.now, "diagnosis", HIDDEN))
    assert bodies.index_row(job.now)["state"] == "back to diagnosis, closed by hand"


def test_the_list_can_be_made_anew_from_the_entries() -> None:
    job = Job()
    job.answer("yes")
    job.journal.rebuild_index(lambda entries: bodies.index_row(fold("j", entries, job.machine)))
    assert job.journal.jobs()[0]["at"] == "seal"
