"""backup, restore and forget as people call them."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from pathlib import Path

import pytest

from tests.terminal.test_commands import GOOD, jobs
from tests.terminal.walks import SMALL, idle_csv, keysback
from verify.job.entry import verify_chain
from verify.job.journal import DATABASE, SqliteJournal

PLATE = "KB12XYZ"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A job of one customer, whose story names another."""
    recording = idle_csv(tmp_path / "idle.csv")
    recording.write_text(f"# {PLATE}\n" + recording.read_text())
    story = GOOD.replace("It hunts", "It hunts, said Ada Lovelace")
    (tmp_path / "answers.yaml").write_text(story)
    folder = tmp_path / "store"
    words = ("--answers", str(tmp_path / "answers.yaml"), "--store", str(folder))
    run = keysback("open", str(SMALL), *words, "--car", PLATE)
    assert run.returncode == 0, run.stderr
    return folder


def job_of(store: Path) -> str:
    return str(jobs(store)[0]["job"])


def test_a_backup_and_its_way_back(store: Path, tmp_path: Path) -> None:
    place = tmp_path / "stick"
    place.mkdir()
    run = keysback("backup", str(place), "--store", str(store))
    assert (run.returncode, run.stderr) == (0, "")
    [file] = place.iterdir()
    assert file.name.startswith("keysback-2")
    assert file.suffix == ".zip"
    assert f"Backup made: {file}" in run.stdout
    assert "1 job with" in run.stdout
    assert "1 piece of evidence" in run.stdout
    assert "customers' data" in run.stdout

    again = tmp_path / "again"
    run = keysback("restore", str(file), "--store", str(again))
    assert (run.returncode, run.stderr) == (0, "")
    assert f"Restored: {again}" in run.stdout
    job = job_of(store)
    for words in (("jobs",), ("show", job, "--unmask"), ("note", job)):
        there, here = (keysback(*words, "--store", str(s)) for s in (again, store))
        assert there.stdout == here.stdout
        assert there.returncode == 0
    run = keysback("restore", str(file), "--store", str(again))
    assert run.returncode == 2
    assert "something in this place already" in run.stderr
    run = keysback("restore", str(tmp_path / "idle.csv"), "--store", str(tmp_path / "no"))
    assert run.returncode == 2
    assert len(run.stderr.splitlines()) == 3
    assert not (tmp_path / "no").exists()


def test_two_backups_within_a_second_have_two_names(store: Path, tmp_path: Path) -> None:
    place = tmp_path / "stick"
    place.mkdir()
    for _ in range(2):
        assert keysback("backup", str(place), "--store", str(store)).returncode == 0
    assert len(list(place.iterdir())) == 2


def test_damaged_evidence_is_said_and_the_rest_kept(store: Path, tmp_path: Path) -> None:
    [piece] = list((store / "evidence").glob("??/*"))
    piece.write_bytes(b"rot")
    run = keysback("backup", str(tmp_path / "b.zip"), "--store", str(store))
    assert run.returncode == 1
    assert "1 piece of evidence is damaged" in run.stderr
    assert piece.name in run.stderr
    assert (
        keysback("restore", str(tmp_path / "b.zip"), "--store", str(tmp_path / "n")).returncode == 0
    )


def test_no_store_no_backup_and_no_folder_made(tmp_path: Path) -> None:
    run = keysback("backup", str(tmp_path / "b.zip"), "--store", str(tmp_path / "none"))
    assert run.returncode == 2
    assert "no store here" in run.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_customer_is_found_masked_and_forgotten_after_a_yes(store: Path, tmp_path: Path) -> None:
    job = job_of(store)
    assert keysback("backup", str(tmp_path / "b.zip"), "--store", str(store)).returncode == 0
    before = (store / DATABASE).read_bytes()
    for typed in ("no\n", "\n", "erased\n"):
        run = keysback("forget", "kb 12-xyz", "--store", str(store), stdin=typed)
        assert run.returncode == 0, run.stderr
        assert "Nothing was erased." in run.stdout
        assert PLATE not in run.stdout
        assert "Found in the car." in run.stdout
        assert "1 recording stay; --recordings erases them too" in run.stdout
    assert (store / DATABASE).read_bytes() == before

    run = keysback("forget", "kb 12-xyz", "--store", str(store), stdin="erase\n")
    assert (run.returncode, run.stderr) == (0, "")
    assert "erased for good" in run.stdout
    assert "still stand in the recording" in run.stdout
    assert str(tmp_path / "b.zip") in run.stdout
    for path in [p for p in store.rglob("*") if p.is_file() and p.parent.parent.name != "evidence"]:
        for secret in (PLATE.encode(), b"Ada Lovelace"):
            assert secret not in path.read_bytes(), path

    account = keysback("show", job, "--unmask", "--store", str(store)).stdout
    assert "Car: (erased on request)" in account
    assert "said: (erased on request)" in account
    assert "Erased on request 20" in account
    note = keysback("note", job, "--store", str(store))
    assert note.returncode == 0
    assert "(erased on request)" in note.stdout
    assert "personal data erased on request" in keysback("jobs", "--store", str(store)).stdout
    machine = json.loads(keysback("show", job, "--json", "--store", str(store)).stdout)
    assert machine["erased"][0]["recordings"] == []
    with SqliteJournal(store) as journal:
        entries = journal.entries(job)
        verify_chain(entries)
        assert entries[-1].kind == "erased"
    kept = keysback("jobs", "--json", "--store", str(store)).stdout
    assert keysback("jobs", "--rebuild", "--store", str(store)).returncode == 0
    assert keysback("jobs", "--json", "--store", str(store)).stdout == kept

    run = keysback("forget", PLATE, "--yes", "--store", str(store))
    assert run.returncode == 2
    assert "no personal text with" in run.stderr


def test_recordings_go_on_request_and_the_account_still_stands(store: Path) -> None:
    job = job_of(store)
    whole = json.loads(keysback("show", job, "--json", "--store", str(store)).stdout)
    run = keysback("forget", "--job", job[:4], "--recordings", "--yes", "--store", str(store))
    assert (run.returncode, run.stderr) == (0, "")
    assert "1 recording" in run.stdout
    assert not any((store / "evidence").glob("??/*"))
    now = json.loads(keysback("show", job, "--json", "--store", str(store)).stdout)
    assert now["walk"] == whole["walk"]
    assert len(now["erased"][0]["recordings"]) == 1
    assert now["erased"][0]["recordings"][0] in json.dumps(now["walk"])
    assert keysback("show", job, "--plots", "--store", str(store)).returncode == 0
    again = keysback("forget", "--job", job, "--recordings", "--yes", "--store", str(store))
    assert again.returncode == 0
    assert "nothing was left to erase" in again.stdout


def test_what_forget_refuses(store: Path, tmp_path: Path) -> None:
    before = hashlib.sha256((store / DATABASE).read_bytes()).hexdigest()
    for words, said in [
        ((), "no name and no job"),
        (("Ada", "--job", "x"), "more than one wish"),
        (("ad",), "at least 3 letters or digits"),
        (("Grace Hopper",), 'no personal text with "Grace Hopper"'),
        (("--job", "nojob"), "a job of this store"),
        (("Ada Lovelace",), "nobody to ask"),
    ]:
        run = keysback("forget", *words, "--store", str(store))
        assert run.returncode == 2, words
        assert said in run.stderr
        assert "Traceback" not in run.stderr
    assert hashlib.sha256((store / DATABASE).read_bytes()).hexdigest() == before
    run = keysback("forget", "Ada Lovelace", "--yes", "--store", str(tmp_path / "none"))
    assert run.returncode == 2
    assert not (tmp_path / "none").exists()


def test_a_damaged_store_is_searched_by_nobody(store: Path) -> None:
    content = (store / DATABASE).read_bytes()
    shutil.rmtree(store / "evidence")
    (store / DATABASE).write_bytes(content[:4096] + b"\xa5" * (len(content) - 4096))
    run = keysback("forget", "Ada Lovelace", "--yes", "--store", str(store))
    assert run.returncode == 2
    assert "damaged store" in run.stderr
    assert len(run.stderr.splitlines()) == 3


def test_an_erasure_that_was_broken_off_is_brought_to_its_end(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed after the values were taken out and before the rest: the next call finishes."""
    from verify.terminal import cmd_forget

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    job = job_of(store)
    args = cmd_forget.parser().parse_args(["Ada Lovelace", "--yes", "--store", str(store)])
    with monkeypatch.context() as patch:
        patch.setattr("verify.job.shape.erase_in_copies", killed)
        with pytest.raises(KeyboardInterrupt):
            cmd_forget.run(args)
    with SqliteJournal(store) as journal:
        assert journal.entries(job)[-1].kind != "erased"
    run = keysback("forget", "somebody else", "--yes", "--store", str(store))
    assert "brought to its end" in run.stdout
    assert f"Job {job}: erased for good" in run.stdout
    assert run.returncode == 2, "and that somebody is not found"
    with SqliteJournal(store) as journal:
        last = journal.entries(job)[-1]
    assert last.kind == "erased"
    assert last.body["texts"] > 1
    run = keysback("forget", "somebody else", "--yes", "--store", str(store))
    assert "brought to its end" not in run.stdout


def test_files_of_answers_that_were_broken_off_can_be_erased(store: Path) -> None:
    with SqliteJournal(store) as journal:
        old, young = (journal.put_evidence(io.BytesIO(b)) for b in (b"old", b"young"))
        os.utime(store / "evidence" / old[:2] / old, (1, 1))
        named = journal.evidence_names()
    run = keysback("forget", "Ada Lovelace", "--yes", "--store", str(store))
    assert "No job names 2 pieces of evidence" in run.stdout
    run = keysback("forget", "--unnamed", "--yes", "--store", str(store))
    assert (run.returncode, run.stderr) == (0, "")
    assert "1 piece of evidence that no job named" in run.stdout
    with SqliteJournal(store) as journal:
        assert journal.evidence_names() == tuple(n for n in named if n != old)
        assert journal.has_evidence(young)
    run = keysback("forget", "--unnamed", "--yes", "--store", str(store))
    assert "named by a job" in run.stdout


# Paper


def test_a_card_is_written_and_named(tmp_path: Path) -> None:
    file = tmp_path / "card.html"
    run = keysback("flows", "card", str(SMALL), "-o", str(file))
    assert (run.returncode, run.stderr) == (0, "")
    assert f"Card written: {file}" in run.stdout
    assert "--mode afterwards" in run.stdout
    assert "for the technician" in file.read_text()
    words = ("--as", "owner", "--units", "us")
    assert keysback("flows", "card", str(SMALL), "-o", str(file), *words).returncode == 0
    assert "for the owner" in file.read_text()
    assert "size: letter" in file.read_text()
    assert [p.name for p in tmp_path.iterdir()] == ["card.html"]


def test_what_becomes_no_card(tmp_path: Path) -> None:
    file = tmp_path / "card.html"
    file.write_text("an older card")
    unproven = tmp_path / "unproven.yaml"
    text = SMALL.read_text()
    assert "hazards: [carbon-monoxide, rolling, runaway]" in text
    unproven.write_text(text.replace("hazards: [carbon-monoxide, rolling, runaway]", ""))
    for words, said in [
        ((str(unproven), "-o", str(file)), "hazard"),
        (("no-such-flow", "-o", str(file)), "a known flow"),
        ((str(SMALL), "-o", str(tmp_path / "no" / "card.html")), "cannot be written"),
        ((str(SMALL), "-o", str(tmp_path)), "cannot be written"),
    ]:
        run = keysback("flows", "card", *words)
        assert run.returncode == 2, words
        assert said in run.stderr
        assert "Traceback" not in run.stderr
    assert file.read_text() == "an older card"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["card.html", "unproven.yaml"]


def test_what_was_typed_in_from_a_card_says_so(tmp_path: Path) -> None:
    idle_csv(tmp_path / "idle.csv")
    (tmp_path / "answers.yaml").write_text(GOOD)
    words = ("--answers", str(tmp_path / "answers.yaml"), "--store", str(tmp_path / "store"))
    run = keysback("open", str(SMALL), *words, "--mode", "afterwards")
    assert run.returncode == 0, run.stderr
    account = keysback("show", job_of(tmp_path / "store"), "--store", str(tmp_path / "store"))
    assert "written down afterwards" in account.stdout
    assert "written down as the work went on" not in account.stdout
    note = keysback("note", job_of(tmp_path / "store"), "--store", str(tmp_path / "store"))
    assert note.stdout.splitlines()[0].endswith(", written afterwards")
    assert len(note.stdout) <= 1001
