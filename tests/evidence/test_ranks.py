"""Ranks by counting against numpy's sorting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.evidence.ranks import low_percentile, median_of


def arrays() -> dict[str, np.ndarray]:
    chance = np.random.default_rng(11)
    n = 50_001
    return {
        "noise": chance.normal(0.0, 1.0, n),
        "even number of noise": chance.normal(0.0, 1.0, n - 1),
        "clock": np.diff(np.arange(n) / 10.0),
        "constant": np.full(n, 3.25),
        "two values, half each": np.repeat([0.0, 20.0], n // 2),
        "mostly at rest": np.where(chance.random(n) < 0.02, chance.random(n), 14.0),
        "whole numbers": chance.integers(0, 50, n).astype(np.float64),
        "sorted": np.arange(float(n)),
        "wave that beats with the sample": np.arange(float(n)) % 25.0,
        "a few far away": np.where(np.arange(n) % 997 == 0, 1e300, chance.normal(0, 1e-9, n)),
        "both zeros": np.where(chance.random(n) < 0.5, 0.0, -0.0),
        "short": np.array([3.0, 1.0]),
        "one": np.array([7.0]),
    }


@pytest.mark.parametrize("name", list(arrays()))
def test_ranks_are_those_of_numpy(name: str) -> None:
    values = arrays()[name]
    before = values.copy()
    assert median_of(values) == np.median(values)
    for percent in (0.0, 1.0, 37.0, 99.0, 100.0):
        wanted = np.percentile(values, percent, method="lower")
        assert low_percentile(values, percent) == wanted
    assert np.array_equal(values, before)


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    distinct=st.integers(1, 400),
    extra=st.integers(0, 3),
    percent=st.floats(0.0, 100.0),
)
def test_random_arrays_with_ties_are_ranked_as_numpy_ranks_them(
    seed: int, distinct: int, extra: int, percent: float
) -> None:
    chance = np.random.default_rng(seed)
    levels = np.cumsum(chance.exponential(1.0, distinct))
    shares = chance.dirichlet(np.full(distinct, 0.3))
    values = chance.choice(levels, 20_000 + extra, p=shares)
    assert median_of(values) == np.median(values)
    assert low_percentile(values, percent) == np.percentile(values, percent, method="lower")
