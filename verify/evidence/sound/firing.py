"""Follows one note and its multiples through the low band: the firing of an engine, up to a ratio.

A block of 20 s at a time, so that memory does not grow with the file. Each frame gets a score for
every candidate: how far its multiples stand out above the places half-way between them. The path
through the frames is the best one that moves no faster than an engine can (Viterbi 1967). Whether
that note is the firing itself, or half or a third of it, is the business of `orders`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from verify.evidence.recording import Array

BLOCK_S, HOP_S, WINDOW_S = 20.0, 0.1, 0.64
# Firing of two cylinders at 600 rpm, and of eight at 1950: f = rpm · cylinders / 120.
LOWEST_HZ, HIGHEST_HZ, STEP = 10.0, 130.0, 0.005
HEARD_FROM_HZ, HEARD_TO_HZ = 15.0, 900.0
MOST_MULTIPLES = 24
# How far above its surroundings a line may count, in dB; one loud whistle is no comb.
LOUDEST_DB = 18.0
# Speed changes by this share in a hop at most; an engine that is revved is lost and found again.
FASTEST_STEPS = 8
STEP_COST = 0.25
PAD = 2
# A percentile of the noise against its mean: power of noise is spread like chi-square with two
# degrees of freedom, whose 30 % point is −ln(0.7) of the mean.
FLOOR_SHARE = 30.0
FLOOR_BAND_HZ = 110.0


@dataclass(frozen=True, slots=True)
class Track:
    """The note over one block. time_s: middles of frames, from the block's start; hz: its
    frequency; strength_db: how far its multiples stand out on average; score: the same weighed by
    how many there are. All shape (n,)."""

    time_s: Array
    hz: Array
    strength_db: Array
    score: Array


@lru_cache(maxsize=4)
def _grid(low_rate: float, size: int) -> tuple[Array, NDArray[np.float32], Array]:
    """(candidates, weights of shape (bins, candidates), number of multiples of each)."""
    count = int(np.log(HIGHEST_HZ / LOWEST_HZ) / np.log1p(STEP)) + 1
    notes: Array = np.asarray(LOWEST_HZ * (1.0 + STEP) ** np.arange(count), np.float64)
    bin_hz = low_rate / size
    bins = int(HEARD_TO_HZ / bin_hz) + 2
    weights = np.zeros((bins, count))
    multiples = np.zeros(count)
    k = np.arange(1, MOST_MULTIPLES + 1)
    for place, note in enumerate(notes.tolist()):
        on = note * k
        on = on[(on >= HEARD_FROM_HZ) & (on <= HEARD_TO_HZ)]
        multiples[place] = len(on)
        for sign, where in ((1.0, on), (-1.0, on - 0.5 * note)):
            at = where / bin_hz
            low = at.astype(np.int64)
            part = at - low
            np.add.at(weights[:, place], low, sign * (1.0 - part))
            np.add.at(weights[:, place], low + 1, sign * part)
    return notes, weights.astype(np.float32), multiples


def above_floor(power: NDArray[np.float32], bin_hz: float) -> NDArray[np.float32]:
    """dB above the local noise, within 0 and LOUDEST_DB. power: shape (frames, bins)."""
    width = max(8, int(FLOOR_BAND_HZ / bin_hz))
    bins = power.shape[1]
    starts = np.arange(0, max(1, bins - width // 2), width // 2)
    rank = int(FLOOR_SHARE / 100.0 * width)
    floors = np.stack(
        [
            np.partition(part, min(rank, part.shape[1] - 1), axis=1)[
                :, min(rank, part.shape[1] - 1)
            ]
            for part in (power[:, s : s + width] for s in starts.tolist())
        ],
        axis=1,
    )
    floors = np.log10(np.maximum(floors / -np.log1p(-FLOOR_SHARE / 100.0), 1e-20))
    middles = starts + 0.5 * width
    where = np.clip((np.arange(bins) - middles[0]) / (width // 2), 0.0, len(starts) - 1.0)
    low = np.minimum(where.astype(np.int64), max(0, len(starts) - 2))
    part = (where - low).astype(np.float32)
    high = np.minimum(low + 1, len(starts) - 1)
    floor = floors[:, low] * (1.0 - part) + floors[:, high] * part
    level = 10.0 * (np.log10(np.maximum(power, 1e-20)) - floor)
    made: NDArray[np.float32] = np.clip(level, 0.0, LOUDEST_DB).astype(np.float32)
    return made


def follow(low: NDArray[np.float32], low_rate: float) -> Track | None:
    """The note over one block of the low band; None where the block is shorter than a frame.

    low: shape (n,), at low_rate Hz.
    """
    length = int(WINDOW_S * low_rate)
    hop = HOP_S * low_rate
    frames = int((len(low) - length) / hop) + 1
    if len(low) < length or frames < 1:
        return None
    firsts = (np.arange(frames) * hop).astype(np.int64)
    size = PAD * 2 ** int(np.ceil(np.log2(length)))
    window = np.hanning(length).astype(np.float32)
    spectrum = np.fft.rfft(sliding_window_view(low, length)[firsts] * window, size, axis=1)
    notes, weights, multiples = _grid(low_rate, size)
    bins = weights.shape[0]
    power = np.square(np.abs(spectrum[:, :bins])).astype(np.float32)
    level = above_floor(power, low_rate / size)
    score = np.asarray((level @ weights) / np.sqrt(multiples), np.float32)
    path = _best_path(score)
    hz, best = _refined(score, path, notes)
    times = (firsts + 0.5 * length) / low_rate
    return Track(np.asarray(times, np.float64), hz, best / np.sqrt(multiples[path]), best)


def _best_path(score: NDArray[np.float32]) -> NDArray[np.int64]:
    """One candidate a frame: the path of the greatest sum, each step of the grid costing."""
    frames, count = score.shape
    reach = np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    cost = (STEP_COST * np.abs(reach)).astype(np.float32)
    padded = np.full(count + 2 * FASTEST_STEPS, -np.inf, np.float32)
    came = np.zeros((frames, count), np.int8)
    best = score[0].copy()
    every = np.arange(count)
    for frame in range(1, frames):
        padded[FASTEST_STEPS:-FASTEST_STEPS] = best
        options = sliding_window_view(padded, len(reach)) - cost
        chosen = options.argmax(axis=1)
        came[frame] = chosen
        best = options[every, chosen] + score[frame]
    path = np.zeros(frames, np.int64)
    path[-1] = int(best.argmax())
    for frame in range(frames - 1, 0, -1):
        path[frame - 1] = path[frame] + came[frame, path[frame]] - FASTEST_STEPS
    return path


def _refined(
    score: NDArray[np.float32], path: NDArray[np.int64], notes: Array
) -> tuple[Array, Array]:
    """Between the steps of the grid: the top of the parabola through three scores."""
    place = np.clip(path, 1, len(notes) - 2)
    row = np.arange(len(path))
    left, middle, right = (score[row, place + d].astype(np.float64) for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), 0.0)
    shift = np.clip(shift, -1.0, 1.0)
    return notes[place] * (1.0 + STEP) ** shift, score[row, path].astype(np.float64)
