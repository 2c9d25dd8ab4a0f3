"""What a report costs: the whole command, one of many, and against what it stands on.

Goals: a report of three pages and six pictures ≤ 3 s as a whole command and ≤ 0.7 s each when many
are made. Measured on the demo's job for the workshop, which has more of both; pages and pictures
are printed beside. Each of many is (time for five jobs − time for one) / 4, five different jobs in
one process. Medians of interleaved runs in one go; baselines: `python -c "import numpy, pyarrow,
matplotlib.figure"`, and typst setting an empty page in a fresh process.
Run: python benchmarks/report.py
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))
RUNS, JOBS = 5, 5
GOAL_S, GOAL_EACH_S = 3.0, 0.7
KEYSBACK = [sys.executable, "-m", "verify"]
LIBRARIES = [sys.executable, "-c", "import numpy, pyarrow, matplotlib.figure"]
EMPTY_PAGE = [sys.executable, "-c", "import typst; typst.compile(b'', format='pdf')"]


def seconds(command: Sequence[str]) -> tuple[float, float]:
    """(on the clock, of a processor): on a busy machine they differ."""
    begin, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - begin, used


def size_of(store: Path, job: str) -> tuple[int, int]:
    """(pages, pictures) of the workshop's report."""
    import io

    import pypdf

    from verify.report.document import Stage
    from verify.report.pdf import to_pdf
    from verify.terminal.cmd_report import report_of
    from verify.terminal.desk import open_store

    with open_store(str(store), readonly=True) as journal:
        report = report_of(journal, job, "workshop")
    stages = [b for s in report.sections for b in s.blocks if isinstance(b, Stage)]
    pages = len(pypdf.PdfReader(io.BytesIO(to_pdf(report))).pages)
    return pages, sum(len(s.figures) for s in stages)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        store, out = Path(name) / "store", Path(name)
        where = ["--store", str(store)]
        for _ in range(JOBS):
            seconds([*KEYSBACK, "demo", "--fresh", *where])
        listed = subprocess.run(
            [*KEYSBACK, "jobs", "--json", *where], cwd=ROOT, capture_output=True, check=True
        )
        jobs = [row["job"] for row in json.loads(listed.stdout)]
        pages, pictures = size_of(store, jobs[0])
        write = [*KEYSBACK, "report", "--for", "workshop", *where, "-o", str(out)]
        times: dict[str, list[tuple[float, float]]] = {}
        for _ in range(RUNS):
            for label, command in {
                "libraries": LIBRARIES,
                "an empty page": EMPTY_PAGE,
                "one for the workshop": [*write, jobs[0]],
                "one as HTML": [*write, jobs[0], "--format", "html"],
                "one for the customer": [*KEYSBACK, "report", *where, "-o", str(out), jobs[0]],
                "five at once": [*write, *jobs],
            }.items():
                times.setdefault(label, []).append(seconds(command))
    middle = {label: statistics.median(clock for clock, _ in seen) for label, seen in times.items()}
    used = {label: statistics.median(cpu for _, cpu in seen) for label, seen in times.items()}
    print(f"the workshop's report: {pages} pages, {pictures} pictures")
    for label, taken in middle.items():
        ratio = taken / middle["libraries"]
        print(f"{label:<22}{taken:6.2f} s  {ratio:5.2f} × libraries  processor {used[label]:.2f} s")
    each = (middle["five at once"] - middle["one for the workshop"]) / (JOBS - 1)
    whole = middle["one for the workshop"]
    print(
        f"whole command {whole:.2f} s (goal ≤ {GOAL_S}): {'met' if whole <= GOAL_S else 'NOT MET'}"
    )
    print(
        f"each of many  {each:.2f} s (goal ≤ {GOAL_EACH_S}): "
        f"{'met' if each <= GOAL_EACH_S else 'NOT MET'}; "
        f"{each / middle['libraries']:.2f} × libraries, processor "
        f"{(used['five at once'] - used['one for the workshop']) / (JOBS - 1):.2f} s"
    )


if __name__ == "__main__":
    main()
