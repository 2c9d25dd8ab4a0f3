"""How often the engine's cycle comes: which lines keep their phase to the note, and their spacing.

No two cylinders are alike, so a four-stroke engine repeats itself only once in two turns, and
sounds at multiples of rpm / 120. These lines lie low, but they keep their phase to the firing for
as long as the engine runs, and nothing else that lies between the multiples of a note does: not
noise, not another machine, not a voice's unrest. Over 20 s a line is told from noise 20 dB below
what a glance at the spectrum needs. Their spacing is the cycle itself, whatever the number of
cylinders and however evenly they fire. A note that is sung, played, hummed or made by a single
blow has none at all.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.sound.firing import HEARD_FROM_HZ, HEARD_TO_HZ
from verify.evidence.sound.orders import CYLINDERS, RATIOS
from verify.evidence.sound.turns import Turns

# The cycle as a share of the note: whatever multiple the firing is of it, and of so many cylinders.
SPACINGS: tuple[Fraction, ...] = tuple(
    sorted({Fraction(a, b * n) for a, b in RATIOS for n in CYLINDERS} | {Fraction(1)})
)
# Cycles of 240 to 3240 rpm; what repeats more slowly is none of an engine that idles. The note and
# its multiples are looked at in any case: they are what a finer spacing must be better than.
SLOWEST_HZ, FASTEST_HZ = 2.0, 27.0
# Frames of 1.2 s, half of each over the next: lines 2 Hz apart are told from each other.
FRAME_S = 1.2
PADDED = 4
# Frames that overlap by half share a sixth of their noise through the window, before and after: so
# many of them are worth 1 / (1 + 2/6) as many that share none.
WORTH = 0.75
# One line, however clear, counts no more than this (natural logarithm): an alarm, a whistle or a
# belt may happen to lie on a line of the grid. Two of them at once do not.
MOST_OF_A_LINE = 5.0
# Which share of the lines of a comb may be heard: nothing is known of it before.
SHARES = (0.02, 0.06, 0.2, 0.5, 0.85)
# Far more than a block can say of any spacing: where two were both at the end of the scale, neither
# was ahead of the other.
MOST = 10_000.0
LEAST_FRAMES = 8
# The hiss is looked at up to here; its loudness is known 500 times a second.
HISS_TO_HZ, HISS_STEPS = 200.0, 4


def spacing_name(spacing: Fraction) -> str:
    return f"note_cycle_{spacing.numerator}_{spacing.denominator}"


def phase_kept(turns: Turns, grid: Array) -> tuple[Array, int]:
    """(share of each line's power that keeps its phase, frames): 1 for a line locked to the note;
    for noise, 1/frames on average. grid: lines in multiples of the note, shape (n,).

    With F frames that are independent, a line of noise exceeds c by chance with probability
    (1 − c)^(F − 1): the mean resultant length of random phases weighed with Gaussian amplitudes
    (the beta distribution of a squared coherence with a constant).
    """
    frame = max(4, round(FRAME_S * turns.note_hz))
    step = max(1, frame // 2)
    length = frame * turns.per_turn
    count = (len(turns.sound) - length) // (step * turns.per_turn) + 1
    if count < LEAST_FRAMES:
        return np.zeros(len(grid)), 0
    parts = sliding_window_view(turns.sound, length)[:: step * turns.per_turn]
    spectrum = np.fft.rfft(parts * np.hanning(length), PADDED * length, axis=1)
    places = np.round(grid * PADDED * frame).astype(np.int64)
    lines = spectrum[:, np.minimum(places, spectrum.shape[1] - 1)]
    # Phases at the middle of a frame: there, half a bin beside the line changes nothing.
    middle = 0.5 * (length - 1) / turns.per_turn
    own = np.exp(2j * np.pi * places * (middle / (PADDED * frame)))
    begins = np.arange(len(parts)) * step + middle
    lines = lines * own * np.exp(-2j * np.pi * np.outer(begins, grid))
    power = np.sum(np.square(np.abs(lines)), axis=0)
    kept = np.square(np.abs(np.sum(lines, axis=0))) / np.maximum(len(parts) * power, 1e-30)
    return np.minimum(kept, 1.0 - 1e-9), len(parts)


def spacing_evidence(turns: Turns) -> dict[Fraction, float]:
    """Natural logarithm of how much likelier each of SPACINGS makes the lines than the note alone;
    −MOST for what cannot be an engine's cycle. {} where the block is too short.

    Each line is either noise or locked, in shares that are not known; of a comb that is finer than
    it need be, the lines that are not there count against it; of one too coarse, those that are.
    """
    note = turns.note_hz
    likely = [s for s in SPACINGS if SLOWEST_HZ <= note * float(s) <= FASTEST_HZ or s >= 1]
    grid, claims = _grid(tuple(likely), int(HEARD_FROM_HZ / note * 720), int(HEARD_TO_HZ / note))
    kept, frames = phase_kept(turns, grid)
    if not frames:
        return {}
    worth = WORTH * frames
    ratio = -np.log(worth - 1.0) - (worth - 2.0) * np.log1p(-kept)
    ratio = np.minimum(ratio, MOST_OF_A_LINE)
    whole = np.abs(grid - np.round(grid)) < 1e-9
    found = {
        s: _comb(ratio[own & whole]) + _comb(ratio[own & ~whole])
        for s, own in zip(likely, claims, strict=True)
    }
    base = found[Fraction(1)]
    return {s: float(np.clip(found[s] - base, -MOST, MOST)) if s in found else -MOST
            for s in SPACINGS}  # fmt: skip


def swell(block: Turns, loud_db: Array, rate: float, later_s: float) -> float:
    """How far the hiss above 1 kHz swells in step with the note: the share of its own second
    strongest of four multiples that keeps its phase, from 0 to 1; noise is above 0.3 once in
    thousands.

    loud_db: loudness of the click band, shape (n,), `rate` times a second, which begins later_s
    after the block. Valves, injectors and combustion hiss with every firing; what hums, whistles
    or blows evenly does not.
    """
    at_s = later_s + (np.arange(len(loud_db)) + 0.5) / rate
    inside = (at_s >= block.seconds[0]) & (at_s <= block.seconds[-1])
    if np.count_nonzero(inside) < 2.0 * FRAME_S * rate:
        return 0.0
    phase = np.interp(at_s[inside], block.seconds, block.turns)
    phase = np.maximum.accumulate(phase)
    per_turn = max(8, int(2 ** np.ceil(np.log2(2.2 * HISS_TO_HZ / block.note_hz))))
    even = np.arange(phase[0], phase[-1], 1.0 / per_turn)
    loud = loud_db[inside] - float(np.mean(loud_db[inside]))
    hiss = Turns(np.interp(even, phase, loud), per_turn, block.seconds, block.turns, block.note_hz)
    multiples = np.arange(1.0, HISS_STEPS + 1.0)
    kept, _ = phase_kept(hiss, multiples[multiples * block.note_hz <= 0.45 * rate])
    return float(np.sort(kept)[-2]) if len(kept) > 1 else float(kept.max(initial=0.0))


def _comb(ratio: Array) -> float:
    """Logarithm of the likelihood of these lines against noise, over all SHARES alike."""
    if not len(ratio):
        return 0.0
    each = [float(np.sum(np.log1p(p * np.expm1(ratio)))) for p in SHARES]
    most = max(each)
    return most + float(np.log(np.mean(np.exp(np.array(each) - most))))


@lru_cache(maxsize=64)
def _grid(
    likely: tuple[Fraction, ...], first: int, upto: int
) -> tuple[Array, list[NDArray[np.bool_]]]:
    """(all lines of all combs in multiples of the note, which of them each comb has)."""
    steps = [int(s * 720) for s in likely]
    every = np.unique(np.concatenate([np.arange(s, upto * 720 + 1, s) for s in steps]))
    every = every[every >= max(1, first)]
    return every / 720.0, [every % s == 0 for s in steps]
