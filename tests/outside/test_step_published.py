"""Figures of one step against closed forms and against python-control's own.

Origins: the second-order and first-order tables are closed forms of control engineering (the case
ζ = 0.6, ωn = 5 is a textbook's), worked out independently of this code; python-control ≥ 0.10
(`control.step_info`), which takes whole readings where this code reads between two.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from verify.evidence.recording import Array
from verify.evidence.step_metrics import step_metrics

# ζ, ωn, overshoot %, peak time, 10–90 %, 50 % delay, 5 % and 2 % settling (exact last crossings).
SECOND_ORDER = (
    (0.6, 5.0, 9.478, 0.7854, 0.3708, 0.2716, 1.0458, 1.1886),
    (0.5, 1.0, 16.303, 3.6276, 1.6376, 1.2940, 5.2891, 8.0764),
    (math.sqrt(0.5), 1.0, 4.321, 4.4429, 2.1480, 1.4333, 2.9298, 5.9626),
    (0.2, 10.0, 52.662, 0.3206, 0.1203, 0.1133, 1.3744, 1.9602),
    (0.7, 20.0, 4.599, 0.2200, 0.1063, 0.0714, 0.1450, 0.2989),
)


def second_order(t: Array, zeta: float, omega: float) -> Array:
    """The unit step of 1/(s²/ωn² + 2ζs/ωn + 1), in closed form."""
    damped = omega * math.sqrt(1.0 - zeta**2)
    phase = damped * t
    fall = np.exp(-zeta * omega * t)
    result: Array = 1.0 - fall * (np.cos(phase) + zeta * omega / damped * np.sin(phase))
    return result


@pytest.mark.parametrize("row", SECOND_ORDER)
def test_a_second_order_step_from_the_table(row: tuple[float, ...]) -> None:
    zeta, omega, over, peak, rise, delay, settle5, settle2 = row
    t = np.linspace(0.0, 12.0 / omega / zeta, 200_001)
    # From 20 up to 45, commanded at 3 s: levels and clock must fall out.
    m = step_metrics(t + 3.0, 20.0 + 25.0 * second_order(t, zeta, omega), 3.0, 20.0, 45.0)
    fine = step_metrics(t, second_order(t, zeta, omega), 0.0, 0.0, 1.0, settle_share=0.02)
    assert 100.0 * m.overshoot == pytest.approx(over, abs=6e-4)
    assert m.peak_s == pytest.approx(peak, abs=6e-4)
    assert m.rise_s == pytest.approx(rise, abs=6e-5)
    assert m.delay_s == pytest.approx(delay, abs=6e-5)
    assert m.settling_s == pytest.approx(settle5, abs=6e-5)
    assert fine.settling_s == pytest.approx(settle2, abs=6e-5)


def test_a_first_order_step_with_dead_time_from_the_table() -> None:
    dead, tau = 0.08, 0.15
    t = np.linspace(0.0, 3.0, 300_001)
    x = np.where(t < dead, 0.0, 1.0 - np.exp(-(t - dead) / tau))
    m = step_metrics(t, x, 0.0, 0.0, 1.0, dead_share=1e-6, settle_share=0.02)
    assert m.dead_s == pytest.approx(dead, abs=2e-5)
    assert m.rise_s == pytest.approx(0.32958, abs=1e-5)
    assert m.delay_s == pytest.approx(dead + 0.69315 * tau, abs=1e-5)
    assert m.settling_s == pytest.approx(0.66680, abs=1e-5)
    assert m.overshoot == 0.0
    assert step_metrics(t, x, 0.0, 0.0, 1.0).settling_s == pytest.approx(
        dead + 2.99573 * tau, abs=1e-5
    )


@pytest.mark.parametrize(("zeta", "omega"), [(0.3, 8.0), (0.6, 5.0), (0.7, 20.0), (0.9, 3.0)])
def test_step_info_of_python_control_says_the_same(zeta: float, omega: float) -> None:
    """It counts whole readings, so it agrees to two of them."""
    control = pytest.importorskip("control")
    system = control.tf([omega**2], [1.0, 2.0 * zeta * omega, omega**2])
    t = np.linspace(0.0, 10.0 / omega / zeta, 20_001)
    _, y = control.step_response(system, t)
    assert y == pytest.approx(second_order(t, zeta, omega), abs=1e-6)
    info = control.step_info(y, T=t, yfinal=1.0, SettlingTimeThreshold=0.05)
    m = step_metrics(t, np.asarray(y), 0.0, 0.0, 1.0)
    step = float(t[1])
    assert m.rise_s == pytest.approx(info["RiseTime"], abs=2.0 * step)
    assert m.settling_s == pytest.approx(info["SettlingTime"], abs=2.0 * step)
    assert m.peak_s == pytest.approx(info["PeakTime"], abs=2.0 * step)
    assert 100.0 * m.overshoot == pytest.approx(info["Overshoot"], abs=1e-6)


def test_a_step_down_is_a_step() -> None:
    t = np.linspace(0.0, 5.0, 5001)
    up = step_metrics(t, second_order(t, 0.6, 5.0), 0.0, 0.0, 1.0)
    down = step_metrics(t, 30.0 - 12.0 * second_order(t, 0.6, 5.0), 0.0, 30.0, 18.0)
    for name in ("delay_s", "rise_s", "overshoot", "peak_s", "settling_s"):
        assert getattr(down, name) == pytest.approx(getattr(up, name), abs=1e-9)


def test_what_never_arrives_has_no_time() -> None:
    t = np.linspace(0.0, 1.0, 101)
    m = step_metrics(t, 0.3 * t, 0.0, 0.0, 1.0)
    assert math.isnan(m.delay_s)
    assert math.isnan(m.rise_s)
    assert math.isnan(m.settling_s)
    assert math.isnan(step_metrics(t[:1], t[:1], 0.0, 0.0, 1.0).delay_s)
    for final in (0.0, math.nan, math.inf):
        with pytest.raises(ValueError):
            step_metrics(t, t, 0.0, 0.0, final)
