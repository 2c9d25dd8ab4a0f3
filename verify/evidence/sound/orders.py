"""How sure the octave is by how high the lines stand, in turns of the followed note.

In turns, lines do not smear when the speed wanders, so places between the multiples of the note can
be looked at. A note p may be the firing itself, or half, a third, … of it, or a multiple. All of
these lay claim to some lines of the grid p/6, p/3, p/2 … as their own; where the lines a ratio
claims stand as high as their surroundings, and those it does not claim lie well below, that ratio
is likely. The odds of all ratios are handed on; nothing is chosen here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.sound.firing import HEARD_TO_HZ
from verify.evidence.sound.turns import Turns

# Firing, as a multiple of the followed note: what a wrong octave, and cylinders firing in twos and
# threes, can make of it. Each is a whole number of sixths.
RATIOS: tuple[tuple[int, int], ...] = (
    (1, 3), (1, 2), (2, 3), (1, 1), (4, 3), (3, 2), (2, 1), (3, 1), (4, 1),
)  # fmt: skip
SIXTHS = np.array([6 * a // b for a, b in RATIOS])
RATIO_VALUES = np.array([a / b for a, b in RATIOS])
# Lines of firing lie this far below the highest of their neighbours, those between them that far;
# standard deviations beside them, in dB. Between the two it stays open. Of engines at idle, near
# the tail pipe and under the bonnet, half-orders lie 10 to 20 dB down: common practice, no source;
# a cylinder that does not fire brings them up to 5 dB.
ON_DB, ON_SPREAD_DB = 3.5, 2.5
OFF_DB, OFF_SPREAD_DB = 14.0, 4.5
LINE_DB = 6.0
# One line beside its neighbours, as pipes and rooms make it (common practice, no source).
LINE_SCATTER_DB = 5.0
# No evidence is so good that the model behind it could not be wrong.
LEAST_ODDS = 1e-3
TURNS = 24
WINDOW_S = 1.3
CYLINDERS = (2, 3, 4, 5, 6, 8)


@dataclass(frozen=True, slots=True)
class Orders:
    """odds: probability of each of RATIOS, shape (len(RATIOS),). lines: multiples of the note that
    stand out."""

    odds: Array
    lines: int
    deficits_db: dict[int, float]


def hear_orders(block: Turns) -> Orders | None:
    """None where the block is too short for a spectrum in turns."""
    spectrum = order_spectrum(block)
    if spectrum is None:
        return None
    level, turns = spectrum
    per_sixth = turns // 6
    count = (len(level) - 2) // per_sixth
    if count < 12:
        return None
    line = _at(level, np.arange(1, count + 1) * per_sixth)
    around = _highest_around(line, 12)
    deficits: dict[int, float] = {}
    worth: dict[int, float] = {}
    reach: dict[int, float] = {}
    number = np.arange(1, count + 1)
    shared = np.gcd(number, 72)
    for own in np.unique(shared).tolist():
        inside = (shared == own) & (around >= LINE_DB)
        if not inside.any():
            continue
        deficits[own] = float(np.mean(around[inside] - line[inside]))
        reach[own] = float(np.mean(around[inside]))
        worth[own] = float(np.count_nonzero(inside))
    odds = _odds(deficits, reach, worth)
    whole = line[5::6]
    return Orders(odds, int(np.count_nonzero(whole >= LINE_DB)), deficits)


def order_spectrum(block: Turns) -> tuple[Array, int] | None:
    """(dB above the local noise, bins a turn of the note): averaged over the block."""
    note, per_turn = block.note_hz, block.per_turn
    turns = TURNS * max(1, round(WINDOW_S * note / TURNS))
    length = turns * per_turn
    if len(block.sound) < 2 * length:
        return None
    parts = sliding_window_view(block.sound, length)[:: length // 2]
    power = np.mean(np.square(np.abs(np.fft.rfft(parts * np.hanning(length), axis=1))), axis=0)
    last = min(len(power), int(HEARD_TO_HZ / note * turns))
    return _above_noise(power[:last], turns), turns


def _above_noise(power: Array, turns: int) -> Array:
    """dB above the lower third of two turns around each bin."""
    width = min(2 * turns, len(power))
    steps = np.arange(0, len(power) - width + 1, max(1, turns // 4))
    floors = np.percentile(sliding_window_view(power, width)[steps], 25.0, axis=1)
    floor = np.interp(np.arange(len(power)), steps + width / 2.0, np.log10(floors + 1e-20))
    result: Array = 10.0 * (np.log10(power + 1e-20) - floor)
    return result


def _at(level: Array, bins: NDArray[np.int64]) -> Array:
    """The highest of each bin and its two neighbours."""
    bins = np.clip(bins, 1, len(level) - 2)
    return np.maximum(np.maximum(level[bins - 1], level[bins]), level[bins + 1])


def _highest_around(line: Array, reach: int) -> Array:
    padded = np.pad(line, reach, constant_values=-np.inf)
    result: Array = sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return result


def _odds(deficits: dict[int, float], reach: dict[int, float], worth: dict[int, float]) -> Array:
    """Probability of each ratio, all alike before anything was heard."""
    logs = np.zeros(len(SIXTHS))
    for own, deficit in deficits.items():
        blur = LINE_SCATTER_DB / np.sqrt(worth[own])
        on = (deficit - ON_DB) / np.hypot(ON_SPREAD_DB, blur)
        # Where the lines hardly stand out, what lies between them cannot lie far below.
        wanted = min(OFF_DB, 0.85 * reach[own])
        off = min(0.0, deficit - wanted) / np.hypot(OFF_SPREAD_DB, blur)
        claimed = own % SIXTHS == 0
        logs -= np.where(claimed, 0.5 * on * on, 0.5 * off * off)
    logs -= logs.max()
    odds = np.exp(logs)
    odds /= odds.sum()
    odds = odds * (1.0 - LEAST_ODDS * len(odds)) + LEAST_ODDS
    result: Array = odds / odds.sum()
    return result
