"""The fits against certified results: NIST Statistical Reference Datasets, nonlinear regression.

Both starting points of each set. From the far ones of BoxBOD and MGH17 an ordinary descent ends in
the wrong place; there the fit must say so. The AICc against a worked example in print.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from verify.evidence.fits import Fit, aicc, akaike_weights, approach_by_tau, fit_curve
from verify.evidence.recording import Array

DATA = Path(__file__).parent / "data" / "nist"
Model = Callable[[Array, Array], Array]


def saturating(x: Array, b: Array) -> Array:
    return b[0] * (1.0 - np.exp(-b[1] * x))


def ultrasonic(x: Array, b: Array) -> Array:
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def two_waves(x: Array, b: Array) -> Array:
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


MODELS: dict[str, Model] = {
    "Misra1a": saturating,
    "BoxBOD": saturating,
    "Chwirut2": ultrasonic,
    "MGH17": two_waves,
}
FAR = {("BoxBOD", "start_1"), ("MGH17", "start_1")}


def observations(name: str) -> tuple[Array, Array]:
    rows = np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1)
    return rows[:, 0], rows[:, 1]


def certified(name: str) -> list[dict[str, str]]:
    with (DATA / "certified.csv").open(encoding="utf-8") as file:
        return [r for r in csv.DictReader(file) if r["set"] == name]


def fitted(name: str, *starts: str) -> Fit:
    x, y = observations(name)
    rows = certified(name)
    return fit_curve(
        lambda b: MODELS[name](x, b), y, [[float(r[start]) for r in rows] for start in starts]
    )


def assert_certified(found: Fit, name: str) -> None:
    rows = certified(name)
    squares = float(rows[0]["residual_sum_of_squares"])
    assert found.trouble == ""
    assert found.chi_square == pytest.approx(squares, rel=1e-8)
    for value, error, row in zip(found.parameters, found.errors, rows, strict=True):
        assert value == pytest.approx(float(row["certified"]), rel=1e-6)
        if row["standard_deviation"]:
            assert error == pytest.approx(float(row["standard_deviation"]), rel=1e-5)


@pytest.mark.parametrize("name", MODELS)
def test_the_observations_are_those_of_nist(name: str) -> None:
    x, y = observations(name)
    b = np.array([float(r["certified"]) for r in certified(name)])
    squares = float(np.sum((y - MODELS[name](x, b)) ** 2))
    wanted = float(certified(name)[0]["residual_sum_of_squares"])
    assert squares == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("start", ["start_1", "start_2"])
def test_certified_values_or_the_non_fit_is_noticed(name: str, start: str) -> None:
    found = fitted(name, start)
    if (name, start) in FAR:
        assert found.trouble == "undetermined"
        assert np.all(np.isinf(found.errors))
    else:
        assert_certified(found, name)


def test_where_the_far_start_of_boxbod_ends() -> None:
    """The mean of the six observations, with a rate that no observation can tell."""
    found = fitted("BoxBOD", "start_1")
    assert found.parameters[0] == pytest.approx(172.5, abs=1e-3)
    assert found.chi_square == pytest.approx(9771.5, abs=0.1)


@pytest.mark.parametrize("name", MODELS)
def test_both_starts_together_give_the_certified_values(name: str) -> None:
    assert_certified(fitted(name, "start_1", "start_2"), name)


def test_boxbod_solved_for_each_time_constant_needs_no_start() -> None:
    """b1 (1 − e^(−b2 x)) is a + b·e^(−x/τ) with b = −a: asked with x = 0, y = 0 held fast."""
    x, y = observations("BoxBOD")
    t, level = np.concatenate([[0.0], x]), np.concatenate([[0.0], y])
    u = np.concatenate([[1e-6], np.ones(len(x))])
    tau = np.geomspace(1.0, 4.0, 20001)
    found = approach_by_tau(t, level, u, tau)
    best = int(np.argmin(found.chi_square))
    assert 1.0 / tau[best] == pytest.approx(0.54723748542, rel=1e-3)
    assert found.asymptote[best] == pytest.approx(213.80940889, rel=1e-4)
    assert found.chi_square[best] == pytest.approx(1168.0088766, rel=1e-5)


# Heat given off by 13 cements (Woods, Steinour and Starke 1932), in many textbooks.
CEMENT = np.array(
    [
        [7, 26, 6, 60, 78.5],
        [1, 29, 15, 52, 74.3],
        [11, 56, 8, 20, 104.3],
        [11, 31, 8, 47, 87.6],
        [7, 52, 6, 33, 95.9],
        [11, 55, 9, 22, 109.2],
        [3, 71, 17, 6, 102.7],
        [1, 31, 22, 44, 72.5],
        [2, 54, 18, 22, 93.1],
        [21, 47, 4, 26, 115.9],
        [1, 40, 23, 34, 83.8],
        [11, 66, 9, 12, 113.3],
        [10, 68, 8, 12, 109.4],
    ]
)


@pytest.mark.parametrize(
    ("columns", "variance", "distance"),
    [((0, 1), 4.45, 0.0), ((0, 1, 3), 3.69, 3.13), ((0, 1, 2), 3.70, 3.16), ((0, 3), 5.75, 3.32)],
)
def test_aicc_of_the_cement_data(
    columns: tuple[int, ...], variance: float, distance: float
) -> None:
    """Burnham and Anderson 2002, table 3.2 (from memory): residual variance and AICc above the
    best model's. The residual variances show that the data are the same."""

    def value(places: tuple[int, ...]) -> tuple[float, float]:
        design = np.column_stack([np.ones(13), CEMENT[:, places]])
        _, squares, *_ = np.linalg.lstsq(design, CEMENT[:, 4], rcond=None)
        spread = float(squares[0]) / 13.0
        return spread, aicc(13.0 * math.log(spread), len(places) + 2, 13)

    spread, criterion = value(columns)
    assert spread == pytest.approx(variance, abs=0.01)
    assert criterion - value((0, 1))[1] == pytest.approx(distance, abs=0.02)


def test_weight_ratio_of_two_models() -> None:
    """e^(−Δ/2): Δ = 3.13 is worth 0.209 of the best (Burnham and Anderson 2002, 2.9)."""
    best, other = akaike_weights([32.41, 35.54])
    assert other / best == pytest.approx(math.exp(-1.565))
    assert best + other == pytest.approx(1.0)
