"""The periodogram against published numbers and other people's formulas.

ENSO: NIST StRD, certified periods and amplitudes. The formula of Scargle (1982) with its delay, and
the one with the mean left free, are written out here anew; `scipy.signal.lombscargle` is a third.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from verify.evidence.periodogram import normalised_power, strongest_oscillation
from verify.evidence.recording import Array

DATA = Path(__file__).parent / "data" / "nist"
# Certified: √(b2² + b3²), √(b5² + b6²), √(b8² + b9²) and their periods in months.
CERTIFIED = ((12.0, 3.1220), (44.3110887, 1.7061), (26.88761444, 1.5117))


def enso() -> tuple[Array, Array]:
    with (DATA / "ENSO.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    month = np.array([float(r["month"]) for r in rows])
    return month, np.array([float(r["pressure_difference"]) for r in rows])


def scargle(t: Array, y: Array, f: Array) -> Array:
    """Scargle 1982, equation 10, over the sum of squares."""
    y = y - y.mean()
    power = []
    for w in 2.0 * np.pi * f:
        delay = math.atan2(float(np.sin(2 * w * t).sum()), float(np.cos(2 * w * t).sum())) / (2 * w)
        c, s = np.cos(w * (t - delay)), np.sin(w * (t - delay))
        power.append(float(y @ c) ** 2 / float(c @ c) + float(y @ s) ** 2 / float(s @ s))
    return np.array(power) / float(y @ y)


def test_power_is_that_of_scargle_with_his_delay() -> None:
    rng = np.random.default_rng(3)
    t = np.sort(rng.uniform(0, 60, 70))
    y = 700 + rng.normal(0, 6, 70) + 12 * np.sin(t)
    f = np.linspace(0.02, 1.5, 300)
    np.testing.assert_allclose(normalised_power(t, y, f), scargle(t, y, f), atol=1e-10)
    theirs = signal.lombscargle(t, y - y.mean(), 2 * np.pi * f, normalize=True)
    np.testing.assert_allclose(normalised_power(t, y, f), theirs, atol=1e-9)


def test_on_even_times_it_is_the_fourier_transform() -> None:
    """The year is bin 14 of 168 months; the amplitude there is 3.0904 (plain FFT)."""
    month, y = enso()
    spectrum = np.abs(np.fft.rfft(y - y.mean())) * 2.0 / len(y)
    assert int(np.argmax(spectrum)) == 14
    assert spectrum[14] == pytest.approx(3.0904, abs=5e-5)
    share = float(normalised_power(month, y, np.array([14.0 / 168.0]))[0])
    squares = float(np.sum((y - y.mean()) ** 2))
    assert math.sqrt(2.0 * share * squares / len(y)) == pytest.approx(3.0904, abs=5e-5)


def test_the_certified_waves_one_after_the_other() -> None:
    """Each strongest wave taken out before the next is sought: the three of the certified model.

    They were fitted together there and one by one here, and the two long ones share their months:
    periods within 3 %, amplitudes within 0.35.
    """
    month, y = enso()
    rest = y.copy()
    for low, high, (period, amplitude) in (
        (6.0, 16.0, CERTIFIED[0]),
        (34.0, 80.0, CERTIFIED[1]),
        (16.0, 34.0, CERTIFIED[2]),
    ):
        found = strongest_oscillation(month, rest, low, high)
        assert found is not None
        assert found.period_s == pytest.approx(period, rel=0.03)
        assert found.amplitude == pytest.approx(amplitude, abs=0.35)
        assert found.false_alarm < 0.01
        angle = 2 * np.pi * month / found.period_s
        design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
        rest = rest - design @ np.linalg.lstsq(design, rest, rcond=None)[0]


@pytest.mark.parametrize("seed", range(10))
def test_the_year_is_found_in_half_of_the_months(seed: int) -> None:
    """Uneven on purpose: 84 of the 168 months, drawn at random."""
    month, y = enso()
    own = np.sort(np.random.default_rng(seed).choice(len(month), 84, replace=False))
    found = strongest_oscillation(month[own], y[own], 4.0, 80.0)
    assert found is not None
    assert found.period_s == pytest.approx(12.0, rel=0.03)
    assert found.amplitude == pytest.approx(3.1220, abs=3 * found.amplitude_uncertainty)
    assert found.false_alarm < 1e-3
