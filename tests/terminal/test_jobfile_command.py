"""`keysback jobfile` and `keysback audit`, the real commands, on the demo's job."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from tests.job.jobfiles import OTHER_KEY, forged, members, with_key
from tests.terminal.walks import keysback
from verify.job.journal import SqliteJournal


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "store"
    played = keysback("demo", "--store", str(folder))
    assert played.returncode == 0, played.stderr
    return folder


@pytest.fixture(scope="module")
def job(store: Path) -> str:
    with SqliteJournal(store, readonly=True) as journal:
        (row,) = journal.jobs()
    return str(row["job"])


@pytest.fixture(scope="module")
def signed(store: Path, job: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of the demo's job, signed by somebody who was added for it."""
    folder = tmp_path_factory.mktemp("file")
    environ = {**os.environ, "KEYSBACK_KEYS": str(folder / "keys"), "KEYSBACK_PASSPHRASE": ""}
    where = ("--store", str(store))
    added = keysback("people", "add", "Robin", "--role", "signer", *where, env=environ)
    assert added.returncode == 0, added.stderr
    file = folder / "van.zip"
    made = keysback("jobfile", job, "-o", str(file), "--by", "Robin", *where, env=environ)
    assert made.returncode == 0, made.stderr
    assert "Names, plates and pictures are not in it" in made.stdout
    (folder / "said.txt").write_text(made.stdout)
    return file


def fingerprint(signed: Path) -> str:
    said = (signed.parent / "said.txt").read_text()
    return re.findall(r"(?m)^  ([A-Za-z0-9_-]{43})$", said)[0]


def test_the_demo_holds_to_whoever_trusts_the_maker(signed: Path) -> None:
    done = keysback("audit", str(signed), "--trust", fingerprint(signed))
    assert done.returncode == 0, done.stdout + done.stderr
    said = " ".join(done.stdout.split())
    assert said.startswith("HOLDS: unchanged since the trusted key signed it; all ")
    assert "verdicts come out the same." in said
    assert "This job is the demo; no car stood behind it." in said


def test_an_audit_fits_a_small_terminal(signed: Path) -> None:
    lines = keysback("audit", str(signed)).stdout.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 78
    assert lines[0].startswith(
        "HOLDS TOGETHER: unchanged since it was signed, by a key you did not"
    )


def test_every_entry_is_told_of(signed: Path) -> None:
    done = keysback("audit", str(signed), "--entries")
    value = json.loads(keysback("audit", str(signed), "--json").stdout)
    entries = done.stdout[done.stdout.index("Entries:") :]
    for e in value["entries"]:
        assert re.search(rf"(?m)^[✓·✗] {e['seq']} {re.escape(e['time'])} {e['kind']}", entries)
    assert value["holds"] is True
    assert sum(value["verdicts"].values()) >= 10
    assert any("since-clear: same" in e["texts"] for e in value["entries"])


def test_a_changed_file_exits_with_one_and_says_where(signed: Path, tmp_path: Path) -> None:
    data = bytearray(signed.read_bytes())
    data[len(data) // 2] ^= 0x10
    (tmp_path / "changed.zip").write_bytes(data)
    done = keysback("audit", str(tmp_path / "changed.zip"))
    assert done.returncode == 1
    assert done.stdout.startswith("DOES NOT HOLD. Seal: The file was changed after it was sealed.")
    assert "Traceback" not in done.stderr


def test_a_forged_file_exits_with_one(signed: Path, tmp_path: Path) -> None:
    parts = members(signed.read_bytes())
    name = next(n for n in parts if n.startswith("evidence/"))
    changed = forged(with_key({**parts, name: parts[name] + b"\n"}))
    (tmp_path / "forged.zip").write_bytes(changed)
    done = keysback("audit", str(tmp_path / "forged.zip"), "--quick")
    assert done.returncode == 1
    assert "holds other bytes than its name says" in " ".join(done.stdout.split())


def test_what_is_no_job_file_exits_with_two_and_one_message(tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_bytes(b"PK\x03\x04 nothing of ours")
    for name in ("x.zip", "missing.zip"):
        done = keysback("audit", str(tmp_path / name))
        assert done.returncode == 2
        assert done.stdout == ""
        assert done.stderr.count("found ") == 1
        assert "Traceback" not in done.stderr


def test_an_audit_writes_nothing(signed: Path, tmp_path: Path) -> None:
    (tmp_path / "here").mkdir()
    before = sorted(p.name for p in signed.parent.iterdir())
    environ = {**os.environ, "TMPDIR": str(tmp_path / "here")}
    assert keysback("audit", str(signed), env=environ).returncode == 0
    assert list((tmp_path / "here").iterdir()) == []
    assert sorted(p.name for p in signed.parent.iterdir()) == before


def test_a_wrong_fingerprint_is_refused_and_another_key_is_a_finding(signed: Path) -> None:
    short = keysback("audit", str(signed), "--trust", "abcd-efgh")
    assert short.returncode == 2
    assert "--trust" in short.stderr
    other = keysback("audit", str(signed), "--trust", OTHER_KEY.kid)
    assert other.returncode == 1
    assert other.stdout.startswith("DOES NOT HOLD. Trust: Nothing in this file is signed by a key")


def test_a_file_that_is_there_is_not_written_over(store: Path, job: str, tmp_path: Path) -> None:
    file = tmp_path / "job.zip"
    file.write_bytes(b"mine")
    done = keysback("jobfile", job, "-o", str(file), "--unsigned", "--store", str(store))
    assert done.returncode == 2
    assert "a file that is there already" in done.stderr
    assert file.read_bytes() == b"mine"
    forced = keysback(
        "jobfile", job, "-o", str(file), "--unsigned", "--force", "--store", str(store)
    )
    assert forced.returncode == 0, forced.stderr
    assert "NOT SIGNED" in forced.stdout
    assert [p.name for p in tmp_path.iterdir()] == ["job.zip"]


def test_a_folder_that_is_not_there_leaves_nothing(store: Path, job: str, tmp_path: Path) -> None:
    to = tmp_path / "nowhere" / "job.zip"
    done = keysback("jobfile", job, "-o", str(to), "--unsigned", "--store", str(store))
    assert done.returncode == 2
    assert "a file that cannot be written" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_recordings_left_out_are_said_and_no_failure(store: Path, job: str, tmp_path: Path) -> None:
    to = tmp_path / "job.zip"
    made = keysback(
        *("jobfile", job, "-o", str(to), "--unsigned", "--without-evidence", "--store", str(store))
    )
    assert "recordings are not in it (left out)" in made.stdout
    done = keysback("audit", str(to))
    assert done.returncode == 0
    assert "with their bytes withheld" in " ".join(done.stdout.split())
    assert "not recomputable, hash kept" in " ".join(done.stdout.split())


def test_a_report_goes_along_and_is_sealed(store: Path, job: str, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    page.write_text("<!doctype html>\n<title>Report</title>")
    to = tmp_path / "job.zip"
    words = ("jobfile", job, "-o", str(to), "--unsigned", "--store", str(store))
    assert keysback(*words, "--report", str(page)).returncode == 0
    assert members(to.read_bytes())["report.html"] == page.read_bytes()
    assert keysback("audit", str(to), "--quick").returncode == 0
    page.write_text("no page at all")
    refused = keysback(*words, "--force", "--report", str(page))
    assert refused.returncode == 2
    assert "a file that is no report" in refused.stderr


def test_personal_values_go_along_only_when_asked_for(
    store: Path, job: str, tmp_path: Path
) -> None:
    to = tmp_path / "job.zip"
    words = ("jobfile", job, "-o", str(to), "--unsigned", "--store", str(store))
    made = keysback(*words, "--with-personal")
    assert made.returncode == 0, made.stderr
    assert "PERSONAL VALUES" in made.stdout
    rows = json.loads(members(to.read_bytes())["personal.json"])
    assert rows
    done = keysback("audit", str(to), "--quick")
    assert done.returncode == 0
    assert f"{len(rows)} personal values are in the file, as salted" in done.stdout
    assert keysback(*words, "--force").returncode == 0
    assert "personal.json" not in members(to.read_bytes())


def test_the_report_is_in_the_file_and_holds_no_personal_word_unless_asked(
    store: Path, job: str, signed: Path, tmp_path: Path
) -> None:
    with SqliteJournal(store, readonly=True) as journal:
        complaint = next(
            str(journal.private(e.body["private"]["answer"]))
            for e in journal.entries(job)
            if e.kind == "outcome" and e.body["step"] == "complaint"
        )
    page = members(signed.read_bytes())["report.html"].decode()
    assert "left out of this file" in page
    assert complaint not in page
    assert "idle-speed" in page
    where = ("--store", str(store), "--unsigned")
    told, bare = tmp_path / "told.zip", tmp_path / "bare.zip"
    assert keysback("jobfile", job, "-o", str(told), "--with-personal", *where).returncode == 0
    assert complaint in members(told.read_bytes())["report.html"].decode()
    assert keysback("jobfile", job, "-o", str(bare), "--without-report", *where).returncode == 0
    assert not [name for name in members(bare.read_bytes()) if name.startswith("report")]
