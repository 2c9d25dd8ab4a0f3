"""Each time the engine stopped in a recording, and what that was, as far as it can be told.

A stall, a turned key, start-stop, a hybrid and a reading that dropped out all look alike in engine
speed; what stands around them tells them apart, or does not, and then it stays open:

- moving, both before and after: a stall. Where it happens three times and the engine always comes
  back, it may be a hybrid: open.
- standing for seconds, revved, and engine speed fell right through idle after the pedal was let
  go, and the engine was started again, or its computer was read for 10 s more: a stall. (While
  coming to rest, start-stop and a key turned at once look the same: open.)
- standing for seconds, pedal at rest, and engine speed broke in and caught itself within the 6 s
  before (twice, or once deeply): a stall, whether it comes back or not. A key and start-stop end an
  idle at once. What follows letting the pedal go, or coming to rest, does not count.
- standing after 2 s or more of steady idle, near its usual idle and with the pedal released: the
  key, if the engine does not come back and its computer is not read for 10 s more; start-stop, if
  it does, did so at least twice and at more standstills than it idled on at for 10 s, within 10 s
  of coming to rest, and the car had moved since the engine was last started. Otherwise open.
- within 10 s of a start that is in the recording, across a gap, or without the speed known: open.
- away for a single reading, or for less than a second: open (no engine restarts so fast, a logger
  drops readings).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.spans import states as states
from verify.evidence.windows import (
    CRANKING_RPM,
    FAST_CAP_S,
    HIGHEST_RPM,
    hold_onto,
    released,
    running,
    standing,
)
from verify.values import dataclass

RUNNING_RPM = 400.0
MOVING_KMH, STANDING_KMH = 5.0, 1.0
STEADY_LOOK_S, STEADY_LEAST_S, STEADY_SHARE = 4.5, 1.6, 0.2
FELL_FROM_SHARE = 1.5
YOUNG_S = 10.0
# Before a stall an idle breaks in and catches itself. A load that comes in (compressor, steering)
# takes 100 rpm or less off a sound idle, once, and no key is turned by chance just then: two dips,
# or one of a fifth, within these seconds are the engine's own (common practice, no source).
SPLUTTER_S, CALM_AFTER_S = 6.0, 3.0
DIP_SHARE, DEEP_DIP_SHARE, DIP_SCATTERS, CAUGHT_SHARE = 0.12, 0.2, 5.0, 0.95
# With the key off an engine's computer is silent after some seconds; one that answers longer may
# have been left on by somebody who wonders why the engine died.
KEY_TAIL_S = 10.0
# Start-stop acts as the car comes to rest (1.7 to 2.6 s after it in the real recordings of
# `tests/outside`) or as the lever goes into neutral; an engine that had idled on for longer was not
# stopped by it (common practice, no source).
AT_REST_S = 10.0
HYBRID_STOPS = 3
START_STOPS = 2
MANY_STOPS = 200

Kind = Literal["stall", "key-off", "start-stop", "open"]


@dataclass(frozen=True, slots=True)
class Stop:
    """at_s: the first reading below cranking speed. back_s: the engine runs again, None if it does
    not in this recording. why: a fragment that says what was seen. moving: at that time."""

    recording: int
    at_s: float
    back_s: float | None
    kind: Kind
    why: str
    moving: bool = False


def engine_stops(recordings: Sequence[Recording]) -> tuple[Stop, ...]:
    """All stops of the engine in all recordings, judged together."""
    found: list[Stop] = []
    for place, recording in enumerate(recordings):
        found += _stops(place, recording)
    away = [s for s in found if s.kind == "stall" and s.moving]
    if len(away) >= HYBRID_STOPS and all(s.back_s is not None for s in away):
        why = "the engine stops and comes back again and again while driving, as a hybrid's does"
        found = [replace(s, kind="open", why=why) if s in away else s for s in found]
    alike = sum(1 for s in found if s.kind == "start-stop")
    if not alike:
        return tuple(found)
    idled_on = sum(_idled_on(r) for r in recordings)
    if alike < START_STOPS:
        why = "the engine stopped once out of a steady idle and came back: start-stop, or the key"
    elif alike <= idled_on:
        why = (
            f"the engine stopped out of a steady idle at {alike} standstills and idled on at "
            f"{idled_on}: start-stop, or it died"
        )
    else:
        return tuple(found)
    return tuple(replace(s, kind="open", why=why) if s.kind == "start-stop" else s for s in found)


def _idled_on(recording: Recording) -> int:
    """At how many standstills, after having moved, the engine ran on for 10 s."""
    speed = recording.channels.get("vehicle_speed")
    still, ran = standing(recording).spans, running(recording).spans
    if speed is None or len(still) < 2 or not len(ran):
        return 0
    moves = np.append(0, np.cumsum(speed.values >= MOVING_KMH))
    edges = np.searchsorted(speed.time_s, still, side="right")
    moved = moves[edges[1:, 0]] > moves[edges[:-1, 1]]
    both = sp.intersect(still[1:][moved], ran)
    first = both[np.isin(both[:, 0], still[:, 0])]
    return int(np.count_nonzero(first[:, 1] - first[:, 0] >= AT_REST_S))


@dataclass(frozen=True, slots=True)
class _Scene:
    """What stands around the stops of one recording.

    idle_rpm, scatter_rpm: the usual idle and how far readings lie from it; 0.0 where unknown.
    longest_s: between readings that follow each other without a pause.
    """

    place: int
    times: Array
    values: Array
    speed: Channel | None
    foot: Array
    idle_rpm: float
    scatter_rpm: float
    longest_s: float

    def read_on_s(self, fall: int) -> float:
        """How long engine speed was read without a pause from the reading after `fall` on."""
        pauses = np.flatnonzero(sp.steps_s(self.times[fall + 1 :]) > self.longest_s)
        last = fall + 1 + int(pauses[0]) if pauses.size else len(self.times) - 1
        return float(self.times[last] - self.times[fall + 1])


def _stops(place: int, recording: Recording) -> list[Stop]:
    channel = recording.channels.get("engine_speed")
    if channel is None or len(channel.values) < 2:
        return []
    times, values = channel.time_s, channel.values
    if not sp.reach(channel)[1] <= HIGHEST_RPM:
        sane = values <= HIGHEST_RPM
        times, values = times[sane], values[sane]
    if len(times) < 2:
        return []
    state = states(values >= RUNNING_RPM, values < CRANKING_RPM)
    falls = np.flatnonzero((state[:-1] == 1) & (state[1:] == 0))
    if not falls.size:
        return []
    longest_s = sp.longest_step_s(channel, FAST_CAP_S)
    good = sp.linked(times, longest_s, recording.gaps)
    rises = np.flatnonzero((state[:-1] == 0) & (state[1:] == 1))
    # A run that began before the recording did is not known to be young.
    starts = np.flatnonzero((state[:-1] == 0) & (state[1:] == 1)) + 1
    speed = recording.channels.get("vehicle_speed")
    if speed is not None and len(speed.values) < 2:
        speed = None
    foot = released(recording).spans
    usual = _usual_idle(times, values, speed, foot)
    scene = _Scene(place, times, values, speed, foot, *usual, longest_s)
    found = []
    for fall in falls[:MANY_STOPS].tolist():
        later = int(np.searchsorted(rises, fall, side="right"))
        back = int(rises[later]) + 1 if later < len(rises) else None
        earlier = int(np.searchsorted(starts, fall, side="right")) - 1
        young = earlier >= 0 and float(times[fall] - times[starts[earlier]]) < YOUNG_S
        found.append(_judged(scene, fall, back, young, bool(good[fall])))
    if len(falls) > MANY_STOPS:
        why = f"engine speed falls to nothing {len(falls)} times, which no engine does"
        found.append(Stop(place, float(times[falls[MANY_STOPS] + 1]), None, "open", why))
    return found


def _judged(scene: _Scene, fall: int, back: int | None, young: bool, seen: bool) -> Stop:
    """What the stop after reading `fall` was. back: the reading with which the engine runs again.
    seen: nothing was left out between the last running reading and the first stopped one."""
    times, values = scene.times, scene.values
    ran, stopped = float(times[fall]), float(times[fall + 1])
    back_s = None if back is None else float(times[back])

    def stop(kind: Kind, why: str, moving: bool = False) -> Stop:
        return Stop(scene.place, stopped, back_s, kind, why, moving)

    if not seen:
        return stop("open", "the engine stopped while nothing was recorded")
    if back is not None and back_s is not None and (back - fall <= 2 or back_s - ran < 1.0):
        return stop(
            "open",
            f"engine speed read {values[fall + 1]:.0f} rpm for a moment between running readings: "
            "a reading dropped out, or the engine nearly died",
        )
    if scene.speed is None:
        return stop("open", "the engine stopped, and without vehicle speed nothing says why")
    around = _held(scene.speed, np.array([ran, stopped]))
    if not bool(np.all(np.isfinite(around))):
        return stop("open", "the engine stopped at a time for which vehicle speed was not read")
    if float(around.min()) >= MOVING_KMH:
        return stop("stall", f"the engine stopped at {around[1]:.0f} km/h", moving=True)
    if float(around[1]) > STANDING_KMH:
        return stop("open", f"the engine stopped while rolling at {around[1]:.0f} km/h")
    if young:
        return stop("open", "the engine stopped within 10 s of being started")
    first = int(np.searchsorted(times, ran - STEADY_LOOK_S, side="left"))
    own = values[first:fall]
    stood = bool(np.all(_held(scene.speed, times[first:fall]) <= STANDING_KMH))
    fell_from = float(own.max()) if len(own) else 0.0
    revved = stood and scene.idle_rpm > 0.0 and fell_from >= FELL_FROM_SHARE * scene.idle_rpm
    # Start-stop never acts on an engine that was just revved, and who turns the key does not
    # start again at once, nor is the computer read for long.
    on = back is not None or scene.read_on_s(fall) > KEY_TAIL_S
    if revved and on and bool(sp.inside(np.array([ran]), scene.foot)[0]):
        return stop(
            "stall",
            f"engine speed fell from {fell_from:.0f} rpm right through idle to a stop after the "
            "pedal was let go",
        )
    dips = _dips(scene, fall)
    if dips:
        return stop(
            "stall",
            f"the idle broke in to {min(dips):.0f} rpm and caught itself "
            f"{'once' if len(dips) == 1 else f'{len(dips)} times'} before the engine stopped",
        )
    steady = (
        len(own) >= 2
        and ran - float(times[first]) >= STEADY_LEAST_S
        and stood
        and float(np.ptp(own)) <= STEADY_SHARE * float(np.median(own))
    )
    if not steady:
        return stop("open", "the engine stopped at a standstill before it had settled to its idle")
    if scene.idle_rpm > 0.0 and fell_from >= FELL_FROM_SHARE * scene.idle_rpm:
        return stop("open", f"the engine stopped from {fell_from:.0f} rpm, well above its idle")
    if len(scene.foot) and not bool(sp.inside(np.array([ran]), scene.foot)[0]):
        return stop("open", "the engine stopped with the pedal pressed")
    if back is None and scene.read_on_s(fall) > KEY_TAIL_S:
        return stop(
            "open",
            "the engine stopped out of a steady idle and did not come back, while its computer "
            f"was read for {scene.read_on_s(fall):.0f} s more",
        )
    if back is None:
        return stop("key-off", "the engine was switched off out of a steady idle")
    if not _moved(scene, ran):
        # Start-stop acts on a car that came to rest, not on one that has only stood.
        return stop("open", "the engine stopped and was started again without the car having moved")
    rested_s = _rested_s(scene, ran)
    if rested_s > AT_REST_S:
        return stop("open", f"the engine stopped {rested_s:.0f} s after the car had come to rest")
    return stop("start-stop", "the engine stopped out of a steady idle and came back")


def _dips(scene: _Scene, fall: int) -> list[float]:
    """The lowest readings of the dips out of which an idle came back before it ended; [] where
    they do not show that the engine was dying.

    Looks at what is standing, with the pedal shown to be at rest, both for CALM_AFTER_S already.
    """
    ran = float(scene.times[fall])
    place = int(np.searchsorted(scene.foot[:, 0], ran, side="right")) - 1
    if not scene.idle_rpm > 0.0 or place < 0 or scene.foot[place, 1] < ran:
        return []
    from_s = max(ran - SPLUTTER_S, float(scene.foot[place, 0]) + CALM_AFTER_S)
    assert scene.speed is not None
    before = int(np.searchsorted(scene.times, from_s - CALM_AFTER_S, side="left"))
    still = _held(scene.speed, scene.times[before : fall + 1]) <= STANDING_KMH
    if not bool(np.all(still)) or not scene.times[before] <= from_s:
        return []
    own = scene.values[int(np.searchsorted(scene.times, from_s, side="left")) : fall + 1]
    # From the last reading at its idle on it only falls.
    caught = np.flatnonzero(own >= CAUGHT_SHARE * scene.idle_rpm)
    if not len(caught):
        return []
    own = own[: int(caught[-1]) + 1]
    least = max(DIP_SHARE * scene.idle_rpm, DIP_SCATTERS * scene.scatter_rpm)
    state = states(own >= CAUGHT_SHARE * scene.idle_rpm, own < scene.idle_rpm - least)
    first, after = sp.runs_of(state == 0)
    # A dip begins at the idle, so that the end of something else is none.
    lows = [float(own[a:b].min()) for a, b in zip(first.tolist(), after.tolist(), strict=True) if a]
    deep = DEEP_DIP_SHARE * scene.idle_rpm
    enough = len(lows) >= 2 or (len(lows) == 1 and scene.idle_rpm - lows[0] >= max(deep, least))
    return lows if enough else []


def _moved(scene: _Scene, until_s: float) -> bool:
    """Whether the car rolled between the last start of the engine (or of the recording) and now."""
    assert scene.speed is not None
    ran = scene.values >= CRANKING_RPM
    stopped = scene.times[(scene.times < until_s) & ~ran]
    since = float(stopped[-1]) if len(stopped) else -np.inf
    own = scene.speed.values[(scene.speed.time_s > since) & (scene.speed.time_s <= until_s)]
    return bool(np.any(own >= MOVING_KMH))


def _rested_s(scene: _Scene, until_s: float) -> float:
    """How long the car had stood, by the last reading at which it rolled."""
    assert scene.speed is not None
    rolls = (scene.speed.values > STANDING_KMH) & (scene.speed.time_s <= until_s)
    last = np.flatnonzero(rolls)
    return until_s - float(scene.speed.time_s[last[-1]]) if len(last) else np.inf


def _held(channel: Channel, at_s: Array) -> Array:
    return hold_onto(channel, at_s, sp.longest_step_s(channel, FAST_CAP_S))


def _usual_idle(
    times: Array, values: Array, speed: Channel | None, foot: Array
) -> tuple[float, float]:
    """The usual engine speed while standing with the pedal released, and how far readings lie from
    it (as a standard deviation, from the median distance); 0.0 where there is none."""
    if speed is None or not len(foot):
        return 0.0, 0.0
    idle = sp.inside(times, foot) & (values >= RUNNING_RPM)
    idle &= _held(speed, times) <= STANDING_KMH
    if int(idle.sum()) < 5:
        return 0.0, 0.0
    usual = float(np.median(values[idle]))
    return usual, 1.4826 * float(np.median(np.abs(values[idle] - usual)))
