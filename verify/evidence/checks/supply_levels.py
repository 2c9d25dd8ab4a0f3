"""Levels of the supply: at rest before the start, at idle, at raised speed, and at most.

What `charging` judges. All levels are means of module voltage, the engine computer's own supply.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.slow_readings import level, pieces_in
from verify.evidence.ranks import median_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.verdict import Limits, Measurement, Window, probability_of_conformity
from verify.evidence.windows import (
    CRANKING_RPM,
    FAST_CAP_S,
    HIGHEST_RPM,
    held,
    running,
    too_slow,
)
from verify.values import dataclass

REST_V = 12.2
USUAL_V = (13.5, 14.8)
FAIL_V = (12.5, 15.0)
# What a full battery rests at: a supply that ends no higher may come from the battery alone.
FULL_V, LAST_S = 12.8, 30.0
BARELY_V, BARELY_BELOW_V = 0.2, 13.0
# Below this a computer does not run, above it the supply is none of a 12 or 24 V car.
ALIVE_V, MOST_V, TRUCK_V = 8.0, 32.0, 18.0
# With the engine off a battery alone reads less, even just after charging.
FED_V = 13.2
IDLE_BELOW_RPM, RAISED_FROM_RPM = 1300.0, 1500.0
AFTER_START_S = 15.0
LEAST_S, LEAST_READINGS, HIGH_S = 20.0, 5, 20.0
VOLTAGE_CAP_S = 10.0
STEP_V = 0.001  # PID 42
# No supply holds so many readings told finer than this (common practice, no source).
STILL_READINGS, FINE_V = 10, 0.05


@dataclass(frozen=True, slots=True)
class Supply:
    """Levels of the supply over all recordings; None where not enough is recorded.

    factor: 2 for a 24 V system. held_high: while it stood at 13.5 V or more for 20 s. highest: the
    highest five readings in a row with the engine running. last: its last half minute. still: the
    levels ("idle", "raised") whose finely told readings hardly ever move, as where the last one
    is written on and on.
    """

    factor: float
    rest: Measurement | None
    idle: Measurement | None
    raised: Measurement | None
    held_high: Measurement | None
    highest: Measurement | None
    last: Measurement | None
    windows: tuple[Window, ...]
    still: tuple[str, ...] = ()

    @property
    def levels(self) -> tuple[Measurement, ...]:
        return tuple(m for m in (self.idle, self.raised) if m is not None)


def off(recording: Recording) -> Array:
    """Where engine speed is read and below any cranking speed."""
    channel = recording.channels["engine_speed"]
    if too_slow(channel, FAST_CAP_S):
        return sp.EMPTY
    return held(channel, channel.values < 50.0, recording, FAST_CAP_S)


def turning(recording: Recording, from_rpm: float, below_rpm: float) -> Array:
    """Where the engine has run for 15 s and turns within [from_rpm, below_rpm)."""
    channel = recording.channels["engine_speed"]
    inside = (channel.values >= from_rpm) & (channel.values < below_rpm)
    settled = sp.trim(running(recording).spans, AFTER_START_S, 0.0)
    return sp.intersect(held(channel, inside, recording, FAST_CAP_S), settled)


def supply(recordings: Sequence[Recording]) -> Supply:
    """All levels. recordings: such as have both engine speed and module voltage."""
    volts = [r.channels["module_voltage"] for r in recordings]
    step = max([STEP_V, *(min(c.resolution, 0.5) for c in volts)])
    found: dict[str, list[Array]] = {"rest": [], "idle": [], "raised": []}
    windows: list[Window] = []
    seconds = dict.fromkeys(found, 0.0)
    runs: list[tuple[Array, Array]] = []
    for place, (recording, channel) in enumerate(zip(recordings, volts, strict=True)):
        if too_slow(channel, VOLTAGE_CAP_S):
            continue
        bounded = held(channel, np.ones(len(channel.values), bool), recording, VOLTAGE_CAP_S)
        for name, spans in (
            ("rest", before_start(recording)),
            ("idle", turning(recording, CRANKING_RPM, IDLE_BELOW_RPM)),
            ("raised", turning(recording, RAISED_FROM_RPM, HIGHEST_RPM)),
        ):
            own, seen = pieces_in(place, channel, sp.intersect(spans, bounded))
            found[name] += own
            seconds[name] += sum(w.seconds for w in seen)
            windows += seen if name != "rest" else []
        runs += sp.pieces(channel, sp.intersect(running(recording).spans, bounded))
    factor = 2.0 if any(len(v) for _, v in runs) and _middle(runs) > TRUCK_V else 1.0

    def mean(name: str, least_s: float, least: int) -> Measurement | None:
        if seconds[name] < least_s or sum(len(p) for p in found[name]) < least:
            return None
        return level(found[name], "V", step)

    return Supply(
        factor,
        mean("rest", 0.0, 2),
        mean("idle", LEAST_S, LEAST_READINGS),
        mean("raised", LEAST_S / 2.0, LEAST_READINGS),
        _held_high(runs, factor, step),
        _highest(runs, step),
        _last([run for run in runs if len(run[0])], step),
        tuple(windows),
        tuple(n for n in ("idle", "raised") if step < FINE_V and _stands(found[n])),
    )


def _stands(pieces: Sequence[Array]) -> bool:
    """Whether so many readings in a row, and half of all, are one and the same."""
    every = np.concatenate([*pieces, np.empty(0)])
    first, after = sp.runs_of(every[1:] == every[:-1])
    longest = int(np.max(after - first, initial=0)) + 1
    return longest >= max(STILL_READINGS, 0.5 * len(every))


def _middle(runs: Sequence[tuple[Array, Array]]) -> float:
    return median_of(np.concatenate([v for _, v in runs]))


def before_start(recording: Recording) -> Array:
    """Engine off before the engine first runs in this recording: a battery that was not charged
    here. Later stops are left out, for the charge of the drive still shows."""
    channel = recording.channels["engine_speed"]
    ran = channel.time_s[channel.values >= 50.0]
    first = float(ran[0]) if len(ran) else math.inf
    return sp.intersect(off(recording), np.array([[-math.inf, first]]))


def _held_high(
    runs: Sequence[tuple[Array, Array]], factor: float, step: float
) -> Measurement | None:
    """The level of the longest unbroken time at 13.5 V or more, where that is 20 s and five
    readings: no battery does it by itself, and noise does not hold it."""
    high: Array = np.empty(0)
    longest_s = HIGH_S
    for times, values in runs:
        spans = sp.true_spans(times, values >= USUAL_V[0] * factor, math.inf, ())
        lengths = spans[:, 1] - spans[:, 0]
        if not len(lengths) or float(lengths.max()) < longest_s:
            continue
        start, end = spans[int(np.argmax(lengths))]
        own = values[(times >= start) & (times <= end)]
        if len(own) >= LEAST_READINGS:
            high, longest_s = own, float(lengths.max())
    return level([high], "V", step)


def _highest(runs: Sequence[tuple[Array, Array]], step: float) -> Measurement | None:
    """The highest mean of five readings in a row. Noise lifts it, so it never says too little."""
    highest: Array | None = None
    for _, values in runs:
        if len(values) < LEAST_READINGS:
            continue
        sums = np.convolve(values, np.ones(LEAST_READINGS), "valid")
        at = int(np.argmax(sums))
        own = values[at : at + LEAST_READINGS]
        if highest is None or own.mean() > highest.mean():
            highest = own
    return None if highest is None else level([highest], "V", step)


def _last(runs: Sequence[tuple[Array, Array]], step: float) -> Measurement | None:
    """The level of the last half minute with the engine running, of five readings at least."""
    if not runs:
        return None
    times, values = runs[-1]
    late = max(0, min(int(np.searchsorted(times, times[-1] - LAST_S)), len(times) - LEAST_READINGS))
    return level([values[late:]], "V", step)


def within(low: float, high: float, factor: float, source: str) -> Limits:
    return Limits(low * factor, high * factor, "V", source)


def probabilities(supply: Supply, limits: Limits) -> list[float]:
    return [probability_of_conformity(m, limits) for m in supply.levels]


def fed_while_off(recordings: Sequence[Recording], factor: float) -> tuple[int, float] | None:
    """(recording, level) where the supply is held above what a battery alone gives, engine off for
    10 s and more: a charger, or a converter as hybrids and electric cars have."""
    for place, recording in enumerate(recordings):
        channel: Channel = recording.channels["module_voltage"]
        spans = sp.at_least(sp.trim(off(recording), 5.0, 0.0), 10.0)
        for own in pieces_in(place, channel, spans, 3)[0]:
            if float(own.min()) > FED_V * factor:
                return place, float(own.mean())
    return None
