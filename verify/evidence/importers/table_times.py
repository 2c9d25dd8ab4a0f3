"""The time column of a table, as seconds.

Knows numbers (with a unit, or since 1970), times of day, and dates with times, as arrays of
pyarrow. A number without a unit counts as seconds only where it has decimals: whole numbers may as
well be milliseconds, and a time base is not guessed.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from verify.evidence.channels import known_unit
from verify.evidence.genuine import Array
from verify.evidence.importers.cells import floats
from verify.quantity import float_factors, unit
from verify.values import dataclass

DAY_S = 86400.0
_CLOCK = (
    r"^\s*(?P<h>\d{1,5}):(?P<m>[0-5]?\d)(?::(?P<s>[0-5]?\d|60)(?P<f>[.,:]\d+)?)?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?\s*$"
)
_MINUTES = r"^\s*(?P<m>[0-5]?\d):(?P<s>[0-5]?\d[.,]\d+)\s*$"
_DATE = (
    r"^\s*(?P<a>\d{1,4})[-./](?P<b>\d{1,2})[-./](?P<c>\d{1,4})[T ,;_]+"
    r"(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?P<f>[.,]\d+)?)?\s*(?P<p>[AaPp][Mm])?"
    r"\s*(?P<z>Z|UTC|[+-]\d{2}:?\d{2})?\s*$"
)
_DAY_AND_MINUTE = r"[T ,;_]\d{1,2}:\d{2}\s*([AaPp][Mm])?\s*$"
_TOO_COARSE = "shows whole minutes only"
_TICKS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
# Epoch times: (from, to, seconds in one); 2001 to 2096 in seconds, milli-, micro-, nanoseconds.
_EPOCHS = ((1e9, 4e9, 1.0), (1e12, 4e12, 1e-3), (1e15, 4e15, 1e-6), (1e18, 4e18, 1e-9))


@dataclass(frozen=True, slots=True)
class Times:
    """seconds: shape (n,), NaN where a cell has none. wrap_s: after which the clock begins anew."""

    seconds: Array
    wrap_s: float = 0.0
    note: str = ""


def is_clock_text(text: str) -> bool:
    """Whether a cell shows a time of day or a date with a time."""
    return bool(re.match(_CLOCK, text) or re.match(_DATE, text))


def _field(struct: Any, name: str, fallback: float = 0.0) -> Array:
    import pyarrow.compute as pc

    text = pc.struct_field(struct, name)
    text = pc.replace_substring_regex(text, "^[,:]", ".")
    empty = pc.equal(text, "")
    text = pc.if_else(empty, pc.cast(str(fallback), text.type), text)
    return floats(pc.fill_null(text, "nan"))


def _text(struct: Any, name: str) -> Any:
    import pyarrow.compute as pc

    values = pc.fill_null(pc.utf8_lower(pc.struct_field(struct, name)), "")
    return np.asarray(values.to_numpy(zero_copy_only=False), dtype=object)


def _half_days(hours: Array, struct: Any) -> Array:
    mark = np.char.replace(_text(struct, "p").astype("U4"), ".", "")
    hours = np.where((mark != "") & (hours == 12), 0.0, hours)
    return np.where(mark == "pm", hours + 12.0, hours)


def _days(year: Array, month: Array, day: Array) -> Array:
    """Days since 1970-01-01 of the Gregorian calendar; NaN where that is no date."""
    with np.errstate(invalid="ignore"):
        wrong = ~((month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1970))
        y = year - (month <= 2)
        era = np.floor(y / 400)
        of_era = y - era * 400
        of_year = np.floor((153 * ((month + 9) % 12) + 2) / 5) + day - 1
        days = era * 146097 + of_era * 365 + np.floor(of_era / 4) - np.floor(of_era / 100)
    return np.where(wrong, np.nan, days + of_year - 719468)


def _dated(array: Any) -> Times | None:
    import pyarrow.compute as pc

    struct = pc.extract_regex(array, pattern=_DATE)
    a, b, c = (_field(struct, k) for k in "abc")
    seconds = (
        _half_days(_field(struct, "h"), struct) * 3600
        + _field(struct, "m") * 60
        + _field(struct, "s")
        + _field(struct, "f")
    )
    zone = _text(struct, "z")
    if np.any(zone != ""):
        known = {z: _offset(z) for z in set(zone.tolist())}
        seconds = seconds - np.array([known[z] for z in zone.tolist()])
    orders = [("day first", (c, b, a)), ("month first", (c, a, b)), ("year first", (a, b, c))]
    best: tuple[tuple[int, float], Array, str] | None = None
    for words, (year, month, day) in orders:
        year = np.where(year < 100, year + 2000, year)
        days = _days(year, month, day)
        if np.count_nonzero(np.isfinite(days)) < 0.9 * np.count_nonzero(np.isfinite(a)):
            continue
        t = days * DAY_S + seconds
        finite = t[np.isfinite(t)]
        if len(finite) == 0:
            continue
        # The right order of day and month is the one in which time runs forwards and least far.
        score = (int(np.count_nonzero(np.diff(finite) < 0)), float(np.ptp(finite)))
        if best is None or score < best[0]:
            best = (score, t, words)
    return Times(best[1]) if best is not None else None


def _offset(zone: str) -> float:
    match = re.fullmatch(r"([+-])(\d{2}):?(\d{2})", zone)
    if match is None:
        return 0.0
    size = int(match[2]) * 3600.0 + int(match[3]) * 60.0
    return -size if match[1] == "-" else size


def _even_clock(column: Any) -> Array | None:
    """Seconds of "08:19:47.605" and the like where every cell has the same length; else None.

    The usual case, and thirty times faster on the bytes themselves than with a pattern.
    """
    if column.null_count:
        return None
    parts = []
    for chunk in column.chunks:
        n = len(chunk)
        _, offsets, data = chunk.buffers()
        edges = np.frombuffer(offsets, dtype=np.int32)[chunk.offset : chunk.offset + n + 1]
        width = int(edges[1] - edges[0]) if n else 0
        if not 8 <= width <= 18 or width == 9 or np.any(np.diff(edges) != width):
            return None
        cells = np.frombuffer(data, dtype=np.uint8)[edges[0] : edges[-1]].reshape(n, width)
        if not (np.all(cells[:, [2, 5]] == ord(":")) and (width == 8 or _points(cells[:, 8]))):
            return None
        digits = cells - np.uint8(ord("0"))
        where = [0, 1, 3, 4, 6, 7, *range(9, width)]
        if np.any(digits[:, where] > 9) or np.any(digits[:, [3, 6]] > 5):
            return None
        scale = [36000.0, 3600.0, 600.0, 60.0, 10.0, 1.0]
        ticks = 10.0 ** (width - 9) if width > 8 else 1.0
        total = np.zeros(n)
        for at, unit_s in zip(where[:6], scale, strict=True):
            total += digits[:, at] * (unit_s * ticks)
        for at in where[6:]:
            total += digits[:, at] * 10.0 ** (width - 1 - at)
        parts.append(total / ticks)
    return np.concatenate(parts) if parts else None


def _points(cells: Any) -> bool:
    return bool(np.all((cells == ord(".")) | (cells == ord(",")) | (cells == ord(":"))))


def _from_text(array: Any) -> Times | str | None:
    import pyarrow.compute as pc

    seconds = _even_clock(array)
    if seconds is not None:
        return Times(seconds, DAY_S if np.max(seconds) < DAY_S else 0.0)
    filled = len(array) - array.null_count
    if filled == 0:
        return None

    def mostly(pattern: str) -> bool:
        hits = pc.sum(pc.match_substring_regex(array, pattern)).as_py() or 0
        return bool(hits >= 0.5 * filled)

    if mostly(_plain(_MINUTES)):
        struct = pc.extract_regex(array, pattern=_MINUTES)
        seconds = _field(struct, "m") * 60 + _comma(struct, "s")
        return Times(seconds, 3600.0)
    if mostly(_plain(_CLOCK)):
        struct = pc.extract_regex(array, pattern=_CLOCK)
        if np.all(np.char.str_len(_text(struct, "s").astype("U8")) == 0):
            return _TOO_COARSE
        hours = _half_days(_field(struct, "h"), struct)
        seconds = (
            hours * 3600 + _field(struct, "m") * 60 + _field(struct, "s") + _field(struct, "f")
        )
        return Times(seconds, DAY_S if np.nanmax(hours) < 24 else 0.0)
    if mostly(_plain(_DATE)):
        return _TOO_COARSE if mostly(_DAY_AND_MINUTE) else _dated(array)
    return None


def _plain(pattern: str) -> str:
    return re.sub(r"\?P<\w>", "", pattern)


def _comma(struct: Any, name: str) -> Array:
    import pyarrow.compute as pc

    text = pc.replace_substring(pc.struct_field(struct, name), ",", ".")
    return floats(pc.fill_null(text, "nan"))


def _numeric(relative_s: Array, middle: float, decimals: bool, written_unit: str) -> Times | str:
    """relative_s: the numbers less the first one; middle: a typical number as written."""
    if written_unit:
        known = known_unit(written_unit)
        if known is None or unit(known[0]).dimension != "time":
            return f'has the unit "{written_unit}", which is none of time'
        scale, _ = float_factors(known[0], "s")
        return Times(relative_s * (scale * known[1]))
    for low, high, factor in _EPOCHS:
        if low <= middle < high:
            return Times(relative_s * factor, note="read as time since 1970")
    if decimals:
        return Times(relative_s, note="has no unit; read as seconds, because it has decimals")
    return "has whole numbers and no unit, so it may count seconds or milliseconds"


def times_of(column: Any, written_unit: str) -> Times | str:
    """Seconds of a time column, or what keeps it from being one (completes "the column X …").

    column: pyarrow ChunkedArray. written_unit: from the header or a person, "" where unknown.
    """
    import pyarrow as pa

    kind = column.type
    if len(column) - column.null_count < 2:
        return "has fewer than two times"
    if pa.types.is_timestamp(kind) or pa.types.is_time(kind):
        whole = column.cast(pa.int32() if pa.types.is_time32(kind) else pa.int64())
        first = _first(whole)
        seconds = floats(whole, first) * _TICKS[kind.unit]
        if kind.unit == "s" and first % 60 == 0 and not np.any(seconds[~np.isnan(seconds)] % 60):
            return _TOO_COARSE
        return Times(seconds, DAY_S if pa.types.is_time(kind) else 0.0)
    if pa.types.is_integer(kind):
        first = _first(column)  # taken off before nanoseconds since 1970 meet a float
        relative = floats(column, first)
        told = relative[~np.isnan(relative)]
        middle = first + float(told[len(told) // 2])
        return _numeric(relative, middle, False, written_unit)
    if pa.types.is_floating(kind):
        values = floats(column)
        finite = values if np.isfinite(np.sum(values)) else values[np.isfinite(values)]
        if len(finite) < 2:
            return "has fewer than two times"
        decimals = bool(np.any(finite[:10_000] % 1)) or bool(np.any(finite % 1))
        return _numeric(values - finite[0], float(finite[len(finite) // 2]), decimals, written_unit)
    found = _from_text(column) if pa.types.is_string(kind) else None
    return found if found is not None else "does not hold times that can be read"


def _first(column: Any) -> int:
    """The first cell that is filled; there is one."""
    return int(next(cell for cell in column if cell.is_valid).as_py())
