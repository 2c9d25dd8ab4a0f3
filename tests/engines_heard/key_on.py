"""Key-on as a telephone under the bonnet hears it: relay, self-test chirp, and the ticking."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.engines_heard.engine import Array, finished, noise_of


@dataclass(frozen=True)
class KeyOn:
    """keys: seconds at which the key is turned on. chirp: loudness of the throttle's own test of
    0.4 s; ticking_s: how long it ticks after it (0: healthy), at `ticks_hz`, `regular` or at
    random. tick: loudness of one, against noise of standard deviation `noise`."""

    keys: tuple[float, ...] = (3.0, 18.0)
    seconds: float = 32.0
    rate: int = 44_100
    seed: int = 1
    relay: float = 1.0
    chirp: float = 0.6
    ticking_s: float = 0.0
    ticks_hz: float = 11.0
    regular: bool = True
    tick: float = 0.6
    noise: float = 0.01
    noise_kind: str = "pink"
    only_first: bool = False
    pump: bool = True

    def but(self, **more: Any) -> KeyOn:
        return replace(self, **more)


def click(rng: np.random.Generator, rate: int, ring_hz: float) -> Array:
    u = np.arange(int(0.03 * rate)) / rate
    ring = min(ring_hz, 0.4 * rate) * rng.uniform(0.95, 1.05)
    made: Array = np.exp(-u / 0.003) * np.sin(2 * np.pi * ring * u)
    return made * rng.uniform(0.85, 1.15)


def key_ons(case: KeyOn) -> Array:
    """Shape (n,), within ±1."""
    rng = np.random.default_rng(case.seed)
    count = int(case.seconds * case.rate)
    made = case.noise * noise_of(case.noise_kind, rng, count, case.rate)

    def put(at: float, loud: float, ring_hz: float) -> None:
        one = loud * click(rng, case.rate, ring_hz)
        place = int(at * case.rate)
        if 0 <= place < count - len(one):
            made[place : place + len(one)] += one

    for number, key in enumerate(case.keys):
        put(key, case.relay, 1800.0)
        if case.pump:
            inside = (np.arange(count) / case.rate > key) & (np.arange(count) / case.rate < key + 2)
            t = np.arange(count)[inside] / case.rate
            made[inside] += 0.5 * case.noise * np.sin(2 * np.pi * 310.0 * t)
        for at in np.arange(0.25, 0.65, 0.045):
            put(key + at, case.chirp, 2700.0)
        if case.ticking_s <= 0.0 or (case.only_first and number > 0):
            continue
        ticks = int(case.ticking_s * case.ticks_hz)
        gaps = np.full(ticks, 1.0 / case.ticks_hz) * rng.normal(1.0, 0.03, ticks)
        if not case.regular:
            gaps = rng.exponential(1.0 / case.ticks_hz, ticks)
        for at in np.cumsum(gaps):
            put(key + 0.7 + at, case.tick, 2700.0)
    return finished(made, loudness=0.9)
