"""What a sound looks like: a spectrogram small enough to draw, the speed that was followed, clicks.

For plots alone, so it reads the file once more; no verdict rests on it. Streams: what is kept is
the picture itself, whatever the length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array, Recording
from verify.evidence.sound.speed import speed_by_ear
from verify.evidence.sound.stream import SoundStream, open_sound

# A frame in which single clicks can be seen; the multiples of an engine's firing want about 0.35 s.
FRAME_S = 0.085
LOWEST_HZ, HIGHEST_HZ = 20.0, 8000.0
# Below this there is nothing to see: a picture of quieter cells would show noise as structure.
RANGE_DB = 70.0


@dataclass(frozen=True, slots=True, eq=False)
class SoundPicture:
    """time_s: shape (n,), middles of the columns; hz: shape (m,), middles of the rows, in equal
    ratios; level_db: shape (m, n), mean power of each cell from −RANGE_DB to 0, which is the
    loudest (a telephone's own level means nothing). speed: (times, rpm) of the stretches that were
    followed, () where no engine is heard or cylinders are not known; lack: why it is no
    measurement, "" where it is one. sure: probability of its octave. clicks_s, key_on_s: when it
    clicked, and when the key was told to be turned on.
    """

    time_s: Array
    hz: Array
    level_db: Array
    speed: tuple[tuple[Array, Array], ...]
    lack: str
    sure: float
    clicks_s: Array
    key_on_s: Array


def sound_picture(
    stream: BinaryIO,
    recording: Recording,
    cylinders: int | None = None,
    *,
    columns: int = 600,
    rows: int = 120,
    frame_s: float = FRAME_S,
    from_s: float = 0.0,
    to_s: float | None = None,
) -> SoundPicture:
    """The picture of a sound, or of a stretch of it.

    stream: the file that `recording` was read from, seekable, at its start. columns, rows: at most;
    a short stretch has fewer columns. frame_s: how long each spectrum is. Raises UserError where
    the bytes are no sound, ValueError for a stretch that is none.
    """
    end = recording.seconds if to_s is None else min(to_s, recording.seconds)
    if not 0.0 <= from_s < end:
        raise ValueError("a stretch must begin within the sound and before its own end")
    sound = open_sound(stream, recording.source_name)
    power, middles = _columns(sound, from_s, end, columns, frame_s)
    hz, cells = _rows(power, sound.rate, rows)
    level = 10.0 * np.log10(np.maximum(cells, 1e-20))
    top = float(level.max()) if level.size else 0.0
    level = np.clip(level - top, -RANGE_DB, 0.0) if top > -190.0 else np.full_like(level, -RANGE_DB)
    heard = None if cylinders is None else speed_by_ear(recording, cylinders)
    return SoundPicture(
        middles,
        hz,
        level,
        () if heard is None else tuple(
            (t, v) for t, v in (_within(t, from_s, end, v) for t, v in heard.pieces) if len(t)
        ),
        "the number of cylinders is not known" if heard is None else heard.why,
        0.0 if heard is None else heard.sure,
        _times(recording, "click", from_s, end),
        _times(recording, "key_on", from_s, end),
    )  # fmt: skip


def _columns(
    sound: SoundStream, from_s: float, end_s: float, columns: int, frame_s: float
) -> tuple[NDArray[np.float64], Array]:
    """(mean power, shape (bins, n), middles of the n columns in seconds)."""
    size = int(2 ** np.round(np.log2(frame_s * sound.rate)))
    hop = size // 2
    count = max(1, min(columns, int((end_s - from_s) * sound.rate / hop)))
    window = np.hanning(size).astype(np.float32)
    total = np.zeros((size // 2 + 1, count))
    frames = np.zeros(count)
    rest, first = np.zeros(0, np.float32), 0  # samples not yet used, and the place of the first
    for block in sound.blocks:
        rest = np.concatenate([rest, block])
        many = (len(rest) - size) // hop + 1
        if many <= 0:
            continue
        parts = np.lib.stride_tricks.sliding_window_view(rest, size)[: many * hop : hop]
        at = (first + np.arange(many) * hop + size / 2) / sound.rate
        column = np.floor((at - from_s) / (end_s - from_s) * count).astype(np.int64)
        good = (column >= 0) & (column < count)
        if good.any():
            power = np.square(np.abs(np.fft.rfft(parts[good] * window, axis=1)))
            np.add.at(total.T, column[good], power)
            frames += np.bincount(column[good], minlength=count)
        rest, first = rest[many * hop :], first + many * hop
        if first / sound.rate > end_s:
            break
    middles: Array = from_s + (np.arange(count) + 0.5) * (end_s - from_s) / count
    have = frames > 0
    mean = total[:, have] / frames[have]
    return mean / (float(np.sum(window)) / 2.0) ** 2, middles[have]


def _rows(power: NDArray[np.float64], rate: int, rows: int) -> tuple[Array, NDArray[np.float64]]:
    """(middles of rows in equal ratios of frequency, mean power in each of them)."""
    bins = power.shape[0]
    top = min(HIGHEST_HZ, rate / 2.0)
    edges = LOWEST_HZ * (top / LOWEST_HZ) ** (np.arange(rows + 1) / rows)
    bin_hz = rate / 2.0 / (bins - 1)
    low = np.clip(np.round(edges[:-1] / bin_hz).astype(np.int64), 0, bins - 1)
    high = np.clip(np.round(edges[1:] / bin_hz).astype(np.int64), low + 1, bins)
    sums = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)])
    cells = (sums[high] - sums[low]) / (high - low)[:, None]
    middles: Array = np.sqrt(edges[:-1] * edges[1:])
    return middles, cells


def _within(times: Array, from_s: float, end_s: float, values: Array) -> tuple[Array, Array]:
    inside = (times >= from_s) & (times <= end_s)
    return times[inside], values[inside]


def _times(recording: Recording, name: str, from_s: float, end_s: float) -> Array:
    channel = recording.channels.get(name)
    if channel is None:
        return np.zeros(0)
    return channel.time_s[(channel.time_s >= from_s) & (channel.time_s <= end_s)]
