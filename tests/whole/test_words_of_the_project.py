"""The repository speaks of itself alone: no paths of one machine, no hosts, nothing left undone."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.conftest import ROOT

# Written in pieces, so that this file does not find itself.
_FOLDERS = "|".join(["work", "root", "tmp", "home", "mnt", "Users", "private/var", "workspace"])
RULES = {
    "a path of one machine": re.compile(rf"(?<![\w.~*)}}])/(?:{_FOLDERS})(?:/|(?![\w-]))"),
    "a drive of one machine": re.compile(r"(?<!\w)[A-Z]:\\(?:Users|Windows|work)"),
    "a registry's host": re.compile(
        r"(?:"
        + "|".join(["py" + r"pi\.org", "pythonho" + "sted", "npm" + r"js\.(?:org|com)"])
        + ")"
    ),
    "a note to come back": re.compile(r"\b(?:TO" + "DO|FIX" + "ME|XX" + r"X)\b"),
    "a ticket's number": re.compile(r"(?i)\b(?:issue|ticket) " + r"#?\d"),
}
TEXT = {".py", ".yaml", ".yml", ".toml", ".md", ".csv", ".txt", ".html", ".sql", ".svg", ".typ", ""}


def files() -> list[Path]:
    """What the repository holds: the tracked files, or all of a tree that came without history."""
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.split("\0")
        found = [ROOT / name for name in listed if name]
    except (OSError, subprocess.CalledProcessError):
        hidden = re.compile(r"(^|/)(\.(?!ci)|__pycache__|build|dist|_data)")
        found = [p for p in ROOT.rglob("*") if not hidden.search(p.relative_to(ROOT).as_posix())]
    return [p for p in found if p.is_file() and p.suffix in TEXT and p.stat().st_size < 2_000_000]


@pytest.mark.parametrize("rule", RULES)
def test_no_file_holds(rule: str) -> None:
    held = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:120]}"
        for path in files()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if RULES[rule].search(line)
    ]
    assert held == []


def test_there_is_something_to_read() -> None:
    names = {p.relative_to(ROOT).as_posix() for p in files()}
    assert {"pyproject.toml", "verify/errors.py", "seeds/hazards.csv"} <= names
    assert len(names) > 100


@pytest.mark.parametrize(
    ("rule", "line"),
    [
        ("a path of one machine", "see /" + "work/main/verify"),
        ("a path of one machine", 'open("/' + 'tmp/x")'),
        ("a path of one machine", "in /" + "root"),
        ("a drive of one machine", "C:" + "\\Users\\me"),
        ("a registry's host", "https://py" + "pi.org/simple"),
        ("a note to come back", "# TO" + "DO later"),
        ("a ticket's number", "as in issue" + " #12"),
    ],
)
def test_each_rule_sees_what_it_is_for(rule: str, line: str) -> None:
    assert RULES[rule].search(line)


@pytest.mark.parametrize(
    "line",
    [
        *("km/h", "tests/wo" + "rk/x", "../root", "9/tmp", "the home page", "issue a report"),
        "/dev/full",
    ],
)
def test_the_rules_leave_other_words_alone(line: str) -> None:
    assert not any(rule.search(line) for rule in RULES.values())
