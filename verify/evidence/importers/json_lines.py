"""JSON lines, one event a line, as recordings: {"name": …, "value": …, "timestamp": …}.

Each line names its signal, so what comes out is a long table, whose meaning `table_recording`
knows. Flat objects are read by pattern, all lines of a block at once; only what is not flat or not
plain goes through a JSON parser, line by line. Values that are no numbers (text, true, nothing) are
left out and told; lines that are no JSON are named.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, BinaryIO, NamedTuple

import numpy as np

from verify.errors import Problem, UserError
from verify.evidence.channels import TIME, recognise
from verify.evidence.genuine import Mask
from verify.evidence.importers.lines import blocks_of_lines
from verify.evidence.importers.port import MOST_ROWS, Layout, refusal
from verify.evidence.importers.table import Table
from verify.evidence.importers.table_columns import SIGNAL_WORDS, UNIT_WORDS, VALUE_WORDS
from verify.evidence.importers.table_recording import look_at, table_to_recording
from verify.evidence.recording import Recording

_NUMBER = r"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?"
_TEXT = r'"[^"\\\x00-\x1f]*"'
_ANY = rf"(?:{_TEXT}|{_NUMBER}|true|false|null)"
_PAIR = rf"\s*{_TEXT}\s*:\s*{_ANY}\s*"
_FLAT = rf"^\s*\{{{_PAIR}(?:,{_PAIR})*\}}\s*$"
_BLANK = r"^\s*$"
_FIRST_LINES = 200
_MOST_ODD = 200_000  # lines that only a parser can read; more is no log of events
_MOST_BAD_SHARE = 0.05


class Keys(NamedTuple):
    """Under which words a line says its signal, value and time; unit is "" where there is none."""

    name: str
    value: str
    time: str
    unit: str


@dataclass(slots=True)
class _Found:
    names: list[Any] = field(default_factory=list)
    values: list[Any] = field(default_factory=list)
    times: list[Any] = field(default_factory=list)
    units: list[Any] = field(default_factory=list)
    bad: list[int] = field(default_factory=list)
    rows: int = 0
    lines: int = 0
    no_numbers: int = 0
    odd: int = 0


class JsonLinesImporter:
    """One JSON object a line, each with a name, a value and a time."""

    name = "json-lines"
    version = 3

    def accepts(self, head: bytes) -> bool:
        lines = [x.strip() for x in head.removeprefix(b"\xef\xbb\xbf").splitlines()[:20]]
        lines = [x for x in lines if x]
        objects = sum(x.startswith(b"{") and x.endswith(b"}") for x in lines)
        return bool(lines) and lines[0].startswith(b"{") and 2 * objects >= len(lines)

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
    """The events as a long table. The stream is seekable and stands at its start.

    Raises UserError where the lines are no events, or more than a few are no JSON.
    """
    import pyarrow as pa

    digest = hashlib.sha256()
    found = _Found()
    keys: Keys | None = None
    for block in blocks_of_lines(stream, digest):
        if keys is None:
            keys = _keys(block, source_name)
        _take(block, keys, found)
        if found.rows > MOST_ROWS or found.odd > _MOST_ODD:
            raise refusal(
                f"more than {MOST_ROWS if found.rows > MOST_ROWS else _MOST_ODD} "
                + ("events" if found.rows > MOST_ROWS else "lines that are no plain events"),
                source_name,
                next="cut the recording into parts",
            )
    if keys is None or found.rows == 0:
        raise refusal("JSON data without events", source_name, expected=_WANTED)
    repairs = _told(found, source_name)
    columns = {
        keys.name: pa.chunked_array(found.names, type=pa.string()),
        keys.value: pa.chunked_array(found.values, type=pa.float64()),
        keys.time: _times(pa.chunked_array(found.times, type=pa.string())),
    }
    if keys.unit:
        columns[keys.unit] = pa.chunked_array(found.units, type=pa.string())
    return Table(tuple(columns), (), frozenset(), columns, found.rows, digest.hexdigest(), repairs)


_WANTED = 'one JSON object a line with a name, a value and a time, as {"name": …, "timestamp": …}'


def _told(found: _Found, source_name: str) -> list[str]:
    repairs = []
    if found.bad:
        shown = ", ".join(str(n) for n in found.bad[:8]) + (" …" if len(found.bad) > 8 else "")
        if len(found.bad) > max(3, _MOST_BAD_SHARE * found.lines):
            raise UserError(
                Problem(
                    found=f"{len(found.bad)} of {found.lines} lines that are no events",
                    expected=_WANTED,
                    next=f"look at the lines {shown}, or export the recording again",
                    file=source_name,
                    line=found.bad[0],
                )
            )
        some = "line that is no event" if len(found.bad) == 1 else "lines that are no events"
        repairs.append(f"{len(found.bad)} {some} left out (line {shown})")
    if found.no_numbers:
        what = "event" if found.no_numbers == 1 else "events"
        repairs.append(f"{found.no_numbers} {what} whose value is no number left out")
    return repairs


def _keys(block: Any, source_name: str) -> Keys:
    """The words of the first lines that are JSON objects."""
    spelled: dict[str, str] = {}
    objects = 0
    for line in block[:_FIRST_LINES].to_pylist():
        event = _parsed(line)
        if event is not None:
            objects += 1
            for key in event:
                spelled.setdefault(key.strip().casefold(), key)

    def first(words: frozenset[str]) -> str:
        return next((spelled[w] for w in sorted(words) if w in spelled), "")

    names = sorted(SIGNAL_WORDS & spelled.keys(), key=lambda w: (w not in ("name", "signal"), w))
    times = sorted(p.header for p in recognise(list(spelled.values())) if p.channel == TIME)
    keys = Keys(
        spelled[names[0]] if names else "",
        first(VALUE_WORDS),
        next((t for t in times if t.casefold() == "timestamp"), times[0] if times else ""),
        first(UNIT_WORDS),
    )
    if objects and keys.name and keys.value and keys.time:
        return keys
    lacking = [
        what
        for what, key in zip(("name", "value", "time"), keys[:3], strict=True)
        if not key
    ]  # fmt: skip
    found = f"JSON data in which lines have no {' and no '.join(lacking)}"
    raise refusal(found if objects else "JSON data", source_name, expected=_WANTED)


def _parsed(line: bytes) -> dict[str, Any] | None:
    try:
        event = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return event if isinstance(event, dict) else None


def _take(block: Any, keys: Keys, found: _Found) -> None:
    """Adds the events of a block of lines. Plain lines all at once, the others one by one."""
    import pyarrow as pa
    import pyarrow.compute as pc

    first = found.lines + 1
    found.lines += len(block)
    flat = pc.match_substring_regex(block, pattern=_FLAT)
    plain = block.filter(flat)
    name = _text_of(plain, keys.name)
    value = _field(plain, keys.value, _NUMBER)
    time = _field(plain, keys.time, f"{_NUMBER}|{_TEXT}")
    whole = pc.and_(
        pc.and_(name.is_valid(), time.is_valid()), _field(plain, keys.value, _ANY).is_valid()
    )
    usable = pc.and_(whole, value.is_valid())
    found.no_numbers += pc.sum(pc.and_(whole, pc.invert(value.is_valid()))).as_py() or 0
    lines = np.flatnonzero(_mask(flat))
    bad = (lines[~_mask(whole)] + first).tolist()
    odd = pc.and_(pc.invert(flat), pc.invert(pc.match_substring_regex(block, pattern=_BLANK)))
    places = np.flatnonzero(_mask(odd))
    found.odd += len(places)
    events = []
    at_line = []
    for at in places[:_MOST_ODD].tolist():  # a handful in a log of events
        event = _event(_parsed(block[at].as_py()), keys)
        if event is None:
            bad.append(first + at)
        elif event[1] is None:
            found.no_numbers += 1
        else:
            events.append(event)
            at_line.append(at)
    found.bad = sorted([*found.bad, *bad])
    number = value.filter(usable).cast(pa.string()).cast(pa.float64())
    parts = {
        "names": (name.filter(usable), [e[0] for e in events]),
        "values": (number, [e[1] for e in events]),
        "times": (_unquoted(time.filter(usable)), [e[2] for e in events]),
    }
    if keys.unit:
        parts["units"] = (_text_of(plain, keys.unit).filter(usable), [e[3] for e in events])
    # In the order of the file again: a log out of order would look like a clock that starts anew.
    order = np.argsort(np.concatenate((lines[_mask(usable)], np.array(at_line, dtype=np.int64))))
    for where, (most, others) in parts.items():
        cells = most
        if others:
            cells = pa.concat_arrays([most, pa.array(others, most.type)]).take(pa.array(order))
        getattr(found, where).append(cells)
    found.rows += len(order)


def _mask(array: Any) -> Mask:
    return np.asarray(array.to_numpy(zero_copy_only=False), dtype=bool)


def _event(event: dict[str, Any] | None, keys: Keys) -> tuple[str, float | None, str, str] | None:
    """(name, value or None where it is no number, time, unit) of one object, else None."""
    if event is None or not all(k in event for k in keys[:3]):
        return None
    name, value, time = (event[k] for k in keys[:3])
    if (
        not isinstance(name, str)
        or isinstance(time, bool)
        or not isinstance(time, str | int | float)
    ):
        return None
    unit = event.get(keys.unit, "") if keys.unit else ""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return (
        name,
        _float(value) if number else None,
        time if isinstance(time, str) else repr(time),
        unit if isinstance(unit, str) else "",
    )


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:  # an integer of 400 digits
        return float("inf")


def _field(lines: Any, key: str, what: str) -> Any:
    """What stands under a key in flat lines, as bytes, null where it is something else.

    Inside a flat line a quote never stands in a text, so `"key":` can only be a key.
    """
    import pyarrow.compute as pc

    pattern = rf'[{{,]\s*"{re.escape(key)}"\s*:\s*(?P<v>{what})\s*[,}}]'
    return pc.struct_field(pc.extract_regex(lines, pattern=pattern), "v")


def _text_of(lines: Any, key: str) -> Any:
    return _unquoted(_field(lines, key, _TEXT))


def _unquoted(cells: Any) -> Any:
    """Text of cells that are JSON text or numbers; null where the bytes are no UTF-8."""
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        return pc.utf8_trim(cells.cast(pa.string()), '"')
    except pa.ArrowInvalid:
        return pa.array([_decoded(c) for c in cells.to_pylist()], pa.string())


def _decoded(cell: bytes | None) -> str | None:
    try:
        return None if cell is None else cell.decode("utf-8").strip('"')
    except UnicodeDecodeError:
        return None


def _times(cells: Any) -> Any:
    """Whole numbers as such (nanoseconds since 1970 do not fit a float), else floats, else text."""
    import pyarrow as pa

    for kind in (pa.int64(), pa.float64()):
        try:
            return cells.cast(kind)
        except pa.ArrowInvalid:
            continue
    return cells
