"""Both journals against the one contract, and against a plain list on random walks."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.contracts.journal import JournalContract, draft
from verify.errors import UserError
from verify.job.entry import GENESIS, Draft, Entry, hide
from verify.job.journal import Journal, MemoryJournal, SqliteJournal


class TestMemoryJournal(JournalContract):
    @pytest.fixture
    def journal(self) -> Journal:
        return MemoryJournal()


class TestSqliteJournal(JournalContract):
    @pytest.fixture
    def journal(self, tmp_path: Path) -> Iterator[Journal]:
        with SqliteJournal(tmp_path / "store") as journal:
            yield journal


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | TEXT
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)
INDEX = st.none() | st.dictionaries(
    TEXT.filter(lambda name: name not in ("job", "entries", "changed")),
    TEXT | st.integers(-(2**53) + 1, 2**53 - 1),
    max_size=3,
)


def plain(text: str) -> str:
    return text.translate({0x1E: "�", 0x1F: "�"})


JOBS = st.sampled_from(["a", "ab", "c-é"])


class AgainstAList(RuleBasedStateMachine):
    """Random walks: what a journal says against a list of what was accepted."""

    journal: Journal

    def __init__(self) -> None:
        super().__init__()
        self.accepted: dict[str, list[tuple[Draft, Entry]]] = {}
        self.rows: dict[str, Any] = {}
        self.values: dict[str, str | None] = {}
        self.count = 0

    def head(self, job: str) -> str:
        chain = self.accepted.get(job)
        return chain[-1][1].digest if chain else GENESIS

    @rule(job=JOBS, values=VALUES, secret=st.none() | TEXT, index=INDEX)
    def append(self, job: str, values: Any, secret: str | None, index: Any) -> None:
        self.count += 1
        body: dict[str, Any] = {"step": "s", "attempt": self.count, "outcome": "o"}
        body["values"] = values
        private = {}
        if secret is not None:
            digest, kept = hide(secret)
            body["private"] = digest
            private[digest] = kept
            self.values[digest] = secret
        wish = draft(self.count, body=body, private=private)
        head = self.head(job)
        entry = self.journal.append(job, wish, expected_head=head, index=index)
        assert (entry.job, entry.previous, entry.body) == (job, head, body)
        self.accepted.setdefault(job, []).append((wish, entry))
        if index is not None or job not in self.rows:
            self.rows[job] = {
                plain(k): plain(v) if isinstance(v, str) else v for k, v in (index or {}).items()
            }

    @precondition(lambda self: self.accepted)
    @rule(data=st.data())
    def retry(self, data: st.DataObject) -> None:
        job = data.draw(st.sampled_from(sorted(self.accepted)))
        wish, entry = data.draw(st.sampled_from(self.accepted[job]))
        assert self.journal.append(job, wish, expected_head=data.draw(TEXT)) == entry

    @precondition(lambda self: self.accepted)
    @rule(data=st.data())
    def write_behind_an_old_entry(self, data: st.DataObject) -> None:
        job = data.draw(st.sampled_from(sorted(self.accepted)))
        chain = self.accepted[job]
        old = data.draw(st.sampled_from([GENESIS, *(e.digest for _, e in chain[:-1]), "x"]))
        with pytest.raises(UserError, match="somebody else"):
            self.journal.append(job, draft(0, append_id="late"), expected_head=old)

    @precondition(lambda self: self.accepted)
    @rule(data=st.data())
    def use_an_id_again(self, data: st.DataObject) -> None:
        job = data.draw(st.sampled_from(sorted(self.accepted)))
        wish, _ = data.draw(st.sampled_from(self.accepted[job]))
        other = draft(0, append_id=wish.append_id)
        with pytest.raises(ValueError, match="append_id"):
            self.journal.append(job, other, expected_head=self.head(job))

    @precondition(lambda self: self.values)
    @rule(data=st.data())
    def forget(self, data: st.DataObject) -> None:
        digest = data.draw(st.sampled_from(sorted(self.values)))
        there = self.values[digest] is not None
        assert self.journal.erase_private([digest]) == there
        self.values[digest] = None

    @invariant()
    def the_journal_says_what_was_accepted(self) -> None:
        for job, chain in self.accepted.items():
            assert self.journal.entries(job) == tuple(entry for _, entry in chain)
            assert self.journal.head(job) == self.head(job)
        for digest, value in self.values.items():
            assert self.journal.private(digest) == value
        assert {row["job"]: row for row in self.journal.jobs()} == {
            job: {"job": job, "entries": len(chain), "changed": chain[-1][1].time, **self.rows[job]}
            for job, chain in self.accepted.items()
        }
        changed = [(row["changed"], row["job"]) for row in self.journal.jobs()]
        assert [time for time, _ in changed] == sorted((t for t, _ in changed), reverse=True)


class MemoryWalk(AgainstAList):
    def __init__(self) -> None:
        super().__init__()
        self.journal = MemoryJournal()


class SqliteWalk(AgainstAList):
    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.journal = SqliteJournal(self.folder)

    @rule()
    def open_again(self) -> None:
        self.journal.close()
        self.journal = SqliteJournal(self.folder)

    @rule()
    def look_from_elsewhere(self) -> None:
        with SqliteJournal(self.folder, readonly=True) as other:
            assert other.jobs() == self.journal.jobs()

    def teardown(self) -> None:
        self.journal.close()
        shutil.rmtree(self.folder)


TestMemoryWalk = MemoryWalk.TestCase
TestMemoryWalk.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
TestSqliteWalk = SqliteWalk.TestCase
TestSqliteWalk.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)


def test_both_journals_seal_the_same_hashes(tmp_path: Path) -> None:
    with SqliteJournal(tmp_path) as disk:
        memory = MemoryJournal()
        for n in range(1, 6):
            for journal in (disk, memory):
                journal.append("j", draft(n), expected_head=journal.head("j"))
        assert disk.entries("j") == memory.entries("j")


def test_equal_times_are_listed_by_name_in_both(tmp_path: Path) -> None:
    names = ["b", "A", "é", "a\x00", "Z\U0001f697", "\uffff"]
    with SqliteJournal(tmp_path) as disk:
        memory = MemoryJournal()
        for number, name in enumerate(names):
            for journal in (disk, memory):
                wish = draft(1, append_id=str(number))
                journal.append(name, wish, expected_head=GENESIS, index={"a\x1eb\0": "c\x1fd\0"})
        assert disk.jobs() == memory.jobs()
        assert disk.jobs()[0]["a�b\0"] == "c�d\0"
        assert [row["job"] for row in disk.jobs()] == sorted(names)


def test_an_edition_is_the_hash_of_its_bytes_on_disk(tmp_path: Path) -> None:
    content = b"{}"
    with SqliteJournal(tmp_path) as journal:
        journal.put_edition(hashlib.sha256(content).hexdigest(), content)
    with SqliteJournal(tmp_path, readonly=True) as journal:
        assert journal.edition(hashlib.sha256(content).hexdigest()) == content
