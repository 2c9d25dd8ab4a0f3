"""What does not fit on a screen: pages in several screens, lists that move. Pure, but the last."""

from __future__ import annotations

import io
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from verify.terminal.ui import STOP, Page, PlainWishes
from verify.terminal.ui_fit import Rows, fitted, screens
from verify.terminal.ui_menu import Line, Menu
from verify.terminal.ui_screen import ScreenUi

BLOCKS = st.lists(st.integers(1, 12), max_size=12).map(
    lambda sizes: [[f"{b}.{row}" for row in range(size)] for b, size in enumerate(sizes)]
)


@given(BLOCKS, BLOCKS, st.integers(4, 20), st.integers(4, 20))
def test_a_page_in_screens_loses_no_row_and_none_is_too_high(
    lead: list[list[str]], blocks: list[list[str]], full: int, last: int
) -> None:
    found = screens(lead, blocks, full + 2, full, last)
    rows = [row for b in (*lead, *blocks) for row in b]
    assert [row for screen in found for row in screen] == rows
    assert all(len(screen) <= full for screen in found[1:-1])
    assert len(found[0]) <= max(full + 2, last)
    assert len(found[-1]) <= last
    assert all(found[:-1]), "nobody goes on from an empty screen"


def test_a_block_that_fits_on_a_screen_is_not_broken() -> None:
    assert screens([], [["a1", "a2"], ["b1", "b2"], ["c"]], first=3, full=3, last=1) == [
        ["a1", "a2"],
        ["b1", "b2"],
        ["c"],
    ]
    assert screens([], [["a", "b", "c"]], first=4, full=4, last=2) == [["a"], ["b", "c"]]
    lead = screens([["a"]], [["b"]], first=4, full=4, last=4)
    assert lead == [["a"], ["b"]], "what leads is read before the question"
    assert screens([], [], first=4, full=4, last=2) == [[]]


def menu(count: int) -> Menu:
    lines = [Line(str(n), f"answer {n}", number=str(n)) for n in range(1, count + 1)]
    lines.append(Line("!stop", "STOP: not safe", below=True, shy=True))
    return Menu("Which is it?", lines, PlainWishes())


@given(st.integers(1, 30), st.integers(0, 30), st.integers(8, 24))
def test_a_list_moves_within_its_room_and_question_hint_and_pointer_stay(
    count: int, at: int, height: int
) -> None:
    it = menu(count)
    it.at, it.armed = min(at, count), True
    rows = fitted(it.rows(40), height, it.at)
    texts = [row.text for row in rows]
    assert len(rows) <= height
    assert texts[0] == "» Which is it?"
    assert sum("choose:" in text for text in texts) == 1
    assert sum("►" in text for text in texts) == 1


def test_a_list_that_moves_says_how_much_is_out_of_sight() -> None:
    it = menu(12)
    rows = fitted(it.rows(60), 8, None)
    assert [row.text for row in rows][1:6] == [f"  {n:>2} answer {n}" for n in range(1, 6)]
    assert rows[6].text == "     more rows: ↓ 8"
    it.at = 12
    assert fitted(it.rows(60), 8, 12)[6].text == "     more rows: ↑ 8"
    assert fitted(it.rows(60), 40, 12) == it.rows(60)


def test_rows_know_what_has_run_off_the_top() -> None:
    rows = Rows(24)
    rows.put(10)
    assert (rows.top, rows.room()) == (0, 14)
    rows.reach(14)
    assert rows.top == 0
    # A list of twenty rows under ten of a page moves the page up by six, wiped away or not.
    rows.reach(20)
    assert (rows.top, rows.room()) == (6, 20)
    assert rows.top_with(30) == 16


class Paged(ScreenUi):
    """Keeps each screen that is shown before somebody goes on."""

    def __init__(self, width: int, height: int) -> None:
        self.file = io.StringIO()
        super().__init__(Console(file=self.file, width=width, height=height))
        self.shown: list[str] = []

    def _go_on(self, page: Page) -> None:
        self.shown.append(self.file.getvalue())
        self.file.truncate(0)
        self.file.seek(0)


def tall_page(**more: Any) -> Page:
    cautions = (
        ("Exhaust gas", "Run the engine outdoors. Exhaust gas kills without a smell."),
        ("Car can move", "Parking brake on, wheels chocked. Nobody in front of the car."),
        ("Revs can climb", "Brake pedal down, hand on the switch. Switch off at once."),
    )
    say = "Before you turn the key: " + "look around once more, and breathe. " * 5
    return Page(
        "k7q2mx", "Flow", "1 done", "First start", say, cautions=cautions, prompt_rows=12, **more
    )


def test_on_a_small_screen_cautions_come_first_and_whole_and_their_names_stay() -> None:
    ui = Paged(40, 24)
    ui.page(tall_page(before="What came before", wishes=(STOP,)))
    first, *_ = ui.shown
    words = " ".join(first.split())
    assert "FIRST START" in words.upper()
    for title, measure in tall_page().cautions:
        assert f"▲ {title.upper()} {measure}" in words, "whole, on the first screen"
    assert "Before you turn the key" not in ui.shown[0]
    last = " ".join(ui.file.getvalue().split())
    assert "First start ▲ EXHAUST GAS ▲ CAR CAN MOVE ▲ REVS CAN CLIMB" in last
    assert "and breathe." in last
    for shown in (*ui.shown, ui.file.getvalue()):
        assert len(shown.splitlines()) <= 24 - 4
        assert all(len(row) <= 40 for row in shown.splitlines())
    wide = Paged(80, 40)
    wide.page(tall_page())
    assert wide.shown == [], "where it fits it stays one screen"


def test_the_heading_is_said_once_more_where_it_has_run_off_the_top() -> None:
    ui = Paged(80, 12)
    ui.page(Page("j", "Flow", "", "Read the codes", "Now.", cautions=(("Hot", "Wait."),)))
    ui.file.truncate(0)
    ui._keep_heading(1)
    assert ui.file.getvalue() == "", "it is in sight"
    ui.tell(*[f"line {n}" for n in range(12)])
    ui._keep_heading(1)
    assert ui.file.getvalue().splitlines()[-1] == "Read the codes  ▲ HOT"
    before = ui.file.getvalue()
    ui._keep_heading(1)
    assert ui.file.getvalue() == before, "once is enough while it is in sight"


def test_a_list_on_a_page_hangs_below_its_own_words() -> None:
    ui = Paged(30, 24)
    ui.page(Page("j", "Flow", "", "To follow", "  - Codes: read them once more (within a week)"))
    assert "  - Codes: read them once more\n    (within a week)\n" in ui.file.getvalue()
