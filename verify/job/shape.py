"""The shape of a store's database: brought up to date, and kept as it was before.

    keysback.sqlite3               the store
    keysback.sqlite3.version-1     as it was before its shape became version 2

Beside the journal, which begins and ends the transaction this happens in. `store_sql/` holds one
file for each version; a released one is never changed.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress

from verify.job.disk import flush_folder

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterable

_MIGRATIONS = os.path.join(os.path.dirname(__file__), "store_sql")


def migrate(db: sqlite3.Connection, version: int, wanted: int) -> None:
    """Every step from `version` to `wanted`, inside the transaction that `db` is in."""
    for number in range(version + 1, wanted + 1):
        names = [n for n in os.listdir(_MIGRATIONS) if n.startswith(f"{number:04d}_")]
        with open(os.path.join(_MIGRATIONS, names[0]), encoding="utf-8") as lines:
            statement = ""
            # One by one: `executescript` would commit the transaction it stands in.
            for line in lines:
                statement += line
                if sqlite3.complete_statement(statement):
                    db.execute(statement)
                    statement = ""
        db.execute(f"PRAGMA user_version = {number}")


def copy_name(file: str, version: int) -> str:
    return f"{file}.version-{version}"


def keep_copy(file: str, version: int) -> None:
    """The whole database beside itself, for its owner only, on disk when this returns.

    The caller is in a transaction that has changed nothing yet, so that nobody writes meanwhile.
    """
    part = file + ".part-copy"
    with suppress(FileNotFoundError):
        os.unlink(part)  # of a program that was killed
    copy_of(file, part)
    os.replace(part, copy_name(file, version))
    flush_folder(os.path.dirname(file))


def copy_of(file: str, copy_file: str) -> None:
    """The whole database, as of one moment, in the new file `copy_file`, for its owner only; on
    disk when this returns. Others may go on reading, and writing before and after."""
    os.close(os.open(copy_file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    # Through SQLite: reading the file ourselves, and closing it, would drop the locks on it. By a
    # connection of its own: one that may write is never read from by a backup.
    with (
        closing(sqlite3.connect(file, isolation_level=None)) as source,
        closing(sqlite3.connect(copy_file, isolation_level=None)) as copy,
    ):
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM sqlite_schema").fetchone()  # from this moment on
        source.backup(copy)
    descriptor = os.open(copy_file, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def unsound(file: str) -> str:
    """What SQLite's own check finds wrong with a database nobody else has open; "" if sound."""
    with closing(sqlite3.connect(file, isolation_level=None)) as db:
        found = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
    return "" if found == "ok" else found


def erase_in_copies(file: str, version: int, digests: Iterable[str]) -> None:
    """What was forgotten in the store is forgotten in its copies of before `version` too."""
    forgotten = [(digest,) for digest in digests]
    for number in range(1, version):
        there = copy_name(file, number)
        if not os.path.exists(there):
            continue
        with closing(sqlite3.connect(there, isolation_level=None)) as copy:
            copy.execute("PRAGMA secure_delete = ON")
            copy.execute("PRAGMA temp_store = MEMORY")
            copy.executemany("DELETE FROM private WHERE digest = ?", forgotten)
            copy.execute("VACUUM")
