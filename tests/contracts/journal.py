"""What every journal must do, whatever it is made of. Inherit, and give a `journal` fixture."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from verify.errors import UserError
from verify.job.entry import GENESIS, Draft, Entry, hide
from verify.job.journal import Journal

SALT = bytes(range(32))


def draft(number: int = 1, *, append_id: str = "", **changes: Any) -> Draft:
    """An answer as a front end would append it."""
    body = {"step": "warm-idle", "attempt": number, "outcome": "done"}
    plain = Draft(
        kind="outcome",
        body=body,
        time=f"2026-03-04T08:{number % 60:02d}:00.000Z",
        person="p1",
        append_id=append_id or f"id-{number}",
        private={},
    )
    return replace(plain, **changes)


def private_draft(number: int, value: str) -> tuple[Draft, str]:
    digest, kept = hide(value)
    return (
        draft(number, kind="note", body={"private": digest}, private={digest: kept}),
        digest,
    )


def fill(journal: Journal, job: str, numbers: Iterable[int]) -> tuple[Entry, ...]:
    for n in numbers:
        journal.append(
            job,
            draft(n, append_id=f"{job}-{n}"),
            expected_head=journal.head(job),
            index={"title": f"car {n}", "answers": n},
        )
    return journal.entries(job)


def row_of(entries: tuple[Entry, ...]) -> dict[str, str | int]:
    """The row that `fill` gives, made from the entries."""
    last = entries[-1].body["attempt"]
    return {"title": f"car {last}", "answers": last}


class JournalContract:
    # Entries

    def test_a_new_job_starts_from_genesis_and_its_entries_form_a_chain(
        self, journal: Journal
    ) -> None:
        assert journal.head("j1") == GENESIS
        assert journal.entries("j1") == ()
        first = journal.append("j1", draft(1), expected_head=GENESIS)
        second = journal.append("j1", draft(2), expected_head=first.digest)
        assert (first.seq, first.previous) == (1, GENESIS)
        assert (second.seq, second.previous) == (2, first.digest)
        assert journal.entries("j1") == (first, second)
        assert journal.head("j1") == second.digest

    def test_jobs_do_not_mix(self, journal: Journal) -> None:
        fill(journal, "j1", (1, 2))
        fill(journal, "j2", (7,))
        assert [e.body["attempt"] for e in journal.entries("j1")] == [1, 2]
        assert [e.body["attempt"] for e in journal.entries("j2")] == [7]

    def test_what_is_read_is_what_was_appended(self, journal: Journal) -> None:
        body = {
            "step": "gänge \u0000\u2028\U0001f697",
            "attempt": 1,
            "outcome": "done",
            "results": [{"value": 0.1 + 0.2, "u": 1e-300, "n": None, "ok": True, "deep": [[]]}],
            "values": {"big": 1e20, "whole": 3.0, "negative": -0.0},
        }
        given = journal.append("j1", draft(body=body), expected_head=GENESIS)
        assert journal.entries("j1") == (given,)
        assert given.body == body

    def test_a_writer_with_an_old_head_is_refused_and_nothing_is_written(
        self, journal: Journal
    ) -> None:
        there = fill(journal, "j1", (1, 2))
        with pytest.raises(UserError, match="somebody else wrote to this job meanwhile"):
            journal.append("j1", draft(3), expected_head=there[0].digest, index={"title": "no"})
        with pytest.raises(UserError, match="resume it"):
            journal.append("j1", draft(3), expected_head=GENESIS)
        with pytest.raises(UserError, match="somebody else"):
            journal.append("new", draft(3), expected_head=there[0].digest)
        assert journal.entries("j1") == there
        assert not journal.job_exists("new")
        assert [row["title"] for row in journal.jobs()] == ["car 2"]

    def test_a_retry_returns_the_first_entry_and_does_not_double(self, journal: Journal) -> None:
        first = journal.append("j1", draft(1), expected_head=GENESIS)
        assert journal.append("j1", draft(1), expected_head=GENESIS) == first
        journal.append("j1", draft(2), expected_head=first.digest)
        assert journal.append("j1", draft(1), expected_head=GENESIS) == first
        assert len(journal.entries("j1")) == 2

    @pytest.mark.parametrize(
        "other",
        [
            draft(2, append_id="id-1"),
            draft(1, time="2026-03-04T09:00:00.000Z"),
            draft(1, person="p2"),
            draft(1, kind="paused", body={}),
        ],
        ids=["body", "time", "person", "kind"],
    )
    def test_an_append_id_does_not_serve_twice(self, journal: Journal, other: Draft) -> None:
        first = journal.append("j1", draft(1), expected_head=GENESIS)
        with pytest.raises(ValueError, match="append_id"):
            journal.append("j1", other, expected_head=first.digest)
        assert journal.entries("j1") == (first,)

    def test_an_append_id_does_not_serve_two_jobs(self, journal: Journal) -> None:
        journal.append("j1", draft(1), expected_head=GENESIS)
        with pytest.raises(ValueError, match="append_id"):
            journal.append("j2", draft(1), expected_head=GENESIS)
        assert not journal.job_exists("j2")

    @pytest.mark.parametrize(
        "wrong",
        [
            draft(kind="gossip"),
            draft(body={"step": "s"}),
            draft(body={"step": "s", "attempt": float("nan"), "outcome": "done"}),
            draft(body={"step": "s", "attempt": 2**60, "outcome": "done"}),
            draft(body={"step": "\ud800", "attempt": 1, "outcome": "done"}),
            draft(private={"0" * 64: (SALT, "Ada")}),
            draft(private={hashlib.sha256(b"Ada").hexdigest(): (b"", "Ada")}),
        ],
        ids=["kind", "fields", "nan", "integer", "surrogate", "digest", "salt"],
    )
    def test_a_draft_that_no_program_may_write_leaves_nothing(
        self, journal: Journal, wrong: Draft
    ) -> None:
        with pytest.raises(ValueError):
            journal.append("j1", wrong, expected_head=GENESIS)
        assert not journal.job_exists("j1")
        assert journal.jobs() == ()

    # Lists

    def test_the_list_says_where_each_job_stands_last_changed_first(self, journal: Journal) -> None:
        fill(journal, "j1", (1, 2))
        fill(journal, "j2", (9,))
        assert journal.jobs() == (
            {
                "job": "j2",
                "entries": 1,
                "changed": "2026-03-04T08:09:00.000Z",
                "title": "car 9",
                "answers": 9,
            },
            {
                "job": "j1",
                "entries": 2,
                "changed": "2026-03-04T08:02:00.000Z",
                "title": "car 2",
                "answers": 2,
            },
        )

    def test_jobs_are_found_by_what_stands_in_an_entry(self, journal: Journal) -> None:
        fill(journal, "j2", (9, 30))
        fill(journal, "j1", (1, 2))
        assert journal.jobs_naming("warm-idle") == ("j1", "j2")
        assert journal.jobs_naming('"attempt":30') == ("j2",)
        assert journal.jobs_naming("%") == ()
        assert journal.jobs_naming_some(("warm-idle", '"attempt":30', "x"), 2) == ("j2",)
        assert journal.jobs_naming_some(("warm-idle", '"attempt":30', "x"), 1) == ("j1", "j2")
        assert journal.jobs_naming_some((), 1) == ()

    def test_a_job_without_index_is_listed_and_no_index_keeps_the_row(
        self, journal: Journal
    ) -> None:
        first = journal.append("j1", draft(1), expected_head=GENESIS)
        assert [(r["job"], r["entries"], len(r)) for r in journal.jobs()] == [("j1", 1, 3)]
        second = journal.append("j1", draft(2), expected_head=first.digest, index={"a": "b"})
        journal.append("j1", draft(3), expected_head=second.digest)
        assert [(r["entries"], r["a"]) for r in journal.jobs()] == [(3, "b")]

    @pytest.mark.parametrize(
        "index",
        [{"job": "x"}, {"entries": 3}, {"a": True}, {"a": 1.5}, {"a": None}, {"a": "\ud800"}],
        ids=str,
    )
    def test_a_row_that_lists_cannot_hold_is_refused(self, journal: Journal, index: Any) -> None:
        with pytest.raises(ValueError):
            journal.append("j1", draft(1), expected_head=GENESIS, index=index)
        assert not journal.job_exists("j1")

    def test_the_rebuilt_list_equals_the_kept_one(self, journal: Journal) -> None:
        for n in range(5):
            fill(journal, f"j{n}", range(1, n + 2))
        kept = journal.jobs()
        journal.rebuild_index(lambda _: {"wrong": 1})
        assert journal.jobs() != kept
        journal.rebuild_index(row_of)
        assert journal.jobs() == kept

    def test_a_rebuild_that_fails_leaves_the_list_as_it_was(self, journal: Journal) -> None:
        fill(journal, "j1", (1,))
        fill(journal, "j2", (2,))
        kept = journal.jobs()

        def fails(entries: tuple[Entry, ...]) -> dict[str, str | int]:
            if entries[0].job == "j2":
                raise RuntimeError("no row")
            return {}

        with pytest.raises(RuntimeError):
            journal.rebuild_index(fails)
        assert journal.jobs() == kept

    def test_a_job_is_found_by_its_beginning(self, journal: Journal) -> None:
        for job in ("kilo-1", "kilo-22", "lima-1"):
            fill(journal, job, (1,))
        assert journal.find_job("l") == "lima-1"
        assert journal.find_job("kilo-2") == "kilo-22"
        assert journal.find_job("kilo-1") == "kilo-1"
        with pytest.raises(UserError, match="begins 2 jobs"):
            journal.find_job("kilo")

    def test_a_whole_name_is_itself_even_where_it_begins_others(self, journal: Journal) -> None:
        for job in ("kilo", "kilo-2"):
            fill(journal, job, (1,))
        assert journal.find_job("kilo") == "kilo"

    def test_an_unknown_job_is_answered_with_the_nearest(self, journal: Journal) -> None:
        with pytest.raises(UserError, match="there is none yet"):
            journal.find_job("kilo")
        fill(journal, "kilo-bravo-1", (1,))
        with pytest.raises(UserError, match='write "kilo-bravo-1"'):
            journal.find_job("kilo-brave-1")
        with pytest.raises(UserError, match='write "kilo-bravo-1"'):
            journal.find_job("killo")
        for text in ("zzz", "", "%", "kilo%", "*"):
            with pytest.raises(UserError, match="a job of this store"):
                journal.find_job(text)

    # Personal data

    def test_personal_data_can_be_forgotten_and_the_chain_still_holds(
        self, journal: Journal
    ) -> None:
        wish, digest = private_draft(1, "Ada, 07700 900123")
        entry = journal.append("j1", wish, expected_head=GENESIS)
        assert journal.private(digest) == "Ada, 07700 900123"
        assert journal.erase_private([digest, "f" * 64]) == 1
        assert journal.private(digest) is None
        assert journal.erase_private([digest]) == 0
        assert journal.entries("j1") == (entry,)
        assert journal.append("j1", wish, expected_head=GENESIS) == entry
        assert journal.private(digest) is None

    def test_two_entries_may_speak_of_one_value(self, journal: Journal) -> None:
        wish, digest = private_draft(1, "Ada")
        first = journal.append("j1", wish, expected_head=GENESIS)
        journal.append("j1", replace(wish, append_id="again"), expected_head=first.digest)
        assert journal.private(digest) == "Ada"

    # Editions, evidence, mappings, settings

    def test_an_edition_is_kept_under_its_hash(self, journal: Journal) -> None:
        content = b'{"id":"throttle"}'
        sha256 = hashlib.sha256(content).hexdigest()
        journal.put_edition(sha256, content)
        journal.put_edition(sha256, content)
        assert journal.edition(sha256) == content
        with pytest.raises(ValueError, match="SHA-256"):
            journal.put_edition("0" * 64, content)
        with pytest.raises(UserError, match="no edition 000000000000"):
            journal.edition("0" * 64)

    @pytest.mark.parametrize("size", [0, 1, (1 << 20) + 17], ids=["empty", "one", "long"])
    def test_evidence_comes_back_byte_for_byte(self, journal: Journal, size: int) -> None:
        content = (b"time,rpm\r\n\x00\xff" * (size // 12 + 1))[:size]
        sha256 = journal.put_evidence(io.BytesIO(content))
        assert sha256 == hashlib.sha256(content).hexdigest()
        assert journal.put_evidence(io.BytesIO(content)) == sha256
        assert journal.has_evidence(sha256)
        with journal.open_evidence(sha256) as stream:
            assert stream.read() == content

    def test_evidence_can_be_erased_and_is_then_missed_clearly(self, journal: Journal) -> None:
        sha256 = journal.put_evidence(io.BytesIO(b"a photo"))
        assert journal.erase_evidence([sha256, "0" * 64]) == 1
        assert not journal.has_evidence(sha256)
        with pytest.raises(UserError, match="no evidence"):
            journal.open_evidence(sha256)

    def test_a_source_that_fails_leaves_no_evidence(self, journal: Journal) -> None:
        class Broken(io.BytesIO):
            def read(self, size: int | None = -1, /) -> bytes:
                raise OSError("the stick was pulled")

        with pytest.raises(OSError, match="the stick was pulled"):
            journal.put_evidence(Broken(b"x"))
        assert not journal.has_evidence(hashlib.sha256(b"").hexdigest())

    def test_mappings_and_settings_are_remembered(self, journal: Journal) -> None:
        assert journal.mapping("layout") is None
        journal.put_mapping("layout", {"Drehzahl (1/min)": "engine_speed"})
        journal.put_mapping("layout", {"Drehzahl (1/min)": "engine_speed", "Notiz": "-"})
        assert journal.mapping("layout") == {"Drehzahl (1/min)": "engine_speed", "Notiz": "-"}
        assert journal.setting("units") is None
        journal.put_setting("units", "metric")
        journal.put_setting("units", "us")
        assert journal.setting("units") == "us"
