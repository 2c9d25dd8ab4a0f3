"""What the foot does: presses and releases as asked for, as unevenly as people do it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.vehicle.throttle import STEP_S

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Hold:
    """A stretch in which the pedal is held: from when the foot arrived to when it leaves again.

    leaves_s: when the foot began to move towards this level. level: % of pedal travel.
    """

    leaves_s: float
    start_s: float
    end_s: float
    level: float


def played(
    rng: np.random.Generator,
    levels: Sequence[float],
    *,
    hold_s: float = 5.0,
    lead_s: float = 8.0,
    tail_s: float = 6.0,
    tremor: float = 0.15,
) -> tuple[Array, list[Hold]]:
    """The pedal over time in % of its travel at full step, and its holds, the rests included.

    levels: asked for one after the other, each held about `hold_s` (people count differently).
    """
    moves: list[tuple[float, float, float]] = []
    holds: list[Hold] = []
    now, level, left = lead_s * rng.uniform(0.8, 1.2), 0.0, 0.0
    began = 0.0
    for wanted in levels:
        next_level = 0.0 if wanted == 0.0 else max(3.0, wanted + rng.normal(0.0, 2.0))
        holds.append(Hold(left, began, now, level))
        takes = rng.uniform(0.10, 0.30) if next_level < level else rng.uniform(0.15, 0.45)
        moves.append((now, takes, next_level))
        left, began, level = now, now + takes, next_level
        now = began + hold_s * rng.uniform(0.88, 1.2)
    ends = now + tail_s
    holds.append(Hold(left, began, ends, level))
    times = np.arange(0.0, ends, STEP_S)
    pedal = np.zeros(len(times))
    level = 0.0
    for start, takes, next_level in moves:
        share = np.clip((times - start) / takes, 0.0, 1.0)
        pedal += (next_level - level) * (0.5 - 0.5 * np.cos(np.pi * share))
        level = next_level
    # A held foot wanders a little, and a released pedal does not.
    wander = wandering(rng, len(times), tremor, 0.8, STEP_S)
    return np.maximum(pedal + wander * np.clip(pedal / 5.0, 0.0, 1.0), 0.0), holds


def wandering(
    rng: np.random.Generator, count: int, deviation: float, memory_s: float, step_s: float
) -> Array:
    """A first-order autoregressive signal: standard deviation and time in which it forgets.

    Exact in discrete time: x[i+1] = φ·x[i] + σ·√(1−φ²)·e, φ = exp(−step/memory).
    """
    from scipy.signal import lfilter

    phi = float(np.exp(-step_s / memory_s))
    drive = rng.normal(0.0, deviation * np.sqrt(1.0 - phi * phi), count)
    first = rng.normal(0.0, deviation)
    made, _ = lfilter([1.0], [1.0, -phi], drive, zi=[phi * first])
    return np.asarray(made)


def padded(signals: Sequence[Array]) -> Array:
    """Signals of unlike length as one table; the shorter ones keep their last value."""
    longest = max(len(s) for s in signals)
    return np.stack([np.pad(s, (0, longest - len(s)), mode="edge") for s in signals])


def parked_presses(rng: np.random.Generator, presses: int = 10) -> tuple[Array, list[Hold]]:
    """Pressed a third and held 5 s, released and held 5 s, ten times."""
    return played(rng, [level for _ in range(presses) for level in (33.0, 0.0)])


def to_the_floor(rng: np.random.Generator, times: int = 1) -> tuple[Array, list[Hold]]:
    """A quarter, half, three quarters, the floor, each held 5 s, and let go."""
    return played(rng, [25.0, 50.0, 75.0, 100.0, 0.0] * times)


def staircase(rng: np.random.Generator, times: int = 2) -> tuple[Array, list[Hold]]:
    """A quarter, half, three quarters and back down, each held 5 s."""
    return played(rng, [25.0, 50.0, 75.0, 50.0, 25.0, 0.0] * times)
