"""From a note to engine speed: what is heard, how likely each octave is, and why not.

A four-stroke engine of N cylinders fires N times in two turns, so f = rpm · N / 120. The note that
was followed may be that firing or a fraction or multiple of it; every reading of it stays visible
with its odds, and none is taken that is not likely enough to be a verdict's ground.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from verify.evidence.importers.sound import odds_name
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.cylinders import cylinder_odds
from verify.evidence.sound.firing import BLOCK_S, HOP_S
from verify.evidence.sound.listening import LEAST_BLOCK_S
from verify.evidence.sound.orders import CYLINDERS, RATIO_VALUES, RATIOS

# How usual an engine speed is for an engine that is told to idle, before anything is heard (common
# practice, no source): upper end of the range, weight beside 1 for an ordinary idle.
USUAL_RPM: tuple[tuple[float, float], ...] = (
    (350.0, 0.01), (450.0, 0.05), (550.0, 0.4), (1000.0, 1.0), (1250.0, 0.5), (1700.0, 0.1),
    (2500.0, 0.02), (math.inf, 0.005),
)  # fmt: skip
# Share of engines that sound as if they fired half as often: uneven by design, or with a cylinder
# that does not fire. Twins often are uneven (common practice, no source). Nothing in the sound
# tells such an engine from an even one at half its speed.
UNEVEN_SHARE: Mapping[int, float] = {2: 0.5}
ANY_UNEVEN_SHARE, IN_PAIRS = 0.03, (6,)
# Octaves of blocks that lie within this of each other are one.
SAME_SHARE = 0.2
# A frame further from the second around it than this is none of the engine's.
STRAY_SHARE, AROUND = 0.04, 11
MOST_STRAYS = 0.1
GAP_S, LEAST_PIECE_S = 0.55, 5.0
LONGEST_BLOCK_S = BLOCK_S + LEAST_BLOCK_S
LEAST_COVERED = 0.85
# Fewer multiples than this are a fan's or a pump's note (common practice, no source).
LEAST_LINES = 7.0
# No engine is as even as a motor on the mains or an instrument: its own regulation and its unlike
# cylinders make it wander. Shares of the speed: over all that is heard, and within a second.
# The tracking itself adds up to 0.001 to a note that does not move at all.
EVEN_SHARE, EVEN_SECOND_SHARE = 0.0015, 0.0008
MAINS_HZ, MAINS_SHARE, MAINS_WANDER = (50.0, 60.0, 100.0, 120.0), 0.004, 0.004
# What the followed note is out by on average, as a standard uncertainty in shares of the speed: the
# tests bound it. The clock of a telephone is good to 50 parts in a million, which is nothing.
SYSTEMATIC_SHARE = 0.002
SILENT_DB = -75.0
LOWEST_RPM, HIGHEST_RPM = 300.0, 3000.0
MOST_JUMPS = 1.2


@dataclass(frozen=True, slots=True)
class Alternative:
    """One reading of the note: rpm, the multiple of the chosen one, its probability."""

    rpm: float
    of_chosen: float
    probability: float


@dataclass(frozen=True, slots=True)
class EarSpeed:
    """What is heard of one recording.

    lack: "" or the finding that says why it is no measurement; why, settle beside it. pieces:
    (times, rpm) of stretches heard without a pause. alternatives: the likeliest octave first, which
    is what `pieces` are in, then the others. cylinders: probability of each number of them, as far
    as it can be heard. strength_db, lines: how far the multiples stand out, and how many.
    covered: share of the file in which it is heard; partly: an engine's, but not all the time.
    """

    lack: str
    why: str
    settle: str
    pieces: tuple[tuple[Array, Array], ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    strength_db: float = 0.0
    lines: float = 0.0
    covered: float = 0.0
    cylinders: Mapping[int, float] = field(default_factory=dict)
    partly: bool = False

    @property
    def seconds(self) -> float:
        return sum(float(t[-1] - t[0]) for t, _ in self.pieces)

    @property
    def sure(self) -> float:
        return self.alternatives[0].probability if self.alternatives else 0.0


HOW_TO_RECORD = (
    "record 30 s again with the bonnet open, the telephone a forearm away from the engine and out "
    "of the fan's wind, radio and fans off, nobody talking"
)


def firing_hz(rpm: float, cylinders: int) -> float:
    """Firings a second of a four-stroke engine: one of each cylinder in two turns."""
    return rpm * cylinders / 120.0


def usual(rpm: float) -> float:
    """Weight of an engine speed before anything is heard."""
    return next(weight for upper, weight in USUAL_RPM if rpm < upper)


def speed_by_ear(recording: Recording, cylinders: int) -> EarSpeed:
    """Engine speed over time, with the odds of its octave.

    cylinders: 1 to 16. Pure; never raises for what a recording may hold.
    """
    if recording.importer != "sound" and "note" not in recording.channels:
        return EarSpeed("channel-missing", "the recording is no sound", HOW_TO_RECORD)
    note, strength = recording.channels.get("note"), recording.channels.get("note_strength")
    lines = recording.channels.get("note_lines")
    odds = _odds_rows(recording)
    if note is not None:
        note = _possible(note)
    if (
        note is None
        or strength is None
        or lines is None
        or odds is None
        or len(note.values) < 20
        or not len(strength.values)
        or not len(lines.values)
    ):
        return EarSpeed("no-engine-heard", _silence(recording), HOW_TO_RECORD)
    many = float(np.median(lines.values))
    if many < LEAST_LINES:
        why = (
            f"a note is heard, but only {many:.0f} multiples of it, as of a fan or a pump; an "
            "engine has more"
        )
        return EarSpeed("no-engine-heard", why, HOW_TO_RECORD, lines=many)
    times, rpm, alternatives = _chosen(note, *odds, cylinders)
    kept = _without_strays(rpm)
    strays = 1.0 - float(np.mean(kept)) if len(rpm) else 1.0
    pieces = _pieces(times[kept], rpm[kept])
    strong = float(np.median(strength.values))
    own_cylinders = _cylinders(recording, cylinders, alternatives)

    def answer(lack: str, why: str, *, partly: bool = False) -> EarSpeed:
        covered = _covered(pieces, recording)
        return EarSpeed(
            lack, why, HOW_TO_RECORD if lack else "", pieces, alternatives, strong, many, covered,
            own_cylinders, partly,
        )  # fmt: skip

    if not pieces or strays > MOST_STRAYS:
        return answer(
            "no-engine-heard",
            "no note is heard that goes on evenly for 5 s, as an engine's does"
            + _because(recording),
        )
    every = np.concatenate([v for _, v in pieces])
    level = float(np.mean(every))
    if not LOWEST_RPM <= level <= HIGHEST_RPM:
        return answer(
            "no-engine-heard",
            f"the note would be that of {level:.0f} rpm, which no engine of {cylinders} cylinders "
            "idles at",
        )
    if _jumps(pieces) > MOST_JUMPS:
        return answer(
            "no-engine-heard",
            "the note jumps from one tenth of a second to the next, as no engine can",
        )
    wander = float(np.std(every)) / level
    if wander < EVEN_SHARE or _second_wander(pieces) / level < EVEN_SECOND_SHARE:
        return answer(
            "too-even",
            f"the note moves by only {100 * wander:.2f} % of itself; an engine is never so even, a "
            "motor on the mains or an instrument is",
        )
    firing = firing_hz(level, cylinders)
    if wander < MAINS_WANDER and any(abs(firing / m - 1.0) < MAINS_SHARE for m in MAINS_HZ):
        return answer(
            "too-even",
            f"the note lies at {firing:.1f} Hz, where the hum of the mains lies, and hardly moves",
        )
    if _covered(pieces, recording) < LEAST_COVERED:
        return answer(
            "no-engine-heard",
            f"an engine may be heard in {sum(float(t[-1] - t[0]) for t, _ in pieces):.0f} s of "
            f"{recording.seconds:.0f} s only" + _because(recording),
            partly=True,
        )
    return answer("", "")


def _possible(note: Channel) -> Channel:
    """Without what no engine's note can be, so that nothing of it reaches the arithmetic."""
    good = (note.values > 1.0) & (note.values < 1000.0)
    if good.all():
        return note
    return Channel(note.name, note.unit, note.time_s[good], note.values[good], note.resolution,
                   note.interval_s)  # fmt: skip


def _silence(recording: Recording) -> str:
    level = recording.channels.get("sound_level")
    if level is None or not len(level.values) or float(np.max(level.values)) < SILENT_DB:
        return "the file is silent"
    return "no note with its multiples stands out of the noise" + _because(recording)


def _because(recording: Recording) -> str:
    clipped = recording.channels.get("sound_clipped")
    if clipped is not None and len(clipped.values) and float(clipped.values[0]) > 2.0:
        return f"; {float(clipped.values[0]):.0f} of 100 samples are cut off: set too loud"
    return ""


def _odds_rows(recording: Recording) -> tuple[Array, Array] | None:
    """(times of the blocks, odds of shape (blocks, ratios))."""
    found = [recording.channels.get(odds_name(r)) for r in RATIOS]
    columns = [c for c in found if c is not None]
    if len(columns) < len(RATIOS):
        return None
    if any(len(c.values) != len(columns[0].values) for c in columns) or not len(columns[0].values):
        return None
    rows = np.stack([c.values for c in columns], axis=1)
    sums = rows.sum(axis=1, keepdims=True)
    if not (np.all(rows >= 0.0) and np.all(rows <= 1.0) and np.all(sums > 0.0)):
        return None
    return columns[0].time_s, rows / sums


def _chosen(
    note: Channel, block_s: Array, odds: Array, cylinders: int
) -> tuple[Array, Array, tuple[Alternative, ...]]:
    """(times, rpm, alternatives): one octave for all blocks, the likeliest one.

    Each block's odds are weighed with how usual its speed would be. The odds of a whole recording
    are the mean of those of its blocks, not their product: what makes one block's octave look
    wrong, a pipe or a cylinder, makes it in all of them.
    """
    place = np.searchsorted(block_s, note.time_s, side="right") - 1
    near = (place >= 0) & (note.time_s < block_s[place] + LONGEST_BLOCK_S)
    middles = np.array(
        [
            float(np.median(note.values[near & (place == b)]))
            if np.any(near & (place == b))
            else 0.0
            for b in range(len(block_s))
        ]
    )
    rpm = middles[:, None] * RATIO_VALUES[None, :] * 120.0 / cylinders
    weighed = _or_uneven(odds, cylinders) * np.vectorize(usual)(rpm)
    weighed /= np.maximum(weighed.sum(axis=1, keepdims=True), 1e-12)
    weighed[middles <= 0.0] = 0.0
    # The speed that most odds agree on: each block's own candidates are the ones asked.
    flat, worth = rpm.ravel(), weighed.ravel()
    sums = np.array(
        [float(worth[np.abs(flat / r - 1.0) < SAME_SHARE].sum()) if r > 0 else 0.0 for r in flat]
    )
    centre = float(flat[int(sums.argmax())])
    if not centre > 0.0:
        return np.zeros(0), np.zeros(0), ()
    chosen = np.abs(np.log(np.maximum(rpm, 1e-9) / centre)).argmin(axis=1)
    rows = np.arange(len(block_s))
    fits = np.abs(rpm[rows, chosen] / centre - 1.0) < SAME_SHARE
    used = near & fits[place]
    values = note.values * RATIO_VALUES[chosen[place]] * 120.0 / cylinders
    blocks = max(1, int(np.count_nonzero(middles > 0.0)))
    found: dict[float, float] = {}
    for b in np.flatnonzero(middles > 0.0).tolist():
        for r in range(len(RATIOS)):
            base = RATIO_VALUES[chosen[b]] if fits[b] else centre / (middles[b] * 120.0 / cylinders)
            factor = round(float(RATIO_VALUES[r] / base), 2)
            found[factor] = found.get(factor, 0.0) + float(weighed[b, r]) / blocks
    level = float(np.median(values[used])) if used.any() else centre
    ranked = sorted(found.items(), key=lambda item: (item[0] != 1.0, -item[1]))
    alternatives = tuple(Alternative(level * f, f, p) for f, p in ranked[:6])
    return note.time_s[used], values[used], alternatives


def _or_uneven(odds: Array, cylinders: int) -> Array:
    """The odds when an engine may also fire unevenly, and so sound like one of half its firing, or,
    where it does so in pairs, of half as much again."""
    share = UNEVEN_SHARE.get(cylinders, ANY_UNEVEN_SHARE)
    mixed: Array = (1.0 - share) * odds
    for place, value in enumerate(RATIO_VALUES.tolist()):
        for times, part in ((0.5, 1.0), (1.5, 0.5 if cylinders in IN_PAIRS else 0.0)):
            other = np.flatnonzero(np.abs(RATIO_VALUES - times * value) < 1e-9)
            if len(other):
                mixed[:, place] += part * share * odds[:, other[0]]
    return mixed


def _without_strays(rpm: Array) -> NDArray[np.bool_]:
    """Which readings lie near the median of the second around them."""
    if len(rpm) < AROUND:
        return np.ones(len(rpm), np.bool_)
    padded = np.pad(rpm, AROUND // 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, AROUND), axis=1)
    result: NDArray[np.bool_] = np.abs(rpm - middle) <= STRAY_SHARE * np.abs(middle)
    return result


def _pieces(times: Array, rpm: Array) -> tuple[tuple[Array, Array], ...]:
    if not len(times):
        return ()
    edges = np.flatnonzero(np.diff(times) > GAP_S) + 1
    parts = zip(np.split(times, edges), np.split(rpm, edges), strict=True)
    return tuple((t, v) for t, v in parts if t[-1] - t[0] >= LEAST_PIECE_S)


def _covered(pieces: tuple[tuple[Array, Array], ...], recording: Recording) -> float:
    """Share of the file, less its ends, in which the note was heard."""
    heard = sum(len(t) * HOP_S for t, _ in pieces)
    return min(1.0, heard / max(1.0, recording.seconds - 1.0))


def _second_wander(pieces: tuple[tuple[Array, Array], ...]) -> float:
    """The ordinary standard deviation within a second."""
    own = []
    for _, values in pieces:
        whole = len(values) // 10
        own += np.std(values[: 10 * whole].reshape(whole, 10), axis=1).tolist()
    return float(np.median(own)) if own else math.inf


def _jumps(pieces: tuple[tuple[Array, Array], ...]) -> float:
    """Mean square of successive differences over the variance: 2 for unlike neighbours, small
    where neighbours are alike, as frames that overlap must be (von Neumann 1941)."""
    steps = np.concatenate([np.diff(v) for _, v in pieces])
    spread = float(np.var(np.concatenate([v for _, v in pieces])))
    return float(np.mean(np.square(steps))) / spread if spread > 0.0 else 0.0


def _cylinders(
    recording: Recording, told: int, alternatives: tuple[Alternative, ...]
) -> dict[int, float]:
    """See `cylinder_odds`: the levels are means over all blocks."""
    levels: dict[int, float] = {}
    for n in CYLINDERS:
        channel = recording.channels.get(f"note_parts_{n}")
        if channel is not None and len(channel.values):
            levels[n] = float(np.mean(channel.values))
    level = alternatives[0].rpm if alternatives else 0.0
    return cylinder_odds(levels, told, lambda n: usual(level * told / n))


def with_engine_speed(recording: Recording, cylinders: int) -> Recording:
    """The same recording with what was heard as a channel engine_speed, for showing it.

    Without the channel where nothing was heard that may be shown as a speed.
    """
    from dataclasses import replace

    heard = speed_by_ear(recording, cylinders)
    if not heard.pieces:
        return recording
    times = np.concatenate([t for t, _ in heard.pieces])
    values = np.concatenate([v for _, v in heard.pieces])
    step = SYSTEMATIC_SHARE * float(np.mean(values))
    channel = Channel("engine_speed", "rpm", times, values, step, HOP_S, "by ear")
    return replace(recording, channels={**recording.channels, "engine_speed": channel})
