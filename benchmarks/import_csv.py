"""Importing a 1,000,000 × 12 CSV against pyarrow's own read of it: time and peak memory.

Prints the ratio of medians in one run (wanted, with judging: at most 2) and the peak memory over
the size of the numbers as 64-bit floats (wanted: at most 4). Peak memory is taken in processes of
their own, less what the imports alone take.

    python benchmarks/import_csv.py [rows]
"""

from __future__ import annotations

import io
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

COLUMNS = (
    "Time [s]", "Engine RPM [rpm]", "Vehicle Speed [km/h]", "Accelerator Pedal Position D [%]",
    "Accelerator Pedal Position E [%]", "Throttle Position [%]", "Coolant Temperature [°C]",
    "Intake Air Temperature [°C]", "Intake Manifold Pressure [kPa]", "MAF [g/s]", "Engine Load [%]",
    "Module Voltage [V]",
)  # fmt: skip


def write_csv(path: Path, rows: int) -> None:
    """An invented drive at 20 Hz, each column with the digits loggers usually write."""
    import pyarrow as pa
    from pyarrow import csv

    chance = np.random.default_rng(20240518)
    t = np.arange(rows) * 0.05
    wave = np.sin(t / 37.0) + 0.4 * np.sin(t / 5.1)

    def column(middle: float, swing: float, noise: float, places: int) -> np.ndarray:
        values = middle + swing * wave + noise * chance.standard_normal(rows)
        return np.round(np.maximum(values, 0.0), places)

    data = [
        np.round(t, 3),
        column(1500, 600, 12, 2),
        column(50, 30, 0.3, 1),
        column(30, 15, 0.5, 2),
        column(30, 15, 0.5, 2),
        column(25, 12, 0.5, 2),
        column(88, 2, 0.4, 1),
        column(30, 4, 0.4, 1),
        column(60, 25, 0.8, 1),
        column(20, 9, 0.3, 3),
        column(40, 20, 0.6, 2),
        column(14, 0.2, 0.05, 3),
    ]
    csv.write_csv(pa.table(dict(zip(COLUMNS, data, strict=True))), path)


def by_pyarrow(path: Path) -> None:
    from pyarrow import csv

    csv.read_csv(path)


def by_us(path: Path) -> None:
    from verify.evidence.importers.port import read_recording

    with path.open("rb") as stream:
        recording = read_recording(stream, path.name)
    assert len(recording.channels) == len(COLUMNS) - 1


WAYS = {"pyarrow": by_pyarrow, "import": by_us}


def peak_mb(way: str, path: Path) -> float:
    """Peak memory of one run in a fresh process, less the peak after importing everything."""
    ran = subprocess.run(
        [sys.executable, __file__, "--peak", way, str(path)], capture_output=True, text=True
    )
    return float(ran.stdout)


def measure_peak(way: str, path: Path) -> None:
    small = io.BytesIO(b"Time [s],Engine RPM [rpm]\n0.0,800\n0.5,801\n1.0,802\n")
    from pyarrow import csv

    from verify.evidence.importers.port import read_recording

    csv.read_csv(io.BytesIO(small.getvalue()))
    read_recording(small, "small")
    before = high_water_mb()
    WAYS[way](path)
    print(high_water_mb() - before)


def high_water_mb() -> float:
    """Linux only: what getrusage tells is inherited from the process that started this one."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1]) / 1024


def main(rows: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.csv"
        write_csv(path, rows)
        table_mb = rows * len(COLUMNS) * 8 / 2**20
        print(f"{rows} × {len(COLUMNS)}, file {path.stat().st_size / 2**20:.0f} MB, "
              f"numbers {table_mb:.0f} MB")  # fmt: skip
        taken: dict[str, list[float]] = {way: [] for way in WAYS}
        for turn in range(8):
            for way, run in WAYS.items():
                start = time.perf_counter()
                run(path)
                if turn:  # the first turn pays for imports and the file cache
                    taken[way].append(time.perf_counter() - start)
        medians = {way: statistics.median(times) for way, times in taken.items()}
        for way, median in medians.items():
            peak = peak_mb(way, path)
            ratio = median / medians["pyarrow"]
            print(f"{way:8} {median * 1000:6.0f} ms = {ratio:4.2f} × pyarrow, "
                  f"peak {peak:4.0f} MB = {peak / table_mb:4.2f} × numbers")  # fmt: skip


if __name__ == "__main__":
    if sys.argv[1:2] == ["--peak"]:
        measure_peak(sys.argv[2], Path(sys.argv[3]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
