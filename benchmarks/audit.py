"""What an audit costs: a job of 500 entries and 10 recordings.

    python benchmarks/audit.py [--minutes N] [--runs N]

An invented job is played in memory on a flow with ten recordings of N minutes at 10 Hz, its file
written, and then, taking turns in one process:

- floor: hashing its bytes (the file, and each piece of evidence unpacked) and computing its
  verdicts (reading each recording, putting the step's checks to it);
- audit: `verify.job.audit.audit` of the file.

Goal: audit ≤ 2 × floor (medians). Also the size of the file against 1.1 × its compressed evidence
+ 1 MB, and the peak of memory while evidence of 300 MB is written and checked against 64 MB.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import math
import random
import statistics
import sys
import time
import tracemalloc
import zlib
from collections.abc import Callable
from typing import Any

sys.path.insert(0, __file__.rsplit("/", 2)[0])

from verify.evidence.importers.port import read_recording
from verify.flow.load import text_to_flow
from verify.flow.machine import compile_flow
from verify.job import bodies
from verify.job.audit import audit
from verify.job.catalogue import catalogue
from verify.job.entry import hide
from verify.job.jobfile import write_jobfile
from verify.job.jobfile_read import JobFileReader
from verify.job.jobfile_zip import JobFileWriter
from verify.job.judge import judge_recordings
from verify.job.memory import MemoryJournal
from verify.job.numbers import spec_values
from verify.terminal.clock import PlayingClock, read_stamp
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.recordings import provenance
from verify.words import Audience

ENTRIES, RECORDINGS, GOAL = 500, 10, 2.0
CHECKS = "[idle-speed, idle-steady, no-stall, pedal-response, throttle-return, fuel-trim, surge]"
HEADER = (
    "time_s,engine_speed_rpm,vehicle_speed_kmh,coolant_degC,accelerator_pedal_percent,"
    "throttle_percent,short_term_fuel_trim_percent,long_term_fuel_trim_percent\n"
)


def flow_text() -> str:
    steps = "".join(
        f"""
  r{n}:
    kind: record
    title: Recording {n}
    say: Record it.
    does: [runs-engine]
    hazards: [carbon-monoxide, rolling]
    optional: one of many
    checks: {CHECKS}
    branches:
      - {{when: {{outcome: [fail, pass, undecided, cannot]}}, to: {next_of(n)}}}"""
        for n in range(RECORDINGS)
    )
    return f"""keysback_flow: 1
id: many-recordings
title: Many recordings
repair: A part was fitted.
audience: [technician]
start: r0
on_stop: stopped
specs:
  idle_speed: {{title: Warm idle speed, unit: rpm}}
steps:{steps}
endings:
  back: {{kind: back-to-diagnosis, title: Back, advice: Look again.}}
  stopped: {{kind: do-not-drive, title: Stopped, advice: Have it towed.}}
"""


def next_of(n: int) -> str:
    return f"r{n + 1}" if n + 1 < RECORDINGS else "back"


def recording(minutes: float, seed: int) -> bytes:
    """An idle with presses of the pedal every 20 s; invented."""
    rng, rows = random.Random(seed), [HEADER]
    rpm = 750.0
    for i in range(int(minutes * 600)):
        t = i / 10
        pedal = 33.0 if t % 20 < 5 else 0.0
        rpm += (750 + 40 * pedal - rpm) * 0.15
        noise = rng.gauss(0, 4)
        plate = 3 + pedal * 0.8
        trim = 2 * math.sin(t / 30) + rng.gauss(0, 0.8)
        rows.append(f"{t:.1f},{rpm + noise:.0f},0,90,{pedal:.1f},{plate:.1f},{trim:.1f},1.6\n")
    return "".join(rows).encode()


def job(minutes: float) -> Desk:
    loaded = text_to_flow(flow_text(), "benchmark", lambda name: None, catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "benchmark"))
    journal = MemoryJournal()
    journal.put_edition(loaded.edition, loaded.content)
    clock = PlayingClock(read_stamp("2031-03-04T08:00:00.000Z"))
    desk = Desk(journal, "bench", machine, clock, "p-bench")
    opened: dict[str, Any] = {"audience": Audience.TECHNICIAN, "mode": "as-work", "units": "metric"}
    desk.open(bodies.opened_body(machine, edition=loaded.edition, **opened), Secrets())
    number = {"name": "idle_speed", "text": "750", "unit": "rpm", "source": "common practice"}
    desk.write("spec", bodies.spec_body(desk.live(), **number))
    notes = (ENTRIES - 2 - RECORDINGS) // RECORDINGS + 1
    for n in range(RECORDINGS):
        session = desk.live()
        sha256 = journal.put_evidence(io.BytesIO(recording(minutes, n)))
        with journal.open_evidence(sha256) as stream:
            found = read_recording(stream, f"recording {n}")
        judged = judge_recordings(session.step(), [found], spec_values(session))
        how = {"evidence": [provenance(found)], "results": [r.to_json() for r in judged.results]}
        desk.write("outcome", bodies.outcome_body(session, judged.outcome, **how))
        while len(desk.session().history) < min(ENTRIES, 2 + (n + 1) * (notes + 1)):
            apart = Secrets()
            digest, apart.kept[digest] = hide("a note of some length, as people write them")
            desk.write_any("note", bodies.note_body(desk.session(), {"note": digest}), apart)
    return desk


def floor(data: bytes, desk: Desk) -> None:
    """Hashing the bytes and computing the verdicts, and no more."""
    hashlib.sha256(data).hexdigest()
    session = desk.session()
    specs = spec_values(session)
    for visit in session.walk:
        if visit.evidence is None:
            continue
        found = []
        for item in visit.evidence:
            with desk.journal.open_evidence(item["sha256"]) as stream:
                content = stream.read()
            hashlib.sha256(content).hexdigest()
            found.append(read_recording(io.BytesIO(content), "x", mapping=item["mapping"]))
        judge_recordings(session.graph.steps[visit.step], found, specs)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


class _Large(io.RawIOBase):
    """Rows of a table that nobody holds in memory."""

    def __init__(self, size: int) -> None:
        self._rows, self._left = recording(2, 1), size

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        out = (self._rows * (size // len(self._rows) + 1))[: min(size, self._left)]
        self._left -= len(out)
        return out


def memory_of(size: int) -> float:
    """Peak in MB while `size` bytes of evidence are written and checked."""
    import tempfile

    tracemalloc.start()
    with tempfile.TemporaryFile() as target:
        writer = JobFileWriter(target)  # type: ignore[arg-type]
        writer.add("evidence/" + "0" * 64, lambda: _Large(size))  # type: ignore[arg-type,return-value]
        writer.finish(None)
        reader = JobFileReader(target, "large")  # type: ignore[arg-type]
        reader.hash("evidence/" + "0" * 64)
        reader.sealed_hash()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def said(what: str, value: float, goal: float, unit: str) -> bool:
    met = value <= goal
    print(f"{what}: {value:.2f} {unit} (goal {goal:.2f}): {'met' if met else 'NOT met'}")
    return met


def main() -> int:
    options = argparse.ArgumentParser(description="What an audit costs.")
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--runs", type=int, default=5)
    args = options.parse_args()
    desk = job(args.minutes)
    target = io.BytesIO()
    how = {"made": "2031-03-05T08:00:00.000Z", "made_by": "benchmark"}
    write_jobfile(desk.journal, desk.session(), target, **how)
    data = target.getvalue()
    found = audit(io.BytesIO(data), "job.zip")
    print(found.sentence)
    assert not found.findings
    entries = len(desk.session().history)
    evidence = [desk.journal.open_evidence(s).read() for s in _evidence(desk)]
    print(f"{entries} entries, {len(evidence)} recordings, {sum(map(len, evidence)) / 1e6:.1f} MB")
    times: dict[str, list[float]] = {"floor": [], "audit": [], "quick": []}
    for _ in range(args.runs):
        times["floor"].append(seconds(lambda: floor(data, desk)))
        times["audit"].append(seconds(lambda: audit(io.BytesIO(data), "job.zip")))
        times["quick"].append(seconds(lambda: audit(io.BytesIO(data), "x", verdicts=False)))
    medians = {name: statistics.median(t) for name, t in times.items()}
    print(", ".join(f"{name} {t:.2f} s" for name, t in medians.items()))
    good = said("audit / floor", medians["audit"] / medians["floor"], GOAL, "×")
    packed = sum(len(zlib.compress(e, 6)) for e in evidence) / 1e6
    good &= said("size of the file", len(data) / 1e6, 1.1 * packed + 1, "MB")
    good &= said("memory with 300 MB of evidence", memory_of(300_000_000), 64, "MB")
    return 0 if good else 1


def _evidence(desk: Desk) -> list[str]:
    return [i["sha256"] for v in desk.session().walk for i in v.evidence or ()]


if __name__ == "__main__":
    sys.exit(main())
