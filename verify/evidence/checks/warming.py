"""Uses of the engine, and in each where its warm-up is over."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.stretches import as_slice
from verify.evidence.windows import (
    FAST_CAP_S,
    TEMPERATURE_CAP_S,
    hold_onto,
    running,
    too_slow,
)
from verify.values import dataclass

# Running time is cut into blocks of this length.
BLOCK_S = 120.0
# A regulated engine rises less than this from one block to the next, a warming one more.
RISES_K = 1.0
# An engine that has run and been driven for so long is as warm as it gets (common practice; the
# law's own monitor of the thermostat waits for a similar time).
LONG_RUN_S, LONG_DRIVE_S, DRIVING_KMH = 900.0, 480.0, 30.0
# After a shorter stop the engine is as good as running on; after a longer one it warms anew.
REST_S = 180.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """One unbroken use of the engine. Arrays have one entry a coolant reading, while running.

    clock_s: seconds of running since its start. speed_kmh: NaN where unknown. regulated: whether
    warm-up is over. slope_k: the rise of its last blocks, K a block. last_c: mean of the last.
    driven_s: seconds at 30 km/h or more.
    """

    place: int
    time_s: Array
    clock_s: Array
    values: Array
    speed_kmh: Array
    regulated: NDArray[np.bool_]
    slope_k: float
    last_c: float
    driven_s: float

    @property
    def ran_s(self) -> float:
        return float(self.clock_s[-1]) if len(self.clock_s) else 0.0


def stretches(recording: Recording, place: int, warm_from_c: float) -> list[Stretch]:
    """The uses of the engine in one recording, each with where its warm-up is over."""
    spans = running(recording).spans
    if not len(spans):
        return []
    pause = np.flatnonzero(spans[1:, 0] - spans[:-1, 1] > REST_S) + 1
    return [
        found
        for part in np.split(spans, pause)
        if (found := _stretch(recording, place, part, warm_from_c)) is not None
    ]


def _stretch(recording: Recording, place: int, spans: Array, warm_from_c: float) -> Stretch | None:
    coolant = recording.channels["coolant"]
    inside = as_slice(np.flatnonzero(sp.inside(coolant.time_s, spans)))
    times, values = coolant.time_s[inside], coolant.values[inside]
    if len(values) < 2:
        return None
    clock = _ran(times, spans)
    speed = recording.channels.get("vehicle_speed")
    if speed is None or too_slow(speed, FAST_CAP_S):
        kmh = np.full(len(times), np.nan)
    else:
        kmh = hold_onto(speed, times, sp.longest_step_s(speed, FAST_CAP_S))
    moving = np.flatnonzero(kmh >= DRIVING_KMH)
    driven = np.append(0.0, np.cumsum(weights_s(clock, coolant)[moving]))
    number = np.arange(max(1, int(clock[-1] // BLOCK_S)))  # the rest joins the last
    first = np.searchsorted(clock, BLOCK_S * number, side="left")  # the clock only runs on
    filled = np.diff(first, append=len(clock)) > 0
    first, number = first[filled], number[filled]
    means = np.add.reduceat(values, first) / np.diff(np.append(first, len(values)))
    apart = np.diff(number)
    rise = np.append(np.diff(means) / apart, 0.0)
    rise[-1:] = rise[-2:-1] if len(rise) > 1 else math.inf
    driven_by = driven[np.searchsorted(moving, first, side="right")]
    long = (clock[first] >= LONG_RUN_S) & (driven_by >= LONG_DRIVE_S)
    over = np.flatnonzero((rise <= RISES_K) & ((means >= warm_from_c) | long))
    from_s = clock[first[over[0]]] if len(over) else math.inf
    return Stretch(
        place,
        times,
        clock,
        values,
        kmh,
        clock >= from_s,
        _slope(means, number),
        float(means[-1]),
        float(driven[-1]),
    )


def _ran(times: Array, spans: Array) -> Array:
    """Seconds of running up to each of these times, all of which lie in one of the spans."""
    if len(spans) == 1:
        return times - float(spans[0, 0])
    before = np.concatenate([[0.0], np.cumsum(spans[:, 1] - spans[:, 0])])
    own = np.searchsorted(spans[:, 0], times, side="right") - 1
    clock: Array = before[own] + times - spans[own, 0]
    return clock


def _slope(means: Array, number: NDArray[np.intp]) -> float:
    """The rise over the last three blocks (or two), K a block; inf where there is but one."""
    if len(means) < 2:
        return math.inf
    back = min(3, len(means))
    return float((means[-1] - means[-back]) / (number[-1] - number[-back]))


def weights_s(clock: Array, coolant: Channel) -> Array:
    """The running time that each reading speaks for, in seconds, shape (n,)."""
    longest = sp.longest_step_s(coolant, TEMPERATURE_CAP_S)
    found: Array = np.minimum(np.diff(clock, prepend=clock[0]), longest)
    return found
