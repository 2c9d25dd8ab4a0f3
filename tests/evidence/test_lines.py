"""Straight lines through readings that err both ways, and of which some are wrong."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from verify.evidence.lines import (
    MOST_CONSENSUS_POINTS,
    MOST_POINTS,
    Line,
    consensus_lines,
    isotonic,
    symmetric_line,
    theil_sen,
)

X = np.arange(0.0, 100.0, 4.0)


def scattered(seed: int, slope: float, deviation: float = 0.3) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return X + rng.normal(0, deviation, len(X)), 3.0 + slope * X + rng.normal(
        0, abs(slope) * deviation, len(X)
    )


@pytest.mark.parametrize("slope", [0.5, 1.0, -1.0, 2.0])
def test_swapping_the_variables_gives_the_inverse_line(slope: float) -> None:
    for seed in range(5):
        x, y = scattered(seed, slope)
        one, other = symmetric_line(x, y), symmetric_line(y, x)
        assert one is not None
        assert other is not None
        assert one.slope * other.slope == pytest.approx(1.0, rel=1e-12)


@given(st.floats(0.1, 10), st.floats(-50, 50), st.floats(0.1, 10), st.integers(0, 5))
def test_other_units_scale_the_line(k: float, shift: float, m: float, seed: int) -> None:
    x, y = scattered(seed, 0.7)
    one, other = symmetric_line(x, y), symmetric_line(m * x, k * y + shift)
    assert one is not None
    assert other is not None
    assert other.slope == pytest.approx(one.slope * k / m, rel=1e-9)


def test_readings_of_one_level_do_not_bend_the_line_where_only_far_pairs_count() -> None:
    """Forty readings at rest that flicker by a step, and five levels: the true slope is 0.9."""
    rng = np.random.default_rng(2)
    x = np.concatenate([np.round(rng.uniform(13.5, 14.5, 40) / 0.4) * 0.4, np.arange(30.0, 80, 12)])
    y = 80.0 - 0.9 * x + np.round(rng.uniform(-0.5, 0.5, len(x)) / 0.4) * 0.4
    far = symmetric_line(x, y, 10.0)
    assert far is not None
    assert far.slope == pytest.approx(-0.9, abs=0.03)
    assert symmetric_line(x, y, 100.0) is None
    (first, _), *_ = consensus_lines(x, y, np.full(len(x), 0.8), apart=10.0)
    assert first.slope == pytest.approx(-0.9, abs=0.03)


def test_a_quarter_of_wild_points_moves_the_symmetric_line_little() -> None:
    x, y = scattered(1, 1.0)
    y[[3, 9, 14, 20, 22, 6]] += [40.0, -35.0, 50.0, -60.0, 30.0, 45.0]
    line = symmetric_line(x, y)
    assert line is not None
    assert line.slope == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize(
    ("x", "y"), [([], []), ([1.0], [2.0]), ([1.0, 1.0], [2.0, 2.0]), ([0, 1, 2, 3], [0, 1, 1, 0])]
)
def test_no_line_where_none_can_be_told(x: list[float], y: list[float]) -> None:
    assert symmetric_line(np.array(x, float), np.array(y, float)) is None


def test_a_column_of_points_has_no_theil_sen_line() -> None:
    assert theil_sen(np.ones(5), np.arange(5.0)) is None


def test_more_points_than_can_be_paired_are_refused() -> None:
    many = np.arange(MOST_POINTS + 1.0)
    with pytest.raises(ValueError, match="at most"):
        symmetric_line(many, many)
    many = np.arange(MOST_CONSENSUS_POINTS + 1.0)
    with pytest.raises(ValueError, match="at most"):
        consensus_lines(many, many, many, apart=1.0)


def test_the_majoritys_line_shows_the_whole_of_a_part_that_is_off() -> None:
    """A track that bends away over the last two fifths: a median line leans into the bend."""
    y = 10.0 + 0.5 * X + 0.15 * np.maximum(X - 58.0, 0.0)
    most = float(0.15 * (X.max() - 58.0))
    line = consensus_lines(X, y, np.full(len(X), 0.3), apart=20.0)[0][0]
    assert line.slope == pytest.approx(0.5, abs=0.01)
    assert float(np.max(np.abs(y - line.at(X)))) == pytest.approx(most, rel=0.05)
    leaning = symmetric_line(X, y)
    assert leaning is not None
    assert float(np.max(np.abs(y - leaning.at(X)))) < 0.8 * most


def test_two_lines_with_as_many_points_are_both_given() -> None:
    y = np.where(np.arange(24) % 2 == 0, 0.0, 8.0) + X[:24]
    found = consensus_lines(X[:24], y, np.full(24, 0.3), apart=20.0)
    assert {round(line.intercept) for line, _ in found} == {0, 8}
    assert all(int(members.sum()) == 12 for _, members in found)


def test_lines_outside_the_bounds_of_slope_are_not_proposed() -> None:
    assert consensus_lines(X, 3.0 * X, np.ones(len(X)), apart=5.0, most_slope=2.0) == []


@given(arrays(np.float64, st.integers(1, 40), elements=st.floats(-50, 50)))
@settings(max_examples=60)
def test_isotonic_never_falls_and_leaves_the_mean(y: np.ndarray) -> None:
    found = isotonic(y, np.ones(len(y)))
    assert np.all(np.diff(found) >= 0.0)
    assert float(found.mean()) == pytest.approx(float(y.mean()), abs=1e-9)


def test_a_line_says_where_it_is() -> None:
    assert Line(2.0, 1.0).at(np.array([0.0, 3.0])).tolist() == [1.0, 7.0]
