"""From a stream of sound to what can be judged: the note of an engine, and clicks.

Blocks of 20 s, each followed on its own with a margin on both sides; of the sound itself nothing
outlives its block. What does is bounded: of a long file the note is kept at fewer times a second,
and after very many clicks no more are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.sound.bands import Bands, level_db
from verify.evidence.sound.cycles import SPACINGS, spacing_evidence, swell
from verify.evidence.sound.firing import BLOCK_S, HOP_S, WINDOW_S, follow
from verify.evidence.sound.gaps import gone, slots_db
from verify.evidence.sound.orders import RATIOS, hear_orders
from verify.evidence.sound.stream import open_sound
from verify.evidence.sound.ticks import FLOOR_CHUNK_S, floor_of, onsets
from verify.evidence.sound.turns import Turns, in_turns
from verify.evidence.sound.varies import VARIES, cycle_varies

MARGIN_S = WINDOW_S / 2
CLICK_MARGIN_S = 0.6
# A frame counts as heard from this score on; of noise without any note, a frame in a hundred of a
# thousand minutes comes near it (benchmarks/sound.py counts them).
HEARD_SCORE = 9.0
SMOOTHED = 5
# A rest shorter than this is heard together with the block before it: a few turns of a low note
# are too few to tell its octave by.
LEAST_BLOCK_S = 6.0
# The finer frequency is the rougher one with its unrest taken off, or the loop has lost it.
SAME_NOTE = 0.02
# A quarter of an hour at 10 times a second, an hour at 2.5: the swings that are judged last 1 s and
# more. Clicks: more than an hour of two key-ons a minute, each with 5 s of ticking.
MOST_FRAMES, MOST_CLICKS = 9000, 20_000


@dataclass
class Thinned:
    """Rows at steps of HOP_S, of which every second is let go whenever there are too many."""

    columns: int
    every: int = 1
    many: int = 0
    parts: list[Array] = field(default_factory=list)

    def add(self, rows: Array) -> None:
        """rows: time in seconds first."""
        self._put(rows)
        while self.many > MOST_FRAMES:
            self.every *= 2
            whole, self.parts, self.many = np.concatenate(self.parts), [], 0
            self._put(whole)

    def _put(self, rows: Array) -> None:
        kept = rows[np.round(rows[:, 0] / HOP_S).astype(np.int64) % self.every == 0]
        self.parts.append(kept)
        self.many += len(kept)

    def table(self) -> Array:
        return table(self.parts, self.columns)


@dataclass
class Heard:
    """All that was heard. Times in seconds since the start of the file.

    note: frames in which a note stands out (time, Hz, dB). blocks: one row for every block of 20 s
    that has such a frame: when it begins, odds of RATIOS, number of lines, evidence of SPACINGS,
    what `Varies` says of its cycles, how far the hiss swells with the note; a frame belongs to the
    last block that begins before it. gaps: time, seconds that are gone.
    clicks: time, dB. floor: time, dB of the quiet in the click band. level: time, dB of the low
    band, once a second. open: blocks whose hiss is still to come: number → (row, turns, begin);
    slots: the same blocks' loudness of the low band, for the gaps. bad: share of the samples that
    are no number.
    clicks_until_s: from when on there were too many clicks to keep, floor and all; None: never.
    """

    name: str
    container: str
    rate: int
    seconds: float = 0.0
    note: Thinned = field(default_factory=lambda: Thinned(3))
    frames: int = 0
    open: dict[int, tuple[list[float], Turns, float]] = field(default_factory=dict)
    slots: dict[int, tuple[NDArray[np.int64], Array]] = field(default_factory=dict)
    gaps: list[Array] = field(default_factory=list)
    blocks: list[Array] = field(default_factory=list)
    clicks: list[Array] = field(default_factory=list)
    many_clicks: int = 0
    clicks_until_s: float | None = None
    floor: list[Array] = field(default_factory=list)
    level: list[Array] = field(default_factory=list)
    clipped: float = 0.0
    bad: float = 0.0
    repairs: list[str] = field(default_factory=list)


BLOCK_COLUMNS = 1 + len(RATIOS) + 1 + len(SPACINGS) + len(VARIES) + 1


class _Series:
    """Keeps what a later stretch needs of a growing signal, and hands out whole stretches."""

    def __init__(self, rate: float, margin_s: float) -> None:
        self.rate, self.margin = rate, int(margin_s * rate)
        self.parts: list[NDArray[np.float32]] = []
        self.have = self.first = self.done = self.number = 0

    def add(self, part: NDArray[np.float32]) -> None:
        self.parts.append(part)
        self.have += len(part)

    def stretches(
        self, *, last: bool, upto_number: int | None = None
    ) -> list[tuple[int, int, int, NDArray[np.float32], int]]:
        """(number, begin, end, samples, place of the first sample) of each stretch that is
        complete."""
        found = []
        size = int(BLOCK_S * self.rate)
        # A block is not taken before it is sure that what follows is enough for one of its own.
        enough = size + max(self.margin, int(LEAST_BLOCK_S * self.rate))
        while self.have >= self.done + enough or (last and self.have > self.done):
            if self.number == upto_number and not last:
                break
            joined = np.concatenate(self.parts) if self.parts else np.zeros(0, np.float32)
            end = min(self.done + size, self.have)
            # A rest too short to be followed by itself goes with the stretch before it.
            if last and self.have - end < LEAST_BLOCK_S * self.rate:
                end = self.have
            begin = max(self.first, self.done - self.margin)
            upto = min(self.have, end + self.margin)
            samples = joined[begin - self.first : upto - self.first]
            found.append((self.number, self.done, end, samples, begin))
            self.number += 1
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
    heard.blocks += [np.array([[*row, 0.0]]) for row, _, _ in heard.open.values()]
    heard.open.clear()
    heard.clipped = bands.clipped / max(1, bands.samples)
    heard.bad = sound.bad / max(1, bands.samples)
    heard.repairs = sound.repairs
    return heard


def _digest(heard: Heard, low: _Series, click: _Series, *, last: bool) -> None:
    for number, begin, end, samples, first in low.stretches(last=last):
        _note(heard, samples, low.rate, number, (begin, end, first))
    # The hiss of a block is heard in turns of its note: the note comes first.
    for number, begin, end, samples, first in click.stretches(last=last, upto_number=low.number):
        loud = samples.astype(np.float64)
        _clicks(heard, loud, click.rate, (begin, end, first))
        own = 10.0 ** (0.1 * loud[begin - first : end - first])
        cells = gone(heard.slots.pop(number), slots_db(own, click.rate, begin))
        heard.gaps.append(np.stack(cells, axis=1))
        if number in heard.open:
            row, turns, at_s = heard.open.pop(number)
            swells = swell(turns, loud, click.rate, first / click.rate - at_s)
            heard.blocks.append(np.array([[*row, swells]]))


def _note(
    heard: Heard, low: NDArray[np.float32], rate: float, number: int, place: tuple[int, int, int]
) -> None:
    begin, end, first = place
    second = int(rate)
    own = low[begin - first : end - first].astype(np.float64)
    heard.slots[number] = slots_db(np.square(own), rate, begin)
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
    if not good.any():
        return
    turns = in_turns(low, rate, track)
    hz = track.hz
    if turns is not None:
        finer = turns.hz(track.time_s)
        hz = np.where(np.abs(finer / hz - 1.0) < SAME_NOTE, finer, hz)
    heard.note.add(np.stack([times[good], hz[good], track.strength_db[good]], axis=1))
    found = None if turns is None else hear_orders(turns)
    if turns is None or found is None:
        # Too little to tell the octave by: all are alike.
        alike = np.full(len(RATIOS), 1.0 / len(RATIOS))
        rest = np.zeros(BLOCK_COLUMNS - 1 - len(RATIOS))
        heard.blocks.append(np.array([[begin / rate, *alike, *rest]]))
        return
    evidence = spacing_evidence(turns)
    likeliest = max(evidence, key=lambda s: evidence[s], default=Fraction(1))
    varies = cycle_varies(turns, likeliest)
    row = [
        *(begin / rate, *found.odds, float(found.lines)),
        *(evidence.get(s, 0.0) for s in SPACINGS),
        *(getattr(varies, name) for name in VARIES),
    ]
    heard.open[number] = (row, turns, first / rate)


def _clicks(heard: Heard, loud: Array, rate: float, place: tuple[int, int, int]) -> None:
    begin, end, first = place
    quiet = floor_of(loud, rate)
    if not len(quiet) or heard.clicks_until_s is not None:
        return
    size = max(1, round(FLOOR_CHUNK_S * rate))
    middles = (np.arange(len(quiet)) + 0.5) * size
    floor = np.interp(np.arange(len(loud)), middles, quiet)
    times, db = onsets(loud, floor, rate)
    own = (times * rate + first >= begin) & (times * rate + first < end)
    heard.clicks.append(np.stack([times[own] + first / rate, db[own]], axis=1))
    heard.many_clicks += int(np.count_nonzero(own))
    if heard.many_clicks > MOST_CLICKS:
        # Without a floor nothing later counts as quiet.
        heard.clicks_until_s = end / rate
    own = (middles + first >= begin) & (middles + first < end)
    heard.floor.append(np.stack([(middles[own] + first) / rate, quiet[own]], axis=1))


def table(parts: list[Array], columns: int) -> Array:
    """All rows of a list of parts; shape (0, columns) where there are none."""
    return np.concatenate(parts) if parts else np.zeros((0, columns))
