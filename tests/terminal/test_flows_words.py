"""`flows explain`, `diff` and `upgrade` as people run them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.terminal.test_commands import GOOD, jobs
from tests.terminal.walks import SMALL, idle_csv, keysback
from verify.job.catalogue import catalogue
from verify.terminal.flows_explain import WIDTH, explanation_lines
from verify.terminal.library import flow_names, load_flow


def test_explain_lists_the_names_and_then_explains_one() -> None:
    listed = keysback("flows", "explain", str(SMALL))
    assert "  bolt     The bolt" in listed.stdout
    run = keysback("flows", "explain", str(SMALL), "bolt")
    assert run.returncode == 0
    assert "The bolt  (bolt)" in run.stdout
    assert "fasteners, required, complaint-gone" in run.stdout
    assert "from “The list” (list)" in run.stdout
    assert "passed when last asked:\n    “The list” (list)" in run.stdout
    assert "STOP: not safe → " in run.stdout


def test_explain_names_what_is_nearest_and_takes_the_last_part_of_a_name() -> None:
    run = keysback("flows", "explain", str(SMALL), "bolts")
    assert run.returncode == 2
    assert 'write "bolt"' in run.stderr
    run = keysback("flows", "explain", "crankshaft-sensor", "drive")
    assert "(road/drive)" in run.stdout


@pytest.mark.parametrize("name", flow_names())
def test_every_step_of_the_library_is_explained_within_the_screen(name: str) -> None:
    """A few steps of each flow: the first, the middle, an ending."""
    from verify.flow.explain import explain

    graph = load_flow(name, catalogue()).graph
    steps = [*graph.steps]
    for step in (steps[len(steps) // 2], next(iter(graph.endings))):
        lines = [*explanation_lines(graph, explain(graph, step, catalogue()))]
        assert len(lines) > 8
        assert max(map(len, lines)) <= WIDTH


def test_a_flow_that_does_not_prove_is_explained_and_said_not_to(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    text = SMALL.read_text()
    broken.write_text(text.replace("hazards: [carbon-monoxide, rolling, runaway]", "hazards: []"))
    run = keysback("flows", "explain", str(broken), "bolt")
    assert run.returncode == 0
    assert run.stdout.startswith("This flow does not prove yet")


def another(tmp_path: Path) -> Path:
    """The small flow, asking for one thing more and one thing otherwise."""
    text = SMALL.read_text()
    text = text.replace("clamp: Clamp tight}", "clamp: Clamp tight, seal: Seal seated}")
    text = text.replace(
        "to: volts}, {when: fail, to: back}]",
        "to: look}, {when: fail, to: back}]\n"
        "  look:\n    kind: ask\n    title: Under the car\n    say: Does anything drip?\n"
        "    group: safe-to-drive\n    answers: {dry: Dry, wet: Wet}\n    passes: [dry]\n"
        "    branches: [{when: dry, to: volts}, {when: [wet, cannot], to: back}]",
        1,
    )
    path = tmp_path / "another.yaml"
    path.write_text(text)
    proven = keysback("flows", "prove", str(path))
    assert proven.returncode == 0, proven.stderr
    return path


def test_diff_says_what_changes_at_the_car(tmp_path: Path) -> None:
    run = keysback("flows", "diff", str(SMALL), str(another(tmp_path)))
    assert run.returncode == 0
    assert "In short: 1 more to do, 2 changed." in run.stdout
    assert "Asked in addition (1)\n  “Under the car”" in run.stdout
    assert "+ line: Seal seated" in run.stdout
    assert max(map(len, run.stdout.splitlines())) <= WIDTH
    same = keysback("flows", "diff", str(SMALL), str(SMALL))
    assert same.stdout == "Nothing changes for anybody: both ask the same.\n"
    lost = keysback("flows", "diff", str(SMALL), "no-such")
    assert lost.returncode == 2
    assert "Traceback" not in lost.stderr


def test_a_job_keeps_its_edition_and_hears_what_todays_would_ask(tmp_path: Path) -> None:
    """The flow's file changes under an open job: it opens as before, and upgrade tells."""
    flow = tmp_path / "flow.yaml"
    flow.write_text(SMALL.read_text())
    idle_csv(tmp_path / "idle.csv")
    answers = tmp_path / "answers.yaml"
    answers.write_text(GOOD)
    store = str(tmp_path / "store")
    opened = keysback("open", str(flow), "--answers", str(answers), "--store", store)
    assert opened.returncode == 0, opened.stderr
    (row,) = jobs(tmp_path / "store")
    job = str(row["job"])
    before = keysback("show", job, "--json", "--store", store).stdout
    where = ("--flow", str(flow), "--store", store)
    assert "today's edition" in keysback("flows", "upgrade", job, *where).stdout

    flow.write_text(another(tmp_path).read_text())
    assert keysback("show", job, "--json", "--store", store).stdout == before
    run = keysback("flows", "upgrade", job, *where)
    assert run.returncode == 0, run.stderr
    assert "Today's edition would ask in addition (1)\n  “Under the car”" in run.stdout
    assert "It would ask in another way (2)" in run.stdout
    open_steps = " ".join(run.stdout.split()).split("would stand open under")[1]
    # The list has a line more, so what was answered then does not answer it now.
    assert "“The list” (safe-to-drive)" in open_steps
    assert "“Under the car” (safe-to-drive)" in open_steps
    assert "The start" not in open_steps
    assert keysback("show", job, "--json", "--store", store).stdout == before
    edition = json.loads(before)["edition"]
    assert edition[:16] in run.stdout


def test_upgrade_needs_a_flow_to_compare_with(tmp_path: Path) -> None:
    store = str(tmp_path / "store")
    idle_csv(tmp_path / "idle.csv")
    answers = tmp_path / "answers.yaml"
    answers.write_text(GOOD)
    keysback("open", str(SMALL), "--answers", str(answers), "--store", store)
    (row,) = jobs(tmp_path / "store")
    run = keysback("flows", "upgrade", str(row["job"]), "--store", store)
    assert run.returncode == 2
    assert "--flow FILE" in run.stderr
    broken = tmp_path / "broken.yaml"
    broken.write_text(SMALL.read_text().replace("[carbon-monoxide, rolling, runaway]", "[]"))
    run = keysback("flows", "upgrade", str(row["job"]), "--flow", str(broken), "--store", store)
    assert run.returncode == 2
    assert "does not prove" in run.stderr
