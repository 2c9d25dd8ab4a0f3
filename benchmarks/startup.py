"""How fast the command opens: `--help`, and `jobs` on 1,000 jobs, against bare Python.

Goals: --help ≤ 2.5 × `python -c pass`; jobs ≤ 5 ×. Medians of interleaved runs in one go.
Run: python benchmarks/startup.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RUNS = 25
# What the installed command does: import the door and go through it.
DOOR = [sys.executable, "-c", "import sys; from verify.__main__ import main; sys.exit(main())"]


def store_with_jobs(folder: Path, count: int) -> None:
    """A store whose list holds `count` jobs, written through the journal itself."""
    sys.path.insert(0, str(ROOT))
    from verify.job.entry import GENESIS, Draft
    from verify.job.journal import SqliteJournal

    with SqliteJournal(folder) as journal:
        for number in range(count):
            body = {
                "flow": "small",
                "edition": "0" * 64,
                "audience": "owner",
                "mode": "as-work",
                "units": "metric",
            }
            draft = Draft("opened", body, "2031-01-01T00:00:00.000Z", "p-x", f"id-{number}", {})
            row = {"flow": "small", "title": "Small flow", "state": "at: The idle", "ending": ""}
            journal.append(f"j{number:05d}", draft, expected_head=GENESIS, index=row)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        store = Path(name) / "store"
        store_with_jobs(store, 1000)
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "keysback --help": [*DOOR, "--help"],
            "keysback jobs": [*DOOR, "jobs", "--store", str(store)],
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(RUNS):
            for label, command in commands.items():
                begin = time.perf_counter()
                subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
                times[label].append(time.perf_counter() - begin)
    base = statistics.median(times["python -c pass"])
    goals = {"python -c pass": 1.0, "keysback --help": 2.5, "keysback jobs": 5.0}
    for label, seen in times.items():
        middle = statistics.median(seen)
        met = "met" if middle / base <= goals[label] else "NOT MET"
        print(
            f"{label:<18}{middle * 1e3:8.1f} ms {middle / base:6.2f} ×  goal {goals[label]} × {met}"
        )


if __name__ == "__main__":
    main()
