"""The journal on disk: what it refuses, what it survives, and that nobody else may read it."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import platformdirs
import pytest

from tests.conftest import ROOT, missing
from tests.contracts.journal import draft, fill, private_draft, row_of
from verify.errors import UserError
from verify.job import journal as module
from verify.job.entry import GENESIS, Entry
from verify.job.journal import DATABASE, VERSION, SqliteJournal, store_folder


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


def raw(store: Path) -> sqlite3.Connection:
    return sqlite3.connect(store / DATABASE, isolation_level=None)


# How it is kept


def test_the_settings_that_keep_an_answer_are_in_force(store: Path) -> None:
    with SqliteJournal(store) as journal:
        ask = journal._db.execute
        assert ask("PRAGMA synchronous").fetchone() == (3,)  # EXTRA
        assert ask("PRAGMA journal_mode").fetchone() == ("delete",)
        assert journal._db.isolation_level is None
        strict = ask("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").fetchall()
        assert {name for name, is_strict in strict if not is_strict} == {"sqlite_schema"}


def test_the_version_is_that_of_the_last_migration(store: Path) -> None:
    files = sorted(p.name for p in (ROOT / "verify/job/store_sql").glob("*.sql"))
    assert [int(name[:4]) for name in files] == list(range(1, VERSION + 1))
    SqliteJournal(store).close()
    db = raw(store)
    assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
    db.close()


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE entries SET person = 'p9'", "never changed"),
        ("DELETE FROM entries", "never removed"),
        (
            "INSERT OR REPLACE INTO entries SELECT job, seq, time, 'p9', kind, version, body,"
            " previous, digest, append_id FROM entries WHERE seq = 1",
            "only at the end",
        ),
        (
            "INSERT INTO entries SELECT job, 3, time, person, kind, version, body, previous,"
            " digest, 'x' FROM entries WHERE seq = 1",
            "only at the end",
        ),
        (
            "INSERT OR REPLACE INTO entries SELECT 'other', 1, time, person, kind, version, body,"
            " previous, digest, append_id FROM entries WHERE seq = 1",
            "only at the end",
        ),
        ("UPDATE editions SET content = x'00'", "never changed"),
        ("DELETE FROM editions", "never removed"),
    ],
)
def test_the_database_itself_refuses_to_change_what_was_written(
    store: Path, statement: str, words: str
) -> None:
    with SqliteJournal(store) as journal:
        there = fill(journal, "j", (1, 2))
        journal.put_edition(hashlib.sha256(b"{}").hexdigest(), b"{}")
    db = raw(store)
    with pytest.raises(sqlite3.IntegrityError, match=words):
        db.execute(statement)
    db.close()
    with SqliteJournal(store, readonly=True) as journal:
        assert journal.entries("j") == there


def test_nobody_but_the_owner_may_look_into_a_store(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        store = tmp_path / "deep" / "store"
        with SqliteJournal(store) as journal, open(__file__, "rb") as stream:
            fill(journal, "j", (1,))
            journal.put_evidence(stream)
    finally:
        os.umask(before)
    for path in (tmp_path / "deep", *(tmp_path / "deep").rglob("*")):
        expected = 0o700 if path.is_dir() else 0o600
        assert stat.S_IMODE(path.stat().st_mode) == expected, path


def test_erased_personal_data_is_in_no_byte_of_the_store(store: Path) -> None:
    values = [f"Ada Lovelace {n}, 07700 900{n:03d}" for n in range(120)]
    digests = []
    with SqliteJournal(store) as journal:
        for n, value in enumerate(values):
            wish, digest = private_draft(n, value)
            journal.append("j", wish, expected_head=journal.head("j"))
            digests.append(digest)
        content = (store / DATABASE).read_bytes()
        assert all(value.encode() in content for value in values), "else nothing is shown below"
        chain = journal.entries("j")
        assert journal.erase_private(digests[::2]) == 60
        content = (store / DATABASE).read_bytes()
        assert [v for v in values[::2] if v.encode() in content] == []
        assert [journal.private(d) for d in digests[1::2]] == values[1::2]
        assert journal.entries("j") == chain


# Who else writes


def test_two_writers_of_one_job_one_is_told(store: Path) -> None:
    with SqliteJournal(store) as one, SqliteJournal(store) as two:
        first = one.append("j", draft(1), expected_head=GENESIS)
        with pytest.raises(UserError, match="somebody else wrote to this job meanwhile"):
            two.append("j", draft(2), expected_head=GENESIS)
        second = two.append("j", draft(2), expected_head=two.head("j"))
        assert one.entries("j") == two.entries("j") == (first, second)


def test_writers_at_the_same_time_make_one_chain(store: Path) -> None:
    wins: list[Entry] = []
    refusals: list[str] = []

    def write(name: str) -> None:
        with SqliteJournal(store) as journal:  # all start on a store that is not there yet
            for n in range(15):
                wish = draft(n, append_id=f"{name}-{n}", person=name)
                while True:
                    try:
                        wins.append(journal.append("j", wish, expected_head=journal.head("j")))
                        break
                    except UserError as error:
                        refusals.append(str(error).split(" (")[0])

    threads = [threading.Thread(target=write, args=(f"p{k}",)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with SqliteJournal(store, readonly=True) as journal:
        assert journal.entries("j") == tuple(sorted(wins, key=lambda e: e.seq))
        assert len(wins) == 60
    assert set(refusals) <= {"  found somebody else wrote to this job meanwhile"}


def test_a_program_that_keeps_writing_is_named(store: Path) -> None:
    with SqliteJournal(store, wait_s=0.05) as journal:
        there = fill(journal, "j", (1,))
        other = raw(store)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(UserError, match="another program has been writing"):
            journal.append("j", draft(2), expected_head=there[0].digest)
        assert journal.entries("j") == there
        other.execute("ROLLBACK")
        other.close()
        journal.append("j", draft(2), expected_head=there[0].digest)


def test_a_reader_that_stays_too_long_does_not_lose_the_answer(store: Path) -> None:
    with SqliteJournal(store, wait_s=0.05) as journal:
        there = fill(journal, "j", (1,))
        other = raw(store)
        other.execute("BEGIN")
        other.execute("SELECT * FROM entries").fetchone()
        with pytest.raises(UserError, match="do the last thing again"):
            journal.append("j", draft(2), expected_head=there[0].digest)
        other.close()
        journal.append("j", draft(2), expected_head=there[0].digest)
        assert len(journal.entries("j")) == 2


def test_an_interrupted_append_leaves_the_journal_usable(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from verify.job import memory

    with SqliteJournal(store) as journal:
        there = fill(journal, "j", (1,))

        def interrupted(*_: Any) -> Any:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(memory, "next_entry", interrupted)
            with pytest.raises(KeyboardInterrupt):
                journal.append("j", draft(2), expected_head=there[0].digest)
        assert journal.entries("j") == there
        journal.append("j", draft(2), expected_head=there[0].digest)


def test_reading_needs_no_store_and_makes_none(store: Path) -> None:
    with SqliteJournal(store, readonly=True) as journal:
        assert journal.jobs() == ()
        assert journal.entries("j") == ()
        assert not journal.has_evidence("0" * 64)
        with pytest.raises(UserError, match="there is none yet"):
            journal.find_job("j")
        with pytest.raises(ValueError, match="to be read"):
            journal.append("j", draft(1), expected_head=GENESIS)
        with pytest.raises(ValueError, match="to be read"):
            journal.put_setting("units", "us")
    assert not store.exists()


# Disks that do not do what they are told


def in_own_mounts(task: str, folder: Path) -> None:
    """Runs a task of disk_child in a mount namespace, which takes its mounts along at the end."""
    unshare = shutil.which("unshare")
    command = [unshare or "", "-m"] if os.getuid() == 0 else [unshare or "", "-r", "-m"]
    if unshare is None or subprocess.run([*command, "true"], capture_output=True).returncode:
        missing("a mount namespace (unshare -m)")
    done = subprocess.run(
        [*command, sys.executable, "-W", "error", "-m", "tests.job.disk_child", task, folder],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.stdout, done.returncode) == ("held\n", 0), done.stderr


@pytest.mark.parametrize("task", ["full", "readonly", "readonly_later"])
def test_a_full_or_locked_disk_is_one_clear_error_and_loses_nothing(
    tmp_path: Path, task: str
) -> None:
    in_own_mounts(task, tmp_path)


def test_a_database_that_may_not_grow_is_a_full_disk(store: Path) -> None:
    with SqliteJournal(store) as journal:
        there = fill(journal, "j", (1,))
        pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
        journal._db.execute(f"PRAGMA max_page_count = {pages}")
        large = draft(2, body={"step": "s", "attempt": 2, "outcome": "o", "values": "x" * 90_000})
        with pytest.raises(UserError, match="found a full disk"):
            journal.append("j", large, expected_head=there[0].digest, index={"title": "no"})
        assert journal.entries("j") == there
        assert [row["title"] for row in journal.jobs()] == ["car 1"]
        journal._db.execute("PRAGMA max_page_count = 1000000")
        journal.append("j", large, expected_head=there[0].digest)
        assert len(journal.entries("j")) == 2


def test_a_file_where_the_folder_should_be_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a letter")
    for place in (tmp_path / "file", tmp_path / "file" / "store"):
        with pytest.raises(UserError, match="a file where the store's folder should be"):
            SqliteJournal(place)
    with pytest.raises(UserError, match="a file where the store's folder should be"):
        SqliteJournal(tmp_path / "file", readonly=True)
    assert (tmp_path / "file").read_text() == "a letter"


def test_a_folder_where_the_database_should_be_is_said(store: Path) -> None:
    (store / DATABASE).mkdir(parents=True)
    with pytest.raises(UserError, match="cannot be opened"):
        SqliteJournal(store)


def test_a_newer_store_is_left_alone(store: Path) -> None:
    SqliteJournal(store).close()
    db = raw(store)
    db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    before = (store / DATABASE).read_bytes()
    for readonly in (False, True):
        with pytest.raises(UserError, match="install the newer keysback; nothing was changed"):
            SqliteJournal(store, readonly=readonly)
    assert (store / DATABASE).read_bytes() == before


def test_the_database_of_another_program_is_left_alone(store: Path) -> None:
    store.mkdir()
    db = raw(store)
    db.execute("CREATE TABLE songs (name TEXT)")
    db.close()
    before = (store / DATABASE).read_bytes()
    for readonly in (False, True):
        with pytest.raises(UserError, match="a database of another program"):
            SqliteJournal(store, readonly=readonly)
    assert (store / DATABASE).read_bytes() == before


def test_a_file_that_is_no_database_is_left_alone(store: Path) -> None:
    store.mkdir()
    (store / DATABASE).write_bytes(b"once upon a time " * 1000)
    with pytest.raises(UserError, match="a damaged store"):
        SqliteJournal(store)
    assert (store / DATABASE).read_bytes() == b"once upon a time " * 1000


def test_a_list_that_was_tampered_with_is_damage_and_can_be_rebuilt(store: Path) -> None:
    with SqliteJournal(store) as journal:
        fill(journal, "j", (1, 2))
        kept = journal.jobs()
        for text in ("title", "title\x1fx3", "answers\x1fimany", "\x1e"):
            journal._db.execute("UPDATE listing SET row = ?", (text,))
            with pytest.raises(UserError, match="the list of jobs"):
                journal.jobs()
        journal.rebuild_index(row_of)
        assert journal.jobs() == kept


def test_a_job_that_lost_its_last_entries_is_found(store: Path) -> None:
    with SqliteJournal(store) as journal:
        fill(journal, "j", (1, 2, 3))
        journal._db.execute("DROP TRIGGER entries_never_removed")
        journal._db.execute("DELETE FROM entries WHERE seq = 3")
        with pytest.raises(UserError, match="job j has 2 of its 3 entries"):
            journal.entries("j")


def test_damage_anywhere_is_a_clear_error_or_does_no_harm(store: Path, tmp_path: Path) -> None:
    """Never a traceback, and never an entry that differs from what was written."""
    with SqliteJournal(store) as journal:
        chain = fill(journal, "j", range(1, 30))
        wish, digest = private_draft(30, "Ada")
        chain = (*chain, journal.append("j", wish, expected_head=journal.head("j")))
        edition = hashlib.sha256(b"{}").hexdigest()
        journal.put_edition(edition, b"{}")
        journal.put_mapping("layout", {"RPM": "engine_speed"})
    sound = (store / DATABASE).read_bytes()
    chance = random.Random(20260304)
    outcomes: dict[str, int] = {}

    def tried(name: str, action: Callable[[], Any], expected: Any) -> None:
        try:
            found = action()
        except UserError:
            outcomes[f"{name} refused"] = outcomes.get(f"{name} refused", 0) + 1
            return
        if expected is not None:
            assert found in (expected, type(expected)()), name
        outcomes[f"{name} sound"] = outcomes.get(f"{name} sound", 0) + 1

    for n in range(250):
        damaged = bytearray(sound)
        for _ in range(chance.choice((1, 4, 40, 400))):
            damaged[chance.randrange(len(damaged))] = chance.randrange(256)
        if n % 5 == 0:
            del damaged[chance.randrange(len(damaged)) :]
        place = tmp_path / f"damaged-{n}"
        place.mkdir()
        (place / DATABASE).write_bytes(damaged)
        try:
            journal = SqliteJournal(place)
        except UserError:
            outcomes["store refused"] = outcomes.get("store refused", 0) + 1
            continue
        with journal:
            tried("entries", lambda j=journal: j.entries("j"), chain)
            tried("private", lambda j=journal: j.private(digest) or "", "Ada")
            tried("edition", lambda j=journal: j.edition(edition), b"{}")
            tried("jobs", journal.jobs, None)
            tried("find", lambda j=journal: j.find_job("j"), None)
            tried("mapping", lambda j=journal: j.mapping("layout"), None)
            tried("rebuild", lambda j=journal: j.rebuild_index(lambda _: {"a": 1}), None)
            tried(
                "append",
                lambda j=journal: j.append("k", draft(99), expected_head=GENESIS).seq,
                1,
            )
    assert outcomes["store refused"] > 5, outcomes
    assert outcomes["entries refused"] > 5, outcomes
    assert outcomes["entries sound"] > 5, outcomes


# Evidence


def test_evidence_that_changed_on_disk_is_found_on_reading(store: Path) -> None:
    with SqliteJournal(store) as journal, open(__file__, "rb") as stream:
        sha256 = journal.put_evidence(stream)
        path = store / "evidence" / sha256[:2] / sha256
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
        with pytest.raises(UserError, match=f"evidence {sha256} changed"):
            journal.open_evidence(sha256)
        with open(__file__, "rb") as again:
            assert journal.put_evidence(again) == sha256
        with journal.open_evidence(sha256) as mended:
            assert hashlib.sha256(mended.read()).hexdigest() == sha256


def test_only_old_leftovers_of_killed_programs_are_swept_away(store: Path) -> None:
    with SqliteJournal(store) as journal:
        (store / "evidence").mkdir()
        old, young = store / "evidence" / ".part-old", store / "evidence" / ".part-young"
        for path in (old, young):
            path.write_bytes(b"half")
        os.utime(old, (1, 1))
        with open(__file__, "rb") as stream:
            journal.put_evidence(stream)
    assert not old.exists()
    assert young.exists()


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "A" * 64, "0" * 63])
def test_evidence_has_no_other_names_than_hashes(store: Path, name: str) -> None:
    with SqliteJournal(store) as journal:
        for action in (journal.open_evidence, journal.has_evidence):
            with pytest.raises(ValueError, match="SHA-256"):
                action(name)


# Where it lies, and how fast it is there


def test_the_option_comes_before_the_variable_and_both_before_the_platform(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    environ = {"KEYSBACK_STORE": "~/jobs"}
    assert store_folder("here", environ) == str(tmp_path / "here")
    assert store_folder(None, environ) == str(tmp_path / "home" / "jobs")
    default = Path(store_folder(None, {"KEYSBACK_STORE": ""}))
    assert default.name == "keysback"
    assert tmp_path / "home" in default.parents
    for nonsense in ("", "  ", "a\0b"):
        with pytest.raises(UserError, match="--store"):
            store_folder(nonsense, environ)


@pytest.mark.parametrize("data_home", [None, "", "/srv/data", "relative/data"])
def test_the_platforms_place_is_the_one_platformdirs_names(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, data_home: str | None
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    if data_home is not None:
        monkeypatch.setenv("XDG_DATA_HOME", data_home)
    monkeypatch.delenv("KEYSBACK_STORE", raising=False)
    expected = platformdirs.user_data_dir("keysback", appauthor=False)
    assert store_folder(None, os.environ) == expected


def test_the_list_of_jobs_loads_nothing_heavy(store: Path) -> None:
    with SqliteJournal(store) as journal:
        fill(journal, "j", (1,))
    code = (
        "import sys\n"
        "from verify.job.journal import SqliteJournal\n"
        f"with SqliteJournal({str(store)!r}, readonly=True) as j: assert len(j.jobs()) == 1\n"
        "print(*sorted(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", f"import sys; sys.path[:0] = [{str(ROOT)!r}]\n{code}"],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(done.stdout.split())
    ours = {name for name in loaded if name.split(".")[0] == "verify"}
    assert ours == {
        *("verify", "verify.job", "verify.job.journal", "verify.job.disk", "verify.job.listing"),
        "verify.job.place",
        "verify.job.store_file",
    }
    heavy = {"json", "re", "typing", "dataclasses", "pathlib", "hashlib", "pydantic", "rich"}
    assert loaded & heavy == set()


def test_the_port_and_the_journal_in_memory_are_had_from_here() -> None:
    from verify.job import memory

    assert module.Journal is memory.Journal
    assert module.MemoryJournal is memory.MemoryJournal
    with pytest.raises(AttributeError):
        _ = module.Nothing
