"""From a note to engine speed: what is heard, how likely each octave is, and why not.

A four-stroke engine of N cylinders fires N times in two turns, so f = rpm · N / 120. The note that
was followed may be that firing or a fraction or multiple of it; every reading of it stays visible
with its odds, and none is taken that is not likely enough to be a verdict's ground.

That it is an engine must be heard three times over: by a firing that is never as even as a motor's
or an instrument's, by a hiss that swells with it, and by the lines of a cycle that fits the speed
and the number of cylinders (`cylinders`). What has the first two alone is named as what it lacks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from verify.evidence.importers.sound import odds_name
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.firing import HOP_S
from verify.evidence.sound.gaps import MOST_GONE, gaps_of, heard_through
from verify.evidence.sound.octaves import Alternative, choose, weigh_spacing
from verify.evidence.sound.orders import RATIOS
from verify.evidence.sound.real import LEAST_SWELL, cut_off, swelling, too_alike

# A frame further from the second around it than this is none of the engine's.
STRAY_SHARE, AROUND_S = 0.04, 1.0
MOST_STRAYS = 0.1
GAP_S, LEAST_PIECE_S = 0.55, 5.0
LEAST_COVERED = 0.85
# Fewer multiples than this are a fan's or a pump's note (common practice, no source).
LEAST_LINES = 7.0
# No engine is as even as a motor on the mains or an instrument: its own regulation and its unlike
# cylinders make it wander. Shares of the speed: over all that is heard, and within a second. A
# regulator that held 700 rpm within ± 1 would be better than any (common practice, no source). The
# tracking adds less than 0.0005 to a note that does not move at all (the tests bound it), and the
# mains move by less than that in a minute (common practice, no source).
EVEN_SHARE, EVEN_SECOND_SHARE = 0.0015, 0.0005
MAINS_HZ, MAINS_SHARE, MAINS_WANDER = (50.0, 60.0, 100.0, 120.0), 0.004, 0.004
# What the followed note is out by on average, as a standard uncertainty in shares of the speed: the
# tests bound it. The clock of a telephone is good to 50 parts in a million, which is nothing.
SYSTEMATIC_SHARE = 0.002
SILENT_DB = -75.0
LOWEST_RPM, HIGHEST_RPM = 300.0, 3000.0
MOST_JUMPS = 1.2


@dataclass(frozen=True, slots=True)
class EarSpeed:
    """What is heard of one recording.

    lack: "" or the finding that says why it is no measurement; why, settle beside it. pieces:
    (times, rpm) of stretches heard without a pause. alternatives: the likeliest octave first, which
    is what `pieces` are in, then the others. cylinders: probability of each number of them, as far
    as it can be heard. strength_db, lines: how far the multiples stand out, and how many.
    covered: share of the file in which it is heard; partly: an engine's, but not all the time.
    margin: how far the cycle that fits octave and cylinders is ahead of any other (natural
    logarithm of a ratio of likelihoods); below LEAST_MARGIN it is not borne out.
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
    margin: float = 0.0

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
SETTLE_LOUD = (
    "record again with the telephone an arm's length further away from the engine than before, or "
    "with the recorder's level turned down until its bar no longer reaches the end"
)
SETTLE_GAPS = (
    "record again with the telephone's own recorder, nothing that makes sounds clearer or softer "
    "switched on, no call coming in, and give that file as it is"
)


def firing_hz(rpm: float, cylinders: int) -> float:
    """Firings a second of a four-stroke engine: one of each cylinder in two turns."""
    return rpm * cylinders / 120.0


def speed_by_ear(recording: Recording, cylinders: int) -> EarSpeed:
    """Engine speed over time, with the odds of its octave.

    cylinders: 1 to 16. Pure; never raises for what a recording may hold.
    """
    if recording.importer != "sound" and "note" not in recording.channels:
        return EarSpeed("channel-missing", "the recording is no sound", HOW_TO_RECORD)
    note, strength = recording.channels.get("note"), recording.channels.get("note_strength")
    lines = recording.channels.get("note_lines")
    odds = _odds_rows(recording)
    gaps, gone = gaps_of(recording)
    bad = bad_share(recording)
    if max(gone, bad) > MOST_GONE:
        why = (
            f"{100 * bad:.0f} of 100 samples of the file are no sound: what is heard between them "
            "is no proof"
        )
        if bad < gone:
            why = (
                f"{100 * gone:.0f} of 100 parts of the sound are gone, each for a moment: what is "
                "heard between them is no proof"
            )
        return EarSpeed("has-gaps", why, SETTLE_GAPS)
    if note is not None:
        note = _possible(note, heard_through(note.time_s, gaps))
    if (
        note is None
        or strength is None
        or lines is None
        or odds is None
        or len(note.values) < 20
        or not len(strength.values)
        or not len(lines.values)
    ):
        return EarSpeed("no-engine-heard", _silence(recording), _how_to(recording))
    many = float(np.median(lines.values))
    if many < LEAST_LINES:
        why = (
            f"a note is heard, but only {many:.0f} multiples of it, as of a fan or a pump; an "
            "engine has more"
        )
        return EarSpeed("no-engine-heard", why, HOW_TO_RECORD, lines=many)
    heard = weigh_spacing(recording, choose(note, *odds, cylinders), cylinders)
    times, rpm, alternatives = heard.times, heard.rpm, heard.alternatives
    hop = max(HOP_S, note.interval_s if math.isfinite(note.interval_s) else HOP_S)
    kept = _without_strays(rpm, hop)
    strays = 1.0 - float(np.mean(kept)) if len(rpm) else 1.0
    pieces = _pieces(times[kept], rpm[kept], hop)
    strong = float(np.median(strength.values))

    def answer(lack: str, why: str, *, partly: bool = False) -> EarSpeed:
        covered = _covered(pieces, recording, hop)
        return EarSpeed(
            lack, why, _how_to(recording) if lack else "", pieces, alternatives, strong, many,
            covered, heard.cylinders, partly, heard.margin,
        )  # fmt: skip

    if not pieces or strays > MOST_STRAYS:
        return answer(
            "no-engine-heard",
            "no note is heard that goes on evenly for 5 s, as an engine's does"
            + cut_off(recording),
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
    if wander < EVEN_SHARE or _second_wander(pieces, hop) / level < EVEN_SECOND_SHARE:
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
    if not swelling(recording) >= LEAST_SWELL:
        return answer(
            "no-engine-heard",
            "nothing above 1 kHz swells in step with the note, as an engine's valves and injectors "
            "do",
        )
    alike = too_alike(recording)
    if alike is not None:
        return answer(*alike)
    if _covered(pieces, recording, hop) < LEAST_COVERED:
        return answer(
            "no-engine-heard",
            f"an engine may be heard in {sum(float(t[-1] - t[0]) for t, _ in pieces):.0f} s of "
            f"{recording.seconds:.0f} s only" + cut_off(recording),
            partly=True,
        )
    return answer("", "")


def bad_share(recording: Recording) -> float:
    """Share of the samples that are no number, or none that a sound can have."""
    channel = recording.channels.get("sound_bad")
    return float(channel.values[0]) / 100.0 if channel is not None and len(channel.values) else 0.0


def _possible(note: Channel, through: NDArray[np.bool_]) -> Channel:
    """Without what no engine's note can be, so that nothing of it reaches the arithmetic, and
    without what was followed through a gap."""
    good = (note.values > 1.0) & (note.values < 1000.0) & through
    if good.all():
        return note
    return Channel(note.name, note.unit, note.time_s[good], note.values[good], note.resolution,
                   note.interval_s)  # fmt: skip


def _silence(recording: Recording) -> str:
    level = recording.channels.get("sound_level")
    if level is None or not len(level.values) or float(np.max(level.values)) < SILENT_DB:
        return "the file is silent"
    return "no note with its multiples stands out of the noise" + cut_off(recording)


def _how_to(recording: Recording) -> str:
    return SETTLE_LOUD if cut_off(recording) else HOW_TO_RECORD


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


def _without_strays(rpm: Array, hop_s: float) -> NDArray[np.bool_]:
    """Which readings lie near the median of the second around them."""
    around = 2 * max(1, round(0.5 * AROUND_S / hop_s)) + 1
    if len(rpm) < around:
        return np.ones(len(rpm), np.bool_)
    padded = np.pad(rpm, around // 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, around), axis=1)
    result: NDArray[np.bool_] = np.abs(rpm - middle) <= STRAY_SHARE * np.abs(middle)
    return result


def _pieces(times: Array, rpm: Array, hop_s: float) -> tuple[tuple[Array, Array], ...]:
    if not len(times):
        return ()
    edges = np.flatnonzero(np.diff(times) > max(GAP_S, 2.2 * hop_s)) + 1
    parts = zip(np.split(times, edges), np.split(rpm, edges), strict=True)
    return tuple((t, v) for t, v in parts if t[-1] - t[0] >= LEAST_PIECE_S)


def _covered(pieces: tuple[tuple[Array, Array], ...], recording: Recording, hop_s: float) -> float:
    """Share of the file, less its ends, in which the note was heard."""
    heard = sum(len(t) * hop_s for t, _ in pieces)
    return min(1.0, heard / max(1.0, recording.seconds - 1.0))


def _second_wander(pieces: tuple[tuple[Array, Array], ...], hop_s: float) -> float:
    """The ordinary standard deviation within a second."""
    own = []
    size = max(2, round(1.0 / hop_s))
    for _, values in pieces:
        whole = len(values) // size
        own += np.std(values[: size * whole].reshape(whole, size), axis=1).tolist()
    return float(np.median(own)) if own else math.inf


def _jumps(pieces: tuple[tuple[Array, Array], ...]) -> float:
    """Mean square of successive differences over the variance: 2 for unlike neighbours, small
    where neighbours are alike, as frames that overlap must be (von Neumann 1941)."""
    steps = np.concatenate([np.diff(v) for _, v in pieces])
    spread = float(np.var(np.concatenate([v for _, v in pieces])))
    return float(np.mean(np.square(steps))) / spread if spread > 0.0 else 0.0


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
