"""Sounds as files: WAV by the standard library, what telephones write by the library of the extra.

Decoders and encoders are the same library's, so what is lost on the way is a codec's own.
"""

from __future__ import annotations

import io
import struct
import wave
from typing import Any

import numpy as np

from tests.engines_heard.engine import Array
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording

TOLD = {"(told)": "warm, standing, released"}


def wav(sound: Array, rate: int = 44_100, channels: int = 1) -> bytes:
    """16 bits; the same sound in each channel."""
    out = io.BytesIO()
    with wave.open(out, "wb") as made:
        made.setnchannels(channels)
        made.setsampwidth(2)
        made.setframerate(rate)
        steps = np.round(np.clip(sound, -1.0, 1.0) * 32767.0).astype("<i2")
        made.writeframes(np.repeat(steps, channels).tobytes())
    return out.getvalue()


def riff(
    raw: bytes, *, tag: int = 1, channels: int = 1, rate: int = 8000, bits: int = 16,
    told: int | None = None, before: bytes = b"",
) -> bytes:  # fmt: skip
    """A WAVE file by hand. told: how many bytes of samples the head promises; before: chunks in
    front of the samples."""
    step = channels * bits // 8
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * step, step & 0xFFFF, bits)
    length = len(raw) if told is None else told
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + before
    body += b"data" + struct.pack("<I", length) + raw
    return b"RIFF" + struct.pack("<I", (len(body)) & 0xFFFFFFFF) + body


def encoded(
    sound: Array, rate: int, *, container: str, codec: str, stereo: bool = False, film: bool = False
) -> bytes:
    """The sound in a container as telephones write it. film: with pictures beside it."""
    import av

    out = io.BytesIO()
    with av.open(out, "w", format=container) as made:
        stream: Any = made.add_stream(codec, rate=rate)
        stream.layout = "stereo" if stereo else "mono"
        pictures: Any = None
        if film:
            pictures = made.add_stream("mpeg4", rate=5)
            pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
            for number in range(int(len(sound) / rate * 5)):
                frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
                frame.pts = number
                made.mux(pictures.encode(frame))
        mono = np.clip(sound, -1.0, 1.0).astype(np.float32)
        same = av.AudioResampler(stream.format.name, stream.layout.name, rate)
        layout = "stereo" if stereo else "mono"
        rows = np.stack([mono] * (2 if stereo else 1))
        whole = av.AudioFrame.from_ndarray(np.ascontiguousarray(rows), format="fltp", layout=layout)
        whole.sample_rate, whole.pts = rate, 0
        fifo = av.AudioFifo()
        for part in same.resample(whole):
            fifo.write(part)
        size = stream.codec_context.frame_size or 1024
        while (part := fifo.read(size, partial=True)) is not None:
            made.mux(stream.encode(part))
            if fifo.samples == 0:
                break
        made.mux(stream.encode(None))
        if pictures is not None:
            made.mux(pictures.encode(None))
    return out.getvalue()


def read(raw: bytes, mapping: dict[str, str] | None = None, name: str = "a sound") -> Recording:
    return read_recording(io.BytesIO(raw), name, mapping=mapping)


def heard(sound: Array, rate: int = 44_100, mapping: dict[str, str] | None = None) -> Recording:
    """As the importer reads it from a WAV file; all told that an idle must be."""
    return read(wav(sound, rate), TOLD if mapping is None else mapping)
