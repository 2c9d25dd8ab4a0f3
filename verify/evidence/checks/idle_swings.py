"""How far engine speed swings within 20 s of idle: what was read, and what that missed.

Part of `idle-steady`, which says what a swing means.
"""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from verify.evidence.checks.idle_readings import IdleReadings, spread_of
from verify.evidence.extremes import BEND_SCATTER, Missed, bends, half_range_scatter, missed_in
from verify.evidence.recording import Array
from verify.evidence.stretches import Places
from verify.evidence.verdict import Distribution, Measurement, Window, least_uncertainty
from verify.values import dataclass

STRETCH_S = 20.0
# Readings looked at together.
CELLS = 1 << 16
# A turn of the crankshaft at 750 rpm: a flywheel forgets nothing within one, so there are no more
# independent looks in a stretch.
FORGETS_S = 0.08
# Stretches begin this far apart, so that a swing on the border of two is not halved.
HOP_S = 5.0
# What k stretches show of the ordinary and of the tenth one is known to their scatter over √k,
# and to a twentieth at best.
LEAST_SCATTER_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Stretch:
    """20 s of one window. half_range: half the peak-to-peak of the readings; missed: how much
    wider it is expected to be, for want of readings, and missed_doubt: its standard uncertainty."""

    window: Window
    half_range: float
    missed: float
    missed_doubt: float
    samples: int

    @property
    def estimate(self) -> float:
        return self.half_range + self.missed


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """k stretches; every field has shape (k,) and is that of `Stretch`."""

    recording: Places
    start_s: Array
    end_s: Array
    half_range: Array
    missed: Array
    missed_doubt: Array
    samples: Places

    def __len__(self) -> int:
        return len(self.recording)

    def __getitem__(self, i: int) -> Stretch:
        if not 0 <= i < len(self):
            raise IndexError(i)
        window = Window(int(self.recording[i]), float(self.start_s[i]), float(self.end_s[i]))
        return Stretch(
            window, float(self.half_range[i]), float(self.missed[i]),
            float(self.missed_doubt[i]), int(self.samples[i]),
        )  # fmt: skip

    @property
    def estimate(self) -> Array:
        return self.half_range + self.missed

    def only(self, which: NDArray[np.bool_] | Places) -> Stretches:
        return Stretches(*(getattr(self, f.name)[which] for f in fields(self)))

    def joined(self, other: Stretches) -> Stretches:
        return Stretches(
            *(np.append(getattr(self, f.name), getattr(other, f.name)) for f in fields(self))
        )


def stretches(readings: IdleReadings) -> Stretches:
    """Each window in stretches of 20 s, one every 5 s; the last one ends with the window, so
    nothing is unseen. What may have been missed follows from the bends of the readings: a slow
    swing lies open."""
    recording, first, after = _cut(readings)
    times = np.concatenate([np.empty(0), *(t for t, _ in readings.pieces)])
    values = np.concatenate([np.empty(0), *(v for _, v in readings.pieces)])
    samples = after - first
    deviations, ranges, bend = _spreads(values, first, samples)
    # Readings that swing against their neighbours bend more than noise of their size can.
    bend = np.minimum(bend, math.sqrt(1.5) * deviations)
    missed, doubt = np.zeros(len(first)), np.zeros(len(first))
    for place in np.unique(recording).tolist():
        own = np.flatnonzero(recording == place)
        of = _missed(readings.only((place,)))
        # Few readings are calm by chance, and then in their range and in their bends alike.
        least = np.maximum(bend[own], float(np.median(bend[own])))
        missed[own] = least * of.expected
        sizes, kind = np.unique(samples[own], return_inverse=True)
        scatter = [of.expected * BEND_SCATTER / math.sqrt(n) for n in sizes.tolist()]
        doubt[own] = least * np.array([math.hypot(of.doubt, s) for s in scatter])[kind]
    return Stretches(
        recording, times[first], times[after - 1], 0.5 * ranges, missed, doubt, samples
    )


def _cut(readings: IdleReadings) -> tuple[Places, Places, Places]:
    """(recording of each stretch, its first reading and the first after it), among the readings of
    all windows one behind the other."""
    recording: list[int] = []
    first: list[Places] = [np.empty(0, dtype=np.intp)]
    after: list[Places] = [np.empty(0, dtype=np.intp)]
    before = 0
    for window, (times, _) in zip(readings.windows, readings.pieces, strict=True):
        begin, end = float(times[0]), float(times[-1])
        starts = np.arange(begin, end - STRETCH_S + 1e-9, HOP_S)
        if len(starts) and end - starts[-1] - STRETCH_S > 1.0:
            starts = np.append(starts, end - STRETCH_S)
        a = np.searchsorted(times, starts - 1e-9, side="left")
        b = np.searchsorted(times, starts + STRETCH_S + 1e-9, side="right")
        enough = b - a >= 4
        first.append(before + a[enough])
        after.append(before + b[enough])
        recording += [window.recording] * int(np.count_nonzero(enough))
        before += len(times)
    return np.array(recording, dtype=np.intp), np.concatenate(first), np.concatenate(after)


def _spreads(values: Array, first: Places, samples: Places) -> tuple[Array, Array, Array]:
    """(standard deviation of each stretch, its peak-to-peak, standard deviation of its bends).

    Stretches of one length are rows of a table, a few at a time, as the processor's cache holds.
    """
    deviations, ranges, bent = (np.zeros(len(first)) for _ in range(3))
    for size in np.unique(samples).tolist():
        own = np.flatnonzero(samples == size)
        rows = np.lib.stride_tricks.sliding_window_view(values, size)
        for begin in range(0, len(own), max(1, CELLS // size)):
            part = own[begin : begin + max(1, CELLS // size)]
            block = rows[first[part]]
            deviations[part] = block.std(axis=1, ddof=1)
            ranges[part] = np.ptp(block, axis=1)
            bend = block[:, 1:-1] - 0.5 * (block[:, :-2] + block[:, 2:])
            bent[part] = bend.std(axis=1)
    return deviations, ranges, bent


def _missed(readings: IdleReadings) -> Missed:
    """What one logger's readings miss, from all its windows: they are few in one stretch."""
    pieces = [(t, v) for t, v in readings.pieces if len(v) >= 3]
    count = sum(len(v) for _, v in pieces)
    if not pieces:
        return Missed(0.0, 0.0)
    seconds = sum(float(t[-1] - t[0]) for t, _ in pieces)
    every_s = seconds / (count - len(pieces))
    squares = []
    for apart in (1, 2):
        own = [bends(v, apart) for _, v in pieces if len(v) > 2 * apart]
        many = sum(len(b) for b in own)
        squares.append(sum(float(b @ b) for b in own) / many if many else math.nan)
    growth = squares[1] / squares[0] if squares[0] > 0.0 else 1.0
    return missed_in(STRETCH_S, every_s, growth if math.isfinite(growth) else 1.0, count)


def looks_a_stretch(readings: IdleReadings) -> float:
    """Independent readings that the engine itself gives in 20 s: few where it wanders slowly."""
    seconds = sum(float(t[-1] - t[0]) for t, _ in readings.pieces)
    spread = spread_of(readings)
    if not seconds > 0.0 or not spread.deviation > 0.0:
        return STRETCH_S / FORGETS_S
    return min(STRETCH_S / FORGETS_S, spread.effective * STRETCH_S / seconds)


def swing(stretch: Stretch, resolution: float, seconds: float, looks: float) -> Measurement:
    """What was read and what that missed; joined are the doubt of the latter, rounding, and that
    other stretches than those in these seconds would have shown other extremes."""
    scatter = max(LEAST_SCATTER_SHARE, half_range_scatter(looks) * math.sqrt(STRETCH_S / seconds))
    uncertainty = math.hypot(
        stretch.missed_doubt, scatter * stretch.half_range, least_uncertainty(resolution)
    )
    return Measurement(
        stretch.estimate,
        "rpm",
        max(uncertainty, 1e-6),
        samples=stretch.samples,
        resolution=resolution,
    )


def at_least_swing(stretch: Stretch, resolution: float) -> Measurement:
    """The swing that was surely there: slow or averaged readings can only show too little of it."""
    uncertainty = max(least_uncertainty(resolution), 1e-6)
    return Measurement(
        stretch.half_range,
        "rpm",
        uncertainty,
        Distribution.UNIFORM,
        samples=stretch.samples,
        resolution=resolution,
    )
