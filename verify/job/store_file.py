"""One store's database as a file: opened, its version looked at, reading and writing in one piece.

Below `journal`, which says what stands in it. Light at the top, as there.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager, suppress

from verify.job.disk import EvidenceFolder, refused
from verify.job.place import prepare

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any, Self

    from verify.errors import UserError

DATABASE = "keysback.sqlite3"
APPLICATION_ID = 0x4B455953
VERSION = 2  # number of the last file in store_sql/


class StoreFile:
    """The database of a store in a folder, and its folder of evidence.

    readonly: nothing is written, and where there is no store yet it reads as an empty one (no
        folder is made). A write that a killed program left half done is still undone. One of an
        older version is read as it is.
    Raises UserError when `folder` is no folder, cannot be written (unless readonly), holds a
    database that is damaged, that is not ours, or that a newer version of keysback wrote.
    """

    def __init__(
        self, folder: str | os.PathLike[str], *, readonly: bool = False, wait_s: float = 5.0
    ) -> None:
        self._folder = os.path.abspath(os.fspath(folder))
        self._file = os.path.join(self._folder, DATABASE)
        self._readonly = readonly
        self._evidence = EvidenceFolder(os.path.join(self._folder, "evidence"))
        if sqlite3.sqlite_version_info < (3, 37):  # the first with STRICT tables
            from verify.job.refusals import old_sqlite

            raise old_sqlite(sqlite3.sqlite_version)
        with self._disk():
            place = prepare(self._folder, self._file, readonly=readonly)
            # isolation_level=None: the module begins no transaction of its own; every one here is
            # begun and ended in `_writing`.
            self._db = sqlite3.connect(place, timeout=wait_s, isolation_level=None)
        try:
            self._set_up(readonly and place == self._file)
        except BaseException:
            self._db.close()
            raise

    def _set_up(self, query_only: bool) -> None:
        with self._reading() as db:
            # synchronous=EXTRA: in rollback mode the commit is the moment the rollback journal is
            # unlinked. FULL does not flush the folder after that, so a power cut can bring the
            # journal back and undo an answer a person saw accepted; EXTRA flushes the folder too.
            db.execute("PRAGMA synchronous = EXTRA")
            db.execute("PRAGMA fullfsync = ON")  # where fsync stops at the drive's cache (macOS)
            db.execute("PRAGMA temp_store = MEMORY")  # VACUUM leaves no copy in a temporary file
            db.execute("PRAGMA trusted_schema = OFF")
            db.execute("PRAGMA cell_size_check = ON")
            version = self._version()
        if version == 0 and query_only:
            # Killed while it was being made, and just undone: nothing is there yet.
            self._db.close()
            self._db, query_only = sqlite3.connect(":memory:", isolation_level=None), False
        if version < VERSION and not query_only:
            from verify.job.shape import keep_copy, migrate

            with self._writing(self._db):
                # Asked again: two programs may have started at once.
                version = self._version()
                if 0 < version < VERSION:
                    keep_copy(self._file, version)
                migrate(self._db, version, VERSION)
                version = VERSION
        self._shape = version
        with self._reading() as db:
            if query_only:
                db.execute("PRAGMA query_only = ON")
            elif not self._readonly:
                # The default; said because a file keeps another mode once it was set.
                db.execute("PRAGMA journal_mode = DELETE")

    def _version(self) -> int:
        """The version of the store's shape, 0 for an empty file. Refuses what is not ours."""
        db = self._db
        # In this order: another program may be making the tables between two of these lines.
        tables = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        owner = db.execute("PRAGMA application_id").fetchone()[0]
        if (version or tables) and owner != APPLICATION_ID:
            from verify.job.refusals import foreign

            raise foreign(self._file)
        if version > VERSION:
            from verify.job.refusals import newer

            raise newer(self._file, version, VERSION)
        return version

    @contextmanager
    def _disk(self) -> Iterator[None]:
        try:
            with refused(self._folder):
                yield
        except sqlite3.ProgrammingError:
            raise  # a defect of ours, a closed journal for example
        except (sqlite3.Error, UnicodeDecodeError) as error:
            # (SQLite quotes a damaged file in its message, and that need not be UTF-8.)
            from verify.job.refusals import refusal

            raise refusal(self._file, error) from error

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._disk():
            yield self._db

    @contextmanager
    def _writing(self, db: sqlite3.Connection | None = None) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it on disk at the end, or nothing."""
        if db is None:
            self._refuse_if_readonly()
            db = self._db
        with self._disk():
            try:
                # At once, so that what is read inside cannot change before it is acted on.
                db.execute("BEGIN IMMEDIATE")
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    # Where even this fails, the next to open the file undoes it from the rollback
                    # journal; what went wrong first is what the person must hear.
                    with suppress(sqlite3.Error):
                        db.execute("ROLLBACK")
                raise

    @property
    def readonly(self) -> bool:
        return self._readonly

    def _refuse_if_readonly(self) -> None:
        if self._readonly:
            raise ValueError("this journal was opened to be read")

    def _typed(self, row: Any, types: tuple[type, ...]) -> Any:
        """The row as it is, if it holds what a sound file holds there (None for no row)."""
        if row is not None and tuple(map(type, row)) != types:
            raise self._damage("a row with a value of the wrong kind")
        return row

    def _damage(self, why: str) -> UserError:
        from verify.job.refusals import damaged

        return damaged(self._file, why)

    def _one(self, query: str, key: str, kind: type) -> Any:
        with self._reading() as db:
            row = db.execute(query, (key,)).fetchone()
        return None if row is None else self._typed(row, (kind,))[0]

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
