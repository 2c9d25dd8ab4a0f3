"""A text of lines → blocks of lines for pyarrow, without decoding a byte.

Logs of events and frames are read by pattern, a block of some megabytes at a time, so memory does
not grow with the text. Every byte is hashed on its way through.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO, Protocol

import numpy as np

BLOCK_BYTES = 1 << 22
_NEW_LINE = ord("\n")


class Digest(Protocol):
    def update(self, data: bytes, /) -> None: ...


def blocks_of_lines(stream: BinaryIO, digest: Digest) -> Iterator[Any]:
    """pyarrow BinaryArrays, one value a line (with its line end), in the order of the text.

    A line longer than a block comes in parts; nothing that is read here has such lines.
    """
    rest = b""
    first = True
    while True:
        read = stream.read(BLOCK_BYTES)
        digest.update(read)
        data = rest + read
        if first and data.startswith(b"\xef\xbb\xbf"):
            data = data[3:]
        first = False
        if not read:
            if data:
                yield _lines(data)
            return
        end = data.rfind(b"\n") + 1
        if not end:
            end = len(data) if len(data) > BLOCK_BYTES else 0
        rest = data[end:]
        if end:
            yield _lines(data[:end])


def _lines(data: bytes) -> Any:
    import pyarrow as pa

    ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == _NEW_LINE) + 1
    if len(ends) == 0 or ends[-1] != len(data):
        ends = np.append(ends, len(data))
    offsets = np.concatenate(([0], ends)).astype(np.int32)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(data)]
    return pa.Array.from_buffers(pa.binary(), len(ends), buffers)
