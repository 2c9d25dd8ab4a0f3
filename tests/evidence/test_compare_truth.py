"""Words of `compare` against simulated cars whose truth is known at full rate (`tests/vehicle`).

Neighbours of a batch stand for before and after. A word is wrong where the true quantity went the
other way, or, for *unchanged*, by more than the margin. Seeds are fixed.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from tests.vehicle.case import Case, recordings_of
from tests.vehicle.plans import PLANS
from verify.evidence.chances import margin_of
from verify.evidence.compare import Change, Comparison, compare
from verify.evidence.verdict import Limits

CARS = 16
RATES = (2.0, 5.0)


def out_of_the_middle(value: float, limits: Limits) -> float:
    """Grows as the value gets worse."""
    if limits.lower is None:
        return value
    if limits.upper is None:
        return -value
    return abs(value - 0.5 * (limits.lower + limits.upper))


def is_wrong(c: Comparison, before: Case, after: Case) -> bool:
    limits = c.after.limits
    assert limits is not None
    grew = out_of_the_middle(after.value, limits) - out_of_the_middle(before.value, limits)
    if c.change is Change.UNCHANGED:
        return abs(after.value - before.value) > (margin_of(limits) or 0.0)
    return (c.change is Change.BETTER and grew >= 0) or (c.change is Change.WORSE and grew <= 0)


@pytest.mark.parametrize("check", ["idle-steady", "fuel-trim", "charging"])
def test_words_are_true_of_cars_whose_truth_is_known(check: str) -> None:
    cases = PLANS[check].maker(np.random.default_rng(5), CARS)
    told, wrong = 0, []
    for rate in RATES:
        rng = np.random.default_rng(1)
        logs = [recordings_of(case, rng, rate) for case in cases]
        for i in range(CARS - 1):
            before, after = cases[i], cases[i + 1]
            if before.specs != after.specs or not math.isfinite(before.value + after.value):
                continue
            (c,) = compare(logs[i], logs[i + 1], before.specs, [check])
            if c.change is Change.CANNOT_TELL or c.after.limits is None:
                continue
            told += 1
            if is_wrong(c, before, after):
                wrong.append((rate, before.kind, after.kind, c.change, c.difference))
    assert told >= CARS // 2, "too little was told to say that it is true"
    assert len(wrong) <= 0.05 * told, wrong


@pytest.mark.parametrize("check", ["idle-speed", "fuel-trim", "charging"])
def test_the_same_car_logged_twice_is_seldom_better_or_worse(check: str) -> None:
    """At most one in ten (95 % one-sided, both ways), where the doubt is as large as the margin."""
    cases = PLANS[check].maker(np.random.default_rng(6), CARS)
    words: Counter[Change] = Counter()
    for rate in RATES:
        rng = np.random.default_rng(2)
        for case in cases:
            before, after = recordings_of(case, rng, rate), recordings_of(case, rng, rate)
            (c,) = compare(before, after, case.specs, [check])
            words[c.change] += 1
    assert words[Change.BETTER] + words[Change.WORSE] <= 0.1 * sum(words.values()), words
    assert words[Change.UNCHANGED] >= 0.5 * sum(words.values()), words
