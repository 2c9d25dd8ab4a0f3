"""Imports run downwards, and the contract that says so is itself seen to refuse."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.conftest import ROOT, missing

_RUN = (
    "import sys; sys.path.insert(0, '.'); from importlinter.cli import lint_imports;"
    " sys.exit(lint_imports(no_cache=True))"
)


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    if importlib.util.find_spec("importlinter") is None:
        missing("import-linter")
    return subprocess.run(
        [sys.executable, "-c", _RUN],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(
        ROOT / "verify", tmp_path / "verify", ignore=shutil.ignore_patterns("__pycache__", "_data")
    )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_the_import_contract_is_kept() -> None:
    found = lint(ROOT)
    assert found.returncode == 0, found.stdout + found.stderr


@pytest.mark.parametrize(
    ("file", "line", "broken"),
    [
        ("verify/flow/extra.py", "import verify.job.entry", "Imports run downwards"),
        ("verify/flow/extra.py", "import verify.evidence.recording", "Imports run downwards"),
        ("verify/quantity.py", "import verify.tables", "Imports run downwards"),
        ("verify/evidence/extra.py", "import pathlib", "Disk, clock and network"),
        ("verify/flow/extra.py", "from time import time", "Disk, clock and network"),
        ("verify/job/extra.py", "import sqlite3", "Disk, clock and network"),
        ("verify/extra/__init__.py", "", "Imports run downwards"),
    ],
)
def test_the_contract_refuses(copy: Path, file: str, line: str, broken: str) -> None:
    there = copy / file
    there.parent.mkdir(exist_ok=True)
    before = there.read_text(encoding="utf-8") if there.exists() else ""
    there.write_text(f"{before}\n{line}\n", encoding="utf-8")
    found = lint(copy)
    assert found.returncode == 1
    assert broken in found.stdout + found.stderr


def test_every_folder_and_module_of_the_package_has_its_place() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    placed = {name.strip() for layer in layers for name in layer.split("|")}
    there = {
        p.stem
        for p in (ROOT / "verify").iterdir()
        if (p.suffix == ".py" and not p.stem.startswith("__")) or (p / "__init__.py").exists()
    }
    assert there == placed
