"""Speed, memory and truth of `judge`.

Speed and memory, each in a process of its own, medians: importing and judging a table of 1,000,000
rows × 12 columns against reading the same file with pyarrow, and the peak of memory above the
start against the size of the numeric table. Targets: 2 × and 4 ×. After imports: each process does
its work once on a file of 2,000 rows before the clock starts, so that modules, packaged tables and
pyarrow's threads are there, on both sides. Processor time, of all threads, is told beside it: it
moves less when others use the machine.

Truth (`--truth`): invented idles whose true mean is known; how often a check passes a car whose
truth fails, with Wilson's interval. Failing cars are drawn evenly over 1.0 to 2.0 × the limit.

    python benchmarks/judge.py [--rows N] [--runs N] [--truth]
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
COLUMNS = 12
SPEED_TARGET, MEMORY_TARGET = 2.0, 4.0

# Peak memory is read from the kernel after the work, minus what the process had before it.
CHILD = """
import json, sys, time
import numpy
import pyarrow.csv
{imports}
def peak():
    # What getrusage tells is inherited from the process that started this one.
    with open("/proc/self/status") as status:
        return 1024 * int(next(line for line in status if line.startswith("VmHWM")).split()[1])
def work(path):
{work}
work(sys.argv[2])
before = peak()
start, processor = time.perf_counter(), time.process_time()
work(sys.argv[1])
print(json.dumps({{
    "seconds": time.perf_counter() - start,
    "processor": time.process_time() - processor,
    "bytes": peak() - before,
}}))
"""
ARROW = ("", "    table = pyarrow.csv.read_csv(path)")
JUDGE = (
    """
from verify.evidence.importers.port import read_recording
from verify.evidence.checks.catalogue import judge
from verify.quantity import SpecValue, parse
import verify.evidence.importers.csv_table
""",
    """
    with open(path, "rb") as stream:
        recording = read_recording(stream, path)
    results = judge([recording], {"idle_speed": SpecValue(parse("700 rpm"), "service information")})
    assert len(results) >= 4
    assert results[0].verdict.value == "pass", results[0].why
""",
)


def write_table(path: Path, rows: int) -> None:
    """A long drive at 10 rows a second: idle of 80 s, three presses, 300 s of road, over again."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv

    rng = np.random.default_rng(1)
    t = np.arange(rows) / 10.0
    phase = t % 500.0
    idle = phase < 100.0
    pressed = (phase >= 100.0) & (phase < 150.0) & (phase * 1.037 % 16.0 < 8.0)
    road = phase >= 150.0
    engine = np.where(idle | ~(pressed | road), 700.0, 1900.0) + rng.normal(0, 6, rows)
    columns = {
        "time [s]": t,
        "engine speed [rpm]": np.round(engine),
        "vehicle speed [km/h]": np.where(road, np.round(60 + 5 * np.sin(t / 9)), 0.0),
        "accelerator pedal position [%]": np.where(pressed | road, 20.0, 0.0),
        "throttle position [%]": np.round(np.where(pressed | road, 34.0, 14.0), 1),
        "coolant temperature [°C]": np.round(90 + 2 * np.sin(t / 99)),
        "intake air temperature [°C]": np.round(25 + 5 * np.sin(t / 999)),
        "intake manifold absolute pressure [kPa]": np.round(35 + 20 * pressed + rng.normal(0, 1)),
        "mass air flow [g/s]": np.round(3 + 10 * pressed + rng.normal(0, 0.1, rows), 2),
        "calculated load [%]": np.round(25 + 30 * pressed + rng.normal(0, 1, rows), 1),
        "control module voltage [V]": np.round(14.2 + rng.normal(0, 0.05, rows), 2),
        "ambient air temperature [°C]": np.full(rows, 18.0),
    }
    assert len(columns) == COLUMNS
    pyarrow.csv.write_csv(pa.table(columns), path)


def timed(path: Path, small: Path, kind: tuple[str, str]) -> dict[str, float]:
    code = CHILD.format(imports=kind[0], work=kind[1])
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), str(small)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def speed(rows: int, runs: int) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        path, small = Path(folder) / "table.csv", Path(folder) / "small.csv"
        write_table(path, rows)
        write_table(small, 2_000)
        timed(path, small, ARROW)  # warms the disk's cache
        pairs = [(timed(path, small, ARROW), timed(path, small, JUDGE)) for _ in range(runs)]

    def medians(what: str) -> tuple[float, float]:
        both = [
            statistics.median(side[what] for side in sides) for sides in zip(*pairs, strict=True)
        ]
        return both[0], both[1]

    (arrow, ours), (arrow_cpu, ours_cpu) = medians("seconds"), medians("processor")
    memory = medians("bytes")[1] / (rows * COLUMNS * 8)
    print(f"{rows:,} rows x {COLUMNS}: pyarrow {arrow:.3f} s, import and judge {ours:.3f} s")
    print(f"processor time: {arrow_cpu:.3f} s and {ours_cpu:.3f} s, {ours_cpu / arrow_cpu:.2f} x")
    met = True
    for name, value, of, target in (
        ("time", ours / arrow, "pyarrow", SPEED_TARGET),
        ("memory", memory, "numeric table", MEMORY_TARGET),
    ):
        word = "met" if value <= target else "NOT MET"
        print(f"{name:<7}{value:.2f} x {of} (target {target}): {word}")
        met &= value <= target
    return met


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share."""
    z, p = 1.959964, hits / of
    middle = p + z * z / (2 * of)
    reach = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return (middle - reach) / (1 + z * z / of), (middle + reach) / (1 + z * z / of)


def truth(cars: int) -> None:
    """idle-speed (limit ±50 rpm) and idle-steady (hunting, limit 25 rpm) at three rates."""
    sys.path.insert(0, str(ROOT))
    import numpy as np

    from tests.nasty import SPECS, drive
    from verify.evidence.checks.catalogue import judge
    from verify.words import Verdict

    rng = np.random.default_rng(7)
    print("\nshare of wrong passes among failing cars, of wrong fails among good ones, undecided")
    for every_s in (1.0, 0.5, 0.2):
        for check in ("idle-speed", "idle-steady"):
            wrong = near = near_wrong = undecided = 0
            failed = 0
            for number in range(cars):
                bad = float(rng.uniform(1.0, 2.0))
                good = float(rng.uniform(0.0, 0.8))
                for share in (bad, good):
                    side = float(rng.choice([-1.0, 1.0]))
                    how = (
                        {"idle_rpm": 700.0 + side * 50.0 * share}
                        if check == "idle-speed"
                        else {"hunting_rpm": 25.0 * share, "hunting_s": float(rng.uniform(2.5, 7))}
                    )
                    made = drive(
                        (("idle", 75.0),),
                        every_s=every_s,
                        seed=int(rng.integers(1 << 30)),
                        scatter_rpm=float(rng.uniform(3.0, 12.0)),
                        **how,
                    )
                    verdict = judge([made], SPECS, [check])[0].verdict
                    undecided += verdict is Verdict.UNDECIDED
                    if share is bad:
                        wrong += verdict is Verdict.PASS
                        near += share < 1.1
                        near_wrong += share < 1.1 and verdict is Verdict.PASS
                    else:
                        failed += verdict is Verdict.FAIL
                del number
            far, far_wrong = cars - near, wrong - near_wrong
            low, high = wilson(far_wrong, far)
            print(
                f"{check:<12} every {every_s:.1f} s: beyond 1.1 x limit {far_wrong}/{far} "
                f"[{100 * low:.1f}, {100 * high:.1f}] %, within {near_wrong}/{near}; "
                f"good cars failed {failed}/{cars}; undecided {undecided}/{2 * cars}"
            )


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--rows", type=int, default=1_000_000)
    p.add_argument("--runs", type=int, default=5)
    p.add_argument("--truth", action="store_true", help="also the shares of wrong verdicts")
    p.add_argument("--cars", type=int, default=400)
    args = p.parse_args()
    met = speed(args.rows, args.runs)
    if args.truth:
        truth(args.cars)
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
