"""Runs in a mount namespace of its own, on a disk that is full or cannot be written.

python -m tests.job.disk_child full|readonly FOLDER
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

from tests.contracts.journal import draft, fill, row_of
from verify.errors import UserError
from verify.job.journal import SqliteJournal


def refusal_of(action: object, *args: object, **options: object) -> str:
    try:
        action(*args, **options)  # type: ignore[operator]
    except UserError as error:
        return str(error)
    raise AssertionError("nothing was refused")


def full(folder: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "none", folder], check=True)
    store = folder / "store"
    ballast = folder / "ballast"
    ballast.write_bytes(b"x" * 80_000)
    with SqliteJournal(store) as journal:
        accepted = []
        for n in range(1, 1000):
            body = {"step": "s", "attempt": n, "outcome": "o", "values": "x" * 1000}
            wish = draft(n, body=body)
            head = accepted[-1].digest if accepted else "0" * 64
            index = {"title": f"car {n}", "answers": n}
            try:
                accepted.append(journal.append("j", wish, expected_head=head, index=index))
            except UserError as error:
                said = str(error)
                break
        else:
            raise AssertionError("the disk never filled up")
        assert "found a full disk" in said, said
        assert "free some space" in said, said
        assert len(accepted) > 20, len(accepted)
        # Nothing accepted is lost, neither for this program nor for the next.
        assert journal.entries("j") == tuple(accepted)
        with SqliteJournal(store, readonly=True) as other:
            assert other.entries("j") == tuple(accepted)
            assert other.jobs() == journal.jobs()

        said = refusal_of(journal.put_evidence, io.BytesIO(b"y" * 1_000_000))
        assert "found a full disk" in said, said
        assert not [p for p in (store / "evidence").rglob("*") if p.is_file()]

        # The same wish goes through once there is room, and only once.
        ballast.unlink()
        accepted.append(journal.append("j", wish, expected_head=head, index=index))
        assert journal.append("j", wish, expected_head=head, index=index) == accepted[-1]
        assert journal.entries("j") == tuple(accepted)
        kept = journal.jobs()
        journal.rebuild_index(row_of)
        assert journal.jobs() == kept


def readonly(folder: Path) -> None:
    store = folder / "store"
    with SqliteJournal(store) as journal:
        there = fill(journal, "j", (1, 2))
        sha256 = journal.put_evidence(io.BytesIO(b"a recording"))
        os.sync()
        subprocess.run(["mount", "--bind", folder, folder], check=True)
        subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
    said = refusal_of(SqliteJournal, store)
    assert "cannot be opened or written" in said, said
    assert "--store" in said, said
    said = refusal_of(SqliteJournal, folder / "new")
    assert "cannot be opened or written" in said, said
    with SqliteJournal(store, readonly=True) as journal:
        assert journal.entries("j") == there
        assert len(journal.jobs()) == 1
        with journal.open_evidence(sha256) as stream:
            assert stream.read() == b"a recording"


def readonly_later(folder: Path) -> None:
    """The folder is locked while the program runs."""
    subprocess.run(["mount", "-t", "tmpfs", "none", folder], check=True)
    store = folder / "store"
    with SqliteJournal(store) as journal:
        there = fill(journal, "j", (1, 2))
    subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
    with SqliteJournal(store, readonly=True) as journal:
        journal._readonly = False  # as if it had been writable when opened
        journal._db.execute("PRAGMA query_only = OFF")
        said = refusal_of(journal.append, "j", draft(3), expected_head=there[-1].digest)
        assert "cannot be opened or written" in said, said
        said = refusal_of(journal.put_evidence, io.BytesIO(b"x"))
        assert "cannot be opened or written" in said, said
        assert journal.entries("j") == there


if __name__ == "__main__":
    {"full": full, "readonly": readonly, "readonly_later": readonly_later}[sys.argv[1]](
        Path(sys.argv[2])
    )
    print("held")
