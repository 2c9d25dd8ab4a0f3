"""Cars on the road with one thing known of each: how far it surges, how late it answers, how long
it was driven in the conditions of a freeze frame. Nothing here knows how the checks compute."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from tests.nasty import channel, recording, spec
from verify.evidence.recording import Recording

Array = np.ndarray[Any, np.dtype[np.float64]]

FINE_S = 0.02
CYCLE_S, HELD_S = 19.0, 5.0

FRAME = {
    "frame_engine_speed": spec("1900 rpm"),
    "frame_load": spec("35 %"),
    "frame_coolant": spec("88 °C"),
    "frame_vehicle_speed": spec("62 km/h"),
}


def surging_car(
    swing_pct: float,
    *,
    period_s: float = 4.0,
    every_s: float = 0.5,
    seed: int = 1,
    noise_pct: float = 0.3,
    holds: int = 2,
    hold_s: float = 45.0,
    skew_s: float = 0.0,
    open_converter: bool = False,
    foot_points: float = 0.0,
    only_hold: int | None = None,
    pedal: float = 22.0,
    base_kmh: float = 60.0,
    step_s: float = 0.02,
) -> Recording:
    """Holds of 45 s at 60 km/h with 20 s of coasting between; engine speed = 33 · road speed ·
    (1 + a·sin). The swing is true to the formula in the check's text."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 20.0 + holds * (hold_s + 20.0), step_s)
    since = (fine - 10.0) % (hold_s + 20.0)
    number = ((fine - 10.0) // (hold_s + 20.0)).astype(int)
    on = (fine >= 10.0) & (since < hold_s) & (number < holds)
    swings = on if only_hold is None else on & (number == only_hold)
    phase = rng.uniform(0.0, 6.3)
    wave = np.sin(2 * np.pi * fine / period_s + phase)
    road = np.where(on, base_kmh, base_kmh - 0.5 * np.clip(since - hold_s, 0.0, 20.0))
    engine = 33.0 * road * (1.0 + swing_pct / 100.0 * wave * swings)
    engine *= 1.0 + noise_pct / 100.0 * smooth_noise(rng, len(fine), step_s)
    speed = road if open_converter else road * (1.0 + swing_pct / 100.0 * wave * swings)
    foot = np.where(on, pedal + foot_points * wave + rng.normal(0.0, 0.3, len(fine)), 0.0)
    channels = []
    for place, (name, truth, step) in enumerate(
        (("engine_speed", engine, 1.0), ("vehicle_speed", speed, 1.0), ("pedal", foot, 0.4))
    ):
        times = np.arange(0.05 * place * every_s, fine[-1] - 1.0, every_s)
        times = times + rng.uniform(0.0, 0.05 * every_s, len(times))
        values = np.interp(times - skew_s * rng.uniform(0.0, 1.0, len(times)), fine, truth)
        read = channel(name, times, np.round(values / step) * step, step)
        channels.append(replace(read, skew_s=skew_s))
    return recording(channels, name=f"surge {swing_pct} {seed}")


def smooth_noise(rng: np.random.Generator, count: int, step_s: float) -> Array:
    """Noise of deviation 1 that is forgotten in about 0.3 s."""
    width = round(0.6 / step_s)
    raw = np.convolve(rng.normal(0.0, 1.0, count + width), np.ones(width) / np.sqrt(width), "valid")
    return raw[:count]


def answering_car(
    delay_s: float,
    *,
    every_s: float = 0.5,
    seed: int = 1,
    tip_ins: int = 10,
    builds_up_s: float = 0.1,
    noise_pct: float = 0.2,
    skew_s: float = 0.0,
    sag_pct: float = 0.0,
    step: float = 20.0,
    base: float = 18.0,
    late: dict[int, float] | None = None,
    kick_down: bool = False,
    foot_takes_s: float = 0.0,
    pull_kmh_s: float = 4.0,
    held_s: float = HELD_S,
) -> Recording:
    """Tip-ins out of a steady 48 km/h; the pull begins `delay_s` behind the pedal and builds
    up with a time constant; engine speed = 40 · road speed. late: tip-in → its own delay."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 10.0 + tip_ins * CYCLE_S, FINE_S)
    pedal, wanted, sagging = np.full(len(fine), base), np.zeros(len(fine)), np.zeros(len(fine))
    pedal[fine < 3.0] = 0.0
    gear = np.ones(len(fine))
    for k in range(tip_ins):
        at = 15.0 + k * CYCLE_S + rng.uniform(0.0, 1.0)
        own = (late or {}).get(k, delay_s)
        pedal[(fine >= at) & (fine < at + held_s)] += step
        wanted[(fine >= at + own) & (fine < at + held_s)] = 1.0
        wanted[(fine >= at + held_s + 0.5) & (fine < at + held_s + 6.5)] = -0.9
        sagging[(fine >= at) & (fine < at + own)] = 1.0
        if kick_down:
            gear[(fine >= at + 0.4) & (fine < at + held_s)] = 1.4
    if foot_takes_s:
        width = round(foot_takes_s / FINE_S)
        spread = np.convolve(np.pad(pedal, width, mode="edge"), np.ones(width) / width, "same")
        pedal = spread[width:-width] + rng.normal(0.0, 0.2, len(fine))
    speed, pull, now = np.empty(len(fine)), 0.0, 50.0
    for place, target in enumerate(wanted.tolist()):
        pull += (target - pull) * min(1.0, FINE_S / max(builds_up_s, FINE_S))
        now = max(48.0, now + pull * pull_kmh_s * FINE_S)
        speed[place] = now
    noise = np.convolve(rng.normal(0, 1, len(fine) + 29), np.ones(30) / np.sqrt(30), "valid")
    engine = 40.0 * speed * gear * (1.0 + noise_pct / 100 * noise - sag_pct / 100 * sagging)
    channels = []
    for place, (name, truth, size) in enumerate(
        (("engine_speed", engine, 1.0), ("vehicle_speed", speed, 1.0), ("pedal", pedal, 0.4))
    ):
        times = np.arange(0.3 * place * every_s, fine[-1] - 1.0, every_s)
        times = times + rng.uniform(0.0, 0.05 * every_s, len(times))
        values = np.interp(times - skew_s * rng.uniform(0.0, 1.0, len(times)), fine, truth)
        read = channel(name, times, np.round(values / size) * size, size)
        channels.append(replace(read, skew_s=skew_s))
    return recording(channels, name=f"tip-ins {delay_s} {seed}")


def frame_drive(inside_s: float = 30.0, every_s: float = 0.5, coolant_c: float = 90.0) -> Recording:
    """60 s at 2600 rpm and 70 % load with so many seconds at 1950 rpm and 40 % in the middle."""
    times = np.arange(0.0, 60.0 + inside_s, every_s)
    inner = (times >= 30.0) & (times < 30.0 + inside_s)
    slow = np.arange(0.0, 60.0 + inside_s, 2.0)
    return recording(
        [
            channel("engine_speed", times, np.where(inner, 1950.0, 2600.0) + times % 3),
            channel("load", times + 0.1, np.where(inner, 40.0, 70.0) + 0.4 * (times % 4 < 1), 0.4),
            channel("vehicle_speed", times + 0.2, np.where(inner, 65.0, 90.0)),
            channel("coolant", slow, np.full(len(slow), coolant_c)),
        ]
    )
