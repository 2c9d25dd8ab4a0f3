"""How loggers see the car: when each value is asked for, and how finely it is told.

A logger knows nothing of the car but its signals. Styles: "own" (each channel on its own clock,
unequal phases), "round robin" (asked one after the other, each with its own time), "row" (asked one
after the other, written as one row with one time, which is that of the row's end) and "csv" (the
same row as text, read through the tool's own door).
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Channel, Recording

Array = NDArray[np.float64]
STYLES = ("own", "round robin", "row", "csv")

_PER_255 = 100.0 / 255.0
# SAE J1979 scalings: PID 04, 11, 45–4C in 1/255; 0C in 1/4 rpm; 0D in km/h; 05, 0F, 46 in °C;
# 06–09 in 100/128 %; 42 in mV (loggers tell 0.01 V at best); 1F in s.
STEPS: Mapping[str, float] = {
    "engine_speed": 0.25,
    "vehicle_speed": 1.0,
    "coolant": 1.0,
    "ambient": 1.0,
    "intake_air": 1.0,
    "oil": 1.0,
    **dict.fromkeys(
        ("pedal", "pedal_d", "pedal_e", "throttle", "throttle_b", "throttle_commanded", "load"),
        _PER_255,
    ),
    **dict.fromkeys(("fuel_trim_short", "fuel_trim_long"), 100.0 / 128.0),
    "module_voltage": 0.01,
    "map": 1.0,
    "baro": 1.0,
    "maf": 0.01,
    "run_time": 1.0,
    "fuel_status": 1.0,
    "altitude": 1.0,
}
UNITS: Mapping[str, str] = {
    "engine_speed": "rpm",
    "vehicle_speed": "km/h",
    **dict.fromkeys(("coolant", "ambient", "intake_air", "oil"), "°C"),
    **dict.fromkeys(("map", "baro"), "kPa"),
    "maf": "g/s",
    "run_time": "s",
    "module_voltage": "V",
    "fuel_status": "1",
    "altitude": "m",
}
HEADERS: Mapping[str, str] = {
    "engine_speed": "Engine RPM [rpm]",
    "vehicle_speed": "Vehicle Speed [km/h]",
    "coolant": "Engine Coolant Temperature [°C]",
    "ambient": "Ambient Air Temperature [°C]",
    "pedal_d": "Accelerator Pedal Position D [%]",
    "pedal_e": "Accelerator Pedal Position E [%]",
    "throttle": "Absolute Throttle Position [%]",
    "throttle_b": "Absolute Throttle Position B [%]",
    "throttle_commanded": "Commanded Throttle Actuator [%]",
    "fuel_trim_short": "Short Term Fuel Trim [%]",
    "fuel_trim_long": "Long Term Fuel Trim [%]",
    "module_voltage": "Control Module Voltage [V]",
    "load": "Calculated Load Value [%]",
    "run_time": "Run Time Since Engine Start [s]",
    "fuel_status": "Fuel System Status",
}
SLOW = frozenset(("coolant", "ambient", "intake_air", "oil", "baro", "altitude"))


@dataclass(frozen=True)
class Signals:
    """What the car did: values on an even clock, shape (n,) each, in canonical units."""

    step_s: float
    values: Mapping[str, Array]
    noise: Mapping[str, float] = field(default_factory=dict)

    @property
    def seconds(self) -> float:
        return self.step_s * len(next(iter(self.values.values())))


def logged(
    rng: np.random.Generator,
    signals: Signals,
    rate_hz: float,
    *,
    style: str = "own",
    channels: Sequence[str] | None = None,
    jitter: float = 0.08,
    name: str = "simulated",
) -> Recording:
    """One recording of these signals at `rate_hz` per channel.

    jitter: standard deviation of the time between readings, as a share of it.
    """
    names = list(channels if channels is not None else signals.values)
    row_s = 1.0 / rate_hz
    ends = signals.seconds - 2 * signals.step_s
    if style not in STYLES:
        raise ValueError(f"no such style: {style}")
    made: dict[str, Channel] = {}
    if style == "own":
        for n in names:
            # Loggers ask for slow values less often.
            every = max(row_s, 1.0) if n in SLOW else row_s
            t = _clock(rng, every, ends, jitter)
            made[n] = _channel(n, t, _read(rng, signals, n, t), 0.0)
    else:
        rows = _clock(rng, row_s, ends - row_s, jitter)
        # Bursts (fast answers, then a wait) or spread over the whole row.
        spread = rng.uniform(0.3, 0.98)
        begins = np.concatenate([[rows[0] - row_s], rows[:-1]])
        lengths = rows - begins
        for place, n in enumerate(names):
            asked = begins + lengths * (1.0 - spread * (1.0 - place / len(names)))
            keep = asked >= 0.0
            times = asked[keep] if style == "round robin" else rows[keep]
            skew = 0.0 if style == "round robin" else float(np.max(lengths))
            made[n] = _channel(n, times, _read(rng, signals, n, asked[keep]), skew)
        if style == "csv":
            return _through_text(made, name)
    return as_recording(made, name)


def _clock(rng: np.random.Generator, every_s: float, ends_s: float, jitter: float) -> Array:
    count = int(ends_s / every_s) + 8
    gaps = every_s * np.maximum(0.4, 1.0 + jitter * rng.normal(0.0, 1.0, count))
    times = rng.uniform(0.0, every_s) + np.concatenate([[0.0], np.cumsum(gaps)])
    return times[times < ends_s]


def _read(rng: np.random.Generator, signals: Signals, name: str, at: Array) -> Array:
    truth = signals.values[name]
    value = np.interp(at, np.arange(len(truth)) * signals.step_s, truth)
    if name in signals.noise:
        value = value + rng.normal(0.0, signals.noise[name], len(at))
    step = STEPS[name]
    return np.asarray(np.round(value / step) * step)


def _channel(name: str, times: Array, values: Array, skew_s: float) -> Channel:
    interval = float(np.median(np.diff(times))) if len(times) > 1 else float("nan")
    return Channel(
        name, UNITS.get(name, "%"), times, values, STEPS[name], interval, name, skew_s=skew_s
    )


def as_recording(made: Mapping[str, Channel], name: str) -> Recording:
    digest = hashlib.sha256(name.encode())
    for c in made.values():
        digest.update(c.name.encode() + c.time_s.tobytes() + c.values.tobytes())
    last = max(float(c.time_s[-1]) for c in made.values())
    first = min(float(c.time_s[0]) for c in made.values())
    rows = max(len(c.time_s) for c in made.values())
    return Recording(name, digest.hexdigest(), "made", 1, rows, last - first, dict(made))


def _through_text(made: Mapping[str, Channel], name: str) -> Recording:
    """One row a line, as simple loggers write it, read by the tool's own importer."""
    names = list(made)
    rows = min(len(c.time_s) for c in made.values())
    times = made[names[-1]].time_s[-rows:]
    columns = [made[n].values[-rows:] for n in names]
    lines = ["time [s]," + ",".join(HEADERS.get(n, n) for n in names)]
    lines += [
        f"{t:.3f}," + ",".join(f"{v:.6g}" for v in row)
        for t, *row in zip(times, *columns, strict=True)
    ]
    text = ("\n".join(lines) + "\n").encode()
    return read_recording(io.BytesIO(text), f"{name}.csv")
