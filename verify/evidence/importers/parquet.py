"""Parquet tables as recordings, wide or long: the columns as they stand, their meaning as of CSV.

Units come from the column's name or from its field's own notes ("unit"). What is nested, binary or
text without numbers is left out and told.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, BinaryIO

from verify.evidence.importers.port import MOST_COLUMNS, MOST_ROWS, Layout, refusal
from verify.evidence.importers.table import Table, named_apart
from verify.evidence.importers.table_recording import look_at, table_to_recording
from verify.evidence.recording import Recording

_MAGIC = b"PAR1"
_UNIT_NOTES = (b"unit", b"units", b"Unit", b"Units")
_INDEX = "__index_level_0__"  # how a data frame's nameless index is written


class ParquetImporter:
    """Tables in Apache Parquet."""

    name = "parquet"
    version = 3

    def accepts(self, head: bytes) -> bool:
        return head.startswith(_MAGIC)

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        return look_at(read_table(stream, source_name), source_name)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        table = read_table(stream, source_name)
        return table_to_recording(table, source_name, self, mapping, interval_s)


def read_table(stream: BinaryIO, source_name: str) -> Table:
    """The whole table. The stream is seekable and stands at its start.

    Raises UserError where it is damaged, too big, or holds no column that can be used.
    """
    import pyarrow as pa
    from pyarrow import parquet

    digest = hashlib.sha256()
    while block := stream.read(1 << 20):
        digest.update(block)
    stream.seek(0)
    try:
        with parquet.ParquetFile(stream) as file:
            rows, width = file.metadata.num_rows, len(file.schema_arrow)
            _check_size(rows, width, source_name)
            found = file.read()
            found.validate(full=True)
    except (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError) as error:
        what = "a Parquet file that is cut off or damaged"
        if "encrypt" in str(error).casefold():
            what = "an encrypted Parquet file"
        raise refusal(what, source_name, next="export the recording again") from None
    if found.num_rows != rows or rows == 0:
        what = "a table without data rows" if rows == 0 else "a damaged Parquet file"
        raise refusal(what, source_name, next="export the recording again")
    repairs: list[str] = []
    cells = ["time" if n == _INDEX else n for n in found.column_names]
    headers, doubled = named_apart(cells, repairs)
    columns: dict[str, Any] = {}
    units: list[str] = []
    for header, field, column in zip(headers, found.schema, found.columns, strict=True):
        plain = _plain(column)
        if isinstance(plain, str):
            repairs.append(f"{header}: {plain}, left out")
            continue
        notes = field.metadata or {}
        unit = next((notes[n] for n in _UNIT_NOTES if n in notes), b"").decode("utf-8", "ignore")
        units.append("s" if pa.types.is_duration(column.type) else unit)
        columns[header] = plain
    if not columns:
        raise refusal("a Parquet table without columns of numbers", source_name)
    return Table(tuple(columns), tuple(units), doubled, columns, rows, digest.hexdigest(), repairs)


def _check_size(rows: int, width: int, source_name: str) -> None:
    if rows > MOST_ROWS or width > MOST_COLUMNS:
        raise refusal(
            f"{rows} rows of {width} columns",
            source_name,
            expected=f"at most {MOST_ROWS} rows of {MOST_COLUMNS} columns",
            next="cut the recording into parts, or export fewer channels",
        )


def _plain(column: Any) -> Any:
    """A column as a CSV file would give it, or what keeps it from being one.

    column: pyarrow ChunkedArray of any type; the answer has numbers, text, or times.
    """
    import pyarrow as pa

    types, kind = pa.types, column.type
    if types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if types.is_large_string(kind) or types.is_string_view(kind):
        return column.cast(pa.string())
    if types.is_decimal(kind) or types.is_float16(kind) or types.is_float32(kind):
        return _shortest(column) if types.is_float32(kind) else column.cast(pa.float64())
    if types.is_duration(kind):
        ticks = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}[kind.unit]
        return pa.compute.divide(column.cast(pa.int64()).cast(pa.float64()), ticks)
    usual = (
        types.is_integer(kind) or types.is_floating(kind) or types.is_string(kind)
        or types.is_boolean(kind) or types.is_timestamp(kind) or types.is_time(kind)
        or types.is_null(kind)
    )  # fmt: skip
    if usual:
        return column
    return "nested values" if types.is_nested(kind) else f"values of type {kind}"


def _shortest(column: Any) -> Any:
    """Single-precision numbers as the decimals they were written from: 14.1, not 14.1000003.

    Otherwise the steps between the levels of a channel look finer than they are.
    """
    import pyarrow as pa

    return column.cast(pa.string()).cast(pa.float64())
