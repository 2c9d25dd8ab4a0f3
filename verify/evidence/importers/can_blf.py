"""Binary bus logs (BLF) → frames, read by python-can (the extra `can`)."""

from __future__ import annotations

import hashlib
import io
import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

import numpy as np

from verify.evidence.importers.can_frames import EXTENDED, MOST_FRAMES, Frames, Log
from verify.evidence.importers.port import missing_extra, refusal


@contextmanager
def _quiet() -> Iterator[None]:
    """The library tells its troubles to the screen; here they come out as refusals or repairs."""
    log = logging.getLogger("can")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.setLevel(level)


def read_blf(stream: BinaryIO, source_name: str) -> Log:
    """All frames of the log. Raises UserError where it is damaged or the extra is missing."""
    try:
        from can.io.blf import BLFReader
    except ImportError:
        raise missing_extra("can", "a bus log in BLF format", source_name) from None
    raw = stream.read()
    times: list[float] = []
    idents: list[int] = []
    buses: list[int] = []
    payloads: list[bytes] = []
    repairs = []
    try:
        with _quiet():
            reader = BLFReader(io.BytesIO(raw))
            for message in reader:  # the library hands out one frame at a time
                times.append(message.timestamp)
                idents.append(message.arbitration_id + (EXTENDED * message.is_extended_id))
                buses.append(message.channel if isinstance(message.channel, int) else 0)
                dropped = message.is_remote_frame or message.is_error_frame
                payloads.append(b"" if dropped else bytes(message.data))
                if len(times) > MOST_FRAMES:
                    break
    except Exception:  # the library raises whatever its parts do
        if not times:
            raise refusal(
                "a BLF file that is cut off or damaged", source_name, next="export the log again"
            ) from None
        repairs.append(f"the log breaks off or is damaged after {len(times)} frames")
    if not times or len(times) > MOST_FRAMES:
        raise refusal(
            "a bus log without frames" if not times else f"more than {MOST_FRAMES} frames",
            source_name,
            next="export the log again" if not times else "cut the log into parts",
        )
    size = np.array([len(p) for p in payloads], dtype=np.int64)
    width = max(8, int(np.max(size)))
    data = np.frombuffer(b"".join(p.ljust(width, b"\0") for p in payloads), dtype=np.uint8)
    frames = Frames(
        np.array(times, dtype=np.float64),
        np.array(idents, dtype=np.int64),
        np.clip(np.array(buses, dtype=np.int64), 0, 0xFFFF),
        size,
        data.reshape(-1, width),
    )
    return Log(frames, hashlib.sha256(raw).hexdigest(), repairs)
