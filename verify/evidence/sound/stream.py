"""A file of sound as mono blocks of a second: the only place that knows formats.

WAVE files are read here, whatever else phones write by a library (the extra `sound`), which gets
the open stream and the container's name, never a path: so no file can make it open another one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from verify.errors import UserError
from verify.evidence.sound.wave import NotWave, wave_blocks, wave_layout

LEAST_RATE, MOST_RATE = 8_000, 96_000
MOST_CHANNELS = 8
MOST_SECONDS = 3600.0
# Sounds this loud are none of a sound card; they would only spoil the arithmetic.
LOUDEST = 8.0
EXPECTED = (
    "a sound file as telephones write it (WAV; with the extra “sound” also m4a, 3gp, mp3, ogg, "
    "flac), 8 to 48 kHz, at most an hour"
)

# (place, bytes) → name of the container for the library that reads it.
_CONTAINERS: tuple[tuple[int, bytes, str], ...] = (
    (4, b"ftyp", "mp4"),
    (0, b"fLaC", "flac"),
    (0, b"OggS", "ogg"),
    (0, b"ID3", "mp3"),
    (0, b"#!AMR", "amr"),
    (0, b"caff", "caf"),
    (0, b"FORM", "aiff"),
    (0, b"\x1aE\xdf\xa3", "matroska"),
    # Twelve bits to find a frame by, the version, layer 0 (AAC), with a check sum or without.
    *((0, bytes([0xFF, own]), "aac") for own in (0xF0, 0xF1, 0xF8, 0xF9)),
    # Eleven bits, then the version (MPEG-1, MPEG-2, and MPEG-2.5 of 8 to 12 kHz), layer III.
    *((0, bytes([0xFF, own]), "mp3") for own in (0xFA, 0xFB, 0xF2, 0xF3, 0xE2, 0xE3)),
)
# Versions of the tag that may stand before an MP3; a table's first header may begin with its
# letters.
_TAGS = (b"\x02", b"\x03", b"\x04")


@dataclass
class SoundStream:
    """An opened file. While the blocks are read grow: repairs, what was mended, in sentences; bad,
    how many samples are no number, or none that a sound can have."""

    name: str
    container: str
    rate: int
    blocks: Iterator[NDArray[np.float32]]
    repairs: list[str] = field(default_factory=list)
    bad: int = 0


def container_of(head: bytes) -> str:
    """ "wav", the name of another container, or "" where the bytes are no sound."""
    if head[:4] in (b"RIFF", b"RF64"):
        # A head cut off before it says what it holds is called what it may have been.
        return "wav" if b"WAVE".startswith(head[8:12]) else ""
    for place, mark, name in _CONTAINERS:
        if head[place : place + len(mark)] == mark:
            if place == 4 and head[8:12] in (b"heic", b"mif1", b"avif", b"heix"):
                return ""
            if mark == b"FORM" and head[8:12] not in (b"AIFF", b"AIFC"):
                return ""
            if mark == b"ID3" and head[3:4] not in _TAGS:
                return ""
            return name
    return ""


def open_sound(stream: BinaryIO, name: str) -> SoundStream:
    """Opens a seekable stream that stands at its start. Raises UserError for what is no sound."""
    head = stream.read(64)
    stream.seek(0)
    kind = container_of(head)
    if not kind:
        raise _refused("a file that is no sound", name)
    opened = _open_wave(stream, name) if kind == "wav" else _open_other(stream, name, kind)
    opened.blocks = _guarded(opened.blocks, opened)
    return opened


def _refused(found: str, name: str, next: str = "") -> UserError:
    from verify.evidence.importers.port import refusal

    advice = next or "record again with the telephone's own recorder and give that file"
    return refusal(found, name, expected=EXPECTED, next=advice)


def _check_form(rate: int, channels: int, name: str) -> None:
    if not LEAST_RATE <= rate <= MOST_RATE:
        raise _refused(f"a sound of {rate} samples a second", name)
    if not 1 <= channels <= MOST_CHANNELS:
        raise _refused(f"a sound of {channels} channels", name, "save it as mono or stereo")


def _open_wave(stream: BinaryIO, name: str) -> SoundStream:
    try:
        layout = wave_layout(stream)
    except NotWave as error:
        if "coding of their own" in str(error):
            stream.seek(0)
            return _open_other(stream, name, "wav")
        raise _refused(f"a sound file with {error}", name) from None
    _check_form(layout.rate, layout.channels, name)
    if layout.frames == 0:
        raise _refused("a sound file without a single sample", name)
    if layout.frames > MOST_SECONDS * layout.rate:
        raise _too_long(name)
    opened = SoundStream(name, "wav", layout.rate, wave_blocks(stream, layout, layout.rate))
    if layout.told_frames is not None and layout.told_frames > layout.frames:
        missing = (layout.told_frames - layout.frames) / layout.rate
        opened.repairs.append(f"the file is cut off: {missing:.1f} s that its head tells are gone")
    return opened


def _too_long(name: str) -> UserError:
    return _refused("a sound of more than an hour", name, "cut out the minutes that matter")


def _open_other(stream: BinaryIO, name: str, kind: str) -> SoundStream:
    try:
        import av
    except ImportError:
        from verify.evidence.importers.port import missing_extra

        raise missing_extra("sound", f"a sound file ({kind})", name) from None
    try:
        container = av.open(stream, mode="r", format=kind, metadata_errors="ignore")
    except Exception:
        raise _refused("a sound file that cannot be read", name) from None
    try:
        if not container.streams.audio:
            raise _refused("a film or container without sound", name)
        sound = container.streams.audio[0]
        rate, channels = int(sound.rate or 0), int(sound.channels or 0)
        _check_form(rate, channels, name)
    except UserError:
        container.close()
        raise
    except Exception:
        container.close()
        raise _refused("a sound file that cannot be read", name) from None
    repairs: list[str] = []
    return SoundStream(name, kind, rate, _decoded(container, sound, rate, repairs), repairs)


def _decoded(
    container: object, sound: object, rate: int, repairs: list[str]
) -> Iterator[NDArray[np.float32]]:
    import av

    # The library's own mono is louder than the ears it is made of; theirs is the mean, as in WAV.
    same = av.AudioResampler(format="flt", rate=rate)
    waiting: list[NDArray[np.float32]] = []
    count = given = 0
    try:
        for frame in container.decode(sound):  # type: ignore[attr-defined]
            for one in same.resample(frame):
                both = one.to_ndarray().reshape(-1, one.layout.nb_channels)
                part = both.mean(axis=1, dtype=np.float32)
                waiting.append(part)
                count += len(part)
            if count >= rate:
                yield np.concatenate(waiting)
                given += count
                waiting, count = [], 0
    except av.error.EOFError:
        pass
    except Exception:
        # What was heard before the damage stands; a file that gives nothing is refused elsewhere.
        repairs.append(
            f"the file is damaged after {(given + count) / rate:.1f} s: what stood behind is gone"
        )
    finally:
        container.close()  # type: ignore[attr-defined]
    if waiting:
        yield np.concatenate(waiting)


def _guarded(
    blocks: Iterator[NDArray[np.float32]], opened: SoundStream
) -> Iterator[NDArray[np.float32]]:
    """Finite blocks within bounds, at most an hour of them."""
    total = 0
    for block in blocks:
        total += len(block)
        if total > MOST_SECONDS * opened.rate + opened.rate:
            raise _too_long(opened.name)
        wrong = ~(np.abs(block) <= LOUDEST)
        if wrong.any():
            opened.bad += int(np.count_nonzero(wrong))
            block = np.where(wrong, np.float32(0.0), block)
        yield block
    if opened.bad:
        opened.repairs.append(
            f"{opened.bad} of {total} samples are no sound (not a number, or far too large) and "
            "count as silence"
        )
