"""What the machinery calls something, said in a person's words before it is shown."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from tests.terminal.walks import small_desk
from verify.car.frame_text import frame_from_text
from verify.errors import Problem, UserError
from verify.evidence.checks.catalogue import CATALOGUE
from verify.evidence.verdict import CheckResult, Limits
from verify.report.words import source_words as reported
from verify.terminal.hands import PersonHands, _for_the_desk
from verify.terminal.show_verdict import measured, source_words, with_quantity
from verify.terminal.ui_lines import LineUi
from verify.words import Verdict

SWING = CheckResult(
    "idle-steady", 1, Verdict.PASS, "steady", "It is.", value=12.0, unit="rpm", uncertainty=1.0,
    limits=Limits(None, 50.0, "rpm", "common practice"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("field", "shown"),
    [
        ("bolt", "The bolt"),
        ("mapping of (key-on)", "column (key-on)"),
        ("mapping.(key-on)", "column (key-on)"),
        ("mapping", "the columns"),
        ("code P0507", "code P0507"),
    ],
)
def test_a_problem_names_its_place_as_a_person_would(field: str, shown: str) -> None:
    desk = small_desk()
    told = io.StringIO()
    hands = PersonHands(LineUi(io.StringIO(), told))
    hands.step = desk.session().graph.steps["bolt"]
    hands.trouble(UserError(Problem("this", "that", "write that", field=field)))
    assert f"\n{shown}\n" in told.getvalue()


def test_nobody_at_a_car_is_told_to_add_a_value() -> None:
    with pytest.raises(UserError) as caught:
        frame_from_text("qqqqq 5 km/h")
    assert "add the" not in str(caught.value)


def test_the_source_of_a_figure_that_was_not_found_does_not_contradict_itself() -> None:
    rule = "service information for the least; common practise for the most"
    for words in (source_words, reported):
        assert words(f"{rule}; figure: common practice") == f"common practice, in place of: {rule}"
        assert words(f"{rule}; figure: standard") == f"figure: standard; rule: {rule}"
        assert words("common practice") == "common practice"


def test_a_figure_says_what_it_is_the_figure_of_and_hunting_which_of_the_two() -> None:
    number = measured(SWING)
    assert number == "12.0 ± 2.0 rpm (k = 2)"
    assert with_quantity(SWING, number) == f"{number}: swing to each side within 20 s, whatever " \
        "its rhythm"  # fmt: skip
    hunts = replace(SWING, finding="hunting", limits=Limits(None, 25.0, "rpm", "common practice"))
    assert with_quantity(hunts, number).endswith("of a slow, regular beat (hunting)")
    assert with_quantity(replace(SWING, check="no-stall", unit="1"), "3") == "3"
    assert with_quantity(SWING, "") == ""


def test_in_a_job_a_missing_number_is_entered_as_one_does_it_there() -> None:
    known = {t for c in CATALOGUE.values() for t in c.settles.values() if "idle_speed" in t}
    assert known, "no check speaks of it any more: the words in `hands` can go"
    for text in known:
        shown = _for_the_desk(replace(SWING, settle=text)).settle
        assert "idle_speed" not in shown
        assert shown.endswith("then change this number of the car (!spec)")
