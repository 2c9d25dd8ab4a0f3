"""The warm idles of a car one after the other: each with its level, its minute, its engine start.

Between the idle windows and `idle-settling`. What counts as an idle of its own, as a start, and as
time is decided here:

- windows of one recording less than 15 s apart are one idle: a blip of the pedal makes no new one;
- a start between two recordings is counted only where one is shown: the later begins with the
  engine off, the earlier ended so, the car's own run time began anew, or a warm engine has gone
  cold. Otherwise both belong to the same start: a new file is no new start;
- a start within a recording is counted where the engine was off for 5 s and the car had stood for
  10 s before, and nothing there looks like start-stop (with start-stop about, only after 180 s,
  longer than it leaves an engine off: common practice);
- time is minutes the engine ran, recorded, and unrecorded where the run time tells of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.engine_stops import MOVING_KMH, Stop, engine_stops
from verify.evidence.checks.idle_readings import IdleReadings
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.series import mean_with_effective_size
from verify.evidence.verdict import Window, least_uncertainty
from verify.evidence.windows import CRANKING_RPM, FROZEN_STEP_RPM, HIGHEST_RPM
from verify.values import dataclass

APART_S = 15.0
LEAST_READINGS = 4
OFF_S, START_STOP_OFF_S, STOOD_S = 5.0, 180.0, 10.0
# An engine that was warm and is colder than this had been off (common practice).
COLD_C, WAS_WARM_C = 60.0, 75.0
RUN_TIME_SLACK_S = 2.0
# The same warm engine does not idle at quite the same speed each time, for heat and electrical
# load, without learning anything (common practice).
WANDER = {"engine_speed": 2.0, "throttle": 0.2, "trim": 1.0}


@dataclass(frozen=True, slots=True)
class WarmIdle:
    """start: which start of the engine, from 1. minute: run so far, at its middle. levels: channel
    (or "trim", "trim_2") → (mean, standard uncertainty), in the channel's unit."""

    windows: tuple[Window, ...]
    start: int
    minute: float
    levels: dict[str, tuple[float, float]]


def warm_idles(recordings: Sequence[Recording], readings: IdleReadings) -> list[WarmIdle]:
    """All warm idles in order, each with a level of engine speed."""
    groups = _groups(readings)
    clock = _Clock.of(recordings)
    speeds = _levels(recordings, groups, "engine_speed")
    plates = _levels(recordings, groups, "throttle")
    trims = {
        "trim": _sum(recordings, groups, "fuel_trim_short", "fuel_trim_long"),
        "trim_2": _sum(recordings, groups, "fuel_trim_short_2", "fuel_trim_long_2"),
    }
    found = []
    for i, own in enumerate(groups):
        speed = speeds[i]
        if speed is None:
            continue
        place = own[0].recording
        middle = 0.5 * (own[0].start_s + own[-1].end_s)
        levels = {"engine_speed": speed}
        for name, values in (("throttle", plates), *trims.items()):
            level = values[i]
            if level is not None:
                levels[name] = level
        found.append(
            WarmIdle(
                own,
                clock.start(place, own[0].start_s),
                clock.minute(place, middle),
                levels,
            )
        )
    return found


def _groups(readings: IdleReadings) -> list[tuple[Window, ...]]:
    groups: list[list[Window]] = []
    for window in readings.windows:
        before = groups[-1][-1] if groups else None
        near = (
            before is not None
            and before.recording == window.recording
            and window.start_s - before.end_s < APART_S
        )
        if near:
            groups[-1].append(window)
        else:
            groups.append([window])
    return [tuple(g) for g in groups]


def _levels(
    recordings: Sequence[Recording], groups: Sequence[tuple[Window, ...]], name: str
) -> list[tuple[float, float] | None]:
    """(mean, standard uncertainty) of a channel in each idle; None where it cannot be said.

    The scatter and the correlation of its readings are those of all idles of the recording
    together: a single short idle says too little of them.
    """
    result: list[tuple[float, float] | None] = [None] * len(groups)
    for place, recording in enumerate(recordings):
        channel = recording.channels.get(name)
        if channel is None:
            continue
        own: dict[int, list[Array]] = {}
        here = [(i, w) for i, g in enumerate(groups) for w in g if w.recording == place]
        spans = np.array([[w.start_s, w.end_s] for _, w in here]).reshape(-1, 2)
        for (i, _), (_, values) in zip(here, sp.pieces(channel, spans), strict=True):
            if len(values):
                own.setdefault(i, []).append(values)
        own = {i: p for i, p in own.items() if sum(len(v) for v in p) >= LEAST_READINGS}
        if not own:
            continue
        means = {i: float(np.concatenate(pieces).mean()) for i, pieces in own.items()}
        apart = [v - means[i] for i, pieces in own.items() for v in pieces]
        spread = mean_with_effective_size(apart)
        squares = float(sum(v @ v for v in apart))
        free = max(0.25, 1.0 - len(own) / spread.effective)
        deviation = math.sqrt(squares / (spread.samples * free))
        step = least_uncertainty(channel.resolution)
        if name == "engine_speed" and squares == 0.0 and channel.resolution < FROZEN_STEP_RPM:
            continue  # a number that never moves is no engine speed
        for i, pieces in own.items():
            count = sum(len(v) for v in pieces)
            worth = max(1.0, count * spread.effective / spread.samples)
            result[i] = (
                means[i],
                math.hypot(deviation / math.sqrt(worth), step, WANDER.get(name, 0.0)),
            )
    return result


def _sum(
    recordings: Sequence[Recording], groups: Sequence[tuple[Window, ...]], first: str, second: str
) -> list[tuple[float, float] | None]:
    """Two channels' levels added up, where both are known."""
    one, other = _levels(recordings, groups, first), _levels(recordings, groups, second)
    return [
        None if a is None or b is None else (a[0] + b[0], math.hypot(a[1], b[1], WANDER["trim"]))
        for a, b in zip(one, other, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Clock:
    """When each recording's engine ran. before_s: run before the recording; times, ran_s: run time
    within it up to each reading; begun: the start its beginning belongs to; again: later starts."""

    before_s: tuple[float, ...]
    ran: tuple[tuple[Array, Array], ...]
    begun: tuple[int, ...]
    again: tuple[Array, ...]

    def minute(self, place: int, at_s: float) -> float:
        times, ran = self.ran[place]
        # Only the readings around it: there may be a million, and hundreds of idles.
        after = int(np.searchsorted(times, at_s))
        near = slice(max(0, after - 2), after + 2)
        return (self.before_s[place] + float(np.interp(at_s, times[near], ran[near]))) / 60.0

    def start(self, place: int, at_s: float) -> int:
        return self.begun[place] + int(np.searchsorted(self.again[place], at_s))

    @staticmethod
    def of(recordings: Sequence[Recording]) -> _Clock:
        stops = engine_stops(recordings)
        before_s: list[float] = []
        ran: list[tuple[Array, Array]] = []
        begun: list[int] = []
        again: list[Array] = []
        total_s, start = 0.0, 1
        last: Recording | None = None
        for place, recording in enumerate(recordings):
            channel = recording.channels.get("engine_speed")
            if channel is None or len(channel.values) < 2:
                before_s.append(total_s)
                ran.append((np.array([0.0]), np.array([0.0])))
                begun.append(start)
                again.append(np.empty(0))
                continue
            fresh = last is not None and _started_between(last, recording)
            start += fresh
            total_s += _unseen_s(last, recording, fresh)
            own = _ran(channel)
            later = _restarts(recording, [s for s in stops if s.recording == place], stops)
            before_s.append(total_s)
            ran.append(own)
            begun.append(start)
            again.append(later)
            total_s += float(own[1][-1])
            start += len(later)
            last = recording
        return _Clock(tuple(before_s), tuple(ran), tuple(begun), tuple(again))


def _ran(channel: Channel) -> tuple[Array, Array]:
    """(times, seconds the engine had run by then): steps with a running engine at both ends."""
    runs = (channel.values >= CRANKING_RPM) & (channel.values <= HIGHEST_RPM)
    steps = np.diff(channel.time_s) * (runs[:-1] & runs[1:])
    return channel.time_s, np.concatenate([[0.0], np.cumsum(steps)])


def _started_between(last: Recording, now: Recording) -> bool:
    """Whether the engine surely was off between the last recording and this one."""
    before, after = last.channels["engine_speed"], now.channels["engine_speed"]
    if float(before.values[-1]) < CRANKING_RPM or float(after.values[0]) < CRANKING_RPM:
        return True
    one, other = last.channels.get("run_time"), now.channels.get("run_time")
    if one is not None and other is not None and len(one.values) and len(other.values):
        return float(other.values[0]) < float(one.values[-1]) - RUN_TIME_SLACK_S
    was, is_ = last.channels.get("coolant"), now.channels.get("coolant")
    if was is not None and is_ is not None and len(was.values) and len(is_.values):
        return float(was.values[-1]) >= WAS_WARM_C and float(is_.values[0]) <= COLD_C
    return False


def _unseen_s(last: Recording | None, now: Recording, fresh: bool) -> float:
    """Seconds the engine ran unrecorded before this recording, where its run time tells."""
    clock = now.channels.get("run_time")
    if last is None or clock is None or not len(clock.values):
        return 0.0
    since = float(clock.values[0]) - float(clock.time_s[0] - now.channels["engine_speed"].time_s[0])
    if float(now.channels["engine_speed"].values[0]) < CRANKING_RPM:
        return 0.0
    if fresh:
        return max(0.0, since)
    earlier = last.channels.get("run_time")
    if earlier is None or not len(earlier.values):
        return 0.0
    return max(0.0, since - float(earlier.values[-1]))


def _restarts(recording: Recording, own: Sequence[Stop], stops: Sequence[Stop]) -> Array:
    """Times within a recording at which the engine was surely started by a person."""
    least_s = START_STOP_OFF_S if any(s.kind == "start-stop" for s in stops) else OFF_S
    speed = recording.channels.get("vehicle_speed")
    found = []
    for stop in own:
        if stop.back_s is None or stop.moving or speed is None:
            continue
        if stop.back_s - stop.at_s < least_s:
            continue
        near = (speed.time_s >= stop.at_s - STOOD_S) & (speed.time_s <= stop.back_s)
        if near.any() and float(speed.values[near].max()) < MOVING_KMH:
            found.append(stop.back_s)
    return np.array(sorted(found))
