"""A code reading asked of a person in plain lines, and what is said of it."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from verify.car.code_history import Past
from verify.car.codes import CodeReading, meaning
from verify.car.freeze_frame import frame_from_line
from verify.car.since_clear import Counters
from verify.errors import Problem, UserError
from verify.flow.graph import Graph, Outcome, Step
from verify.job.answers import answer_from_tree
from verify.job.codes_answer import CodesRead
from verify.job.codes_judge import judge_codes
from verify.job.recompute import codes_read_again
from verify.job.visits import Visit
from verify.terminal.ask_codes import ask_codes
from verify.terminal.clock import PlayingClock
from verify.terminal.code_words import (
    codes_at_hand,
    frame_words,
    history_before,
    proposed_drive,
    reading_lines,
    recorded_drive,
    told_clear,
)
from verify.terminal.collect import judge_taken
from verify.terminal.ui import Page
from verify.terminal.ui_lines import LineUi
from verify.terminal.ui_screen import ScreenUi
from verify.words import Grade

LABELS = ("none", "partly-read", "learn", "other", "wiring", "forbids", "cleared", "not-ready")


CLOCK = PlayingClock(datetime(2031, 3, 4, 10, 0, tzinfo=UTC))


def codes_step(*, required: bool = True, **asked: bool) -> Step:
    return Step(
        *("codes", "codes", "Codes", "Read them.", (), LABELS, frozenset({"none"})),
        unsure=frozenset({"partly-read", "not-ready"}),
        required=required,
        detail={"modules": ("engine", "brakes"), **asked},
    )


def visit(step: str, seq: int, **more: Any) -> Visit:
    outcome = more.pop("outcome", Outcome("done"))
    return Visit(
        step, 1, outcome, seq, seq, seq, "2031-03-04T08:00:00.000Z", "p", "as-work", **more
    )


def session(*visits: Visit, **more: Step) -> Any:
    clear = Step("clear", "do", "Clear", "", (), ("done",), frozenset({"done"}))
    object.__setattr__(clear, "does", frozenset({"clears-codes"}))
    drive = Step("drive", "record", "Drive", "", (), ("pass",), frozenset({"pass"}))
    object.__setattr__(drive, "detail", {"checks": ("no-stall", "road-coverage")})
    steps = {"codes": codes_step(), "clear": clear, "drive": drive, **more}
    graph = Graph("f", "F", "r", (), "codes", "stop", steps, {}, {}, ())
    return SimpleNamespace(walk=visits, graph=graph, proofs=())


def ask(step: Step, *lines: str, at: Any = None) -> tuple[CodesRead, str]:
    shown = io.StringIO()
    ui = LineUi(io.StringIO("".join(f"{line}\n" for line in lines)), shown)

    def trouble(error: UserError) -> None:
        ui.tell("That cannot be taken:", str(error))

    found = ask_codes(ui, at or session(), step, trouble)
    return found, shown.getvalue()


def reading_visit(seq: int, *stored: str) -> Visit:
    reading = CodeReading(stored, (), None, ("engine", "brakes"))
    return visit("codes", seq, outcome=Outcome("learn", Grade.READ), values=reading.to_json())


def test_memories_places_and_modules_are_taken_and_notes_are_said_at_once() -> None:
    found, shown = ask(codes_step(), "P0l07 U0100@gearbox", "none", "?", "2", "2")
    assert found.reading == CodeReading(
        ("P0107", "U0100"),
        (),
        None,
        ("engine", "gearbox"),
        (("U0100", "gearbox"),),
        notes=found.reading.notes,
    )
    assert '"P0l07" was read as P0107' in shown
    assert len(found.reading.notes) == 1


def test_a_step_that_speaks_of_codes_has_them_at_hand_until_they_are_cleared() -> None:
    look = Step("look", "ask", "A code that is left", "What is it about?", (), (), frozenset())
    quiet = Step("quiet", "ask", "The belt", "How is it?", (), (), frozenset())
    readers = Step("r", "ask", "Who can do it", "Simple code readers cannot.", (), (), frozenset())
    at = session(reading_visit(1, "P0507"), reading_visit(2, "P0128", "P0171"))
    head, first, second = codes_at_hand(at, look)
    assert head == "Codes read last:"
    assert first == f"  P0128: {meaning('P0128')}"
    assert second.startswith("  P0171: ")
    assert codes_at_hand(at, quiet) == codes_at_hand(at, readers) == ()
    assert codes_at_hand(at, codes_step()) == (), "it is read anew there"
    assert codes_at_hand(session(reading_visit(1)), look) == ()
    many = ("P0101", "P0102", "P0103", "P0104", "P0105", "P0106")
    *_, rest = codes_at_hand(session(reading_visit(1, *many)), look)
    assert rest == "  and also: P0105, P0106"
    cleared = visit("clear", 3, outcome=Outcome("done"))
    assert codes_at_hand(session(reading_visit(2, "P0128"), cleared), look) == ()


def test_the_codes_read_last_stand_on_the_page_of_the_step() -> None:
    shown = io.StringIO()
    page = Page("j", "Flow", "", "A code", "Look.", facts=("Codes read last:", "  P0128: cold"))
    LineUi(io.StringIO(), shown).page(page)
    assert "Look.\nCodes read last:\n  P0128: cold\n" in shown.getvalue()
    drawn = io.StringIO()
    ScreenUi(Console(file=drawn, width=80, height=20)).page(page)
    assert "Codes read last:" in drawn.getvalue()
    assert "  P0128: cold" in drawn.getvalue()


def test_what_is_no_code_is_refused_with_its_reason_and_asked_again() -> None:
    _, shown = ask(codes_step(), "P0507 4407 lamp", "P0507", "none", "none", "1")
    assert "That cannot be taken" in shown
    assert "4407" in shown
    assert "understood: P0507" in " ".join(shown.split())


def test_a_makers_chassis_code_is_asked_about_and_forbids_from_the_brake_module() -> None:
    found, shown = ask(codes_step(), "C1234", "none", "?", "1", "1")
    assert found.reading.where == (("C1234", "brakes"),)
    assert found.reading.label() == "forbids"
    assert "FORBIDS DRIVING" in " ".join(shown.split())
    other, _ = ask(codes_step(), "C1234", "none", "?", "2", "1")
    assert other.reading.label() == "other"


def test_what_the_work_itself_set_is_asked_only_of_new_codes_kept_for_the_record() -> None:
    before = session(reading_visit(2, "P0507"))
    optional = codes_step(required=False)
    found, shown = ask(optional, "P0507 P2135", "none", "?", "1", "1", "", at=before)
    assert found.reading.by_work == ("P2135",)
    assert "P0507: " in shown
    required, _ = ask(codes_step(), "P2135", "none", "?", "1", at=before)
    assert required.reading.by_work == ()


def test_a_freeze_frame_proposes_a_drive_and_may_be_left_out() -> None:
    optional = codes_step(required=False)
    line = "code P0507, speed 62 km/h, rpm 1900, load 35 %, coolant 88 °C"
    found, shown = ask(optional, "P0507", "none", "?", "1", "speed fast", line)
    assert "That cannot be taken" in shown
    outcome, values, _ = judge_codes(optional, found)
    at = session(visit("codes", 2, outcome=outcome, values=values))
    at.units = "metric"
    words = proposed_drive(at)
    assert words.startswith("To go back to the freeze frame, where road and law allow it: steady")
    assert "about 1,900 rpm, light load, warm" in words
    without, _ = ask(optional, "P0507", "none", "?", "1", "")
    assert without.frame is None
    assert "freeze_frame" not in judge_codes(optional, without)[1]
    same = answer_from_tree(optional, {"stored": ["P0507"], "freeze_frame": line})
    assert same.frame == found.frame
    replies = (
        "42 02 00 05 07; 42 0D 00 3E; 42 0C 00 1D B0; 42 04 00 59; 42 05 00 80; 42 42 00 37 DC"
    )
    pasted, _ = ask(optional, "P0507", "none", "?", "1", replies)
    assert pasted.frame is not None
    assert (pasted.frame.code, pasted.frame.rpm, pasted.frame.coolant_c) == ("P0507", 1900, 88)
    assert any("control module voltage" in note for note in pasted.reading.notes)
    by_file = answer_from_tree(optional, {"stored": ["P0507"], "freeze_frame": replies})
    assert (by_file.frame, by_file.reading.notes) == (pasted.frame, pasted.reading.notes)
    fast = frame_from_line("speed 140 km/h, rpm 3000, load 35 %, coolant 88 °C")
    assert "No lawful drive" in frame_words(fast.to_json(), "metric")


def test_counters_drive_and_monitors_may_each_be_not_read() -> None:
    asked = codes_step(since_clear=True, readiness=True)
    found, _ = ask(asked, "none", "none", "?", "1", "?", "?", "?", "?")
    assert judge_codes(asked, found)[0].label == "partly-read"
    full, _ = ask(
        asked, "none", "none", "?", "1", "9 km", "far", "61 min", "1", "15 min", "41 01 00 07 65 00"
    )
    assert judge_codes(asked, full)[0].label == "none"
    assert not full.from_recording


@pytest.mark.parametrize("typed", ["not supported", "Not  Supported", "n/a"])
def test_not_supported_is_kept_apart_from_not_read_and_never_none(typed: str) -> None:
    found, _ = ask(codes_step(), "none", "none", typed, "1")
    unread, _ = ask(codes_step(), "none", "none", "not read", "1")
    assert found.reading.permanent is None
    assert "permanent codes: not supported by car or reader" in found.reading.notes[0]
    assert unread.reading.notes == ()
    tree = {"stored": [], "pending": typed, "permanent": typed, "modules": ["engine", "brakes"]}
    by_file = answer_from_tree(codes_step(), tree)
    assert isinstance(by_file, CodesRead)
    assert [note.split()[0] for note in by_file.reading.notes] == ["pending", "permanent"]
    assert judge_codes(codes_step(), by_file)[0].label == "partly-read"


def test_with_a_recording_of_the_drive_nobody_is_asked_how_long_it_was() -> None:
    made = ({"kind": "recording", "seconds": 900.0},)
    at = session(visit("drive", 3, outcome=Outcome("undecided", Grade.RECORDED), evidence=made))
    drive = recorded_drive(at)
    assert drive is not None
    assert drive.minutes is not None
    assert (drive.minutes.low, drive.minutes.high) == (12.0, 15.0)
    asked = codes_step(since_clear=True)
    found, shown = ask(asked, "none", "none", "?", "1", "9 km", "61 min", "1", at=at)
    assert "how long was the drive" not in shown
    assert found.counters.minutes == 61
    assert recorded_drive(session(visit("drive", 3, outcome=Outcome("told-pass")))) is None


def drive_table(*, coolant_from: int) -> bytes:
    """A quarter of an hour at 60 km/h, 15 km, with the coolant rising to 90 °C."""
    rows = ["Time (s),Engine RPM (rpm),Vehicle speed (km/h),Coolant temperature (°C)"]
    for t in range(901):
        coolant = coolant_from + (90 - coolant_from) * t // 900
        rows.append(f"{t},{1800 + 50 * (t % 3)},{59 + t % 3},{coolant}")
    return "\n".join(rows).encode()


@pytest.mark.parametrize(
    ("coolant_from", "counters", "label"),
    [
        (20, Counters(40, 61, 1), "none"),
        (20, Counters(40, 61, 0), "cleared"),
        (85, Counters(40, 61, 0), "none"),
        (85, Counters(12, 61, 0), "cleared"),
    ],
)
def test_the_kept_recording_of_the_drive_gives_its_distance_and_its_warm_up(
    coolant_from: int, counters: Counters, label: str
) -> None:
    data = drive_table(coolant_from=coolant_from)
    made = ({"kind": "recording", "seconds": 900.0, "sha256": "0" * 64, "mapping": {}},)
    at = session(visit("drive", 3, outcome=Outcome("undecided", Grade.RECORDED), evidence=made))
    at.specs = {}
    journal = SimpleNamespace(open_evidence=lambda sha256: io.BytesIO(data))
    desk: Any = SimpleNamespace(journal=journal, clock=CLOCK)
    asked, hands = codes_step(since_clear=True), SimpleNamespace()
    reading = CodeReading((), (), None, ("engine", "brakes"))
    judged = judge_taken(desk, at, asked, CodesRead(reading, counters), hands)  # type: ignore[arg-type]
    assert judged.judged.outcome.label == label
    drive = judged.judged.values["drive"]  # type: ignore[index]
    low, high = drive["distance_km"]
    assert 15 * 0.93 < low < 15 < high < 15 * 1.08
    assert drive["warm_ups"] == (1 if coolant_from == 20 else 0)


def test_a_recording_that_is_not_at_hand_leaves_the_time_of_the_drive() -> None:
    def gone(sha256: str) -> io.BytesIO:
        raise UserError(Problem("a file that is gone", "a kept file", "record again"))

    made = ({"kind": "recording", "seconds": 900.0, "sha256": "0" * 64, "mapping": {}},)
    at = session(visit("drive", 3, outcome=Outcome("undecided", Grade.RECORDED), evidence=made))
    at.specs = {}
    desk: Any = SimpleNamespace(journal=SimpleNamespace(open_evidence=gone), clock=CLOCK)
    reading = CodeReading((), (), None, ("engine", "brakes"))
    answer = CodesRead(reading, Counters(40, 61, 0))
    judged = judge_taken(desk, at, codes_step(since_clear=True), answer, None)  # type: ignore[arg-type]
    assert judged.judged.outcome.label == "none"
    assert judged.judged.values["drive"]["distance_km"] == "not known"  # type: ignore[index]


def test_the_history_knows_what_was_cleared_and_ends_before_the_visit_at_hand() -> None:
    first, clear, last = reading_visit(2, "P0507"), visit("clear", 3), reading_visit(4)
    at = session(first, clear, last)
    assert history_before(at, last) == (Past(CodeReading.from_json(first.values), True),)
    assert history_before(at, first) == ()
    cannot = session(first, visit("clear", 3, outcome=Outcome("cannot")), last)
    assert not history_before(cannot, last)[0].cleared_after


def test_the_lines_name_differences_monitors_and_where_to_ask_about_an_inspection() -> None:
    asked = codes_step(since_clear=True, readiness=True)
    found, _ = ask(
        asked, "none", "P0507", "?", "1", "9 km", "61 min", "1", "15 min", "41 01 00 07 65 05"
    )
    _, values, results = judge_codes(asked, found)
    earlier = [Past(CodeReading(("P0507", "P2111"), (), None, ("engine", "brakes")), True)]
    text = "\n".join(reading_lines(earlier, values, results))
    for part in (
        "returned after clearing, pending only: P0507",
        "gone: P2111",
        "since-clear: pass.",
        "How long the drive was is told, not measured.",
        "Monitor not complete: catalyst. It runs on: engine fully warm",
        "keysback ready",
    ):
        assert part in text


@pytest.mark.parametrize("typed", ["catalyst: complete, evap: incomplete", "41 41 00 07 65 05"])
def test_boxes_leave_what_was_not_listed_unread_and_a_cycles_reply_is_refused(typed: str) -> None:
    asked = codes_step(readiness=True)
    found, shown = ask(asked, "none", "none", "?", "1", typed, "?")
    if typed.startswith("41"):
        assert "this driving cycle only" in " ".join(shown.split())
        assert found.status is None
    else:
        assert found.status is not None
        assert judge_codes(asked, found)[0].label == "not-ready"


# --- a clear that was only told of ----------------------------------------------------------------


def cleared_job(clear_at: str, *, drive_after: bool = True, **over: Any) -> Any:
    """Entry 1 at 08:00, the clear answered in entry 2, a drive of a quarter of an hour after it."""
    made = ({"kind": "recording", "seconds": 900.0},)
    drive = visit(
        "drive",
        3 if drive_after else 1,
        outcome=Outcome("undecided", Grade.RECORDED),
        evidence=made,
    )
    clear = replace(visit("clear", 2, **over.pop("clear", {})), time=clear_at)
    at = session(*((clear, drive) if drive_after else (drive, clear)))
    at.scripted, at.mode, at.specs = False, "as-work", {}
    at.history = (SimpleNamespace(time="2031-03-04T08:00:00.000Z"), SimpleNamespace(time=clear_at))
    for name, value in over.items():
        setattr(at, name, value)
    return at


def test_the_time_since_a_clear_counts_from_the_entry_before_it() -> None:
    at = cleared_job("2031-03-04T09:00:00.000Z")
    found = told_clear(at, CLOCK.now())
    assert found is not None
    assert (found.minutes, found.drive_after) == (120.0, True)
    before = told_clear(cleared_job("2031-03-04T09:00:00.000Z", drive_after=False), CLOCK.now())
    assert before is not None
    assert not before.drive_after


@pytest.mark.parametrize(
    "at",
    [
        session(),
        cleared_job("2031-03-04T09:00:00.000Z", clear={"outcome": Outcome("cannot")}),
        cleared_job("2031-03-04T09:00:00.000Z", scripted=True),
        cleared_job("2031-03-04T09:00:00.000Z", mode="afterwards"),
        cleared_job("2031-03-04T11:00:00.000Z"),
    ],
)
def test_where_no_time_is_known_nothing_is_held_against_it(at: Any) -> None:
    assert told_clear(at, CLOCK.now()) is None


@pytest.mark.parametrize(
    ("counters", "label", "finding"),
    [
        (Counters(12, 40, 1), "none", "covers"),
        (Counters(400, 40, 1), "partly-read", "clear-not-seen"),
        (Counters(12, 900, 1), "partly-read", "clear-not-seen"),
        (Counters(12, 40, 30), "partly-read", "clear-not-seen"),
        (Counters(65535, 65535, 255), "partly-read", "clear-not-seen"),
        (Counters(12, 5, 1), "cleared", "does-not-cover"),
        (Counters(400, 5, 1), "cleared", "does-not-cover"),
        (Counters(), "partly-read", "nothing-to-compare"),
    ],
)
def test_four_hundred_kilometres_since_a_clear_an_hour_ago_never_pass(
    counters: Counters, label: str, finding: str
) -> None:
    at = cleared_job("2031-03-04T09:00:00.000Z")

    def gone(sha256: str) -> io.BytesIO:
        raise UserError(Problem("a file that is gone", "a kept file", "record again"))

    at.walk[1].evidence[0].update(sha256="0" * 64, mapping={})
    desk: Any = SimpleNamespace(journal=SimpleNamespace(open_evidence=gone), clock=CLOCK)
    reading = CodeReading((), (), None, ("engine", "brakes"))
    asked = codes_step(since_clear=True)
    judged = judge_taken(desk, at, asked, CodesRead(reading, counters), None).judged  # type: ignore[arg-type]
    assert (judged.outcome.label, judged.results[0].finding) == (label, finding)
    assert judged.values is not None
    assert judged.values["cleared"] == {"minutes": 120.0, "drive_after": True}
    again = codes_read_again(judged.values)
    assert judge_codes(asked, again)[0] == judged.outcome
    assert judge_codes(asked, again)[2] == judged.results
    if finding == "clear-not-seen":
        assert "at most 2 h before" in judged.results[0].why
        assert "clear its codes, repeat the drive" in judged.results[0].settle
