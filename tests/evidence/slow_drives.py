"""Cars for the checks of slow quantities and of the key: what is true of each is given by name."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.evidence.slow_cars import STEP, Array, made
from verify.evidence.recording import Recording


def mixture_car(
    idle: float = 2.0,
    above: float = 1.0,
    *,
    every_s: float = 0.5,
    long_share: float = 0.7,
    held_s: float = 34.0,
    held_kmh: float = 0.0,
    seed: int = 1,
    status: float = 2.0,
    second: tuple[float, float] | None = None,
    idle_s: float = 60.0,
) -> Recording:
    """A minute of idle, 2,500 rpm, a minute of idle. idle, above: the true sum at either point."""
    rng = np.random.default_rng(seed)
    seconds = 2 * idle_s + held_s
    t = np.arange(0.0, seconds, every_s)
    held = (t >= idle_s) & (t < idle_s + held_s)
    # Short swings about what the long trim leaves, as a closed loop does.
    swing = 1.5 * np.sin(2 * np.pi * t / 3.1) + rng.normal(0.0, 0.8, len(t))

    def trims(at_idle: float, at_held: float, suffix: str) -> dict[str, tuple[Any, Any]]:
        total = np.where(held, at_held, at_idle)
        long = np.round(long_share * total / STEP) * STEP
        return {
            f"fuel_trim_short{suffix}": (t, total - long + swing),
            f"fuel_trim_long{suffix}": (t + 0.07, long),
        }

    values = {
        "engine_speed": (t, np.where(held, 2500.0, 700.0) + rng.normal(0.0, 6.0, len(t))),
        "vehicle_speed": (t + 0.02, np.where(held, held_kmh, 0.0)),
        "pedal": (t + 0.04, np.where(held, 15.0, 0.0)),
        "coolant": (t + 0.06, 90.0 + np.sin(t / 20.0)),
        "fuel_status": (t + 0.08, np.where(held, 2.0, 2.0) if status == 2.0 else status),
        **trims(idle, above, ""),
    }
    if second is not None:
        values |= trims(*second, "_2")
    return made(values)


def warming_car(
    regulation_c: float = 90.0,
    *,
    start_c: float = 15.0,
    minutes: float = 30.0,
    tau_s: float = 280.0,
    ripple_c: float = 1.5,
    outside_c: float | None = 12.0,
    road_from_s: float = 60.0,
    kmh: float = 70.0,
    every_s: float = 1.0,
    idles_at_c: float | None = None,
    seed: int = 1,
) -> Recording:
    """A drive. regulation_c: what the coolant tends to; a thermostat that opens there lets the
    warming end at it. idles_at_c: what it tends to before the road begins, if that differs."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 60.0 * minutes, every_s)
    # A sound thermostat: heat goes on coming until it opens, so the approach is cut off.
    towards = 1.35 * (regulation_c - start_c) if idles_at_c is None else 0.0
    warming = np.minimum(start_c + towards * (1.0 - np.exp(-t / tau_s)), regulation_c)
    if idles_at_c is not None:
        first = start_c + (idles_at_c - start_c) * (1.0 - np.exp(-t / tau_s))
        at = float(np.interp(road_from_s, t, first))
        later = regulation_c + (at - regulation_c) * np.exp(-(t - road_from_s) / 120.0)
        warming = np.where(t < road_from_s, first, later)
    there = np.clip((t - 2.0 * tau_s) / 60.0, 0.0, 1.0)
    coolant = warming + there * ripple_c * np.sin(2 * np.pi * t / 95.0)
    road = t >= road_from_s
    values: dict[str, tuple[Any, Any]] = {
        "engine_speed": (t, np.where(road, 2000.0, 750.0) + rng.normal(0.0, 8.0, len(t))),
        "vehicle_speed": (t + 0.1, np.where(road, kmh + 5.0 * np.sin(t / 9.0), 0.0)),
        "coolant": (t + 0.2, coolant),
    }
    if outside_c is not None:
        values["ambient"] = (t + 0.3, outside_c)
    return made(values)


def charging_car(
    idle_v: float = 14.2,
    raised_v: float = 14.3,
    *,
    rest_v: float = 12.5,
    off_s: float = 30.0,
    idle_s: float = 60.0,
    raised_s: float = 40.0,
    first_v: float | None = None,
    first_s: float = 0.0,
    noise_v: float = 0.04,
    every_s: float = 1.0,
    times: float = 1.0,
    seed: int = 1,
) -> Recording:
    """Key on, a start, idle, raised speed, idle. first_v: the supply in the first `first_s` after
    the start, where it differs. times: 2 for a 24 V system."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, off_s + 2 * idle_s + raised_s, every_s)
    runs = t >= off_s
    raised = (t >= off_s + idle_s) & (t < off_s + idle_s + raised_s)
    volts = np.where(runs, np.where(raised, raised_v, idle_v), rest_v)
    if first_v is not None:
        volts = np.where(runs & (t < off_s + first_s), first_v, volts)
    volts = np.where((t >= off_s - 1.0) & (t < off_s), 10.8, volts)
    engine = np.where(runs, np.where(raised, 2200.0, 750.0) + rng.normal(0.0, 6.0, len(t)), 0.0)
    engine = np.where((t >= off_s - 1.0) & (t < off_s), 220.0, engine)
    values: dict[str, tuple[Any, Any]] = {
        "engine_speed": (t, np.maximum(engine, 0.0)),
        "module_voltage": (t + 0.2 * every_s, times * (volts + rng.normal(0.0, noise_v, len(t)))),
    }
    return made(values)


KEY_S = 4.0


def sweeps(since: Array, last_s: float = 1.2) -> Array:
    """Opens by 20 points and closes once, and is at rest `last_s` after the key."""
    return 15.0 + 20.0 * np.interp(since, [0.2, 0.5 * last_s, last_s], [0.0, 1.0, 0.0])


def hammers(since: Array, until_s: float, every_s: float = 0.8) -> Array:
    wave = np.where((since % every_s) < 0.5 * every_s, 12.0, 0.0)
    return 15.0 + np.where((since >= 0.2) & (since < until_s), wave, 0.0)


def keyed_car(
    plate: Any = sweeps,
    *,
    rate_hz: float = 25.0,
    seconds: float = 16.0,
    start_s: float | None = 14.0,
    touched_s: float | None = None,
    noise: float = 0.05,
    slow_hz: float = 5.0,
    seed: int = 1,
    sign: str = "voltage",
    skew_s: float = 0.0,
) -> Recording:
    """The key on at 4 s. plate: position by the time since then. start_s: engine start after it.

    sign: "voltage" (0 before, sensors unfed), "supply" (as before, without voltage), "gap" (the
    logger writes nothing from 2 s before the key on, and 40 s of silence stand before that), or
    "none" (the recording begins with the key on).
    """
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds + KEY_S, 1.0 / rate_hz)
    slow = np.arange(0.0, seconds + KEY_S, 1.0 / slow_hz)
    on, on_slow = t >= KEY_S, slow >= KEY_S
    position = plate(t - KEY_S) + rng.normal(0.0, noise, len(t))
    start = KEY_S + (1e9 if start_s is None else start_s)
    position = np.where(t >= start, position + 4.0, position)
    pedal = np.full(len(slow), 14.5)
    if touched_s is not None:
        pedal = np.where(slow >= KEY_S + touched_s, 30.0, pedal)
    values: dict[str, tuple[Any, Any]] = {
        "throttle": (t, np.where(on, position, 0.0)),
        "pedal_d": (slow + 0.01, np.where(on_slow, pedal, 0.0)),
        "engine_speed": (slow + 0.02, np.where(slow >= start, 900.0, 0.0)),
        "module_voltage": (slow + 0.03, np.where(on_slow, 12.3, 0.2)),
    }
    if sign == "none":
        values["module_voltage"] = (slow, np.full(len(slow), 12.3) + 0.02 * np.sin(slow))
        values["throttle"] = (t, position)
        values["pedal_d"] = (slow, pedal)
    if sign == "supply":
        del values["module_voltage"]
    if sign == "gap":
        del values["module_voltage"]
        shifted = {}
        for name, (times, own) in values.items():
            live = times >= KEY_S
            early = np.arange(-60.0, -50.0, 1.0 / slow_hz)
            rest = 15.0 if name == "throttle" else 14.5 if name == "pedal_d" else 0.0
            shifted[name] = (
                np.concatenate([early, times[live]]) + 60.0,
                np.concatenate([np.full(len(early), rest), np.asarray(own)[live]]),
            )
            if name == "throttle":
                before = np.arange(-60.0, -50.0, 1.0 / rate_hz)
                shifted[name] = (
                    np.concatenate([before, times[live]]) + 60.0,
                    np.concatenate([np.full(len(before), rest), np.asarray(own)[live]]),
                )
        last = max(float(v[0][v[0] < 20.0][-1]) for v in shifted.values())
        return made(shifted, gaps=((last, KEY_S + 60.0),), skew_s=skew_s)
    return made(values, skew_s=skew_s)
