"""What every test may lean on: where outside things are, and that nothing is left open."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
REQUIRE = os.environ.get("KEYSBACK_REQUIRE") == "1"


def recordings_root() -> Path:
    return Path(
        os.environ.get("KEYSBACK_RECORDINGS") or ROOT.parent / "shared" / "data" / "recordings"
    )


def missing(what: str) -> None:
    """Skips with a visible reason, or fails where everything was promised to be there."""
    if REQUIRE:
        pytest.fail(f"{what} is missing, and KEYSBACK_REQUIRE=1 says that it must be there")
    pytest.skip(f"{what} is missing")


@cache
def _by_digest() -> dict[str, Path]:
    root = recordings_root()
    if not root.is_dir():
        return {}
    return {hashlib.sha256(p.read_bytes()).hexdigest(): p for p in root.rglob("*") if p.is_file()}


def real_recording(sha256: str) -> Path:
    """A real recording by the SHA-256 of its bytes; skips (or fails) where it is not at hand."""
    found = _by_digest().get(sha256)
    if found is None:
        missing(f"the real recording {sha256[:12]}… (set KEYSBACK_RECORDINGS)")
        raise AssertionError
    return found


_connections: list[sqlite3.Connection] = []


def _note_connections(event: str, args: tuple[object, ...]) -> None:
    if event == "sqlite3.connect/handle" and isinstance(args[0], sqlite3.Connection):
        _connections.append(args[0])


sys.addaudithook(_note_connections)


@pytest.fixture(autouse=True)
def nothing_leaks() -> Iterator[None]:
    """Fails the test that leaves a thread or a database open."""
    threads = set(threading.enumerate())
    _connections.clear()
    yield
    left = [t for t in threading.enumerate() if t not in threads and t.is_alive() and not t.daemon]
    assert not left, f"threads left running: {left}"
    made = list(_connections)
    _connections.clear()
    for connection in made:
        with suppress(sqlite3.ProgrammingError):
            connection.execute("select 1")
            connection.close()
            raise AssertionError("a database connection was left open")


def pytest_make_parametrize_id(val: object, argname: str) -> str | None:
    """Functions by their name: by address, workers would collect tests of other names."""
    if callable(val) and hasattr(val, "__qualname__"):
        return f"{argname}:{val.__qualname__}"
    return None
