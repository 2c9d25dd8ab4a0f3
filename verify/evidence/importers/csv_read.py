"""The bytes of a CSV file as columns of pyarrow.

Between the sniffer, which says how the file is written, and the importer, which says what its
columns mean. Every byte is hashed on its way through; nothing is kept twice.
"""

from __future__ import annotations

import codecs
import hashlib
import io
from typing import Any, BinaryIO

import numpy as np

from verify.errors import UserError
from verify.evidence.importers.csv_sniff import Dialect, sniff
from verify.evidence.importers.port import HEAD_BYTES, MOST_ROWS, refusal
from verify.evidence.importers.table import NULL_WORDS, Table

_MOST_RAGGED = 1000
_NEW_LINE = ord("\n")


class _Tap(io.RawIOBase):
    """Hands a file on as UTF-8 without its first lines, and hashes what comes by."""

    def __init__(self, stream: BinaryIO, dialect: Dialect) -> None:
        super().__init__()
        self._stream = stream
        self._left_out = dialect.skip
        self._digest = hashlib.sha256()
        self._decoder = (
            None
            if dialect.encoding == "utf-8"
            else codecs.getincrementaldecoder(dialect.encoding)("strict")
        )
        self._ended = False
        self.last = b""
        self.lines = 0
        self._digest.update(stream.read(dialect.bom))

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        while not self._ended:
            block = self._stream.read(size if size and size > 0 else 1 << 20)
            self._ended = not block
            self._digest.update(block)
            if self._decoder is not None:
                block = self._decoder.decode(block, final=self._ended).encode("utf-8")
            if self._left_out:
                dropped = min(self._left_out, len(block))
                self._left_out -= dropped
                block = block[dropped:]
            if block:
                self.last = block[-1:]
                self.lines += int(
                    np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == _NEW_LINE)
                )
                return block
        return b""

    def sha256(self) -> str:
        while not self._ended:
            self.read(1 << 20)
        return self._digest.hexdigest()


def read_table(stream: BinaryIO, source_name: str) -> Table:
    """The whole table. The stream is seekable and stands at its start.

    Raises UserError where it is no table, or broken in more places than a cut-off end explains.
    """
    dialect = sniff(stream.read(HEAD_BYTES), source_name)
    try:
        return _read_typed(stream, source_name, dialect)
    except UnicodeDecodeError:
        stream.seek(0)
        dialect = sniff(stream.read(HEAD_BYTES), source_name, utf8=False)
    try:
        return _read_typed(stream, source_name, dialect)
    except UnicodeDecodeError:
        found = "bytes that are neither UTF-8, UTF-16 nor Windows text"
        raise refusal(found, source_name) from None


class _NotPlain(Exception):
    """A column that began with numbers holds something else further down."""


def _read_typed(stream: BinaryIO, source_name: str, dialect: Dialect) -> Table:
    """Reads columns that begin with numbers as numbers, and looks closer where that fails.

    Saying the type halves the peak memory: otherwise pyarrow keeps all text until it has seen the
    last row.
    """
    try:
        return _read(stream, source_name, dialect, dialect.kinds)
    except _NotPlain:
        return _read(stream, source_name, dialect, ("",) * len(dialect.headers))


def _read(stream: BinaryIO, source_name: str, dialect: Dialect, kinds: tuple[str, ...]) -> Table:
    import pyarrow as pa
    from pyarrow import csv

    ragged: list[tuple[int, str]] = []

    def odd_row(row: Any) -> str:
        ragged.append((row.actual_columns, row.text[:200]))
        return "skip" if len(ragged) <= _MOST_RAGGED else "error"

    types = {"number": pa.float64(), "clock": pa.string()}
    stream.seek(0)
    tap = _Tap(stream, dialect)
    try:
        with pa.PythonFile(tap, mode="r") as source:
            table = csv.read_csv(
                source,
                read_options=csv.ReadOptions(column_names=list(_places(dialect))),
                parse_options=csv.ParseOptions(
                    delimiter=dialect.delimiter, invalid_row_handler=odd_row
                ),
                convert_options=csv.ConvertOptions(
                    column_types={str(i): types[kind] for i, kind in enumerate(kinds) if kind},
                    null_values=list(NULL_WORDS),
                    strings_can_be_null=True,
                    quoted_strings_can_be_null=True,
                    decimal_point=dialect.decimal,
                ),
            )
            digest = tap.sha256()
    except pa.ArrowInvalid as error:
        if "conversion error to double" in str(error):
            raise _NotPlain from None
        if "UTF8" in str(error) or "UTF-8" in str(error):
            raise UnicodeDecodeError("utf-8", b"", 0, 1, str(error)) from None
        raise _broken(str(error), ragged, source_name) from None
    if any(pa.types.is_binary(c.type) for c in table.columns):
        raise UnicodeDecodeError("utf-8", b"", 0, 1, "a column that is no UTF-8")
    columns = dict(zip(dialect.headers, table.columns, strict=True))
    rows = table.num_rows
    if rows == 0:
        raise refusal("a table without data rows", source_name)
    if rows > MOST_ROWS:
        raise refusal(
            f"{rows} rows",
            source_name,
            expected=f"at most {MOST_ROWS}",
            next="cut the recording into parts",
        )
    repairs = list(dialect.repairs)
    if len(ragged) > max(3, rows // 20):
        raise _broken("", ragged, source_name)
    lost = tap.lines + (tap.last not in (b"\n", b"\r")) - rows - len(ragged)
    if lost > 0 and tap.lines:
        repairs.append(f"{lost} lines that are blank or inside a quoted cell passed over")
    cut_off = tap.last not in (b"\n", b"\r")
    if cut_off and not ragged:
        columns, blanked = _without_last_cell(columns)
        if blanked:
            repairs.append("the last line has no end: its last cell may be cut off, left out")
    if ragged:
        repairs.append(_told_ragged(ragged, len(columns), cut_off))
    return Table(dialect.headers, dialect.units, dialect.doubled, columns, rows, digest, repairs)


def _places(dialect: Dialect) -> list[str]:
    return [str(i) for i in range(len(dialect.headers))]


def _broken(error: str, ragged: list[tuple[int, str]], source_name: str) -> UserError:
    if ragged:
        found = f"{len(ragged)} rows with another number of cells than the header"
    elif "straddling" in error:
        found = "a row longer than a megabyte"
    else:
        found = "a table that breaks off in a quoted cell or is damaged in another way"
    return refusal(found, source_name, next="export the recording again")


def _told_ragged(ragged: list[tuple[int, str]], width: int, cut_off: bool) -> str:
    if len(ragged) == 1 and cut_off and ragged[0][0] < width:
        return "the last line is cut off: left out"
    count = f"{len(ragged)} row" + ("s" if len(ragged) > 1 else "")
    return f"{count} with another number of cells than the header left out"


def _without_last_cell(columns: dict[str, Any]) -> tuple[dict[str, Any], bool]:
    """The columns with the very last cell of the file blank: "14.5" may have lost its end."""
    import pyarrow as pa

    name = list(columns)[-1]
    column = columns[name]
    if not column[-1].is_valid:
        return columns, False
    blank = pa.chunked_array([pa.nulls(1, column.type)])
    kept = pa.chunked_array([*column[:-1].chunks, *blank.chunks], type=column.type)
    return {**columns, name: kept}, True
