"""Cars whose mixture, warm-up or charging is well or not."""

from __future__ import annotations

import numpy as np

from tests.vehicle import engine
from tests.vehicle.case import Case, specs_of, truth_of
from tests.vehicle.engine import STEP_S
from tests.vehicle.hands import wandering
from tests.vehicle.logger import Signals
from tests.vehicle.road import Drive, driven
from tests.vehicle.scenarios_idle import _share, some_idle, warm_idle
from tests.vehicle.scenarios_throttle import REST


def fuel_trim(rng: np.random.Generator, cars: int) -> list[Case]:
    """A minute of warm idle, 2,500 rpm held 30 s, idle; lean or rich at idle, above it, or both."""
    cases = []
    for car in range(cars):
        share, side = _share(rng, car), float(rng.choice([-1.0, 1.0]))
        kind = ("leak", "everywhere", "above idle")[int(rng.choice(3, p=(0.4, 0.4, 0.2)))]
        far, near = 10.0 * share * side, 10.0 * float(rng.uniform(-0.4, 0.4)) * min(share, 1.0)
        if kind == "leak":  # unmetered air: much of little at idle, little of much above
            at_idle, above = abs(far), abs(far) * float(rng.uniform(0.1, 0.4))
        elif kind == "everywhere":
            at_idle, above = far, far * float(rng.uniform(0.75, 1.0))
        else:
            at_idle, above = near, far
        pieces = (("idle", 60.0), ("held", 36.0), ("idle", 45.0))
        revving = np.concatenate(
            [np.full(round(s * rng.uniform(0.95, 1.1) / STEP_S), w == "held") for w, s in pieces]
        )
        count = len(revving)
        lifted = engine.first_order(revving.astype(float), 0.5)
        idle = some_idle(rng, 700.0)
        hand = wandering(rng, count, 45.0, 3.0, STEP_S) * lifted
        speed = 700.0 + (2500.0 - 700.0) * lifted + hand
        speed = speed + engine.idle_fluctuation(rng, idle, count) * (1.0 - 0.5 * lifted)
        short, long = engine.trims(rng, lifted < 0.3, at_idle=at_idle, above_idle=above)
        made = warm_idle(rng, speed, pedal=12.0 * lifted, plate=REST + 9.0 * lifted)
        values = {
            **made.values,
            "fuel_trim_short": short,
            "fuel_trim_long": long,
            "fuel_status": np.full(count, 2.0),
        }
        truth_share = max(abs(at_idle), abs(above)) / 10.0
        # The check tells one of its two points; which one is plain only where they differ.
        near_each_other = abs(abs(at_idle) - abs(above)) < 2.0
        told = float("nan") if near_each_other else max(at_idle, above, key=abs)
        cases.append(
            Case(
                "fuel-trim",
                kind,
                truth_share,
                truth_of(truth_share),
                told,
                [Signals(STEP_S, values, made.noise)],
                (
                    *("fuel_trim_short", "fuel_trim_long", "engine_speed", "vehicle_speed"),
                    *("coolant", "pedal_d", "fuel_status"),
                ),
                specs_of(),
            )
        )
    return cases


def warm_up(rng: np.random.Generator, cars: int) -> list[Case]:
    """Cold start, 25 to 30 minutes of driving: regulated within 80 to 105 °C, or not.

    The share counts from the middle of the two limits: 92.5 ± 12.5 °C.
    """
    cases = []
    for car in range(cars):
        share = _share(rng, car)
        side = 1.0 if rng.uniform() < 0.3 else -1.0
        regulation = 92.5 + 12.5 * share * side
        drive = driven(rng, Drive(seconds=float(rng.uniform(1500.0, 1900.0))), step_s=0.1)
        seconds = drive.seconds
        coolant = engine.coolant(
            rng,
            seconds,
            start_c=float(rng.uniform(5.0, 25.0)),
            regulation_c=regulation,
            warm_tau_s=float(rng.uniform(220.0, 380.0)),
            ripple_c=float(rng.uniform(0.5, 2.0)),
            step_s=0.1,
        )
        count = min(len(coolant), len(drive.values["engine_speed"]))
        values = {k: v[:count] for k, v in drive.values.items()} | {"coolant": coolant[:count]}
        values["ambient"] = np.full(count, 15.0)
        cases.append(
            Case(
                "warm-up",
                "overheating" if side > 0 else "stuck open",
                share,
                truth_of(share),
                regulation,
                [Signals(0.1, values, drive.noise)],
                ("coolant", "engine_speed", "vehicle_speed", "run_time", "ambient"),
                specs_of(),
            )
        )
    return cases


# Healthy 13.5 to 14.8 V, running (common practice); surely wrong below 12.5 and above
# 15.0 V. In between neither: smart charging, a tired generator.
HEALTHY_V, LOWEST_V, HIGHEST_V = (13.5, 14.8), 12.5, 15.0


def charging(rng: np.random.Generator, cars: int) -> list[Case]:
    """Half a minute key on, a start, a minute of idle, 1,800 rpm held, idle.

    Shares of bad cars count from the middle of the healthy range, so that 1 is the fail line.
    """
    cases = []
    middle, half = sum(HEALTHY_V) / 2.0, (HEALTHY_V[1] - HEALTHY_V[0]) / 2.0
    for car in range(cars):
        share, side = _share(rng, car), 1.0 if rng.uniform() < 0.3 else -1.0
        reach = HIGHEST_V - middle if side > 0 else middle - LOWEST_V
        running_v = middle + side * share * (reach if share > 1.0 else half)
        truth = truth_of(share)
        kind = "over" if side > 0 else "low"
        if rng.uniform() < 0.1:
            running_v, truth, kind = float(rng.uniform(12.7, 13.3)), "between", "neither"
        before = round(30.0 / STEP_S)
        lengths = [round(s / STEP_S) for s in rng.uniform((65.0, 30.0, 20.0), (90.0, 45.0, 30.0))]
        held = np.concatenate([np.zeros(before), *(np.full(n, w) for n, w in zip(
            lengths, (0.0, 1.0, 0.0), strict=True))])  # fmt: skip
        count = len(held)
        running = np.arange(count) >= before
        since = (np.arange(count) - before) * STEP_S
        idle = some_idle(rng, 700.0)
        lifted = engine.first_order(held, 0.5)
        speed = 700.0 + 400.0 * np.exp(-np.maximum(since, 0.0) / 2.0) + 1100.0 * lifted
        speed = speed + engine.idle_fluctuation(rng, idle, count)
        speed = np.where(running, speed, np.where(since > -0.9, 220.0, 0.0))
        made = warm_idle(rng, speed, pedal=9.0 * lifted, plate=REST + 7.0 * lifted)
        # A dead generator leaves the battery's own voltage, which is below its rest under load.
        rest_v = float(rng.uniform(12.4, 12.7))
        volts = engine.voltage(rng, running, rest_v=rest_v, running_v=running_v, crank_v=10.3)
        cases.append(
            Case(
                "charging",
                kind,
                share,
                truth,
                running_v,
                [Signals(STEP_S, {**made.values, "module_voltage": volts}, made.noise)],
                ("module_voltage", "engine_speed", "vehicle_speed", "coolant", "pedal_d"),
                specs_of(),
            )
        )
    return cases
