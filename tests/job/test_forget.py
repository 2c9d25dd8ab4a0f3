"""Forgetting a customer: nothing of them is left in any file, and every chain still verifies."""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.contracts.journal import draft, private_draft
from verify.errors import UserError
from verify.job.entry import GENESIS, hide
from verify.job.forget import (
    Gone,
    Holding,
    erase,
    holdings,
    pattern_of,
    planned,
    summary,
    unnamed,
)
from verify.job.journal import DATABASE, Journal, MemoryJournal, SqliteJournal

NAME, PLATE, VIN = "Ada Lovelace", "KB 12-XYZ", "1M8GDM9AXKP042788"
WORDS = "it hunts at the lights, said Ada Lovelace"
PICTURE, SHARED = b"\xff\xd8\xff her drive", b"time,rpm\n0,700\n"
RECORDING = b"# " + VIN.encode() + b"\ntime,rpm\n0,750\n"


def fill(journal: Journal) -> None:
    """Three jobs: two of Ada's, one of somebody else that shares a recording with hers."""
    for job, plate, recordings in (
        ("ada-1", PLATE, (RECORDING, SHARED)),
        ("ada-2", VIN, ()),
        ("bob-1", "BB 34 OTH", (SHARED,)),
    ):
        digest, kept = hide(plate)
        body = {"flow": "f", "edition": "0" * 64, "audience": "owner", "mode": "as-work"}
        body |= {"units": "us", "car": {"car": digest}, "model": "a model"}
        wish = draft(1, append_id=f"{job}-1", kind="opened", body=body, private={digest: kept})
        head = journal.append(job, wish, expected_head=GENESIS).digest
        for number, content in enumerate(recordings, start=2):
            sha256 = journal.put_evidence(io.BytesIO(content))
            body = {"step": "idle", "attempt": number, "outcome": "done"}
            body["evidence"] = [{"kind": "recording", "sha256": sha256}]
            wish = draft(number, append_id=f"{job}-{number}", body=body)
            head = journal.append(job, wish, expected_head=head).digest
        if job == "ada-1":
            sha256 = journal.put_evidence(io.BytesIO(PICTURE))
            photo, kept_photo = hide(sha256)
            words, kept_words = hide(WORDS)
            body = {"step": "see", "attempt": 1, "outcome": "done"}
            body["private"] = {"photo": photo, "answer": words}
            wish = draft(8, append_id=f"{job}-8", body=body)
            wish = replace(wish, private={photo: kept_photo, words: kept_words})
            head = journal.append(job, wish, expected_head=head).digest
        note, _ = private_draft(9, "call back on Monday")
        note = replace(note, append_id=f"{job}-9", body={"private": {"text": note.body["private"]}})
        journal.append(job, note, expected_head=head, index={"title": "a car"})


@pytest.fixture(params=["memory", "sqlite"])
def journal(request: pytest.FixtureRequest, tmp_path: Path):  # type: ignore[no-untyped-def]
    made = MemoryJournal() if request.param == "memory" else SqliteJournal(tmp_path / "store")
    fill(made)
    yield made
    made.close()


def found(journal: Journal, words: str) -> dict[str, Holding]:
    return {h.job: h for h in holdings(journal, pattern_of(words)) if h.found_in}


@pytest.mark.parametrize(
    ("words", "jobs"),
    [
        ("KB 12-XYZ", {"ada-1"}),
        ("kb12xyz", {"ada-1"}),
        ("K B 1 2 x.y.z", {"ada-1"}),
        ("1m8gdm9axkp042788", {"ada-2"}),
        ("ada lovelace", {"ada-1"}),
        ("lovelace", {"ada-1"}),
        ("Monday", {"ada-1", "ada-2", "bob-1"}),
        ("love", set()),
        ("12-XYZ", {"ada-1"}),
        ("KB 12 XY", set()),
        ("[a-z]+.*x", set()),
        ("a model", set()),
    ],
)
def test_jobs_are_found_by_words_however_they_are_written(
    journal: Journal, words: str, jobs: set[str]
) -> None:
    assert set(found(journal, words)) == jobs


@pytest.mark.parametrize("words", ["", "ab", " -- ", "x-1", "\0"])
def test_words_that_would_find_half_the_shop_are_refused(words: str) -> None:
    with pytest.raises(UserError, match="at least 3 letters or digits"):
        pattern_of(words)


def test_what_stands_openly_in_entries_is_named(journal: Journal) -> None:
    there = holdings(journal, pattern_of("a model"))
    assert {h.job: h.plain for h in there} == dict.fromkeys(
        ("ada-1", "ada-2", "bob-1"), ("opened model",)
    )
    assert not any(h.found_in for h in there)


def test_what_a_job_holds_is_told(journal: Journal) -> None:
    ada = found(journal, NAME)["ada-1"]
    assert summary(ada) == {"texts": 3, "pictures": 1, "recordings": 2}
    assert sorted(ada.texts.values()) == ["answer", "car", "photo", "text"]
    assert ada.found_in == ("answer",)
    assert len(ada.shared) == 1


@pytest.mark.parametrize("recordings", [False, True])
def test_what_is_erased_is_gone_and_the_rest_stays(journal: Journal, recordings: bool) -> None:
    before = {job: journal.entries(job) for job in ("ada-1", "ada-2", "bob-1")}
    everybody = holdings(journal)
    chosen = [h for h in everybody if h.job.startswith("ada")]
    gone = planned(chosen, everybody, recordings=recordings)
    erase(journal, chosen, everybody, recordings=recordings)
    own = {h.job: h for h in chosen}["ada-1"]
    taken = tuple(sorted(own.recordings - own.shared)) if recordings else ()
    assert gone == {"ada-1": Gone(3, 1, taken), "ada-2": Gone(2, 0, ())}
    # Entries are read through the chain: this raises where one does not verify.
    assert {job: journal.entries(job) for job in before} == before
    assert all(journal.private(d) is None for h in chosen for d in h.texts)
    assert not any(map(journal.has_evidence, own.pictures))
    assert [journal.has_evidence(s) for s in sorted(own.recordings - own.shared)] == [
        not recordings
    ]
    assert all(map(journal.has_evidence, own.shared)), "another job names it"
    bob = next(h for h in holdings(journal) if h.job == "bob-1")
    assert summary(bob) == {"texts": 2, "pictures": 0, "recordings": 1}
    again = holdings(journal)
    assert planned([h for h in again if h.job == "ada-2"], again, recordings=recordings) == {}
    erase(journal, [h for h in again if h.job == "ada-1"], again, recordings=recordings)
    assert holdings(journal) == again


def test_evidence_that_no_job_names_is_found(journal: Journal) -> None:
    loose = journal.put_evidence(io.BytesIO(b"of an answer that was broken off"))
    everybody = holdings(journal)
    named = [sha256 for h in everybody for sha256 in h.pictures | h.recordings]
    assert unnamed([*named, loose], everybody) == (loose,)


def test_a_recording_goes_when_every_job_that_names_it_is_forgotten(journal: Journal) -> None:
    everybody = holdings(journal)
    erase(journal, everybody, everybody, recordings=True)
    assert [summary(h) for h in holdings(journal)] == [
        {"texts": 0, "pictures": 0, "recordings": 0}
    ] * 3


def test_the_names_of_people_who_work_here_are_not_a_customer_s(tmp_path: Path) -> None:
    from verify.job.people import Person, Role

    with SqliteJournal(tmp_path / "store") as journal:
        fill(journal)
        digest, kept = hide(NAME)
        person = Person("p-1", digest, (Role.TECHNICIAN,), "2031-03-04T08:00:00.000Z")
        journal.put_person(person, {digest: kept})
        everybody = holdings(journal, pattern_of(NAME))
        erase(journal, [h for h in everybody if h.found_in], everybody, recordings=True)
        assert journal.private(digest) == NAME


@pytest.mark.parametrize("recordings", [False, True])
def test_no_byte_of_it_is_left_in_any_file_of_the_store(tmp_path: Path, recordings: bool) -> None:
    store = tmp_path / "store"
    with SqliteJournal(store) as journal:
        fill(journal)
    with closing(sqlite3.connect(store / DATABASE)) as db:
        rows = db.execute("SELECT digest, salt, value FROM private").fetchall()
    with SqliteJournal(store) as journal:
        everybody = holdings(journal)
        chosen = [h for h in everybody if h.job.startswith("ada")]
        secrets = [
            secret
            for digest, salt, value in rows
            if any(digest in h.texts for h in chosen)
            for secret in (salt, value.encode(), value.encode("utf-16-le"))
        ]
        # The note is Bob's too, word for word, with another salt.
        secrets = [s for s in secrets if b"call back" not in s and b"c\0a\0l\0l" not in s]
        assert len(secrets) >= 12
        everything = b"".join(p.read_bytes() for p in store.rglob("*") if p.is_file())
        assert all(s in everything for s in secrets if b"\0" not in s), "or nothing is shown"
        erase(journal, chosen, everybody, recordings=recordings)
        left = [p for p in store.rglob("*") if p.is_file()]
        assert any(p.name == DATABASE for p in left)
        for path in left:
            content = path.read_bytes()
            hits = [s for s in secrets if s in content]
            if not recordings and content == RECORDING:
                assert hits == [VIN.encode()]
            else:
                assert hits == [], path.name
        assert not any(PICTURE in p.read_bytes() for p in left)
