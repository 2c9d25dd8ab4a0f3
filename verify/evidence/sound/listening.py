"""From a stream of sound to what can be judged: the note of an engine, and clicks.

Blocks of 20 s, each followed on its own with a margin on both sides; of the sound itself nothing
outlives its block.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.sound.bands import Bands, level_db
from verify.evidence.sound.firing import BLOCK_S, WINDOW_S, follow
from verify.evidence.sound.orders import CYLINDERS, RATIOS, hear_orders
from verify.evidence.sound.stream import open_sound
from verify.evidence.sound.ticks import FLOOR_CHUNK_S, floor_of, onsets

MARGIN_S = WINDOW_S / 2
CLICK_MARGIN_S = 0.6
# A frame counts as heard from this score on; of noise without any note, a frame in a hundred of a
# thousand minutes comes near it (benchmarks/sound.py counts them).
HEARD_SCORE = 9.0
SMOOTHED = 5
# A rest shorter than this is heard together with the block before it: a few turns of a low note
# are too few to tell its octave by.
LEAST_BLOCK_S = 6.0


@dataclass
class Heard:
    """All that was heard. Times in seconds since the start of the file.

    note: frames in which a note stands out (time, Hz, dB). blocks: one row for every block of 20 s
    that has such a frame: when it begins, odds of RATIOS, number of lines, dB of lines at n-ths for
    CYLINDERS; a frame belongs to the last block that begins before it. clicks: time, dB. floor:
    time, dB of the quiet in the click band. level: time, dB of the low band, once a second.
    """

    name: str
    container: str
    rate: int
    seconds: float = 0.0
    note: list[Array] = field(default_factory=list)
    frames: int = 0
    blocks: list[Array] = field(default_factory=list)
    clicks: list[Array] = field(default_factory=list)
    floor: list[Array] = field(default_factory=list)
    level: list[Array] = field(default_factory=list)
    clipped: float = 0.0
    repairs: list[str] = field(default_factory=list)


BLOCK_COLUMNS = 1 + len(RATIOS) + 1 + len(CYLINDERS)


class _Series:
    """Keeps what a later stretch needs of a growing signal, and hands out whole stretches."""

    def __init__(self, rate: float, margin_s: float) -> None:
        self.rate, self.margin = rate, int(margin_s * rate)
        self.parts: list[NDArray[np.float32]] = []
        self.have = self.first = self.done = 0

    def add(self, part: NDArray[np.float32]) -> None:
        self.parts.append(part)
        self.have += len(part)

    def stretches(self, *, last: bool) -> list[tuple[int, int, NDArray[np.float32], int]]:
        """(begin, end, samples, place of the first sample) of each stretch that is complete."""
        found = []
        size = int(BLOCK_S * self.rate)
        # A block is not taken before it is sure that what follows is enough for one of its own.
        enough = size + max(self.margin, int(LEAST_BLOCK_S * self.rate))
        while self.have >= self.done + enough or (last and self.have > self.done):
            joined = np.concatenate(self.parts) if self.parts else np.zeros(0, np.float32)
            end = min(self.done + size, self.have)
            # A rest too short to be followed by itself goes with the stretch before it.
            if last and self.have - end < LEAST_BLOCK_S * self.rate:
                end = self.have
            begin = max(self.first, self.done - self.margin)
            upto = min(self.have, end + self.margin)
            found.append((self.done, end, joined[begin - self.first : upto - self.first], begin))
            self.done = end
            keep = max(self.first, end - self.margin)
            self.parts = [joined[keep - self.first :]]
            self.first = keep
        return found


def listen(stream: BinaryIO, name: str) -> Heard:
    """Reads and hears a whole file. Raises UserError where it is no sound that can be read."""
    sound = open_sound(stream, name)
    bands = Bands(sound.rate)
    heard = Heard(name, sound.container, sound.rate)
    low = _Series(bands.low_rate, MARGIN_S)
    click = _Series(bands.click_rate, CLICK_MARGIN_S)
    for block in sound.blocks:
        one, two = bands.feed(block)
        low.add(one)
        click.add(two)
        _digest(heard, low, click, last=False)
    one, two = bands.finish()
    low.add(one)
    click.add(two)
    _digest(heard, low, click, last=True)
    heard.seconds = bands.samples / sound.rate
    heard.clipped = bands.clipped / max(1, bands.samples)
    heard.repairs = sound.repairs
    return heard


def _digest(heard: Heard, low: _Series, click: _Series, *, last: bool) -> None:
    for begin, end, samples, first in low.stretches(last=last):
        _note(heard, samples, low.rate, (begin, end, first))
    for begin, end, samples, first in click.stretches(last=last):
        _clicks(heard, samples.astype(np.float64), click.rate, (begin, end, first))


def _note(heard: Heard, low: NDArray[np.float32], rate: float, place: tuple[int, int, int]) -> None:
    begin, end, first = place
    second = int(rate)
    own = low[begin - first : end - first].astype(np.float64)
    levels = [level_db(own[a : a + second]) for a in range(0, len(own), second)]
    when = begin / rate + 0.5 + np.arange(len(levels))
    heard.level.append(np.stack([when, np.array(levels)], axis=1))
    track = follow(low, rate)
    if track is None or not np.any(low):
        return
    times = track.time_s + first / rate
    inside = (times >= begin / rate) & (times < end / rate)
    score = np.convolve(np.pad(track.score, SMOOTHED // 2, mode="edge"),
                        np.full(SMOOTHED, 1.0 / SMOOTHED), "valid")  # fmt: skip
    good = inside & (score >= HEARD_SCORE)
    heard.frames += int(np.count_nonzero(inside))
    heard.note.append(np.stack([times[good], track.hz[good], track.strength_db[good]], axis=1))
    if not good.any():
        return
    found = hear_orders(low, rate, track)
    if found is None:
        # Too little to tell the octave by: all are alike.
        row = [
            begin / rate,
            *np.full(len(RATIOS), 1.0 / len(RATIOS)),
            *np.zeros(1 + len(CYLINDERS)),
        ]
    else:
        row = [begin / rate, *found.odds, float(found.lines),
               *(found.divided_db[n] for n in CYLINDERS)]  # fmt: skip
    heard.blocks.append(np.array([row]))


def _clicks(heard: Heard, loud: Array, rate: float, place: tuple[int, int, int]) -> None:
    begin, end, first = place
    quiet = floor_of(loud, rate)
    if not len(quiet):
        return
    size = max(1, round(FLOOR_CHUNK_S * rate))
    middles = (np.arange(len(quiet)) + 0.5) * size
    floor = np.interp(np.arange(len(loud)), middles, quiet)
    times, db = onsets(loud, floor, rate)
    own = (times * rate + first >= begin) & (times * rate + first < end)
    heard.clicks.append(np.stack([times[own] + first / rate, db[own]], axis=1))
    own = (middles + first >= begin) & (middles + first < end)
    heard.floor.append(np.stack([(middles[own] + first) / rate, quiet[own]], axis=1))


def table(parts: list[Array], columns: int) -> Array:
    """All rows of a list of parts; shape (0, columns) where there are none."""
    return np.concatenate(parts) if parts else np.zeros((0, columns))
