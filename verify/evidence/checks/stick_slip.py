"""A plate that sticks and then leaps while pedal or command moves on slowly and smoothly.

Part of `throttle-follow`, beside its held levels. Only a slow, even movement shows it, read ten
times a second or so: the plate stays where it is while what moves it goes on, and then catches up
at once. Where nobody moved the pedal like that, or the rate is too low, it is not shown.

    command │        ___/          plate │       ┌──  leap: within 0.2 s
            │     __/                    │   ────┘    hold: 0.4 s or more without a step
            │  __/                       │
            └────────── t                └────────── t
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.holds import extremes, inside_one
from verify.evidence.plate import unbroken
from verify.evidence.presses import percent
from verify.evidence.ranks import places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.verdict import Measurement, Window, least_uncertainty
from verify.values import dataclass

SHOWS_S = 0.13  # ten readings a second, with some jitter
# An even movement: this fast in points a second, this long, and mostly one way in each second.
SLOWEST, FASTEST, LEAST_RAMP_S, ONE_WAY = 2.0, 15.0, 1.5, 0.8
HOLD_S, LEAP_S = 0.4, 0.2
# A plate answers within this; a foot that leapt so shortly before is no stick-slip.
ANSWERS_S = 0.5
# A plate goes no steeper than this with its command, and with the pedal, whose map may be steep
# somewhere (common practice).
STEEPEST_COMMAND, STEEPEST_PEDAL = 1.05, 2.0
# Leaps smaller than this are idle control or the reading's step. So many make a habit; by the pedal
# alone they must lie at different places, as a map may have one steep place.
LEAST_LEAP, LEAST_LEAPS, PLACES_APART = 2.0, 3, 3.0
MOST_CANDIDATES = 2000
# A parked limiter closes the plate and opens it again near the highest engine speed.
LIMITER_FROM_RPM, LIMITER_SHARE = 2500.0, 0.94


@dataclass(frozen=True, slots=True)
class Slips:
    """shown_s: seconds of slow movement in which one would have shown. leaps: number of them.
    size: their median beyond what the movement explains, points; None with no leap. habit: leaps
    enough, at places enough. windows: of the first few."""

    shown_s: float
    leaps: int
    size: Measurement | None
    habit: bool
    windows: tuple[Window, ...]


def slips(parts: Sequence[tuple[int, Recording, Channel, Array]], *, commanded: bool) -> Slips:
    """parts: place, recording, what moves the plate, and the spans in which the car stood."""
    steepest = STEEPEST_COMMAND if commanded else STEEPEST_PEDAL
    shown = 0.0
    sizes: list[float] = []
    places: list[float] = []
    windows: list[Window] = []
    step = 0.0
    for place, recording, mover, still in parts:
        plate = percent(recording.channels["throttle"])
        moves = percent(mover)
        if not max(plate.interval_s, moves.interval_s) <= SHOWS_S or len(plate.values) < 20:
            continue
        seconds, at, size = _leaps(recording, moves, plate, still, steepest)
        if not commanded:
            free = ~_limited(recording, at)
            at, size = at[free], size[free]
        shown += seconds
        step = max(step, plate.resolution, moves.resolution)
        sizes += size.tolist()
        places += np.interp(at, moves.time_s, moves.values).tolist()
        windows += [Window(place, s - HOLD_S, s + LEAP_S) for s in at[:10].tolist()]
    if not sizes:
        return Slips(shown, 0, None, False, ())
    doubt = 2.0 * least_uncertainty(step)
    if len(sizes) > 1:
        doubt = float(np.hypot(doubt, 1.2533 * np.std(sizes, ddof=1) / np.sqrt(len(sizes))))
    where = np.sort(np.array(places))
    apart = 1 + int(np.sum(np.diff(where) >= PLACES_APART))
    size_of = Measurement(float(np.median(sizes)), "%", max(doubt, 1e-3), samples=len(sizes))
    habit = len(sizes) >= LEAST_LEAPS and (commanded or apart >= 2)
    return Slips(shown, len(sizes), size_of, habit, tuple(windows[:10]))


def _limited(recording: Recording, at: Array) -> NDArray[np.bool_]:
    """At which of these times a limiter may have moved the plate."""
    engine = recording.channels.get("engine_speed")
    if engine is None or not len(engine.values):
        return np.zeros(len(at), dtype=bool)
    top = float(engine.values.max())
    near = np.interp(at, engine.time_s, engine.values) >= LIMITER_SHARE * top
    return near & (top >= LIMITER_FROM_RPM)


def _leaps(
    recording: Recording, moves: Channel, plate: Channel, still: Array, steepest: float
) -> tuple[float, Array, Array]:
    """(seconds of slow movement, times of the leaps, their sizes)."""
    t, y = plate.time_s, plate.values
    x = np.interp(t, moves.time_s, moves.values)
    direction = _even(recording, moves, plate, x, still)
    shown = float(np.sum(np.diff(t)[direction[1:] != 0]))
    # A leap ends within LEAP_S of the reading it starts from, and a hold came before that one.
    here = np.arange(len(t))
    end = places_among(t, t + LEAP_S + 0.5 * plate.interval_s, "right") - 1
    held = places_among(t, t - HOLD_S, "right") - 1
    early = places_among(t, t - ANSWERS_S - moves.skew_s, "left")
    ready = (direction != 0) & (held >= 0) & (end > here) & (direction[end] == direction)
    spot = np.flatnonzero(ready)
    leap = (y[end[spot]] - y[spot]) * direction[spot]
    spot = spot[leap >= LEAST_LEAP]
    if not len(spot):
        return shown, np.empty(0), np.empty(0)
    leap = (y[end[spot]] - y[spot]) * direction[spot]
    high, low = extremes(y, held[spot], spot - held[spot] + 1)
    quiet = high - low <= 1.01 * plate.resolution
    moved = np.abs(x[end] - x)
    fastest, _ = extremes(moved, early[spot], spot - early[spot] + 1)
    size = leap - steepest * fastest
    good = quiet & (size >= LEAST_LEAP)
    spot, size = spot[good][:MOST_CANDIDATES], size[good][:MOST_CANDIDATES]
    # Readings of one leap count once, with the largest.
    fresh = np.append(True, np.diff(t[spot]) > HOLD_S)[: len(spot)]
    first = np.flatnonzero(fresh)
    if not len(first):
        return shown, np.empty(0), np.empty(0)
    return shown, t[spot[first]], np.maximum.reduceat(size, first)


def _even(
    recording: Recording, moves: Channel, plate: Channel, x: Array, still: Array
) -> NDArray[np.int64]:
    """For each reading of the plate: +1 or −1 where what moves it goes up or down slowly and
    evenly for long enough, 0 elsewhere."""
    t = plate.time_s
    first = places_among(t, t - 0.5, "left")
    last = places_among(t, t + 0.5, "right") - 1
    own, other = unbroken(plate, recording), unbroken(moves, recording)
    near = np.clip(places_among(moves.time_s, t, "right") - 1, 0, len(other) - 1)
    inside = (t >= moves.time_s[0]) & (t <= moves.time_s[-1])
    whole = (own[first] == own[last]) & (other[near[first]] == other[near[last]])
    whole &= inside[first] & inside[last] & inside_one(t[first], t[last], still)
    seconds = t[last] - t[first]
    way = x[last] - x[first]
    high, low = extremes(x, first, last - first + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.abs(way) / seconds
    even = whole & (seconds >= 0.7) & (rate >= SLOWEST) & (rate <= FASTEST)
    even &= np.abs(way) >= ONE_WAY * (high - low)
    direction = np.where(even, np.sign(way), 0.0).astype(np.int64)
    result = np.zeros(len(t), dtype=np.int64)
    for sign in (1, -1):
        starts, ends = sp.runs_of(direction == sign)
        lasting = t[ends - 1] - t[starts] >= LEAST_RAMP_S
        for start, end in zip(starts[lasting].tolist(), ends[lasting].tolist(), strict=True):
            result[start:end] = sign
    return result
