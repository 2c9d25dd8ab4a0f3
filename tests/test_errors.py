"""Problems as they are shown: the text of the renderer, whole."""

from __future__ import annotations

import pytest

from verify.errors import Problem, UserError, nearest, render, unknown


def test_a_problem_with_everything_is_three_lines_an_editor_can_follow() -> None:
    problem = Problem(
        found='"750 rmp"',
        expected="a number with a unit of rotational speed",
        next='write "750 rpm"',
        file="flows/coolant-sensor.yaml",
        line=41,
        column=14,
        field="steps.warm-idle.limits.upper",
    )
    assert render([problem]) == (
        "flows/coolant-sensor.yaml:41:14: steps.warm-idle.limits.upper\n"
        '  found "750 rmp"; expected a number with a unit of rotational speed\n'
        '  write "750 rpm"'
    )


@pytest.mark.parametrize(
    ("known", "shown"),
    [
        ({}, "  found x"),
        ({"expected": "y"}, "  found x; expected y"),
        ({"next": "do z"}, "  found x\n  do z"),
        ({"file": "f.yaml"}, "f.yaml\n  found x"),
        ({"field": "--spec"}, "--spec\n  found x"),
        ({"file": "f.yaml", "line": 3}, "f.yaml:3\n  found x"),
        ({"file": "f.yaml", "column": 3}, "f.yaml\n  found x"),
        ({"file": "f.yaml", "field": "a.b"}, "f.yaml: a.b\n  found x"),
        ({"line": 3, "column": 4}, "line 3:4\n  found x"),
        ({"line": 3, "field": "a"}, "line 3: a\n  found x"),
    ],
)
def test_what_is_not_known_is_left_out(known: dict[str, str | int], shown: str) -> None:
    assert render([Problem("x", **known)]) == shown


def test_all_problems_are_shown_one_below_the_other() -> None:
    error = UserError(Problem("a", file="f", line=1), Problem("b", next="do c"))
    assert str(error) == render(error.problems) == "f:1\n  found a\n  found b\n  do c"
    assert render([]) == ""


def test_an_error_without_a_problem_is_a_mistake_of_ours() -> None:
    with pytest.raises(ValueError, match="at least one Problem"):
        UserError()


def test_outer_levels_add_what_they_know_and_overwrite_nothing() -> None:
    inner = Problem("x", field="limits.upper", line=41)
    outer = inner.within(file="f.yaml", field="steps.idle", line=7, column=3)
    assert (outer.file, outer.line, outer.column) == ("f.yaml", 41, 3)
    assert outer.field == "steps.idle.limits.upper"
    assert outer.within(file="other", line=1, column=1) == outer
    error = UserError(inner, Problem("y")).within(file="f.yaml", field="steps")
    assert [(p.file, p.field) for p in error.problems] == [
        ("f.yaml", "steps.limits.upper"),
        ("f.yaml", "steps"),
    ]


def test_what_a_file_contains_cannot_steer_the_screen_or_fill_it() -> None:
    shown = render([Problem('"\x1b[2Ja\nb\u202e"', "c\rd", "e\x07", "f\x00.yaml", 1, 1, "g\n")])
    assert shown.splitlines() == [
        "f\\u0000.yaml:1:1: g\\u000a",
        '  found "\\u001b[2Ja\\u000ab\\u202e"; expected c\\u000dd',
        "  e\\u0007",
    ]
    long = render([Problem('"' + "x" * 5000 + 'y"')])
    assert len(long) < 220
    assert long.startswith('  found "xxx')
    assert long.endswith('xy"')


@pytest.mark.parametrize(
    ("word", "guess"),
    [("idel", "idle"), ("warmidle", "warm-idle"), ("idle", "idle"), ("zebra", ""), ("", "")],
)
def test_the_nearest_known_word_is_found_or_none(word: str, guess: str) -> None:
    assert nearest(word, ["idle", "warm-idle", "road-test"]) == guess


def test_an_unknown_name_is_answered_with_the_known_ones_and_the_nearest() -> None:
    assert render([unknown("idel", ["road", "idle"], "step")]) == (
        '  found "idel"; expected a known step: idle, road\n  write "idle"'
    )
    assert render([unknown("xyz", ["road", "idle"], "step")]) == (
        '  found "xyz"; expected a known step: idle, road\n'
        "  choose a name that exists, or add the step"
    )
    assert render([unknown("xyz", [], "spec")]) == (
        '  found "xyz"; expected a known spec (there is none)\n'
        "  choose a name that exists, or add the spec"
    )
    many = unknown("s99", [f"s{n:02}" for n in range(40)], "step")
    assert many.expected.endswith("s11 … (40 in all)")
    assert many.next == 'write "s39"'


def test_problems_are_values() -> None:
    assert Problem("x", line=1) == Problem("x", line=1)
    assert len({Problem("x"), Problem("x"), Problem("y")}) == 2
