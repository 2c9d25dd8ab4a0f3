"""The same block in turns of its note instead of seconds, with the turns counted to a small part.

`firing` follows a note to about a thousandth of itself; over 20 s that may add up to half a turn.
Here the multiples of the note are looked at together, and the phase that they share is followed
(a phase-locked loop over all of them). With it, what belongs to the crankshaft keeps its phase from
one second to the next, and what does not loses it: `cycles` rests on that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.sound.firing import HEARD_TO_HZ, Track

UPSAMPLED = 4
# The loop: frames of 0.45 s, each a fifth of that further; a frame may be this part of a turn away
# from where the two before it point. More would let it slip by a whole blow of one cylinder.
FRAME_S, STEP_S = 0.45, 0.09
REACH, FINE_REACH, TRIES = 0.12, 0.05, 25
# How fast what the multiples look like is forgotten: about 2 s of frames.
FORGET = 0.05
MOST_MULTIPLES = 24
CALMED = 9
# One line may not lead the rest: louder than 20 dB above the noise counts as 20 dB.
MOST_SHARE = 10.0


@dataclass(frozen=True, slots=True)
class Turns:
    """A block in turns. sound: shape (n,), per_turn samples a turn; seconds, turns: shape (m,),
    the phase of the note over time, from the block's start; note_hz: its median."""

    sound: Array
    per_turn: int
    seconds: Array
    turns: Array
    note_hz: float

    def hz(self, at_s: Array, width_s: float = 0.3) -> Array:
        """The note's frequency: turns within `width_s` around each time."""
        half = 0.5 * width_s
        low = np.clip(at_s - half, self.seconds[0], self.seconds[-1])
        high = np.clip(at_s + half, self.seconds[0], self.seconds[-1])
        made = np.interp(high, self.seconds, self.turns) - np.interp(low, self.seconds, self.turns)
        result: Array = made / np.maximum(high - low, 1e-9)
        return result


def in_turns(low: NDArray[np.float32], low_rate: float, track: Track) -> Turns | None:
    """low: the block that was followed, at low_rate Hz. None where it is too short."""
    seconds = np.arange(len(low)) / low_rate
    hz = np.interp(seconds, track.time_s, _calmed(track.hz))
    rough = np.concatenate([[0.0], np.cumsum(hz)[:-1]]) / low_rate
    note = float(np.median(track.hz))
    per_turn = int(2 ** np.ceil(np.log2(2.2 * HEARD_TO_HZ / note)))
    # Finer in time first, so that a straight line between samples is good enough.
    fine = np.fft.irfft(np.fft.rfft(low), UPSAMPLED * len(low)) * UPSAMPLED
    fine_s = np.arange(len(fine)) / (UPSAMPLED * low_rate)
    sound = _resampled(fine, fine_s, seconds, rough, per_turn)
    frame = max(3, round(FRAME_S * note))
    step = max(1, round(STEP_S * note))
    if len(sound) < (frame + 4 * step) * per_turn:
        return None
    lines = _lines(sound, per_turn, frame, step)
    lag = _smoothed(_locked(lines))
    middles = np.arange(len(lag)) * step + 0.5 * frame
    phase = rough + np.interp(rough, middles, lag)
    phase = np.maximum.accumulate(phase)
    return Turns(_resampled(fine, fine_s, seconds, phase, per_turn), per_turn, seconds, phase, note)


def _calmed(hz: Array) -> Array:
    """The mean over about half a second, less of it at the ends; what is lost of true movement is
    found again by the loop."""
    weights = np.hanning(CALMED + 2)[1:-1]
    padded = np.pad(hz, CALMED // 2, mode="edge")
    result: Array = np.convolve(padded, weights / weights.sum(), "valid")
    return result


def _resampled(fine: Array, fine_s: Array, seconds: Array, phase: Array, per_turn: int) -> Array:
    even = np.arange(0.0, phase[-1], 1.0 / per_turn)
    made: Array = np.interp(np.interp(even, phase, seconds), fine_s, fine)
    return made


def _lines(sound: Array, per_turn: int, frame: int, step: int) -> NDArray[np.complex128]:
    """Multiples of the note in every frame, each in units of the noise around it; shape (frames,
    multiples)."""
    length = frame * per_turn
    parts = sliding_window_view(sound, length)[:: step * per_turn] * np.hanning(length)
    spectrum = np.fft.rfft(parts, axis=1)
    count = min(MOST_MULTIPLES, (per_turn // 2 - 1))
    k = np.arange(1, count + 1)
    between = np.abs(spectrum[:, np.round((k - 0.5) * frame).astype(np.int64)])
    noise = np.median(between, axis=0) + 1e-12 * float(np.abs(spectrum).max()) + 1e-30
    made = spectrum[:, k * frame] / noise
    size = np.abs(made)
    result: NDArray[np.complex128] = made * np.minimum(1.0, MOST_SHARE / np.maximum(size, 1e-12))
    return result


def _locked(lines: NDArray[np.complex128]) -> Array:
    """How far the note is ahead of its rough phase, in turns, frame by frame."""
    frames, count = lines.shape
    k = np.arange(1, count + 1)
    lag = np.zeros(frames)
    tries = np.linspace(-REACH, REACH, TRIES)
    turned = np.exp(-2j * np.pi * np.outer(tries, k))
    like = lines[0].copy()
    for place in range(1, frames):
        before = lag[place - 1]
        drift = 0.5 * (before - lag[max(0, place - 4)]) / max(1, min(3, place - 1))
        wanted = before + drift
        moved = lines[place] * np.exp(-2j * np.pi * k * wanted)
        fit = (turned @ (moved * np.conj(like))).real
        lag[place] = wanted + _top(tries, fit)
        like += FORGET * (lines[place] * np.exp(-2j * np.pi * k * lag[place]) - like)
    # Once more, against what the whole block looks like.
    like = np.mean(lines * np.exp(-2j * np.pi * np.outer(lag, k)), axis=0)
    tries = np.linspace(-FINE_REACH, FINE_REACH, TRIES)
    moved = lines * np.exp(-2j * np.pi * np.outer(lag, k)) * np.conj(like)
    fits = (moved @ np.exp(-2j * np.pi * np.outer(k, tries))).real
    found: Array = lag + np.array([_top(tries, fit) for fit in fits])
    return found


def _top(tries: Array, fit: Array) -> float:
    """Where the parabola through the best try and its neighbours has its top."""
    best = int(fit.argmax())
    if not 0 < best < len(tries) - 1:
        return float(tries[best])
    left, middle, right = fit[best - 1 : best + 2].tolist()
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float(tries[best] + shift * (tries[1] - tries[0]))


def _smoothed(lag: Array) -> Array:
    """The mean of three neighbours, the middle one twice: the frames overlap by more than that."""
    padded = np.pad(lag, 1, mode="edge")
    result: Array = 0.25 * (padded[:-2] + 2.0 * padded[1:-1] + padded[2:])
    return result
