"""Cells of pyarrow as numpy numbers, straight from their buffers.

Below `table` and `table_times`. pyarrow's own way would load its library of functions, and pandas
where that is installed; for plain numbers neither is needed, and loading them takes longer than
judging an hour.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from verify.evidence.columns import LONG_ROWS
from verify.evidence.genuine import Array

_PLAIN = {"double": np.float64, "float": np.float32, "int8": np.int8, "int16": np.int16,
          "int32": np.int32, "int64": np.int64, "uint8": np.uint8, "uint16": np.uint16,
          "uint32": np.uint32, "uint64": np.uint64}  # fmt: skip


def floats(column: Any, less: int = 0) -> Array:
    """Numbers of a pyarrow Array or ChunkedArray, shape (n,); NaN where a cell is blank.

    less: taken off whole numbers before they become floats, so that large ones keep their digits.
    Anything that is neither whole nor floating is cast first. Raises what pyarrow's cast raises.
    """
    kind = _PLAIN.get(str(column.type))
    if kind is None:
        import pyarrow as pa

        column, kind = column.cast(pa.float64()), np.float64
    chunks = column.chunks if hasattr(column, "chunks") else [column]
    parts = [_of(chunk, kind, less) for chunk in chunks]
    return np.concatenate(parts) if parts else np.empty(0)


def release_unused(rows: int) -> None:
    """Gives back what pyarrow keeps of a long table, where its columns are all taken over."""
    if rows >= LONG_ROWS:
        import pyarrow as pa

        pa.default_memory_pool().release_unused()


def _of(chunk: Any, kind: Any, less: int) -> Array:
    n, offset = len(chunk), chunk.offset
    known, data = chunk.buffers()
    if n == 0 or data is None:
        return np.full(n, np.nan)
    values = np.frombuffer(data, dtype=kind, count=n + offset)[offset:]
    if less:
        # Without a sign the difference of two close numbers would turn over.
        values = values.astype(np.int64) - less if less < 2**63 else values - kind(less)
    numbers: Array = values.astype(np.float64, copy=False)
    if known is None or not chunk.null_count:
        return numbers
    bits = np.frombuffer(known, dtype=np.uint8)
    there = np.unpackbits(bits, bitorder="little")[offset : offset + n].astype(bool)
    return np.where(there, numbers, np.nan)
