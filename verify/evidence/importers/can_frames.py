"""Frames of a CAN bus as arrays, and the digits of a text as bytes.

Where the readers of all bus logs meet (`can_text`, `can_table`, `can_blf`, `mdf`); `can_answers`
reads nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence.genuine import Array, Rows

Bytes = NDArray[np.uint8]

EXTENDED = 1 << 31  # added to a 29-bit identifier, so that it never equals an 11-bit one
MOST_FRAMES = 20_000_000
_NO_DIGIT = 255
_DIGITS = np.full(256, _NO_DIGIT, dtype=np.uint8)
for _sign in "0123456789abcdefABCDEF":
    _DIGITS[ord(_sign)] = int(_sign, 16)


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """time_s, ident, bus, size: shape (n,); data: shape (n, w), `size` bytes of each row are real.

    ident: with `EXTENDED` added where it has 29 bits. bus: a number for each bus of the log.
    """

    time_s: Array
    ident: Rows
    bus: Rows
    size: Rows
    data: Bytes

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(slots=True)
class Log:
    """What a reader found: frames, the log's sum over all bytes, and what there is to tell."""

    frames: Frames
    sha256: str
    repairs: list[str] = field(default_factory=list)


def joined(parts: Sequence[Frames]) -> Frames:
    """The frames of all parts, one after the other."""
    width = max((p.data.shape[1] for p in parts), default=8)
    wide = [np.pad(p.data, ((0, 0), (0, width - p.data.shape[1]))) for p in parts]
    if not parts:
        nothing = np.empty(0, dtype=np.int64)
        return Frames(np.empty(0), nothing, nothing, nothing, np.empty((0, width), np.uint8))
    return Frames(
        np.concatenate([p.time_s for p in parts]),
        np.concatenate([p.ident for p in parts]),
        np.concatenate([p.bus for p in parts]),
        np.concatenate([p.size for p in parts]),
        np.concatenate(wide),
    )


def digits_to_bytes(cells: Any) -> tuple[Bytes, Rows]:
    """(bytes, shape (n, w); how many of each row are real) of cells such as "03 41 0C".

    cells: pyarrow array of binary or text, null for none. Signs that are no digits are passed over;
    a digit without a partner at the end of a cell counts as no byte.
    """
    flat, edges = _flat(cells)
    value = _DIGITS[flat]
    digit = value != _NO_DIGIT
    upto = np.concatenate(([0], np.cumsum(digit)))
    counts = np.diff(upto[edges])
    digits = value[digit]
    odd = counts % 2 == 1
    if np.any(odd):
        keep = np.ones(len(digits), dtype=bool)
        keep[np.cumsum(counts)[odd] - 1] = False
        digits = digits[keep]
    return _rows(digits[0::2] << 4 | digits[1::2], counts // 2)


_SIXTY_FOUR = np.full(256, _NO_DIGIT, dtype=np.uint8)
for _place, _sign in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"):
    _SIXTY_FOUR[ord(_sign)] = _place


def base64_to_bytes(cells: Any) -> tuple[Bytes, Rows]:
    """As `digits_to_bytes`, of cells in base 64 (RFC 4648, 4); what is no such cell gives none."""
    flat, edges = _flat(cells)
    value = _SIXTY_FOUR[flat]
    sign = value != _NO_DIGIT
    upto = np.concatenate(([0], np.cumsum(sign)))
    counts = np.diff(upto[edges])
    good = (np.diff(edges) % 4 == 0) & (counts % 4 != 1)
    signs = value[sign][np.repeat(good, counts)].astype(np.uint32)
    counts = np.where(good, counts, 0)
    # Each cell on its own multiple of four signs, filled with zeros as its "=" say.
    room = -(-counts // 4) * 4
    starts = np.cumsum(room) - room
    spaced = np.zeros(int(np.sum(room)), dtype=np.uint32)
    within = np.arange(len(signs)) - np.repeat(np.cumsum(counts) - counts, counts)
    spaced[np.repeat(starts, counts) + within] = signs
    fours = spaced.reshape(-1, 4)
    words = fours[:, 0] << 18 | fours[:, 1] << 12 | fours[:, 2] << 6 | fours[:, 3]
    three = np.stack((words >> 16, words >> 8, words), axis=1).astype(np.uint8)
    data, _ = _rows(three.reshape(-1), room // 4 * 3)
    return data, counts * 3 // 4


def _flat(cells: Any) -> tuple[Bytes, Rows]:
    """All bytes of the cells in a row, and where each cell begins and ends in them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    filled = pc.fill_null(cells.cast(pa.binary()), b"")
    _, offsets, data = filled.buffers()
    n = len(filled)
    edges = np.frombuffer(offsets, dtype=np.int32)[filled.offset : filled.offset + n + 1]
    flat = np.frombuffer(data, dtype=np.uint8) if data is not None else np.empty(0, np.uint8)
    return flat[edges[0] : edges[-1]], (edges - edges[0]).astype(np.int64)


def _rows(data: Bytes, sizes: Rows) -> tuple[Bytes, Rows]:
    width = max(8, int(np.max(sizes, initial=0)))
    wide = np.zeros((len(sizes), width), dtype=np.uint8)
    row = np.repeat(np.arange(len(sizes)), sizes)
    column = np.arange(len(data)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    wide[row, column] = data
    return wide, np.asarray(sizes, dtype=np.int64)


def identifiers(cells: Any) -> Rows:
    """Numbers of identifiers in hexadecimal digits, at most eight of them (-1 for more or none)."""
    flat, edges = _flat(cells)
    value = _DIGITS[flat]
    digit = value != _NO_DIGIT
    upto = np.concatenate(([0], np.cumsum(digit)))
    counts = np.diff(upto[edges])
    behind = np.repeat(np.cumsum(counts), counts) - np.arange(1, int(np.sum(counts)) + 1)
    usable = (counts > 0) & (counts <= 8)
    shifted = value[digit].astype(np.int64) << (4 * np.minimum(behind, 8))
    total = np.bincount(np.repeat(np.arange(len(counts)), counts), shifted, len(counts))
    return np.where(usable, total.astype(np.int64), -1)
