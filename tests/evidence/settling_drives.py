"""Drives with a known course of the warm idle, for `idle-settling`: three laps to an outing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.nasty import drive, recording, with_values
from verify.evidence.recording import Array, Channel, Recording

Course = Callable[[Array], Array]

START = (("off", 4.0), ("crank", 1.0), ("idle", 12.0))
LAPS = (("town", 60.0), ("idle", 40.0)) * 3
UNIT = sum(s for name, s in (*START, *LAPS) if name not in ("off", "crank")) / 60.0


def settling(end: float, step: float, tau: float) -> Course:
    return lambda minute: end + step * np.exp(-minute / tau)


def outing(course: Course, begins_min: float, *, seed: int = 1, **how: Any) -> Recording:
    """One start of the engine, a flare, and three laps of a minute of town and 40 s of idle.

    course: engine-run minutes → idle speed, rpm.
    """
    base = drive((*START, *LAPS), seed=seed, idle_rpm=700.0, every_s=how.pop("every_s", 0.5), **how)
    times = base.channels["engine_speed"].time_s
    wanted = course(begins_min + np.maximum(times - 5.0, 0.0) / 60.0) - 700.0

    def bent(values: Array) -> Array:
        idles = (values > 400.0) & (values < 1000.0)
        return np.round(values + np.where(idles, wanted, 0.0))

    return with_values(base, "engine_speed", bent)


def outings(course: Course, count: int = 3, seed: int = 1, **how: Any) -> list[Recording]:
    return [outing(course, i * UNIT, seed=seed + i, **how) for i in range(count)]


def one_file(course: Course, count: int = 3, *, seed: int = 1, **how: Any) -> Recording:
    """The same outings in one recording, the engine off for 200 s before each."""
    script = (("off", 200.0), *START[1:], *LAPS) * count
    base = drive(script, seed=seed, every_s=how.pop("every_s", 0.5), **how)
    times = base.channels["engine_speed"].time_s
    length = sum(s for _, s in script) / count
    lap = np.floor(times / length)
    ran = np.maximum(times - lap * length - 201.0, 0.0) / 60.0
    wanted = course(lap * UNIT + ran) - 700.0

    def bent(values: Array) -> Array:
        idles = (values > 400.0) & (values < 1000.0)
        return np.round(values + np.where(idles, wanted, 0.0))

    return with_values(base, "engine_speed", bent)


def with_plate(made: list[Recording], place: Course) -> list[Recording]:
    """A throttle channel: at idle where `place` says, open on the road."""
    result = []
    for i, r in enumerate(made):
        engine = r.channels["engine_speed"]
        minute = i * UNIT + engine.time_s / 60.0
        plate = np.where(engine.values > 1000.0, 30.0, place(minute))
        plate = np.round(plate * 2.55) / 2.55
        own = channel_of("throttle", engine.time_s + 0.05, plate, 0.392)
        result.append(recording([*r.channels.values(), own], name=r.source_name))
    return result


def channel_of(name: str, time_s: Array, values: Array, resolution: float) -> Channel:
    return Channel(name, "%", time_s.copy(), values, resolution, float(np.median(np.diff(time_s))))
