"""The skeletons of `keysback flows new`: whatever was answered, the flow loads, proves, and can be
walked to its endings (by the rehearsal, which knows neither prover nor machine)."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.whole.rehearse_walks import Rehearsal
from verify.errors import UserError
from verify.flow import load as loading
from verify.flow.graph import Graph
from verify.flow.load import text_to_flow
from verify.flow.proof import ProvenFlow, prove
from verify.flow.skeleton import (
    DANGERS,
    RECORDINGS,
    Plan,
    name_from,
    skeleton,
)
from verify.job.catalogue import catalogue
from verify.terminal.library import Parts, part_names
from verify.words import Audience

AUDIENCES = ((Audience.TECHNICIAN,), (Audience.OWNER,), (Audience.TECHNICIAN, Audience.OWNER))
parts = cache(Parts())


@pytest.fixture(autouse=True, scope="module")
def _each_part_read_once() -> Iterator[None]:
    """Hundreds of flows of the same few parts; their texts need not be read hundreds of times."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loading, "text_to_tree", cache(loading.text_to_tree))
        yield


def graph_of(text: str) -> Graph:
    return text_to_flow(text, "new.yaml", parts, catalogue(), known_parts=part_names()).graph


def some_of(words: Iterable[str]) -> list[frozenset[str]]:
    known = list(words)
    sizes = range(len(known) + 1)
    return [frozenset(c) for size in sizes for c in itertools.combinations(known, size)]


@pytest.mark.parametrize("dangers", some_of(DANGERS), ids=lambda d: "+".join(sorted(d)) or "none")
def test_every_combination_of_answers_loads_proves_and_can_be_walked(
    dangers: frozenset[str],
) -> None:
    """All 512; who it is for changes texts alone, so it goes round with them."""
    audiences = itertools.cycle(AUDIENCES)
    for recordings, relearn in itertools.product(some_of(RECORDINGS), (False, True)):
        plan = Plan(
            "Boot hinge replaced", next(audiences), dangers, "The lid falls", relearn, recordings
        )
        graph = graph_of(skeleton(plan))
        assert graph.audiences == plan.audiences
        proven = prove(graph, catalogue())
        assert isinstance(proven, ProvenFlow), (plan, proven)
        rehearsal = Rehearsal(graph, catalogue())
        for audience in plan.audiences:
            end = rehearsal.to_an_ending(rehearsal.start(audience))
            assert end.node in graph.endings


@pytest.mark.parametrize("relearn", [False, True])
@pytest.mark.parametrize("audiences", AUDIENCES, ids=lambda a: "+".join(a))
def test_every_branch_and_every_ending_of_the_largest_is_walked(
    audiences: tuple[Audience, ...], relearn: bool
) -> None:
    plan = Plan("A hinge", audiences, frozenset(DANGERS), "", relearn, frozenset(RECORDINGS))
    graph = graph_of(skeleton(plan))
    walks, missing = Rehearsal(graph, catalogue()).covering()
    assert not missing
    assert {walk.node for walk in walks} >= set(graph.endings) - {graph.on_stop}


NASTY = [
    "Boot: hinge",
    "\"quoted\" and 'so'",
    "# no comment",
    "- a list, - so to say",
    "{braces} [brackets] & * ! | > % @ `",
    "yes",
    "2031-03-04",
    "12.5",
    "~",
    "back\\slash \\n \\u0041",
    "tab\tand\nline\r\nbreak",
    "bell \x07 and turn \u202e and half \ud800",
    "Türscharnier ausgetauscht",
    "ヒンジを交換した",
    "مفصلة",
    "🔧",
    "say: >-",
    "THEN SAY RELEARN {id}",
    "{0} %s $x ${x}",
    "    owner: nobody",
]


@pytest.mark.parametrize("words", NASTY)
def test_a_nasty_title_or_complaint_is_text_and_nothing_else(words: str) -> None:
    seen = " ".join(words.translate({7: " ", 0x202E: " ", 0xD800: " "}).split())
    for audiences in AUDIENCES:
        plan = Plan(words, audiences, frozenset(DANGERS), words, True, frozenset(RECORDINGS))
        graph = graph_of(skeleton(plan))
        assert graph.title == seen
        assert graph.repair.startswith(seen)
        assert seen in graph.steps["complaint"].say
        assert set(graph.steps) == set(graph_of(skeleton(largest(audiences))).steps)


@cache
def largest(audiences: tuple[Audience, ...]) -> Plan:
    return Plan("A hinge", audiences, frozenset(DANGERS), "", True, frozenset(RECORDINGS))


@settings(max_examples=40, deadline=None)
@given(
    title=st.text(max_size=20) | st.sampled_from(["0", "1-2", "true", "null", "1e3", "0x1f"]),
    complaint=st.text(max_size=20),
    audiences=st.sampled_from(AUDIENCES),
    dangers=st.sets(st.sampled_from(sorted(DANGERS))),
    recordings=st.sets(st.sampled_from(sorted(RECORDINGS))),
    relearn=st.booleans(),
)
def test_any_text_gives_a_flow_or_one_message(
    title: str,
    complaint: str,
    audiences: tuple[Audience, ...],
    dangers: set[str],
    recordings: set[str],
    relearn: bool,
) -> None:
    plan = Plan(title, audiences, frozenset(dangers), complaint, relearn, frozenset(recordings))
    if not graph_title(title):
        with pytest.raises(UserError) as caught:
            skeleton(plan)
        assert [p.field for p in caught.value.problems] == ["title"]
        return
    assert graph_of(skeleton(plan)).title == graph_title(title)


def graph_title(typed: str) -> str:
    """What can be seen of it, by YAML's own table of what a text may hold (production 1)."""
    kept = "".join(c if c.isprintable() or c in "\t\n\r \u0085\u00a0" or yaml_shows(c) else " "
                   for c in typed)  # fmt: skip
    return " ".join("".join(" " if unseen(c) else c for c in kept).split())


def yaml_shows(c: str) -> bool:
    return c >= "\u00a0" and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff"


def unseen(c: str) -> bool:
    """Marks that turn the direction of reading, line separators, the byte-order mark, controls."""
    controls = (c < " " and c not in "\t\n\r") or "\x7f" <= c <= "\x9f"
    return (
        controls or c in "\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"
    )


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Boot hinge replaced", "boot-hinge-replaced"),
        ("Türscharnier", "turscharnier"),
        ("ヒンジ", "my-flow"),
        ("--a--", "a"),
        ("x" * 59 + " y", "x" * 59),
    ],
)
def test_the_name_comes_from_the_title(title: str, name: str) -> None:
    assert name_from(title) == name
    assert graph_of(skeleton(Plan(title))).flow_id == name


def test_too_long_a_text_and_unknown_words_are_said_all_at_once() -> None:
    plan = Plan(
        "x" * 81,
        dangers=frozenset({"leks"}),
        complaint="y" * 301,
        recordings=frozenset({"pedals"}),
        flow_id="Boot Hinge",
    )
    with pytest.raises(UserError) as caught:
        skeleton(plan)
    said = {p.field: p.next for p in caught.value.problems}
    assert said == {
        "title": "say it in fewer words",
        "complaint": "say it in fewer words",
        "danger": 'write "leaks"',
        "recording": 'write "pedal"',
        "name": 'write "boot-hinge"',
    }


def test_the_hint_about_reassembly_can_be_followed() -> None:
    text = skeleton(Plan("A hinge"))
    old = "    part: fitted\n    results:\n      fitted: key-on\n"
    assert old in text
    new = "    part: reassembly\n    results:\n      assembled: key-on\n"
    assert isinstance(prove(graph_of(text.replace(old, new)), catalogue()), ProvenFlow)


def test_lines_are_readable_and_say_where_to_edit() -> None:
    text = skeleton(largest(AUDIENCES[2]))
    assert text.count("EDIT") >= 8
    assert re.search(r"[^\n]\n$", text)
    assert "\n\n\n" not in text
    assert all(line == line.rstrip() and len(line) <= 100 for line in text.splitlines())
    assert "owner:" not in skeleton(largest(AUDIENCES[0]))
    assert "second_look" not in skeleton(largest(AUDIENCES[1]))
