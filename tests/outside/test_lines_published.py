"""Robust lines and rising sequences against published data and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from verify.evidence.lines import isotonic, symmetric_line, theil_sen

# Helsel and Hirsch, Statistical Methods in Water Resources, ch. 10: one wild value in a line;
# Theil-Sen slope 1, intercept 0, where least squares give 1.7143 and -1.4286.
HELSEL_X = np.arange(1.0, 8.0)
HELSEL_Y = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0])


def test_the_handbooks_line_with_a_wild_value() -> None:
    line = theil_sen(HELSEL_X, HELSEL_Y)
    assert line is not None
    assert (line.slope, line.intercept) == (1.0, 0.0)
    both = symmetric_line(HELSEL_X, HELSEL_Y)
    assert both is not None
    assert (both.slope, both.intercept) == (1.0, 0.0)
    least = np.polyfit(HELSEL_X, HELSEL_Y, 1)
    assert least == pytest.approx([1.7143, -1.4286], abs=5e-5)


@pytest.mark.parametrize("seed", range(6))
def test_theil_sen_agrees_with_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 100, 37))
    y = 4.0 - 0.6 * x + rng.standard_t(2, 37)
    line, theirs = theil_sen(x, y), stats.theilslopes(y, x)
    assert line is not None
    assert line.slope == pytest.approx(theirs.slope, rel=1e-12)
    assert line.intercept == pytest.approx(theirs.intercept, rel=1e-12)


@pytest.mark.parametrize("slope", [0.5, 1.0, -1.0, 2.0])
def test_the_symmetric_line_agrees_with_total_least_squares(slope: float) -> None:
    """Errors in both variables in proportion to the slope, which is what both methods assume.

    Total least squares is the direction of the least singular vector of the centred points (Golub
    and Van Loan), here by numpy's decomposition. On clean noise the two agree; ordinary Theil-Sen
    on the same points is drawn towards 0.
    """
    rng = np.random.default_rng(8)
    true = np.linspace(0.0, 70.0, 200)
    ours, theirs, leaning = [], [], []
    for _ in range(6):
        x = true + rng.normal(0, 4.0, len(true))
        y = 2.0 + slope * true + rng.normal(0, abs(slope) * 4.0, len(true))
        points = np.column_stack([x - x.mean(), (y - y.mean()) / abs(slope)])
        normal = np.linalg.svd(points)[2][1]
        line, plain = symmetric_line(x, y), theil_sen(x, y)
        assert line is not None
        assert plain is not None
        ours.append(line.slope / slope)
        theirs.append(-normal[0] / normal[1] * np.sign(slope))
        leaning.append(plain.slope / slope)
    assert ours == pytest.approx(theirs, abs=0.03)
    assert np.mean(ours) == pytest.approx(1.0, abs=0.02)
    assert np.mean(leaning) < 0.985


@pytest.mark.parametrize("seed", range(6))
def test_the_rising_sequence_agrees_with_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    y = np.cumsum(rng.normal(0.2, 1.0, 60))
    weight = rng.uniform(0.2, 5.0, 60)
    theirs = optimize.isotonic_regression(y, weights=weight).x
    assert isotonic(y, weight) == pytest.approx(theirs, abs=1e-9)
