"""The journal on disk: SQLite for what is said, one file each for evidence.

The only place below the front ends that touches a disk. A store is one folder:

    keysback.sqlite3      entries, personal data, list, editions, mappings, settings, people
    evidence/ab/ab12…     one file for each piece of evidence, named by the SHA-256 of its bytes

and, where an older version wrote it, a copy of the database as it was (`verify.job.shape`).

What it must keep is said in `verify.job.memory` (`Journal`, the port), which is also to be had
from here. Light at the top, and heavier things imported where they are used: the list of a
thousand jobs shall be there at once.
"""

from __future__ import annotations

import sqlite3

from verify.job.place import store_folder
from verify.job.store_file import DATABASE, VERSION, StoreFile

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from typing import Any, BinaryIO

    from verify.job.entry import Draft, Entry
    from verify.job.memory import Index, Journal, MemoryJournal, Row
    from verify.job.people import Person

__all__ = ["DATABASE", "VERSION", "Journal", "MemoryJournal", "SqliteJournal", "store_folder"]

_COLUMNS = "job, seq, time, person, kind, version, body, previous, digest"
_LISTED = (str, int, str, str)
_TYPES = (str, int, str, str, str, int, str, str, str)


def __getattr__(name: str) -> Any:
    if name in ("Journal", "MemoryJournal"):
        from verify.job import memory

        return getattr(memory, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


class SqliteJournal(StoreFile):
    """The `Journal` in a folder. See `StoreFile` for its arguments and what opening it raises."""

    # Entries

    def append(
        self, job: str, draft: Draft, *, expected_head: str, index: Index | None = None
    ) -> Entry:
        from verify.job.listing import index_to_text
        from verify.job.memory import next_entry, same_again

        row = None if index is None else index_to_text(index)
        with self._writing() as db:
            there = db.execute(
                f"SELECT {_COLUMNS} FROM entries WHERE append_id = ?", (draft.append_id,)
            ).fetchone()
            if there is not None:
                return same_again(job, draft, self._entry(there))
            last = db.execute(
                "SELECT seq, digest FROM entries WHERE job = ? ORDER BY seq DESC LIMIT 1", (job,)
            ).fetchone()
            last = self._typed(last, (int, str))
            e, body = next_entry(job, draft, last, expected_head)
            db.execute(
                f"INSERT INTO entries ({_COLUMNS}, append_id)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(e.job, e.seq, e.time, e.person, e.kind, e.version),
                    *(body, e.previous, e.digest, draft.append_id),
                ),
            )
            self._put_private(db, draft.private)
            db.execute(
                "INSERT INTO listing VALUES (:job, :entries, :changed, coalesce(:row, ''))"
                " ON CONFLICT DO UPDATE SET entries = :entries, changed = :changed,"
                " row = coalesce(:row, row)",
                {"job": job, "entries": e.seq, "changed": e.time, "row": row},
            )
        return e

    def entries(self, job: str) -> tuple[Entry, ...]:
        with self._reading() as db:
            listed = db.execute("SELECT entries FROM listing WHERE job = ?", (job,)).fetchone()
        found = self._chain(job)
        # A chain that lost its end still is a chain; the list, written with each entry, knows.
        if listed is not None and self._typed(listed, (int,))[0] > len(found):
            raise self._damage(f"job {job} has {len(found)} of its {listed[0]} entries")
        return found

    def _chain(self, job: str) -> tuple[Entry, ...]:
        from verify.job.entry import verify_chain

        with self._reading() as db:
            rows = db.execute(
                f"SELECT {_COLUMNS} FROM entries WHERE job = ? ORDER BY seq", (job,)
            ).fetchall()
        found = tuple(self._entry(row) for row in rows)
        verify_chain(found)
        return found

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        from verify.job.canonical import parse
        from verify.job.entry import Entry

        job, seq, time, person, kind, version, body, previous, digest = self._typed(row, _TYPES)
        try:
            value = parse(body)
        except (ValueError, RecursionError) as error:
            raise self._damage(f"entry {seq} of job {job}") from error
        return Entry(job, seq, time, person, kind, version, value, previous, digest)

    def head(self, job: str) -> str:
        with self._reading() as db:
            last = db.execute(
                "SELECT digest FROM entries WHERE job = ? ORDER BY seq DESC LIMIT 1", (job,)
            ).fetchone()
        if last is None:
            from verify.job.entry import GENESIS

            return GENESIS
        return str(self._typed(last, (str,))[0])

    def job_exists(self, job: str) -> bool:
        with self._reading() as db:
            return bool(db.execute("SELECT 1 FROM entries WHERE job = ?", (job,)).fetchone())

    def jobs_naming(self, text: str) -> tuple[str, ...]:
        with self._reading() as db:
            found = db.execute(
                "SELECT DISTINCT job FROM entries WHERE instr(body, ?) > 0 ORDER BY job", (text,)
            ).fetchall()
        return tuple(self._typed(row, (str,))[0] for row in found)

    def jobs_naming_some(self, texts: Sequence[str], least: int) -> tuple[str, ...]:
        counted = " + ".join(["(instr(body, ?) > 0)"] * len(texts)) or "0"
        with self._reading() as db:
            found = db.execute(
                f"SELECT DISTINCT job FROM entries WHERE {counted} >= ? ORDER BY job",
                (*texts, least),
            ).fetchall()
        return tuple(self._typed(row, (str,))[0] for row in found)

    # The list of jobs, derived

    def jobs(self) -> tuple[Row, ...]:
        from verify.job.listing import text_to_row

        with self._reading() as db:
            found = db.execute(
                "SELECT job, entries, changed, row FROM listing ORDER BY changed DESC, job"
            ).fetchall()
        try:
            return tuple(
                text_to_row(text, {"job": job, "entries": entries, "changed": changed})
                for job, entries, changed, text in (self._typed(row, _LISTED) for row in found)
            )
        except ValueError as error:
            raise self._damage("the list of jobs") from error

    def find_job(self, text: str) -> str:
        from verify.job.memory import pick_job

        with self._reading() as db:
            known = db.execute("SELECT job FROM listing").fetchall()
        return pick_job(text, [self._typed(row, (str,))[0] for row in known])

    def rebuild_index(self, row_of: Callable[[tuple[Entry, ...]], Index]) -> None:
        from verify.job.listing import index_to_text

        with self._writing() as db:
            known = db.execute("SELECT DISTINCT job FROM entries").fetchall()
            db.execute("DELETE FROM listing")
            for (job,) in known:
                entries = self._chain(job)
                row = index_to_text(row_of(entries))
                db.execute(
                    "INSERT INTO listing VALUES (?, ?, ?, ?)",
                    (job, len(entries), entries[-1].time, row),
                )

    # Personal data

    @staticmethod
    def _put_private(db: sqlite3.Connection, private: Mapping[str, tuple[bytes, str]]) -> None:
        for digest, (salt, value) in private.items():
            db.execute("INSERT OR IGNORE INTO private VALUES (?, ?, ?)", (digest, salt, value))

    def private(self, digest: str) -> str | None:
        found = self.salted(digest)
        return None if found is None else found[1]

    def salted(self, digest: str) -> tuple[bytes, str] | None:
        import hashlib

        with self._reading() as db:
            row = db.execute(
                "SELECT salt, value FROM private WHERE digest = ?", (digest,)
            ).fetchone()
        if row is None:
            return None
        salt, value = self._typed(row, (bytes, str))
        if hashlib.sha256(salt + value.encode()).hexdigest() != digest:
            raise self._damage(f"the personal value {digest[:12]}…")
        return bytes(salt), str(value)

    def erase_private(self, digests: Iterable[str]) -> int:
        """See `Journal`. No copy is left in the store's files; of the freed blocks of the disk
        below them nobody but the disk can say so."""
        from verify.job.shape import erase_in_copies

        self._refuse_if_readonly()
        digests = tuple(digests)
        # Only here, for it slows every append: what is deleted is overwritten with zeros.
        self._db.execute("PRAGMA secure_delete = ON")
        with self._writing() as db:
            count = sum(
                db.execute("DELETE FROM private WHERE digest = ?", (digest,)).rowcount
                for digest in digests
            )
        with self._disk():
            # Pages that were split keep stale copies that secure_delete does not reach. If this
            # fails the values are gone already, and a second call clears up.
            self._db.execute("VACUUM")
            self._db.execute("PRAGMA secure_delete = OFF")
            erase_in_copies(self._file, VERSION, digests)
        return count

    # Editions, mappings, settings

    def put_edition(self, sha256: str, content: bytes) -> None:
        from verify.job.memory import check_edition

        check_edition(sha256, content)
        with self._writing() as db:
            db.execute("INSERT OR IGNORE INTO editions VALUES (?, ?)", (sha256, content))

    def edition(self, sha256: str) -> bytes:
        import hashlib

        from verify.job.memory import changed, missing

        row = self._one("SELECT content FROM editions WHERE sha256 = ?", sha256, bytes)
        if row is None:
            raise missing("edition", sha256)
        if hashlib.sha256(row).hexdigest() != sha256:
            raise changed("edition", sha256)
        return bytes(row)

    def mapping(self, layout: str) -> dict[str, str] | None:
        from verify.job.canonical import parse

        text = self._one("SELECT mapping FROM mappings WHERE layout = ?", layout, str)
        try:
            return None if text is None else dict(parse(text))
        except (ValueError, TypeError, RecursionError) as error:
            raise self._damage("the remembered channels of a layout") from error

    def put_mapping(self, layout: str, mapping: Mapping[str, str]) -> None:
        from verify.job.canonical import canonical

        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO mappings VALUES (?, ?)",
                (layout, canonical(dict(mapping)).decode()),
            )

    def setting(self, name: str) -> str | None:
        value = self._one("SELECT value FROM settings WHERE name = ?", name, str)
        return None if value is None else str(value)

    def put_setting(self, name: str, value: str) -> None:
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO settings VALUES (?, ?)", (name, value))

    # People

    def people(self) -> tuple[Person, ...]:
        from verify.job.people_rows import read_people

        if self._shape < 2:  # read as an older version wrote it
            return ()
        try:
            with self._reading() as db:
                return read_people(db, self._typed)
        except ValueError as error:
            raise self._damage("the people of this store") from error

    def put_person(self, person: Person, private: Mapping[str, tuple[bytes, str]]) -> None:
        from verify.job.memory import check_private
        from verify.job.people_rows import write_person

        check_private(private)
        with self._writing() as db:
            write_person(db, self.people(), person)
            self._put_private(db, private)

    # Evidence, see `Journal` and `EvidenceFolder`

    def put_evidence(self, stream: BinaryIO) -> str:
        self._refuse_if_readonly()
        return self._evidence.put(stream)

    def open_evidence(self, sha256: str) -> BinaryIO:
        return self._evidence.open(sha256)

    def has_evidence(self, sha256: str) -> bool:
        return self._evidence.has(sha256)

    def erase_evidence(self, digests: Iterable[str]) -> int:
        self._refuse_if_readonly()
        return sum(map(self._evidence.erase, digests))

    # Keeping

    def copy_database(self, file: str) -> None:
        """The database as of one moment in the new file `file`, looked through by SQLite.

        Others go on writing meanwhile. Raises UserError where the store is damaged.
        """
        from verify.job.shape import copy_of, unsound

        with self._disk():
            copy_of(self._file, file)
            why = unsound(file)
        if why:
            raise self._damage(why)

    def evidence_names(self, *, older_than_s: float = 0.0) -> tuple[str, ...]:
        """The SHA-256 of every piece of evidence there is, in order."""
        return self._evidence.names(older_than_s=older_than_s)
