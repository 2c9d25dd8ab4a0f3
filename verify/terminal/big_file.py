"""What is set before a long recording is read: memory that was freed is kept for the next array.

The C library gives large blocks back to the system at once. To be handed the same memory again,
page by page and wiped, takes longer than most sums over a million readings. And threads take turns
with one store, so that one finds what another has freed.
"""

from __future__ import annotations

import io
from typing import BinaryIO

BIG_BYTES = 8 << 20
# Numbers of glibc's malloc.h. No array of a recording that is accepted is larger than the first.
_MMAP_THRESHOLD, _TRIM_THRESHOLD, _ARENA_MAX = -3, -1, -8
_LARGEST, _LARGEST_OF_OLD = 1 << 30, 32 << 20


def keep_memory(stream: BinaryIO) -> None:
    """For the rest of the process, where the file is big. The stream is left at its start.

    Does nothing with a C library other than glibc.
    """
    if not stream.seekable():
        return
    size = stream.seek(0, io.SEEK_END)
    stream.seek(0)
    if size < BIG_BYTES:
        return
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    if mallopt(_MMAP_THRESHOLD, _LARGEST) or mallopt(_MMAP_THRESHOLD, _LARGEST_OF_OLD):
        mallopt(_TRIM_THRESHOLD, _LARGEST)
        mallopt(_ARENA_MAX, 1)
