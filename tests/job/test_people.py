"""People: what a store keeps of them, whatever it is made of; what a signature of theirs is worth;
and that a store of the first shape becomes one of today's, with a copy of what it was."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.contracts.journal import draft
from verify.errors import UserError
from verify.job import shape
from verify.job.entry import Entry, hide
from verify.job.journal import DATABASE, VERSION, Journal, MemoryJournal, SqliteJournal
from verify.job.jws import SigningKey
from verify.job.people import Key, Person, Purpose, Role, pick_person, why_not
from verify.job.session import fold
from verify.terminal.desk import machine_of

T1, T2, T3 = (f"2031-03-0{n}T08:00:00.000Z" for n in (1, 2, 3))
STORES = Path(__file__).with_name("stores")
RELEASED = sorted(STORES.glob("version-*.sqlite3"))


def public(number: int) -> bytes:
    return SigningKey(bytes([number]) * 32).public


NAME, KEPT = hide("Ada Example")
ADA = Person("p-ada", NAME, (Role.TECHNICIAN, Role.SIGNER), T1, keys=(Key(public(1), T1),))
BEN = Person("p-ben", "b" * 64, (Role.OWNER,), T2)


@pytest.fixture(params=["memory", "sqlite"])
def journal(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Journal]:
    made: Journal = (
        MemoryJournal() if request.param == "memory" else SqliteJournal(tmp_path / "store")
    )
    yield made
    made.close()


# What every store keeps


def test_people_come_back_as_they_were_put_in_the_order_they_came(journal: Journal) -> None:
    assert journal.people() == ()
    journal.put_person(BEN, {})
    journal.put_person(ADA, {NAME: KEPT})
    assert journal.people() == (ADA, BEN)
    assert journal.private(NAME) == "Ada Example"


def test_a_name_can_be_erased_and_the_person_stays(journal: Journal) -> None:
    journal.put_person(ADA, {NAME: KEPT})
    assert journal.erase_private([NAME]) == 1
    assert journal.people() == (ADA,)
    assert journal.private(NAME) is None


RETIRED_KEY = replace(ADA, keys=(Key(public(1), T1, T2), Key(public(2), T2)))
GONE = replace(ADA, retired=T2)


@pytest.mark.parametrize(
    "now",
    [RETIRED_KEY, GONE, replace(ADA, roles=(Role.SIGNER,)), ADA],
    ids=["another key", "retired", "another role", "the same"],
)
def test_what_is_new_about_a_person_is_kept(journal: Journal, now: Person) -> None:
    journal.put_person(ADA, {NAME: KEPT})
    journal.put_person(now, {})
    assert journal.people() == (now,)


@pytest.mark.parametrize(
    ("before", "now", "words"),
    [
        (ADA, replace(ADA, keys=()), "never taken away"),
        (ADA, replace(ADA, keys=(Key(public(2), T1),)), "never taken away"),
        (ADA, replace(ADA, keys=(Key(public(1), T2),)), "never taken away"),
        (RETIRED_KEY, ADA, "never taken away"),
        (
            RETIRED_KEY,
            replace(ADA, keys=(Key(public(1), T1), Key(public(2), T2, T3))),
            "a key that has retired stays so",
        ),
        (ADA, replace(ADA, keys=(*ADA.keys, Key(public(2), T2))), "one key in force"),
        (GONE, ADA, "retired stays so"),
        (GONE, replace(ADA, retired=T3), "retired stays so"),
        (ADA, replace(ADA, name="c" * 64), "stays who they are"),
        (ADA, replace(ADA, added=T3), "stays who they are"),
        (ADA, replace(ADA, roles=()), "has an id and roles"),
        (ADA, replace(ADA, roles=(Role.SIGNER, Role.SIGNER)), "roles, each once"),
        (ADA, replace(BEN, keys=ADA.keys), "belongs to one person"),
        (
            ADA,
            replace(BEN, keys=(Key(public(3), T1, T1), Key(public(3), T1))),
            "belongs to one person, once",
        ),
    ],
)
def test_nothing_is_taken_away(journal: Journal, before: Person, now: Person, words: str) -> None:
    journal.put_person(before, {})
    with pytest.raises(ValueError, match=words):
        journal.put_person(now, {})
    assert journal.people() == (before,)


def test_a_name_goes_with_its_own_salt_or_not_at_all(journal: Journal) -> None:
    with pytest.raises(ValueError, match="its salt and value"):
        journal.put_person(ADA, {NAME: (KEPT[0], "Eve Example")})
    assert journal.people() == ()


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DELETE FROM people", "never removed"),
        ("DELETE FROM keys", "never removed"),
        ("UPDATE people SET id = 'p-eve'", "stay who they are"),
        ("UPDATE people SET name = 'x'", "stay who they are"),
        ("UPDATE people SET retired = '' WHERE retired <> ''", "stay who they are"),
        ("UPDATE keys SET public = zeroblob(32)", "stay whose they are"),
        ("UPDATE keys SET person = 'p-eve'", "stay whose they are"),
        ("UPDATE keys SET retired = '' WHERE retired <> ''", "stay whose they are"),
        ("INSERT OR REPLACE INTO people VALUES ('p-ada', 'x', 'owner', '', '')", "stay who"),
        ("INSERT OR REPLACE INTO keys SELECT public, 'p-eve', 7, '', '' FROM keys", "stay whose"),
        ("INSERT OR REPLACE INTO keys VALUES (zeroblob(32), 'p-ada', 0, '', '')", "stay whose"),
        ("INSERT INTO keys VALUES (x'00', 'p-ada', 9, '', '')", "CHECK constraint"),
    ],
)
def test_the_database_itself_refuses_to_take_anything_away(
    tmp_path: Path, statement: str, words: str
) -> None:
    gone = replace(RETIRED_KEY, retired=T3)
    with SqliteJournal(tmp_path / "store") as journal:
        journal.put_person(gone, {})
    with (
        closing(sqlite3.connect(tmp_path / "store" / DATABASE, isolation_level=None)) as db,
        pytest.raises(sqlite3.IntegrityError, match=words),
    ):
        db.execute(statement)
    with SqliteJournal(tmp_path / "store", readonly=True) as journal:
        assert journal.people() == (gone,)


@pytest.mark.parametrize(
    "statement",
    ["UPDATE people SET roles = 'wizard'", "UPDATE people SET roles = x'00'"],
)
def test_a_role_that_nobody_has_is_damage(tmp_path: Path, statement: str) -> None:
    with SqliteJournal(tmp_path / "store") as journal:
        journal.put_person(ADA, {})
        journal._db.execute("PRAGMA ignore_check_constraints = ON")
        try:
            journal._db.execute(statement)
        except sqlite3.IntegrityError:
            return  # STRICT refuses it already
        with pytest.raises(UserError, match="damaged store"):
            journal.people()


# What people are good for


def test_who_has_retired_has_no_key_to_sign_with() -> None:
    assert ADA.key == ADA.keys[0]
    assert RETIRED_KEY.key == RETIRED_KEY.keys[1]
    assert GONE.key is None
    assert BEN.key is None


@pytest.mark.parametrize(
    ("roles", "purpose", "wanted", "expected"),
    [
        ("technician", Purpose.SITTING, "", "technician"),
        ("technician owner", Purpose.SITTING, "owner", "owner"),
        ("technician", Purpose.SITTING, "owner", "technician"),
        ("signer technician", Purpose.SITTING, "signer", "technician"),
        ("signer technician", Purpose.SIGN_OFF, "technician", "signer"),
        ("signer", Purpose.SITTING, "", None),
        ("technician owner", Purpose.SIGN_OFF, "", None),
    ],
)
def test_a_role_says_what_may_be_signed(
    roles: str, purpose: Purpose, wanted: str, expected: str | None
) -> None:
    person = replace(ADA, roles=tuple(map(Role, roles.split())))
    assert person.role_for(purpose, wanted) == expected


@pytest.mark.parametrize(
    ("people", "who", "key", "time", "words"),
    [
        ([ADA], "p-ada", 1, T3, ""),
        ([ADA], "p-eve", 1, T3, "does not know"),
        ([ADA], "p-ada", 2, T3, "does not know as theirs"),
        ([RETIRED_KEY], "p-ada", 1, T1, ""),
        ([RETIRED_KEY], "p-ada", 1, T2, ""),
        ([RETIRED_KEY], "p-ada", 1, T3, "after the key was retired"),
        ([RETIRED_KEY], "p-ada", 2, T3, ""),
        ([GONE], "p-ada", 1, T1, ""),
        ([GONE], "p-ada", 1, T3, "after its maker had retired"),
        ([], "p-ada", 1, T1, "does not know"),
    ],
)
def test_what_a_store_says_of_a_signature(
    people: list[Person], who: str, key: int, time: str, words: str
) -> None:
    found = why_not(people, who, public(key), time)
    assert words in found
    assert bool(found) == bool(words)


NAMES = {"p-abcd": "Ada Example", "p-abzz": "Ben Other", "p-xyzz": "Ada Other"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("p-abcd", "p-abcd"),
        ("p-abc", "p-abcd"),
        ("p-x", "p-xyzz"),
        ("ada  EXAMPLE ", "p-abcd"),
        ("Ben Other", "p-abzz"),
        ("ben", "p-abzz"),
        ("Ada E", "p-abcd"),
    ],
)
def test_a_person_is_meant_by_id_by_its_beginning_or_by_name(text: str, expected: str) -> None:
    assert pick_person(text, NAMES) == expected


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("p-ab", "means several people"),
        ("Ada", "means several people"),
        ("p-", "a person of this store"),
        ("", "a person of this store"),
        ("Ada Exampel", 'write "Ada Example'),
    ],
)
def test_who_is_not_clear_is_asked_back(text: str, words: str) -> None:
    with pytest.raises(UserError, match=words):
        pick_person(text, NAMES)


# Stores of before


@pytest.fixture(params=RELEASED, ids=lambda p: p.stem)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A store as a released shape wrote it."""
    store = tmp_path / "store"
    store.mkdir(mode=0o700)
    shutil.copy(request.param, store / DATABASE)
    os.chmod(store / DATABASE, 0o600)
    return store


def everything(journal: SqliteJournal) -> dict[str, tuple[Entry, ...]]:
    return {str(row["job"]): journal.entries(str(row["job"])) for row in journal.jobs()}


def test_there_is_a_store_of_each_shape_but_today_s() -> None:
    assert [p.stem for p in RELEASED] == [f"version-{n}" for n in range(1, VERSION)]


def test_an_older_store_is_brought_up_to_date_and_a_copy_kept(old: Path) -> None:
    before = (old / DATABASE).read_bytes()
    with SqliteJournal(old, readonly=True) as journal:
        entries = everything(journal)
        assert journal.people() == ()
        with pytest.raises(ValueError, match="opened to be read"):
            journal.put_person(ADA, {})
    assert (old / DATABASE).read_bytes() == before, "reading changes nothing"
    assert sorted(p.name for p in old.iterdir()) == [DATABASE]

    with SqliteJournal(old) as journal:
        assert everything(journal) == entries
        journal.put_person(ADA, {NAME: KEPT})
        assert journal.people() == (ADA,)
        for chain in entries.values():
            assert fold(chain[0].job, chain, machine_of(journal, chain)).history == chain
        job = next(iter(entries))
        journal.append(job, draft(9, append_id="new"), expected_head=entries[job][-1].digest)
    assert len(entries) == 2
    assert {e.kind for chain in entries.values() for e in chain} >= {"opened", "note", "paused"}

    copies = sorted(p.name for p in old.iterdir() if p.name != DATABASE)
    assert copies == [f"{DATABASE}.version-1"]
    copy = old / copies[0]
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    # The copy is a store in its own right.
    again = old.parent / "again"
    again.mkdir()
    shutil.copy(copy, again / DATABASE)
    with SqliteJournal(again, readonly=True) as journal:
        assert everything(journal) == entries


def test_a_store_is_brought_up_to_date_once(old: Path) -> None:
    SqliteJournal(old).close()
    copy = old / f"{DATABASE}.version-1"
    kept = copy.read_bytes(), copy.stat().st_mtime_ns
    SqliteJournal(old).close()
    assert (copy.read_bytes(), copy.stat().st_mtime_ns) == kept


def test_a_new_store_keeps_no_copy(tmp_path: Path) -> None:
    SqliteJournal(tmp_path / "store").close()
    assert [p.name for p in (tmp_path / "store").iterdir()] == [DATABASE]


@pytest.mark.parametrize("at", ["keep_copy", "migrate"])
def test_broken_off_the_store_is_as_it_was(
    old: Path, at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (old / DATABASE).read_bytes()
    done = getattr(shape, at)

    def breaks(*args: object) -> None:
        done(*args)
        raise KeyboardInterrupt

    monkeypatch.setattr(shape, at, breaks)
    with pytest.raises(KeyboardInterrupt):
        SqliteJournal(old)
    monkeypatch.undo()
    with SqliteJournal(old, readonly=True) as journal:
        assert journal._version() == 1
        assert len(everything(journal)) == 2
    assert (old / DATABASE).read_bytes() == before
    with SqliteJournal(old) as journal:
        assert journal._version() == VERSION


def test_where_no_copy_can_be_kept_nothing_is_changed(old: Path) -> None:
    before = (old / DATABASE).read_bytes()
    (old / f"{DATABASE}.version-1").mkdir()
    with pytest.raises(UserError):
        SqliteJournal(old)
    assert (old / DATABASE).read_bytes() == before


def test_what_is_forgotten_is_forgotten_in_the_copy_too(old: Path) -> None:
    with SqliteJournal(old) as journal:
        digests = [
            digest
            for chain in everything(journal).values()
            for e in chain
            for digest in {**e.body.get("private", {}), **e.body.get("car", {})}.values()
        ]
        values = [str(journal.private(d)) for d in digests]
        assert "Ada rang at nine" in values
        assert "KB 123 XY" in values
        files = [p for p in old.iterdir() if p.is_file()]
        assert len(files) == 2
        assert all(b"Ada rang at nine" in p.read_bytes() for p in files), "else nothing is shown"
        assert journal.erase_private(digests) == len(set(digests))
        for path in files:
            content = path.read_bytes()
            # (One was typed as a model too, which is not personal and stays.)
            left = [v for v in values if len(v) > 3 and v.encode() in content]
            assert left in ([], ["2031 Small 1.0"])
