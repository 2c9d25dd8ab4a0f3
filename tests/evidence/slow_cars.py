"""Recordings with known truth for the checks of slow quantities and of the key.

Everything is plain arithmetic on given times; a seed only adds noise of a known size.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence.channels import quantities
from verify.evidence.checks.kind import Check
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.quantity import SpecValue, parse
from verify.words import Verdict

Array = NDArray[np.float64]
STEP = 100.0 / 128.0
RESOLUTION = {
    "engine_speed": 0.25,
    "vehicle_speed": 1.0,
    "coolant": 1.0,
    "ambient": 1.0,
    "intake_air": 1.0,
    "pedal": 100.0 / 255.0,
    "pedal_d": 100.0 / 255.0,
    "throttle": 100.0 / 255.0,
    "module_voltage": 0.01,
    "fuel_status": 1.0,
    **dict.fromkeys(
        ("fuel_trim_short", "fuel_trim_long", "fuel_trim_short_2", "fuel_trim_long_2"), STEP
    ),
}


def made(
    values: Mapping[str, tuple[Array, Any]],
    *,
    gaps: Sequence[tuple[float, float]] = (),
    skew_s: float = 0.0,
) -> Recording:
    """name → (times, values); the values are rounded as their channel tells them."""
    channels = {}
    digest = hashlib.sha256()
    for name, (times, raw) in values.items():
        step = RESOLUTION[name]
        told = np.round(np.broadcast_to(raw, times.shape) / step) * step
        interval = float(np.median(np.diff(times))) if len(times) > 1 else float("nan")
        channels[name] = Channel(
            name, quantities()[name].unit, times.copy(), told, step, interval, skew_s=skew_s
        )
        digest.update(name.encode() + times.tobytes() + told.tobytes())
    last = max((float(t[-1]) for t, _ in values.values() if len(t)), default=0.0)
    rows = max((len(t) for t, _ in values.values()), default=0)
    return Recording("made", digest.hexdigest(), "made", 1, rows, last, channels, gaps=tuple(gaps))


def run(check: Check, *recordings: Recording, **specs: str) -> CheckResult:
    """The check as the catalogue would put it, with the numbers of the vehicle as typed text."""
    typed = {n: SpecValue(parse(t), "service information") for n, t in specs.items()}
    result = check.run(check, recordings, typed, Rule())
    assert result.verdict is check.findings[result.finding]
    assert result.why.endswith(".")
    if result.verdict is Verdict.UNDECIDED:
        assert result.settle, result.finding
    result.to_json()
    return result


def only(base: Recording, *names: str) -> Recording:
    return replace(base, channels={n: base.channels[n] for n in names})


def less(base: Recording, *names: str) -> Recording:
    return replace(base, channels={n: c for n, c in base.channels.items() if n not in names})


def turned(base: Recording) -> Recording:
    return replace(base, channels=dict(reversed(list(base.channels.items()))))


def moved(base: Recording, shift_s: float) -> Recording:
    """The same with another start of the clock."""
    return replace(
        base,
        channels={n: replace(c, time_s=c.time_s + shift_s) for n, c in base.channels.items()},
        gaps=tuple((a + shift_s, b + shift_s) for a, b in base.gaps),
    )


def gapped(base: Recording, start_s: float, end_s: float) -> Recording:
    channels = {}
    for name, c in base.channels.items():
        keep = (c.time_s <= start_s) | (c.time_s >= end_s)
        channels[name] = replace(c, time_s=c.time_s[keep], values=c.values[keep])
    return replace(base, channels=channels, gaps=(*base.gaps, (start_s, end_s)))


def told(result: CheckResult) -> tuple[str, str]:
    return result.verdict.value, result.finding


# Beside `tests.nasty.zoo`: a channel's readings made nonsense of.
def spoiled(base: Recording, name: str) -> dict[str, Recording]:
    c = base.channels[name]
    ways = {
        "constant": np.full(len(c.values), c.values[0]),
        "zero": np.zeros(len(c.values)),
        "huge": np.full(len(c.values), 1e12),
        "negative": -np.abs(c.values) - 1.0,
        "flickering": np.where(np.arange(len(c.values)) % 2 == 0, c.values, 0.0),
    }
    found = {
        w: replace(base, channels={**base.channels, name: replace(c, values=v)})
        for w, v in ways.items()
    }
    for count in (0, 1, 2):
        short = replace(c, time_s=c.time_s[:count], values=c.values[:count], interval_s=np.nan)
        found[f"{count} readings"] = replace(base, channels={**base.channels, name: short})
    return found
