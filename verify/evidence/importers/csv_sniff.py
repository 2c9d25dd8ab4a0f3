"""How a CSV file is written: encoding, separators, where header, units and data stand.

Looks at the first quarter of a megabyte only and decodes strictly: bytes of evidence are never
replaced by a question mark. pyarrow reads the rest with what is found here.
"""

from __future__ import annotations

import codecs
import csv
import itertools
import re

from verify.evidence.channels import known_unit, mended, recognise
from verify.evidence.importers.port import HEAD_BYTES, MOST_COLUMNS, refusal
from verify.evidence.importers.table import DASHES, NULL_WORDS, named_apart
from verify.evidence.importers.table_times import is_clock_text
from verify.values import dataclass

_LINES = 200
DELIMITERS = (";", "\t", ",", "|")
_COMMENTS = ("#", "//", "%", "!", "--")
_NUMBER = re.compile(r"\s*[+\-−]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*")
_COMMA_NUMBER = re.compile(r"\s*[+\-−]?\d*,\d+\s*")
_POINT_NUMBER = re.compile(r"\s*[+\-−]?\d*\.\d+\s*")
_CLOCK = re.compile(r"\d{1,2}:\d{2}:\d{2}([.,]\d+)?")
_UNIT_LIKE = frozenset({"hh:mm:ss", "hh:mm:ss.fff", "hh:mm:ss.sss", "text", "bool", "enum"})


@dataclass(frozen=True, slots=True)
class Dialect:
    """encoding: Python's name; bom: bytes to skip before decoding.

    headers: unique, in the file's own words. units: cells of a units row, "" where there is none.
    skip: bytes to leave out of the UTF-8 form of the file before the first data row.
    first_line: line of the first data row, from 1.
    doubled: headers that stood there more than once, in the form given here.
    kinds: for each column "number" where the first rows hold numbers (or blanks) only, "clock"
        where they hold times of day, else "".
    """

    encoding: str
    bom: int
    delimiter: str
    decimal: str
    headers: tuple[str, ...]
    units: tuple[str, ...]
    skip: int
    first_line: int
    doubled: frozenset[str]
    kinds: tuple[str, ...]
    repairs: tuple[str, ...]


def _encoding(head: bytes, whole: bool, utf8: bool) -> tuple[str, int]:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8", 3
    for bom, name in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if head.startswith(bom):
            return name, 2
    if b"\x00" in head[:4096]:
        return ("utf-16-le" if head[1:2] == b"\x00" else "utf-16-be"), 0
    if not utf8:
        return "cp1252", 0
    try:
        codecs.getincrementaldecoder("utf-8")("strict").decode(head, final=whole)
    except UnicodeDecodeError:
        return "cp1252", 0
    return "utf-8", 0


def _lines(text: str) -> list[tuple[str, int]]:
    """(line without its end, where the next one starts) for each line of the text."""
    found, start = [], 0
    for match in itertools.islice(re.finditer(r"\r\n|\n|\r", text), _LINES + 1):
        found.append((text[start : match.start()], match.end()))
        start = match.end()
    if start < len(text) and len(found) <= _LINES:
        found.append((text[start:], len(text)))
    return found


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None


def _is_value(cell: str) -> bool:
    return is_number(cell) or is_clock_text(cell)


def _is_null(cell: str) -> bool:
    return cell.strip() in NULL_WORDS


def _is_header(cells: list[str]) -> bool:
    filled = [c for c in cells if c.strip()]
    values = sum(_is_value(c) for c in filled)
    return len(filled) >= 2 and values * 4 < len(filled)


def _header_at(rows: list[list[str]]) -> tuple[int, int, float] | None:
    """(row of the header, width of the data, how well the rows below agree).

    Of several lines that could be the header, the one with most names that are known.
    """
    best: tuple[int, int, float] | None = None
    most = -1
    for at, cells in enumerate(rows[:100]):
        if len(cells) < 2 or not _is_header(cells):
            continue
        below = [r for r in rows[at + 1 : at + 61] if any(c.strip() for c in r)]
        if not below:
            continue
        widths = [len(r) for r in below]
        width = max(set(widths), key=lambda w: (widths.count(w), w))
        tabular = [r for r in below if len(r) == width]
        trailing = width == len(cells) + 1 and not any(r[-1].strip() for r in tabular)
        agree = len(tabular) / len(below)
        if (width != len(cells) and not trailing) or agree < 0.5:
            continue
        readable = sum(_is_value(c) or _is_null(c) for r in tabular for c in r)
        known = sum(p.sure for p in recognise(cells)) if len(cells) <= MOST_COLUMNS else 0
        if known > most:
            best = at, width, agree * (0.2 + readable / (width * len(tabular)))
            most = known
    return best


def _why_not(rows_by: dict[str, list[list[str]]]) -> tuple[str, str]:
    """(found, next) for a text in which no delimiter gives a table."""
    for delimiter, rows in rows_by.items():
        wide = [r for r in rows if len(r) >= 2]
        if len(wide) < 2 or len(wide) < 0.5 * len([r for r in rows if any(r)]):
            continue
        cells = [c for r in wide[1:] for c in r]
        if 3 * sum(_is_value(c) for c in cells) < len(cells):
            continue  # prose with commas in it
        widths = [len(r) for r in wide[1:]]
        width = max(set(widths), key=widths.count)
        first = wide[0]
        if not _is_header(first) and sum(_is_value(c) for c in first) * 2 >= len(first):
            return (
                "numbers in the first line, and so no header",
                "add a first line that names each column and its unit",
            )
        if len(first) != width:
            advice = "export the recording again, each row with as many cells as the header"
            if delimiter == "," and width > len(first):
                advice = "if commas are both decimal mark and separator, export with semicolons"
            return f"{len(first)} names in the header but {width} cells in the rows", advice
        return "a table without data rows", "export the recording again, with its rows"
    filled = [r for r in next(iter(rows_by.values())) if any(c.strip() for c in r)]
    if len(filled) == 1:
        return "a single line of text", ""
    return "lines of text in one column", ""


def sniff(head: bytes, source_name: str, *, utf8: bool = True) -> Dialect:
    """How the file that begins with `head` is written.

    utf8: False where a later part of the file turned out not to be UTF-8.
    Raises UserError where it is no table.
    """
    whole = len(head) < HEAD_BYTES
    encoding, bom = _encoding(head, whole, utf8)
    try:
        text = codecs.getincrementaldecoder(encoding)("strict").decode(head[bom:], final=whole)
    except UnicodeDecodeError:
        raise refusal(
            "bytes that are neither UTF-8, UTF-16 nor Windows text", source_name
        ) from None
    lines = _lines(text)
    if not whole and 0 < len(lines) <= _LINES:
        lines.pop()  # cut where the head ends
    if not lines:
        raise refusal(
            f"a first line longer than {HEAD_BYTES // 1024} kB" if text else "an empty file",
            source_name,
        )
    repairs: list[str] = []
    # A comment line is one before the table; a header may begin with "#" as well.
    bare = [_uncommented(line) for line, _ in lines[:_LINES]]
    rows_by = {d: [_split(line, d) for line in bare] for d in DELIMITERS}
    found = {d: best for d in DELIMITERS if (best := _header_at(rows_by[d])) is not None}
    if not found:
        what, advice = _why_not(rows_by)
        raise refusal(what, source_name, next=advice)
    delimiter = max(found, key=lambda d: (found[d][2], found[d][1], -DELIMITERS.index(d)))
    at, width, _ = found[delimiter]
    rows = rows_by[delimiter]
    if width > MOST_COLUMNS:
        raise refusal(
            f"{width} columns",
            source_name,
            expected=f"at most {MOST_COLUMNS}",
            next="export only the channels that are needed",
        )
    if at and not rows[0][0].casefold().startswith("sep="):
        repairs.append(f"{at} line{'s' * (at > 1)} before the header passed over")
    cells = (rows[at] + [""] * width)[:width]
    headers, doubled = named_apart(cells, repairs)
    units, data_at = _units(rows, at, width, repairs)
    if data_at >= len(lines):
        raise refusal("lines of text without numbers", source_name)
    if encoding == "cp1252":
        repairs.append("the text is not UTF-8; read as Windows Western European")
    start = lines[data_at - 1][1]
    return Dialect(
        encoding,
        bom,
        delimiter,
        _decimal(rows[data_at : data_at + 200]),
        headers,
        units,
        len(text[:start].encode("utf-8", "surrogatepass")),
        data_at + 1,
        doubled,
        _kinds(rows[data_at:], width),
        tuple(repairs),
    )


def _uncommented(line: str) -> str:
    """A comment line stripped of its mark, so that a header behind "#" is still one."""
    stripped = line.lstrip()
    for mark in _COMMENTS:
        if stripped.startswith(mark) and not _NUMBER.match(stripped):
            return stripped[len(mark) :].lstrip() if mark == "#" else ""
    return line


def _units(
    rows: list[list[str]], at: int, width: int, repairs: list[str]
) -> tuple[tuple[str, ...], int]:
    """(units row or (), first data row): at most three lines of words may follow the header."""
    units: tuple[str, ...] = ()
    row = at + 1
    while row < min(at + 5, len(rows)):
        cells = [c.strip() for c in rows[row]]
        filled = [c for c in cells if not _is_null(c)]
        if any(_is_value(c) for c in cells) or (any(cells) and not filled):
            break
        plain = [mended(c).strip("[](){} ") for c in filled]
        known = sum(known_unit(c) is not None or c.casefold() in _UNIT_LIKE for c in plain)
        if filled and 2 * known >= len(filled) and not units:
            padded = [mended(c) for c in cells] + [""] * (width - len(cells))
            units = tuple("" if c in DASHES else c for c in padded[:width])
        elif filled:
            repairs.append("a line of words below the header passed over")
        row += 1
    return units, row


def _kinds(rows: list[list[str]], width: int) -> tuple[str, ...]:
    kinds = []
    for i in range(width):
        cells = [r[i] for r in rows if len(r) == width]
        if all(is_number(c) or _is_null(c) for c in cells):
            kinds.append("number")
        else:
            clock = all(_CLOCK.fullmatch(c) is not None or _is_null(c) for c in cells)
            kinds.append("clock" if clock else "")
    return tuple(kinds)


def _decimal(rows: list[list[str]]) -> str:
    commas = sum(_COMMA_NUMBER.fullmatch(c) is not None for r in rows for c in r)
    points = sum(_POINT_NUMBER.fullmatch(c) is not None for r in rows for c in r)
    return "," if commas > points else "."
