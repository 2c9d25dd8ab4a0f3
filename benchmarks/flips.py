"""Random single-byte changes in a signed job file: how many are found.

    python benchmarks/flips.py [--count N] [--seed N] [FILE]

Each change sets one byte of the file to another value and audits the file (all but the verdicts,
which are computed from bytes that the seal has shown to be the same). Found: a finding, or the file
is refused with one message. Anything else, a traceback included, is not found. FILE: a job file, or
the one of a small invented job, made here. Goal: all.
"""

from __future__ import annotations

import argparse
import io
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from tests.job.jobfiles import file_of, whole_job  # noqa: E402
from verify.errors import UserError  # noqa: E402
from verify.job.audit import audit  # noqa: E402


def looked_at(data: bytes) -> str:
    """How a changed file is found, or "not found"."""
    try:
        found = audit(io.BytesIO(data), "job.zip", verdicts=False)
    except UserError:
        return "refused"
    except Exception as error:
        return f"not found: {type(error).__name__}"
    return "a finding" if found.findings else "not found"


def main() -> int:
    options = argparse.ArgumentParser(description="Random single-byte changes in a job file.")
    options.add_argument("file", nargs="?")
    options.add_argument("--count", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=1)
    args = options.parse_args()
    if args.file is not None:
        data = Path(args.file).read_bytes()
    else:
        with tempfile.TemporaryDirectory() as folder:
            data = file_of(whole_job(Path(folder)))
    if looked_at(data) != "not found":
        print("the file does not hold as it is: nothing can be learned from it")
        return 2
    rng, results, start = random.Random(args.seed), Counter[str](), time.perf_counter()
    for _ in range(args.count):
        place, change = rng.randrange(len(data)), rng.randrange(1, 256)
        changed = bytearray(data)
        changed[place] ^= change
        results[looked_at(bytes(changed))] += 1
    found = results["refused"] + results["a finding"]
    met = "met" if found == args.count else "NOT met"
    print(f"{len(data)} bytes, {args.count} changes, {time.perf_counter() - start:.0f} s")
    for how, count in sorted(results.items()):
        print(f"  {how}: {count}")
    print(f"found: {found} of {args.count}; goal {args.count}: {met}")
    return 0 if met == "met" else 1


if __name__ == "__main__":
    sys.exit(main())
