"""Engines that are none: what a loudspeaker plays of one, with every line of its cycle in phase.

One cycle repeated, sines at the multiples of the cycle, a few seconds played in a loop; with a
speed that wanders as an engine's, hiss that swells with the blows, and the noise of a place.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal

from tests.engines_heard.engine import Array, Engine, as_recorded, finished, hear, noise_of

RATE, SECONDS = 44_100, 62.0


def phase_of(rpm: float, wander_rpm: float, memory_s: float, rng: np.random.Generator) -> Array:
    """Cycles since the start, sample by sample, of a speed that wanders and never jumps."""
    step = 0.005
    keep = np.exp(-step / memory_s)
    kicks = rng.normal(0.0, wander_rpm * np.sqrt(1.0 - keep * keep), int((SECONDS + 1) / step))
    speed = rpm + signal.lfilter([1.0], [1.0, -keep], kicks)
    cycles = np.concatenate([[0.0], np.cumsum(speed[:-1] / 120.0 * step)])
    at = np.arange(int(SECONDS * RATE)) / RATE
    made: Array = np.interp(at, step * np.arange(len(cycles)), cycles)
    return made


def _played(sound: Array, phase: Array, cylinders: int, snr_db: float, seed: int) -> Array:
    """With hiss that swells at the blows, through a telephone, in the noise of a place."""
    rng = np.random.default_rng([seed, 99])
    swell = 0.2 + np.exp(-np.mod(phase * cylinders, 1.0) / 0.25)
    band = signal.butter(2, [1200.0, 6000.0], "band", fs=RATE)
    hiss = signal.lfilter(*band, rng.normal(size=len(phase))) * swell
    made = as_recorded(sound / np.std(sound) + 0.25 * hiss / np.std(hiss), RATE, phone=True)
    noise = as_recorded(noise_of("pink", rng, len(made), RATE), RATE, phone=True)
    return finished(made / np.std(made) + noise / np.std(noise) * 10.0 ** (-snr_db / 20.0))


def _ordinary(seed: int) -> tuple[np.random.Generator, int, float]:
    rng = np.random.default_rng([seed, 7])
    return rng, int(rng.choice([3, 4, 5, 6, 8])), float(rng.uniform(650.0, 900.0))


def one_cycle(seed: int = 1, snr_db: float = 20.0) -> Array:
    """One cycle of an engine, taken once and repeated for a minute."""
    rng, cylinders, rpm = _ordinary(seed)
    engine = Engine(cylinders=cylinders, rpm=rpm, seconds=3.0, seed=seed, unlike=0.25, snr_db=60.0,
                    wander_rpm=0.0, jitter=0.0, belt=False, phone=False, clatter=0.0)  # fmt: skip
    whole = hear(engine).sound
    n, fade = round(120.0 / rpm * RATE), 200
    cycle = whole[5 * n : 6 * n].copy()
    fading = np.linspace(0.0, 1.0, fade)
    cycle[:fade] = fading * cycle[:fade] + (1.0 - fading) * whole[6 * n : 6 * n + fade]
    cycle -= cycle.mean()
    phase = phase_of(rpm, float(rng.uniform(2.0, 9.0)), 3.0, rng)
    sound = np.interp(np.mod(phase, 1.0) * n, np.arange(n + 1), np.append(cycle, cycle[0]))
    return _played(sound, phase, cylinders, snr_db, seed)


def sines(seed: int = 1, snr_db: float = 20.0) -> Array:
    """Sines at the multiples of a cycle, those of the firing the loudest, phases fixed."""
    rng, cylinders, rpm = _ordinary(seed)
    phase = phase_of(rpm, float(rng.uniform(2.0, 9.0)), float(rng.uniform(0.5, 3.0)), rng)
    sound = np.zeros(len(phase))
    for k in range(1, 18 * cylinders):
        own = 1.0 if k % cylinders == 0 else float(rng.uniform(0.02, 0.3))
        at = 2.0 * np.pi * k * phase + rng.uniform(0.0, 2.0 * np.pi)
        sound += own / (k / cylinders + 1.0) * np.sin(at)
    return _played(sound, phase, cylinders, snr_db, seed)


def loop(seed: int = 1, snr_db: float = 20.0, seconds: float | None = None) -> Array:
    """A few seconds of an engine, faded into each other and played again and again."""
    rng, cylinders, rpm = _ordinary(seed)
    seconds = float(rng.uniform(0.8, 4.0)) if seconds is None else seconds
    engine = Engine(cylinders=cylinders, rpm=rpm, seconds=seconds + 2.0, seed=seed, unlike=0.25,
                    snr_db=30.0, wander_rpm=2.0)  # fmt: skip
    whole = hear(engine).sound
    n, fade, first = round(round(seconds * rpm / 120.0) * 120.0 / rpm * RATE), 900, RATE // 2
    once = whole[first : first + n].copy()
    fading = np.linspace(0.0, 1.0, fade)
    once[:fade] = fading * once[:fade] + (1.0 - fading) * whole[first + n : first + n + fade]
    phase = phase_of(rpm, 3.0, 3.0, rng)
    at = np.mod(phase * 120.0 / rpm * RATE, n)
    sound = np.interp(at, np.arange(n + 1), np.append(once, once[0]))
    noise = as_recorded(noise_of("pink", rng, len(sound), RATE), RATE, phone=True)
    return finished(sound / np.std(sound) + noise / np.std(noise) * 10.0 ** (-snr_db / 20.0))


IMITATIONS: dict[str, Callable[..., Array]] = {
    "one cycle repeated": one_cycle,
    "sines of a cycle": sines,
    "a loop of an engine": loop,
}


def cylinders_and_rpm(seed: int) -> tuple[int, float]:
    """What the imitations of this seed pretend to be."""
    _, cylinders, rpm = _ordinary(seed)
    return cylinders, rpm
