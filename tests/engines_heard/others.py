"""Sounds that are no engine, or none that could be told from one: what must never pass."""

from __future__ import annotations

import numpy as np
from scipy import signal

from tests.engines_heard.engine import Array, finished, noise_of

RATE = 44_100
SECONDS = 30.0


def _t(seconds: float = SECONDS) -> Array:
    return np.arange(int(seconds * RATE)) / RATE


def _noisy(sound: Array, rng: np.random.Generator, db: float) -> Array:
    noise = noise_of("pink", rng, len(sound), RATE)
    return finished(sound / np.std(sound) + noise * 10 ** (-db / 20))


def speech(seed: int = 1) -> Array:
    """Voiced syllables with a moving pitch and formants, hisses and pauses between them."""
    rng = np.random.default_rng(seed)
    parts = []
    while sum(len(p) for p in parts) < SECONDS * RATE:
        n = int(rng.uniform(0.12, 0.5) * RATE)
        pitch = rng.uniform(90.0, 180.0) * np.linspace(1.1, rng.uniform(0.75, 1.1), n)
        buzz = signal.sawtooth(2 * np.pi * np.cumsum(pitch) / RATE)
        for place in rng.uniform((300, 900, 2200), (800, 1800, 3000)):
            buzz = buzz + 2.0 * signal.lfilter(*signal.iirpeak(place, 6.0, fs=RATE), buzz)
        parts.append(buzz * signal.windows.tukey(n, 0.4))
        parts.append(0.2 * rng.normal(size=int(rng.uniform(0.03, 0.1) * RATE)))
        parts.append(np.zeros(int(rng.uniform(0.02, 0.6) * RATE)))
    return _noisy(np.concatenate(parts)[: int(SECONDS * RATE)], rng, 25.0)


def music(seed: int = 1) -> Array:
    """A bass line, chords above it and a drum, in bars."""
    rng = np.random.default_rng(seed)
    beat = rng.uniform(0.4, 0.6)
    made = np.zeros(int(SECONDS * RATE) + RATE)
    for bar, at in enumerate(np.arange(0.0, SECONDS, beat)):
        n = int(beat * RATE)
        u = np.arange(n) / RATE
        root = 41.2 * 2 ** (rng.choice([0, 3, 5, 7, 10]) / 12)
        note = sum(np.sin(2 * np.pi * root * k * u) / k for k in range(1, 12))
        chord = sum(
            np.sin(2 * np.pi * root * 4 * 2 ** (s / 12) * k * u) / k
            for s in (0, 4, 7) for k in (1, 2, 3)
        )  # fmt: skip
        drum = rng.normal(size=n) * np.exp(-u / 0.05) * (2.0 if bar % 2 == 0 else 0.5)
        place = int(at * RATE)
        made[place : place + n] += (note + 0.4 * chord) * np.exp(-u / 0.7) + drum
    return _noisy(made[: int(SECONDS * RATE)], rng, 30.0)


def drone(seed: int = 1) -> Array:
    """One low note held: an organ pedal, a string machine."""
    rng = np.random.default_rng(seed)
    note = 2 * np.pi * rng.uniform(20.0, 60.0) * _t()
    return _noisy(sum(np.sin(k * note + k * k) / k for k in range(1, 20)), rng, 30.0)


def rain(seed: int = 1) -> Array:
    """Hiss, and drops at random on a metal roof."""
    rng = np.random.default_rng(seed)
    made = 0.3 * noise_of("white", rng, int(SECONDS * RATE), RATE)
    for at in rng.uniform(0.0, SECONDS - 0.1, int(60 * SECONDS)):
        n = int(0.02 * RATE)
        u = np.arange(n) / RATE
        ring = np.exp(-u / 0.003) * np.sin(2 * np.pi * rng.uniform(500, 4000) * u)
        made[int(at * RATE) : int(at * RATE) + n] += rng.exponential(1.5) * ring
    return finished(made)


def cooling_fan(seed: int = 1) -> Array:
    """A fan of seven blades: rushing air, the note of its blades, an unbalanced hub."""
    rng = np.random.default_rng(seed)
    t = _t()
    drift = np.cumsum(rng.normal(0, 1, len(t)))
    turn = rng.uniform(24.0, 45.0) * (1.0 + 0.002 * drift / np.max(np.abs(drift)))
    phase = 2 * np.pi * np.cumsum(turn) / RATE
    tone = sum(np.sin(7 * k * phase) / k**1.5 for k in (1, 2, 3)) + 0.3 * np.sin(phase)
    air = noise_of("pink", rng, len(t), RATE)
    return finished(tone / np.std(tone) + 0.8 * air)


def clock(seed: int = 1) -> Array:
    """A clock: five ticks a second in a quiet room."""
    rng = np.random.default_rng(seed)
    made = 0.01 * noise_of("pink", rng, int(SECONDS * RATE), RATE)
    for i, at in enumerate(np.arange(0.1, SECONDS - 0.1, 0.2)):
        n = int(0.03 * RATE)
        u = np.arange(n) / RATE
        tick = np.exp(-u / 0.004) * np.sin(2 * np.pi * (2600.0 if i % 2 else 3100.0) * u)
        made[int(at * RATE) : int(at * RATE) + n] += tick
    return finished(made)


def electric_car(seed: int = 1) -> Array:
    """Ready to drive, standing: a pump, the whistle of a converter, hardly more."""
    rng = np.random.default_rng(seed)
    t = _t()
    pump = sum(np.sin(2 * np.pi * 183.0 * k * t + k) / k for k in (1, 2))
    whistle = 0.4 * np.sin(2 * np.pi * 9_800.0 * t) + 0.2 * np.sin(2 * np.pi * 4_900.0 * t)
    return finished(0.4 * pump + whistle + noise_of("pink", rng, len(t), RATE))


def hum(hz: float = 50.0, seed: int = 1) -> Array:
    """Mains hum with all its multiples: a charger, a lamp, a badly earthed lead."""
    rng = np.random.default_rng(seed)
    t = _t()
    drift = 1.0 + 2e-4 * np.sin(2 * np.pi * t / 21.0)
    phase = 2 * np.pi * np.cumsum(hz * drift) / RATE
    made = sum(np.sin(k * phase + k) / k for k in range(1, 16))
    return _noisy(made, rng, 12.0)


def quiet(seed: int = 1) -> Array:
    return finished(noise_of("pink", np.random.default_rng(seed), int(SECONDS * RATE), RATE))


def gusts(seed: int = 1) -> Array:
    return finished(noise_of("wind", np.random.default_rng(seed), int(SECONDS * RATE), RATE))


def traffic(seed: int = 1) -> Array:
    """A road: cars that go by, each with a little of its engine's note."""
    rng = np.random.default_rng(seed)
    t = _t()
    made = 0.3 * noise_of("pink", rng, len(t), RATE)
    for at in np.arange(2.0, SECONDS, 5.0) + rng.uniform(-1, 1, 6):
        near = np.exp(-(((t - at) / 1.2) ** 2))
        pitch = rng.uniform(60.0, 110.0) * (1.0 - 0.06 * np.tanh((t - at) / 0.6))
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        note = sum(np.sin(k * phase) / k for k in range(1, 8))
        made += near * (noise_of("pink", rng, len(t), RATE) + 0.5 * note)
    return finished(made)


OTHERS = {
    "speech": speech,
    "music": music,
    "a held note": drone,
    "rain": rain,
    "a cooling fan": cooling_fan,
    "a clock": clock,
    "an electric car": electric_car,
    "mains hum": hum,
    "a quiet yard": quiet,
    "gusts of wind": gusts,
    "a road": traffic,
}
