"""What an accepted answer costs on disk, and the list of a thousand jobs.

Run: python benchmarks/append.py [FOLDER ON THE DISK IN QUESTION]

An answer is an append with its index row, for three sizes of answer; beside it, taking turns in
the same run, a bare commit of the same bytes by the sqlite3 module under the same settings. Both
medians, and their ratio, which shall be at most 1.3. `keysback jobs` is the job list alone in a
fresh process against `python -c pass` (at most 5 with its command line).
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from verify.job.entry import GENESIS, Draft, canonical, hide  # noqa: E402
from verify.job.journal import SqliteJournal  # noqa: E402

ROUNDS = 500
JOBS = 1000
SETTINGS = ("synchronous = EXTRA", "fullfsync = ON", "journal_mode = DELETE")

RESULT = {
    "check": "idle-speed",
    "version": 1,
    "verdict": "pass",
    "finding": "settled",
    "value": 712.3512345,
    "unit": "rpm",
    "uncertainty": 3.21234,
    "limits": {"lower": 600.0, "upper": 900.0, "source": "service information, page 12"},
    "probability": 0.9991234,
    "distribution": "t",
    "dof": 12.3,
    "samples": 143,
    "windows": [[12.5, 42.51], [61.2, 95.25]],
    "why": "the idle stayed within its limits over 64 s of warm standing idle",
    "settle": "",
}
ANSWER = {"step": "start.any-lamp", "attempt": 1, "outcome": "no"}
BODIES: dict[str, Mapping[str, Any]] = {
    "an answer": ANSWER,
    "an answer with personal data": ANSWER,
    "one verdict": {**ANSWER, "evidence": ["a" * 64], "results": [RESULT]},
    "four verdicts": {**ANSWER, "evidence": ["a" * 64], "results": [RESULT] * 4},
}


def index(number: int) -> dict[str, str | int]:
    return {
        "flow": "throttle-body-replaced",
        "title": "A throttle body was replaced",
        "step": "start.any-lamp",
        "mode": "as I work",
        "audience": "technician",
        "ending": "",
        "answers": number,
        "opened": "2026-03-04T08:00:00.000Z",
    }


def draft(number: int, body: Mapping[str, Any], secret: str = "") -> Draft:
    body = {**body, "attempt": number}
    private = {}
    if secret:
        digest, kept = hide(secret)
        body["private"], private = digest, {digest: kept}
    return Draft(
        "outcome", body, "2026-03-04T08:00:00.000Z", uuid.uuid4().hex, uuid.uuid4().hex, private
    )


def bare_commit(folder: Path) -> sqlite3.Connection:
    db = sqlite3.connect(folder / "bare.sqlite3", isolation_level=None)
    for setting in SETTINGS:
        db.execute(f"PRAGMA {setting}")
    db.execute("CREATE TABLE t (x TEXT NOT NULL) STRICT")
    return db


def size(wish: Draft, row: Mapping[str, Any]) -> int:
    """The bytes of an entry's fields, its personal values and its row in the list."""
    fields = len("job-1") + len(wish.time) + len(wish.person) + len(wish.kind) + 2 * 64 + 32
    private = sum(64 + 32 + len(value) for _, value in wish.private.values())
    return fields + private + len(canonical(wish.body)) + len(canonical(dict(row)))


def append_ratio(folder: Path, name: str) -> tuple[float, float]:
    """Median milliseconds of an append and of a bare commit of as many bytes, in turns."""
    secret = "Ada Example, 1 Mill Lane" if "personal" in name else ""
    ours, bare = [], []
    folder.mkdir()
    db = bare_commit(folder)
    with SqliteJournal(folder / "store") as journal:
        head = GENESIS
        for number in range(1, ROUNDS + 1):
            wish, row = draft(number, BODIES[name], secret), index(number)
            text = "x" * size(wish, row)
            start = time.perf_counter()
            head = journal.append("job-1", wish, expected_head=head, index=row).digest
            ours.append(time.perf_counter() - start)
            start = time.perf_counter()
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT INTO t VALUES (?)", (text,))
            db.execute("COMMIT")
            bare.append(time.perf_counter() - start)
    db.close()
    return statistics.median(ours) * 1e3, statistics.median(bare) * 1e3


def fresh_process(code: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - start) * 1e3


def list_ratio(folder: Path) -> tuple[float, float, float]:
    """Median milliseconds: jobs() itself, it in a fresh process, and `python -c pass`."""
    with SqliteJournal(folder) as journal:
        for number in range(JOBS):
            wish = draft(1, ANSWER)
            journal.append(f"job-{number}", wish, expected_head=GENESIS, index=index(number))
    code = (
        "from verify.job.journal import SqliteJournal\n"
        f"with SqliteJournal({str(folder)!r}, readonly=True) as j:\n"
        f"    assert len(j.jobs()) == {JOBS}\n"
    )
    inside, fresh, nothing = [], [], []
    with SqliteJournal(folder, readonly=True) as journal:
        for _ in range(25):
            start = time.perf_counter()
            journal.jobs()
            inside.append((time.perf_counter() - start) * 1e3)
            fresh.append(fresh_process(code))
            nothing.append(fresh_process("pass"))
    return statistics.median(inside), statistics.median(fresh), statistics.median(nothing)


def main(base: str | None) -> None:
    folder = Path(tempfile.mkdtemp(dir=base))
    report: dict[str, Any] = {}
    try:
        for number, name in enumerate(BODIES):
            ours, bare = append_ratio(folder / str(number), name)
            report[name] = {
                "bytes": size(draft(1, BODIES[name]), index(1)),
                "append_ms": round(ours, 3),
                "bare_commit_ms": round(bare, 3),
                "ratio": round(ours / bare, 3),
                "at_most": 1.3,
            }
        inside, fresh, nothing = list_ratio(folder / "many")
        report["list of 1,000 jobs"] = {
            "jobs_ms": round(inside, 2),
            "fresh_process_ms": round(fresh, 2),
            "python_ms": round(nothing, 2),
            "ratio": round(fresh / nothing, 2),
            "at_most": 5,
        }
    finally:
        shutil.rmtree(folder)
    print(json.dumps(report, indent=2))


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else None)
