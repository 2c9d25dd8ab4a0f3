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
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.stretches import Places, merged, places_in
from verify.evidence.verdict import Measurement, Window, least_uncertainty
from verify.values import dataclass

SHOWS_S = 0.13  # ten readings a second, with some jitter
# An even movement: this fast in points a second, this long, and mostly one way in each second.
SLOWEST, FASTEST, LEAST_RAMP_S, ONE_WAY = 2.0, 15.0, 1.5, 0.8
# Looked at on both sides of each reading.
AROUND_S = 0.5
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
    none = np.empty(0)
    x = moves.values if moves.time_s is t else np.interp(t, moves.time_s, moves.values)
    direction = _even(recording, moves, plate, x, still)
    spot = np.flatnonzero(direction)
    into = spot[spot > 0]
    shown = float(np.sum(t[into] - t[into - 1]))
    # A leap ends within LEAP_S of the reading it starts from, and a hold came before that one.
    end = _leap_ends(plate, spot)
    held = np.searchsorted(t, t[spot] - HOLD_S, side="right") - 1
    leap = (y[end] - y[spot]) * direction[spot]
    ready = (held >= 0) & (end > spot) & (direction[end] == direction[spot]) & (leap >= LEAST_LEAP)
    spot, held, leap = spot[ready], held[ready], leap[ready]
    if not len(spot):
        return shown, none, none
    high, low = extremes(y, held, spot - held + 1)
    quiet = high - low <= 1.01 * plate.resolution
    # How far what moves it went within one leap, at most, since a plate may still answer.
    early = np.searchsorted(t, t[spot] - ANSWERS_S - moves.skew_s, side="left")
    near = places_in(*merged(early, spot + 1))
    moved = np.abs(x[_leap_ends(plate, near)] - x[near])
    fastest, _ = extremes(moved, np.searchsorted(near, early), spot - early + 1)
    size = leap - steepest * fastest
    good = quiet & (size >= LEAST_LEAP)
    spot, size = spot[good][:MOST_CANDIDATES], size[good][:MOST_CANDIDATES]
    # Readings of one leap count once, with the largest.
    fresh = np.append(True, np.diff(t[spot]) > HOLD_S)[: len(spot)]
    first = np.flatnonzero(fresh)
    if not len(first):
        return shown, none, none
    return shown, t[spot[first]], np.maximum.reduceat(size, first)


def _leap_ends(plate: Channel, here: Places) -> Places:
    """The last reading that still belongs to a leap from each of these."""
    t = plate.time_s
    return np.searchsorted(t, t[here] + LEAP_S + 0.5 * plate.interval_s, side="right") - 1


def _stirred(t: Array, x: Array, still: Array) -> Places:
    """The readings, while the car stands, within half a second of which `x` moves at all.

    A pedal rests for most of a long recording, and a rest is no movement.
    """
    changed = np.flatnonzero((x[1:] != x[:-1]) & sp.inside(t, still)[1:]) + 1
    first = np.searchsorted(t, t[changed - 1] - AROUND_S, side="left")
    after = np.searchsorted(t, t[changed] + AROUND_S, side="right")
    return places_in(*merged(first, after))


def _even(
    recording: Recording, moves: Channel, plate: Channel, x: Array, still: Array
) -> NDArray[np.int8]:
    """For each reading of the plate: +1 or −1 where what moves it goes up or down slowly and
    evenly for long enough, 0 elsewhere."""
    t = plate.time_s
    direction, result = np.zeros(len(t), dtype=np.int8), np.zeros(len(t), dtype=np.int8)
    here = _stirred(t, x, still)
    if not len(here):
        return result
    first = np.searchsorted(t, t[here] - AROUND_S, side="left")
    last = np.searchsorted(t, t[here] + AROUND_S, side="right") - 1
    own, other = unbroken(plate, recording), unbroken(moves, recording)

    def before(places: Places) -> Places:
        found = np.searchsorted(moves.time_s, t[places], side="right") - 1
        return np.clip(found, 0, len(other) - 1)

    whole = (own[first] == own[last]) & (other[before(first)] == other[before(last)])
    whole &= (t[first] >= moves.time_s[0]) & (t[last] <= moves.time_s[-1])
    whole &= inside_one(t[first], t[last], still)
    seconds = t[last] - t[first]
    way = x[last] - x[first]
    high, low = extremes(x, first, last - first + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.abs(way) / seconds
    even = whole & (seconds >= 0.7) & (rate >= SLOWEST) & (rate <= FASTEST)
    even &= np.abs(way) >= ONE_WAY * (high - low)
    direction[here[even]] = np.sign(way[even])
    for sign in (1, -1):
        starts, ends = sp.runs_of(direction == sign)
        lasting = t[ends - 1] - t[starts] >= LEAST_RAMP_S
        for start, end in zip(starts[lasting].tolist(), ends[lasting].tolist(), strict=True):
            result[start:end] = sign
    return result
