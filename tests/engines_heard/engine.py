"""A four-stroke engine as a telephone hears it.

From the crankshaft outwards: a speed that wanders from cycle to cycle, a blow at each firing angle,
pipes that ring, clatter of valves and injectors, then air, a microphone, and a file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]

# Crank degrees of the 720 at which cylinders fire, for engines that do not fire evenly
# (common practice: odd-fire twins of 90°, an old six of 90° with shared pins).
UNEVEN: dict[str, tuple[float, ...]] = {
    "twin 270": (0.0, 270.0),
    "six 90/150": (0.0, 90.0, 240.0, 330.0, 480.0, 570.0),
}


@dataclass(frozen=True)
class Engine:
    """What is heard, and what is true of it.

    rpm: mean speed. wander_rpm: standard deviation of a slow wander forgotten in about 3 s; jitter:
    cycle-to-cycle share. hunting_rpm, hunting_s: amplitude and period. unlike: how much the
    cylinders differ (standard deviation of their loudness). stall_at_s: where it dies.
    blips: (when, up to which speed) of the pedal. snr_db: engine against noise, both as recorded.
    noise: "pink", "white" or "wind". phone: whether a telephone's band is all that comes through.
    clip: share of the peak at which the file is cut off, 0 for none.
    """

    rpm: float = 700.0
    cylinders: int = 4
    seconds: float = 30.0
    rate: int = 44_100
    seed: int = 1
    wander_rpm: float = 4.0
    jitter: float = 0.006
    hunting_rpm: float = 0.0
    hunting_s: float = 4.0
    unlike: float = 0.12
    angles: tuple[float, ...] = ()
    stall_at_s: float = 0.0
    blips: tuple[tuple[float, float], ...] = ()
    snr_db: float = 15.0
    noise: str = "pink"
    phone: bool = True
    clip: float = 0.0
    belt: bool = True
    clatter: float = 0.25
    dead_cylinder: bool = False
    pipes: tuple[tuple[float, float], ...] = field(
        default=((85.0, 3.0), (190.0, 4.0), (420.0, 5.0), (900.0, 4.0))
    )

    def but(self, **more: Any) -> Engine:
        return replace(self, **more)


@dataclass(frozen=True)
class Heard:
    """sound: shape (n,), within ±1. time_s, rpm: the true speed of the crankshaft over time."""

    sound: Array
    rate: int
    time_s: Array
    rpm: Array

    @property
    def mean_rpm(self) -> float:
        return float(self.rpm[self.rpm > 0].mean())


def speed_curve(engine: Engine, rng: np.random.Generator) -> tuple[Array, Array]:
    """(times, rpm) on a grid of 5 ms."""
    step = 0.005
    t = np.arange(0.0, engine.seconds + 1.0, step)
    keep = np.exp(-step / 3.0)
    kick = rng.normal(0.0, engine.wander_rpm * np.sqrt(1.0 - keep * keep), len(t))
    wander = signal.lfilter([1.0], [1.0, -keep], kick)
    rpm = engine.rpm + wander
    rpm = rpm + engine.hunting_rpm * np.sin(2 * np.pi * t / engine.hunting_s + 0.7)
    for at, top in engine.blips:
        rise = 1.0 - np.exp(-np.clip(t - at, 0.0, None) / 0.35)
        fall = np.exp(-np.clip(t - at - 1.5, 0.0, None) / 0.5)
        rpm = rpm + (top - engine.rpm) * rise * fall
    if engine.stall_at_s > 0.0:
        dying = np.clip(1.0 - (t - engine.stall_at_s) / 0.6, 0.0, 1.0)
        rpm = rpm * np.where(t < engine.stall_at_s, 1.0, dying)
    return t, np.clip(rpm, 0.0, None)


def hear(engine: Engine) -> Heard:
    """The sound in a file, and the true speed."""
    rng = np.random.default_rng(engine.seed)
    t, rpm = speed_curve(engine, rng)
    count = int(engine.seconds * engine.rate)
    cycles = np.concatenate([[0.0], np.cumsum(rpm[:-1] / 120.0 * 0.005)])
    blows, loud = _blows(engine, rng, t, rpm, cycles)
    body = _pulses(blows, loud, count, engine.rate)
    clatter = _clatter(engine, rng, blows, loud, count)
    sound = 0.25 * signal.lfilter(*signal.butter(1, 60.0, fs=engine.rate), body)
    for place, sharp in engine.pipes:
        if place < 0.42 * engine.rate:
            b, a = signal.iirpeak(place, sharp, fs=engine.rate)
            sound = sound + signal.lfilter(b, a, body)
    spread = float(np.std(sound)) or 1.0
    sound = sound / spread + engine.clatter * clatter
    if engine.belt:
        turn = 2 * np.pi * np.interp(np.arange(count) / engine.rate, t, cycles) * 2.0
        sound = sound + 0.05 * np.sin(2.37 * turn) + 0.03 * np.sin(24.0 * 2.37 * turn)
    sound = as_recorded(sound, engine.rate, phone=engine.phone)
    noise = as_recorded(noise_of(engine.noise, rng, count, engine.rate), engine.rate,
                        phone=engine.phone)  # fmt: skip
    power = float(np.mean(sound**2)) or 1.0
    noise *= np.sqrt(power / (float(np.mean(noise**2)) * 10 ** (engine.snr_db / 10)))
    made = finished(sound + noise, clip=engine.clip)
    true = np.interp(np.arange(0.0, engine.seconds, 0.1), t, rpm)
    return Heard(made, engine.rate, np.arange(0.0, engine.seconds, 0.1), true)


def _blows(
    engine: Engine, rng: np.random.Generator, t: Array, rpm: Array, cycles: Array
) -> tuple[Array, Array]:
    """Times and loudness of all firings."""
    n = engine.cylinders
    angles = np.array(engine.angles or [720.0 * i / n for i in range(n)]) / 720.0
    own = np.clip(1.0 + engine.unlike * rng.normal(size=n), 0.3, 2.0)
    if engine.dead_cylinder:
        own[0] = 0.1
    whole = np.arange(0, int(cycles[-1]) + 1)
    at = (whole[:, None] + angles[None, :]).ravel()
    at = at + rng.normal(0.0, engine.jitter / n, len(at))
    at = np.sort(at)
    moving = np.maximum.accumulate(cycles + 1e-12 * np.arange(len(cycles)))
    times = np.interp(at, moving, t)
    loud = np.tile(own, len(whole)) * np.clip(1.0 + 0.12 * rng.normal(size=len(at)), 0.1, 3.0)
    turning = np.interp(times, t, rpm) > 40.0
    inside = turning & (at < cycles[-1]) & (times < engine.seconds)
    return times[inside], loud[inside]


def _pulses(times: Array, loud: Array, count: int, rate: int) -> Array:
    """A blow of 3 ms at each time, placed between samples too."""
    train = np.zeros(count + 2)
    where = times * rate
    low = np.floor(where).astype(np.int64)
    part = where - low
    keep = (low >= 0) & (low < count)
    np.add.at(train, low[keep], loud[keep] * (1.0 - part[keep]))
    np.add.at(train, low[keep] + 1, loud[keep] * part[keep])
    long = max(8, int(0.012 * rate))
    u = np.arange(long) / rate
    shape = np.exp(-u / 0.003) * np.sin(2 * np.pi * u / 0.012)
    made: Array = signal.fftconvolve(train[:count], shape)[:count]
    return made


def _clatter(
    engine: Engine, rng: np.random.Generator, times: Array, loud: Array, count: int
) -> Array:
    """Hiss that swells with each firing: valves, injectors, the fan belt's bearings."""
    swell = np.zeros(count)
    where = (times * engine.rate).astype(np.int64)
    np.add.at(swell, where[where < count], loud[where < count])
    swell = signal.lfilter([1.0], [1.0, -np.exp(-1.0 / (0.006 * engine.rate))], swell)
    top = min(5000.0, 0.42 * engine.rate)
    hiss = signal.lfilter(*signal.butter(2, [800.0, top], "band", fs=engine.rate),
                          rng.normal(size=count))  # fmt: skip
    made: Array = hiss * (0.3 + swell / (float(swell.max()) or 1.0))
    return made / (float(np.std(made)) or 1.0)


def noise_of(kind: str, rng: np.random.Generator, count: int, rate: int) -> Array:
    """Noise without any period: white, pink (traffic, a yard), wind (below 100 Hz, in gusts)."""
    white = rng.normal(size=count)
    if kind == "white":
        return white
    f = np.fft.rfftfreq(count, 1.0 / rate)
    shape = 1.0 / np.sqrt(np.maximum(f, 20.0))
    if kind == "wind":
        shape = 1.0 / (1.0 + (f / 60.0) ** 2)
    made: Array = np.fft.irfft(np.fft.rfft(white) * shape, count)
    if kind == "wind":
        gusts = signal.lfilter([1.0], [1.0, -0.99998], rng.normal(size=count))
        made = made * (0.3 + np.abs(gusts / np.std(gusts)))
    return made / np.std(made)


def as_recorded(sound: Array, rate: int, *, phone: bool) -> Array:
    """What a telephone lets through: 100 Hz to 7 kHz (common practice, no source)."""
    if not phone:
        return sound
    top = min(7000.0, 0.45 * rate)
    sos = signal.butter(2, [100.0, top], "band", fs=rate, output="sos")
    made: Array = signal.sosfilt(sos, sound)
    return made


def finished(sound: Array, *, clip: float = 0.0, loudness: float = 0.5) -> Array:
    """At a loudness within ±1, cut off where the file clips, in steps of 16 bits."""
    made = sound / (float(np.max(np.abs(sound))) or 1.0)
    if clip > 0.0:
        made = np.clip(made, -clip, clip) / clip
        loudness = 1.0
    return np.round(made * loudness * 32767.0) / 32768.0


def engines(cylinders: Sequence[int] = (2, 3, 4, 5, 6, 8)) -> dict[str, Engine]:
    """One ordinary engine of each number of cylinders, and the two that fire unevenly."""
    even = {f"{n} cylinders": Engine(cylinders=n, rpm=880.0 if n < 4 else 720.0, seed=n)
            for n in cylinders}  # fmt: skip
    odd = {
        name: Engine(cylinders=len(angles), angles=angles, rpm=900.0, seed=40 + len(angles))
        for name, angles in UNEVEN.items()
    }
    return even | odd
