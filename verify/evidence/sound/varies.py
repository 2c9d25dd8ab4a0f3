"""Whether one cycle differs from the next, as of an engine, and nothing comes again as in a loop.

No two combustions are alike: the pressure of one cylinder's cycles scatters by some per cent under
load and by more at idle (Heywood, Internal Combustion Engine Fundamentals, section 9.4; from
memory). A machine that turns evenly, and a sound that is made by repeating one cycle, have no such
scatter, however their speed may wander. What scatters with the blows is louder at the blows, where
noise is as loud between them: so what is left of each cycle after taking off its neighbours, and
what a shifted phase would leave, is asked whether it is louder where the cycle itself is. What is
left is also asked whether it comes again: of an engine it never does, of a loop of a few seconds it
does in each round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from verify.evidence.recording import Array
from verify.evidence.sound.firing import HEARD_TO_HZ
from verify.evidence.sound.turns import Turns

LEAST_CYCLES = 20
# Of the phases of a cycle: those where its own sound is loudest, and where it is softest.
LOUD_SHARE = 1.0 / 3.0
SMOOTHED_TURNS = 0.12
# Over so many hertz to both sides the noise is taken for even.
EVENED_HZ = 100.0
# The phase is known but for what moves as slowly as this.
PHASE_S, LEAST_SHAPES = 0.06, 3
# What is left of a cycle after half of both neighbours has been taken off has this many times the
# variance that each has by itself.
LEFT = 1.5
# Rounds of a loop, from a few cycles on; lines louder than this above the noise count no more.
LEAST_ROUND_S, LEAST_ROUND_CYCLES, LONGEST_ROUND_S = 0.4, 5.0, 9.5
MOST_OF_A_LINE, NOISE_BINS = 8.0, 201


@dataclass(frozen=True, slots=True)
class Varies:
    """square: of the scatter of a cycle's sound at its blows, as a share of that sound; by noise
    alone it is 0 on average, so it may be below. error: its standard error. repeats, round_s: how
    much of what is left comes again (the share of its power in the lines of a loop, from 0 to 1),
    and after which time most of it does."""

    square: float
    error: float
    repeats: float
    round_s: float


VARIES = ("square", "error", "repeats", "round_s")
MOST_VARIES = 1e6
NOTHING = Varies(0.0, 1.0, 0.0, 0.0)


def cycle_varies(block: Turns, spacing: Fraction) -> Varies:
    """spacing: of the cycle's lines, in multiples of the note. Pure."""
    turns = (1 / spacing).numerator
    size = turns * block.per_turn
    rows = len(block.sound) // size
    if rows < LEAST_CYCLES:
        return NOTHING
    cycles = block.sound[: rows * size].reshape(rows, size)
    seconds = turns / block.note_hz
    cycles = _evened(cycles - cycles.mean(), seconds)
    shapes = _moved(cycles.mean(axis=0), max(LEAST_SHAPES, 1 + round(seconds / PHASE_S)))
    left = _left(cycles)
    left -= (left @ shapes) @ shapes.T
    # Of noise, too, that much was taken away with them.
    power = np.square(left) / np.maximum(1.0 - np.square(shapes).sum(axis=1), 0.2)
    square, error = _scatter(power, cycles, block.per_turn)
    repeats, round_s = _comes_again(left, block, seconds)
    return Varies(square, error, repeats, round_s)


def _left(cycles: Array) -> Array:
    """What is left of each cycle but the first and the last without half of both its neighbours:
    nothing of what changes slowly, as in hunting."""
    found: Array = cycles[1:-1] - 0.5 * (cycles[:-2] + cycles[2:])
    return found


def _evened(cycles: Array, seconds: float) -> Array:
    """The same with what is left of them made as loud at all pitches, so that neither wind nor the
    rumble of a yard hides the rest; nothing above what is listened to."""
    power = np.mean(np.square(np.abs(np.fft.rfft(_left(cycles), axis=1))), axis=0)
    width = max(1, round(EVENED_HZ * seconds))
    kernel = np.full(2 * width + 1, 1.0 / (2 * width + 1))
    power = np.convolve(np.pad(power, width, mode="edge"), kernel, "valid")
    weight = 1.0 / np.sqrt(power + 1e-6 * power.max() + 1e-30)
    weight[int(HEARD_TO_HZ * seconds) :] = 0.0
    made: Array = np.fft.irfft(np.fft.rfft(cycles, axis=1) * weight, cycles.shape[1], axis=1)
    return made


def _scatter(power: Array, cycles: Array, per_turn: int) -> tuple[float, float]:
    """(square of the scatter, its standard error). power: of what is left of each cycle but the
    first and the last, shape (rows − 2, phases)."""
    size = cycles.shape[1]
    # Two cycles next to each other have the same sound, and noise of their own.
    own = np.mean(cycles[:-1] * cycles[1:], axis=0)
    width = max(1, round(SMOOTHED_TURNS * per_turn))
    around = np.concatenate([own[-width:], own, own[:width]])
    own = np.convolve(around, np.full(width, 1.0 / width), "same")[width:-width]
    order = np.argsort(own, kind="stable")
    many = max(1, int(LOUD_SHARE * size))
    soft, loud = order[:many], order[-many:]
    more = power[:, loud].mean(axis=1) - power[:, soft].mean(axis=1)
    level = LEFT * float(own[loud].mean() - own[soft].mean())
    if not level > 1e-30:
        return 0.0, 1.0
    # Neighbouring rows share cycles.
    error = float(more.std(ddof=1)) * math.sqrt(2.0 / len(more))
    square = float(np.clip(more.mean() / level, -MOST_VARIES, MOST_VARIES))
    return square, float(np.clip(error / level, 1e-9, MOST_VARIES))


def _moved(mean: Array, count: int) -> Array:
    """What a phase that is out by a slow curve makes of a cycle: orthonormal, (phases, count)."""
    size = len(mean)
    lines = np.fft.rfft(mean)
    slope = np.fft.irfft(1j * np.arange(len(lines)) * lines, size)
    along = np.pi * (np.arange(size) + 0.5) / size
    shapes = slope[:, None] * np.cos(along[:, None] * np.arange(min(count, size // 4))[None, :])
    found: Array = np.linalg.qr(shapes)[0]
    return found


def _comes_again(left: Array, block: Turns, seconds: float) -> tuple[float, float]:
    """(share of the power in lines of one distance, seconds of a round): the correlation of what is
    left with itself, with its spectrum made even first, so that no hum leads it."""
    every = left.ravel()
    bins_hz = block.note_hz * block.per_turn / len(every)
    power = np.square(np.abs(np.fft.rfft(every * np.hanning(len(every)))))
    power = power[: min(len(power), int(HEARD_TO_HZ / bins_hz))]
    if len(power) < 4 * NOISE_BINS:
        return 0.0, 0.0
    starts = np.arange(0, len(power) - NOISE_BINS, NOISE_BINS // 2)
    floor = np.median(sliding_window_view(power, NOISE_BINS)[starts], axis=1) / math.log(2.0)
    level = np.interp(np.arange(len(power)), starts + 0.5 * NOISE_BINS, floor)
    even = np.minimum(power / np.maximum(level, 1e-30), MOST_OF_A_LINE)
    if not even.any():
        return 0.0, 0.0
    again = np.fft.irfft(even - even.mean(), 2 * len(even)) * len(even) / float(even.sum())
    step = 1.0 / (2.0 * len(even) * bins_hz)
    low = int(max(LEAST_ROUND_S, LEAST_ROUND_CYCLES * seconds) / step)
    high = min(len(again) // 2, int(LONGEST_ROUND_S / step))
    if high <= low:
        return 0.0, 0.0
    best = low + int(again[low:high].argmax())
    return float(np.clip(again[best], 0.0, 1.0)), best * step
