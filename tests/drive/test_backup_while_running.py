"""Backups while somebody writes, and kill -9 at random instants of backup and restore."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.conftest import ROOT
from tests.drive.store_kills import check_one, evidence_of, row_of, wish
from tests.job.test_backup import everything, leftovers, tree
from verify.job.backup import restore_backup
from verify.job.entry import GENESIS
from verify.job.journal import SqliteJournal

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")

SEED = 20310304
WRITER = """
import sys
from pathlib import Path
from tests.drive.store_kills import write_until_killed
from verify.job.entry import GENESIS
write_until_killed(Path(sys.argv[1]), "job-0", 0, GENESIS, 1)
"""


def keysback(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "verify", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_a_backup_made_while_somebody_writes_holds_all_that_was_accepted_before_it(
    tmp_path: Path,
) -> None:
    store, said = tmp_path / "store", []
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, store], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    try:
        said.append(writer.stdout.readline())
        counts = []
        for number in range(6):
            # Everything acknowledged up to here must be in the backup that begins now.
            before = _drain(writer, said)
            done = keysback("backup", tmp_path / f"b-{number}.zip", "--store", store)
            assert (done.returncode, done.stderr) == (0, ""), done.stderr
            counts.append((before, number))
    finally:
        writer.kill()
        said += writer.stdout.read().splitlines()
        writer.stdout.close()
        writer.wait()
    with SqliteJournal(store, readonly=True) as journal:
        final = journal.entries("job-0")
    lengths = []
    for before, number in counts:
        place = tmp_path / f"again-{number}"
        restore_backup(str(tmp_path / f"b-{number}.zip"), str(place))
        with SqliteJournal(place) as journal:
            entries = journal.entries("job-0")
            assert entries == final[: len(entries)]
            assert len(entries) >= before
            for e in entries:
                check_one(journal, "job-0", e)
            kept = journal.jobs()
            journal.rebuild_index(row_of)
            assert journal.jobs() == kept
        lengths.append(len(entries))
    # The writer must have gone on all the while, or this shows nothing.
    assert lengths == sorted(set(lengths)), lengths
    assert len(final) > lengths[-1]


def _drain(writer: subprocess.Popen[str], said: list[str]) -> int:
    """How many answers the writer has said were accepted."""
    assert writer.stdout is not None
    os.set_blocking(writer.stdout.fileno(), False)
    while line := writer.stdout.readline():
        said.append(line)
    os.set_blocking(writer.stdout.fileno(), True)
    return int(said[-1].split()[1]) if said[-1].endswith("\n") else int(said[-2].split()[1])


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Enough that a kill falls into the copying as well."""
    import io

    folder = tmp_path / "store"
    with SqliteJournal(folder) as journal:
        head = GENESIS
        for number in range(1, 120):
            journal.put_evidence(io.BytesIO(evidence_of("j", number)))
            head = journal.append(
                "j", wish("j", number), expected_head=head, index={"title": "a van"}
            ).digest
    return folder


def _begun(place: Path, *words: object) -> tuple[subprocess.Popen[bytes], bool]:
    """The command, as soon as it has begun to write below `place`; whether it still runs then."""
    there = len(leftovers(place))
    child = subprocess.Popen(
        [sys.executable, "-m", "verify", *map(str, words)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while child.poll() is None:
        if len(leftovers(place)) > there:
            return child, True
        time.sleep(0.0005)
    return child, False


def _longest(place: Path, *words: object) -> float:
    """Seconds from the first byte it writes to its end, undisturbed."""
    child, runs = _begun(place, *words)
    assert runs
    begin = time.monotonic()
    assert child.wait() == 0
    return time.monotonic() - begin


def _killed_after(delay_s: float, place: Path, *words: object) -> bool:
    """Kills it so long after the first byte. Whether it was still at it.

    Counted from there, not from the start of the program, which takes longer than all the rest."""
    child, runs = _begun(place, *words)
    if runs:
        time.sleep(delay_s)
        child.send_signal(signal.SIGKILL)
    return child.wait() == -signal.SIGKILL


KILLS = 12


def test_a_killed_backup_leaves_the_store_untouched_and_no_half_backup(
    store: Path, tmp_path: Path
) -> None:
    chance, killed, halves, whole = random.Random(SEED), 0, 0, 0
    place = tmp_path / "backups"
    place.mkdir()
    longest_s = _longest(tmp_path, "backup", tmp_path / "first.zip", "--store", store)
    before, said = tree(store), everything(store)
    for number in range(KILLS):
        target = place / f"b-{number}.zip"
        there = len(leftovers(place))
        delay_s = longest_s * chance.uniform(0.0, 1.05)
        killed += _killed_after(delay_s, place, "backup", target, "--store", store)
        halves += len(leftovers(place)) > there
        if target.exists():
            whole += 1
            restore_backup(str(target), str(tmp_path / f"again-{number}"))
            assert everything(tmp_path / f"again-{number}") == said
    after = tree(store)
    # A finished backup is written down in the settings, and that is all that may have changed.
    assert {k: v for k, v in after.items() if k.startswith("evidence")} == {
        k: v for k, v in before.items() if k.startswith("evidence")
    }
    assert everything(store) == said
    assert all(p.name.startswith(("b-", ".keysback-part-")) for p in place.iterdir())
    assert killed > KILLS / 2, (killed, halves, whole)
    assert halves > 0, (killed, halves, whole)


def test_a_killed_restore_leaves_no_store_or_a_whole_one(store: Path, tmp_path: Path) -> None:
    chance, killed, halves = random.Random(SEED), 0, 0
    file, place = tmp_path / "b.zip", tmp_path / "places"
    place.mkdir()
    said = everything(store)
    assert keysback("backup", file, "--store", store).returncode == 0
    content = file.read_bytes()
    longest_s = _longest(tmp_path, "restore", file, "--store", tmp_path / "first")
    for number in range(KILLS):
        new = place / f"new-{number}"
        there = len(leftovers(place))
        delay_s = longest_s * chance.uniform(0.0, 1.05)
        killed += _killed_after(delay_s, place, "restore", file, "--store", new)
        halves += len(leftovers(place)) > there
        assert not new.exists() or everything(new) == said
    assert file.read_bytes() == content
    assert killed > KILLS / 2, (killed, halves)
    assert halves > 0, (killed, halves)
    assert keysback("restore", file, "--store", place / "last").returncode == 0
    assert everything(place / "last") == said
