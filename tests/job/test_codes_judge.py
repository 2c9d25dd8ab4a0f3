"""What comes of a code reading with the counters since the clear and the monitors."""

from __future__ import annotations

import json

import pytest

from verify.car.since_clear import Counters, Drive, counters_from_typed, drive_from_told
from verify.car.whole_counts import Span
from verify.errors import UserError
from verify.flow.graph import Step
from verify.job.answers import answer_from_tree
from verify.job.codes_answer import CodesRead
from verify.job.codes_judge import judge_codes
from verify.words import Verdict

LABELS = ("none", "partly-read", "learn", "other", "wiring", "forbids", "cleared", "not-ready")
ALL_READY = "41 01 00 07 65 00"
NOT_READY = "41 01 00 07 65 05"
LONG = {"distance": "9 km", "time": "61 min"}
SHORT = {"distance": "1 km", "time": "3 min"}
DRIVE = {"time": "15 min"}


def step(*passes: str, **asked: bool) -> Step:
    return Step(
        *("codes", "codes", "Codes", "Read them.", (), LABELS, frozenset(passes or ("none",))),
        unsure=frozenset({"partly-read", "not-ready"}),
        detail={"modules": ("engine",), **asked},
    )


BOTH = step(since_clear=True, readiness=True)


def judge(at: Step = BOTH, **answer: object) -> tuple[str, dict[str, str]]:
    """(label, check → finding) of an answer as an answers file gives it."""
    tree = {"stored": [], "pending": [], "modules": ["engine"], **answer}
    found = answer_from_tree(at, tree)
    assert isinstance(found, CodesRead)
    outcome, _, results = judge_codes(at, found)
    return outcome.label, {r.check: r.finding for r in results}


@pytest.mark.parametrize(
    ("answer", "label"),
    [
        ({"since_clear": LONG, "drive": DRIVE, "readiness": ALL_READY}, "none"),
        # Missing evidence never passes, one by one and all together.
        ({}, "partly-read"),
        ({"since_clear": LONG, "readiness": ALL_READY}, "partly-read"),
        ({"drive": DRIVE, "readiness": ALL_READY}, "partly-read"),
        ({"since_clear": "not read", "drive": DRIVE, "readiness": ALL_READY}, "partly-read"),
        ({"since_clear": {"warm-ups": "3"}, "drive": DRIVE, "readiness": ALL_READY}, "partly-read"),
        ({"since_clear": LONG, "drive": DRIVE}, "not-ready"),
        ({"since_clear": LONG, "drive": DRIVE, "readiness": NOT_READY}, "not-ready"),
        (
            {
                "since_clear": LONG,
                "drive": DRIVE,
                "readiness": ALL_READY,
                "permanent": ["P2111"],
            },
            "not-ready",
        ),
        # The counters contradict the drive, or only just do not.
        ({"since_clear": SHORT, "drive": DRIVE, "readiness": ALL_READY}, "cleared"),
        ({"since_clear": {"time": "15 min"}, "drive": DRIVE}, "partly-read"),
        # One counter that is surely short is enough.
        ({"since_clear": {**LONG, "time": "2 min"}, "drive": DRIVE}, "cleared"),
        # The car counts a code, or commands its lamp, and nobody typed one.
        (
            {"since_clear": LONG, "drive": DRIVE, "readiness": "41 01 81 07 65 00"},
            "partly-read",
        ),
        # A code speaks before the counters where it is graver, and after them where it is not.
        ({"stored": ["P2135"], "since_clear": SHORT, "drive": DRIVE}, "wiring"),
        ({"stored": ["C0035"], "since_clear": SHORT, "drive": DRIVE}, "forbids"),
        ({"stored": ["C1234@brakes"], "since_clear": LONG, "drive": DRIVE}, "forbids"),
        ({"stored": ["P0128"], "since_clear": SHORT, "drive": DRIVE}, "cleared"),
        ({"stored": ["P0128"], "since_clear": LONG, "drive": DRIVE}, "other"),
        ({"stored": ["P0128"]}, "other"),
    ],
)
def test_the_outcome_of_a_reading_at_hand_back(answer: dict[str, object], label: str) -> None:
    assert judge(**answer)[0] == label
    passes = {"none"} == {label}
    complete = {"since_clear", "drive", "readiness"} <= set(answer)
    assert not passes or complete


def test_a_step_that_puts_up_with_a_code_still_wants_the_proof() -> None:
    at = step("none", "other", "learn", since_clear=True)
    assert judge(at, stored=["P0128"], since_clear=LONG, drive=DRIVE)[0] == "other"
    assert judge(at, stored=["P0128"])[0] == "partly-read"
    assert judge(at, stored=["P0507"], since_clear=SHORT, drive=DRIVE)[0] == "cleared"


def test_a_step_that_does_not_ask_is_judged_as_ever_and_takes_no_counters() -> None:
    assert judge(step()) == ("none", {})
    for more in ({"since_clear": LONG}, {"drive": DRIVE}, {"readiness": ALL_READY}):
        with pytest.raises(UserError):
            judge(step(), **more)


def test_each_result_says_why_and_what_would_settle_it() -> None:
    answer = answer_from_tree(BOTH, {"stored": [], "pending": [], "modules": ["engine"]})
    assert isinstance(answer, CodesRead)
    _, values, results = judge_codes(BOTH, answer)
    assert [r.check for r in results] == ["since-clear", "readiness"]
    assert all(r.verdict is Verdict.UNDECIDED and r.why and r.settle for r in results)
    assert values["since_clear"] == dict.fromkeys(
        ("distance_km", "minutes", "warm_ups"), "not read"
    )
    assert values["readiness"] == "not read"


def test_a_drive_that_was_only_told_is_said_to_be() -> None:
    told = answer_from_tree(
        BOTH, {"stored": [], "modules": ["engine"], "since_clear": LONG, "drive": DRIVE}
    )
    assert isinstance(told, CodesRead)
    assert "told, not measured" in judge_codes(BOTH, told)[2][0].notes[0]
    recorded = CodesRead(told.reading, told.counters, Drive(minutes=Span(12, 15)), True)
    assert judge_codes(BOTH, recorded)[2][0].notes == ()


@pytest.mark.parametrize(
    ("counters", "drive", "label"),
    [
        (Counters(9, 61, 0), Drive(Span(7, 7.6), Span(12, 15), 1), "cleared"),
        (Counters(9, 61, 1), Drive(Span(7, 7.6), Span(12, 15), 1), "none"),
        (Counters(9, 61, 0), Drive(Span(7, 7.6), Span(12, 15)), "none"),
        (Counters(5, 61, 1), Drive(Span(7, 7.6), Span(12, 15), 1), "cleared"),
        (Counters(9, None, 1), Drive(Span(7, float("inf")), Span(12, 15), 1), "partly-read"),
        (Counters(None, None, 1), Drive(Span(7, 7.6), Span(12, 15), 1), "partly-read"),
    ],
)
def test_the_recorded_drive_is_held_against_each_counter(
    counters: Counters, drive: Drive, label: str
) -> None:
    at = step(since_clear=True)
    told = answer_from_tree(at, {"stored": [], "pending": [], "modules": ["engine"]})
    assert isinstance(told, CodesRead)
    outcome, values, _ = judge_codes(at, CodesRead(told.reading, counters, drive, True))
    assert outcome.label == label
    json.dumps(values["drive"], allow_nan=False)
    assert values["drive"]["warm_ups"] == drive.warm_ups


# As typed


def test_counters_in_their_own_unit_are_counts_and_in_another_are_spans() -> None:
    assert counters_from_typed({"distance": "23 km", "time": "41", "warm-ups": "2"}) == Counters(
        23, 41, 2
    )
    assert counters_from_typed({"distance": "?", "time": "not read"}) == Counters()
    miles = counters_from_typed({"distance": "14 mi"}).distance_km
    assert isinstance(miles, Span)
    # 1 mi = 1.609344 km exactly (NIST SP 811).
    assert (miles.low, miles.high) == pytest.approx((13 * 1.609344, 15 * 1.609344))


@pytest.mark.parametrize(
    "typed",
    [
        {"distance": "-1 km"},
        {"distance": "65536 km"},
        {"time": "9 km"},
        {"warm-ups": "2.5"},
        {"warm-ups": "256"},
        {"warm-ups": "2 km"},
        {"odometer": "9 km"},
        {"distance": "far"},
    ],
)
def test_what_a_counter_cannot_carry_is_refused(typed: dict[str, str]) -> None:
    with pytest.raises(UserError):
        counters_from_typed(typed)


def test_a_told_drive_is_open_by_a_quarter_and_never_nothing() -> None:
    minutes = drive_from_told({"time": "20 min"}).minutes
    assert minutes is not None
    assert (minutes.low, minutes.high) == (19 * 0.75, 21 * 1.25)
    for text in ("0 min", "-5 min", "soon"):
        with pytest.raises(UserError):
            drive_from_told({"time": text})


def test_by_work_names_codes_of_this_reading_only() -> None:
    assert judge(step(), stored=["P0507"], by_work=["P0507"])[0] == "learn"
    with pytest.raises(UserError):
        judge(step(), stored=["P0507"], by_work=["P2111"])
