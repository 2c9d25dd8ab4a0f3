"""Text → tree: what stands there is what is read, or it is refused where it stands."""

from __future__ import annotations

import time

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.flow.authors import WHOLE
from verify.errors import Problem
from verify.flow.text import MAX_BYTES, MAX_DEPTH, MAX_PROBLEMS, Tree, text_to_tree


def data(text: str) -> dict[str, object]:
    tree = text_to_tree(text, "flow.yaml")
    assert isinstance(tree, Tree), tree
    return tree.data


def refused(text: str) -> list[Problem]:
    problems = text_to_tree(text, "flow.yaml")
    assert isinstance(problems, list), "this text was not refused"
    assert problems
    assert all(p.file == "flow.yaml" for p in problems)
    return problems


def places(text: str) -> list[tuple[int, int, str]]:
    return [(p.line, p.column, p.found) for p in refused(text)]


# YAML 1.2.2, section 10.3.2 (core schema): only true/false are yes-or-no values, and sexagesimal
# numbers are gone.
@pytest.mark.parametrize(
    "word",
    ["on", "off", "yes", "no", "On", "NO", "y", "n", "12:30", "12:30:00", "1:2", "~x", "v1.2"],
)
def test_words_that_older_yaml_turned_into_something_else_stay_text(word: str) -> None:
    assert data(f"a: {word}\n") == {"a": word}
    assert data(f"{word}: a\n") == {word: "a"}


@pytest.mark.parametrize("text", ["7,4 ft·lbf", "12.2 V", "1.2.3", "10 min", "5 %", "+", "-", "."])
def test_numbers_with_units_and_stray_signs_stay_text(text: str) -> None:
    assert data(f"a: '{text}'\n") == {"a": text}
    if text not in ("-",):
        assert data(f"a: {text}\n") == {"a": text}


def test_whole_numbers_and_true_and_false_are_what_they_look_like() -> None:
    text = "a: 0\nb: 12\nc: -3\nd: true\ne: false\nf: 999999999\n"
    assert data(text) == {"a": 0, "b": 12, "c": -3, "d": True, "e": False, "f": 999_999_999}
    assert type(data("a: 1\n")["a"]) is int


@pytest.mark.parametrize(
    "bare",
    [
        "010", "08", "1_000", "_", "0x10", "0o17", "0b1", "1.5", "12.", ".5", "1e3", "-1.0", "+5",
        "-0", ".inf", "-.INF", ".nan", "2024-05-01", "2024-5-1", "2024-05-01 10:00:00",
        "2024-05-01T10:00:00Z", "2024-99-99", "12345678901", "=", "<<",
    ],
)  # fmt: skip
def test_a_bare_number_or_date_that_could_change_is_refused_and_in_quotes_it_is_text(
    bare: str,
) -> None:
    assert data(f'a: "{bare}"\n') == {"a": bare}
    if bare == "_":
        assert data("a: _\n") == {"a": "_"}
        return
    problems = refused(f"first: x\nb:\n  a: {bare}\n")
    assert [(p.line, p.column, p.field) for p in problems] == [(3, 6, "b.a")]
    assert problems[0].found == f"{bare} without quotes"
    assert f'("{bare}")' in problems[0].next


@pytest.mark.parametrize("nothing", ["", " ~", " null", " Null", " NULL"])
def test_an_empty_value_is_refused_at_its_field(nothing: str) -> None:
    [problem] = refused(f"a: x\nb:\n  - c: y\n    d:{nothing}\nlast: z\n")
    assert (problem.line, problem.field) == (4, "b.0.d")
    assert problem.found == "an empty value"


def test_every_doubled_field_is_shown_with_the_line_of_the_first() -> None:
    text = "a: 1\nb: {c: 1, c: 2}\na: 2\na: 3\nd:\n  - e: 1\n    e: 2\n"
    assert [(p.line, p.column, p.field) for p in refused(text)] == [
        (2, 11, "b.c"),
        (3, 1, "a"),
        (4, 1, "a"),
        (7, 5, "d.0.e"),
    ]
    assert refused(text)[1].expected == "each field once (the first is in line 1)"


def test_names_that_look_unlike_but_are_the_same_word_are_doubled() -> None:
    assert places('a: 1\n"a": 2\n') == [(2, 1, 'the field "a" a second time')]


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        ("a: &x b\n", (1, 4), "an anchor or alias (& or *)"),
        ("a: b\nc: *x\n", (2, 4), "an anchor or alias (& or *)"),
        ("a: &x {b: c}\n", (1, 4), "an anchor or alias (& or *)"),
        ("&x a: b\n", (1, 1), "an anchor or alias (& or *)"),
        ("a: !!str b\n", (1, 4), "a tag (!)"),
        ("a: !thing b\n", (1, 4), "a tag (!)"),
        ("a: ! b\n", (1, 4), "a tag (!)"),
        ("!!map {a: b}\n", (1, 1), "a tag (!)"),
        ("a: !!python/object/apply:os.system [ls]\n", (1, 4), "a tag (!)"),
        ("a: b\n---\nc: d\n", (2, 1), "a second document (---)"),
        ("a: b\n...\nc\n", (3, 1), "a second document (---)"),
        ("%YAML 1.1\n---\na: b\n", (1, 1), "a directive (%)"),
        ("%TAG ! tag:x,2000:\n---\na: b\n", (1, 1), "a directive (%)"),
        ("# a\n%FOO bar\n---\na: b\n", (2, 1), "a directive (%)"),
        ("<<: {a: b}\nc: d\n", (1, 1), 'the field name "<<"'),
        ("1: b\n", (1, 1), 'the field name "1"'),
        ("true: b\n", (1, 1), 'the field name "true"'),
        ("null: b\n", (1, 1), 'the field name "null"'),
        (": b\n", (1, 1), "a field without a name"),
        ("? [a, b]\n: c\n", (1, 3), "a field without a name"),
        ("? {a: b}\n: c\n", (1, 3), "a field without a name"),
        ("- a\n", (1, 1), "text without fields"),
        ("a\n", (1, 1), "text without fields"),
        ("", (1, 1), "no fields"),
        ("# only a remark\n", (1, 1), "no fields"),
        ("a: b\n\tc: d\n", (2, 1), "a tab as indentation"),
        ("a: 'x\n\n", (1, 4), "a quotation mark that is never closed"),
        ('a: "\\q"\n', (1, 6), "a backslash that means nothing here"),
        ("a: x: y\n", (1, 5), 'a ":" where none can stand'),
        ("a: - b\n", (1, 4), 'a "-" where no list can begin'),
        ("a: @b\n", (1, 4), 'a text that begins with "@"'),
        ("a: b\n c: d\n", (2, 2), "a line that begins where none above it does"),
        ("a:\n  - b\n c: d\n", (3, 2), "a line that begins where none above it does"),
    ],
)
def test_what_a_flow_file_may_not_use_is_refused_at_its_place(
    text: str, place: tuple[int, int], found: str
) -> None:
    assert places(text)[0] == (*place, found)


@pytest.mark.parametrize(
    "character",
    [0x00, 0x07, 0x0B, 0x1B, 0x7F, 0x85, 0x9B, 0x2028, 0x202E, 0x2066, 0xFEFF, 0xFFFE, 0xD800],
)
def test_characters_nobody_sees_are_refused_bare_and_as_an_escape(character: int) -> None:
    bare = f"a: b\nc: x{chr(character)}y\n"
    assert places(bare) == [(2, 5, f"a character that cannot be seen (U+{character:04X})")]
    for text in (f'a: b\nc: "x\\u{character:04x}y"\n', f'a: b\n"x\\u{character:04x}y": c\n'):
        [problem] = refused(text)
        assert problem.line == 2
        assert problem.found == f"a character that cannot be seen (U+{character:04X})"
        assert chr(character) not in problem.field


def test_text_of_other_languages_blocks_and_windows_line_ends_are_read() -> None:
    assert data("a: é ü 車 🔧\r\nb: |\r\n  one\r\n  two\r\nc: >\r\n  folded\r\n  text\r\n") == {
        "a": "é ü 車 🔧",
        "b": "one\ntwo\n",
        "c": "folded text\n",
    }
    assert data("\ufeffa: b\n") == {"a": "b"}
    assert places("\ufeffa:\n") == [(1, 1, "an empty value")]


def test_a_file_over_one_megabyte_is_refused_by_its_bytes_before_it_is_read() -> None:
    just = "a: " + "é" * ((MAX_BYTES - 4) // 2) + "\n"
    assert len(just.encode()) == MAX_BYTES
    assert len(str(data(just)["a"])) == (MAX_BYTES - 4) // 2
    assert places(just + "#") == [(0, 0, "a file of more than 1 MB")]


@pytest.mark.parametrize("opening", ["[", "{a: ", "- ", "? "])
def test_nesting_ends_at_twenty_levels(opening: str) -> None:
    [problem, *_] = refused("a:\n  " + opening * (MAX_DEPTH + 5))
    assert problem.found == f"more than {MAX_DEPTH} levels"
    nested = "x"
    for _ in range(MAX_DEPTH - 1):
        nested = f"[{nested}]"
    assert data(f"a: {nested}\n")
    assert refused(f"a: [[{nested}]]\n")[0].found == f"more than {MAX_DEPTH} levels"


@pytest.mark.parametrize(
    "text",
    ["[" * 900_000, "{a: " * 200_000, "- " * 400_000, "a: &b 1\n" * 100_000, "? " * 300_000],
)
def test_a_hostile_megabyte_is_left_at_once(text: str) -> None:
    began = time.perf_counter()
    problems = refused(text)
    assert time.perf_counter() - began < 5
    assert len(problems) <= MAX_PROBLEMS


def test_each_value_is_found_again_at_its_line_and_column() -> None:
    tree = text_to_tree("a:\n  b: [x, y]\n  'c d': {e: f}\ng:\n- h: i\n", "flow.yaml")
    assert isinstance(tree, Tree)
    assert tree.place(("a", "b", 1)) == (2, 10)
    assert tree.place(("a", "b")) == (2, 3)  # a list or group is found at its name
    assert tree.place(("a", "c d", "e")) == (3, 14)
    assert tree.key_place(("a", "c d", "e")) == (3, 11)
    assert tree.place(("g", 0, "h")) == (5, 6)
    assert tree.place(("a", "label", "b", 0)) == (2, 7)  # what is not in the tree is skipped
    assert tree.place(("a", "missing")) == (1, 1)
    assert tree.place(()) == (1, 1)
    assert tree.real_path(("a", "label", "b", 0)) == ["a", "b", 0]
    assert tree.real_path(("a", "missing"), last=True) == ["a", "missing"]
    assert Tree.unmarked({"a": "b"}, "edition").place(("a",)) == (0, 0)


def plausible(text: str) -> None:
    """Any text gives a tree or problems that stand within it."""
    result = text_to_tree(text, "flow.yaml")
    if isinstance(result, Tree):
        return
    lines = text.splitlines() or [""]
    assert result
    for problem in result:
        assert 0 <= problem.line <= len(lines), problem
        assert (problem.line == 0) == (problem.column == 0), problem
        assert problem.found


_YAML_SIGNS = st.text(
    alphabet=st.one_of(
        st.sampled_from(list("{}[]:,-?&*!|>'\"%@`#~ \n\t=<\\0123456789.eExo_abyn\r")),
        st.characters(),
    ),
    max_size=80,
)
_slow = settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@_slow
@given(_YAML_SIGNS)
@example("? ")
@example("a: !<\n")
@example("%YAML 9999999999999999999.1\n---\na: b\n")
@example("a: |99\n b\n")
@example('"\\U99999999": a')
@example("--- >\n---")
def test_random_text_gives_a_tree_or_problems_within_it(text: str) -> None:
    plausible(text)


SHORT = "\n".join(WHOLE.splitlines()[:60]) + "\n"


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, len(SHORT)),
    length=st.integers(0, 12),
    put=_YAML_SIGNS.map(lambda t: t[:6]),
)
def test_a_damaged_flow_gives_a_tree_or_problems_within_it(at: int, length: int, put: str) -> None:
    plausible(SHORT[:at] + put + SHORT[at + length :])


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=60))
def test_random_bytes_read_as_text_give_a_tree_or_problems(raw: bytes) -> None:
    plausible(raw.decode("latin-1"))
    plausible(raw.decode("utf-8", "surrogateescape"))
