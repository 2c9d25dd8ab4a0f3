"""A recording that comes back in another form is known by its readings, at the real command."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.conftest import real_recording
from tests.outside.test_real_judge import ROUND_ROBIN
from tests.terminal.test_people_command import Shop
from tests.terminal.test_signoff_command import TO_FOLLOW, typed
from tests.terminal.walks import idle_csv
from verify.job.journal import SqliteJournal

TO_IDLE = TO_FOLLOW[:-3]


@pytest.fixture
def shop(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> Shop:
    return Shop(tmp_path, capsys, monkeypatch)


def plain(text: str) -> str:
    return " ".join(text.split())


def again(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return str(path)


def forms(data: bytes) -> dict[str, bytes]:
    """The same recording in other bytes."""
    lines = data.decode().splitlines()
    head, rows = lines[0].split(","), [line.split(",") for line in lines[1:]]
    byte = data.rindex(b",90,") + 2
    return {
        "one byte": data[:byte] + b"1" + data[byte + 1 :],
        "line ends": data.replace(b"\n", b"\r\n"),
        "blank lines": data.replace(b"\n", b"\n\n", 40),
        "columns": "\n".join(",".join([r[0], *reversed(r[1:])]) for r in (head, *rows)).encode(),
        "numbers": "\n".join(
            [lines[0], *(",".join(f"{float(c):.2f}" for c in r) for r in rows)]
        ).encode(),
        "trimmed": "\n".join([lines[0], *lines[1 + len(rows) // 10 :]]).encode(),
    }


NAMES = ("one byte", "line ends", "blank lines", "columns", "numbers", "trimmed")


@pytest.mark.parametrize("form", NAMES)
def test_the_same_readings_are_not_judged_together_with_themselves(
    shop: Shop, tmp_path: Path, form: str
) -> None:
    short = idle_csv(tmp_path / "short.csv", seconds=25)
    other = again(tmp_path / "other.csv", forms(short.read_bytes())[form])
    new = str(idle_csv(tmp_path / "new.csv", seconds=25, rpm=753))
    undecided = ["1", str(short), "1", "750 rpm", "sheet", "1"]
    code, out, err = shop.open(stdin=typed(*TO_IDLE, *undecided, "1", other, "1", new, "1"))
    assert (code, err) == (0, "")
    out = plain(out)
    assert "found the recording that was given at “The idle”, in another file: for" in out
    assert "its engine speed is the same, reading for reading" in out
    assert "expected readings that were not given before: the same ones count once" in out
    visits = [v for v in shop.show()["walk"] if v["step"] == "idle"]
    assert [len(v["evidence"]) for v in visits] == [1, 2]
    assert visits[-1]["outcome"]["label"] == "pass"


def test_an_old_recording_in_new_bytes_proves_nothing_later(shop: Shop, tmp_path: Path) -> None:
    files = [str(idle_csv(tmp_path / f"{n}.csv", seconds=12, rpm=750 + 5 * n)) for n in range(3)]
    first = ["1", files[0], "1", "750 rpm", "sheet", "1"]
    rest = [line for path in files[1:] for line in ("1", path, "1")]
    shop.open(stdin=typed(*TO_IDLE, *first, *rest))
    assert "proof to follow" in shop.run("jobs")[1]
    other = again(tmp_path / "other.csv", Path(files[1]).read_bytes().replace(b"\n", b"\r\n"))
    code, out, _ = shop.run("resume", shop.job(), "--lines", stdin=typed("1", "1", other, "!pause"))
    assert code == 0
    assert "in another file: for 12 s" in plain(out)
    assert "expected a new one: proof that follows is made after all" in plain(out)


def test_two_real_drives_of_one_car_are_taken(shop: Shop, tmp_path: Path) -> None:
    """And the first of them again, with one byte changed, is not."""
    one, two = (real_recording(sha256) for sha256 in ROUND_ROBIN[1:3])
    data = one.read_bytes()
    at = data.rindex(b",", 0, len(data) // 2) + 1
    other = again(tmp_path / "other.csv", data[:at] + b"9" + data[at + 1 :])
    # Without the car's idle speed nothing is decided, so that the step is asked again.
    walk = ["1", str(one), "3", "1", "1", other, "1", str(two), "1", "!pause"]
    code, out, err = shop.open(stdin=typed(*TO_IDLE, *walk))
    assert (code, err) == (0, "")
    assert plain(out).count("the same, reading for reading") == 1
    visits = [v for v in shop.show()["walk"] if v["step"] == "idle"]
    digests = [{item["sha256"] for item in v["evidence"]} for v in visits]
    assert digests == [{ROUND_ROBIN[1]}, set(ROUND_ROBIN[1:3])]


@pytest.mark.parametrize("form", NAMES)
def test_a_signer_sees_that_a_file_repeats_that_of_another_job(
    shop: Shop, tmp_path: Path, form: str
) -> None:
    """Of another car, and in other bytes."""
    one = idle_csv(tmp_path / "one.csv", seconds=60)
    other = again(tmp_path / "other.csv", forms(one.read_bytes())[form])
    for path in (str(one), other):
        shop.open(stdin=typed(*TO_IDLE, "1", path, "1", "750 rpm", "sheet", "1"))
    with SqliteJournal(shop.store, readonly=True) as journal:
        first, second = [str(r["job"]) for r in reversed(journal.jobs())]
    for job, elsewhere in ((first, second), (second, first)):
        out = plain(shop.run("signoff", job, "--points")[1])
        words = f"holds the readings of one that was used in job {elsewhere}, in another form."
        assert f"GRAVE 1 The file behind “The idle” {words}" in out
