"""Text → flow: what loads, what pins it, and that no text whatever is answered by a traceback."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from fractions import Fraction

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.flow.authors import CATALOGUE, PARTS, WHOLE, load
from verify.errors import UserError
from verify.flow.load import edition_to_flow, text_to_flow, text_to_part
from verify.words import EndingKind, Grade, Group

LOADED = load(WHOLE, PARTS)


def refused(text: str, parts: dict[str, str] | None = None) -> str:
    with pytest.raises(UserError) as caught:
        load(text, PARTS if parts is None else parts)
    return str(caught.value)


def test_a_flow_with_a_part_in_a_part_becomes_one_graph() -> None:
    graph = LOADED.graph
    assert list(graph.steps) == [
        "save", "walk/first/see", "walk/second", "bolts", "again", "supply", "coolant", "wait",
        "idle", "photo", "notes", "gate",
    ]  # fmt: skip
    leads = {name: [b.to for b in step.branches] for name, step in graph.steps.items()}
    assert leads["save"] == ["walk/first/see", "diagnosis"]
    assert leads["walk/first/see"] == ["walk/second", "walk/second"]
    assert leads["walk/second"] == ["bolts", "tow", "bolts", "tow"]
    assert leads["gate"] == ["done", "follow", "diagnosis"]
    assert [(p.kind, p.first, p.then) for p in graph.promises] == [
        ("before", "save", "bolts"),
        ("never", "bolts", "idle"),
        ("before", "walk/first/see", "walk/second"),
    ]
    assert {n: e.kind for n, e in graph.endings.items()} == {
        "done": EndingKind.HAND_BACK,
        "follow": EndingKind.PROOF_TO_FOLLOW,
        "elsewhere": EndingKind.RELEARN,
        "diagnosis": EndingKind.BACK_TO_DIAGNOSIS,
        "tow": EndingKind.DO_NOT_DRIVE,
    }


def test_numbers_are_made_exact_in_the_unit_of_their_step() -> None:
    steps = LOADED.graph.steps
    low, high = (b.when.own.value for b in steps["supply"].branches[:2])
    assert (low, high) == ((None, Fraction("12.2")), (Fraction("12.2"), None))
    assert steps["coolant"].detail["limits"]["lower"] == 80  # 176 °F
    assert steps["coolant"].detail["accuracy"] == Fraction(10, 9)  # 2 °F wide, not −16.7 °C
    assert steps["wait"].detail["wait_s"] == 600
    assert steps["bolts"].detail["tolerance"] == 10


def test_what_a_step_needs_and_yields_is_in_the_graph() -> None:
    steps = LOADED.graph.steps
    assert steps["idle"].labels == (
        "pass", "fail", "undecided", "told-pass", "told-fail", "told-undecided",
    )  # fmt: skip
    assert steps["idle"].detail["specs"] == ("idle_speed",)
    assert (steps["idle"].group, steps["idle"].least) == (Group.LEARNING, Grade.READ)
    assert steps["bolts"].least is Grade.READ
    assert (steps["again"].required, steps["bolts"].required) == (False, True)
    assert steps["walk/first/see"].labels == ("yes", "no")
    assert steps["save"].line == 13


def test_the_edition_is_the_hash_of_the_canonical_content() -> None:
    assert LOADED.edition == hashlib.sha256(LOADED.content).hexdigest()
    stored = json.loads(LOADED.content)
    assert rfc8785.dumps(stored) == LOADED.content
    assert set(stored) == {"flow", "parts", "order"}
    assert set(stored["parts"]) == {"look", "walk-round"}


def test_a_stored_edition_gives_the_same_graph_in_the_same_order() -> None:
    again = edition_to_flow(LOADED.content, CATALOGUE)
    assert again == LOADED
    for seen in ("steps", "endings", "specs"):
        assert list(getattr(again.graph, seen)) == list(getattr(LOADED.graph, seen))
    for name in ("walk/first/see", "walk/second"):
        before, after = LOADED.graph.steps[name].detail, again.graph.steps[name].detail
        for seen in before:
            assert list(before[seen].items()) == list(after[seen].items())


def swap(old: str, new: str) -> Callable[[str], str]:
    def change(text: str) -> str:
        assert text.count(old) >= 1, old
        return text.replace(old, new, 1)

    return change


DONE = "  done: {kind: hand-back, title: Done, advice: Give the keys back.}\n"
SAME = {
    "a remark": swap("start: save", "start: save  # where it begins"),
    "quotes": swap("title: Save the codes", "title: 'Save the codes'"),
    "fields in another order": swap(
        "    kind: codes\n    title: Save the codes\n",
        "    title: Save the codes\n    kind: codes\n",
    ),
    "the top in another order": lambda t: t.replace("start: save\n", "") + "start: save\n",
    "one line made of two": swap(
        "      - {when: cannot, to: coolant}\n", "      - when: cannot\n        to: coolant\n"
    ),
    "line ends of another system": lambda t: t.replace("\n", "\r\n"),
    "a mark at the beginning": lambda t: "\ufeff" + t,
}
OTHER = {
    "a word of a title": swap("title: Save the codes", "title: Save all codes"),
    "a capital": swap("say: Key off", "say: key off"),
    "a number": swap("wait: 10 min", "wait: 11 min"),
    "the same number otherwise": swap("wait: 10 min", "wait: 600 s"),
    "an advice": swap("advice: Do not drive.", "advice: Do not drive!"),
    "a branch": swap("[fail, undecided], to: again", "[undecided, fail], to: again"),
    "the order of endings": lambda t: t.replace(DONE, "").replace(
        "promises:\n", DONE + "promises:\n"
    ),
}


@pytest.mark.parametrize("change", SAME)
def test_the_edition_does_not_change_with(change: str) -> None:
    assert load(SAME[change](WHOLE), PARTS).edition == LOADED.edition


@pytest.mark.parametrize("change", OTHER)
def test_the_edition_changes_with(change: str) -> None:
    assert load(OTHER[change](WHOLE), PARTS).edition != LOADED.edition


def test_the_edition_changes_with_any_part_and_the_order_of_answers() -> None:
    for old, new in [
        ("say: Is it in order?", "say: Is it good?"),
        ("{yes: It is, no: It is not}", "{no: It is not, yes: It is}"),
    ]:
        parts = {**PARTS, "look": swap(old, new)(PARTS["look"])}
        assert load(WHOLE, parts).edition != LOADED.edition


def test_parts_that_are_not_used_do_not_count() -> None:
    assert load(WHOLE, {**PARTS, "other": "no yaml: ["}) == LOADED


def test_the_name_of_the_file_does_not_count() -> None:
    assert load(WHOLE, PARTS, "elsewhere.yaml").edition == LOADED.edition


def test_a_part_is_read_alone_with_its_results_as_endings() -> None:
    def lookup(name: str) -> tuple[str, str] | None:
        return PARTS[name], f"parts/{name}.yaml"

    graph = text_to_part(PARTS["walk-round"], "walk-round.yaml", lookup, CATALOGUE)
    assert list(graph.steps) == ["part/first/see", "part/second"]
    assert set(graph.endings) == {"stopped", "result-done", "result-trouble"}
    with pytest.raises(UserError, match="found a flow; expected a part"):
        text_to_part(WHOLE, "whole.yaml", lookup, CATALOGUE)


def test_parts_that_use_each_other_in_a_ring_are_refused_where_they_close_it() -> None:
    a = PARTS["walk-round"].replace("part: look", "part: other")
    other = a.replace("id: walk-round", "id: other").replace("part: other", "part: walk-round")
    other = other.replace("{fine: second, poor: second}", "{done: second, trouble: second}")
    a = a.replace("{fine: second, poor: second}", "{done: second, trouble: second}")
    said = refused(WHOLE, {"walk-round": a, "other": other})
    assert 'parts/other.yaml:9:11: steps.first.part\n  found the part "walk-round" inside' in said


def test_parts_that_multiply_are_refused_and_not_grown() -> None:
    """Ten parts, each using the next ten times, would be ten thousand million steps."""
    head = "keysback_part: 1\nid: p{0}\ntitle: P\nresults: [fine]\nstart: s0\nsteps:\n"
    parts = {}
    for level in range(1, 10):
        steps = "".join(
            f"  s{i}: {{kind: part, part: p{level + 1}, results: {{fine: s{(i + 1) % 10}}}}}\n"
            for i in range(10)
        )
        parts[f"p{level}"] = head.format(level) + steps
    parts["p10"] = head.format(10) + (
        "  s0: {kind: photo, title: S, say: S, optional: no need,"
        " branches: [{when: [taken, cannot], result: fine}]}\n"
    )
    flow = WHOLE.replace("part: walk-round", "part: p1").replace(
        "results: {done: bolts, trouble: tow}", "results: {fine: bolts}"
    )
    assert "found more than 10000 steps with the parts put in" in refused(flow, parts)


def test_parts_are_nested_ten_deep_at_most() -> None:
    head = "keysback_part: 1\nid: p{0}\ntitle: P\nresults: [fine]\nstart: s\nsteps:\n"
    parts = {
        f"p{n}": head.format(n)
        + f"  s: {{kind: part, part: p{n + 1}, results: {{fine: e}}}}\n"
        + "  e: {kind: photo, title: S, say: S, optional: no need,"
        " branches: [{when: [taken, cannot], result: fine}]}\n"
        for n in range(300)
    }
    flow = WHOLE.replace("part: walk-round", "part: p0").replace(
        "results: {done: bolts, trouble: tow}", "results: {fine: bolts}"
    )
    assert "found parts inside parts, more than 10 deep" in refused(flow, parts)


def test_only_names_are_looked_up_as_parts() -> None:
    asked = []

    def lookup(name: str) -> None:
        asked.append(name)

    for name in ("../secret", "a/b", "x" * 5000, "", "Look", "a.yaml"):
        flow = WHOLE.replace("part: walk-round", f"part: '{name}'")
        with pytest.raises(UserError):
            text_to_flow(flow, "flow.yaml", lookup, CATALOGUE)
    assert asked == []


def test_a_part_that_cannot_be_read_is_one_of_the_problems() -> None:
    def lookup(name: str) -> tuple[str, str] | None:
        from verify.errors import Problem

        raise UserError(Problem("a file that cannot be read", file=f"parts/{name}.yaml"))

    with pytest.raises(UserError) as caught:
        text_to_flow(WHOLE.replace("title:", "titel:", 1), "flow.yaml", lookup, CATALOGUE)
    assert [p.file for p in caught.value.problems] == ["parts/walk-round.yaml", "flow.yaml"]


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"null", b"{}", b'{"flow":{},"parts":{},"order":{}}', b"\xff\xfe",
     LOADED.content[:-1], LOADED.content.replace(b'"steps":["save",', b'"steps":['),
     LOADED.content.replace(b'"parts":{"look"', b'"parts":{"loop"', 1)],
)  # fmt: skip
def test_a_stored_edition_that_is_damaged_is_refused(content: bytes) -> None:
    with pytest.raises(UserError):
        edition_to_flow(content, CATALOGUE)


def test_a_stored_edition_of_another_language_says_what_is_refused() -> None:
    stored = json.loads(LOADED.content)
    stored["flow"]["steps"]["wait"]["pause"] = "10 min"
    with pytest.raises(UserError, match=r"edition: steps\.wait\.pause\n  found the unknown field"):
        edition_to_flow(rfc8785.dumps(stored), CATALOGUE)


def test_no_field_of_a_flow_can_be_left_out_of_the_graph_unseen() -> None:
    """Every text of the flow is found again somewhere in the graph."""
    from dataclasses import asdict

    shown = repr(asdict(LOADED.graph))
    for words in ("Under the bonnet or in the data", "Read every module", "in two stages",
                  "helps the next one", "The learned position shows", "Clamps tight",
                  "an owner may have no reader", "a recording of warm idle", "50 km",
                  "service information, page", "Does it idle as before?", "It does not",
                  "A workshop", "Come back once.", "common practice"):  # fmt: skip
        assert words in shown, words


# Single edits, as a slip of the hand makes them.
_LINES = WHOLE.splitlines(keepends=True)
_lines = st.integers(0, len(_LINES) - 1)


def answered(text: str) -> None:
    """Either it loads, or every problem has its file and a line within it."""
    try:
        loaded = load(text, PARTS)
    except UserError as error:
        lengths = {"flow.yaml": len(text.splitlines())}
        lengths |= {f"parts/{n}.yaml": len(t.splitlines()) for n, t in PARTS.items()}
        for problem in error.problems:
            assert 1 <= problem.line <= lengths[problem.file], problem
            assert problem.column >= 1
    else:
        assert edition_to_flow(loaded.content, CATALOGUE) == loaded


@st.composite
def slips(draw: st.DrawFn) -> str:
    lines = list(_LINES)
    at = draw(_lines)
    kind = draw(st.sampled_from(["delete", "double", "indent", "words", "cut", "swap", "sign"]))
    line = lines[at]
    match kind:
        case "delete":
            del lines[at]
        case "double":
            lines.insert(at, line)
        case "indent":
            lines[at] = draw(st.sampled_from([" " + line, "  " + line, line[1:], line[2:]]))
        case "words":
            words = line.split(" ")
            other = draw(st.sampled_from(_LINES)).split(" ")
            words[draw(st.integers(0, len(words) - 1))] = draw(st.sampled_from(other)).strip()
            lines[at] = " ".join(words).rstrip("\n") + "\n"
        case "cut":
            lines[at] = line[: draw(st.integers(0, len(line)))]
        case "swap":
            to = draw(_lines)
            lines[at], lines[to] = lines[to], lines[at]
        case "sign":
            place = draw(st.integers(0, len(line) - 1))
            sign = draw(st.sampled_from(list("{}[]:,-'\"#&*!|>%@ 0Ä\t")))
            lines[at] = line[:place] + sign + line[place + draw(st.integers(0, 1)) :]
    return "".join(lines)


@settings(max_examples=120, deadline=None)
@given(slips())
def test_a_slip_of_the_hand_loads_or_is_answered_at_a_line(text: str) -> None:
    answered(text)


# The same one level down: a value of the wrong form anywhere in the tree.
_values = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-9, 10**8),
        st.text(st.characters(codec="ascii", categories=("L", "N", "P")), max_size=8),
        st.sampled_from(["pass", "idle", "tow", "12 V", "10 min", "750 rpm", "walk", "see"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=2),
        st.dictionaries(st.sampled_from(["kind", "to", "when", "from", "spec"]), inner, max_size=2),
    ),
    max_leaves=4,
)


def paths(node: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner = (
        node.items()
        if isinstance(node, dict)
        else enumerate(node)
        if isinstance(node, list)
        else ()
    )
    return [path, *(p for key, value in inner for p in paths(value, (*path, key)))]


_STORED = json.loads(LOADED.content)["flow"]
_PATHS = paths(_STORED)[1:]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(_PATHS), _values, st.sampled_from(["put", "drop", "add"]))
def test_a_value_of_another_form_anywhere_is_answered(
    path: tuple[str | int, ...], value: object, how: str
) -> None:
    tree = json.loads(json.dumps(_STORED))
    node = tree
    for key in path[:-1]:
        node = node[key]
    if how == "drop":
        del node[path[-1]]
    elif how == "add" and isinstance(node, dict):
        node["extra"] = value
    else:
        node[path[-1]] = value
    answered(json.dumps(tree, indent=1))  # JSON is YAML 1.2
