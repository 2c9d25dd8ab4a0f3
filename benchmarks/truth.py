"""Truth of verdicts: what the checks say of simulated cars whose truth is known.

For each check and each logging rate (readings a second per channel): how often a car whose truth
fails is passed (wrong passes), how many of the decided are right, how many stay undecided, each
with Wilson's 95 % interval. Failing cars are drawn evenly over 1.0 to 2.0 × the limit (plain
events, as a dead press, count as beyond), good ones over 0 to 0.8; the stretch 0.8 to 1.25 is told
apart. Besides: good cars failed by any check of a whole job, how often the stated 95 % intervals
hold the truth, and how many safe-to-drive questions are decided at 1 to 2 readings a second.

One failing car in ten lies at the limit (1.0 to 1.1 ×), and what it is at one rate it mostly is at
the others: where rates are put together, the intervals are for the number of cars. With --near all
failing cars lie over 1.0 to 1.25 ×, so that there are enough of them to tell.

The cars come from tests/vehicle, which knows nothing of how the checks compute. A case named by
`--show` is found again by its seed: the same seed gives the same cars.

    python benchmarks/truth.py [--cars N] [--jobs N] [--check NAME ...] [--rate HZ ...] [--seed N]
                               [--near] [--workers N] [--show] [--json FILE]

--cars: failing cars a check (and as many good ones); 400 for the full claim.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
import zlib
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import nullcontext
from multiprocessing import Pool
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402

from tests.vehicle.case import AT_THE_LIMIT, EVERYWHERE, drawn_over  # noqa: E402
from tests.vehicle.plans import PLANS, healthy_job  # noqa: E402
from verify.evidence.checks.catalogue import CATALOGUE, judge  # noqa: E402

BATCH = 40
SAFE = ("no-stall", "pedal-response", "throttle-return", "throttle-follow", "no-response",
        "pedal-pair")  # fmt: skip
FAR = 1.1  # beyond this multiple of its limit a car is away from it
TARGETS = {
    "wrong passes beyond 1.1 x the limit": 0.01,
    "wrong passes at 1.0-1.1 x": 0.05,
    "right among decided": 0.97,
    "undecided at 5 Hz and more": 0.15,
    "safe-to-drive decided at 1-2 Hz": 0.80,
    "good car failed, of jobs": 0.02,
}
Row = dict[str, Any]


def wilson(hits: float, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share; (0, 1) of nothing."""
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959964, hits / of
    middle = p + z * z / (2 * of)
    reach = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    low = max(0.0, (middle - reach) / (1 + z * z / of))
    return low, min(1.0, (middle + reach) / (1 + z * z / of))


def share_text(hits: int, of: int, cars: int | None = None) -> str:
    """hits of verdicts, with the interval that as many cars give (one verdict a car, if not told).

    What a car is at one rate it mostly is at the others, so its verdicts are no independent ones.
    """
    if of == 0:
        return "none to tell from"
    apart = of if cars is None else min(cars, of)
    # Wilson's form is smooth in the hits, which need not be whole.
    low, high = wilson(hits * apart / of, apart)
    told = f"{hits}/{of}" if apart == of else f"{hits}/{of} ({apart} cars)"
    return f"{told} = {100 * hits / of:.1f} [{100 * low:.1f}, {100 * high:.1f}] %"


def batch_of(task: tuple[str, int, int, int, tuple[float, ...]]) -> list[Row]:
    """Judges one batch of cars of one check at all its rates; pure in its seed."""
    from tests.vehicle.case import recordings_of

    check, seed, batch, cars, rates = task
    word = zlib.crc32(check.encode())
    cases = PLANS[check].maker(np.random.default_rng([seed, word, batch]), cars)
    rows = []
    for place, case in enumerate(cases):
        for rate in rates:
            rng = np.random.default_rng([seed, word, batch, place, round(100 * rate)])
            recordings = recordings_of(case, rng, rate)
            result = judge(recordings, case.specs, [check])[0]
            rows.append(
                {
                    "check": check,
                    "rate": rate,
                    "batch": batch,
                    "car": place,
                    "kind": case.kind,
                    "truth": case.truth,
                    "share": case.share,
                    "true_value": case.value,
                    "verdict": counted(check, case.truth, result.verdict.value),
                    "finding": result.finding,
                    "why": result.why,
                    "value": result.value,
                    "u": result.uncertainty,
                    "unit": result.unit,
                }
            )
    return rows


def counted(check: str, truth: str, verdict: str) -> str:
    """Where a short drive is all that is wrong, open is the right answer to it: as a fail."""
    if PLANS[check].open_is_right and truth != "good" and verdict == "undecided":
        return "fail"
    return verdict


def job_of(task: tuple[int, int, float]) -> list[Row]:
    """A healthy car's whole job: every check put to all its recordings together."""
    seed, number, rate = task
    rng = np.random.default_rng([seed, 77, number, round(100 * rate)])
    recordings, specs = healthy_job(rng, rate)
    return [
        {
            "job": number,
            "rate": rate,
            "check": r.check,
            "verdict": r.verdict.value,
            "finding": r.finding,
            "why": r.why,
        }
        for r in judge(recordings, specs)
    ]


def tasks_for(
    names: Iterable[str], cars: int, seed: int, rates: Sequence[float] | None
) -> list[tuple[str, int, int, int, tuple[float, ...]]]:
    found = []
    for name in names:
        of = tuple(r for r in PLANS[name].rates if rates is None or r in rates)
        left, batch = 2 * cars, 0
        while left > 0 and of:
            found.append((name, seed, batch, min(BATCH, left), of))
            left, batch = left - BATCH, batch + 1
    return found


def figures(rows: Sequence[Row]) -> dict[str, tuple[int, int]]:
    """The counts (hits, of) of one check at one rate, or of any other pile of rows."""

    def count(of: Iterable[Row], verdict: str) -> int:
        return sum(r["verdict"] == verdict for r in of)

    bad = [r for r in rows if r["truth"] == "bad"]
    good = [r for r in rows if r["truth"] == "good"]
    far = [r for r in bad if r["share"] > FAR]
    at = [r for r in bad if r["share"] <= FAR]
    # Cars in between are neither: whoever passes one is told apart.
    between = [r for r in rows if r["truth"] == "between"]
    close = [r for r in rows if r["truth"] != "between" and 0.8 <= r["share"] <= 1.25]
    right = count(bad, "fail") + count(good, "pass")
    close_right = sum((r["verdict"] == "fail") == (r["share"] > 1.0) for r in _decided(close))
    return {
        "far": (count(far, "pass"), len(far)),
        "at": (count(at, "pass"), len(at)),
        "wrong": (count(bad, "pass"), len(bad)),
        "good failed": (count(good, "fail"), len(good)),
        "right": (right, len(_decided([*bad, *good]))),
        "undecided": (count([*bad, *good], "undecided"), len(bad) + len(good)),
        "between passed": (count(between, "pass"), len(between)),
        "close right": (close_right, len(_decided(close))),
        "close undecided": (count(close, "undecided"), len(close)),
    }


def cars_in(rows: Iterable[Row]) -> int:
    """How many different cars these verdicts are about."""
    return len({(r["check"], r["batch"], r["car"]) for r in rows})


def cars_of(rows: Sequence[Row], key: str) -> int:
    """How many cars a figure of `figures` is about."""
    known = [r for r in rows if r["truth"] in ("bad", "good")]
    kept = {
        "far": lambda r: r["truth"] == "bad" and r["share"] > FAR,
        "at": lambda r: r["truth"] == "bad" and r["share"] <= FAR,
        "right": lambda r: r["verdict"] in ("pass", "fail"),
    }.get(key, lambda r: True)
    return cars_in(r for r in known if kept(r))


def _decided(rows: Iterable[Row]) -> list[Row]:
    return [r for r in rows if r["verdict"] in ("pass", "fail")]


def covered(rows: Iterable[Row]) -> tuple[int, int]:
    """How many stated values lie within 1.96 u of the truth, of those that state both."""
    told = [r for r in rows if r["value"] is not None and r["u"] and math.isfinite(r["true_value"])]
    return sum(abs(r["value"] - r["true_value"]) <= 1.959964 * r["u"] for r in told), len(told)


def report_check(name: str, rows: Sequence[Row]) -> None:
    print(f"\n{name}")
    for rate in sorted({r["rate"] for r in rows}):
        part = [r for r in rows if r["rate"] == rate]
        f = figures(part)
        print(
            f"  {rate:4.0f} Hz  wrong passes beyond {FAR} x: {share_text(*f['far'])}; "
            f"at the limit: {share_text(*f['at'])}"
        )
        print(
            f"           right of decided {share_text(*f['right'])}; "
            f"undecided {share_text(*f['undecided'])}; good failed {share_text(*f['good failed'])}"
        )
        more = f"           0.8-1.25 x: right {share_text(*f['close right'])}, " + (
            f"undecided {share_text(*f['close undecided'])}"
        )
        if f["between passed"][1]:
            more += f"; passed in between {share_text(*f['between passed'])}"
        if PLANS[name].interval:
            more += f"; 95 % intervals hold the truth {share_text(*covered(part))}"
        print(more)
    good = Counter(r["finding"] for r in rows if r["truth"] == "good")
    bad = Counter(r["finding"] for r in rows if r["truth"] == "bad")
    print(f"  findings of good cars {dict(good.most_common(6))}")
    print(f"  findings of bad cars  {dict(bad.most_common(6))}")


def show_wrong(rows: Sequence[Row]) -> None:
    for r in rows:
        wrong = (r["truth"] == "bad" and r["verdict"] == "pass") or (
            r["truth"] == "good" and r["verdict"] == "fail"
        )
        if wrong:
            where = f"{r['check']} {r['rate']:g} Hz batch {r['batch']} car {r['car']}"
            true = f"{r['kind']}, {r['share']:.2f} x, true {r['true_value']:.3f}"
            print(f"    {where} ({true}): {r['finding']}; {r['why']}")


def verdict_line(
    what: str, hits: int, of: int, target: float, *, most: bool, cars: int | None = None
) -> bool:
    if of == 0:
        print(f"  {what}: nothing to tell from")
        return False
    met = hits / of <= target if most else hits / of >= target
    sign = "<=" if most else ">="
    print(
        f"  {what}: {share_text(hits, of, cars)} (target {sign} {100 * target:g} %): "
        f"{'met' if met else 'NOT MET'}"
    )
    return met


def summary(rows: Sequence[Row], jobs: Sequence[Row], *, near: bool) -> dict[str, Any]:
    """Prints every target with its figure, over all checks and for the worst of them.

    near: all failing cars lie at the limit, so how many are decided says nothing.
    """
    print("\nTargets, all checks together, and the worst check")
    told: dict[str, Any] = {}

    def both(what: str, pile: Sequence[Row], key: str, *, most: bool) -> None:
        target = TARGETS[what]
        hits, of = figures(pile)[key]
        met = verdict_line(what, hits, of, target, most=most, cars=cars_of(pile, key))
        names = sorted({r["check"] for r in pile})
        each = {n: figures([r for r in pile if r["check"] == n])[key] for n in names}
        missed = {
            n: c
            for n, c in each.items()
            if c[1] and ((c[0] / c[1] > target) if most else (c[0] / c[1] < target))
        }
        for n, c in missed.items():
            own = [r for r in pile if r["check"] == n]
            print(f"      NOT MET by {n}: {share_text(*c, cars_of(own, key))}")
        told[what] = {"hits": hits, "of": of, "target": target, "met": met,
                      "missed": {n: list(c) for n, c in missed.items()}}  # fmt: skip

    both("wrong passes beyond 1.1 x the limit", rows, "far", most=True)
    both("wrong passes at 1.0-1.1 x", rows, "at", most=True)
    both("right among decided", rows, "right", most=False)
    if not near:
        fast = [r for r in rows if r["rate"] >= 5.0]
        both("undecided at 5 Hz and more", fast, "undecided", most=True)
    # A car that is neither good nor bad is rightly left open.
    known = ("bad", "good")
    slow = [r for r in rows if r["rate"] <= 2.0 and r["check"] in SAFE and r["truth"] in known]
    for n in (None, *SAFE):
        part = [r for r in slow if n is None or r["check"] == n]
        name = "safe-to-drive decided at 1-2 Hz"
        target = TARGETS[name]
        if part and not near:
            verdict_line(f"{name}{f' ({n})' if n else ''}", len(_decided(part)), len(part), target,
                         most=False, cars=cars_in(part))  # fmt: skip
    for noise in (True, False):
        part = [r for r in rows if PLANS[r["check"]].interval == ("noise" if noise else "steps")]
        hits, of = covered(part)
        if not of:
            continue
        met = 0.93 <= hits / of <= (0.97 if noise else 1.0)
        where = "noise dominates (93-97 %)" if noise else "resolution or sampling does (>= 93 %)"
        print(f"  intervals hold the truth where {where}: {share_text(hits, of)}: "
              f"{'met' if met else 'NOT MET'}")  # fmt: skip
        for n in sorted({r["check"] for r in part}):
            print(f"      {n}: {share_text(*covered(r for r in part if r['check'] == n))}")
    report_jobs(jobs)
    return told


def report_jobs(jobs: Sequence[Row]) -> None:
    if not jobs:
        return
    every = {(r["rate"], r["job"]) for r in jobs}
    failed = {(r["rate"], r["job"]) for r in jobs if r["verdict"] == "fail"}
    verdict_line("good car failed by any check, of jobs", len(failed), len(every),
                 TARGETS["good car failed, of jobs"], most=True)  # fmt: skip
    by = Counter((r["check"], r["finding"]) for r in jobs if r["verdict"] == "fail")
    for (name, finding), times in by.most_common():
        print(f"      {name} {finding}: {times} times")
    passed = Counter(r["check"] for r in jobs if r["verdict"] == "pass")
    print("      passed, of jobs: " + ", ".join(
        f"{n} {100 * passed[n] / len(every):.0f} %" for n in dict.fromkeys(r["check"] for r in jobs)
    ))  # fmt: skip


def run_all(names: Sequence[str], args: argparse.Namespace) -> tuple[list[Row], list[Row]]:
    """Every check's cars, told as soon as they are judged, and the whole jobs."""
    rows: list[Row] = []
    jobs: list[Row] = []
    rates = args.rate or [1.0, 2.0, 5.0, 10.0]
    job_tasks = [(args.seed, n, r) for r in rates for n in range(0 if args.check else args.jobs)]
    with Pool(args.workers) if args.workers > 1 else nullcontext() as pool:
        spread = pool.imap if pool else map
        for name in names:
            tasks = tasks_for([name], args.cars, args.seed, args.rate)
            part = [row for batch in spread(batch_of, tasks) for row in batch]
            report_check(name, part)
            if args.show:
                show_wrong(part)
            sys.stdout.flush()
            rows += part
        for job in spread(job_of, job_tasks):
            jobs += job
    return rows, jobs


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--cars", type=int, default=100, help="failing cars a check")
    p.add_argument("--jobs", type=int, default=60, help="whole jobs of healthy cars a rate")
    p.add_argument("--check", nargs="*", help="these checks only")
    p.add_argument("--rate", nargs="*", type=float, help="these rates only")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--near", action="store_true", help="failing cars at the limit alone")
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--show", action="store_true", help="name every wrong verdict")
    p.add_argument("--json", type=Path, help="write every row there")
    args = p.parse_args()
    wanted = args.check or list(PLANS)
    missing = [n for n in wanted if n not in CATALOGUE]
    names = [n for n in wanted if n in CATALOGUE and n in PLANS]
    if missing:
        print(f"not in the catalogue, left out: {', '.join(missing)}")
    unplanned = [n for n in CATALOGUE if n not in PLANS]
    if unplanned and not args.check:
        print(f"no cars for: {', '.join(unplanned)}")
    began = time.perf_counter()
    with drawn_over(AT_THE_LIMIT if args.near else EVERYWHERE):
        rows, jobs = run_all(names, args)
    told = summary(rows, jobs, near=args.near)
    if args.show:
        for r in (r for r in jobs if r["verdict"] == "fail"):
            where = f"job {r['job']} {r['rate']:g} Hz {r['check']}"
            print(f"    {where} {r['finding']}: {r['why']}")
    print(f"\n{len(rows)} verdicts and {len(jobs)} on whole jobs, seed {args.seed}, "
          f"{time.perf_counter() - began:.0f} s")  # fmt: skip
    if args.json:
        args.json.write_text(json.dumps({"summary": told, "rows": rows, "jobs": jobs}, default=str))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
