"""Ranks by counting against numpy's sorting."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.evidence.ranks import low_percentile, median_of, medians_of, places_among


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


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("shift", [-7.3, -0.5, -0.1, 0.0, 1e-9, 0.1, 0.2, 12.0])
@pytest.mark.parametrize("clock", ["even", "jitter", "gaps", "slower", "another"])
def test_places_are_those_of_numpy(
    clock: str, shift: float, side: Literal["left", "right"]
) -> None:
    chance = np.random.default_rng(5)
    n = 70_000
    even = np.arange(n) / 10.0
    time_s = {
        "even": even,
        "jitter": even + chance.uniform(0.0, 0.09, n),
        "gaps": even + np.cumsum(np.where(chance.random(n) < 1e-4, 40.0, 0.0)),
        "slower": even,
        "another": np.sort(chance.uniform(0.0, 7000.0, n)),
    }[clock]
    at_s = 1.7 * even if clock == "slower" else time_s
    at_s = np.sort(chance.uniform(-50.0, 7050.0, n)) if clock == "another" else at_s + shift
    found = places_among(time_s, at_s, side)
    assert np.array_equal(found, np.searchsorted(time_s, at_s, side=side))


@given(
    groups=st.lists(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=7), min_size=0, max_size=9)
)
def test_medians_of_groups_are_those_of_numpy(groups: list[list[float]]) -> None:
    sizes = np.array([len(g) for g in groups], dtype=np.intp)
    values = np.array([v for g in groups for v in g], dtype=np.float64)
    found = medians_of(values, np.cumsum(sizes) - sizes, sizes)
    assert np.allclose(found, [np.median(g) for g in groups], rtol=1e-15, atol=0.0)
