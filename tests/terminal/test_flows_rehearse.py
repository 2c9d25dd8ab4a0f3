"""`keysback flows rehearse` and `export`: what is printed plays, and comes to what it says."""

from __future__ import annotations

import random
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.terminal.rehearsed import claimed, play_outcomes, play_script, proven_flow, scripts_of
from tests.terminal.walks import SMALL, keysback
from verify.evidence.usual import unusual
from verify.flow.graph import CANNOT, STOP, Outcome, Step, recorded_checks
from verify.flow.machine import compile_flow, draft_machine
from verify.flow.rehearse import Rehearsal, rehearse
from verify.flow.spaces import atoms
from verify.flow.text import text_to_tree
from verify.job.answers import answer_from_tree
from verify.job.catalogue import catalogue
from verify.quantity import parse
from verify.terminal.library import flow_names, load_flow
from verify.terminal.rehearse_answers import AnswerBook, scalar

SHARE = random.Random(29119).sample(flow_names(), 2)


def rehearsed(name: str) -> Rehearsal:
    return rehearse(proven_flow(name), catalogue(), stops=name == str(SMALL))


@pytest.mark.parametrize("name", [str(SMALL), *SHARE])
def test_every_script_plays_and_takes_the_branches_it_says(name: str, tmp_path: Path) -> None:
    """Of the library a seeded share; benchmarks/rehearse.py --library plays all of it."""
    found = rehearsed(name)
    runs, plays = compile_flow(proven_flow(name)), draft_machine(found.graph)
    scripts = scripts_of(found, name)
    chosen = range(len(scripts))
    if name != str(SMALL):
        chosen = random.Random(name).sample(chosen, 8)  # type: ignore[assignment]
    for number in chosen:
        script, walk = scripts[number], found.walks[number]
        assert not script.unplayable
        assert play_script(script, tmp_path, plays, walk.audience) == claimed(walk)
        assert play_outcomes(walk, runs) == claimed(walk)
    if name == str(SMALL):
        assert {item for walk in found.walks for item in claimed(walk)} == found.taken


@pytest.mark.parametrize("name", SHARE)
def test_the_marks_of_what_is_new_add_up_to_all_that_can_be_taken(name: str) -> None:
    found = rehearsed(name)
    scripts = scripts_of(found, name)
    assert sum(script.new for script in scripts) == found.feasible == len(found.taken)
    for script, walk in zip(scripts, found.walks, strict=True):
        starred = re.findall(r"^# +\d+ \* ", script.text, flags=re.MULTILINE)
        told = re.findall(r"^# +\d+ [* ] ", script.text, flags=re.MULTILINE)
        assert (len(starred), len(told)) == (script.new, script.steps) == (script.new, len(walk))


# --- answers ---


def library_steps() -> list[tuple[AnswerBook, Step]]:
    books = [AnswerBook(proven_flow(name).graph) for name in (str(SMALL), *SHARE)]
    return [(book, s) for book in books for s in book.graph.steps.values() if s.kind != "gate"]


def test_there_is_an_answer_to_every_outcome_that_a_step_can_have() -> None:
    kinds = set()
    for book, step in library_steps():
        kinds.add(step.kind)
        for outcome in (*atoms(step, (), catalogue()), Outcome(STOP)):
            line = book.line(step, [outcome])
            assert line is not None, (step.name, outcome)
            tree = text_to_tree(f"{scalar(step.name)}:\n  - {line.yaml}\n", "script")
            assert not isinstance(tree, list), tree
            answer_from_tree(step, tree.data[step.name][0])
            assert line.in_memory == bool(outcome.checks)
    assert kinds >= {"do", "ask", "card", "codes", "fasten", "reading", "record"}


def test_what_can_be_told_is_told_rather_than_put_in_the_place_of_a_recording() -> None:
    book, step = next((b, s) for b, s in library_steps() if "told-fail" in s.labels)
    fails = [o for o in atoms(step, (), catalogue()) if o.label in ("fail", "told-fail")]
    line = book.line(step, fails)
    assert line is not None
    assert (line.yaml, line.in_memory) == ("{told: told-fail}", False)


@pytest.mark.parametrize("text", ["null", "True", "9", "12.6 V", "a: b", "- x", "", "ja'\"", "é#"])
def test_a_text_is_read_back_as_it_was_written(text: str) -> None:
    tree = text_to_tree(f"x: [{scalar(text)}]\n", "script")
    assert not isinstance(tree, list)
    assert tree.data == {"x": [text]}


# --- the commands ---


def test_the_command_writes_scripts_that_the_command_plays(tmp_path: Path) -> None:
    out = tmp_path / "scripts"
    run = keysback("flows", "rehearse", str(SMALL), "-o", str(out))
    assert run.returncode == 0, run.stderr
    files = sorted(out.glob("walk-*.yaml"))
    found = rehearse(proven_flow(str(SMALL)), catalogue())
    assert len(files) == len(found.walks)
    assert f"  walks     {len(files):>6}   no set has fewer than {found.at_least}" in run.stdout
    assert "100.0 % of the feasible" in run.stdout
    assert all(len(line) <= 80 for line in run.stdout.splitlines()[-24:])
    wanted = re.search(r"as (technician|owner) --answers (\S+)", files[0].read_text())
    assert wanted is not None
    assert wanted[2] == files[0].name
    tried = keysback("flows", "try", str(SMALL), "--as", wanted[1], "--answers", str(files[0]))
    assert tried.returncode == 0, tried.stderr
    title = re.search(r"It ends in: (.*) \(", files[0].read_text())
    assert title is not None
    assert title[1] in tried.stdout


def test_the_numbers_of_every_flow_are_answered_as_they_would_be_typed() -> None:
    """One without a unit, such as of cylinders, has none behind it and is no surprise."""
    units = set()
    for name in flow_names():
        graph = proven_flow(name).graph
        for spec, text in AnswerBook(graph).specs.items():
            number = parse(text, expect=graph.specs[spec].unit)
            if graph.specs[spec].unit == "1":
                assert unusual(spec.split("/")[-1], number) is None, (name, spec, text)
            units.add(graph.specs[spec].unit)
    assert {"1", "rpm", "V"} <= units


def test_without_a_folder_the_scripts_are_printed_and_the_summary_comes_last() -> None:
    run = keysback("flows", "rehearse", str(SMALL), "--as", "owner", "--stops")
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("# Walk 1 of ")
    assert "--as owner --answers" in run.stdout
    assert "technician" not in run.stdout
    assert "`stop` counted, at every step" in run.stdout
    assert "stop, not safe" in run.stdout


def test_findings_without_a_recording_are_for_trying_out_alone(tmp_path: Path) -> None:
    found = rehearsed(str(SMALL))
    scripts = scripts_of(found, str(SMALL))
    script = next(s for s in scripts if s.in_memory)
    path = tmp_path / script.name
    path.write_text(script.text, encoding="utf-8")
    store = str(tmp_path / "store")
    run = keysback("open", str(SMALL), "--answers", str(path), "--store", store)
    assert run.returncode == 2
    assert "found findings without a recording" in run.stderr
    assert "keysback flows try" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_script_without_findings_is_played_as_a_job(tmp_path: Path) -> None:
    found = rehearsed(str(SMALL))
    scripts = scripts_of(found, str(SMALL))
    number = next(
        i
        for i, s in enumerate(scripts)
        if not s.in_memory and all("stop" not in t.outcomes[0].label for t in found.walks[i])
        and all(found.graph.steps[t.step].detail.get("wait_s") is None for t in found.walks[i])
    )  # fmt: skip
    path = tmp_path / scripts[number].name
    path.write_text(scripts[number].text, encoding="utf-8")
    run = keysback(
        "open", str(SMALL), "--as", found.walks[number].audience.value,
        "--answers", str(path), "--store", str(tmp_path / "store"),
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert scripts[number].ending in run.stdout


@pytest.mark.parametrize(
    ("findings", "message"),
    [
        ("{idle-speed: too-fast}", 'found "too-fast"'),
        ("{idle-speed: in-range, no-such: in-range}", 'found "no-such"'),
        ("{}", 'found ""'),
    ],
)
def test_findings_are_those_of_the_steps_own_checks(
    findings: str, message: str, tmp_path: Path
) -> None:
    found = rehearsed(str(SMALL))
    script = next(s for s in scripts_of(found, str(SMALL)) if s.in_memory)
    step = next(s for s in found.graph.steps.values() if s.kind == "record")
    assert recorded_checks(step) == ("idle-speed",)
    text = re.sub(r"\{judged: \{.*?\}\}", f"{{judged: {findings}}}", script.text)
    path = tmp_path / "walk.yaml"
    path.write_text(text, encoding="utf-8")
    run = keysback("flows", "try", str(SMALL), "--answers", str(path))
    assert run.returncode == 2
    assert message in run.stderr


def test_what_does_not_prove_is_neither_rehearsed_nor_exported(tmp_path: Path) -> None:
    path = tmp_path / "flow.yaml"
    path.write_text(SMALL.read_text().replace("attempts: {to: 3}", "attempts: {to: 2}"))
    for words in (("rehearse", str(path)), ("export", str(path), "--to", "scxml")):
        run = keysback("flows", *words)
        assert run.returncode == 2
        assert "no branch applies" in run.stderr
        assert run.stdout == ""


def test_a_folder_that_cannot_be_written_to_is_said_to_be_one(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    run = keysback("flows", "rehearse", str(SMALL), "-o", str(tmp_path / "file" / "in"))
    assert run.returncode == 2
    assert "found a folder that cannot be written to" in run.stderr


def test_an_audience_the_flow_is_not_for_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "flow.yaml"
    path.write_text(SMALL.read_text().replace("[technician, owner]", "[technician]"))
    for words in (("rehearse", str(path)), ("export", str(path), "--to", "scxml")):
        run = keysback("flows", *words, "--as", "owner")
        assert run.returncode == 2
        assert "expected technician" in run.stderr


def test_the_chart_is_printed_or_written(tmp_path: Path) -> None:
    printed = keysback("flows", "export", str(SMALL), "--to", "scxml", "--as", "owner")
    assert printed.returncode == 0, printed.stderr
    root = ElementTree.fromstring(printed.stdout)
    assert root.get("{urn:keysback:chart}audience") == "owner"
    path = tmp_path / "chart.scxml"
    written = keysback("flows", "export", str(SMALL), "--to", "scxml", "-o", str(path))
    assert written.returncode == 0, written.stderr
    assert ElementTree.parse(path).getroot().get("name") == "small"
    assert CANNOT in path.read_text()


@pytest.mark.parametrize("name", flow_names())
def test_numbers_that_a_script_makes_up_are_taken_at_the_first_entry(name: str) -> None:
    graph = load_flow(name, catalogue()).graph
    for spec, text in AnswerBook(graph).specs.items():
        assert unusual(spec, parse(text)) is None, f"{spec}: {text}"
