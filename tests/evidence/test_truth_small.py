"""A small seeded share of benchmarks/truth.py, for the gate: nobody who is not well is let through.

Few cars can show a gross error only; the shares themselves are the benchmark's to tell.
"""

from __future__ import annotations

import math

import pytest

from benchmarks.truth import batch_of, covered, figures, job_of, wilson
from tests.vehicle.plans import PLANS
from verify.evidence.checks.catalogue import CATALOGUE

CARS, SEED = 14, 2026
GOOD_FAILED = 0.02  # of jobs, the target
KNOWN = sorted(set(PLANS) & set(CATALOGUE))


def most_by_chance(of: int, share: float, doubt: float = 1e-3) -> int:
    """The most hits that still happen with probability `doubt` or more (binomial)."""
    tail, hits = 1.0, 0
    while True:
        tail -= math.comb(of, hits) * share**hits * (1.0 - share) ** (of - hits)
        if tail < doubt:
            return hits
        hits += 1


@pytest.mark.parametrize("check", KNOWN)
def test_no_car_well_beyond_its_limit_passes_and_good_ones_do_not_fail(check: str) -> None:
    rates = PLANS[check].rates[1:3]
    rows = batch_of((check, SEED, 0, CARS, rates))
    found = figures(rows)
    assert found["far"][1] >= 6, "too few failing cars to tell"
    wrong = [r for r in rows if r["truth"] == "bad" and r["verdict"] == "pass" and r["share"] > 1.1]
    assert wrong == []
    failed = {r["car"] for r in rows if r["truth"] == "good" and r["verdict"] == "fail"}
    good = {r["car"] for r in rows if r["truth"] == "good"}
    assert len(failed) <= most_by_chance(len(good), GOOD_FAILED)
    broken = [r for r in rows if r["finding"] == "could-not-run"]
    assert broken == []


def test_whole_jobs_of_healthy_cars_do_not_fail() -> None:
    jobs = [job_of((SEED, number, rate)) for number, rate in enumerate((1.0, 2.0, 5.0, 10.0))]
    failed = [[r for r in job if r["verdict"] == "fail"] for job in jobs]
    assert sum(bool(f) for f in failed) <= most_by_chance(len(jobs), GOOD_FAILED), failed
    assert not [r for job in jobs for r in job if r["finding"] == "could-not-run"]
    assert any(r["verdict"] == "pass" for job in jobs for r in job)


def test_every_planned_check_is_there_or_will_be_noticed() -> None:
    assert KNOWN, "no check of the catalogue has simulated cars"


def test_the_counting_sees_a_wrong_pass() -> None:
    row = {"check": "idle-speed", "rate": 1.0, "value": 700.0, "u": 1.0, "true_value": 700.5}
    rows = [
        row | {"truth": "bad", "share": 1.5, "verdict": "pass"},
        row | {"truth": "bad", "share": 1.05, "verdict": "pass"},
        row | {"truth": "bad", "share": 1.5, "verdict": "fail"},
        row | {"truth": "good", "share": 0.5, "verdict": "fail"},
        row | {"truth": "good", "share": 0.5, "verdict": "undecided"},
        row | {"truth": "between", "share": 0.9, "verdict": "pass", "true_value": 710.0},
    ]
    found = figures(rows)
    assert found["far"] == (1, 2)
    assert found["at"] == (1, 1)
    assert found["wrong"] == (2, 3)
    assert found["right"] == (1, 4)
    assert found["undecided"] == (1, 5)
    assert found["good failed"] == (1, 2)
    assert found["between passed"] == (1, 1)
    assert covered(rows) == (5, 6)


def test_wilsons_interval_is_the_published_one() -> None:
    # Newcombe, Stat. Med. 17 (1998) 857–872, Table I (check-values 9.1): 15/148 and 0/20.
    assert wilson(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def test_the_allowance_for_chance_is_small() -> None:
    assert most_by_chance(7, 0.02) == 2
    assert most_by_chance(400, 0.02) == 18
