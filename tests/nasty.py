"""Recordings with names: a plain invented car to start from, and a zoo of nasty ones.

`drive` plays a script of what the hands do and logs it; every nasty recording is a sound one with
one thing done to it. Checks must bear all of them without a traceback and without an unearned
pass. Nothing here knows how the checks compute.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence.channels import quantities
from verify.evidence.recording import Channel, Recording
from verify.quantity import SpecValue, parse

Array = NDArray[np.float64]
FINE_S = 0.05

RESOLUTION = {"engine_speed": 1.0, "vehicle_speed": 1.0, "coolant": 1.0, "pedal": 0.4}

# What the hands do → (engine speed, road speed, pedal). None: the idle speed asked for.
DOING: Mapping[str, tuple[float | None, float, float]] = {
    "idle": (None, 0.0, 0.0),
    "press": (2000.0, 0.0, 15.0),
    "town": (1800.0, 30.0, 15.0),
    "road": (2200.0, 70.0, 25.0),
    "coast": (1300.0, 40.0, 0.0),
    "firm": (3200.0, 70.0, 60.0),
    "off": (0.0, 0.0, 0.0),
    "off-moving": (0.0, 30.0, 0.0),
    "crank": (220.0, 0.0, 0.0),
}
PARKED_SCRIPT: tuple[tuple[str, float], ...] = (
    ("idle", 80.0),
    ("press", 5.0),
    ("idle", 6.0),
    ("press", 5.0),
    ("idle", 6.0),
    ("press", 5.0),
    ("idle", 6.0),
    ("press", 5.0),
    ("idle", 60.0),
)


def spec(text: str, source: str = "service information") -> SpecValue:
    return SpecValue(parse(text), source)


SPECS = {"idle_speed": spec("700 rpm")}


def channel(name: str, time_s: Any, values: Any, resolution: float | None = None) -> Channel:
    times = np.array(time_s, dtype=np.float64)
    interval = float(np.median(np.diff(times))) if len(times) > 1 else float("nan")
    step = RESOLUTION.get(name, 0.0) if resolution is None else resolution
    return Channel(
        name, quantities()[name].unit, times, np.array(values, dtype=np.float64), step, interval
    )


def recording(
    channels: Sequence[Channel],
    *,
    gaps: Sequence[tuple[float, float]] = (),
    name: str = "made",
) -> Recording:
    digest = hashlib.sha256(name.encode())
    for c in channels:
        digest.update(c.name.encode() + c.time_s.tobytes() + c.values.tobytes())
    last = max((float(c.time_s[-1]) for c in channels if len(c.time_s)), default=0.0)
    first = min((float(c.time_s[0]) for c in channels if len(c.time_s)), default=0.0)
    return Recording(
        source_name=name,
        sha256=digest.hexdigest(),
        importer="made",
        importer_version=1,
        rows=max((len(c.time_s) for c in channels), default=0),
        seconds=last - first,
        channels={c.name: c for c in channels},
        gaps=tuple(gaps),
    )


def drive(
    script: Sequence[tuple[str, float]] = PARKED_SCRIPT,
    *,
    every_s: float = 0.5,
    seed: int = 1,
    idle_rpm: float = 700.0,
    scatter_rpm: float = 6.0,
    hunting_rpm: float = 0.0,
    hunting_s: float = 4.0,
    coolant_c: float = 90.0,
    step_rpm: float = 1.0,
    without: Sequence[str] = (),
    also: Mapping[str, float] | None = None,
) -> Recording:
    """The car that does as the script says, logged every `every_s` with a little jitter.

    scatter_rpm: standard deviation of the idle, forgotten in about 0.3 s. hunting_rpm: amplitude.
    also: further channels that read one value throughout.
    """
    rng = np.random.default_rng(seed)
    seconds = sum(s for _, s in script)
    fine = np.arange(0.0, seconds, FINE_S)
    doing = np.concatenate([np.full(round(s / FINE_S), n, dtype=object) for n, s in script])
    doing = doing[: len(fine)]
    fine = fine[: len(doing)]
    wanted = np.array([DOING[d][0] if DOING[d][0] is not None else idle_rpm for d in doing])
    running = np.array([DOING[d][0] != 0.0 for d in doing])
    engine = _lagged(wanted, 0.5)
    noise = _noise(rng, len(fine), scatter_rpm)
    engine = engine + (noise + hunting_rpm * np.sin(2 * np.pi * fine / hunting_s)) * running
    engine = np.where(engine < 60.0, 0.0, engine)
    speed = _lagged(np.array([DOING[d][1] for d in doing]), 1.0)
    pedal = np.array([DOING[d][2] for d in doing])
    count = int(seconds / every_s)
    channels = []
    for place, (name, truth) in enumerate(
        (("engine_speed", engine), ("vehicle_speed", speed), ("pedal", pedal))
    ):
        if name in without:
            continue
        # Asked one after the other, each a little late now and then.
        times = (np.arange(count) + 0.1 * place) * every_s
        times = times + rng.uniform(0.0, 0.04 * every_s, count)
        values = np.interp(times, fine, truth)
        step = step_rpm if name == "engine_speed" else RESOLUTION[name]
        channels.append(channel(name, times, np.round(values / step) * step, step))
    if "coolant" not in without:
        times = np.arange(0.0, seconds, max(1.0, every_s))
        warm = np.round(coolant_c + 0.8 * np.sin(times / 37.0))
        channels.append(channel("coolant", times, warm))
    for name, value in (also or {}).items():
        times = np.arange(0.0, seconds, max(1.0, every_s))
        channels.append(channel(name, times, np.full(len(times), value)))
    return recording(channels, name=f"drive {seed}")


def _lagged(wanted: Array, tau_s: float) -> Array:
    share = FINE_S / tau_s
    result = np.empty(len(wanted))
    now = wanted[0]
    for place, target in enumerate(wanted.tolist()):
        now += share * (target - now)
        result[place] = now
    return result


def _noise(rng: np.random.Generator, count: int, deviation: float) -> Array:
    phi = float(np.exp(-FINE_S / 0.3))
    steps = rng.normal(0.0, deviation * np.sqrt(1.0 - phi * phi), count)
    result = np.empty(count)
    now = float(rng.normal(0.0, deviation))
    for place, step in enumerate(steps.tolist()):
        now = phi * now + step
        result[place] = now
    return result


def changed(
    base: Recording, change: Callable[[Channel], Channel | None], gaps: Any = None
) -> Recording:
    """The same recording with each channel changed, or left out where the change gives None."""
    new = [n for c in base.channels.values() if (n := change(c)) is not None]
    made = recording(new, gaps=base.gaps if gaps is None else gaps, name=base.source_name)
    return replace(made, source_name=base.source_name)


def kept(base: Recording, keep: Callable[[Array], NDArray[np.bool_]], **more: Any) -> Recording:
    """Only the readings whose times `keep` wants."""

    def cut(c: Channel) -> Channel | None:
        mask = keep(c.time_s)
        if not mask.any():
            return None
        return channel(c.name, c.time_s[mask], c.values[mask], c.resolution)

    return changed(base, cut, **more)


def with_gap(base: Recording, start_s: float, end_s: float) -> Recording:
    return kept(
        base,
        lambda t: (t < start_s) | (t > end_s),
        gaps=(*base.gaps, (start_s, end_s)),
    )


def with_values(base: Recording, name: str, values: Callable[[Array], Array]) -> Recording:
    def change(c: Channel) -> Channel:
        return channel(name, c.time_s, values(c.values), c.resolution) if c.name == name else c

    return changed(base, change)


def without(base: Recording, *names: str) -> Recording:
    return changed(base, lambda c: None if c.name in names else c)


def _swapped(base: Recording) -> Recording:
    """Engine speed and vehicle speed under each other's names."""
    other = {"engine_speed": "vehicle_speed", "vehicle_speed": "engine_speed"}
    return changed(
        base, lambda c: channel(other.get(c.name, c.name), c.time_s, c.values, c.resolution)
    )


def _frozen(base: Recording) -> Recording:
    return changed(
        base,
        lambda c: channel(c.name, c.time_s, np.full(len(c.values), c.values[0]), 0.0),
    )


def zoo() -> dict[str, Recording]:
    """Nasty recordings by name. None of them can earn a pass of an idle or stall check."""
    sound = drive()
    two = np.arange(0.0, 150.0, 0.5)
    return {
        "no channels": recording([], name="no channels"),
        "one sample": kept(sound, lambda t: t == t[0]),
        "two samples": kept(sound, lambda t: t <= t[1]),
        "empty channels": recording([channel(n, [], []) for n in ("engine_speed", "coolant")]),
        "constant": _frozen(sound),
        "frozen engine speed": with_values(sound, "engine_speed", lambda v: np.full(len(v), 700.0)),
        "frozen at idle only": with_values(
            sound, "engine_speed", lambda v: np.where(np.abs(v - 700.0) < 60.0, 700.0, v)
        ),
        "all zero": changed(
            sound, lambda c: channel(c.name, c.time_s, np.zeros(len(c.values)), c.resolution)
        ),
        "saturated engine speed": with_values(
            sound, "engine_speed", lambda v: np.full(len(v), 16383.75)
        ),
        "saturated speed": with_values(sound, "vehicle_speed", lambda v: np.full(len(v), 255.0)),
        "saturated pedal": with_values(sound, "pedal", lambda v: np.full(len(v), 100.0)),
        "saturated coolant": with_values(sound, "coolant", lambda v: np.full(len(v), 215.0)),
        "no coolant sensor": with_values(sound, "coolant", lambda v: np.full(len(v), -40.0)),
        "swapped units": _swapped(sound),
        "engine speed in hertz": with_values(sound, "engine_speed", lambda v: v / 60.0),
        "negative engine speed": with_values(sound, "engine_speed", lambda v: -v),
        "enormous numbers": with_values(sound, "engine_speed", lambda v: v * 1e300),
        "tiny numbers": with_values(sound, "engine_speed", lambda v: v * 1e-300),
        "very coarse steps": drive(step_rpm=250.0),
        "cut off": kept(sound, lambda t: t < 18.0),
        "gap in the idle": with_gap(kept(sound, lambda t: t < 79.0), 20.0, 60.0),
        "gaps everywhere": _many_gaps(sound),
        "every 20 s": kept(sound, lambda t: (t % 20.0) < 0.5),
        "slow 3 s": drive(every_s=3.0),
        "engine speed flickers": with_values(
            sound, "engine_speed", lambda v: np.where(np.arange(len(v)) % 2 == 0, v, 0.0)
        ),
        "speed flickers": with_values(
            sound, "vehicle_speed", lambda v: np.where(np.arange(len(v)) % 2 == 0, 0.0, 60.0)
        ),
        "huge clock": recording(
            [
                channel(c.name, c.time_s + 1.7e9, c.values, c.resolution)
                for c in kept(sound, lambda t: t < 18.0).channels.values()
            ]
        ),
        "channels apart": recording(
            [
                channel("engine_speed", two, 700.0 + 5.0 * np.sin(two * 7.1)),
                channel("vehicle_speed", two + 1000.0, 0.0 * two),
                channel("pedal", two + 2000.0, 0.0 * two),
                channel("coolant", two + 3000.0, 90.0 + 0.0 * two),
            ]
        ),
        "pedal never let go": with_values(sound, "pedal", lambda v: v + 30.0),
        "drop-outs to zero": with_values(
            sound, "engine_speed", lambda v: np.where(np.arange(len(v)) % 41 == 7, 0.0, v)
        ),
    }


def _many_gaps(base: Recording) -> Recording:
    made = base
    for start in range(3, 200, 6):
        made = with_gap(made, float(start), start + 2.0)
    return made


def of_channel(base: Recording, name: str) -> dict[str, Recording]:
    """The recording with one channel gone wrong, by what went wrong."""
    c = base.channels[name]
    n = len(c.values)
    turn = np.arange(n) % 2 == 0
    ways = {
        "constant": np.full(n, c.values[0]),
        "zero": np.zeros(n),
        "huge": np.full(n, 1e12),
        "enormous": c.values * 1e300,
        "tiny": c.values * 1e-300,
        "negative": -np.abs(c.values) - 1.0,
        "flickering": np.where(turn, c.values, 0.0),
        "endless steps": np.arange(n) * 1e6,
        "shuffled": np.random.default_rng(3).permutation(c.values),
    }
    made = {way: replace(c, values=values) for way, values in ways.items()}
    for count in (0, 1, 2):
        few = _readings(c, np.arange(n) < count)
        made[f"{count} readings"] = replace(few, interval_s=float("nan"))
    made["first third only"] = _readings(c, np.arange(n) < n // 3)
    made["every 20 s"] = _readings(c, c.time_s % 20.0 < c.interval_s)
    made["a day late"] = replace(c, time_s=c.time_s + 86_400.0)
    return {
        way: _another(base, {**base.channels, name: channel_}, way)
        for way, channel_ in made.items()
    }


def of_recording(base: Recording) -> dict[str, Recording]:
    """The recording with all of it gone wrong, by what went wrong."""
    start = min(float(c.time_s[0]) for c in base.channels.values())

    def all_of(change: Callable[[Channel], Channel], **more: Any) -> Recording:
        return _another(base, {n: change(c) for n, c in base.channels.items()}, str(more), **more)

    gaps = tuple(
        (start + at, start + at + 0.9) for at in np.arange(0.5, base.seconds, 1.5).tolist()
    )
    return {
        "no channels": _another(base, {}, "none"),
        "no readings": all_of(lambda c: _readings(c, c.time_s < -np.inf)),
        "one row": all_of(lambda c: _readings(c, np.arange(len(c.values)) < 1)),
        "two rows": all_of(lambda c: _readings(c, np.arange(len(c.values)) < 2)),
        "cut off after 2 s": all_of(lambda c: _readings(c, c.time_s < start + 2.0)),
        "every 90 s": all_of(lambda c: _readings(c, (c.time_s - start) % 90.0 < c.interval_s)),
        "gaps everywhere": all_of(
            lambda c: _readings(
                c, np.all([(c.time_s <= a) | (c.time_s >= b) for a, b in gaps], axis=0)
            ),
            gaps=gaps,
        ),
        "all constant": all_of(lambda c: replace(c, values=np.full(len(c.values), c.values[0]))),
        "all zero": all_of(lambda c: replace(c, values=0.0 * c.values)),
        "all enormous": all_of(lambda c: replace(c, values=c.values * 1e300)),
    }


def _readings(c: Channel, keep: NDArray[np.bool_]) -> Channel:
    times = c.time_s[keep]
    interval = float(np.median(np.diff(times))) if len(times) > 1 else float("nan")
    return replace(c, time_s=times, values=c.values[keep], interval_s=interval)


def _another(base: Recording, channels: Mapping[str, Channel], way: str, **more: Any) -> Recording:
    """With a digest of its own: equal ones would be taken for one recording."""
    digest = hashlib.sha256(f"{base.sha256} {way} {sorted(channels)}".encode()).hexdigest()
    return replace(base, channels=channels, sha256=digest, **more)


# What an importer may hand on wrongly: the constructor or the checks must refuse it, or bear it.
def broken_files() -> dict[str, bytes]:
    """Files by name, as a logger or a careless hand may leave them."""
    sound = _as_csv(drive(), rows=300)
    lines = sound.split(b"\n")
    head, body = lines[0], [line for line in lines[1:] if line]
    return {
        "empty": b"",
        "only a header": head + b"\n",
        "one row": b"\n".join([head, body[0]]) + b"\n",
        "cut off in mid-line": sound[: len(sound) // 2 + 3],
        "time running back": b"\n".join([head, *reversed(body)]) + b"\n",
        "doubled timestamps": b"\n".join([head, *(b for b in body for _ in (0, 1))]) + b"\n",
        "NaN": sound.replace(b",700", b",NaN").replace(b",701", b",nan"),
        "infinite": sound.replace(b",700", b",inf").replace(b",701", b",-Infinity"),
        "no numbers": b"\n".join([head, *(b"a,b,c,d,e" for _ in body)]) + b"\n",
        "nul bytes": sound.replace(b",0", b",\x000"),
        "all missing": b"\n".join([head, *(b.split(b",")[0] + b",,,," for b in body)]) + b"\n",
        "unequal rows": b"\n".join([head, *(b[: 3 + i % 20] for i, b in enumerate(body))]) + b"\n",
        "unsorted": b"\n".join([head, *body[1::2], *body[::2]]) + b"\n",
    }


def _as_csv(base: Recording, rows: int) -> bytes:
    """One table, every row read at once, as simple loggers write it."""
    times = np.arange(rows) * 0.5
    columns = [times]
    for name in ("engine_speed", "vehicle_speed", "pedal", "coolant"):
        c = base.channels[name]
        columns.append(np.round(np.interp(times, c.time_s, c.values)))
    head = "time [s],engine rpm [rpm],vehicle speed [km/h],accelerator pedal [%],coolant [°C]"
    body = (",".join(f"{v:g}" for v in row) for row in zip(*columns, strict=True))
    return ("\n".join([head, *body]) + "\n").encode()
