"""What a recording shows of the drive itself: how far it went, and whether the engine warmed up.

Recording → plain numbers; holding the car's own counters against them is `verify/car`'s.
"""

from __future__ import annotations

import math

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.recording import Array, Channel, Recording

# Neighbours further apart than this, and than three usual distances, have a gap between them.
GAP_S = 5.0
GAP_INTERVALS = 3.0
# A slower channel than this says little of what lay between its readings.
SLOWEST_S = 15.0
# All that the parameter can carry (SAE J1979, 0D); beyond it another quantity bears the name.
FASTEST_KMH = 255.0
# Warm-up cycle: coolant rises by at least 40 °F from the start and reaches 160 °F (a diesel needs
# 140 °F only, so 160 is enough for both). Makers' service texts on on-board diagnostics.
WARM_UP_RISE_K = 40 / 1.8
WARM_UP_REACHED_C = (160 - 32) / 1.8
# Below this the engine does not run: no engine idles so slowly. Common practice, no source.
STANDS_RPM = 100.0
# A road speed that stands so long while engine speed goes so far up and down is no reading.
STALE_S, STALE_RATIO, ROLLS_KMH, LEAST_TURNS = 60.0, 1.5, 5.0, 10


def distance_km(recording: Recording) -> tuple[float, float] | None:
    """(low, high) km of the drive: ∫ vehicle speed dt; None without two speed readings in a row.

    Between two readings the speed is taken to lie between them, so that the trapezoid is the middle
    and the sampling is the width. A reading may be rounded (half a step down or up) or cut off (a
    step up). Gaps are not bridged: with one, or with speed missing at an end, high is infinite. So
    it is with a speed that no car has, and with one that stands still while engine speed does not
    (`stale_speed`): they count as not read.
    """
    speed = recording.channels.get("vehicle_speed")
    if speed is None or len(speed.values) < 2:
        return None
    steps = np.diff(speed.time_s)
    sane = speed.values <= FASTEST_KMH
    whole = ~_breaks(recording, speed) & sane[:-1] & sane[1:]
    stale = stale_speed(recording)
    whole &= ~(sp.inside(speed.time_s[:-1], stale) & sp.inside(speed.time_s[1:], stale))
    if not np.any(whole):
        return None
    before, after = speed.values[:-1][whole], speed.values[1:][whole]
    hours = steps[whole] / 3600.0
    slowest = np.maximum(np.minimum(before, after) - speed.resolution / 2, 0.0)
    fastest = np.maximum(before, after) + speed.resolution
    low, high = float(np.sum(slowest * hours)), float(np.sum(fastest * hours))
    limit = _longest_step(speed)
    ends = max(float(speed.time_s[0]), recording.seconds - float(speed.time_s[-1]))
    if not np.all(whole) or ends > limit:
        return low, math.inf
    # What is left at the ends is no longer than a step, at no more than the fastest seen.
    return low, high + float(np.max(fastest)) * 2 * max(ends, 0.0) / 3600.0


def stale_speed(recording: Recording) -> Array:
    """Stretches, shape (k, 2), in which a car's speed reads one number for a minute or more while
    its engine turns half as fast again now as then: the last reading was written on and on.

    A gear holds the two together, and who shifts at an even speed does not keep it to the digit
    (common practice, no source). A car at rest is left alone.
    """
    speed, engine = recording.channels.get("vehicle_speed"), recording.channels.get("engine_speed")
    if speed is None or engine is None or len(speed.values) < 3 or len(engine.values) < 3:
        return sp.EMPTY
    first, last = sp.runs_of(speed.values[1:] == speed.values[:-1])
    last = np.minimum(last, len(speed.values) - 1)
    long = (speed.time_s[last] - speed.time_s[first] >= STALE_S) & (
        speed.values[first] >= ROLLS_KMH
    )
    found = []
    for a, b in zip(first[long].tolist(), last[long].tolist(), strict=True):
        at = np.searchsorted(engine.time_s, speed.time_s[[a, b]])
        turns = engine.values[at[0] : at[1]]
        if len(turns) < LEAST_TURNS:
            continue
        low, high = np.quantile(turns, (0.1, 0.9))
        if low >= STANDS_RPM and high >= STALE_RATIO * low:
            found.append(speed.time_s[[a, b]])
    return np.array(found) if found else sp.EMPTY


def running_s(recording: Recording) -> float | None:
    """Seconds in which the engine surely ran, gaps left out; None without two readings of it.

    From the first running reading of each unbroken stretch to the last.
    """
    engine = recording.channels.get("engine_speed")
    if engine is None or len(engine.values) < 2:
        return None
    runs = engine.values >= STANDS_RPM
    both = runs[:-1] & runs[1:] & ~_breaks(recording, engine)
    return float(np.sum(np.diff(engine.time_s)[both]))


def warmed_up(recording: Recording) -> bool:
    """Whether a complete warm-up cycle surely lies in the recording.

    Counted from the first coolant reading of a stretch in which the engine is seen running without
    a stop or a gap: a start that was not seen was no warmer. False: none is shown, which does not
    say that there was none; so too without coolant or engine speed.
    """
    coolant = recording.channels.get("coolant")
    engine = recording.channels.get("engine_speed")
    if coolant is None or engine is None or not len(engine.values):
        return False
    stops = engine.time_s[engine.values < STANDS_RPM]
    gaps = engine.time_s[1:][_breaks(recording, engine)]
    edges = np.sort(np.concatenate((stops, gaps)))
    seen = (coolant.time_s >= engine.time_s[0]) & (coolant.time_s <= engine.time_s[-1])
    times, values = coolant.time_s[seen], coolant.values[seen]
    stretch = np.searchsorted(edges, times, side="right")
    return any(_warms(values[stretch == part], coolant.resolution) for part in np.unique(stretch))


def _warms(values: Array, step: float) -> bool:
    """A reading may be off by half a step, so a rise by a whole one."""
    top = float(np.max(values))
    return top - float(values[0]) - step >= WARM_UP_RISE_K and top - step / 2 >= WARM_UP_REACHED_C


def _longest_step(channel: Channel) -> float:
    usual = channel.interval_s if channel.interval_s > 0 else 0.0
    return min(max(GAP_S, GAP_INTERVALS * usual), SLOWEST_S)


def _breaks(recording: Recording, channel: Channel) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """For each neighbouring pair of readings, shape (n - 1,), whether a gap lies between them."""
    begin, end = channel.time_s[:-1], channel.time_s[1:]
    found = np.asarray(end - begin > _longest_step(channel))
    for start_s, end_s in recording.gaps:
        found |= (begin < end_s) & (end > start_s)
    return found
