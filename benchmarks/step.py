"""What a step of a job costs: one crossing of the machine, and the fold of a long job.

    python benchmarks/step.py

Prints medians of five runs, and exits with 1 where a bound does not hold:

- an entry folds in at most 4 × the time of one crossing of the machine (so the rules around it
  stay cheap);
- the cost of an entry does not grow with the length of the job: from 500 to 4,000 entries by at
  most a half;
- a job of 2,000 entries with 50 corrections, each with 29 answers taken up again, folds in at most
  ten times the time of one without.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from verify.flow.graph import (
    Branch,
    Condition,
    Ending,
    Graph,
    Look,
    Outcome,
    Step,
    View,
)
from verify.flow.machine import DraftMachine, draft_machine
from verify.job.entry import GENESIS, Draft, Entry, seal
from verify.job.session import DraftSession, fold
from verify.words import Audience, EndingKind, Group

STEPS = 300


def circle() -> Graph:
    """A long round of questions that is gone through again and again."""
    steps = {}
    for i in range(STEPS):
        on = f"s{(i + 1) % STEPS}"
        steps[f"s{i}"] = Step(
            name=f"s{i}",
            kind="ask",
            title=f"Step {i}",
            say="",
            branches=(
                Branch(Condition(Look(outcome=frozenset({"no"}), attempts=(1, 3))), on),
                Branch(Condition(Look(outcome=frozenset({"no"}), attempts=(3, None))), on),
                Branch(Condition(Look(outcome=frozenset({"cannot"}))), "diagnosis"),
                Branch(Condition(Look(outcome=frozenset({"yes"}))), on),
            ),
            labels=("yes", "no"),
            passes=frozenset({"yes"}),
            group=Group.SAFE,
        )
    endings = {
        "tow": Ending("tow", EndingKind.DO_NOT_DRIVE, "Tow", "…"),
        "diagnosis": Ending("diagnosis", EndingKind.BACK_TO_DIAGNOSIS, "Diagnosis", "…"),
    }
    audiences = (Audience.TECHNICIAN,)
    return Graph("circle", "Circle", "None.", audiences, "s0", "tow", steps, endings, {}, ())


def job(length: int, corrections: int = 0) -> tuple[Entry, ...]:
    """A job of `length` entries; each correction re-answers the answer 30 visits back, and the 29
    set aside are taken up again."""
    entries: list[Entry] = []
    walk: list[int] = []  # the entry of each live answer
    ready: list[int] = []  # what is set aside, next one last

    def put(kind: str, body: dict[str, object]) -> None:
        head = entries[-1].digest if entries else GENESIS
        draft = Draft(kind, body, "2031-05-01T08:00:00.000Z", "p", str(len(entries)), {})
        entries.append(seal("j", len(entries) + 1, draft, head))

    put("opened", {"flow": "circle", "edition": "e", "audience": "technician", "mode": "as-work",
                   "units": "metric"})  # fmt: skip
    yes = {"label": "yes", "grade": "told"}
    every = length // corrections if corrections else length + 1
    for number in range(2, length + 1):
        here = {"step": f"s{len(walk) % STEPS}", "attempt": len(walk) // STEPS + 1, "outcome": yes}
        if number % every == 0 and len(walk) > 30 and not ready:
            ready = walk[:-30:-1]
            del walk[-29:]
            at = len(walk) - 1
            here = {"step": f"s{at % STEPS}", "attempt": at // STEPS + 1, "outcome": yes}
            put("correction", {**here, "of": walk[-1], "reason": "0" * 64})
            walk[-1] = number
        elif ready:
            put("outcome", {**here, "from": ready[-1]})
            walk.append(ready.pop())
        else:
            put("outcome", here)
            walk.append(number)
    return tuple(entries)


def seconds(work: Callable[[], object]) -> float:
    runs = []
    for _ in range(5):
        begun = time.perf_counter()
        work()
        runs.append(time.perf_counter() - begun)
    return statistics.median(runs)


def bare(machine: DraftMachine, count: int) -> None:
    view = View(Audience.TECHNICIAN, {}, {})
    yes = Outcome("yes")
    for i in range(count):
        machine.target(f"s{i % STEPS}", yes, view)


def main() -> int:
    begun = time.perf_counter()
    machine = draft_machine(circle())
    print(f"machine of {STEPS} steps built in {(time.perf_counter() - begun) * 1e3:.1f} ms")
    crossing = seconds(lambda: bare(machine, 2000)) / 2000
    print(f"one crossing: {crossing * 1e6:.1f} µs")
    per_entry = {}
    for length in (500, 2000, 4000):
        entries = job(length)

        def work(entries: tuple[Entry, ...] = entries) -> DraftSession:
            return fold("j", entries, machine)

        assert len(work().walk) == length - 1
        per_entry[length] = seconds(work) / length
        print(f"fold of {length} entries: {per_entry[length] * 1e6:.1f} µs an entry, "
              f"{per_entry[length] * length * 1e3:.0f} ms in all")  # fmt: skip
    often = job(2000, corrections=100)
    corrected = seconds(lambda: fold("j", often, machine)) / 2000
    count = len(fold("j", often, machine).corrections)
    print(f"with {count} corrections: {corrected * 1e6:.1f} µs an entry")
    checks = {
        "rules around the crossing": (per_entry[2000] / crossing, 4.0),
        "growth from 500 to 4,000 entries": (per_entry[4000] / per_entry[500], 1.5),
        "corrected against straight": (corrected / per_entry[2000], 10.0),
    }
    for name, (ratio, bound) in checks.items():
        print(f"{name}: {ratio:.2f} × (at most {bound} ×)")
    return 0 if all(ratio <= bound for ratio, bound in checks.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
