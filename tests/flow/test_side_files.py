"""The texts of a flow in another language: what side files say, what is wrong with them, what they
pin. `bad_words/NAME.yaml` is a mistake in the side file of `bad_words/flow.yaml`, `NAME.txt` what
is shown.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.flow.test_load_messages import JARGON
from verify.errors import UserError, render
from verify.flow.graph import Graph
from verify.flow.load import Loaded, edition_to_flow, text_to_flow
from verify.flow.proof import ProvenFlow, prove
from verify.flow.side_text import side_text
from verify.flow.text import Tree, text_to_tree
from verify.flow.texts import Side, read_side, texts_of
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow, part_names, read_place, sides_of

BAD = Path(__file__).parent / "bad_words"
MISTAKES = sorted(p.stem for p in BAD.glob("*.txt"))
FLOW, GERMAN = (BAD / "flow.yaml").read_text(), (BAD / "flow.de.yaml").read_text()
LANGUAGES_OF_FLOW = {"de": (GERMAN, "flow.de.yaml")}


def tree_of(text: str, source: str = "flow.yaml") -> Tree:
    tree = text_to_tree(text, source)
    assert isinstance(tree, Tree)
    return tree


def read(text: str, flow: str = FLOW, source: str = "flow.de.yaml") -> Side:
    return read_side(tree_of(text, source), tree_of(flow), "de")


def load(german: str | None = GERMAN, flow: str = FLOW, language: str = "") -> Loaded:
    sides = {"de": (german, "flow.de.yaml")} if german is not None else {}
    return text_to_flow(
        flow, "flow.yaml", lambda _: None, catalogue(), sides=lambda _: sides, language=language
    )


# ---- what is wrong ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MISTAKES)
def test_the_mistake_is_shown_at_its_place_with_what_to_do(name: str) -> None:
    text = (BAD / f"{name}.yaml").read_text()
    found = text_to_tree(text, f"{name}.yaml")
    if isinstance(found, Tree):
        found = list(read_side(found, tree_of(FLOW), "de").problems)
    assert render(found) + "\n" == (BAD / f"{name}.txt").read_text()
    lines = text.splitlines()
    for problem in found:
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 1
        assert problem.next
    assert not JARGON.findall(render(found))


def test_every_mistake_has_its_message_and_every_message_its_mistake() -> None:
    files = {p.stem for p in BAD.glob("*.yaml")} - {"flow", "flow.de"}
    assert files == set(MISTAKES)
    assert len(files) >= 28


@pytest.mark.parametrize("name", MISTAKES)
def test_with_a_mistake_the_flow_is_had_in_english_and_not_in_german(name: str) -> None:
    german = (BAD / f"{name}.yaml").read_text()
    loaded = load(german)
    assert (loaded.languages, list(loaded.untranslated)) == ((), ["de"])
    assert loaded.edition == load(None).edition, "what cannot be shown is not pinned"
    with pytest.raises(UserError) as caught:
        load(german, language="de")
    assert caught.value.problems == loaded.untranslated["de"]


# ---- what is right ------------------------------------------------------------------------------


def test_a_whole_side_file_makes_the_same_graph_in_other_words() -> None:
    english, german = load().graph, load(language="de").graph
    assert german.title == "Kleiner Ablauf"
    assert german.steps["plug"].detail["answers"] == {
        "yes-it-is": "Er sitzt",
        "loose": "Er ist lose",
    }
    assert german.steps["idle"].later == (
        "2 Minuten Leerlauf aufzeichnen.",
        "innerhalb von zwei Wochen",
    )
    assert german.steps["idle"].detail["told"]["unsure"] == "Not sure", "the runner's own word"
    assert german.endings["stopped"].advice == "Motor aus."
    assert german.in_english("Kleiner Ablauf") == english.title
    assert wordless(german) == wordless(english)
    assert isinstance(prove(german, catalogue()), ProvenFlow)


def wordless(graph: Graph) -> Any:
    """A graph as plain data without the values of its texts."""
    texts = {*texts_in(graph)}

    def plain(node: Any) -> Any:
        if is_dataclass(node) and not isinstance(node, type):
            return {
                f.name: plain(getattr(node, f.name)) for f in fields(node) if f.name != "english"
            }
        if isinstance(node, dict):
            return {k: plain(v) for k, v in node.items()}
        if isinstance(node, tuple | list):
            return [plain(v) for v in node]
        return "…" if isinstance(node, str) and node in texts else node

    return plain(graph)


def texts_in(graph: Graph) -> Iterator[str]:
    """Every text of the small flow, in the language of the graph."""
    by_english = {e: g for g, e in graph.english.items()}
    yield from (by_english.get(text, text) for text in texts_of(tree_of(FLOW).data).values())


def test_an_edition_covers_its_translations() -> None:
    without, whole = load(None), load()
    changed = load(GERMAN.replace("Er sitzt", "Er sitzt fest"))
    assert len({without.edition, whole.edition, changed.edition}) == 3
    assert load(language="de").edition == whole.edition, "the edition is one, whoever reads it"
    assert "words" not in json.loads(without.content), (
        "the edition from before there were languages"
    )
    again = load(GERMAN.replace("# The", "#  The").replace("\n\n", "\n"))
    assert again.edition == whole.edition, "comments and blank lines are no words"


def test_a_job_keeps_the_words_it_was_shown() -> None:
    stored = load().content
    assert edition_to_flow(stored, catalogue()).graph == load().graph
    kept = edition_to_flow(stored, catalogue(), language="de")
    assert kept.graph == load(language="de").graph
    assert kept.content == stored
    with pytest.raises(UserError, match="no German of this flow"):
        edition_to_flow(load(None).content, catalogue(), language="de")


def test_a_language_the_runner_does_not_speak_is_none_of_the_flow() -> None:
    loaded = text_to_flow(
        FLOW, "flow.yaml", lambda _: None, catalogue(),
        sides=lambda _: {"xx": (GERMAN.replace("language: de", "language: xx"), "flow.xx.yaml")},
    )  # fmt: skip
    assert loaded.languages == ()
    assert 'found the language "xx"; expected one of de' in render(loaded.untranslated["xx"])


def test_a_part_without_the_language_is_named() -> None:
    text, source = read_place("flows/throttle-body-replaced.yaml")

    def parts(name: str) -> tuple[str, str]:
        return read_place(f"flows/parts/{name}.yaml")

    def sides(name: str) -> dict[str, tuple[str, str]]:
        return (
            {}
            if name == "relearn"
            else sides_of(
                f"flows/{'parts/' if name else ''}{name or 'throttle-body-replaced'}.yaml"
            )
        )

    loaded = text_to_flow(text, source, parts, catalogue(), sides=sides)
    assert loaded.languages == ()
    assert render(loaded.untranslated["de"]) == (
        "flows/throttle-body-replaced.de.yaml\n"
        '  found no German of "relearn"; expected a file relearn.de.yaml beside the part\n'
        "  run keysback flows translate relearn --to de"
    )


# ---- writing side files -------------------------------------------------------------------------


def test_a_skeleton_holds_every_text_and_room_for_its_translation() -> None:
    drafted = side_text(tree_of(FLOW), "de")
    assert len(drafted.open) == len(texts_of(tree_of(FLOW).data))
    side = read(drafted.text)
    assert [p.found for p in side.problems] == ["no German text"] * len(drafted.open)


def test_what_stands_is_kept_and_comes_out_as_it_went_in() -> None:
    drafted = side_text(tree_of(FLOW), "de", tree_of(GERMAN))
    assert drafted.text == GERMAN
    assert (drafted.open, drafted.stale, drafted.dropped) == ((), (), ())


def test_where_the_english_has_changed_the_old_words_stand_beside_the_new() -> None:
    flow = FLOW.replace("Is the plug home?", "Is the plug home and locked?")
    drafted = side_text(tree_of(flow), "de", tree_of(GERMAN))
    assert drafted.open == drafted.stale == ("steps.plug.say",)
    assert (
        'en: Is the plug home and locked?\n      de: ""\n      was: Sitzt der Stecker?'
        in drafted.text
    )
    twice = side_text(tree_of(flow), "de", tree_of(drafted.text))
    assert twice == drafted, "a second run loses nothing"
    done = drafted.text.replace('de: ""', "de: Sitzt der Stecker fest?")
    assert not read(done, flow).problems
    assert "was:" not in side_text(tree_of(flow), "de", tree_of(done)).text


def test_what_is_not_in_the_flow_any_more_is_left_out_and_named() -> None:
    flow = re.sub(r"    owner: Listen.*\n", "", FLOW)
    drafted = side_text(tree_of(flow), "de", tree_of(GERMAN))
    assert drafted.dropped == ("steps.idle.owner",)
    assert not read(drafted.text, flow).problems


# ---- whatever is typed --------------------------------------------------------------------------

_SEEN = st.characters(codec="utf-8", exclude_categories=("C", "Zl", "Zp", "Zs", "Nd"))
WORDS = st.text(_SEEN, min_size=1, max_size=30)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_every_translation_comes_back_as_it_was_written(data: st.DataObject) -> None:
    """Whatever words: quotes, colons, dashes and marks of YAML among them."""
    tree = tree_of(FLOW)
    filled: dict[str, Any] = {"keysback_words": 1, "flow": "flow", "language": "de"}
    written = {}
    for path, english in texts_of(tree.data).items():
        numbers = " ".join(re.findall(r"\d+", english))
        text = f"{data.draw(WORDS)} {numbers}".strip().translate({ord("{"): "(", ord("}"): ")"})
        node = filled
        for key in path:
            node = node.setdefault(str(key), {})
        node |= {"en": english, "de": text}
        written[path] = text
    drafted = side_text(tree, "de", Tree.unmarked(filled, "x"))
    side = read(drafted.text)
    assert not side.problems
    assert side.texts == {path: " ".join(text.split()) for path, text in written.items()}


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(GERMAN) - 1), st.integers(0, 40), st.text(max_size=8))
def test_no_damage_to_a_side_file_raises_or_is_shown_in_part(at: int, cut: int, put: str) -> None:
    """All or nothing: the texts are whole, or there is a problem that says what is not."""
    damaged = GERMAN[:at] + put + GERMAN[at + cut :]
    loaded = load(damaged)
    assert ("de" in loaded.languages) != ("de" in loaded.untranslated)
    if loaded.languages:
        wanted = texts_of(tree_of(FLOW).data)
        assert read(damaged).texts.keys() == wanted.keys()


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_one_changed_text_is_one_stale_translation(data: st.DataObject) -> None:
    paths = list(texts_of(tree_of(FLOW).data))
    path = data.draw(st.sampled_from(paths))
    tree = tree_of(FLOW)
    node: Any = tree.data
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] += " again"
    side = read_side(tree_of(GERMAN, "flow.de.yaml"), tree, "de")
    assert [p.field for p in side.problems] == [".".join(map(str, (*path, "en")))]
    assert side.texts.keys() == set(paths) - {path}


# ---- the library --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*flow_names(), *part_names()])
def test_what_the_library_has_in_another_language_it_has_whole_and_in_its_form(name: str) -> None:
    folder = "flows" if name in flow_names() else "flows/parts"
    text, source = read_place(f"{folder}/{name}.yaml")
    for language, (side, file) in sides_of(f"{folder}/{name}.yaml").items():
        read = read_side(tree_of(side, file), tree_of(text, source), language)
        assert not read.problems, render(read.problems)
        head = side.splitlines()[0]
        drafted = side_text(tree_of(text, source), language, tree_of(side), head)
        assert drafted.text == side, "write it with keysback flows translate"


def test_the_throttle_body_is_closed_out_in_german_too() -> None:
    assert "de" in load_flow("throttle-body-replaced", catalogue()).languages
