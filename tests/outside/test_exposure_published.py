"""Exposure against published numbers and an independent library.

Newcombe, Statistics in Medicine 17 (1998) 857–872, Table I (0/20, mid-p 0.1391, which is the
one-sided 95 % bound); the rule of three (59 clean tries for "95 % sure of 95 %"); `scipy.stats`
for everything else (binomtest, beta and chi-square quantiles, poisson and binom).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from verify.evidence.exposure import (
    Basis,
    Complaint,
    exposure,
    parse_complaint,
    rate_bound,
    share_bound,
    tries_needed,
)
from verify.words import Verdict


def test_zero_of_twenty_as_published() -> None:
    assert share_bound(0, 20) == pytest.approx(0.1391, abs=5e-5)
    found = stats.binomtest(0, 20, alternative="less").proportion_ci(0.95, method="exact")
    assert share_bound(0, 20) == pytest.approx(found.high, rel=1e-12)


def test_the_rule_of_three() -> None:
    """59 is the least number for 95 % sure of 95 %: ln 0.05/ln 0.95 = 58.4; bound 0.0495."""
    assert tries_needed(0.05) == 59
    assert share_bound(0, 59) == pytest.approx(0.0495, abs=5e-5)
    assert share_bound(0, 58) > 0.05
    assert rate_bound(0, 1.0) == pytest.approx(2.9957, abs=5e-5)


@given(st.integers(1, 400), st.data(), st.sampled_from([0.9, 0.95, 0.99]))
def test_shares_are_clopper_pearson(tries: int, data: st.DataObject, sure: float) -> None:
    seen = data.draw(st.integers(0, tries))
    wanted = 1.0 if seen == tries else stats.beta.ppf(sure, seen + 1, tries - seen)
    assert share_bound(seen, tries, sure) == pytest.approx(wanted, rel=1e-9)


@given(st.integers(0, 200), st.floats(0.01, 1e5), st.sampled_from([0.9, 0.95, 0.99]))
def test_rates_are_garwoods(seen: int, amount: float, sure: float) -> None:
    wanted = stats.chi2.ppf(sure, 2 * (seen + 1)) / 2 / amount
    assert rate_bound(seen, amount, sure) == pytest.approx(wanted, rel=1e-9)


@given(st.floats(1.0, 500.0), st.floats(0.0, 2000.0), st.integers(0, 5))
def test_luck_over_a_distance_is_poisson(every: float, clean: float, seen: int) -> None:
    proof = exposure(Complaint(1.0, every, "km", Basis.DISTANCE), clean, seen=seen)
    assert proof.by_luck == pytest.approx(stats.poisson.cdf(seen, clean / every), rel=1e-9)
    assert proof.needed == pytest.approx(-math.log(0.05) * every)
    if not seen:
        passes = stats.poisson.cdf(0, clean / every) <= 0.05
        assert (proof.verdict is Verdict.PASS) == passes


@given(st.integers(1, 60), st.integers(0, 200))
def test_luck_over_tries_is_binomial(per: int, clean: int) -> None:
    """The tries asked for are the least that make it: one fewer does not."""
    proof = exposure(Complaint(1.0, float(per), "presses", Basis.TRIES), clean)
    assert proof.by_luck == pytest.approx(stats.binom.pmf(0, clean, 1 / per), rel=1e-9, abs=1e-300)
    assert stats.binom.pmf(0, int(proof.needed), 1 / per) <= 0.05
    assert stats.binom.pmf(0, int(proof.needed) - 1, 1 / per) > 0.05
    assert (proof.verdict is Verdict.PASS) == (clean >= proof.needed)


def test_a_complaint_every_60_km_needs_about_180_clean_ones() -> None:
    proof = exposure(parse_complaint("every 60 km"), 60.0)
    assert proof.needed == pytest.approx(179.74, abs=0.005)
    assert proof.more == pytest.approx(119.74, abs=0.005)
    assert proof.by_luck == pytest.approx(stats.poisson.pmf(0, 1))


def test_a_simulated_fault_passes_by_luck_no_more_than_one_time_in_twenty() -> None:
    import numpy as np

    chance = np.random.default_rng(4)
    complaint = parse_complaint("every 60 km")
    first = chance.exponential(60.0, 20_000)  # where the fault first shows
    needed = exposure(complaint, 0.0).needed
    wrong = float(np.mean(first > needed))
    assert wrong == pytest.approx(0.05, abs=0.006)
