"""Kills a program that writes to a store, again and again, and looks what is left.

python -m tests.drive.store_kills FOLDER KILLS SEED

A child appends answers, each with a piece of evidence and a personal value, and says each one to a
pipe when it has been accepted. At a random instant after its start it is killed (SIGKILL). The
next child first tries the answer again that was under way. Shows what a killed program can lose,
not what a power cut can: the system's own caches survive.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import signal
import sqlite3
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from verify.job.entry import GENESIS, Draft, Entry
from verify.job.journal import DATABASE, SqliteJournal

ROUNDS_PER_STORE = 25  # a fresh store now and then, so that its making is hit as well
ROUNDS_PER_JOB = 5
# A child lives for a random part of so long. Follows the machine, so that on a busy disk too the
# kills fall among answers and not all before the first.
LONGEST_S = 0.03
LONGEST_EVER_S = 0.3
FIRST = 0.2  # of it, for the first child of a store, so that the making of a store is hit


def evidence_of(job: str, number: int) -> bytes:
    return f"{job},{number}\n".encode() * (1 + number * 997 % 20_000)


def wish(job: str, number: int) -> Draft:
    salt, value = hashlib.sha256(f"{job}{number}".encode()).digest(), f"Ada {number}"
    digest = hashlib.sha256(salt + value.encode()).hexdigest()
    body = {
        "step": "warm-idle",
        "attempt": number,
        "outcome": "done",
        "evidence": [hashlib.sha256(evidence_of(job, number)).hexdigest()],
        "private": digest,
    }
    return Draft(
        "outcome",
        body,
        f"2026-03-04T08:00:00.{number:03d}Z",
        "p1",
        f"{job}-{number}",
        {digest: (salt, value)},
    )


def row_of(entries: tuple[Entry, ...]) -> dict[str, str | int]:
    return {"title": "a van", "answers": len(entries)}


def write_until_killed(store: Path, job: str, number: int, head: str, pipe: int) -> None:
    with SqliteJournal(store) as journal:
        while True:
            number += 1
            journal.put_evidence(io.BytesIO(evidence_of(job, number)))
            entry = journal.append(
                job,
                wish(job, number),
                expected_head=head,
                index={"title": "a van", "answers": number},
            )
            head = entry.digest
            os.write(pipe, f"{job} {entry.seq} {entry.digest}\n".encode())


@dataclass
class Account:
    """What the children said was accepted, and what their deaths met."""

    kills: int = 0
    acknowledged: int = 0
    unsaid: int = 0  # on disk, and killed before it could be said
    undone: int = 0  # killed with a rollback journal lying there
    half_evidence: int = 0  # killed while evidence was being written
    before_store: int = 0  # killed before there was a store
    leftovers: int = 0  # of half evidence, in the store of the day
    heads: dict[str, list[str]] = field(default_factory=dict)


def kill_once(store: Path, job: str, account: Account, delay_s: float) -> int:
    """One child from its start to its death; its acknowledgements go to the account.

    Returns how many there were."""
    said = account.heads.setdefault(job, [])
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.close(read_end)
            head = said[-1] if said else GENESIS
            write_until_killed(store, job, len(said), head, write_end)
        except BaseException as error:
            os.write(2, f"the child failed: {error!r}\n".encode())
        finally:
            os._exit(status)
    os.close(write_end)
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    with os.fdopen(read_end) as pipe:
        lines = pipe.read().splitlines()
    assert os.WIFSIGNALED(status), "the child ended before it was killed"
    for line in lines:
        name, seq, digest = line.split()
        said.append(digest)
        assert (name, int(seq)) == (job, len(said)), "an acknowledgement out of order"
    account.kills += 1
    account.acknowledged += len(lines)
    return len(lines)


def look(store: Path, job: str, account: Account) -> None:
    """Everything said is there, once and whole, and at most the one answer under way besides."""
    account.before_store += not (store / DATABASE).exists()
    account.undone += (store / f"{DATABASE}-journal").exists()
    leftovers = len(list((store / "evidence").glob(".part-*")))
    account.half_evidence += leftovers > account.leftovers
    account.leftovers = leftovers
    said = account.heads[job]
    # A lock that survived would be met here; nobody waits for it.
    with SqliteJournal(store, wait_s=0.0) as journal:
        entries = journal.entries(job)
        assert [e.digest for e in entries[: len(said)]] == said, "an acknowledged entry is lost"
        assert len(entries) - len(said) in (0, 1), "more than the answer under way was written"
        assert [e.body["attempt"] for e in entries] == list(range(1, len(entries) + 1))
        for e in entries[-3:]:
            check_one(journal, job, e)
        # What was being written has its name only if it is whole.
        under_way = hashlib.sha256(evidence_of(job, len(entries) + 1)).hexdigest()
        if journal.has_evidence(under_way):
            journal.open_evidence(under_way).close()
        account.unsaid += len(entries) - len(said)
        # Writable at once as well: no lock, and the row of the list stands.
        journal.put_setting("looked", str(account.kills))
        listed = {row["job"]: row["entries"] for row in journal.jobs()}
        assert listed.get(job, 0) == len(entries)


def check_one(journal: SqliteJournal, job: str, e: Entry) -> None:
    assert journal.private(e.body["private"]) == f"Ada {e.body['attempt']}"
    with journal.open_evidence(e.body["evidence"][0]) as stream:
        assert stream.read() == evidence_of(job, e.body["attempt"])


def look_at_all(store: Path, account: Account) -> None:
    """The whole store at its end: every job, every file, the database's own check."""
    with SqliteJournal(store) as journal:
        for job, said in account.heads.items():
            entries = journal.entries(job)
            assert [e.digest for e in entries[: len(said)]] == said
            for e in entries:
                check_one(journal, job, e)
        kept = journal.jobs()
        journal.rebuild_index(row_of)
        assert journal.jobs() == kept
    for path in (store / "evidence").glob("??/*"):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name
    db = sqlite3.connect(store / DATABASE)
    assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert db.execute("SELECT count(*) - count(DISTINCT append_id) FROM entries").fetchone() == (0,)
    db.close()


def run(folder: Path, kills: int, seed: int) -> Account:
    chance = random.Random(seed)
    account, longest_s = Account(), LONGEST_S
    store = folder
    for number in range(kills):
        if number % ROUNDS_PER_STORE == 0:
            if number:
                look_at_all(store, account)
            store = folder / f"store-{number}"
            account.heads.clear()
            account.leftovers = 0
        job = f"job-{number // ROUNDS_PER_JOB}"
        first = number % ROUNDS_PER_STORE == 0
        delay_s = chance.uniform(0.0, longest_s) * (FIRST if first else 1.0)
        lines = kill_once(store, job, account, delay_s)
        if lines == 0 and not first:
            longest_s = min(longest_s * 1.15, LONGEST_EVER_S)
        elif lines > 4:
            longest_s *= 0.9
        look(store, job, account)
    look_at_all(store, account)
    return account


if __name__ == "__main__":
    done = run(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
    figures = {k: v for k, v in vars(done).items() if k not in ("heads", "leftovers")}
    print(json.dumps(figures))
