"""What of the trade's road test a drive contained, item by item.

The second result of `road-coverage`, beside the law's adequate drive. The items are common
practice without a source: take-offs, a cruise, a coast with the pedal closed, one firm
acceleration, a stop, a hot idle after. It judges the drive and not the car.

An item is `seen`, `not seen`, or `assumed`: what can be seen of it was there, and the channel that
would show the rest was not recorded. Nothing is counted across a gap, and no stretch is longer than
from its first reading to its last.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.holds import extremes
from verify.evidence.ranks import median_of, places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.stretches import Places, merged, places_in
from verify.evidence.windows import (
    FAST_CAP_S,
    PEDAL_REST_AT_MOST,
    STANDING_KMH,
    TEMPERATURE_CAP_S,
    WARM_FROM_C,
    held,
    hold_onto,
    released,
    rest_level,
    running,
    too_slow,
    warm,
)
from verify.values import dataclass

TAKE_OFFS, TAKE_OFF_TO_KMH = 3, 10.0
CRUISE_KMH, CRUISE_S, CRUISE_STRETCH_S = (60.0, 100.0), 300.0, 30.0
COAST_KMH, COAST_S = 20.0, 5.0
# A car that loses less is held by its cruise control (or rolls downhill, which shows as little).
COAST_LOSS_KMH, COAST_LOSS_KMH_S, COAST_RISE_KMH = 3.0, 0.3, 0.2
# 20 km/h in 8 s is 0.7 m/s²: more than a car gathers by itself, less than any engine can.
FIRM_KMH, FIRM_S, FIRM_PEDAL_POINTS, FIRM_LOAD = 20.0, 8.0, 50.0, 80.0
# Of a raw pedal track, 15 % released to some 85 % pressed, half the way is 35 points.
FIRM_RAW_POINTS = 35.0
STOP_S = 3.0
# Faster than 5.6 m/s² no car gathers speed, faster than 11 m/s² none stops: a drop-out.
MOST_GAIN_KMH_S, MOST_LOSS_KMH_S = 20.0, 40.0
# Speed is looked at no finer than this for what was gained, and for what was lost.
FINEST_S, COARSE_S = 0.2, 0.5
IDLE_S = 30.0
# Readings looked at together.
_AT_ONCE = 1 << 14


class State(StrEnum):
    SEEN = "seen"
    NOT_SEEN = "not seen"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the road test. amount of needed, in unit; at_s: when it was complete (seconds on
    the recording's clock), None where it was not seen. words: what it is; lack: what had to be
    assumed; settle: what hands do for it."""

    name: str
    state: State
    amount: float
    needed: float
    unit: str
    at_s: float | None
    words: str
    lack: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "item": self.name, "state": self.state.value, "amount": self.amount,
            "needed": self.needed, "unit": self.unit, "at_s": self.at_s, "assumed": self.lack,
        }  # fmt: skip


def road_test(recording: Recording, from_s: float, to_s: float) -> tuple[Item, ...]:
    """The items in one drive of a recording that has a usable vehicle speed.

    from_s, to_s: the drive, on the recording's clock; both ends included.
    """
    drive = np.array([[from_s, to_s]])
    speed = recording.channels["vehicle_speed"]
    inside = slice(
        int(np.searchsorted(speed.time_s, from_s, side="left")),
        int(np.searchsorted(speed.time_s, to_s, side="right")),
    )
    times, values = speed.time_s[inside], speed.values[inside]
    broken = _broken(recording, speed, times, values)
    still = sp.intersect(_still(recording, speed), drive)
    took, came = _changes(times, values, broken)
    cruise, cruised_s = _cruise(recording, speed, drive)
    after_s = cruised_s if cruised_s is not None else (float(took[0]) if len(took) else np.inf)
    return (
        _item("take-offs", len(took), TAKE_OFFS, "1", _nth(took, TAKE_OFFS),
              f"{TAKE_OFFS} take-offs from a standstill"),
        _item("cruise", cruise, CRUISE_S, "s", cruised_s,
              f"{CRUISE_S / 60:.0f} min at {CRUISE_KMH[0]:.0f} to {CRUISE_KMH[1]:.0f} km/h"),
        _coast(recording, times, values, broken),
        _firm(recording, times, values, broken),
        _stop(came, still),
        _hot_idle(recording, still, after_s),
    )  # fmt: skip


def _item(
    name: str, amount: float, needed: float, unit: str, at_s: float | None, words: str,
    lack: str = "",
) -> Item:  # fmt: skip
    if at_s is None:
        return Item(name, State.NOT_SEEN, float(amount), needed, unit, None, words)
    state = State.ASSUMED if lack else State.SEEN
    return Item(name, state, float(amount), needed, unit, float(at_s), words, lack)


def _nth(at_s: Array, count: int) -> float | None:
    return float(at_s[count - 1]) if len(at_s) >= count else None


def _still(recording: Recording, speed: Channel) -> Array:
    return held(speed, np.abs(speed.values) <= STANDING_KMH, recording, FAST_CAP_S)


def _changes(times: Array, values: Array, broken: Places) -> tuple[Array, Array]:
    """When the car went from standing to rolling at 10 km/h, and when back, without a gap between.

    A creep that ends in a standstill again is neither.
    """
    if len(times) < 2:
        return np.empty(0), np.empty(0)
    rolls = values >= TAKE_OFF_TO_KMH
    place = np.flatnonzero((np.abs(values) <= STANDING_KMH) | rolls)
    rolling = rolls[place]
    turns = np.flatnonzero(rolling[1:] != rolling[:-1])
    after = place[turns + 1]
    whole = broken[after] == broken[place[turns]]
    up = rolling[turns + 1]
    return times[after[whole & up]], times[after[whole & ~up]]


def _broken(recording: Recording, speed: Channel, times: Array, values: Array) -> Places:
    """For each reading, how many steps before it have something missing, or no car can have done
    them."""
    good = sp.linked(times, sp.longest_step_s(speed, FAST_CAP_S), recording.gaps)
    gained, took = np.diff(values), np.diff(times)
    slack = 2.0 * max(speed.resolution, 1.0)
    possible = (gained <= MOST_GAIN_KMH_S * took + slack) & (
        gained >= -MOST_LOSS_KMH_S * took - slack
    )
    bad = np.flatnonzero(~(good & possible)) + 1
    edges = np.concatenate([[0], bad, [len(times)]])
    found: Places = np.repeat(np.arange(len(bad) + 1), np.diff(edges))
    return found


def _cruise(recording: Recording, speed: Channel, drive: Array) -> tuple[float, float | None]:
    """(seconds in stretches of 30 s or more in the band, when 300 s of them were complete)."""
    band = (speed.values >= CRUISE_KMH[0]) & (speed.values <= CRUISE_KMH[1])
    found = sp.intersect(held(speed, band, recording, FAST_CAP_S), drive)
    found = sp.at_least(found, CRUISE_STRETCH_S)
    if not len(found):
        return 0.0, None
    total = np.cumsum(found[:, 1] - found[:, 0])
    place = int(np.searchsorted(total, CRUISE_S - 1e-9))
    if place == len(total):
        return float(total[-1]), None
    return float(total[-1]), float(found[place, 1] - (total[place] - CRUISE_S))


def _coast(recording: Recording, times: Array, values: Array, broken: Places) -> Item:
    """Foot off, rolling, and slower and slower: with cruise control the foot is off as well."""
    words = f"a coast of {COAST_S:.0f} s with the foot off the pedal, above {COAST_KMH:.0f} km/h"
    run, at, slowing = _thinned(times, values, broken, COARSE_S)
    falls = (np.diff(slowing) <= COAST_RISE_KMH) & (run[1:] == run[:-1])
    falls &= (slowing[:-1] >= COAST_KMH) & (slowing[1:] >= COAST_KMH)
    starts, ends = sp.runs_of(falls)
    found = np.column_stack([at[starts], at[ends]]) if len(starts) else sp.EMPTY
    engine, foot = running(recording), released(recording)
    for condition in (engine, foot):
        if not condition.lack:
            found = sp.intersect(found, condition.spans)
    found = sp.at_least(found, COAST_S)
    first = np.searchsorted(at, found[:, 0] - 1e-9, side="left")
    last = np.searchsorted(at, found[:, 1] + 1e-9, side="right") - 1
    lost = slowing[np.minimum(first, len(at) - 1)] - slowing[last] if len(found) else np.empty(0)
    if len(found):
        least = np.maximum(COAST_LOSS_KMH, COAST_LOSS_KMH_S * (found[:, 1] - found[:, 0]))
        found = found[lost >= least]
    at_s = float(found[0, 0]) + COAST_S if len(found) else None
    lack = "" if not foot.lack else "the foot was off the pedal (the pedal was not read)"
    return _item("coast", 0.0 if lack else _longest(found), COAST_S, "s", at_s, words, lack)


def _thinned(
    times: Array, values: Array, broken: Places, finest_s: float
) -> tuple[Places, Array, Array]:
    """(how many broken steps lie before, times, values), with no more readings than needed."""
    usual = median_of(np.diff(times)) if len(times) > 1 else 0.0
    # The last digit of a step must not choose between two and three.
    every = max(1, round(finest_s / usual - 1e-6)) if usual > 0.0 else 1
    return broken[::every], times[::every], values[::every]


def _longest(found: Array) -> float:
    return float((found[:, 1] - found[:, 0]).max()) if len(found) else 0.0


def _firm(recording: Recording, times: Array, values: Array, broken: Places) -> Item:
    words = (
        f"one firm acceleration where lawful: {FIRM_KMH:.0f} km/h gained within {FIRM_S:.0f} s, "
        "pedal half down or more"
    )
    best, begun, ended = _gains(times, values, broken)
    lack = "the pedal was half down (neither pedal nor load was read)"
    pushed = _pushed(recording)
    if pushed is not None:
        at, hard = pushed
        upto = np.flatnonzero(hard)
        first = np.searchsorted(at, begun - FIRM_S / 4, side="left")
        after = np.searchsorted(at, ended, side="right")
        ended = ended[np.searchsorted(upto, after) > np.searchsorted(upto, first)]
        lack = ""
    at_s = float(ended[0]) if len(ended) else None
    return _item("firm-acceleration", best, FIRM_KMH, "km/h", at_s, words, lack)


def _gains(times: Array, values: Array, broken: Places) -> tuple[float, Array, Array]:
    """(the most that was gained on a reading up to 8 s before; from_s, to_s of all firm gains)."""
    if len(times) < 2:
        return 0.0, np.empty(0), np.empty(0)
    run, times, values = _thinned(times, values, broken, FINEST_S)
    fresh = np.append(0, np.flatnonzero(run[1:] != run[:-1]) + 1)
    run_start = np.repeat(fresh, np.diff(fresh, append=len(run)))
    first = np.maximum(places_among(times, times - FIRM_S - 1e-9, "left"), run_start)
    _, lowest = extremes(values, first, np.arange(1, len(times) + 1) - first)
    gained = values - lowest
    firm = np.flatnonzero(gained >= FIRM_KMH)
    # Where each began is asked of these alone.
    near = places_in(*merged(first[firm], firm + 1))
    begun = near[_least_since(values[near], np.searchsorted(near, first[near]))]
    return float(gained.max()), times[begun[np.searchsorted(near, firm)]], times[firm]


def _least_since(values: Array, first: NDArray[np.intp]) -> NDArray[np.intp]:
    """For each place i, where the lowest of values[first[i]] … values[i] stands.

    first: never falling.
    """
    found = np.empty(len(values), dtype=np.intp)
    # Part by part, so that all tables stay in the processor's cache.
    for begin in range(0, len(values), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        near = slice(int(first[begin]), part.stop)
        own = np.maximum(first[near] - near.start, 0)
        found[part] = near.start + _lowest(values[near], own)[begin - near.start :]
    return found


def _lowest(values: Array, first: NDArray[np.intp]) -> NDArray[np.intp]:
    """What `_least_since` gives.

    By doubling: tables of the lowest of the last 2^k readings, two of which overlap to any length.
    """
    n = len(values)
    here = np.arange(n)
    length = here - first + 1
    level = np.zeros(n, dtype=np.intp)
    most = int(length.max())
    table = [here]
    while 1 << len(table) <= most:
        half = 1 << (len(table) - 1)
        last = table[-1]
        # The lowest of the 2^k readings that end at i; near the beginning there are fewer.
        before = last[np.maximum(here - half, 0)]
        table.append(np.where(values[before] < values[last], before, last))
        level[length >= 1 << (len(table) - 1)] = len(table) - 1
    stack = np.stack(table)
    late = stack[level, here]
    early = stack[level, first + (1 << level) - 1]
    result: NDArray[np.intp] = np.where(values[early] < values[late], early, late)
    return result


def _pushed(recording: Recording) -> tuple[Array, NDArray[np.bool_]] | None:
    """(times, whether the pedal was half down or the load high); None where neither was read."""
    for name, at_most in PEDAL_REST_AT_MOST.items():
        channel = recording.channels.get(name)
        if channel is None or len(channel.values) < 2 or too_slow(channel, FAST_CAP_S):
            continue
        level = rest_level(channel, at_most)
        if level is None:
            continue
        points = FIRM_PEDAL_POINTS if name == "pedal" else FIRM_RAW_POINTS
        return channel.time_s, channel.values >= level + points
    load = recording.channels.get("load")
    if load is None or len(load.values) < 2 or too_slow(load, FAST_CAP_S):
        return None
    return load.time_s, load.values >= FIRM_LOAD


def _stop(came: Array, still: Array) -> Item:
    """The first time the car came to rest from a drive and stood for 3 s."""
    at_s = None
    if len(came) and len(still):
        long = sp.at_least(still, STOP_S)
        place = np.searchsorted(long[:, 1], came, side="right")
        stood = place < len(long)
        stood[stood] &= long[place[stood], 0] <= came[stood] + 1e-9
        at_s = float(came[int(np.argmax(stood))]) if bool(stood.any()) else None
    return _item("stop", len(came), 1.0, "1", at_s, "a stop out of the drive")


def _hot_idle(recording: Recording, still: Array, after_s: float) -> Item:
    words = f"a warm idle of {IDLE_S:.0f} s after the drive"
    lacks = []
    found = still
    for condition, lack in (
        (running(recording), "the engine ran (its speed was not read)"),
        (released(recording), "the foot was off the pedal (the pedal was not read)"),
    ):
        if condition.lack:
            lacks.append(lack)
        else:
            found = sp.intersect(found, condition.spans)
    heat = warm(recording)
    if heat.lack:
        lacks.append(f"the engine was warm ({WARM_FROM_C:.0f} °C; the coolant was not read)")
    found = found[found[:, 1] > after_s] if len(found) else found
    longest = _longest(found)
    at_s = None
    for start, end in sp.at_least(found, IDLE_S).tolist():
        # The coolant is read seldom: the idle may begin before a warm reading came.
        if heat.lack or _was_warm(recording, start, end):
            at_s = start + IDLE_S
            break
    return _item("hot-idle", longest, IDLE_S, "s", at_s, words, "; ".join(lacks))


def _was_warm(recording: Recording, start_s: float, end_s: float) -> bool:
    channel = recording.channels.get("coolant") or recording.channels.get("oil")
    assert channel is not None  # `warm` had one
    inside = (channel.time_s >= start_s) & (channel.time_s <= end_s)
    values = channel.values[inside]
    if not len(values):
        held_on = hold_onto(
            channel, np.array([end_s]), sp.longest_step_s(channel, TEMPERATURE_CAP_S)
        )
        return bool(held_on[0] >= WARM_FROM_C)
    return bool(values.min() >= WARM_FROM_C)


def told(items: tuple[Item, ...]) -> tuple[str, ...]:
    """The items as notes: what was seen, what was assumed, what was not."""
    notes = []
    for state, head in (
        (State.SEEN, "road test, seen"),
        (State.ASSUMED, "road test, assumed"),
        (State.NOT_SEEN, "road test, not seen"),
    ):
        own = [i for i in items if i.state is state]
        if own:
            notes.append(f"{head}: " + "; ".join(_told(i) for i in own))
    return tuple(notes)


def _told(item: Item) -> str:
    if item.state is State.ASSUMED:
        return f"{item.words} ({item.lack})"
    if item.state is State.NOT_SEEN and item.amount:
        unit = "" if item.unit == "1" else f" {item.unit}"
        return f"{item.words} (seen: {item.amount:.0f}{unit})"
    return item.words


def complete(items: tuple[Item, ...]) -> bool:
    """Whether every item was seen, none only assumed."""
    return all(i.state is State.SEEN for i in items)
