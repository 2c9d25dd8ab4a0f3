"""The commands as people call them, each in a process of its own: bad input is one clear message,
exit code 2, no traceback, nothing lost."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from tests.terminal.walks import SMALL, idle_csv, keysback
from verify.__main__ import COMMANDS, main
from verify.errors import UserError
from verify.job.catalogue import catalogue
from verify.terminal.answers_file import load_answers
from verify.terminal.library import flow_names, load_flow, part_names

GOOD = """\
specs:
  bolt_torque: {value: "9 N·m", source: service information, detail: sheet 4}
  rest_voltage: "12.2 V"
  idle_speed: "750 rpm"
story: ["It hunts"]
list: [ok]
bolt: [{torque: "9 N·m", order: yes}]
volts: ["12.6 V"]
codes: [{stored: [], pending: [], permanent: not read, modules: [engine]}]
rest: [done]
start: [runs]
idle: [{file: idle.csv}]
"""


@pytest.fixture
def answers(tmp_path: Path) -> Path:
    idle_csv(tmp_path / "idle.csv")
    path = tmp_path / "answers.yaml"
    path.write_text(GOOD)
    return path


def opened(answers: Path, *more: str):
    store = str(answers.parent / "store")
    return keysback("open", str(SMALL), "--answers", str(answers), "--store", store, *more)


def jobs(store: Path) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(
        keysback("jobs", "--json", "--store", str(store)).stdout
    )
    return found


def test_a_scripted_walk_ends_but_lets_no_real_car_go(answers: Path) -> None:
    run = opened(answers)
    assert run.returncode == 0, run.stderr
    assert "REHEARSAL ONLY" in run.stdout
    assert "lets no real car go" in " ".join(run.stdout.split())
    (row,) = jobs(answers.parent / "store")
    assert row["scripted"]
    shown = keysback("show", str(row["job"]), "--json", "--store", str(answers.parent / "store"))
    account = json.loads(shown.stdout)
    assert account["ending"] == "hand-back"
    assert account["state"].startswith("REHEARSAL ONLY")
    text = keysback("show", str(row["job"]), "--store", str(answers.parent / "store")).stdout
    assert "idle-speed: pass" in text
    assert "SCRIPTED" in text
    plots = keysback("show", str(row["job"]), "--plots", "--store", str(answers.parent / "store"))
    assert plots.returncode == 0, plots.stderr
    assert "engine speed" in plots.stdout


def test_the_list_made_anew_from_the_entries_is_the_list_as_it_was(answers: Path) -> None:
    store = answers.parent / "store"
    opened(answers)
    answers.write_text(GOOD.replace("start: [runs]", "start: [stop]"))
    opened(answers)
    before = jobs(store)
    assert len(before) == 2
    again = keysback("jobs", "--rebuild", "--json", "--store", str(store))
    assert json.loads(again.stdout) == before


def test_a_missing_answer_is_exit_2_and_the_job_is_kept(answers: Path) -> None:
    answers.write_text(GOOD.replace("start: [runs]\n", ""))
    run = opened(answers)
    assert run.returncode == 2
    assert '0 answers to "start"' in run.stderr
    assert "keysback resume" in run.stderr
    (row,) = jobs(answers.parent / "store")
    answers.write_text(GOOD)
    again = keysback(
        "resume", str(row["job"]), "--answers", str(answers),
        "--store", str(answers.parent / "store"),
    )  # fmt: skip
    assert again.returncode == 0, again.stderr
    assert "REHEARSAL ONLY" in again.stdout


def test_an_unused_answer_is_exit_2_and_named_with_its_line(answers: Path) -> None:
    answers.write_text(GOOD + "mend: [done]\n")
    run = opened(answers)
    assert run.returncode == 2
    assert f"{answers}:13:" in run.stderr
    assert '1 answer to "mend" not asked' in run.stderr


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("list: [ok]", "lisst: [ok]", 'write "list"'),
        ("list: [ok]", "list: ok", "a list of answers"),
        ("start: [runs]", "start: [run]", 'write "runs"'),
        ("file: idle.csv", "file: idel.csv", "cannot be opened"),
        ('"9 N·m", order', '"9", order', "factor of 12"),
        ('idle_speed: "750 rpm"', 'idle_speed: "750 rmp"', "specs.idle_speed"),
        ("source: service information", "source: hearsay", "a known source"),
        ("stored: []", "stored: [P05O, lamp]", "no fault code"),
        ("list: [ok]", "list: [ok", "YAML"),
    ],
)
def test_a_wrong_answer_is_one_clear_message(answers: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    answers.write_text(GOOD.replace(old, new))
    run = opened(answers)
    assert run.returncode == 2
    assert said in " ".join(run.stderr.split())
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["opne"], 'write "open"'),
        (["open", "throttle-body-replaces"], 'write "throttle-body-replaced"'),
        (["open", "/no/such/flow.yaml"], "cannot be read"),
        (["show", "nosuchjob"], "nosuchjob"),
        (["resume", "nosuchjob"], "nosuchjob"),
        (["judge", "/no/such.csv"], "/no/such.csv"),
        (["flows", "prove", "/no/such.yaml"], "/no/such.yaml"),
        (["note", "nosuchjob"], "nosuchjob"),
    ],
)
def test_bad_words_on_the_command_line(args: list[str], said: str, tmp_path: Path) -> None:
    run = keysback(*args, env={"KEYSBACK_STORE": str(tmp_path / "s"), "PATH": "", "HOME": "/"})
    assert run.returncode == 2
    assert said in run.stderr
    assert "Traceback" not in run.stderr


def test_a_store_that_is_a_file_is_refused(tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.write_text("not a folder")
    run = keysback("show", "abc", "--store", str(store))
    assert run.returncode == 2
    assert "Traceback" not in run.stderr
    assert store.read_text() == "not a folder"


def test_an_unproven_flow_does_not_open_but_can_be_tried(tmp_path: Path, answers: Path) -> None:
    text = SMALL.read_text().replace("      - {when: cannot, to: back}\n", "", 1)
    flow = tmp_path / "open-end.yaml"
    flow.write_text(text)
    run = keysback("open", str(flow), "--store", str(tmp_path / "s"))
    assert run.returncode == 2
    assert "no branch" in run.stderr
    tried = keysback("flows", "try", str(flow), "--answers", str(answers))
    assert tried.returncode == 0, tried.stderr
    assert "nothing is recorded" in tried.stdout


def test_flows_lists_and_proves_the_library() -> None:
    listed = keysback("flows")
    assert listed.returncode == 0
    for name in flow_names():
        assert name in listed.stdout
    proven = keysback("flows", "prove")
    assert proven.returncode == 0, proven.stderr
    assert proven.stdout.count(": proven.") == len(proven.stdout.strip().splitlines())


def test_the_schema_takes_every_flow_of_the_library_and_refuses_a_typo() -> None:
    """Oracle: the jsonschema library reads what `flows schema` prints."""
    schema = json.loads(keysback("flows", "schema").stdout)
    validator = jsonschema.Draft202012Validator(schema)
    root = Path(load_flow.__code__.co_filename).parents[2] / "flows"
    files = [SMALL, *(root / f"{name}.yaml" for name in flow_names())]
    files += [root / "parts" / f"{name}.yaml" for name in part_names()]
    assert len(files) >= 3
    for file in files:
        tree = YAML(typ="safe").load(file.read_text())
        validator.validate(tree)
        tree["steps"][next(iter(tree["steps"]))]["titel"] = "typo"
        assert not validator.is_valid(tree)


def test_completion_names_every_command() -> None:
    run = keysback("completion", "bash")
    assert run.returncode == 0, run.stderr
    for name in ("open", "resume", "judge", "flows"):
        assert name in run.stdout


def test_help_of_every_command() -> None:
    from verify.__main__ import COMMANDS

    whole = keysback("--help").stdout
    for name, (_, words) in COMMANDS.items():
        assert words in whole
        run = keysback(name, "--help")
        assert run.returncode == 0
        assert f"usage: keysback {name}" in run.stdout


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_damaged_answers_never_give_anything_but_problems(data: st.DataObject, tmp_path_factory):
    graph = load_flow(str(SMALL), catalogue()).graph
    at = data.draw(st.integers(0, len(GOOD)))
    junk = data.draw(st.text(max_size=8).filter(lambda t: t < "\ud800" or t == ""))
    path = tmp_path_factory.mktemp("a") / "a.yaml"
    path.write_text(GOOD[:at] + junk + GOOD[at + data.draw(st.integers(0, 12)) :])
    with suppress(UserError):
        answers = load_answers(path, graph)
        for step in graph.steps.values():
            if step.kind != "gate":
                answers.take(step)


def test_resume_without_a_job_takes_the_only_open_one_or_names_those_there_are(
    tmp_path: Path,
) -> None:
    store = str(tmp_path / "store")
    none = keysback("resume", "--store", store)
    assert none.returncode == 2
    assert "no open jobs" in none.stderr
    assert "keysback open FLOW" in none.stderr
    start = ("open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric")
    keysback(*start, "--store", store, stdin="card 7\n\nIt hunts\n")
    alone = keysback("resume", "--store", store, stdin="")
    assert alone.returncode == 0, alone.stderr
    assert "THE LIST" in alone.stdout
    keysback(*start, "--store", store, stdin="card 8\n\n")
    several = keysback("resume", "--store", store)
    assert several.returncode == 2
    assert "2 open jobs to choose from" in several.stderr


def test_a_job_that_has_ended_says_why_and_breaks_between_words(tmp_path: Path) -> None:
    store = str(tmp_path / "store")
    keysback(
        "open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric",
        "--store", store, stdin="card 7\n\nIt hunts\n1\n!cannot\nno tools at home\n",
    )  # fmt: skip
    keysback("resume", "--store", store, stdin="!cannot\nnothing to mend it with\n1\n")
    job = json.loads(keysback("jobs", "--json", "--store", store).stdout)[0]["job"]
    shown = keysback("resume", job, "--store", store).stdout
    assert "What led here:" in shown
    assert "  - The list: not fine: Plug locked" in shown
    assert "The walk through this job has ended." in shown
    assert max(len(line) for line in shown.splitlines()) <= 80
    account = keysback("show", job, "--store", store).stdout
    assert "✗ The list: not fine" in account
    assert "✓ passed   ✗ failed   ? open   · not required" in account


def parsers(p: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    """A parser and those of all words below it."""
    yield p
    for action in p._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                yield from parsers(below)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_usage_and_every_complaint_names_keysback(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """At every word below a command too, where the parser is made of its own accord."""
    made = import_module(f"verify.terminal.{COMMANDS[name][0]}").parser()
    below = [p.prog.split()[-1] for p in parsers(made)][1:]
    for words in ([name], *([name, word] for word in below)):
        for more, code in (("--help", 0), ("--no-such-option", 2)):
            with pytest.raises(SystemExit) as left:
                main([*words, more])
            out, err = capsys.readouterr()
            assert left.value.code == code
            # What a word does not know, its command says.
            whole = f"usage: keysback {' '.join(words)}" if code == 0 else "usage: keysback "
            assert (out or err).startswith(whole), words
            assert "__main__" not in out + err


def test_a_word_of_flows_names_itself_in_its_help() -> None:
    assert "usage: keysback flows try" in keysback("flows", "try", "--help").stdout


def test_judge_says_how_to_give_the_time_that_a_file_lacks(tmp_path: Path) -> None:
    path = tmp_path / "no-time.csv"
    path.write_text("speed,rpm\n0,750\n0,751\n")
    run = keysback("judge", str(path))
    assert run.returncode == 2
    assert "--every SECONDS" in run.stderr


def test_two_jobs_of_one_repair_are_told_apart_by_their_masked_cars(tmp_path: Path) -> None:
    store = str(tmp_path / "store")
    opened = ("open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric")
    for car, model in (("KB 1234", "2031 hatch 1.6"), ("job card 7", "")):
        keysback(*opened, "--car", car, "--model", model, "--store", store)
    shown = keysback("jobs", "--store", store).stdout
    assert "2031 hatch 1.6" in shown
    assert "job card 7" in shown
    assert "1234" not in shown
    rows = json.loads(keysback("jobs", "--json", "--store", store).stdout)
    assert [row["car"] for row in rows] == ["job card 7", "*****4, 2031 hatch 1.6"]
