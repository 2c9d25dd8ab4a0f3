"""Which cars are put to which check, at which rates; and a healthy car's whole job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tests.vehicle import engine
from tests.vehicle import scenarios_engine as of_engine
from tests.vehicle import scenarios_gear as of_gear
from tests.vehicle import scenarios_idle as of_idle
from tests.vehicle import scenarios_key as of_key
from tests.vehicle import scenarios_road as of_road
from tests.vehicle import scenarios_throttle as of_throttle
from tests.vehicle.case import Maker, specs_of
from tests.vehicle.engine import STEP_S, Idle, idle_fluctuation
from tests.vehicle.hands import parked_presses, staircase, to_the_floor, wandering
from tests.vehicle.logger import STYLES, Signals, logged
from tests.vehicle.road import Drive, driven
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

RATES = (1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class Plan:
    """maker: cars for this check. rates: readings a second per channel that make sense for it.

    interval: what dominates the doubt of its value, "noise" or "steps" (resolution, sampling);
    empty where the check's value and the true one are not the same quantity. open_is_right: of a
    bad one (a short drive) undecided is the right answer, like a fail.
    """

    maker: Maker
    rates: tuple[float, ...] = RATES
    interval: str = ""
    open_is_right: bool = False


PLANS: Mapping[str, Plan] = {
    "idle-speed": Plan(of_idle.idle_speed, interval="noise"),
    "idle-steady": Plan(of_idle.idle_steady),
    "idle-settling": Plan(of_idle.idle_settling, interval="noise"),
    "no-stall": Plan(of_idle.no_stall),
    "pedal-response": Plan(of_throttle.pedal_response, interval="steps"),
    "throttle-return": Plan(of_throttle.throttle_return, interval="steps"),
    "throttle-follow": Plan(of_throttle.throttle_follow, interval="steps"),
    "no-response": Plan(of_throttle.no_response),
    "throttle-pair": Plan(of_throttle.throttle_pair, interval="steps"),
    "pedal-pair": Plan(of_throttle.pedal_pair, interval="steps"),
    "key-on-rest": Plan(of_key.key_on, (20.0, 25.0), interval="steps"),
    "fuel-trim": Plan(of_engine.fuel_trim, interval="noise"),
    "warm-up": Plan(of_engine.warm_up, (1.0, 2.0, 5.0), interval="steps"),
    "charging": Plan(of_engine.charging, (1.0, 2.0, 5.0), interval="steps"),
    "surge": Plan(of_road.surge),
    "hesitation": Plan(of_gear.hesitation, interval="steps"),
    "same-conditions": Plan(of_gear.same_conditions, open_is_right=True),
    "road-coverage": Plan(of_road.road_coverage, (1.0, 2.0, 5.0), open_is_right=True),
}


def healthy_job(
    rng: np.random.Generator, rate_hz: float
) -> tuple[list[Recording], dict[str, SpecValue]]:
    """One car that is well: two minutes of warm idle, ten presses, the staircase, 2,500 rpm held,
    and a road test; all by one logger. Channels as a person would pick them for each."""
    spec = float(rng.choice([650.0, 700.0, 750.0]))
    idle = Idle(
        spec + float(rng.uniform(-25.0, 25.0)),
        noise_rpm=float(rng.uniform(2.5, 8.0)),
        noise_memory_s=float(rng.uniform(0.15, 1.0)),
        wander_rpm=float(rng.uniform(0.0, 2.0)),
    )
    style = STYLES[int(rng.integers(len(STYLES)))]
    jitter = float(rng.uniform(0.0, 0.12))
    trim_idle, trim_above = rng.uniform(-4.0, 4.0), rng.uniform(-4.0, 4.0)
    pieces: list[tuple[Signals, tuple[str, ...]]] = []
    speed = idle.target_rpm + idle_fluctuation(rng, idle, round(120.0 / STEP_S))
    car = of_throttle.Parked(rng, 1, parked_presses)
    rest = car.pedal_rest[0]
    pieces.append((of_idle.warm_idle(rng, speed, pedal_rest=rest), of_idle.IDLE_CHANNELS))
    for foot in (parked_presses, staircase, to_the_floor):
        parked = of_throttle.Parked(rng, 1, foot, same=car)
        signals = parked.signals(0, parked.run())
        channels = ["pedal_d", "throttle", "engine_speed", "vehicle_speed"]
        values = dict(signals.values)
        if foot is to_the_floor:
            values["pedal_e"] = 0.5 * values["pedal_d"]
            values["throttle_b"] = 6.0 + 0.8 * values["throttle"]
            values["engine_speed"] = 0.0 * values["throttle"]
            channels = ["pedal_d", "pedal_e", "throttle", "throttle_b", "engine_speed"]
        pieces.append((Signals(signals.step_s, values, signals.noise), tuple(channels)))
    pieces.append((_held(rng, idle, trim_idle, trim_above, rest), (
        *("fuel_trim_short", "fuel_trim_long", "engine_speed", "vehicle_speed", "coolant"),
        "pedal_d",
    )))  # fmt: skip
    drive = Drive(
        seconds=float(rng.uniform(900.0, 1200.0)),
        idle=idle,
        start_c=float(rng.uniform(50.0, 85.0)),
        regulation_c=float(rng.uniform(86.0, 100.0)),
        trim_at_idle=trim_idle,
        trim_above=trim_above,
        running_v=float(rng.uniform(13.8, 14.5)),
        start_stop=bool(rng.uniform() < 0.25),
        pedal_rest=rest,
    )
    pieces.append((driven(rng, drive, step_s=0.04), (
        *("vehicle_speed", "engine_speed", "pedal_d", "throttle", "coolant", "run_time"),
        *("module_voltage", "load", "ambient"),
    )))  # fmt: skip
    recordings = [
        logged(
            rng,
            s,
            rate_hz,
            style=style,
            channels=c,
            jitter=jitter,
            name=f"{n} {rng.integers(1 << 40)}",
        )
        for n, (s, c) in enumerate(pieces)
    ]
    return recordings, specs_of(spec)


def _held(
    rng: np.random.Generator, idle: Idle, trim_idle: float, trim_above: float, rest: float
) -> Signals:
    """A minute of idle, 2,500 rpm held, idle again, with trims."""
    revving = np.concatenate(
        [np.full(round(s / STEP_S), w) for w, s in ((0, 60), (1, 36), (0, 40))]
    )
    lifted = engine.first_order(revving.astype(float), 0.5)
    count = len(lifted)
    speed = idle.target_rpm + (2500.0 - idle.target_rpm) * lifted
    speed = speed + idle_fluctuation(rng, idle, count)
    speed = speed + wandering(rng, count, 40.0, 3.0, STEP_S) * lifted
    short, long = engine.trims(rng, lifted < 0.3, at_idle=trim_idle, above_idle=trim_above)
    made = of_idle.warm_idle(
        rng, speed, pedal=12.0 * lifted, plate=3.0 + 9.0 * lifted, pedal_rest=rest
    )
    values = {**made.values, "fuel_trim_short": short, "fuel_trim_long": long}
    return Signals(STEP_S, values, made.noise)
