"""Every mistake that only the proof sees, and the whole of what is said about it.

`bad/unproven/NAME.yaml` loads and does not prove; `bad/unproven/NAME.txt` is what is shown.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.flow.authors import CATALOGUE, load
from tests.flow.test_load_messages import JARGON, PARTS
from verify.flow.advice import ADVICE, finding_text
from verify.flow.load import text_to_part
from verify.flow.proof import RULES, ProvenFlow, prove

UNPROVEN = Path(__file__).parent / "bad" / "unproven"
MISTAKES = sorted(p.stem for p in UNPROVEN.glob("*.yaml"))


def text_of(source: str) -> str:
    return (UNPROVEN / source).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", MISTAKES)
def test_the_finding_is_shown_at_its_place_with_a_walk_and_what_to_do(name: str) -> None:
    graph = load(text_of(f"{name}.yaml"), PARTS, f"{name}.yaml").graph
    found = prove(graph, CATALOGUE)
    assert not isinstance(found, ProvenFlow)
    blocks = [finding_text(graph, finding, f"{name}.yaml") for finding in found]
    assert "\n".join(blocks) + "\n" == text_of(f"{name}.txt")
    for block in blocks:
        place = re.match(r"(.+?):(\d+):(\d+): (steps|endings|promises)\.(.+)\n", block)
        assert place, block
        file, line, column, group, field = place.groups()
        text = text_of(file) if file.startswith(name) else PARTS[Path(file).stem]
        # It points at the first letter of the step's or ending's name, or of the promise.
        there = text.splitlines()[int(line) - 1]
        names = ("before: {", "never: {") if group == "promises" else (field.split("/")[-1] + ":",)
        assert there[int(column) - 1 :].startswith(names)
        assert there[: int(column) - 1].strip() in ("", "-")


def test_there_is_advice_for_every_rule() -> None:
    assert set(ADVICE) == set(RULES)
    for advice in ADVICE.values():
        assert advice[0].islower()
        assert not advice.endswith(".")


def test_a_foreman_knows_every_word() -> None:
    assert len(MISTAKES) >= 22
    assert {p.stem for p in UNPROVEN.glob("*.txt")} == set(MISTAKES)
    for name in MISTAKES:
        assert not JARGON.findall(text_of(f"{name}.txt")), name


def test_where_lines_are_not_known_the_file_is_named_alone() -> None:
    name = "mistake-inside-a-part"
    graph = load(text_of(f"{name}.yaml"), PARTS, f"{name}.yaml").graph
    found = prove(graph, CATALOGUE)
    assert not isinstance(found, ProvenFlow)
    assert finding_text(graph, found[0]).startswith("parts/endless.yaml:7:3: steps.look/look\n")


def test_a_part_that_is_proven_alone_is_spoken_of_as_it_is_written() -> None:
    text = PARTS["look"].replace("[fine, poor]", "[fine, poor, never]").replace("no, cannot", "no")
    graph = text_to_part(text, "parts/look.yaml", lambda name: None, CATALOGUE)
    found = prove(graph, CATALOGUE)
    assert not isinstance(found, ProvenFlow)
    assert [finding_text(graph, f, "parts/look.yaml") for f in found] == [
        "parts/look.yaml:4:23: results.never\n"
        "  No walk reaches the ending “never”.\n"
        "  let a branch lead to it, or remove it",
        "parts/look.yaml:7:3: steps.see\n"
        "  After “Look” cannot be done, no branch applies.\n"
        "  add a branch for it, or add it to the `when` of a branch that is there",
    ]


def test_of_a_long_walk_the_end_can_be_shown_alone() -> None:
    name = "codes-read-and-not-saved"
    graph = load(text_of(f"{name}.yaml"), PARTS, f"{name}.yaml").graph
    found = prove(graph, CATALOGUE)
    assert not isinstance(found, ProvenFlow)
    walk = finding_text(graph, found[0], "x.yaml", last=3).splitlines()[2:-1]
    assert walk == [
        "    … 2 steps before",
        "    3. Clear the codes: done",
        "    4. Is it gone?: “Gone”",
        "    5. What has been proven: hand back",
    ]
    assert "…" not in finding_text(graph, found[0], "x.yaml", last=4)  # for one step it saves none
