"""The distribution functions, against scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from verify.evidence.distributions import (
    chi_square_cdf,
    normal_cdf,
    normal_quantile,
    student_cdf,
    triangular_cdf,
    uniform_cdf,
)

Z = np.concatenate([np.linspace(-40, 40, 321), np.linspace(-3, 3, 121)])


def test_normal() -> None:
    ours = [normal_cdf(z) for z in Z.tolist()]
    np.testing.assert_allclose(ours, stats.norm.cdf(Z), rtol=1e-12, atol=1e-300)


@pytest.mark.parametrize("dof", [0.3, 0.5, 1.0, 1.5, 2.0, 3.7, 5.0, 12.0, 29.9, 100.0, 5000.0])
def test_student(dof: float) -> None:
    ours = [student_cdf(z, dof) for z in Z.tolist()]
    np.testing.assert_allclose(ours, stats.t.cdf(Z, dof), atol=1e-12, rtol=1e-9)


@pytest.mark.parametrize("dof", [0.5, 1.0, 2.0, 3.7, 10.0, 60.0, 1000.0, 1e5])
def test_chi_square(dof: float) -> None:
    x = np.concatenate([np.linspace(0, 4 * dof + 20, 200), [1e-8, 1e3, 1e6]])
    ours = [chi_square_cdf(v, dof) for v in x.tolist()]
    np.testing.assert_allclose(ours, stats.chi2.cdf(x, dof), atol=1e-12, rtol=1e-9)


def test_uniform_and_triangular_have_mean_0_and_deviation_1() -> None:
    a, b = math.sqrt(3), math.sqrt(6)
    np.testing.assert_allclose(
        [uniform_cdf(z) for z in Z.tolist()], stats.uniform(-a, 2 * a).cdf(Z), atol=1e-14
    )
    triangle = stats.triang(0.5, -b, 2 * b)
    np.testing.assert_allclose([triangular_cdf(z) for z in Z.tolist()], triangle.cdf(Z), atol=1e-14)
    assert stats.uniform(-a, 2 * a).std() == pytest.approx(1.0)
    assert triangle.std() == pytest.approx(1.0)


@pytest.mark.parametrize("p", [1e-12, 1e-6, 0.01, 0.05, 0.5, 0.9, 0.95, 0.999999])
def test_the_quantile_is_the_inverse(p: float) -> None:
    assert normal_quantile(p) == pytest.approx(float(stats.norm.ppf(p)), rel=1e-9, abs=1e-9)


def test_what_has_no_meaning_is_refused() -> None:
    for wrong in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(ValueError):
            student_cdf(1.0, wrong)
        with pytest.raises(ValueError):
            chi_square_cdf(1.0, wrong)
    for p in (0.0, 1.0, -0.1, math.nan):
        with pytest.raises(ValueError):
            normal_quantile(p)


def test_the_ends_are_reached() -> None:
    assert student_cdf(math.inf, 3.0) == 1.0
    assert student_cdf(-math.inf, 3.0) == 0.0
    assert chi_square_cdf(math.inf, 3.0) == 1.0
    assert chi_square_cdf(-1.0, 3.0) == 0.0
