"""What a signer sees first: each point has a job that shows it and one that does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.flow.small import flow, go, step
from tests.job.play import HIDDEN, Job, failed_once, judged, workshop_flow
from tests.job.test_proof_to_follow import proof, to_follow
from tests.job.test_signoff_fold import handed_back
from verify.evidence.verdict import CheckResult, Limits
from verify.flow.graph import Outcome, Promise
from verify.flow.machine import draft_machine
from verify.job import bodies
from verify.job.entry import Draft
from verify.job.session import ReadOnlySession, fold
from verify.job.signoff import SAID, Elsewhere, Point, Weight, close_to_limit, points
from verify.words import Group, Verdict

FILE, OTHER = "ab" * 32, "cd" * 32


def named(session: ReadOnlySession, name: str, elsewhere: Elsewhere | None = None) -> list[Point]:
    found = points(session, elsewhere) if elsewhere is not None else points(session)
    return [p for p in found if p.name == name]


def one(session: ReadOnlySession, name: str, elsewhere: Elsewhere | None = None) -> Point:
    (point,) = named(session, name, elsewhere)
    return point


def recording(sha256: str = FILE, *repairs: str) -> dict[str, Any]:
    return {"kind": "recording", "sha256": sha256, "repairs": list(repairs)}


def straight_on(evidence: Any = None) -> Job:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("pass", evidence=evidence or [recording()])
    return job


def test_a_job_that_went_straight_on_has_nothing_grave() -> None:
    job = straight_on()
    job.answer("yes")
    assert [p for p in points(job.now) if p.weight is Weight.GRAVE] == []
    # Nobody signed in this job, and its recording has no date.
    assert {p.name for p in points(job.now)} == {"not-signed", "recordings-undated"}


def test_the_gravest_come_first() -> None:
    job = failed_once()
    job.answer("no")
    weights = [list(Weight).index(p.weight) for p in points(job.now)]
    assert weights == sorted(weights)
    assert weights[0] == 0


def test_a_fail_names_what_was_done_before_it_passed() -> None:
    point = one(handed_back().now, "fail-settled")
    assert point.weight is Weight.LOOK
    assert point.words == (
        "“Idle” failed: idle-speed too-high. Settled: “Clean” was done, then it passed."
    )
    assert point.entries == (4, 7, 8)


def test_a_fail_that_stands_is_grave() -> None:
    graph = workshop_flow()
    road = replace(graph.steps["road"], unsure=frozenset())
    job = Job(draft_machine(replace(graph, steps={**graph.steps, "road": road})))
    job.answer("yes")
    job.answer("yes")
    job.idle("pass", evidence=[recording()])
    job.answer("no")
    assert one(job.now, "fail").words == "“Road” failed: No. It stands so at the end."
    assert one(job.now, "fail").weight is Weight.GRAVE


def test_undecided_on_the_way_and_at_the_end() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("undecided", evidence=[recording()])
    job.idle("pass", evidence=[recording(OTHER)])
    job.answer("cannot", private={"reason": HIDDEN})
    settled, still = one(job.now, "undecided-settled"), one(job.now, "undecided")
    assert settled.entries == (4, 5)
    assert still.said == (HIDDEN,)
    assert still.weight is Weight.LOOK  # to follow, so not grave
    assert "To follow 100 km." in still.words


def test_a_step_never_reached_is_named() -> None:
    job = Job()
    job.answer("yes")
    job.answer("no")
    assert job.now.at == "diagnosis"
    words = [p.words for p in named(job.now, "not-reached")]
    assert words == [
        "“Idle” is required and was never reached.",
        "“Road” is required and was never reached.",
    ]


def test_a_correction_that_alone_makes_it_pass_is_grave() -> None:
    job = straight_on()
    job.answer("no")
    job.correct(job.seq("road"), "yes")
    point = one(job.now, "correction")
    assert point.weight is Weight.GRAVE
    assert point.words == "“Road” was corrected: No → Yes. Only the correction makes it pass."
    assert point.said == (HIDDEN,)
    job.correct(job.seq("odometer"), "no")
    assert [p.weight for p in named(job.now, "correction")] == [Weight.GRAVE, Weight.LOOK]


def test_a_fail_that_was_answered_away() -> None:
    job = Job()
    job.answer("yes")
    job.answer("no")
    job.correct(job.seq("odometer"), "no")
    job.answer("yes", private={"reason": HIDDEN})
    assert one(job.now, "fail-answered-away").weight is Weight.GRAVE


def test_a_skipped_wait_with_its_reason() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("fail")
    job.put("wait-skipped", bodies.wait_skipped_body(job.now, HIDDEN))
    point = one(job.now, "wait-skipped")
    assert point.words == "The wait of 10 min at “Clean” was skipped."
    assert point.said == (HIDDEN,)


def test_a_word_that_turned_good_within_minutes_with_nothing_in_between_is_grave() -> None:
    job = to_follow()
    proof(job, "road", "yes")
    point = one(job.now, "answered-differently")
    assert point.weight is Weight.GRAVE
    assert point.words == (
        "“Road” was not decided: ?. It was answered differently 1 min later, with nothing done, "
        "driven or recorded in between: Yes."
    )


def test_a_word_that_turned_after_something_was_recorded_or_long_after_is_not_grave() -> None:
    job = to_follow()
    proof(job, "idle", judged("pass"), evidence=["a"])
    proof(job, "road", "yes")
    assert named(job.now, "answered-differently") == []
    job = to_follow()
    body = bodies.proof_body(job.now, "road", Outcome("yes"))
    wish = Draft("proof", body, "2031-05-01T09:20:00.000Z", "p-1", "late", {})
    job.journal.append("j", wish, expected_head=job.journal.head("j"))
    now = fold("j", job.journal.entries("j"), job.machine)
    assert named(now, "answered-differently") == []


def test_what_could_not_be_done_and_then_was_did_not_turn() -> None:
    job = to_follow(road="cannot")
    proof(job, "road", "yes")
    assert named(job.now, "answered-differently") == []


def with_a_promise() -> Job:
    """start → rest (a wait) → restart, which is never asked unless it rested → road."""
    graph = flow(
        step("ask", "start", go("yes", "rest"), go(["no", "cannot"], "diagnosis")),
        replace(
            step("do", "rest", go("done", "restart"), go("cannot", "diagnosis"), optional=True),
            detail={"wait_s": 900.0},
        ),
        step("ask", "restart", go("yes", "road"), go("no", "again"), go("cannot", "diagnosis"),
             optional=True),
        step("do", "again", go("done", "rest"), go("cannot", "diagnosis"), does=["remedy"],
             optional=True),
        step("ask", "road", go("yes", "handed-back"), go(["no", "cannot"], "diagnosis"),
             group=Group.COMPLAINT, later=("drive", "soon")),
        endings=("handed-back", "diagnosis", "tow"),
    )  # fmt: skip
    job = Job(draft_machine(replace(graph, promises=(Promise("never", "rest", "restart"),))))
    job.answer("yes")
    return job


def skip(job: Job) -> None:
    """As a version wrote it that let it be skipped."""
    body = {"step": "rest", "attempt": job.now.pending.attempt, "reason": HIDDEN}  # type: ignore[union-attr]
    job.put("wait-skipped", body)
    job.answer("done")


def test_a_pass_that_rests_on_a_wait_which_was_skipped_is_grave() -> None:
    job = with_a_promise()
    skip(job)
    job.answer("yes")
    job.answer("yes")
    point = one(job.now, "told-without-wait")
    assert point.weight is Weight.GRAVE
    assert point.words == (
        "The wait of 15 min at “Rest” was skipped. “Restart” rests on it and was answered all the "
        "same: Yes."
    )
    assert point.said == (HIDDEN,)


def test_a_wait_skipped_once_and_kept_the_next_time_is_not_grave() -> None:
    job = with_a_promise()
    skip(job)
    job.answer("no")
    job.answer("done")
    job.put("wait-started", bodies.wait_started_body(job.now))
    job.put("wait-ended", bodies.wait_ended_body(job.now))
    job.answer("done")
    job.answer("yes")
    assert one(job.now, "wait-skipped").weight is Weight.LOOK
    assert named(job.now, "told-without-wait") == []


def test_a_countdown_shorter_than_it_says_is_grave() -> None:
    """In these jobs an entry is written every minute, and the wait is of ten."""
    assert one(failed_once().now, "wait-short").weight is Weight.GRAVE


def test_told_where_a_recording_could_have_shown_it() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.answer("told-pass")
    assert one(job.now, "told").words == "Told, where a recording could have shown it: Idle."


def test_told_first_and_recorded_later_is_told_no_more() -> None:
    job = to_follow("told-undecided")
    assert named(job.now, "told")
    proof(job, "idle", judged("pass"), evidence=[recording()])
    assert not named(job.now, "told")


@pytest.mark.parametrize(
    ("text", "source", "detail", "words"),
    [
        ("750", "service information", "", "750 rpm has no document named"),
        ("750", "common practice", "", "750 rpm is common practice"),
        ("", "not found", "", "was not found"),
        ("750", "service information", "sheet 4", None),
    ],
)
def test_numbers_of_the_car_without_a_source(
    text: str, source: str, detail: str, words: str | None
) -> None:
    job = straight_on()
    body = bodies.spec_body(
        job.now, name="idle_speed", text=text, unit="rpm", source=source, detail=detail
    )
    job.put("spec", body)
    found = named(job.now, "number")
    assert len(found) == (words is not None)
    assert all(words in p.words for p in found if words)


def result(**over: Any) -> CheckResult:
    limits = Limits(700.0, 800.0, "rpm", "test")
    plain = CheckResult("idle-speed", 1, Verdict.PASS, "in-range", "w", value=750.0, unit="rpm",
                        uncertainty=1.0, limits=limits, probability=0.999)  # fmt: skip
    return replace(plain, **over)


@pytest.mark.parametrize(
    ("over", "close"),
    [
        ({}, False),
        ({"probability": 0.979}, True),
        ({"probability": 0.98}, False),
        ({"value": 709.9}, True),
        ({"value": 710.1}, False),
        ({"value": 790.1}, True),
        ({"limits": Limits(12.0, None, "V", "test"), "value": 13.1, "unit": "V"}, True),
        ({"limits": Limits(12.0, None, "V", "test"), "value": 13.3, "unit": "V"}, False),
        ({"verdict": Verdict.FAIL, "probability": 0.01}, False),
        ({"value": None, "limits": None, "probability": None}, False),
        ({"value": float("nan")}, False),
    ],
)
def test_a_pass_close_to_its_limit(over: dict[str, Any], close: bool) -> None:
    assert bool(close_to_limit(result(**over))) is close


def test_close_ones_are_shown_of_the_last_answer_alone() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("pass", results=[result(probability=0.96).to_json()])
    assert one(job.now, "close").words == (
        "“Idle”, idle-speed: it passes with a probability of 0.96, where 0.95 is the least."
    )


def test_a_clock_that_ran_back_between_entries() -> None:
    session = straight_on().now
    early = replace(session.history[-1], time="2031-04-01T08:00:00.000Z")
    session = replace(session, history=(*session.history[:-1], early))
    assert one(session, "clock-back").entries == (early.seq,)
    assert one(session, "clock-back").weight is Weight.GRAVE


def test_a_recording_whose_clock_jumps() -> None:
    words = "3 rows out of order, by up to 2 s: sorted in"
    job = straight_on([recording(FILE, words, "rpm: 2 infinite values left out")])
    assert words in one(job.now, "recording-clock").words
    assert not named(straight_on().now, "recording-clock")


def test_one_file_at_two_steps_and_in_another_job() -> None:
    job = to_follow(judged("undecided"))
    walk = tuple(
        replace(v, evidence=[recording()]) if v.step in ("idle", "road") else v
        for v in job.now.walk
    )
    session = replace(job.now, walk=walk)
    assert one(session, "file-twice").words == "One file stands behind “Idle” and “Road”."
    known = Elsewhere({FILE: ["zz9"]}, {})
    point = one(straight_on().now, "file-of-another-job", known)
    assert (point.weight, "job zz9" in point.words) == (Weight.GRAVE, True)
    assert not named(straight_on().now, "file-of-another-job", Elsewhere({OTHER: ["zz9"]}, {}))


def test_a_recording_of_another_car() -> None:
    session = straight_on().now
    other = Elsewhere({}, {FILE: ["*****1"]}, "*****2", frozenset({FILE}))
    assert one(session, "other-vin", other).weight is Weight.GRAVE
    alone = Elsewhere({}, {FILE: ["*****1"]})
    assert one(session, "vin-alone", alone).weight is Weight.LOOK
    same = Elsewhere({}, {FILE: ["*****1"]}, "*****1")
    assert {p.name for p in points(session, same)} == {p.name for p in points(session)}


def test_stop_is_shown_first() -> None:
    job = straight_on()
    job.answer("stop", private={"reason": HIDDEN})
    assert points(job.now)[0].name == "stop"
    assert points(job.now)[0].said == (HIDDEN,)


def test_written_down_afterwards() -> None:
    job = Job(mode="afterwards")
    job.answer("yes")
    assert one(job.now, "afterwards").entries == (2,)


def test_notes_are_to_be_read() -> None:
    job = straight_on()
    job.put("note", bodies.note_body(job.now, {"text": HIDDEN}))
    assert one(job.now, "notes").said == (HIDDEN,)


def test_points_are_a_function_of_the_session() -> None:
    job = failed_once()
    assert points(job.now) == points(job.now)
    assert all(isinstance(p.words, str) and p.words for p in points(job.now))


def test_evidence_of_unknown_shape_is_no_point_and_no_crash() -> None:
    job = Job()
    job.answer("yes")
    job.answer("yes")
    job.idle("pass", evidence=["just words"], results=[{"check": "idle-speed"}])
    assert points(job.now)


def driven(*steps: tuple[str, dict[str, Any]]) -> ReadOnlySession:
    """A session of a flow with an odometer read twice, a drive and a clearing of codes."""
    from tests.flow.small import flow, go, step
    from tests.job.play import machine_for

    graph = flow(
        step("do", "drive", go(["done", "cannot"], "clear"), does=["road-test"], optional=True,
             hazards=("traffic",)),
        step("do", "clear", go(["done", "cannot"], "diagnosis"), optional=True),
        step("reading", "before", go(["taken", "cannot"], "diagnosis"), optional=True),
        step("reading", "after", go(["taken", "cannot"], "diagnosis"), optional=True),
        step("codes", "codes", go(["none", "partly-read", "learn", "other", "cannot"],
                                  "diagnosis"), optional=True),
    )  # fmt: skip
    km = {"unit": "km"}
    marked = {
        n: replace(
            s,
            does=frozenset({"clears-codes"}) if n == "clear" else s.does,
            detail=km if s.kind == "reading" else s.detail,
        )
        for n, s in graph.steps.items()
    }
    job = Job(machine_for(flow(step("ask", "a", go(["yes", "no", "cannot"], "diagnosis")))))
    job.answer("yes")
    (first,) = (v for v in job.now.walk if v.step == "a")
    walk = tuple(
        replace(
            first,
            step=name,
            seq=n,
            rank=n,
            outcome=replace(first.outcome, label="done" if name in ("drive", "clear") else "taken"),
            **more,
        )
        for n, (name, more) in enumerate(steps, start=2)
    )
    return replace(job.now, walk=walk, graph=replace(graph, steps=marked))


def km(number: str) -> dict[str, Any]:
    return {"values": {"text": number, "unit": "km"}}


def test_codes_cleared_after_the_last_drive() -> None:
    assert one(driven(("drive", {}), ("clear", {})), "cleared-last").entries == (2, 3)
    assert not named(driven(("clear", {}), ("drive", {})), "cleared-last")
    assert not named(driven(("drive", {}), ("clear", {}), ("drive", {})), "cleared-last")


def test_an_odometer_that_ran_back() -> None:
    back = driven(("before", km("1200")), ("after", km("1199")))
    assert one(back, "odometer").words == "The odometer ran back: 1200 km, then 1199 km."
    assert not named(driven(("before", km("1200")), ("after", km("1200"))), "odometer")


def test_a_drive_longer_than_the_odometer_counted() -> None:
    def of(read: list[Any]) -> ReadOnlySession:
        drive = ("codes", {"values": {"drive": {"distance_km": read}}})
        return driven(("before", km("1200")), drive, ("after", km("1210")))

    assert "23.4 km" in one(of([23.4, 24.0]), "odometer").words
    assert not named(of([10.5, 12.0]), "odometer")
    assert not named(of(["not known", "not known"]), "odometer")


def test_distance_since_clear_that_does_not_bear_out_the_drive() -> None:
    def of(verdict: Verdict) -> ReadOnlySession:
        stored = CheckResult("since-clear", 3, verdict, "short", "The car counts 3 km.")
        return driven(("codes", {"results": [stored.to_json()]}))

    assert one(of(Verdict.FAIL), "since-clear").weight is Weight.GRAVE
    assert one(of(Verdict.UNDECIDED), "since-clear").weight is Weight.LOOK
    assert not named(of(Verdict.PASS), "since-clear")


def test_outcomes_are_called_what_the_screens_call_them() -> None:
    from verify.terminal.say import _LABELS

    for label, words in SAID.items():
        assert _LABELS[label].startswith(words), label
