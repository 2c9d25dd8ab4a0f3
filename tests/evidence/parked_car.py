"""A parked car whose pedal is pressed and let go, with the truth of each press.

Written apart from the checks: it plays a plate at 500 readings a second and reads the truth off
that, then logs it as slowly as asked. Nothing here knows how the checks compute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.nasty import Array, channel, recording
from verify.evidence.recording import Recording

FINE_S = 0.002


@dataclass(frozen=True)
class Car:
    """Seconds and % as the names say; one value for all presses, or one for each.

    dead_s, lag_s: of the plate when it opens. back_s: from the pedal at rest until it is within a
    fifth of its way. overshoot: share of the step. hang_s: until engine speed falls.
    """

    presses: int = 10
    held_s: float = 5.0
    apart_s: float = 5.0
    foot_s: float = 0.15
    pedal: float = 30.0
    rest: float = 12.0
    travel: float = 12.0
    dead_s: float | Sequence[float] = 0.05
    lag_s: float = 0.06
    back_s: float | Sequence[float] = 0.15
    overshoot: float = 0.0
    hang_s: float = 0.3
    noise: float = 0.0
    flap: bool = False
    revs: bool = True
    map_kpa: float | None = None
    extra: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Truth:
    delay_s: Array
    back_s: Array
    overshoot: Array


def play(
    car: Car, every_s: float = 0.5, seed: int = 1, skew: bool = False
) -> tuple[Recording, Truth]:
    """The recording, each channel read every `every_s` in turn, and the truth of each press."""
    rng = np.random.default_rng(seed)
    n = car.presses
    begin = 6.0 + (car.held_s + car.apart_s) * np.arange(n) + rng.uniform(0.0, 1.0, n)
    end = begin + car.held_s
    t = np.arange(0.0, float(end[-1]) + car.apart_s + 3.0 if n else 30.0, FINE_S)
    corners = np.column_stack([begin, begin + car.foot_s, end, end + car.foot_s]).ravel()
    foot = np.interp(t, corners, np.tile([0.0, 1.0, 1.0, 0.0], n)) if n else np.zeros_like(t)
    dead = np.broadcast_to(np.asarray(car.dead_s, dtype=float), (n,))
    back = np.broadcast_to(np.asarray(car.back_s, dtype=float), (n,))
    plate = np.zeros_like(t)
    revs = np.zeros_like(t)
    for i in range(n):
        opens = begin[i] + 0.5 * car.foot_s + dead[i]
        up = t - opens
        shape = 1.0 - np.exp(-np.maximum(up, 0.0) / car.lag_s)
        hump = car.overshoot * np.sin(np.pi * np.clip((up - 2.0 * car.lag_s) / 0.18, 0.0, 1.0))
        rests = end[i] + car.foot_s
        # 10 % more than a fifth at rest and falling evenly, so that the fifth is met at back_s.
        down = np.interp(t, [rests - 0.02, rests + 1.25 * back[i] + 1e-6], [1.0, 0.0])
        if back[i] > 1e3:
            down = np.ones_like(t)
        own = np.where(up >= 0.0, (shape + hump) * down, 0.0)
        plate = np.maximum(plate, own)
        revs = np.maximum(
            revs,
            np.interp(
                t,
                [opens, opens + 0.6, rests + car.hang_s, rests + car.hang_s + 0.8],
                [0.0, 1.0, 1.0, 0.0],
            ),
        )
    truth = Truth(
        np.array([_delay(t, foot, plate, b) for b in begin]),
        np.array([_back(t, plate, e + car.foot_s, car.apart_s) for e in end]),
        np.full(n, car.overshoot),
    )
    shown = 85.0 + 0.0 * t if car.flap else car.rest + car.travel * plate
    shown = shown + (rng.normal(0.0, car.noise, len(t)) if car.noise else 0.0)
    engine = 750.0 + (1400.0 * revs if car.revs else 0.0) + rng.normal(0.0, 5.0, len(t))
    signals = {
        "pedal": (car.pedal * foot, 100.0 / 255.0),
        "throttle": (shown, 100.0 / 255.0),
        "engine_speed": (engine, 1.0),
        "vehicle_speed": (0.0 * t, 1.0),
    }
    if car.map_kpa is not None:
        signals["map"] = (car.map_kpa + 0.0 * t, 1.0)
    return _logged(t, signals, car, every_s, rng, skew), truth


def _delay(t: Array, foot: Array, plate: Array, begin: float) -> float:
    near = (t >= begin) & (t <= begin + 4.9)
    asked = t[near][np.argmax(foot[near] >= 0.5)]
    return float(t[near][np.argmax(plate[near] >= 0.5)] - asked)


def _back(t: Array, plate: Array, rests: float, apart_s: float) -> float:
    near = (t >= rests) & (t <= rests + apart_s)
    closed = plate[near] <= 0.2
    return float(t[near][np.argmax(closed)] - rests) if closed.any() else np.inf


def _logged(
    t: Array,
    signals: dict[str, tuple[Array, float]],
    car: Car,
    every_s: float,
    rng: np.random.Generator,
    skew: bool,
) -> Recording:
    count = int(float(t[-1]) / every_s)
    channels = []
    for place, (name, (values, step)) in enumerate(signals.items()):
        read = (np.arange(count) + place / len(signals)) * every_s
        read = read + rng.uniform(0.0, 0.04 * every_s, count)
        got = np.round(np.interp(read, t, values) / step) * step
        written = (np.arange(count) + 1.0) * every_s if skew else read
        made = channel(name, written, got, step)
        channels.append(replace(made, skew_s=every_s if skew else 0.0))
    for name, value in car.extra:
        seconds = np.arange(0.0, float(t[-1]), 1.0)
        channels.append(channel(name, seconds, np.full(len(seconds), value), 1.0))
    return recording(channels, name=f"parked {car}")


def climbs(every_s: float, bend: float, seed: int, *, stuck: bool = False) -> Recording:
    """Rest, a quarter, a half, three quarters and back, each held 5 s, three times over, and a
    plate that goes with pedal^bend after 0.1 s."""
    rng = np.random.default_rng(seed)
    steps = np.array([0.0, 25.0, 50.0, 75.0, 50.0, 25.0] * 3 + [0.0])
    corners = 6.0 + np.cumsum(np.append(0.0, rng.uniform(4.5, 5.5, len(steps) - 1)))
    t = np.arange(0.0, float(corners[-1]) + 5.0, 0.002)
    foot = np.interp(
        t,
        np.column_stack([corners, corners + 0.2]).ravel(),
        np.column_stack([np.append(0.0, steps[:-1]), steps]).ravel(),
    )
    wanted = 12.0 + 60.0 * (np.interp(t - 0.1, t, foot) / 100.0) ** bend
    plate = np.full(len(t), 12.0) if stuck else wanted
    made = []
    for place, (name, values) in enumerate(
        {
            "pedal": foot,
            "throttle": plate,
            "engine_speed": 750.0 + 9.0 * np.sin(t) + 30.0 * foot * (not stuck),
        }.items()
    ):
        at = np.arange(place * every_s / 4, float(t[-1]), every_s)
        made.append(channel(name, at, np.round(np.interp(at, t, values) / 0.4) * 0.4, 0.4))
    made.append(channel("vehicle_speed", at, 0.0 * at))
    return recording(made)
