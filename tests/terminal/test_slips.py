"""A slip of the hand: what it may not do, and the way back. Plain lines, in one process."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.terminal.test_runner import TO_REST
from tests.terminal.walks import idle_csv, play, small_desk
from verify.errors import UserError
from verify.flow.graph import Outcome
from verify.job.answers import Exceptions, Number, answer_from_tree
from verify.job.rules import check_outcome
from verify.job.signoff import Weight, points, said
from verify.job.visits import Misfit
from verify.terminal.account import account_lines
from verify.terminal.collect import judge_taken
from verify.terminal.desk import Desk
from verify.terminal.runner import Paused
from verify.terminal.say import answer_words
from verify.words import Audience, EndingKind

TO_START = [*TO_REST, "2", "hurry", "1"]


def shown_until_paused(desk: Desk, *lines: str) -> str:
    with pytest.raises(Paused):
        play(desk, *lines)
    return " ".join(play.shown.getvalue().split())  # type: ignore[attr-defined]


# The answer that ends a job


def test_an_answer_that_ends_the_job_is_shown_and_asked_again() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_START, "2")
    assert "THIS ANSWER ENDS THE JOB" in shown
    assert "Your answer: The start: The revs climb" in shown
    assert "DO NOT DRIVE" in shown
    assert "Have it towed." in shown
    session = desk.session()
    assert session.ending is None
    assert session.at == "start"


def test_an_empty_line_does_not_end_it_and_no_asks_again() -> None:
    desk = small_desk()
    shown_until_paused(desk, *TO_START, "2", "", "2", "1")
    session = desk.session()
    assert session.last("start").outcome.label == "runs"
    # What was taken back stays on the record, so that nobody can try answers until one fits.
    text = "\n".join(account_lines(desk, session))
    assert "Taken back before it counted: The start: climbs. It would have ended the job" in text


def test_a_torque_that_fails_can_be_taken_back_and_its_figure_stays_on_record() -> None:
    desk = small_desk()
    lines = ("x", "none", "19 N·m", "", "1", "", "1", "9 N·m", "sheet 4")
    shown = shown_until_paused(desk, *lines, "2", "9 N·m", "", "1", "")
    assert "BACK TO DIAGNOSIS" in shown
    assert desk.session().last("bolt").outcome.label == "pass"
    assert "The bolt: fail (19 N·m)" in "\n".join(account_lines(desk, desk.session()))


def test_what_a_recording_shows_is_not_asked_again(tmp_path: Path) -> None:
    desk = small_desk()
    fast = str(idle_csv(tmp_path / "idle.csv", rpm=1400.0))
    shown = play(desk, *TO_START, "1", "1", fast, "1", "750 rpm", "", "1")
    assert "THIS ANSWER ENDS THE JOB" not in shown
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.BACK_TO_DIAGNOSIS


def test_a_reason_that_it_cannot_be_done_is_asked_again_where_it_ends_the_job() -> None:
    desk = small_desk()
    shown_until_paused(desk, *TO_START, "!cannot", "no key", "2")
    assert desk.session().ending is None
    play(desk, "!cannot", "no key", "1")
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.BACK_TO_DIAGNOSIS


def test_the_good_end_is_asked_once_more_too() -> None:
    desk = small_desk(Audience.OWNER)
    shown = shown_until_paused(desk, *TO_START, "1", "2", "1")
    assert "THE KEYS CAN GO BACK, WITH PROOF TO FOLLOW" in shown
    assert desk.session().ending is None
    play(desk, "2", "1", "1")
    assert desk.session().ending is not None


# Stop


def test_stop_asks_once_and_no_takes_it_back() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_START, "!stop", "2")
    assert shown.index("###  STOP".replace("  ", " ")) < shown.index("Stop this job here?")
    assert desk.session().ending is None
    play(desk, "!stop", "!stop")
    assert desk.session().stopped


# The way back


@pytest.mark.parametrize("word", ["", "back", "!back"])
def test_there_is_a_way_back_out_of_a_recording_file(word: str) -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_START, "1", "1", word)
    after = shown[shown.index("Recording file") :]
    assert "An empty line or !back goes back." in shown
    assert "Recording?" in after, "the choice is asked again"


def test_back_from_a_number_goes_to_where_it_is_from() -> None:
    desk = small_desk()
    to_spec = ("x", "none", "9 N·m", "", "1", "")
    shown = shown_until_paused(desk, *to_spec, "1", "", "4")
    assert len(re.findall(r"Where is it from\?", shown)) == 2
    assert desk.session().specs["bolt_torque"].source == "not found"


def test_a_torque_may_be_from_the_owners_handbook_and_a_voltage_not() -> None:
    desk = small_desk()
    torque = ("9 N·m", "", "1", "", "2", "9 N·m", "page 212")
    shown = shown_until_paused(desk, "x", "none", *torque, "12.6 V", "3")
    assert shown.count("From the owner's handbook of this car") == 1
    spec = desk.session().specs["bolt_torque"]
    assert (spec.source, spec.detail) == ("owner's handbook", "page 212")
    assert desk.session().last("bolt").outcome.label == "pass"


def test_a_bad_accuracy_of_the_wrench_does_not_lose_the_torque() -> None:
    desk = small_desk()
    torque = ("9 N·m", "quite good", "60 N·m", "1", "")
    shown = shown_until_paused(desk, "x", "none", *torque, "1", "9 N·m", "sheet 4")
    assert shown.count("Torque the wrench was set to") == 1
    assert shown.count("Largest torque of that wrench") == 2
    assert desk.session().last("bolt").values["text"] == "9"


def test_a_number_of_the_car_that_is_no_limit_does_not_lose_the_torque() -> None:
    desk = small_desk()
    torque = ("9 N·m", "", "1", "")
    shown = shown_until_paused(
        desk, "x", "none", *torque, "1", "0 N·m", "", "1", "9 N·m", "sheet 4"
    )
    assert shown.count("Torque the wrench was set to") == 1
    assert desk.session().last("bolt").outcome.label == "pass"


def test_an_empty_line_at_a_late_question_goes_back_one_question_and_no_further() -> None:
    desk = small_desk()
    codes = ("P0507", "P0171", "", "none", "?", "!back", "none", "1")
    shown = shown_until_paused(desk, *TO_REST[:-4], *codes)
    assert shown.count("Stored codes") == 1
    assert shown.count("Pending codes:") == 2
    assert shown.count("Permanent codes:") == 3
    assert desk.session().last("codes").values["pending"] == []
    assert desk.session().last("codes").values["permanent"] == []
    assert desk.session().last("codes").values["stored"] == ["P0507"]


def test_back_begins_a_reading_of_codes_again() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_REST[:-4], "P0507", "!back", "none", "none", "?", "1")
    assert shown.count("Stored codes:") == 2
    assert desk.session().last("codes").outcome.label == "none"


def test_a_correction_can_be_left() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, "x", "none", "!correct", "1", "none", "")
    assert "Nothing was corrected." in shown
    assert not desk.session().corrections


# What is not required


def test_what_is_not_required_says_so_and_enter_leaves_it_out() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, "")
    assert "Not required: kept for the record" in shown
    assert "Not required: Enter alone leaves it out, and that is fine." in shown
    session = desk.session()
    assert session.at == "list"
    account = "\n".join(account_lines(desk, session))
    assert "because: left out: not required" in account
    assert "The story: left out [told" in account


def test_a_wait_that_is_not_required_is_left_out_by_its_own_line() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_REST, "3")
    assert "3. Leave it out: not required, and fine" in shown
    assert desk.session().at == "start"


def test_leaving_out_is_not_offered_where_it_leads_elsewhere() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, "x", "1")
    page = shown[shown.index("MEND IT") :]
    # Work that has to be done: its reason stands by itself, and nothing says it need not be.
    assert "only when something was wrong" in page
    assert "Not required" not in page
    assert "Leave it out" not in page
    assert "leave-out" not in page


def test_a_required_step_cannot_be_left_out() -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, "x", "none", "", "!leave-out")
    page = shown[shown.index("THE BOLT") :]
    assert "Leave it out" not in page
    assert '"!leave-out" is not offered here.' in page


# A card by line


@pytest.mark.parametrize("audience", list(Audience))
def test_a_line_of_a_card_that_was_not_seen_is_no_line_that_is_so(audience: Audience) -> None:
    desk = small_desk(audience)
    shown = shown_until_paused(desk, "x", "2?")
    assert "A ? behind a number, such as 3?: those with ? were not seen." in shown
    assert "THIS ANSWER ENDS THE JOB" in shown
    ended = " ".join(play(desk, "2?", "1").split())
    assert "Not shown: The list." in ended
    assert "What led here" not in ended
    session = desk.session()
    assert session.last("list").outcome.label == "cannot"
    assert "because: not seen: Clamp tight" in "\n".join(account_lines(desk, session))


def test_a_line_not_seen_is_kept_beside_one_that_is_wrong_and_counts_like_it() -> None:
    desk = small_desk()
    shown_until_paused(desk, "x", "1 2?")
    session = desk.session()
    outcome = session.last("list").outcome
    assert (outcome.items, outcome.unseen) == ({"plug", "clamp"}, {"clamp"})
    assert Outcome.from_json(outcome.to_json()) == outcome
    account = "\n".join(account_lines(desk, session))
    assert "not fine: Plug locked. Not seen: Clamp tight" in account
    assert said(session.graph.steps["list"], outcome) == (
        "not so: Plug locked; not seen: Clamp tight"
    )


def test_what_was_not_seen_goes_where_what_is_not_so_goes() -> None:
    """The number of the part was not looked at, and a lamp was lit: it is asked for."""
    desk = odometer_desk()
    shown_until_paused(desk, "12345", "It hunts", "a code", "!leave-out", "1? 3")
    assert desk.session().pending.step == "part-number"


def test_an_outcome_with_lines_unseen_alone_or_unknown_is_refused() -> None:
    desk = small_desk()
    shown_until_paused(desk, "x")
    step = desk.session().step()
    for items, unseen in (({"clamp"}, {"clamp"}), ({"plug"}, {"clamp"})):
        with pytest.raises(Misfit):
            check_outcome(
                step, Outcome("exceptions", items=frozenset(items), unseen=frozenset(unseen))
            )


def test_an_answers_file_says_what_was_not_seen() -> None:
    desk = small_desk()
    shown_until_paused(desk, "x")
    step = desk.session().step()
    answer = answer_from_tree(step, {"wrong": ["plug"], "unseen": ["clamp"]})
    assert answer == Exceptions(frozenset({"plug"}), frozenset({"clamp"}))
    with pytest.raises(UserError, match="sealing"):
        answer_from_tree(step, {"wrong": ["plug"], "unseen": ["sealing"]})


# Numbers nobody can have read


@pytest.mark.parametrize("typed", ["-5 V", "-1501 V", "99999 V"])
def test_a_voltage_off_any_scale_is_asked_again(typed: str) -> None:
    desk = small_desk()
    shown = shown_until_paused(desk, *TO_REST[:9], typed)
    refused = typed != "-5 V"
    assert ("a reading between -1500 and 1500 V" in shown) == refused


def odometer_desk() -> Desk:
    return small_desk(Audience.OWNER, flow=Path("throttle-body-replaced"))


@pytest.mark.parametrize("typed", ["-5", "-5 mi", "10000000", "1e9 km"])
def test_an_odometer_below_zero_or_of_eight_digits_is_asked_again(typed: str) -> None:
    desk = odometer_desk()
    shown = shown_until_paused(desk, typed, "12345")
    assert "a reading between 0 and 9999999 km" in shown
    assert "mind the unit: a bare number counts as km" in shown
    assert desk.session().last("odometer").values["text"] == "12345"


def test_an_odometer_does_not_run_backwards_within_a_job() -> None:
    from dataclasses import replace

    from verify.terminal.hands import PersonHands
    from verify.terminal.ui_lines import LineUi

    desk = odometer_desk()
    shown_until_paused(desk, "12345")
    session = desk.session()
    step = session.graph.steps["odometer"]
    assert session.pending is not None
    again = replace(session, pending=replace(session.pending, step="odometer"), at="odometer")
    hands = PersonHands(LineUi())
    with pytest.raises(UserError, match="no less than was read before"):
        judge_taken(desk, again, step, Number("12340"), hands)
    for same in ("12345", "7671 mi", "12400"):
        judge_taken(desk, again, step, Number(same), hands)


# What holds after a correction


def mended_desk() -> Desk:
    """A line was not so, it was put right, all is so; then an unrelated answer is corrected."""
    desk = small_desk()
    shown_until_paused(desk, "It hunts", "1", "1", "none", "9 N·m", "", "1", "",
                       "1", "9 N·m", "sheet 4")  # fmt: skip
    assert [v.step for v in desk.session().walk][1:4] == ["list", "mend", "list"]
    return desk


def correct_the_story(desk: Desk, *then: str) -> str:
    story = len(desk.session().correctable())
    return shown_until_paused(desk, "!correct", str(story), "It dies", "wrong word", *then)


def graves(desk: Desk) -> list[str]:
    return [p.name for p in points(desk.session()) if p.weight is Weight.GRAVE]


def test_what_still_holds_is_the_last_answer_with_what_was_done_before_it() -> None:
    desk = mended_desk()
    shown = correct_the_story(desk, "1")
    assert "It still holds: all fine" in shown
    assert "not fine" not in shown[shown.index("Answered before the correction") :]
    session = desk.session()
    assert [v.step for v in session.walk][:4] == ["story", "list", "mend", "list"]
    assert "This failed before" not in shown
    assert graves(desk) == []


def test_answered_anew_it_stands_after_what_was_done() -> None:
    desk = mended_desk()
    shown = correct_the_story(desk, "2", "none")
    assert "This failed before" not in shown
    session = desk.session()
    assert [v.step for v in session.walk][:4] == ["story", "list", "mend", "list"]
    assert session.last("list").outcome.label == "ok"
    assert graves(desk) == []


def test_a_fail_after_which_nothing_was_done_is_offered_as_it_was() -> None:
    desk = small_desk()
    shown_until_paused(desk, "It hunts", "1")
    shown = correct_the_story(desk)
    assert "It still holds: not fine: Plug locked" in shown


def test_a_torque_that_is_offered_again_has_its_figure() -> None:
    desk = mended_desk()
    shown = correct_the_story(desk, "1")
    assert "It still holds: pass (9 N·m)" in shown


def test_a_torque_out_of_the_wrenchs_range_is_undecided_and_not_refused() -> None:
    desk = small_desk()
    shown_until_paused(
        desk, "It hunts", "none", "9 N·m", "200 N·m", "1", "", "1", "9 N·m", "sheet 4"
    )
    session = desk.session()
    visit = session.last("bolt")
    assert visit.outcome.label == "cannot"
    assert "The bolt: undecided" in "\n".join(account_lines(desk, session))
    assert answer_words(session.graph.steps["bolt"], visit) == "The bolt: undecided (9 N·m)"
    (point,) = [p for p in points(session) if "bolt" in p.words and "decided" in p.words]
    assert "was not decided: undecided" in point.words
