"""The journal as a port, the rules every store keeps, and the journal in memory.

Stands between the entries and the disk. Everything above asks for a `Journal` and does not know
which one it got; drafts that are only tried out, and most tests, get the one in memory.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, BinaryIO, Protocol

from verify.errors import Problem, UserError, nearest
from verify.job.entry import (
    GENESIS,
    Draft,
    Entry,
    seal,
    seal_with_text,
    verify_chain,
)
from verify.job.listing import index_to_text, text_to_row

if TYPE_CHECKING:
    from verify.job.people import Person

Row = dict[str, str | int]
Index = Mapping[str, str | int]


class Journal(Protocol):
    """The append-only account of all jobs of one store, and what belongs to it.

    Wherever a store cannot do what it is asked (full disk, damage, a folder that cannot be
    written), it raises UserError and everything accepted before is still there.
    """

    def append(
        self, job: str, draft: Draft, *, expected_head: str, index: Index | None = None
    ) -> Entry:
        """Puts one entry at the end of a job. When this returns, it is on disk.

        expected_head: digest of the entry the writer saw last, GENESIS for a new job.
        index: the job's row in lists from now on (no personal data); None keeps the row it has.
        A draft whose append_id is there already is not written again: the first entry comes back,
        whatever the head is by now.
        Raises UserError when the head is another, ValueError for drafts no program may write (a
        used append_id with another content, a private digest that is not its value's).
        """

    def entries(self, job: str) -> tuple[Entry, ...]:
        """All entries of a job in order, () for an unknown one. Raises UserError if one changed."""

    def head(self, job: str) -> str:
        """Digest of the last entry, GENESIS where there is none."""

    def jobs(self) -> tuple[Row, ...]:
        """One row a job, the last changed first: `job`, `entries`, `changed` and its index."""

    def jobs_naming(self, text: str) -> tuple[str, ...]:
        """The jobs in an entry of which this text stands, as the digest of a recording does."""

    def jobs_naming_some(self, texts: Sequence[str], least: int) -> tuple[str, ...]:
        """The jobs in one entry of which at least so many of these texts stand."""

    def job_exists(self, job: str) -> bool: ...

    def find_job(self, text: str) -> str:
        """The one job that `text` is, or begins. Raises UserError with the nearest if none is."""

    def rebuild_index(self, row_of: Callable[[tuple[Entry, ...]], Index]) -> None:
        """Makes every row of the list anew from the entries."""

    def private(self, digest: str) -> str | None:
        """The personal value behind a digest; None once erased."""

    def salted(self, digest: str) -> tuple[bytes, str] | None:
        """Salt and value behind a digest, for who must be able to prove it; None once erased."""

    def erase_private(self, digests: Iterable[str]) -> int:
        """Forgets personal values and their salts; returns how many were there."""

    def put_edition(self, sha256: str, content: bytes) -> None: ...

    def edition(self, sha256: str) -> bytes:
        """Raises UserError where it is missing or is not what its hash says."""

    def put_evidence(self, stream: BinaryIO) -> str:
        """Keeps the bytes from here to the end of `stream`; returns their SHA-256."""

    def open_evidence(self, sha256: str) -> BinaryIO:
        """Opened at the start, after all bytes were checked against the hash; the caller closes.

        Raises UserError where it is missing, erased or damaged."""

    def has_evidence(self, sha256: str) -> bool: ...

    def erase_evidence(self, digests: Iterable[str]) -> int:
        """Removes evidence files (photos are personal data); returns how many were there."""

    def mapping(self, layout: str) -> dict[str, str] | None:
        """The channels a person gave to a recording layout (column header → channel)."""

    def put_mapping(self, layout: str, mapping: Mapping[str, str]) -> None: ...

    def setting(self, name: str) -> str | None: ...

    def put_setting(self, name: str, value: str) -> None: ...

    def people(self) -> tuple[Person, ...]:
        """Who works with this store, in the order they were added; nobody is ever removed."""

    def put_person(self, person: Person, private: Mapping[str, tuple[bytes, str]]) -> None:
        """Adds a person, or what is new about one (a key, that one retired), all of it or nothing.

        private: the name's digest → (salt, name), when a person is added.
        Raises ValueError where that would take away what was: see `people.check_change`.
        """

    def close(self) -> None: ...


def next_entry(
    job: str, draft: Draft, last: tuple[int, str] | None, expected_head: str
) -> tuple[Entry, str]:
    """The entry that `draft` becomes behind `last` (seq, digest), and the text of its body.

    Raises UserError when the head is another, ValueError for a wrong private digest."""
    seq, head = last or (0, GENESIS)
    if head != expected_head:
        raise UserError(
            Problem(
                found=f"somebody else wrote to this job meanwhile (job {job}, entry {seq})",
                expected="the job as it was last shown",
                next="resume it: what was accepted before is kept, this answer was not",
            )
        )
    check_private(draft.private)
    return seal_with_text(job, seq + 1, draft, head)


def check_private(private: Mapping[str, tuple[bytes, str]]) -> None:
    """Raises ValueError where a digest is not that of its salt and value."""
    for digest, (salt, value) in private.items():
        if len(salt) != 32 or hashlib.sha256(salt + value.encode()).hexdigest() != digest:
            raise ValueError("a private digest must be that of its salt and value")


def same_again(job: str, draft: Draft, there: Entry) -> Entry:
    """The entry of an earlier try, if `draft` is what it was made of. Raises ValueError if not."""
    if there.job != job or seal(job, there.seq, draft, there.previous).digest != there.digest:
        raise ValueError("an append_id stands for one entry and was used for another before")
    return there


def pick_job(text: str, known: Iterable[str]) -> str:
    """The job that `text` is or begins. Raises UserError for none or several."""
    jobs = sorted(known)
    if text in jobs:
        return text
    fitting = [job for job in jobs if text and job.startswith(text)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        shown = ", ".join(fitting[:6]) + (" …" if len(fitting) > 6 else "")
        raise UserError(
            Problem(
                found=f'"{text}", which begins {len(fitting)} jobs',
                expected=f"enough of its name to mean one of {shown}",
                next="write more of the job's name",
            )
        )
    # A name typed in part is compared with as much of each name.
    parts = {job[: len(text)]: job for job in jobs}
    guess = nearest(text, jobs) or parts.get(nearest(text, parts), "")
    raise UserError(
        Problem(
            found=f'"{text}"',
            expected="a job of this store" + ("" if jobs else " (there is none yet)"),
            next=f'write "{guess}"' if guess else "list them with: keysback jobs",
        )
    )


def missing(what: str, sha256: str) -> UserError:
    return UserError(
        Problem(
            found=f"no {what} {sha256[:12]}… in this store",
            expected=f"the {what} that the job names",
            next="restore it from a backup; if it was erased on purpose, go on without it",
        )
    )


def changed(what: str, name: str) -> UserError:
    return UserError(
        Problem(
            found=f"{what} {name} changed since it was written",
            expected="the bytes that its hash was made of",
            next="keep a copy of the store as it is; restore it from a backup",
        )
    )


def check_edition(sha256: str, content: bytes) -> None:
    if hashlib.sha256(content).hexdigest() != sha256:
        raise ValueError("an edition is kept under the SHA-256 of its content")


class MemoryJournal:
    """A `Journal` that ends with the program."""

    def __init__(self) -> None:
        self._entries: dict[str, list[Entry]] = {}
        self._appended: dict[str, Entry] = {}
        self._index: dict[str, Row] = {}
        self._private: dict[str, tuple[bytes, str]] = {}
        self._editions: dict[str, bytes] = {}
        self._evidence: dict[str, bytes] = {}
        self._mappings: dict[str, dict[str, str]] = {}
        self._settings: dict[str, str] = {}
        self._people: dict[str, Person] = {}

    def append(
        self, job: str, draft: Draft, *, expected_head: str, index: Index | None = None
    ) -> Entry:
        if draft.append_id in self._appended:
            return same_again(job, draft, self._appended[draft.append_id])
        chain = self._entries.get(job, [])
        last = (chain[-1].seq, chain[-1].digest) if chain else None
        entry, _ = next_entry(job, draft, last, expected_head)
        row = (
            text_to_row(index_to_text(index), {}) if index is not None else self._index.get(job, {})
        )
        self._entries.setdefault(job, chain).append(entry)
        self._appended[draft.append_id] = entry
        self._index[job] = row
        self._private.update(draft.private)
        return entry

    def entries(self, job: str) -> tuple[Entry, ...]:
        found = tuple(self._entries.get(job, ()))
        verify_chain(found)
        return found

    def head(self, job: str) -> str:
        return self._entries[job][-1].digest if job in self._entries else GENESIS

    def jobs(self) -> tuple[Row, ...]:
        rows: list[Row] = [
            {"job": job, "entries": len(chain), "changed": chain[-1].time, **self._index[job]}
            for job, chain in sorted(self._entries.items())
        ]
        return tuple(sorted(rows, key=lambda row: row["changed"], reverse=True))

    def jobs_naming(self, text: str) -> tuple[str, ...]:
        from verify.job.canonical import canonical

        found = (
            job
            for job, chain in self._entries.items()
            if any(text.encode() in canonical(e.body) for e in chain)
        )
        return tuple(sorted(found))

    def jobs_naming_some(self, texts: Sequence[str], least: int) -> tuple[str, ...]:
        from verify.job.canonical import canonical

        def many(entry: Entry) -> int:
            whole = canonical(entry.body)
            return sum(text.encode() in whole for text in texts)

        chains = self._entries.items()
        return tuple(sorted(j for j, c in chains if any(many(e) >= least for e in c)))

    def job_exists(self, job: str) -> bool:
        return job in self._entries

    def find_job(self, text: str) -> str:
        return pick_job(text, self._entries)

    def rebuild_index(self, row_of: Callable[[tuple[Entry, ...]], Index]) -> None:
        self._index = {
            job: text_to_row(index_to_text(row_of(self.entries(job))), {}) for job in self._entries
        }

    def private(self, digest: str) -> str | None:
        found = self._private.get(digest)
        return None if found is None else found[1]

    def salted(self, digest: str) -> tuple[bytes, str] | None:
        return self._private.get(digest)

    def erase_private(self, digests: Iterable[str]) -> int:
        return sum(self._private.pop(digest, None) is not None for digest in digests)

    def put_edition(self, sha256: str, content: bytes) -> None:
        check_edition(sha256, content)
        self._editions[sha256] = content

    def edition(self, sha256: str) -> bytes:
        if sha256 not in self._editions:
            raise missing("edition", sha256)
        return self._editions[sha256]

    def put_evidence(self, stream: BinaryIO) -> str:
        content = stream.read()
        sha256 = hashlib.sha256(content).hexdigest()
        self._evidence[sha256] = content
        return sha256

    def open_evidence(self, sha256: str) -> BinaryIO:
        if sha256 not in self._evidence:
            raise missing("evidence", sha256)
        return io.BytesIO(self._evidence[sha256])

    def has_evidence(self, sha256: str) -> bool:
        return sha256 in self._evidence

    def erase_evidence(self, digests: Iterable[str]) -> int:
        return sum(self._evidence.pop(sha256, None) is not None for sha256 in digests)

    def mapping(self, layout: str) -> dict[str, str] | None:
        found = self._mappings.get(layout)
        return None if found is None else dict(found)

    def put_mapping(self, layout: str, mapping: Mapping[str, str]) -> None:
        self._mappings[layout] = dict(mapping)

    def setting(self, name: str) -> str | None:
        return self._settings.get(name)

    def put_setting(self, name: str, value: str) -> None:
        self._settings[name] = value

    def people(self) -> tuple[Person, ...]:
        return tuple(sorted(self._people.values(), key=lambda p: (p.added, p.id)))

    def put_person(self, person: Person, private: Mapping[str, tuple[bytes, str]]) -> None:
        from verify.job.people import check_change

        check_private(private)
        check_change(self._people.values(), person)
        self._people[person.id] = person
        self._private.update(private)

    def close(self) -> None:
        """Nothing to give back."""
