"""Tables with a frame of the bus in each row → frames: columns for time, identifier and bytes.

The bytes stand there in digits ("03 41 0C", "0x03410C") or in base 64; the identifier in
hexadecimal digits, or in decimal where that alone makes answers of the standard service.
"""

from __future__ import annotations

import hashlib
import io
from typing import Any, BinaryIO

import numpy as np

from verify.evidence.genuine import Mask, Rows
from verify.evidence.importers.can_frames import (
    EXTENDED,
    MOST_FRAMES,
    Frames,
    Log,
    base64_to_bytes,
    digits_to_bytes,
    identifiers,
)
from verify.evidence.importers.port import refusal
from verify.evidence.importers.table_times import times_of
from verify.values import dataclass

_TIMES = ("timestamp", "timestampepoch", "time", "time stamp", "time_s", "time [s]", "t")
_IDENTS = ("arbitration_id", "arbitrationid", "can_id", "canid", "frame_id", "frameid", "id")
_DATA = ("data", "databytes", "data_bytes", "payload", "data (hex)", "bytes")
_WIDE = ("extended", "ide", "is_extended_id", "is_extended", "xtd")
_SIZES = ("datalength", "data_length", "length", "len", "dlc")
_BUSES = ("buschannel", "bus", "channel", "bus_channel")
_DROPS = ("remote", "error", "is_remote_frame", "is_error_frame", "rtr")
_DIGITS = r"^(?:0[xX])?(?:[0-9A-Fa-f]{2}[\s.:-]*)*$"
_YES = ("1", "true", "True", "TRUE", "yes", "x")


@dataclass(frozen=True, slots=True)
class _Columns:
    delimiter: str
    names: tuple[str, ...]
    time: str
    ident: str
    data: str


def _columns(head: bytes) -> _Columns | None:
    first = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].strip()
    if not first or len(first) > 2000:
        return None
    try:
        line = first.decode("ascii")
    except UnicodeDecodeError:
        return None
    for delimiter in (",", ";", "\t"):
        names = tuple(c.strip().strip('"') for c in line.split(delimiter))
        lower = [n.casefold() for n in names]
        if len(set(lower)) != len(lower):
            continue

        def first_of(words: tuple[str, ...], lower: list[str] = lower) -> str:
            return next((w for w in words if w in lower), "")

        time, ident, data = first_of(_TIMES), first_of(_IDENTS), first_of(_DATA)
        if time and ident and data:
            return _Columns(delimiter, tuple(lower), time, ident, data)
    return None


def is_frame_table(head: bytes) -> bool:
    """Whether the first line names a time, an identifier and bytes."""
    return _columns(head) is not None


def read_frame_table(stream: BinaryIO, source_name: str) -> Log:
    """All frames of the table. The stream stands at its start.

    Raises UserError where it is none, or broken in many rows.
    """
    import pyarrow as pa
    from pyarrow import csv

    raw = stream.read()
    found = _columns(raw[:4096])
    if found is None:
        raise refusal("lines that are no frames of a bus", source_name)
    try:
        raw.decode("utf-8")
        text = raw
    except UnicodeDecodeError:
        # Frames are plain digits; a sign beside them stands for its own byte.
        text = raw.decode("latin-1").encode("utf-8")
    skipped: list[int] = []

    def odd_row(row: Any) -> str:
        skipped.append(row.number or 0)
        return "skip"

    try:
        table = csv.read_csv(
            io.BytesIO(text),
            read_options=csv.ReadOptions(column_names=list(found.names), skip_rows=1),
            parse_options=csv.ParseOptions(delimiter=found.delimiter, invalid_row_handler=odd_row),
            convert_options=csv.ConvertOptions(
                column_types={n: pa.string() for n in found.names if n != found.time},
                strings_can_be_null=True,
            ),
        )
    except pa.ArrowException:
        raise refusal(
            "a table of frames that is damaged", source_name, next="export the log again"
        ) from None
    rows = table.num_rows
    if rows == 0 or rows > MOST_FRAMES or len(skipped) > max(3, rows // 20):
        what = f"{len(skipped)} broken rows" if rows else "a table without data rows"
        raise refusal(
            f"{rows} frames" if rows > MOST_FRAMES else what,
            source_name,
            next="cut the log into parts" if rows > MOST_FRAMES else "export the log again",
        )
    times = times_of(table[found.time], "s" if found.time.startswith("timestampe") else "")
    if isinstance(times, str):
        raise refusal(f'the column "{found.time}" {times}', source_name, next="export it again")
    repairs = [f"{len(skipped)} broken rows left out"] if skipped else []
    data, size = _bytes(table[found.data].combine_chunks())
    size = np.where(_any(table, found.names, _DROPS), 0, size)
    lengths = next((n for n in _SIZES[:-1] if n in found.names), "")
    if lengths:
        said = _whole(table[lengths])
        size = np.where(said >= 0, np.minimum(size, said), size)
    ident = _idents(table[found.ident].combine_chunks())
    wide = _any(table, found.names, _WIDE) | (ident > 0x7FF)
    ident = np.where(wide & (ident >= 0), ident + EXTENDED, ident)
    bus = np.zeros(rows, dtype=np.int64)
    for name in _BUSES:
        if name in found.names:
            codes = table[name].combine_chunks().dictionary_encode().indices
            bus = np.asarray(codes.fill_null(0).to_numpy(zero_copy_only=False), dtype=np.int64)
            bus = np.minimum(bus, 0xFFFF)
            break
    frames = Frames(times.seconds, ident, bus, size, data)
    return Log(frames, hashlib.sha256(raw).hexdigest(), repairs)


def _whole(column: Any) -> Rows:
    """Whole numbers of a column of text, -1 where a cell holds none."""
    import pyarrow as pa
    import pyarrow.compute as pc

    plain = pc.if_else(pc.match_substring_regex(column, r"^\s*\d{1,9}\s*$"), column, "-1")
    numbers = pc.utf8_trim_whitespace(plain.fill_null("-1")).cast(pa.int64())
    return np.asarray(numbers.to_numpy(), dtype=np.int64)


def _any(table: Any, names: tuple[str, ...], words: tuple[str, ...]) -> Mask:
    """Rows in which one of these columns says yes."""
    import pyarrow as pa
    import pyarrow.compute as pc

    found: Mask = np.zeros(table.num_rows, dtype=bool)
    for name in words:
        if name in names:
            said = pc.is_in(table[name], pa.array(_YES)).to_numpy()
            found |= np.asarray(said, dtype=bool)
    return found


def _bytes(cells: Any) -> tuple[Any, Rows]:
    import pyarrow.compute as pc

    filled = cells.drop_null()
    if len(filled) and pc.all(pc.match_substring_regex(filled, _DIGITS)).as_py():
        return digits_to_bytes(pc.replace_substring_regex(cells, "^0[xX]", ""))
    return base64_to_bytes(cells)


def _idents(cells: Any) -> Rows:
    import pyarrow as pa
    import pyarrow.compute as pc

    plain = pc.utf8_trim_whitespace(cells)
    bare = pc.replace_substring_regex(plain, "^0[xX]", "")
    hexadecimal = identifiers(
        pc.if_else(pc.match_substring_regex(bare, "^[0-9A-Fa-f]+$"), bare, "")
    )
    decimal_only = pc.all(pc.match_substring_regex(plain.drop_null(), r"^\d+$")).as_py()
    if not decimal_only or len(plain.drop_null()) == 0:
        return hexadecimal
    decimal = _whole(pa.chunked_array([plain]))
    answers = ((decimal >= 0x7E8) & (decimal <= 0x7EF)) | ((decimal & ~0xFF) == 0x18DAF100)
    return decimal if np.any(answers) else hexadecimal
