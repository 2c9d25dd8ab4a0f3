"""The simulated car against closed forms, python-control and published drive cycles.

Step response: check-values 8 (second order, first order with dead time). Variance of the mean of
a first-order autoregressive signal: closed form. Nothing here looks at a check.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from tests.conftest import missing, recordings_root
from tests.vehicle import engine, plans, scenarios_throttle
from tests.vehicle.case import recordings_of
from tests.vehicle.hands import parked_presses, staircase, wandering
from tests.vehicle.logger import STEPS, STYLES, Signals, logged
from tests.vehicle.measure import (
    crossing_s,
    half_peak_to_peak,
    releases_of,
    seconds_below,
    step_figures,
)
from tests.vehicle.road import Drive, driven, gears_of
from tests.vehicle.throttle import STEP_S, Plates, plate_for


def linear(natural_rad_s: float, damping: float, **more: float) -> Plates:
    """A plate without friction, play or limits."""
    numbers = {
        "natural_rad_s": natural_rad_s,
        "damping": damping,
        "dead_s": 0.0,
        "coulomb": 0.0,
        "breakaway": 0.0,
        "integral": 0.0,
        "play": 0.0,
        "limp_home": 8.0,
        "spring": 100.0,
        "rate_up": 1e9,
        "rate_down": 1e9,
        "stuck_at": math.nan,
    } | more
    return Plates(**{k: np.array([float(v)]) for k, v in numbers.items()})


def step_of(
    plates: Plates, seconds: float = 3.0, to: float = 50.0
) -> tuple[np.ndarray, np.ndarray]:
    """The answer to a command from 10 % to another place at time 0."""
    steps = round((seconds + 0.1) / STEP_S)
    times = np.arange(steps) * STEP_S - 0.1
    commanded = np.where(times >= 0.0, to, 10.0)[None, :]
    return times, plate_for(plates, commanded, keep=1)[0]


# check-values 8.1: damping, natural frequency, overshoot, 10–90 % and 50 % delay (exact).
@pytest.mark.parametrize(
    ("damping", "natural", "overshoot", "rise", "delay"),
    [
        (0.6, 5.0, 0.09478, 0.3708, 0.2716),
        (0.2, 10.0, 0.52662, 0.1203, 0.1133),
        (0.7, 20.0, 0.04599, 0.1063, 0.0714),
    ],
)
def test_the_linear_plate_answers_a_step_as_the_closed_form_says(
    damping: float, natural: float, overshoot: float, rise: float, delay: float
) -> None:
    times, plate = step_of(linear(natural, damping))
    found = step_figures(times[times >= 0], plate[times >= 0], 10.0, 50.0)
    # The plate moves in steps of 2 ms.
    assert found["overshoot"] == pytest.approx(overshoot, abs=0.004)
    assert found["rise_s"] == pytest.approx(rise, rel=0.02, abs=STEP_S)
    assert found["delay_s"] == pytest.approx(delay, rel=0.02, abs=STEP_S)


@pytest.mark.parametrize("integral", [0.0, 2000.0])
def test_the_linear_loop_equals_python_control(integral: float) -> None:
    import control

    natural, damping = 18.0, 0.8
    poles = [1.0, 2 * damping * natural, natural**2]
    loop = control.tf([natural**2], poles)
    if integral:
        loop = control.tf([natural**2, integral], [*poles, integral])
    # A step so small that the integral part does not reach its bound.
    times, plate = step_of(linear(natural, damping, integral=integral), to=11.0)
    after = times >= -STEP_S / 2
    expected = np.asarray(control.step_response(loop, times[after] - times[after][0]).outputs)
    # The integral part is summed by Euler's rule, the rest by the midpoint rule.
    worst = float(np.max(np.abs(plate[after] - 10.0 - expected)))
    assert worst < (0.005 if integral else 0.002)
    theirs = control.step_info(loop, T=np.arange(0.0, 3.0, STEP_S), RiseTimeLimits=(0.1, 0.9))
    ours = step_figures(times[after], plate[after], 10.0, 11.0)
    assert ours["rise_s"] == pytest.approx(theirs["RiseTime"], abs=2 * STEP_S)
    assert 100 * ours["overshoot"] == pytest.approx(theirs["Overshoot"], abs=1.0)


def test_dead_time_only_shifts_the_answer() -> None:
    _, prompt = step_of(linear(20.0, 0.7))
    _, late = step_of(linear(20.0, 0.7, dead_s=0.3))
    shift = round(0.3 / STEP_S)
    assert np.allclose(late[shift:], prompt[:-shift], atol=1e-9)


def test_a_first_order_lag_with_dead_time_measures_as_the_closed_form_says() -> None:
    # check-values 8.2: L = 0.08 s, τ = 0.15 s.
    times = np.arange(0.0, 3.0, 0.001)
    values = np.where(times > 0.08, 1.0 - np.exp(-(times - 0.08) / 0.15), 0.0)
    found = step_figures(times, values, 0.0, 1.0)
    assert found["rise_s"] == pytest.approx(0.32958, abs=1e-4)
    assert found["delay_s"] == pytest.approx(0.08 + 0.69315 * 0.15, abs=1e-4)
    assert crossing_s(times, values, 0.632, rising=True) == pytest.approx(0.22995, abs=5e-4)
    lagged = engine.first_order(np.where(times > 0.08, 1.0, 0.0), 0.15, 0.001)
    assert np.max(np.abs(lagged - values)) < 0.01


def test_friction_holds_a_plate_that_is_pushed_less_than_it_resists() -> None:
    held = linear(20.0, 0.8, coulomb=300.0, breakaway=500.0)
    steps = round(1.0 / STEP_S)
    command = np.full((1, steps), 10.0)
    command[0, 50:] = 11.0  # 400 %/s² of force against 500 of breakaway
    assert np.all(plate_for(held, command) == 10.0)
    command[0, 50:] = 20.0
    rests_at = plate_for(held, command)[0, -1]
    # It stops within the band in which friction balances the force: Fs/ωn².
    assert 0.0 <= abs(rests_at - 20.0) <= 500.0 / 400.0


def test_play_makes_a_hysteresis_of_its_own_width() -> None:
    worn = linear(25.0, 0.9, play=6.0)
    steps = round(6.0 / STEP_S)
    command = np.interp(np.arange(steps) * STEP_S, [0, 2, 3, 5, 6], [10, 50, 50, 30, 30])[None, :]
    plate = plate_for(worn, command, keep=1)[0]
    up, down = plate[round(2.9 / STEP_S)], plate[-1]
    assert up == pytest.approx(47.0, abs=0.05)
    assert down == pytest.approx(33.0, abs=0.05)


def test_without_current_the_springs_bring_the_plate_to_limp_home() -> None:
    plates = linear(25.0, 0.9, limp_home=8.0)
    steps = round(6.0 / STEP_S)
    command, power = np.full((1, steps), 3.0), np.ones((1, steps))
    power[0, round(2.0 / STEP_S) :] = 0.0
    plate = plate_for(plates, command, powered=power, keep=1)[0]
    assert plate[round(1.9 / STEP_S)] == pytest.approx(3.0, abs=0.01)
    assert plate[-1] == pytest.approx(8.0, abs=0.05)


def test_a_rate_limit_makes_the_release_as_slow_as_meant() -> None:
    made = scenarios_throttle.Parked(np.random.default_rng(3), 2)
    made.plates.rate_down[1] = 20.0
    plate = made.run()
    times = made.times(1)
    slow = releases_of(made.holds[1], times, plate[1, : len(times)])
    travel = [made.travel(1, held) for held, _ in made.releases(1)]
    for seconds, far, (_, rest) in zip(slow, travel, made.releases(1), strict=True):
        takes = rest.start_s - rest.leaves_s
        assert 0.8 * far / 20.0 - takes - 0.05 <= seconds <= 0.8 * far / 20.0 + 0.1
    times = made.times(0)
    assert max(releases_of(made.holds[0], times, plate[0, : len(times)])) < 0.3


def test_a_wandering_signal_has_the_variance_and_memory_of_its_closed_form() -> None:
    # Var(mean of n) of AR(1) with coefficient φ:
    # σ²/n · (1 + 2·Σ_{k<n} (1 − k/n)·φ^k); any textbook on time series.
    rng = np.random.default_rng(11)
    count, step, memory, deviation = 500, 0.02, 0.4, 7.0
    phi = math.exp(-step / memory)
    lags = np.arange(1, count)
    expected = deviation**2 / count * (1.0 + 2.0 * np.sum((1.0 - lags / count) * phi**lags))
    runs = np.stack([wandering(rng, count, deviation, memory, step) for _ in range(3000)])
    spread = 4.0 / math.sqrt(2 * 3000)  # four standard deviations of a relative variance
    assert runs.var() == pytest.approx(deviation**2, rel=0.06)
    assert runs.mean(axis=1).var() == pytest.approx(expected, rel=2 * spread)
    lagged = np.mean(runs[:, 20:] * runs[:, :-20]) / deviation**2
    assert lagged == pytest.approx(phi**20, abs=0.05)


def test_hunting_has_its_amplitude_and_half_peak_to_peak_is_measured() -> None:
    rng = np.random.default_rng(2)
    idle = engine.Idle(700.0, noise_rpm=0.0, wander_rpm=0.0, hunting_rpm=30.0, hunting_s=4.0)
    made = engine.idle_fluctuation(rng, idle, round(120.0 / engine.STEP_S))
    assert half_peak_to_peak(made, engine.STEP_S) == pytest.approx(30.0, abs=0.3)


def test_a_stall_lasts_as_long_as_asked_for() -> None:
    speed = np.full(round(60.0 / engine.STEP_S), 700.0)
    for lasts in (1.0, 1.5, 4.0):
        made = engine.stalled(speed, 20.0, lasts, again=True, restart_rpm=700.0)
        assert seconds_below(made, engine.STEP_S, 300.0) == pytest.approx(lasts, abs=0.06)
    gone = engine.stalled(speed, 20.0, 2.0, again=False, restart_rpm=700.0)
    assert gone[-1] == 0.0


def test_revs_return_to_idle_in_one_to_three_seconds_or_so() -> None:
    rng = np.random.default_rng(4)
    plate = np.full(round(30.0 / engine.STEP_S), 3.0)
    plate[round(10 / engine.STEP_S) : round(15 / engine.STEP_S)] = 25.0
    for _ in range(20):
        idle = engine.Idle(700.0, noise_rpm=0.0, wander_rpm=0.0)
        speed = engine.revs(rng, idle, plate, 3.0)
        assert speed[round(14.9 / engine.STEP_S)] > 2000.0
        at = np.arange(len(speed)) * engine.STEP_S
        back = at[(speed < 750.0) & (at > 15.0)][0] - 15.0
        assert 0.8 <= back <= 4.0


def test_trims_have_the_means_they_were_given() -> None:
    rng = np.random.default_rng(6)
    idling = np.arange(round(300.0 / engine.STEP_S)) < round(150.0 / engine.STEP_S)
    short, long = engine.trims(rng, idling, at_idle=12.0, above_idle=3.0)
    total = short + long
    assert total[:6000].mean() == pytest.approx(12.0, abs=0.3)
    assert total[-6000:].mean() == pytest.approx(3.0, abs=0.3)


def test_a_held_foot_holds_about_five_seconds_and_the_asked_levels() -> None:
    rng = np.random.default_rng(8)
    pedal, holds = parked_presses(rng)
    pressed = [h for h in holds if h.level > 0.0]
    assert len(pressed) == 10
    for hold in pressed:
        assert 4.0 <= hold.end_s - hold.start_s <= 6.5
        assert hold.level == pytest.approx(33.0, abs=8.0)
        middle = round((hold.start_s + hold.end_s) / 2 / STEP_S)
        assert pedal[middle] == pytest.approx(hold.level, abs=1.0)
    released = [h for h in holds if h.level == 0.0]
    assert all(pedal[round((h.start_s + h.end_s) / 2 / STEP_S)] < 0.01 for h in released)
    _, stairs = staircase(rng, 2)
    assert [round(h.level / 25.0) for h in stairs[1:7]] == [1, 2, 3, 2, 1, 0]


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_every_reading_is_a_rounded_truth_of_its_stated_age(style: str, rate_hz: float) -> None:
    rng = np.random.default_rng(12)
    truth = np.linspace(0.0, 6000.0, 30001)  # 100 rpm a second: time can be read off the value
    signals = Signals(0.002, {"engine_speed": truth, "pedal_d": truth / 60.0})
    made = logged(rng, signals, rate_hz, style=style)
    for name in ("engine_speed", "pedal_d"):
        c = made.channels[name]
        steps = c.values / STEPS[name]
        if style != "csv":
            assert np.allclose(steps, np.round(steps), atol=1e-6)
            assert c.resolution == STEPS[name]
        assert c.interval_s == pytest.approx(1.0 / rate_hz, rel=0.1)
        slope = 100.0 if name == "engine_speed" else 100.0 / 60.0
        read_at = c.values / slope
        # The importer counts from the first row; there only the spread of the age can be told.
        age = c.time_s - read_at
        slack = STEPS[name] / slope
        if style == "csv":
            assert np.ptp(age) <= max(c.skew_s, 1.3 / rate_hz) + 2 * slack
        elif style == "row":
            assert c.skew_s > 0.0
            assert np.all(age >= -slack)
            assert np.all(age <= c.skew_s + slack)
        else:
            assert np.max(np.abs(age)) <= slack
    with pytest.raises(ValueError):
        logged(rng, signals, rate_hz, style="other")


def test_a_row_logger_without_age_would_be_noticed() -> None:
    rng = np.random.default_rng(13)
    truth = np.linspace(0.0, 6000.0, 30001)
    made = logged(
        rng, Signals(0.002, {"engine_speed": truth, "load": truth / 60}), 1.0, style="row"
    )
    c = made.channels["engine_speed"]
    assert np.max(c.time_s - c.values / 100.0) > 0.25


@pytest.mark.parametrize("check", sorted(plans.PLANS))
def test_every_plan_makes_cars_that_are_well_and_cars_that_are_not(check: str) -> None:
    plan = plans.PLANS[check]
    cases = plan.maker(np.random.default_rng(21), 24)
    truths = [c.truth for c in cases]
    assert truths.count("bad") >= 6
    assert truths.count("good") >= 4
    assert all(c.share > 1.0 for c in cases if c.truth == "bad")
    made = recordings_of(cases[0], np.random.default_rng(1), plan.rates[0])
    assert all(r.channels for r in made)
    again = plan.maker(np.random.default_rng(21), 24)
    assert [c.share for c in again] == [c.share for c in cases]


def test_a_road_test_has_what_the_trade_asks_for() -> None:
    made = driven(np.random.default_rng(5), Drive(1000.0), step_s=0.04)
    v = made.values
    speed, pedal = v["vehicle_speed"], v["pedal_d"] - 15.0
    assert 850.0 <= made.seconds <= 1500.0
    takes_off = np.flatnonzero((speed[1:] > 0) & (speed[:-1] == 0))
    assert len(takes_off) >= 4
    assert seconds_below(-speed, made.step_s, -60.0) >= 300.0  # five minutes above 60 km/h
    coasting = (pedal <= 0.0) & (speed > 30.0)
    assert seconds_below(-coasting.astype(float), made.step_s, -0.5) >= 5.0
    assert np.max(np.gradient(speed, made.step_s)) > 8.0
    assert speed[-round(40 / made.step_s) :].max() == 0.0
    assert np.all(v["engine_speed"] > 300.0)
    cold = driven(np.random.default_rng(5), Drive(1000.0, start_c=5.0), step_s=0.04)
    assert cold.values["engine_speed"][:500].mean() > 1000.0
    resting = driven(np.random.default_rng(5), Drive(1000.0, start_stop=True), step_s=0.04)
    assert np.any(resting.values["engine_speed"] == 0.0)
    assert np.all(resting.values["engine_speed"][resting.values["vehicle_speed"] > 1.0] > 0.0)


def cycle(name: str) -> np.ndarray:
    path: Path = recordings_root().parent / "cycles" / name
    if not path.is_file():
        missing(f"the drive cycle {name} (beside KEYSBACK_RECORDINGS)")
    with path.open(newline="") as file:
        return np.array([float(row["speed_kmh"]) for row in csv.DictReader(file)])


def test_a_published_cycle_driven_keeps_its_distance_and_its_stops() -> None:
    # UDDS, 40 CFR 86 Appendix I: 1369 s, 11.99 km, 259 rows standing.
    trace = cycle("UDDS.csv")
    step = 0.1
    profile = np.interp(np.arange(0.0, len(trace) - 1, step), np.arange(len(trace)), trace)
    made = driven(np.random.default_rng(1), Drive(), profile=profile, step_s=step)
    speed = made.values["vehicle_speed"]
    assert np.trapezoid(speed, dx=step) / 3600.0 == pytest.approx(11.99, abs=0.02)
    assert made.seconds == pytest.approx(1369.0, abs=0.5)
    stands = np.mean(speed == 0.0)
    assert stands == pytest.approx(259 / 1370, abs=0.02)
    seen = logged(np.random.default_rng(2), made, 1.0, channels=["vehicle_speed", "engine_speed"])
    c = seen.channels["vehicle_speed"]
    distance = float(np.sum(c.values[:-1] * np.diff(c.time_s)) / 3600.0)
    assert distance == pytest.approx(11.99, rel=0.01)
    gears, shifting = gears_of(speed, step)
    assert set(gears.tolist()) == {0, 1, 2, 3, 4}
    assert 0.01 < shifting.mean() < 0.2


def test_a_healthy_job_has_its_manoeuvres_and_the_same_seed_the_same_job() -> None:
    made, specs = plans.healthy_job(np.random.default_rng([1, 2]), 2.0)
    assert len(made) >= 5
    assert "idle_speed" in specs
    rests = {round(float(np.median(r.channels["pedal_d"].values[:5]))) for r in made}
    assert len(rests) == 1, "one car has one pedal"
    again, _ = plans.healthy_job(np.random.default_rng([1, 2]), 2.0)
    assert [r.sha256 for r in made] == [r.sha256 for r in again]
    other, _ = plans.healthy_job(np.random.default_rng([1, 3]), 2.0)
    assert made[0].sha256 != other[0].sha256
