"""The runner in plain lines, in one process: every kind of step, every wish."""

from __future__ import annotations

import io
from contextlib import suppress
from pathlib import Path

import pytest

from tests.terminal.walks import SMALL, idle_csv, play, small_desk
from verify.errors import UserError
from verify.job.bodies import wait_skipped_body, wait_started_body
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk
from verify.terminal.hands import PersonHands
from verify.terminal.prove import ProofRunner
from verify.terminal.recall import with_the_complaint
from verify.terminal.runner import Paused, close_by_hand
from verify.terminal.say import step_page
from verify.terminal.ui_lines import LineUi
from verify.words import Audience, EndingKind

# From the story to the start: story, card, torque with its spec, voltage with its default, codes.
TO_REST = [
    "It hunts when warm",
    "none",
    *("9 N·m", "", "1", ""),
    *("1", "9 N·m", "sheet 4"),
    *("12.6 V", "3"),
    *("none", "none", "?", "1"),
]


def walk_to_end(desk, idle: list[str], start: str = "1"):
    return play(desk, *TO_REST, "2", "hurry", "1", start, *idle)


def test_a_good_walk_hands_the_keys_back(tmp_path: Path) -> None:
    desk = small_desk()
    spec = ["1", "750 rpm", ""]
    shown = walk_to_end(desk, ["1", str(idle_csv(tmp_path / "idle.csv")), *spec, "1"])
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.HAND_BACK
    assert "THE KEYS CAN GO BACK" in shown
    assert "no statutory roadworthiness test" in shown
    assert [v.step for v in session.walk][-2:] == ["idle", "decide"]
    assert session.last("idle").results[0]["verdict"] == "pass"


def test_told_instead_of_recorded_leaves_proof_to_follow() -> None:
    desk = small_desk(Audience.OWNER)
    shown = walk_to_end(desk, ["2", "1", "1"])
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.PROOF_TO_FOLLOW
    assert [s.name for s in session.open_steps()] == ["idle"]
    assert "record it again By: within a week." in shown
    assert "Told, not measured" in shown


def test_a_missing_reader_and_recorder_is_no_pass() -> None:
    desk = small_desk()
    play(
        desk,
        *("x", "none", "!cannot", "no wrench"),
        *("!cannot", "no meter", "!cannot", "no reader"),
        *("2", "hurry", "1", "1"),
        *("!cannot", "no adapter", "1"),
    )  # fmt: skip
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.PROOF_TO_FOLLOW
    assert {s.name for s in session.open_steps()} == {"bolt", "codes", "idle"}


def test_stop_is_on_every_page_and_ends_in_do_not_drive() -> None:
    desk = small_desk()
    shown = play(desk, *TO_REST, "2", "hurry", "1", "!stop")
    session = desk.session()
    assert session.stopped
    assert session.ending is not None
    assert session.ending.kind is EndingKind.DO_NOT_DRIVE
    assert "###  STOP  ###  Engine off. Do not drive." in shown
    assert session.correctable() == ()


def test_stop_works_while_a_number_of_the_car_is_asked() -> None:
    desk = small_desk()
    play(desk, "x", "none", "9 N·m", "", "1", "", "!stop")
    assert desk.session().stopped


def test_cautions_stand_at_the_step_and_again_on_resume() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *TO_REST, "2", "hurry", "1", "!pause")
    first = play.shown.getvalue()
    with pytest.raises(Paused):
        play(desk, "!pause")
    again = play.shown.getvalue()
    for shown in (first, again):
        assert "CAUTION, Revs can climb by themselves" in shown
        assert "CAUTION, Exhaust gas" in shown


def test_the_end_of_the_input_is_a_pause_and_loses_nothing() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, "It hunts", "none")
    session = desk.session()
    assert [v.step for v in session.walk] == ["story", "list"]
    assert session.paused


def test_a_correction_sets_the_rest_aside_and_offers_it_again() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        # After the codes, correct the torque; the voltage comes back as the ready answer.
        play(desk, *TO_REST, "!correct", "3", "8,9 N·m", "", "1", "", "misread", "1", "1", "!pause")
    session = desk.session()
    assert [(c.step, c.attempt) for c in session.corrections] == [("bolt", 1)]
    assert [v.step for v in session.walk] == ["story", "list", "bolt", "volts", "codes"]
    assert session.last("bolt").values["text"] == "8.9"
    assert session.made["volts"] == 1, "a ready answer taken up again is no new attempt"
    assert session.pending is not None
    assert session.pending.step == "rest"


def test_a_changed_spec_judges_anew_what_used_it() -> None:
    desk = small_desk()
    with suppress(Paused):
        play(desk, *TO_REST, "!spec", "2", "1", "20 N·m", "other sheet", "misread the sheet")
    session = desk.session()
    kinds = [e.kind for e in session.history]
    assert kinds.count("rejudged") == 1
    assert session.last("bolt").outcome.label == "fail", "9 N·m are no 20 N·m"
    assert session.ending is not None
    assert session.ending.name == "back"


def test_twice_undecided_is_judged_together(tmp_path: Path) -> None:
    """Two recordings of 25 s each are too short alone; together they carry a verdict."""
    desk = small_desk()
    short = [str(idle_csv(tmp_path / f"{n}.csv", seconds=25, rpm=750 + n)) for n in (0, 1)]
    walk_to_end(desk, ["1", short[0], "1", "750 rpm", "", "1", "1", short[1], "1"])
    session = desk.session()
    visits = [v for v in session.walk if v.step == "idle"]
    assert visits[0].outcome.label == "undecided"
    assert len(visits[1].evidence) == 2, "the entry names both recordings"
    assert visits[1].outcome.label == "pass"


def test_a_wait_runs_by_the_clock_and_restarts_when_the_clock_runs_backwards() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *TO_REST)
    desk.write("wait-started", wait_started_body(desk.live()))
    assert isinstance(desk.clock, PlayingClock)
    desk.clock.pass_time(-60)
    with pytest.raises(Paused):
        play(desk)
    waits = [e for e in desk.session().history if e.kind == "wait-started"]
    assert [bool(e.body.get("restarted")) for e in waits] == [False, True]
    desk.clock.pass_time(121)
    with pytest.raises(Paused):
        play(desk)
    assert desk.session().history[-2].kind == "wait-ended"


def test_a_wait_counts_from_when_a_person_starts_it_not_from_when_it_is_shown() -> None:
    """Reading, clearing and switching off take time: none of it is waiting."""
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *TO_REST)
    assert "wait-started" not in [e.kind for e in desk.session().history]
    assert isinstance(desk.clock, PlayingClock)
    desk.clock.pass_time(600)
    with pytest.raises(Paused):
        play(desk)
    assert "wait-ended" not in [e.kind for e in desk.session().history]


def test_an_empty_line_takes_back_what_was_picked_by_mistake() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        shown = play(desk, "x", "!cannot", "", "!note", "", "!pause")
    shown = play.shown.getvalue()  # type: ignore[attr-defined]
    assert "An empty line goes back." in shown
    kinds = [e.kind for e in desk.session().history]
    assert kinds.count("outcome") == 1
    assert "note" not in kinds


def test_after_a_verdict_nothing_can_be_refused_on_behalf_of_the_next_question(
    tmp_path: Path,
) -> None:
    desk = small_desk()
    file = str(idle_csv(tmp_path / "idle.csv"))
    with pytest.raises(Paused):
        walk_to_end(desk, ["1", file, "1", "900 rpm", "", "!cannot", "!pause"])
    assert '"!cannot" is not offered here.' in play.shown.getvalue()  # type: ignore[attr-defined]
    assert desk.session().walk[-1].outcome.label != "cannot"


def test_several_verdicts_are_said_once_more_in_one_line(tmp_path: Path) -> None:
    from verify.evidence.checks.catalogue import CATALOGUE
    from verify.terminal.show_verdict import summary_line

    results = [
        CATALOGUE["idle-speed"].result("in-range", "x"),
        CATALOGUE["idle-steady"].result("hunting", "x"),
        CATALOGUE["no-stall"].result("too-little-seen", "x", settle="y"),
    ]
    line = summary_line(results)
    assert line is not None
    assert line.plain == ("In short: ✓ idle-speed pass · ✗ idle-steady fail · ? no-stall undecided")
    assert summary_line(results[:1]) is None


def test_a_change_of_a_number_says_what_it_was_what_it_is_and_what_was_judged_again() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(
            desk,
            *("x", "none", "9 N·m", "", "1", "", "1", "9 N·m", "sheet 4"),
            *("!spec", "1", "1", "9.5 Nm", "", "misread it", "!pause"),
        )
    shown = play.shown.getvalue()  # type: ignore[attr-defined]
    flat = " ".join(shown.split())
    assert "9 N·m (service information, sheet 4) → 9.5 N·m (service information)." in flat
    assert "Judged again: " in flat
    assert "Until now: 9 N·m (service information, sheet 4)" in flat


def test_what_a_wish_could_not_do_is_said_on_the_next_page() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, "!spec", "!correct", "!pause")
    shown = play.shown.getvalue()  # type: ignore[attr-defined]
    assert "No number of this car was entered yet." in shown
    assert "There is no typed answer to correct yet." in shown


def test_a_long_list_of_answers_keeps_its_way_back_on_the_screen(monkeypatch) -> None:
    from verify.terminal import runner

    monkeypatch.setattr(runner, "ON_ONE_SCREEN", 2)
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *TO_REST, "!correct", "3", "2", "none", "typed wrong", "!pause")
    shown = play.shown.getvalue()  # type: ignore[attr-defined]
    assert "An earlier one …" in shown
    assert "Correcting. Until now: " in shown


def test_a_file_that_is_no_picture_is_not_taken_for_one(tmp_path: Path) -> None:

    from verify.terminal.recordings import keep_picture

    journal = small_desk().journal
    wrong, right = tmp_path / "a.jpg", tmp_path / "b.jpg"
    wrong.write_bytes(b"time,rpm\n0,750\n")
    right.write_bytes(b"\xff\xd8\xff\xe0 and so on")
    with pytest.raises(UserError, match="does not begin like a picture"):
        keep_picture(journal, str(wrong))
    with pytest.raises(UserError, match="a readable picture"):
        keep_picture(journal, str(tmp_path / "none.jpg"))
    assert len(keep_picture(journal, str(right))) == 64


def test_a_skipped_wait_needs_a_reason_and_keeps_it() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *TO_REST, "2", "customer waits", "!pause")
    (wait,) = desk.session().skipped_waits
    assert desk.secret(wait.reason) == "customer waits"


def resting_desk(tmp_path: Path) -> Desk:
    """The small flow with a rest that is part of the proof."""
    text, optional = SMALL.read_text(), "    optional: a rest\n"
    assert text.count(optional) == 1
    needed = "    group: complaint-gone\n    later: {settle: let it rest, by: within a week}\n"
    path = tmp_path / "small.yaml"
    path.write_text(text.replace(optional, needed))
    return small_desk(flow=path)


@pytest.mark.parametrize("started", [False, True])
def test_a_wait_that_is_part_of_the_proof_is_left_out_and_never_called_done(
    tmp_path: Path, started: bool
) -> None:
    desk = resting_desk(tmp_path)
    with pytest.raises(Paused):
        play(desk, *TO_REST, "!pause")
    if started:
        desk.write("wait-started", wait_started_body(desk.live()))
    with pytest.raises(Paused):
        play(desk, "2", "customer waits", "!pause")
    session = desk.session()
    assert session.pending.step == "start"
    assert session.skipped_waits == ()
    rest = session.last("rest")
    assert rest.outcome.label == "cannot"
    assert desk.secret(rest.private["reason"]) == "customer waits"
    assert "rest" in [s.name for s in session.open_steps()]
    assert "this step stays open" in play.shown.getvalue()


def test_a_wait_that_something_rests_on_is_not_skipped_though_its_step_is_optional(
    tmp_path: Path,
) -> None:
    text = SMALL.read_text()
    to_start = "    branches: [{when: [done, cannot], to: start}]\n"
    assert text.count(to_start) == 1
    text = text.replace(
        to_start, "    branches: [{when: done, to: start}, {when: cannot, to: back}]\n"
    )
    text += "promises:\n  - never: {step: start, unless: rest}\n"
    path = tmp_path / "small.yaml"
    path.write_text(text)
    desk = small_desk(flow=path)
    with pytest.raises(Paused):
        play(desk, *TO_REST, "2", "customer waits", "2", "!pause")  # not ended by that, asked again
    shown = " ".join(play.shown.getvalue().split())
    assert "A pause does not stop it" in shown
    assert "Skip the wait" not in shown
    session = desk.session()
    assert session.pending.step == "rest"
    assert session.skipped_waits == ()
    with pytest.raises(UserError, match="on which what comes after it rests"):
        wait_skipped_body(session, "0" * 64)
    desk.write("wait-started", wait_started_body(desk.live()))
    desk.clock.pass_time(121.0)
    with pytest.raises(Paused):
        play(desk, "1", "!pause")
    assert desk.session().pending.step == "start"


def test_a_wait_left_out_is_proof_to_follow_and_can_be_left_out_once_more(tmp_path: Path) -> None:
    desk = resting_desk(tmp_path)
    play(desk, *TO_REST, "2", "customer waits", "1", "2", "1", "1")
    session = desk.session()
    assert session.ending.kind is EndingKind.PROOF_TO_FOLLOW
    assert list(session.to_prove) == ["rest", "idle"]
    lines = io.StringIO("1\n2\nno time\n3\n")
    ProofRunner(desk, PersonHands(LineUi(lines, io.StringIO())), "as-work").run()
    session = desk.session()
    assert list(session.to_prove) == ["rest", "idle"]
    assert desk.secret(session.proofs[-1].private["reason"]) == "no time"


def test_personal_words_never_stand_in_an_entry() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, "Mrs. Example says it hunts", "!note", "call her", "!pause")
    text = repr([e.body for e in desk.session().history])
    assert "Example" not in text
    assert "call her" not in text
    assert desk.secret(desk.session().last("story").private["answer"]).startswith("Mrs.")


def test_wrong_input_is_asked_again_with_the_reason() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, "x", "none", "9", "9 N·m", "", "1", "", "1", "9 N·m", "", "!pause")
    shown = play.shown.getvalue()
    assert "the last two differ by a factor of 12" in " ".join(shown.split())
    assert desk.session().last("bolt").outcome.label == "pass"


def test_orders_typed_as_numbers_are_compared() -> None:
    desk = small_desk()
    numbers = ("9 N·m", "", "1", "1 2 3 4", "1 3 2 4", "1", "9 N·m", "sheet 4", "1", "1")
    play(desk, "x", "none", *numbers)
    shown = " ".join(play.shown.getvalue().split())  # type: ignore[attr-defined]
    assert "The two orders are not the same" in shown
    visit = desk.session().last("bolt")
    assert visit.outcome.label == "fail"
    assert visit.values["order_wanted"] == ["1", "3", "2", "4"]


SLIPPED = ("x", "none", "80 ft·lbf", "50 N·m", "1", "crosswise", "1", "80 in·lbf", "sheet 4")


def test_a_torque_twelve_times_off_is_asked_about_at_once() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *SLIPPED, "1", "!pause")
    shown = " ".join(play.shown.getvalue().split())  # type: ignore[attr-defined]
    assert "in·lbf or ft·lbf?" in shown
    assert "The wrench was set to 80 in·lbf" in shown
    visit = desk.session().last("bolt")
    assert (visit.outcome.label, visit.values["unit"]) == ("cannot", "in·lbf")
    assert visit.results[0]["finding"] == "tool-range", "9 N·m with a wrench up to 50 N·m"
    assert desk.secret(visit.private["order"]) == "crosswise"
    assert desk.session().made["bolt"] == 1


def test_a_torque_twelve_times_off_may_stay_open_or_lie_in_the_figure() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *SLIPPED, "4", "1", "!pause")
    assert desk.session().last("bolt").results[0]["finding"] == "unit-slip"
    desk = small_desk()
    with pytest.raises(Paused):
        # The figure was copied wrong: it is changed, and the torque asked again.
        play(
            desk, *SLIPPED, "3", "1", "1", "80 ft·lbf", "sheet 4", "copied wrong",
            "80 ft·lbf", "200 N·m", "1", "", "!pause",
        )  # fmt: skip
    session = desk.session()
    assert session.specs["bolt_torque"].unit == "ft·lbf"
    assert session.last("bolt").outcome.label == "pass"


def test_another_torque_typed_after_the_slip_is_judged_as_it_is() -> None:
    desk = small_desk()
    with pytest.raises(Paused):
        play(desk, *SLIPPED, "2", "80 in·lbf", "1", "!pause")
    assert desk.session().last("bolt").values["unit"] == "in·lbf"


def test_a_file_that_is_no_recording_is_refused_and_nothing_is_lost(tmp_path: Path) -> None:
    desk = small_desk()
    picture = tmp_path / "a.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n0000")
    with pytest.raises(Paused):
        walk_to_end(desk, ["1", str(picture), "1", "/nowhere.csv", "!pause"])
    shown = play.shown.getvalue()
    assert "a picture (PNG)" in shown
    assert "cannot be opened" in shown
    assert desk.session().pending.step == "idle"


def test_us_units_are_shown_and_taken() -> None:
    desk = small_desk(units="us")
    with pytest.raises(Paused):
        play(desk, "x", "none", "80 in·lbf", "", "1", "", "1", "80 in·lbf", "", "!pause")
    assert desk.session().last("bolt").outcome.label == "pass"
    assert "With its unit: ft-lb, in-lb or Nm." in play.shown.getvalue()


def test_a_job_closed_by_hand_keeps_its_keys() -> None:
    desk = small_desk()
    session = close_by_hand(desk, "back", "parts missing")
    assert session.ending is not None
    assert session.ending.kind is EndingKind.BACK_TO_DIAGNOSIS


def unknown_columns_csv(path: Path) -> Path:
    """Headers nobody has in a table: a person must say which column is what."""
    lines = ["time_s,kanal 1,kanal 2,kanal 3"]
    lines += [f"{i / 5:.1f},{750 + (i * 7) % 5},0,90" for i in range(600)]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_columns_nobody_knows_are_asked_about_once_and_offered_again(tmp_path: Path) -> None:
    file = str(unknown_columns_csv(tmp_path / "odd.csv"))
    desk = small_desk()
    columns = ["1", *("1", "1"), *("1", "1")]  # engine speed, road speed in km/h, coolant in °C
    with pytest.raises(Paused):
        walk_to_end(desk, ["1", file, *columns, "1", "750 rpm", "", "1", "!pause"])
    shown = play.shown.getvalue()
    assert "Which column is the engine speed?" in shown
    assert "Which column is the accelerator pedal?" not in shown, "no column is left to ask about"
    visit = desk.session().last("idle")
    assert visit.outcome.label == "undecided", "the pedal was not recorded"
    assert {h: c for h, c in visit.evidence[0]["mapping"].items() if h != "time_s"} == {
        "kanal 1": "engine_speed",
        "kanal 2": "vehicle_speed km/h",
        "kanal 3": "coolant °C",
    }
    with pytest.raises(Paused):
        play(desk, "1", file, "1", "1", "!pause")
    shown = play.shown.getvalue()
    assert "A file of this layout was read before like this" in shown
    assert "Which column" not in shown


def test_the_customers_words_stand_where_it_is_asked_whether_the_complaint_is_gone() -> None:
    desk = small_desk(flow=Path("throttle-body-replaced"))
    with pytest.raises(Paused):
        play(desk, "12345", "It hunts when warm, twice a week", "a code", "!pause")
    session = desk.session()
    asked = session.graph.steps["complaint-gone"]
    page = with_the_complaint(step_page(session, step=asked), session, asked, desk.secret)
    assert "The complaint, as it was told: “It hunts when warm, twice a week”" in page.before
    other = session.graph.steps["first-start"]
    page = with_the_complaint(step_page(session, step=other), session, other, desk.secret)
    assert "hunts" not in page.before


def prove(desk: Desk, *lines: str) -> str:
    shown = io.StringIO()
    source = io.StringIO("".join(line + "\n" for line in lines))
    with suppress(Paused):
        ProofRunner(desk, PersonHands(LineUi(source, shown)), "as-work").run()
    return " ".join(shown.getvalue().split())


def with_no_idle_speed(tmp_path: Path, rpm: float = 750.0) -> Desk:
    """The idle was recorded, its figure was not found, and then it was only told."""
    desk = small_desk()
    file = str(idle_csv(tmp_path / "idle.csv", rpm))
    walk_to_end(desk, ["1", file, "3", "1", "2", "1", "1"])
    session = desk.session()
    assert list(session.to_prove) == ["idle"]
    assert session.specs["idle_speed"].text == ""
    return desk


@pytest.mark.parametrize("at_the_step", [False, True])
def test_a_number_that_was_not_found_can_be_entered_when_proof_is_taken_in(
    tmp_path: Path, at_the_step: bool
) -> None:
    desk = with_no_idle_speed(tmp_path)
    before = [v.seq for v in desk.session().walk]
    enter = ["!spec", "1", "750 rpm", "sheet 7", "found it in the sheet of the engine"]
    shown = prove(desk, *(["1"] if at_the_step else []), *enter, "!pause")
    assert ("Not found until now: Warm idle speed. Enter it first (!spec)." in shown) == at_the_step
    session = desk.session()
    assert session.specs["idle_speed"].text == "750"
    assert session.proven_later
    assert session.proofs[-1].outcome.label == "pass"
    assert [v.seq for v in session.walk] == before


def test_a_number_found_later_can_show_that_it_failed(tmp_path: Path) -> None:
    desk = with_no_idle_speed(tmp_path, 1150.0)
    prove(desk, "!spec", "1", "750 rpm", "sheet 7", "found it in the sheet of the engine", "!pause")
    assert desk.session().proof_failed == ("idle",)


def test_a_number_that_is_known_is_not_changed_when_proof_is_taken_in(tmp_path: Path) -> None:
    desk = small_desk()
    walk_to_end(desk, ["2", "1", "1"])
    assert '"!spec" is not offered here.' in prove(desk, "!spec", "!pause")
