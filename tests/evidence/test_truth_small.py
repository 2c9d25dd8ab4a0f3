"""A small seeded share of benchmarks/truth.py, for the gate: nobody who is not well is let through.

Few cars can show a gross error only; the shares themselves are the benchmark's to tell.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.truth import (
    batch_of,
    cars_in,
    cars_of,
    covered,
    figures,
    job_of,
    share_text,
    wilson,
)
from benchmarks.truth_bound import LOGGERS, best, chance
from tests.vehicle.case import AT_THE_LIMIT, drawn_over
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


def test_failing_cars_are_drawn_at_the_limit_where_asked() -> None:
    def shares() -> list[float]:
        cases = PLANS["idle-speed"].maker(np.random.default_rng(1), 40)
        return [c.share for c in cases if c.truth == "bad"]

    with drawn_over(AT_THE_LIMIT):
        assert max(shares()) <= 1.25
    assert max(shares()) > 1.6


def test_rates_of_one_car_count_as_one_car() -> None:
    rows = [
        {"check": "c", "batch": 0, "car": car, "rate": rate, "truth": "bad", "share": 1.05,
         "verdict": "pass" if car == 0 else "fail"}
        for car in range(10) for rate in (1.0, 2.0, 5.0)
    ]  # fmt: skip
    assert cars_in(rows) == cars_of(rows, "at") == 10
    assert cars_of(rows, "far") == 0
    assert share_text(3, 30, 10) == f"3/30 (10 cars) = 10.0 [{share_text(1, 10).split('[')[1]}"
    assert share_text(3, 30, 30) == share_text(3, 30)


@pytest.mark.parametrize("logger", LOGGERS)
def test_the_best_test_passes_sound_cars_where_readings_are_close_and_few_where_not(
    logger: str,
) -> None:
    """At one reading a second a press that is late by 0.77 s hides as a quick one does; at five
    it cannot: two readings lie within it."""
    rng = np.random.default_rng(2)
    assert best(rng, "no-response", 5.0, 10, logger, 400) == 1.0
    assert best(rng, "no-response", 1.0, 10, logger, 400) < 0.2


def test_the_chance_of_a_reading_is_a_share_of_the_interval() -> None:
    """An answer of 0.25 s, the plate read with the pedal each second: three presses of four are
    answered at the next reading, one at the one after that."""
    seen = np.array([0.0, 1.0, 2.0, 3.0])
    assert chance(seen, np.zeros(4), 0.25, 1.0).tolist() == [0.0, 0.75, 0.25, 0.0]
