"""A list to choose from: keys in, rows out, without a terminal."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from verify.terminal.ui import PAUSE, STOP, PlainWishes
from verify.terminal.ui_menu import Line, Marking, Menu, hung

STOP_LINE = Line("!stop", "STOP: not safe", below=True, shy=True)
LONG = "Size, kind (flooded, enhanced, glass mat) and layout of the posts as this car asks for"


def answers(count: int = 3) -> Menu:
    lines = [Line(f"a{n}", f"Answer {n}", number=str(n)) for n in range(1, count + 1)]
    lines += [Line("!more", "Something else", below=True), STOP_LINE]
    return Menu("Which is it?", lines, PlainWishes((PAUSE, STOP)))


def card() -> Menu:
    lines = [Line("", "go", number="0"), Line("plug", "Plug", number="1")]
    lines += [Line("clamp", LONG, number="2"), STOP_LINE]
    return Menu("?", lines, marking=Marking("", "All are so", "not so", "not seen"))


@given(st.integers(1, 30), st.integers(1, 12))
def test_enter_alone_takes_nothing_however_often(presses: int, count: int) -> None:
    menu = answers(count)
    assert [menu.enter() for _ in range(presses)] == [None] * presses
    assert menu.message.startswith("Nothing is recorded yet.")
    assert menu.at is None


@given(st.lists(st.sampled_from([-1, 1]), max_size=40))
def test_up_never_ends_on_stop_and_down_reaches_every_line(moves: list[int]) -> None:
    menu = answers()
    for move in moves:
        menu.go(move)
        assert move == 1 or menu.lines[menu.at or 0] is not STOP_LINE
    menu.clear()
    seen = []
    for _ in menu.lines:
        menu.go(1)
        seen.append(menu.at)
    assert seen == list(range(len(menu.lines)))


def test_the_first_press_goes_to_the_first_or_the_last_line_that_does_not_stop() -> None:
    menu = answers()
    menu.go(1)
    assert menu.enter() == "a1"
    menu = answers()
    menu.go(-1)
    assert menu.enter() == "!more"


def test_a_number_goes_to_its_line_and_still_needs_enter() -> None:
    menu = answers(12)
    menu.type("2")
    assert menu.at == 1
    assert menu.enter() == "a2"
    menu = answers(12)
    menu.type("12")
    assert menu.enter() == "a12"
    menu = answers(3)
    menu.type("7")
    assert menu.enter() is None
    assert '"7" is no answer here.' in menu.message


def test_what_is_typed_after_going_to_a_line_makes_enter_wait() -> None:
    menu = answers()
    menu.go(1)
    menu.type("ok")
    assert menu.enter() is None
    assert menu.enter() == "a1"
    menu.type("!st")
    assert menu.enter() == "!stop"
    menu.type("!note")
    assert menu.enter() is None, "a note is not offered here"


def test_a_key_that_bounces_does_not_take_a_mark_away() -> None:
    menu = card()
    menu.type("1")
    assert menu.enter() is None
    assert menu.enter() is None
    assert menu.marking is not None
    assert menu.marking.wrong == {"plug"}
    menu.type("1")
    menu.enter()
    assert menu.marking.wrong == set()


def test_a_line_that_was_not_seen_is_neither_so_nor_wrong() -> None:
    menu = card()
    menu.type("2?")
    assert menu.marking is not None
    assert (menu.marking.wrong, menu.marking.hidden) == (set(), {"clamp"})
    assert any(row.text.startswith("► 2 ? Size") for row in menu.rows(60))
    assert any("Not seen: go on" in row.text for row in menu.rows(60))
    menu.type("2")
    menu.enter()
    assert (menu.marking.wrong, menu.marking.hidden) == ({"clamp"}, set())
    menu.type("0")
    assert menu.enter() == ""


@given(st.integers(30, 96), st.booleans())
def test_no_row_is_cut_and_none_is_wider_than_the_screen(width: int, tight: bool) -> None:
    for menu in (card(), answers(12)):
        menu.tight = tight
        rows = menu.rows(width)
        assert all(len(row.text) <= width for row in rows)
        for line in menu.lines:
            own = [r.text for r in rows if r.line == menu.lines.index(line)]
            shown = " ".join(" ".join(own).split())
            label = menu.marking.none if menu.marking and not line.value else line.label
            assert shown.endswith(label)
            # Hanging: what goes on stands below its own text.
            assert all(text.startswith("  ") for text in own[1:])


def test_how_to_choose_is_said_before_anything_was_pressed() -> None:
    assert any("choose: ↑ ↓ or 1–3, then Enter" in r.text for r in answers().rows(80))
    tight = answers()
    tight.tight = True
    assert tight.rows(80)[0].text == "» Which is it?  (choose: ↑ ↓ or 1–3, then Enter)"


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "  ", "  - ", "✗ ", "? ", "· ", "    "]),
            st.text("abc de\N{EN DASH}", max_size=150),
        ),
        max_size=5,
    ),
    st.integers(20, 90),
)
def test_what_is_told_loses_no_word_and_hangs_below_its_own_words(
    lines: list[tuple[str, str]], width: int
) -> None:
    text = "\n".join(lead + words for lead, words in lines)
    shown = hung(text, width)
    assert "".join(shown.split()) == "".join(text.split())
    assert all(len(row) <= width for row in shown.split("\n"))


def test_the_second_row_of_a_list_begins_where_its_words_begin() -> None:
    told = (
        "What led here:\n  - Codes, live data and lamps: a code of today came back\n"
        "? Idle speed was not seen by anybody"
    )
    assert hung(told, 30) == (
        "What led here:\n"
        "  - Codes, live data and\n"
        "    lamps: a code of today\n"
        "    came back\n"
        "? Idle speed was not seen by\n"
        "  anybody"
    )
    assert hung("a line that fits\n\n  and one", 30) == "a line that fits\n\n  and one"


def test_a_question_mark_before_a_line_was_gone_to_says_how_it_is_used() -> None:
    marking = Marking("on", "none", "marked", "not seen")
    it = Menu("Which?", [Line("on", "", "0"), Line("plug", "Plug", "1")], marking=marking)
    it.type("?")
    assert it.enter() is None
    assert it.message == "Go to the line first (↑ ↓ or its number), then type ?."
    assert it.how() == "choose: ↑ ↓ or number, then Enter; there ? for not seen"
    it.type("1")
    it.type("?")
    assert marking.hidden == {"plug"}
    other = Menu("Which?", [Line("a", "A", "1")])
    other.type("?")
    assert other.enter() is None
    assert '"?" is no answer here.' in other.message
