"""Clicks in the upper band, and trains of them.

`onsets` works on stretches of the slow loudness that `bands` makes, so memory does not grow with
the file; `trains` puts clicks into trains. What a train means is said by the check.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from verify.evidence.recording import Array

# How far a click must rise above the quiet around it, and above the few steps right before it.
ABOVE_FLOOR_DB, RISE_DB = 8.0, 5.0
FLOOR_CHUNK_S, FLOOR_SHARE = 0.5, 30.0
# Two clicks closer than this are one that rings.
APART_S = 0.008
# A pause this long ends a train: ticking at 4 a second and more is one (common practice).
PAUSE_S = 0.4
# Intervals within this share of the median one, or of twice it where a click was missed.
EVEN_SHARE = 0.25
# A pause this many times the median interval is more than a click that was missed.
LONG_PAUSE = 2.3


@dataclass(frozen=True, slots=True)
class Train:
    """Clicks that follow each other. even: share of its intervals that are alike; core_s: length of
    the longest stretch of it without a pause that is long for its own rate."""

    start_s: float
    end_s: float
    clicks: int
    interval_s: float
    even: float
    core_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.interval_s if self.interval_s > 0.0 else 0.0


def floor_of(loud_db: Array, rate: float) -> Array:
    """The quiet in each chunk of FLOOR_CHUNK_S, in dB. Shape (chunks,)."""
    size = max(1, round(FLOOR_CHUNK_S * rate))
    whole = len(loud_db) // size
    if whole == 0:
        return (
            np.array([float(np.percentile(loud_db, FLOOR_SHARE))]) if len(loud_db) else np.zeros(0)
        )
    result: Array = np.percentile(loud_db[: whole * size].reshape(whole, size), FLOOR_SHARE, axis=1)
    return result


def onsets(loud_db: Array, floor_db: Array, rate: float) -> tuple[Array, Array]:
    """(seconds from the stretch's start, loudness in dB) of every click.

    loud_db: shape (n,), `rate` values a second; floor_db: the quiet at each of them.
    """
    before, near = max(2, round(0.012 * rate)), max(1, round(APART_S / 2 * rate))
    if len(loud_db) < before + near + 2:
        return np.zeros(0), np.zeros(0)
    padded = np.pad(loud_db, near, mode="edge")
    highest = sliding_window_view(padded, 2 * near + 1).max(axis=1)
    lead = np.pad(loud_db, (before + 1, 0), mode="edge")
    # The quietest third of the steps before: a click on the tail of another still rises.
    earlier = sliding_window_view(lead, before)[: len(loud_db)].min(axis=1)
    found = (
        (loud_db >= highest)
        & (loud_db >= floor_db + ABOVE_FLOOR_DB)
        & (loud_db >= earlier + RISE_DB)
    )
    places = np.flatnonzero(found)
    if len(places):
        places = places[np.diff(places, prepend=places[0] - 10 * near) > near]
    return places / rate, loud_db[places]


def trains(times_s: Array) -> list[Train]:
    """All trains of two clicks and more, in order."""
    if len(times_s) < 2:
        return []
    edges = np.flatnonzero(np.diff(times_s) > PAUSE_S) + 1
    found = []
    for part in np.split(times_s, edges):
        if len(part) < 2:
            continue
        gaps = np.diff(part)
        middle = float(np.median(gaps))
        alike = np.abs(gaps / middle - np.maximum(1.0, np.round(gaps / middle))) <= EVEN_SHARE
        close = gaps <= LONG_PAUSE * middle
        even = float(np.mean(alike & close))
        loose = np.concatenate([[-1], np.flatnonzero(~close), [len(gaps)]])
        core = max(float(part[b] - part[a + 1]) for a, b in pairwise(loose.tolist()))
        found.append(Train(float(part[0]), float(part[-1]), len(part), middle, even, core))
    return found
