"""Where a sound is gone for a moment: cut out, lost on the way, or filled with what is no number.

A microphone hears something at any time: between two blows of an engine, too, there is its hiss and
the yard. So where everything is gone at once, below 1 kHz and above it, the recording has a hole,
and whatever follows a note must not follow it through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array, Recording

SLOT_S, CELL_S = 0.02, 0.1
# A slot is gone where both bands lie so far below what the tenth loudest slot of their block is:
# further than from an engine's blow to the quiet between two of them and the noise of the place
# (common practice, no source).
GONE_DB, LOUD_SHARE = 35.0, 90.0
# What is gone for longer is a pause, as when an engine has stopped; it has findings of its own.
LONGEST_GAP_S = 2.0
# More of a file than this is none to judge.
MOST_GONE = 0.01
# A frame of the tracker hears so far to both sides (half of firing.WINDOW_S, and half a cell).
REACH_S = 0.37


def slots_db(power: Array, rate: float, first: int) -> tuple[NDArray[np.int64], Array]:
    """(numbers of the slots since the start of the file, mean power of each in dB).

    power: shape (n,), `rate` values a second, of which the first is number `first`.
    """
    number = ((first + np.arange(len(power))) / (rate * SLOT_S)).astype(np.int64)
    if not len(number):
        return number, np.zeros(0)
    begins = np.flatnonzero(np.diff(number, prepend=-1))
    sums = np.add.reduceat(power, begins) / np.diff(np.append(begins, len(power)))
    return number[begins], 10.0 * np.log10(np.maximum(sums, 1e-12))


def gone(
    low: tuple[NDArray[np.int64], Array], click: tuple[NDArray[np.int64], Array]
) -> tuple[Array, Array]:
    """(middles of the cells of CELL_S in which the sound is gone, seconds gone in each).

    low, click: as from `slots_db`, of one block.
    """
    both, a, b = np.intersect1d(low[0], click[0], assume_unique=True, return_indices=True)
    if not len(both):
        return np.zeros(0), np.zeros(0)
    lost = np.ones(len(both), np.bool_)
    for values in (low[1][a], click[1][b]):
        lost &= values < np.percentile(values, LOUD_SHARE) - GONE_DB
    per_cell = round(CELL_S / SLOT_S)
    cells, many = np.unique(both[lost] // per_cell, return_counts=True)
    return np.asarray((cells + 0.5) * CELL_S), np.asarray(many * SLOT_S)


def gaps_of(recording: Recording) -> tuple[Array, float]:
    """(middles of the cells in which something is gone, share of the file that gaps take)."""
    channel = recording.channels.get("gap")
    if channel is None or not len(channel.values):
        return np.zeros(0), 0.0
    times, seconds = channel.time_s, np.clip(channel.values, 0.0, CELL_S)
    total = 0.0
    edges = np.flatnonzero(np.diff(times) > 1.5 * CELL_S) + 1
    for run, own in zip(np.split(times, edges), np.split(seconds, edges), strict=True):
        # What is missing at the ends of a file, as coders leave it, is between no two sounds.
        inside = run[0] > 2.0 * CELL_S and run[-1] < recording.seconds - 2.0 * CELL_S
        if inside and run[-1] - run[0] <= LONGEST_GAP_S:
            total += float(own.sum())
    return times, total / max(1.0, recording.seconds)


def heard_through(times_s: Array, gap_s: Array) -> NDArray[np.bool_]:
    """Which of these frames lie far enough from every gap."""
    if not len(gap_s):
        return np.ones(len(times_s), np.bool_)
    place = np.searchsorted(gap_s, times_s)
    before = times_s - gap_s[np.clip(place - 1, 0, len(gap_s) - 1)]
    after = gap_s[np.clip(place, 0, len(gap_s) - 1)] - times_s
    near = ((place > 0) & (before < REACH_S)) | ((place < len(gap_s)) & (after < REACH_S))
    result: NDArray[np.bool_] = ~near
    return result
