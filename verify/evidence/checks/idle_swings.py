"""How far engine speed swings within 20 s of idle: what was read, and what that missed.

Part of `idle-steady`, which says what a swing means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verify.evidence.checks.idle_readings import IdleReadings
from verify.evidence.extremes import BEND_SCATTER, Missed, bends, half_range_scatter, missed_in
from verify.evidence.recording import Array
from verify.evidence.series import mean_with_effective_size, spreads
from verify.evidence.verdict import Distribution, Measurement, Window, least_uncertainty

STRETCH_S = 20.0
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


def stretches(readings: IdleReadings) -> list[Stretch]:
    """Each window in stretches of 20 s, one every 5 s; the last one ends with the window, so
    nothing is unseen. What may have been missed follows from the bends of the readings: a slow
    swing lies open."""
    places: list[Window] = []
    parts: list[Array] = []
    for window, (times, values) in zip(readings.windows, readings.pieces, strict=True):
        begin, end = float(times[0]), float(times[-1])
        starts = np.arange(begin, end - STRETCH_S + 1e-9, HOP_S)
        if len(starts) and end - starts[-1] - STRETCH_S > 1.0:
            starts = np.append(starts, end - STRETCH_S)
        firsts = np.searchsorted(times, starts - 1e-9, side="left").tolist()
        afters = np.searchsorted(times, starts + STRETCH_S + 1e-9, side="right").tolist()
        for a, b in zip(firsts, afters, strict=True):
            if b - a >= 4:
                places.append(Window(window.recording, float(times[a]), float(times[b - 1])))
                parts.append(values[a:b])
    missed = {place: _missed(readings.only((place,))) for place in readings.channels}
    deviations, ranges = spreads(parts, ddof=1)
    bent, _ = spreads([bends(own) for own in parts], ddof=0)
    # Readings that swing against their neighbours bend more than noise of their size can.
    bent = [min(b, math.sqrt(1.5) * d) for b, d in zip(bent, deviations, strict=True)]
    usual = {
        r: float(np.median([b for b, w in zip(bent, places, strict=True) if w.recording == r]))
        for r in {w.recording for w in places}
    }
    found = []
    for place, own, bend, reach in zip(places, parts, bent, ranges, strict=True):
        of = missed[place.recording]
        # Few readings are calm by chance, and then in their range and in their bends alike.
        bend = max(bend, usual[place.recording])
        doubt = math.hypot(of.doubt, of.expected * BEND_SCATTER / math.sqrt(len(own)))
        found.append(Stretch(place, 0.5 * reach, bend * of.expected, bend * doubt, len(own)))
    return found


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
    spread = mean_with_effective_size([v for _, v in readings.pieces])
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
