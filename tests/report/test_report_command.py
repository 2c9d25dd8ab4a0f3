"""`keysback report` as a person runs it: what it writes, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.terminal.walks import keysback
from verify.terminal.cmd_report import times_in


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "store"
    made = keysback("demo", "--store", str(folder))
    assert made.returncode == 0, made.stderr
    return folder


@pytest.fixture(scope="module")
def job(store: Path) -> str:
    import json

    rows = json.loads(keysback("jobs", "--json", "--store", str(store)).stdout)
    return str(rows[0]["job"])


def test_a_report_is_written_where_it_is_said(store: Path, job: str, tmp_path: Path) -> None:
    for name, begins in (("a.pdf", b"%PDF-1."), ("a.html", b"<!DOCTYPE html>")):
        path = tmp_path / name
        done = keysback("report", job, "--store", str(store), "-o", str(path))
        assert done.returncode == 0, done.stderr
        assert done.stdout == f"Report for the customer: {path}\n"
        assert path.read_bytes().startswith(begins)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "a.pdf"]


def test_several_at_once_go_into_a_folder(store: Path, job: str, tmp_path: Path) -> None:
    done = keysback(
        "report", job, job[:4], "--for", "workshop", "--format", "html",
        "--store", str(store), "-o", str(tmp_path),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert [p.name for p in tmp_path.iterdir()] == [f"report-{job}-workshop.html"]


def test_a_report_leaves_the_store_as_it_was(store: Path, job: str, tmp_path: Path) -> None:
    def state() -> list[tuple[str, int, int]]:
        return sorted((str(p), p.stat().st_mtime_ns, p.stat().st_size) for p in store.rglob("*"))

    before = state()
    keysback("report", job, "--store", str(store), "-o", str(tmp_path / "x.pdf"))
    assert state() == before


@pytest.mark.parametrize(
    ("args", "found"),
    [
        (("nothing",), 'found "nothing"; expected a job of this store'),
        (("JOB", "-o", "no/such/x.pdf"), "found a folder that is not there"),
        (("JOB", "JOB", "-o", "x.pdf"), "Report for the customer"),
        (("JOB", "--zone", "Moon/Sea"), 'found "Moon/Sea"; expected a time zone'),
    ],
)
def test_what_cannot_be_is_refused_with_one_message(
    store: Path, job: str, tmp_path: Path, args: tuple[str, ...], found: str
) -> None:
    given = [a.replace("JOB", job) for a in args]
    if "-o" in given:
        given[-1] = str(tmp_path / given[-1])
    else:
        given += ["-o", str(tmp_path / "x.pdf")]
    done = keysback("report", *given, "--store", str(store))
    if done.returncode == 0:
        assert found in done.stdout, "the same job twice is one report"
        return
    assert done.returncode == 2
    assert found in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert list(tmp_path.rglob("*")) == [], "nothing is left half written"


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    folder = tmp_path / "none"
    done = keysback("report", "abc", "--store", str(folder), "-o", str(tmp_path / "x.pdf"))
    assert done.returncode == 2
    assert not folder.exists()


def test_a_place_that_is_a_folder_in_the_way_is_said(store: Path, job: str, tmp_path: Path) -> None:
    (tmp_path / "x.pdf.new").mkdir()
    done = keysback("report", job, "--store", str(store), "-o", str(tmp_path / "x.pdf"))
    assert done.returncode == 2
    assert "cannot be written" in done.stderr
    assert not (tmp_path / "x.pdf").exists()


def test_times_are_utc_unless_a_zone_is_named() -> None:
    assert times_in("UTC") is None
    shown = times_in("Asia/Kolkata")
    assert shown is not None
    # UTC+5:30 all the year round.
    assert shown("2031-03-04T22:45:00.000Z") == "2031-03-05 04:15 IST"
