"""A table as the importers of CSV, Parquet and JSON lines hand it on, and its cells as numbers.

Below the readers, which know how a file is written; above this stand `table_columns`, which knows
what a column means, and `table_recording`, which makes a recording of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from verify.evidence.channels import mended
from verify.evidence.genuine import Array
from verify.evidence.importers.cells import floats

DASHES = ("-", "--", "---", "----", "–", "—", "_", "?", "*", "x")
_WORDS = ("na", "n/a", "#n/a", "nan", "-nan", "null", "none", "nil", "nodata", "no data", "missing",
          "invalid", "err", "error", "#value!", "#div/0!", "k.a.", "n.v.", "unknown")  # fmt: skip
NULL_WORDS = (
    "",
    *DASHES,
    *(form for w in _WORDS for form in dict.fromkeys((w, w.upper(), w.capitalize()))),
    "NaN",
    "NoData",
)
_NUMBER = r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$"


@dataclass(slots=True)
class Table:
    """headers: unique, in the file's own words; units: one a header where the file says them beside
    it ("" or nothing where not); doubled: headers that stood there more than once.

    columns: header → pyarrow ChunkedArray, all of `rows` cells, in the order of the file.
    """

    headers: tuple[str, ...]
    units: tuple[str, ...]
    doubled: frozenset[str]
    columns: dict[str, Any]
    rows: int
    sha256: str
    repairs: list[str]


def named_apart(cells: Iterable[str], repairs: list[str]) -> tuple[tuple[str, ...], frozenset[str]]:
    """(unique headers, those among them whose words stood there more than once)."""
    names: list[str] = []
    bases: list[str] = []
    mended_any = False
    seen: dict[str, int] = {}
    for i, cell in enumerate(cells):
        raw = " ".join(cell.split())
        name = mended(raw)
        mended_any |= name != raw
        name = name or f"column {i + 1} without a name"
        seen[name] = seen.get(name, 0) + 1
        bases.append(name)
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    if mended_any:
        repairs.append("a doubly encoded sign in the header was put right (°)")
    twice = sorted(name for name, count in seen.items() if count > 1)
    if twice:
        repairs.append(f"the header names {', '.join(twice)} more than once")
    doubled = frozenset(n for n, base in zip(names, bases, strict=True) if seen[base] > 1)
    return tuple(names), doubled


def numbers_of(column: Any) -> tuple[Array, int] | None:
    """(numbers with NaN where a cell is blank, cells that cannot be read), or None for text.

    column: pyarrow ChunkedArray. A column is text when most of its filled cells are no numbers.
    """
    import pyarrow as pa

    kind = column.type
    if pa.types.is_string(kind):
        return _from_text(column)
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan), 0
    if pa.types.is_boolean(kind):
        column = column.cast(pa.int8())
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        return None
    return floats(column), 0


def _from_text(column: Any) -> tuple[Array, int] | None:
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.replace_substring(pc.utf8_trim_whitespace(column), "−", "-")
    number = pc.match_substring_regex(text, _NUMBER)
    # "1.234" beside decimal commas, or "1,234" beside points, may be one thousand.
    points = pc.sum(pc.match_substring_regex(text, r"^[+-]?\d+\.(\d{1,2}|\d{4,})$")).as_py() or 0
    commas = pc.sum(pc.match_substring_regex(text, r"^[+-]?\d+,(\d{1,2}|\d{4,})$")).as_py() or 0
    doubtful = r"^[+-]?\d{1,3}\.\d{3}$" if commas > points else r"^[+-]?\d{1,3},\d{3}$"
    number = pc.and_(number, pc.invert(pc.match_substring_regex(text, doubtful)))
    filled = len(column) - pc.sum(pc.is_in(text, pa.array(NULL_WORDS))).as_py() - column.null_count
    readable = pc.sum(number).as_py() or 0
    if 2 * readable < filled or readable == 0:
        return None
    text = pc.replace_substring(pc.if_else(number, text, None), ",", ".")
    numbers = floats(pc.cast(text, pa.float64()))
    return numbers, int(filled - readable)
