"""The engine: idle and its adaptation, revs from air, trims, coolant, voltage.

One car at a time on an even clock of `STEP_S`; recursions run in scipy's filters, not in Python.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.vehicle.hands import wandering

Array = NDArray[np.float64]
STEP_S = 0.02


@dataclass(frozen=True)
class Idle:
    """How a warm engine idles.

    target_rpm: what idle control holds in the mean. noise_rpm, noise_memory_s: combustion and
    control, first-order autoregressive. wander_rpm: slow (half a minute). hunting_rpm: amplitude of
    a sine with period hunting_s.
    """

    target_rpm: float
    noise_rpm: float = 5.0
    noise_memory_s: float = 0.4
    wander_rpm: float = 1.5
    hunting_rpm: float = 0.0
    hunting_s: float = 4.0


def idle_fluctuation(rng: np.random.Generator, idle: Idle, count: int) -> Array:
    """The part of idle speed that is not its mean, shape (count,)."""
    times = np.arange(count) * STEP_S
    made = wandering(rng, count, idle.noise_rpm, idle.noise_memory_s, STEP_S)
    made = made + wandering(rng, count, idle.wander_rpm, 30.0, STEP_S)
    if idle.hunting_rpm:
        # A real hunting is not a pure tone: its phase slips a little.
        slip = np.cumsum(rng.normal(0.0, 0.15, count) * np.sqrt(STEP_S))
        turn = 2 * np.pi * times / idle.hunting_s + rng.uniform(0, 2 * np.pi) + slip
        made = made + idle.hunting_rpm * np.sin(turn)
    return made


def first_order(wanted: Array, tau_s: float, step_s: float = STEP_S) -> Array:
    """A first-order lag that starts settled."""
    from scipy.signal import lfilter

    keep = float(np.exp(-step_s / tau_s))
    made, _ = lfilter([1.0 - keep], [1.0, -keep], wanted, zi=[keep * wanted[0]])
    return np.asarray(made)


def revs(
    rng: np.random.Generator,
    idle: Idle,
    plate: Array,
    plate_idle: float,
    *,
    top_rpm: float = 4200.0,
    rpm_per_percent: float = 110.0,
) -> Array:
    """Engine speed of a parked car: idle where the plate rests, free revs above.

    plate: % of travel on the engine's clock. Rising takes 0.3 s or so, the fall back to idle 1 to
    3 s, as a flywheel without load does; the fluctuation of idle dies out above it.
    """
    above = np.maximum(plate - plate_idle - 1.0, 0.0) * rpm_per_percent
    above = (top_rpm - idle.target_rpm) * np.tanh(above / (top_rpm - idle.target_rpm))
    rise, fall = rng.uniform(0.2, 0.4), rng.uniform(0.35, 0.9)
    up, down = 1.0 - np.exp(-STEP_S / rise), 1.0 - np.exp(-STEP_S / fall)
    now = 0.0
    lifted = np.empty(len(above))
    for place, wanted in enumerate(above.tolist()):
        now += (up if wanted > now else down) * (wanted - now)
        lifted[place] = now
    share = 1.0 / (1.0 + lifted / 300.0)
    return idle.target_rpm + lifted + idle_fluctuation(rng, idle, len(plate)) * share


def stalled(speed: Array, at_s: float, below_s: float, *, again: bool, restart_rpm: float) -> Array:
    """A stall: the speed breaks down, stays below 300 rpm for `below_s`, and comes back or is gone.

    again: the starter turns the engine at about 220 rpm at the end, and it runs up.
    """
    times = np.arange(len(speed)) * STEP_S
    falls_s, rises_s = 0.7, 0.5
    before = float(np.interp(at_s, times, speed))
    start_below = at_s + falls_s * (1.0 - 300.0 / before)
    end_below = start_below + below_s
    made = speed.copy()
    falling = (times >= at_s) & (times < start_below)
    made[falling] = before - (before - 300.0) * (times[falling] - at_s) / (start_below - at_s)
    down = (times >= start_below) & (times < end_below)
    deep = 299.0 * np.exp(-(times[down] - start_below) / 0.15)
    made[down] = np.where(deep < 60.0, 0.0, deep)
    if not again:
        made[times >= end_below] = 0.0
        return made
    crank = down & (times > end_below - min(0.8, below_s / 2))
    made[crank] = 220.0 + 30.0 * np.sin(times[crank] * 30.0)
    after = times >= end_below
    rise = 1.0 - np.exp(-(times[after] - end_below) / rises_s)
    flare = 350.0 * np.exp(-((times[after] - end_below - 1.0) ** 2) / 0.8)
    made[after] = 300.0 + (restart_rpm - 300.0) * rise + flare + (speed[after] - restart_rpm) * rise
    return made


def spluttering(rng: np.random.Generator, speed: Array, until_s: float) -> Array:
    """The engine misses and catches itself for two to six seconds before `until_s`."""
    times = np.arange(len(speed)) * STEP_S
    made = speed.copy()
    for _ in range(int(rng.integers(2, 6))):
        at = until_s - float(rng.uniform(0.3, 5.0))
        dip = float(rng.uniform(80.0, 260.0))
        made = made - dip * np.exp(-(((times - at) / 0.35) ** 2)) * (times < until_s)
    return np.maximum(made, 330.0)


def trims(
    rng: np.random.Generator,
    idling: Array,
    *,
    at_idle: float,
    above_idle: float,
    learned_share: float = 0.7,
    swing: float = 2.0,
) -> tuple[Array, Array]:
    """Short and long trim, %, where their sum is `at_idle` while idling and `above_idle` else.

    The long one is learned per region and changes slowly within it; the short one carries the rest,
    with the swing of the control loop (a triangle of 1 to 2 s) and a little wandering.
    """
    count = len(idling)
    wanted = first_order(np.where(idling, at_idle, above_idle), 1.5)
    region = np.where(idling, at_idle, above_idle) * learned_share
    long = first_order(region, 4.0) + wandering(rng, count, 0.2, 60.0, STEP_S)
    period = rng.uniform(1.0, 2.2)
    phase = (np.arange(count) * STEP_S / period + rng.uniform()) % 1.0
    triangle = swing * (4.0 * np.abs(phase - 0.5) - 1.0)
    short = wanted - long + triangle + wandering(rng, count, 0.6, 3.0, STEP_S)
    return short, long


def coolant(
    rng: np.random.Generator,
    seconds: float,
    *,
    start_c: float,
    regulation_c: float,
    load: Array | None = None,
    warm_tau_s: float = 330.0,
    ripple_c: float = 1.5,
    step_s: float = STEP_S,
) -> Array:
    """Coolant temperature: rises towards what heat would reach, and is held at `regulation_c`.

    Held means: a thermostat's slow ripple around it, and a little less in a stiff wind (load).
    """
    count = int(seconds / step_s)
    times = np.arange(count) * step_s
    free = start_c + (regulation_c + 35.0 - start_c) * (1.0 - np.exp(-times / warm_tau_s))
    regulated = regulation_c + ripple_c * np.sin(2 * np.pi * times / rng.uniform(70.0, 160.0))
    regulated = regulated + wandering(rng, count, 0.5, 60.0, step_s)
    made = np.minimum(free, regulated)
    if load is not None:
        made = made - 1.5 * load
    return first_order(made, 8.0, step_s)


def voltage(
    rng: np.random.Generator, running: Array, *, rest_v: float, running_v: float, crank_v: float
) -> Array:
    """Module voltage: rest, the dip of cranking in the second before the engine runs, running."""
    begins = np.flatnonzero(np.diff(running.astype(int)) > 0)
    wanted = np.where(running, running_v, rest_v)
    made = first_order(wanted, 0.6) + wandering(rng, len(running), 0.03, 0.5, STEP_S)
    for at in begins.tolist():
        crank = slice(max(0, at - round(0.9 / STEP_S)), at)
        made[crank] = crank_v + wandering(rng, len(made[crank]), 0.2, 0.1, STEP_S)
    return made
