"""A road drive: speed by legs, gears, engine speed, the pedal that goes with them, and its plate.

The plate follows the pedal only roughly on the road (torque control, shifts, fuel cut), as it does
in healthy cars.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.vehicle.engine import Idle, coolant, first_order, trims, voltage
from tests.vehicle.hands import wandering
from tests.vehicle.logger import Signals
from tests.vehicle.throttle import delayed

Array = NDArray[np.float64]
RPM_PER_KMH = (125.0, 70.0, 46.0, 34.0, 27.0)
UP_KMH = (18.0, 34.0, 52.0, 72.0)
SHIFT_S = 0.7


@dataclass(frozen=True)
class Leg:
    """Go to `kmh` with `accel` (km/h per second), then stay for `stay_s`.

    coast: the foot is off the pedal on the way (and the gear stays in).
    """

    kmh: float
    stay_s: float
    accel: float = 5.0
    coast: bool = False


@dataclass(frozen=True)
class Drive:
    """seconds: at least this long; legs are repeated until then and a hot idle ends it.
    start_stop: the engine rests at stops between drives. pedal_rest: what a released pedal reads.
    """

    seconds: float = 1000.0
    idle: Idle = field(default_factory=lambda: Idle(700.0))
    start_c: float = 60.0
    regulation_c: float = 92.0
    trim_at_idle: float = 1.0
    trim_above: float = 2.0
    running_v: float = 14.1
    start_stop: bool = False
    pedal_rest: float = 15.0


def road_test(rng: np.random.Generator, seconds: float) -> list[Leg]:
    """The trade's road test: take-offs, town, five minutes of cruise, a coast, one firm pull."""
    legs = [Leg(0.0, float(rng.uniform(40.0, 60.0)))]
    for _ in range(3):
        legs += [
            Leg(float(rng.uniform(28.0, 50.0)), float(rng.uniform(15.0, 40.0)), 4.0),
            Leg(0.0, float(rng.uniform(6.0, 20.0)), 6.0),
        ]
    legs += [
        Leg(float(rng.uniform(75.0, 95.0)), float(rng.uniform(310.0, 340.0)), 5.0),
        Leg(float(rng.uniform(45.0, 55.0)), 10.0, 2.2, coast=True),
        Leg(float(rng.uniform(85.0, 100.0)), 20.0, 11.0),
        Leg(0.0, 10.0, 6.0),
    ]
    spent = sum(leg.stay_s for leg in legs) + 120.0
    while spent < seconds - 60.0:
        stay = float(rng.uniform(30.0, 90.0))
        legs += [Leg(float(rng.uniform(40.0, 70.0)), stay, 4.0), Leg(0.0, 10.0, 6.0)]
        spent += stay + 34.0
    return [*legs, Leg(0.0, float(rng.uniform(45.0, 70.0)))]


def speed_profile(
    rng: np.random.Generator, legs: Sequence[Leg], step_s: float
) -> tuple[Array, Array]:
    """Road speed in km/h on an even clock, and where the foot is off by intention."""
    speed, coasting = [np.zeros(1)], [np.zeros(1)]
    now = 0.0
    for leg in legs:
        takes = max(abs(leg.kmh - now) / leg.accel, step_s)
        count = max(1, round(takes / step_s))
        speed.append(now + (leg.kmh - now) * (np.arange(count) + 1) / count)
        coasting.append(np.full(count, float(leg.coast)))
        stay = round(leg.stay_s / step_s)
        speed.append(np.full(stay, leg.kmh))
        coasting.append(np.zeros(stay))
        now = leg.kmh
    profile, closed = np.concatenate(speed), np.concatenate(coasting)
    sway = wandering(rng, len(profile), 1.2, 12.0, step_s) * (profile > 20.0)
    profile = np.maximum(first_order(first_order(profile + sway, 0.5, step_s), 0.4, step_s), 0.0)
    profile[profile < 0.25] = 0.0
    return profile, closed


def gears_of(speed: Array, step_s: float) -> tuple[Array, Array]:
    """Gear (0-based) for each step, with hysteresis, and 1.0 while shifting."""
    gear = np.empty(len(speed), dtype=int)
    shifting = np.zeros(len(speed))
    now, last = 0, -(10**9)
    wait = round(1.5 / step_s)
    for place, v in enumerate(speed.tolist()):
        if place - last > wait:
            if now < 4 and v > UP_KMH[now]:
                now, last = now + 1, place
            elif now > 0 and v < UP_KMH[now - 1] - 9.0:
                now, last = now - 1, place
        gear[place] = now
        if place - last < SHIFT_S / step_s:
            shifting[place] = 1.0
    return gear, shifting


def resting(engine_speed: Array, speed: Array, step_s: float) -> Array:
    """Start-stop: off from 1.5 s after a stop until 0.6 s before the car moves again."""
    made = engine_speed.copy()
    stands = np.concatenate([[0], (speed == 0.0).astype(int), [0]])
    edges = np.flatnonzero(np.diff(stands))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        off, on = begin + round(1.5 / step_s), end - round(0.6 / step_s)
        if begin == 0 or end >= len(speed) or on - off < 2.0 / step_s:
            continue
        since = np.arange(on - off) * step_s
        made[off:on] = np.where(since < 0.5, made[off] * (1.0 - since / 0.5), 0.0)
        made[on : on + round(0.3 / step_s)] = 350.0
    return made


def driven(
    rng: np.random.Generator,
    drive: Drive,
    *,
    legs: Sequence[Leg] | None = None,
    profile: Array | None = None,
    step_s: float = 0.02,
) -> Signals:
    """All channels of a drive. profile: road speed (km/h at step_s), instead of legs."""
    if profile is None:
        speed, coasting = speed_profile(rng, legs or road_test(rng, drive.seconds), step_s)
    else:
        speed, coasting = profile, np.zeros(len(profile))
    count = len(speed)
    accel = np.gradient(speed, step_s)
    gear, shifting = gears_of(speed, step_s)
    geared = speed * np.asarray(RPM_PER_KMH)[gear]
    noise = wandering(rng, count, drive.idle.noise_rpm, drive.idle.noise_memory_s, step_s)
    seconds = count * step_s
    warm = coolant(
        rng,
        seconds + step_s,
        start_c=drive.start_c,
        regulation_c=drive.regulation_c,
        warm_tau_s=200.0,
        step_s=step_s,
    )[:count]
    # Fast idle of a cold engine: 1,000 to 1,500 rpm, falling with the coolant (common practice).
    idling = drive.idle.target_rpm + np.clip(9.0 * (60.0 - warm), 0.0, 450.0) + noise
    coupled = (geared > idling - noise) & (shifting == 0)
    # Through a shift the revs fall from the old gear's to the new one's.
    engine_speed = np.where(coupled | (shifting > 0), np.maximum(geared, idling), idling)
    pulling_away = (accel > 1.0) & (speed < 8.0)
    engine_speed = np.where(pulling_away, np.maximum(engine_speed, 1300.0), engine_speed)
    engine_speed = first_order(engine_speed, 0.15, step_s)
    if drive.start_stop:
        engine_speed = resting(engine_speed, speed, step_s)
    wanted = 6.0 + 0.11 * speed + 4.2 * accel
    braking = (accel < -1.2) | (coasting > 0) | ((speed < 1.0) & (accel <= 0.3))
    pedal = np.where(braking | (shifting > 0), 0.0, np.clip(wanted, 3.0, 90.0))
    pedal = first_order(pedal, 0.12, step_s)
    pedal[pedal < 0.4] = 0.0
    plate = 3.0 + 0.75 * pedal + 2.0 * wandering(rng, count, 1.0, 2.0, step_s) * (pedal > 1.0)
    plate = delayed(plate[None, :], np.array([0.05]), step_s)[0]
    plate = np.clip(np.where(shifting > 0, plate + 2.0, plate), 1.0, 100.0)
    short, long = trims(rng, speed < 1.0, at_idle=drive.trim_at_idle, above_idle=drive.trim_above)
    volts = voltage(
        rng, np.ones(count, dtype=bool), rest_v=12.5, running_v=drive.running_v, crank_v=10.0
    )
    return Signals(
        step_s,
        {
            "vehicle_speed": speed,
            "engine_speed": engine_speed,
            "pedal_d": drive.pedal_rest + 0.72 * pedal,
            "throttle": 12.0 + 0.75 * plate,
            "coolant": warm,
            "run_time": np.arange(count) * step_s + 5.0,
            "load": np.clip(20.0 + 0.9 * pedal + 3.0 * (speed < 1.0), 0.0, 100.0),
            "fuel_trim_short": short,
            "fuel_trim_long": long,
            "module_voltage": volts,
            "ambient": np.full(count, 15.0),
            "fuel_status": np.where((coasting > 0) & (pedal < 0.5), 4.0, 2.0),
        },
        {"pedal_d": 0.05, "throttle": 0.08},
    )
