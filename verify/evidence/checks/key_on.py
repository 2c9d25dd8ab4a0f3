"""Where a recording shows the key being turned on, and how long the car is then left alone.

A recording that begins with the key on shows nothing: many loggers get their supply from the key.
A key-on is *seen* only as one of these:

- module voltage read below 6 V twice or more and then above 9 V: the key came on between the last
  two readings;
- throttle read 0 from the beginning, without moving, then rose above 3 % and never came back:
  its sensor got its supply (a closed plate, and a resting relative reading, come back to 0). Some
  loggers write zeros until the first answer, so this counts only where the plate then moves;
- a gap of 10 s or more that ends with the throttle's first reading, the engine standing on both
  sides, and the plate moving within 2 s: a logger that lives on writes nothing while the car's
  computers sleep. A gap without a movement may be any gap. The first answer comes up to 0.5 s after
  the key (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.windows import PEDAL_REST_AT_MOST
from verify.values import dataclass

DEAD_V, ALIVE_V = 6.0, 9.0
UNFED_AT_MOST, FED_FROM = 0.0, 3.0
LEAST_GAP_S, ANSWERS_WITHIN_S, MOVES_WITHIN_S = 10.0, 0.5, 2.0
MOVES_POINTS = 2.0
STARTS_WITHIN_S = 1.0
TURNS_RPM = 50.0
# Pedal and engine speed may be read more seldom than the plate, but not so seldom that a touch or
# a start falls between.
SLOWEST_S = 1.05
LONGEST_STEP_S = 0.15
MOST_KEY_ONS = 50


@dataclass(frozen=True, slots=True)
class KeyOn:
    """One key-on. It happened within [from_s, to_s]; sign: what shows it.

    until_s: up to when the engine is known to stand, the pedal to be untouched and the throttle to
    be read without a gap. ended_by: what ended that ("the engine was started" …), "" for the end.
    lack, why, settle: why nothing can be said after it, else "".
    """

    place: int
    from_s: float
    to_s: float
    sign: str
    until_s: float = math.nan
    ended_by: str = ""
    lack: str = ""
    why: str = ""
    settle: str = ""


def key_ons(recording: Recording, place: int) -> list[KeyOn]:
    """All key-ons that are seen, the first 50, in order; of two within 3 s the narrower."""
    found = [
        *_by_voltage(recording, place),
        *_by_supply(recording, place),
        *_by_gap(recording, place),
    ]
    kept: list[KeyOn] = []
    for key_on in sorted(found, key=lambda k: k.to_s):
        if kept and key_on.from_s <= kept[-1].to_s + 3.0:
            if key_on.to_s - key_on.from_s < kept[-1].to_s - kept[-1].from_s:
                kept[-1] = key_on
            continue
        kept.append(key_on)
    return [_watched(recording, k) for k in kept[:MOST_KEY_ONS]]


def _by_voltage(recording: Recording, place: int) -> list[KeyOn]:
    volts = recording.channels.get("module_voltage")
    if volts is None or len(volts.values) < 2:
        return []
    dead, alive = volts.values < DEAD_V, volts.values >= ALIVE_V
    known = np.flatnonzero(dead | alive)
    rises = np.flatnonzero(dead[known][:-1] & alive[known][1:])
    # One reading of nothing is a reading that dropped out.
    rises = rises[(rises > 0) & dead[known][np.maximum(rises - 1, 0)]]
    return [
        KeyOn(
            place,
            float(volts.time_s[known[i]]) - volts.skew_s,
            float(volts.time_s[known[i + 1]]),
            "module voltage rose from nothing",
        )
        for i in rises[:MOST_KEY_ONS].tolist()
    ]


def _by_supply(recording: Recording, place: int) -> list[KeyOn]:
    throttle = recording.channels.get("throttle")
    if throttle is None or len(throttle.values) < 3:
        return []
    unfed = throttle.values <= UNFED_AT_MOST
    first = int(np.argmin(unfed))  # the first reading above 0
    if first < 2 or unfed.all() or float(throttle.values[first:].min()) < FED_FROM:
        return []
    soon = throttle.time_s <= throttle.time_s[first] + MOVES_WITHIN_S
    if float(np.ptp(throttle.values[first:][soon[first:]])) < MOVES_POINTS:
        return []
    return [
        KeyOn(
            place,
            float(throttle.time_s[first - 1]) - throttle.skew_s,
            float(throttle.time_s[first]),
            "the plate's sensor got its supply",
        )
    ]


def _by_gap(recording: Recording, place: int) -> list[KeyOn]:
    throttle = recording.channels.get("throttle")
    engine = recording.channels.get("engine_speed")
    if throttle is None or engine is None:
        return []
    found = []
    for start, end in sorted(recording.gaps)[:MOST_KEY_ONS]:
        if end - start < LEAST_GAP_S:
            continue
        place_after = int(np.searchsorted(throttle.time_s, end, side="left"))
        if place_after == len(throttle.time_s):
            continue
        first = float(throttle.time_s[place_after])
        last = int(np.searchsorted(throttle.time_s, first + MOVES_WITHIN_S, side="right"))
        early = throttle.values[place_after:last]
        before = engine.values[engine.time_s <= start][-1:]
        after = engine.values[engine.time_s >= end][:1]
        stands = all(len(v) and float(v[0]) < TURNS_RPM for v in (before, after))
        if stands and first - end <= LONGEST_STEP_S and float(np.ptp(early)) >= MOVES_POINTS:
            found.append(
                KeyOn(
                    place,
                    max(start, first - ANSWERS_WITHIN_S),
                    first,
                    "the recording went on after a long silence, and the plate moved",
                )
            )
    return found


def _watched(recording: Recording, key_on: KeyOn) -> KeyOn:
    """With the time up to which the plate is known to be left alone, or what is lacking for it."""
    ends: list[tuple[float, str]] = []
    names = [n for n in PEDAL_REST_AT_MOST if n in recording.channels]
    if not names:
        return replace(
            key_on,
            lack="channel-missing",
            why="the recording has no pedal channel, so nothing shows that the pedal was untouched",
            settle="record the pedal position as well",
        )
    for name in ("engine_speed", *names):
        channel = recording.channels.get(name)
        words = name.replace("_", " ")
        if channel is None:
            return replace(
                key_on,
                lack="channel-missing",
                why=f"the recording has no {words} channel",
                settle=f"record {words} as well",
            )
        end = (
            _until(channel, key_on, TURNS_RPM, "the engine was started", recording)
            if name == "engine_speed"
            else _untouched(channel, key_on, PEDAL_REST_AT_MOST[name], recording)
        )
        if end is None:
            return replace(
                key_on,
                lack="too-slow-to-tell",
                why=f"{words} was not read once a second after the key came on",
                settle="record fewer channels: throttle, pedal and engine speed alone",
            )
        ends.append(end)
    throttle = recording.channels["throttle"]
    ends.append(_unbroken(throttle, key_on, recording.gaps))
    volts = recording.channels.get("module_voltage")
    if volts is not None:
        dead = volts.time_s[(volts.values < DEAD_V) & (volts.time_s > key_on.to_s)]
        if len(dead):
            ends.append((float(dead[0]) - volts.skew_s, "the key was turned off"))
    until_s, ended_by = min(ends)
    return replace(key_on, until_s=until_s, ended_by=ended_by)


def _after(channel: Channel, key_on: KeyOn) -> tuple[Array, Array]:
    first = int(np.searchsorted(channel.time_s, key_on.from_s, side="left"))
    return channel.time_s[first:], channel.values[first:]


def _until(
    channel: Channel, key_on: KeyOn, at_most: float, words: str, recording: Recording
) -> tuple[float, str] | None:
    """Up to when readings in a row, a second apart at most, stay below a bound; None without."""
    times, values = _after(channel, key_on)
    if not len(times) or times[0] - key_on.to_s > SLOWEST_S:
        return None
    above = np.flatnonzero(values >= at_most)
    apart = np.flatnonzero(~sp.linked(times, SLOWEST_S, recording.gaps))
    end, why = float(times[-1]), ""
    if len(apart):
        end, why = float(times[apart[0]]), "the readings broke off"
    if len(above) and times[above[0]] <= end + SLOWEST_S:
        # It may have begun just after the reading before, and that one may be old.
        before = times[above[0] - 1] if above[0] else key_on.from_s
        if before - channel.skew_s < end:
            end, why = float(before) - channel.skew_s, words
    return end, why


def _untouched(
    channel: Channel, key_on: KeyOn, rest_at_most: float, recording: Recording
) -> tuple[float, str] | None:
    """As `_until` for a pedal: at its rest, as read first, and within a step or two of it."""
    times, values = _after(channel, key_on)
    # Its supply comes with the same key: the first moments may read nothing.
    settled = times >= key_on.to_s + channel.skew_s
    times, values = times[settled], values[settled]
    if not len(times):
        return None
    rest = float(np.median(values[:3]))
    # A computer that is still starting may answer nothing for a moment.
    unfed = (values <= UNFED_AT_MOST) & (times < key_on.to_s + STARTS_WITHIN_S)
    if unfed.any() and not unfed.all():
        rest = float(np.median(values[~unfed][:3]))
        values = np.where(unfed, rest, values)
    if rest > rest_at_most:
        return float(key_on.from_s), "the pedal was touched"
    moved = Channel(
        channel.name, channel.unit, times, np.abs(values - rest), channel.resolution,
        channel.interval_s, skew_s=channel.skew_s,
    )  # fmt: skip
    step = min(2.0 * channel.resolution, 1.6)
    return _until(moved, key_on, max(step, 1.0) + 1e-9, "the pedal was touched", recording)


def _unbroken(
    throttle: Channel, key_on: KeyOn, gaps: Sequence[tuple[float, float]]
) -> tuple[float, str]:
    times, _ = _after(throttle, key_on)
    if not len(times):
        return key_on.to_s, "the throttle was not read"
    apart = np.flatnonzero(~sp.linked(times, LONGEST_STEP_S, gaps))
    return (
        (float(times[apart[0]]), "the throttle readings broke off")
        if len(apart)
        else (float(times[-1]), "")
    )
