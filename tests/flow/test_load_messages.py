"""Every mistake an author can make, and the whole of what is said about it.

`bad/NAME.yaml` is the mistake, `bad/NAME.txt` what is shown. A new mistake is a new pair of files.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.flow.authors import load
from verify.errors import Problem, UserError, render

BAD = Path(__file__).parent / "bad"
MISTAKES = sorted(p.stem for p in BAD.glob("*.yaml"))
PARTS = {p.stem: p.read_text(encoding="utf-8") for p in (BAD / "parts").glob("*.yaml")}

# Words of the libraries below, which nobody who edits a flow has met.
JARGON = re.compile(
    r"\b(string|str|int|dict|dictionary|mapping|scalar|token|union|tag[- ]|valid|validator|input"
    r"|instance|model|pydantic|constrained|literal|enum|None|null|schema|parse|stream"
    r"|ordereddict|Error)\b|[<>]|\bU\+",
)


def problems(name: str) -> tuple[Problem, ...]:
    with pytest.raises(UserError) as caught:
        load(text_of(f"{name}.yaml"), PARTS, f"{name}.yaml")
    return caught.value.problems


def text_of(source: str) -> str:
    return (BAD / source).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", MISTAKES)
def test_the_mistake_is_shown_at_its_place_with_what_to_do(name: str) -> None:
    found = problems(name)
    assert render(found) + "\n" == text_of(f"{name}.txt")
    for problem in found:
        lines = text_of(problem.file).splitlines()
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 1
        assert problem.found
        assert problem.next


# Where the message is about more than the word it quotes: a branch with two ends, a colon.
ABOUT_MORE = ("two-targets", "space-left-out-behind-the-colon")


@pytest.mark.parametrize("name", [n for n in MISTAKES if n not in ABOUT_MORE])
def test_the_column_is_where_the_trouble_begins(name: str) -> None:
    """Counted from 1: at the first sign of a name or value (or at a lone sign that is wrong), and
    where the message quotes a word that stands once in that line, at that very word."""
    for problem in problems(name):
        line = text_of(problem.file).splitlines()[problem.line - 1]
        there, before = line[problem.column - 1 :], line[: problem.column - 1]
        begins = there[:1] != " " and re.search(r"(^|[ \[{])$", before)
        assert begins or there[:1] in ("'", ":", "\t", "}", ""), (line, problem.column)
        word = re.search('"([^"]+)"', problem.found)
        if word and line.count(word[1]) == 1:
            assert there.lstrip("'\"").startswith(word[1]), (line, problem.column)


def test_a_foreman_knows_every_word() -> None:
    for name in MISTAKES:
        assert not JARGON.findall(text_of(f"{name}.txt")), name


def test_no_collected_message_is_without_its_mistake() -> None:
    assert len(MISTAKES) >= 220
    assert {p.stem for p in BAD.glob("*.txt")} == set(MISTAKES)


def test_all_problems_of_a_file_come_at_once() -> None:
    said = render(problems("everything-at-once"))
    assert re.findall(r":(\d+):\d+: (\S+)", said) == [
        ("3", "titel"),
        ("6", "start"),
        ("10", "steps.idle.kind"),
        ("20", "endings.done.kind"),
    ]


def test_a_flow_is_still_judged_when_the_text_of_its_part_is_torn() -> None:
    said = render(problems("part-that-is-no-yaml"))
    assert "parts/torn.yaml:12" in said
    assert "titel" in said
