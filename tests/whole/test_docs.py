"""The documents say what is true: commands exist, files are where the map says."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT
from verify.__main__ import COMMANDS
from verify.job.entry import KINDS

README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_the_two_commands_of_the_readme_do_all_the_set_up() -> None:
    commands = re.findall(r"^python3 -m venv .*$", README, flags=re.M)
    assert len(commands) == 2
    demo, test = commands
    assert demo.endswith("keysback demo")
    assert test.endswith("pytest")


def test_the_gate_runs_exactly_the_readme_s_test_command() -> None:
    gate = (ROOT / ".ci" / "run").read_text()
    assert "<!-- test command -->" in gate
    assert "pytest" not in re.sub(r"^#.*$", "", gate, flags=re.M), "the README alone says it"


def test_every_command_the_documents_name_exists_with_its_options() -> None:
    import importlib

    named = re.findall(r"^keysback (\w+)(.*)$", README, flags=re.M)
    assert len(named) >= 6
    for command, rest in named:
        assert command in COMMANDS, command
        parser = importlib.import_module(f"verify.terminal.{COMMANDS[command][0]}").parser()
        words = shlex.split(rest, comments=True)
        parser.parse_args(words)
    for command in re.findall(r"`keysback (\w+)", README + DEVELOPERS):
        assert command in COMMANDS, command


def test_the_map_of_the_house_is_the_house() -> None:
    """Every module named in DEVELOPERS.md exists, and every package of verify/ is on the map."""
    section = DEVELOPERS.split("## Where things are")[1].split("## How to add")[0]
    house = ROOT / "verify"
    for folder in (p for p in house.iterdir() if (p / "__init__.py").exists()):
        rows = [r for r in section.splitlines() if r.startswith(f"| `verify/{folder.name}/`")]
        assert len(rows) == 1, folder
        for name in re.findall(r"`([a-z_]+)`", rows[0]):
            assert list(folder.rglob(f"{name}.py")), f"{folder.name}: {name}"
    roots = "verify|tests|flows|seeds|demo_data|benchmarks"
    for path in re.findall(rf"`((?:{roots})/[\w./-]*)`", DEVELOPERS):
        assert (ROOT / path).exists(), path


def test_help_in_the_table_is_the_help_of_the_module() -> None:
    import importlib

    for module, words in COMMANDS.values():
        assert words == importlib.import_module(f"verify.terminal.{module}").HELP


def test_the_changelog_names_every_command() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text()
    for command in COMMANDS:
        assert command in changelog, command


def test_the_readme_s_verdicts_and_endings_are_the_program_s() -> None:
    from verify.words import EndingKind

    for kind in EndingKind:
        words = kind.value.replace("-", " ")
        assert words.split()[0] in README.casefold(), words


@pytest.mark.parametrize("path", sorted((ROOT / "verify").rglob("*.py")), ids=lambda p: p.name)
def test_every_module_opens_with_its_place(path: Path) -> None:
    text = path.read_text()
    assert text.lstrip().startswith('"""') or not text.strip(), path


def test_no_file_owns_more_than_it_should() -> None:
    """About 400 lines; more is a sign that a file owns two things."""
    long = {
        str(p.relative_to(ROOT)): n
        for p in (ROOT / "verify").rglob("*.py")
        if (n := len(p.read_text().splitlines())) > 450
    }
    assert not long


def test_the_door_opens_with_nothing_in_hand() -> None:
    """`--help` imports nothing of ours but the door, and nothing heavy of anybody's."""
    code = "import sys; from verify.__main__ import main; main(['--help']); print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-I", "-S", "-c", f"import sys; sys.path[:0] = [{str(ROOT)!r}]; {code}"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()[-1]
    assert {m for m in loaded.split() if m.startswith("verify")} == {"verify", "verify.__main__"}
    heavy = {"argparse", "dataclasses", "pathlib", "typing", "re", "importlib.metadata", "rich"}
    assert not heavy & set(loaded.split())


def test_entry_kinds_are_a_closed_list_with_versions() -> None:
    assert all(version >= 1 for version, _, _ in KINDS.values())
