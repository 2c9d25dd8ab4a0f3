"""RIFF WAVE files, block by block: the one format that is read without any library.

Stands apart from `stream` because it is all about one container. Layout: Multimedia Programming
Interface and Data Specifications 1.0 (1991), "WAVE"; WAVE_FORMAT_EXTENSIBLE: its sub-format begins
with the same tag (from memory).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
UNKNOWN_SIZES = (0, 0xFFFFFFFF)


@dataclass(frozen=True, slots=True)
class WaveLayout:
    """begin: where the samples start; frames: how many there are (bytes that are missing at the
    end are not counted); told_frames: how many the head promises (None where it does not say)."""

    tag: int
    channels: int
    rate: int
    bits: int
    begin: int
    frames: int
    told_frames: int | None

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.bits // 8


class NotWave(ValueError):
    """What the file is instead, in words that stand behind "found"."""


def wave_layout(stream: BinaryIO) -> WaveLayout:
    """Reads the head. Raises NotWave with plain words for whatever cannot be read."""
    size = stream.seek(0, 2)
    stream.seek(0)
    head = stream.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        raise NotWave("a head that is cut off or no WAVE head")
    form: tuple[int, int, int, int] | None = None
    place = 12
    while place + 8 <= size:
        stream.seek(place)
        name, length = struct.unpack("<4sI", stream.read(8))
        place += 8
        if name == b"fmt ":
            form = _form(stream.read(min(length, 64)))
        elif name == b"data":
            if form is None:
                raise NotWave("samples before their description")
            tag, channels, rate, bits = form
            step = channels * bits // 8
            rest = size - place
            told = None if length in UNKNOWN_SIZES else length // step
            return WaveLayout(
                tag, channels, rate, bits, place,
                rest // step if told is None else min(told, rest // step), told,
            )  # fmt: skip
        place += length + (length & 1)
    raise NotWave("a head without samples behind it")


def _form(raw: bytes) -> tuple[int, int, int, int]:
    if len(raw) < 16:
        raise NotWave("a head that is cut off")
    tag, channels, rate, _, _, bits = struct.unpack("<HHIIHH", raw[:16])
    if tag == EXTENSIBLE and len(raw) >= 26:
        tag = struct.unpack("<H", raw[24:26])[0]
    if channels == 0 or rate == 0:
        raise NotWave("a head that says no channels or no rate")
    if not ((tag == PCM and bits in (8, 16, 24, 32)) or (tag == FLOAT and bits in (32, 64))):
        raise NotWave(f"samples in a coding of their own (tag {tag}, {bits} bits)")
    return tag, channels, rate, bits


def wave_blocks(
    stream: BinaryIO, layout: WaveLayout, block_frames: int
) -> Iterator[NDArray[np.float32]]:
    """Mono blocks of at most `block_frames`, as float32 in ±1; NaN and infinities as they are."""
    stream.seek(layout.begin)
    left = layout.frames
    while left > 0:
        raw = stream.read(min(block_frames, left) * layout.frame_bytes)
        frames = len(raw) // layout.frame_bytes
        if frames == 0:
            return
        left -= frames
        samples = _numbers(raw[: frames * layout.frame_bytes], layout)
        if layout.channels == 1:
            yield samples
        else:
            yield samples.reshape(frames, layout.channels).mean(axis=1, dtype=np.float32)


def _numbers(raw: bytes, layout: WaveLayout) -> NDArray[np.float32]:
    if layout.tag == FLOAT:
        kind = "<f4" if layout.bits == 32 else "<f8"
        with np.errstate(over="ignore", invalid="ignore"):
            return np.frombuffer(raw, kind).astype(np.float32)
    if layout.bits == 8:
        return (np.frombuffer(raw, np.uint8).astype(np.float32) - 128.0) / np.float32(128.0)
    if layout.bits == 16:
        return np.frombuffer(raw, "<i2").astype(np.float32) / np.float32(32768.0)
    if layout.bits == 32:
        return np.frombuffer(raw, "<i4").astype(np.float32) / np.float32(2147483648.0)
    three = np.frombuffer(raw, np.uint8).reshape(-1, 3)
    wide = np.zeros((len(three), 4), np.uint8)
    wide[:, 1:] = three
    return wide.view("<i4")[:, 0].astype(np.float32) / np.float32(2147483648.0)
