"""Conformity, bounds and the periodogram against published examples."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from verify.evidence.periodogram import normalised_power, strongest_oscillation
from verify.evidence.verdict import (
    Distribution,
    Limits,
    Measurement,
    decide,
    probability_of_conformity,
)
from verify.words import Verdict

DATA = Path(__file__).parent / "data"


def test_jcgm_106_one_lower_limit() -> None:
    """JCGM 106:2012 clause 7, burst pressure of a container (inputs from memory)."""
    m = Measurement(509.7, "kPa", 8.6)
    p = probability_of_conformity(m, Limits(490.0, None, "kPa", "JCGM 106"))
    assert p == pytest.approx(0.989, abs=5e-4)
    assert decide(p) is Verdict.PASS


def test_jcgm_106_two_limits() -> None:
    """JCGM 106:2012 clause 7, Zener voltage: Φ(0.6) − Φ(−2.2) = 0.712."""
    m = Measurement(-5.36, "V", 0.05)
    p = probability_of_conformity(m, Limits(-5.47, -5.33, "V", "JCGM 106"))
    assert p == pytest.approx(0.712, abs=5e-4)
    assert decide(p) is Verdict.UNDECIDED


@pytest.mark.parametrize(("widths", "p"), [(2.0, 0.97725), (1.645, 0.9500)])
def test_on_the_acceptance_line_of_iso_14253(widths: float, p: float) -> None:
    m = Measurement(100.0 - widths, "rpm", 1.0)
    found = probability_of_conformity(m, Limits(None, 100.0, "rpm", "ISO 14253-1"))
    assert found == pytest.approx(p, abs=5e-5)


@pytest.mark.parametrize("kind", list(Distribution))
def test_every_distribution_agrees_with_scipy(kind: Distribution) -> None:
    """The same probability from scipy's own distributions, by name."""
    y, u, dof = 5.2, 1.3, 7.5
    limits = Limits(4.0, 7.0, "rpm", "s")
    if kind is Distribution.CHI_SQUARE:
        m = Measurement(y, "rpm", u, kind, dof)
        x = stats.chi2(dof)
        wanted = x.sf(dof * y**2 / 7.0**2) - x.sf(dof * y**2 / 4.0**2)
    else:
        m = Measurement(y, "rpm", u, kind, dof if kind is Distribution.STUDENT else math.inf)
        a, b = u * math.sqrt(3), u * math.sqrt(6)
        x = {
            Distribution.NORMAL: stats.norm(y, u),
            Distribution.STUDENT: stats.t(dof, y, u),
            Distribution.UNIFORM: stats.uniform(y - a, 2 * a),
            Distribution.TRIANGULAR: stats.triang(0.5, y - b, 2 * b),
        }[kind]
        wanted = x.cdf(7.0) - x.cdf(4.0)
    assert probability_of_conformity(m, limits) == pytest.approx(float(wanted), abs=1e-10)


def test_none_in_twenty_bounds_the_rate_at_0_139() -> None:
    """One-sided exact binomial (Clopper–Pearson) bound, 1 − 0.05^(1/20), as no-stall states it."""
    wanted = stats.binomtest(0, 20).proportion_ci(0.90, method="exact").high
    assert pytest.approx(wanted, rel=1e-9) == 1.0 - 0.05 ** (1.0 / 20.0)
    assert wanted == pytest.approx(0.139, abs=5e-4)


def _enso() -> tuple[np.ndarray, np.ndarray]:
    with (DATA / "nist" / "ENSO.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    month = np.array([float(r["month"]) for r in rows])
    return month, np.array([float(r["pressure_difference"]) for r in rows])


def test_the_enso_data_are_those_of_nist() -> None:
    x, y = _enso()
    b = [10.510749193, 3.0762128085, 0.53280138227, 44.311088700, -1.6231428586, 0.52554493756,
         26.887614440, 0.21232288488, 1.4966870418]  # fmt: skip
    w = [2 * np.pi * x / period for period in (12.0, b[3], b[6])]
    model = b[0] + b[1] * np.cos(w[0]) + b[2] * np.sin(w[0])
    model = model + b[4] * np.cos(w[1]) + b[5] * np.sin(w[1])
    model = model + b[7] * np.cos(w[2]) + b[8] * np.sin(w[2])
    assert float(((y - model) ** 2).sum()) == pytest.approx(788.53978668, rel=1e-9)


@pytest.mark.parametrize(
    ("low", "high", "period", "share"),
    [(10.0, 15.0, 11.94, 0.4152), (35.0, 60.0, 44.16, 0.0895), (22.0, 32.0, 27.12, 0.0687)],
)
def test_enso_periodogram(low: float, high: float, period: float, share: float) -> None:
    """Peaks of the Lomb–Scargle periodogram of ENSO, mean removed, computed independently."""
    x, y = _enso()
    f = np.linspace(1 / high, 1 / low, 20001)
    power = normalised_power(x, y, f)
    best = int(np.argmax(power))
    assert 1 / f[best] == pytest.approx(period, abs=0.01)
    assert power[best] == pytest.approx(share, abs=1e-4)


def test_enso_strongest_oscillation_is_the_year() -> None:
    """Certified amplitude of the 12-month term: √(3.0762² + 0.5328²) = 3.1220."""
    x, y = _enso()
    o = strongest_oscillation(x, y, 4.0, 80.0)
    assert o is not None
    assert o.period_s == pytest.approx(12.0, abs=0.1)
    assert o.amplitude == pytest.approx(3.1220, abs=2 * o.amplitude_uncertainty)
    assert o.false_alarm < 1e-6
