"""Bus logs as text → frames: three ways in which tools write them.

    (1623.036600) can1 7E8#03412F8300000000                      candump, as a file
    (1623.036600)  can1  7E8   [8]  03 41 2F 83 00 00 00 00      candump, as on the screen
     0.080150 2  7E8   Rx   d 8 04 41 0C 00 00 00 00 00          ASC
          3        80.150 DT  2  07E8 Rx -  8    04 41 0C 00     TRC (1.0 to 2.1)

Read by pattern, a block of lines at once; no byte is decoded as text. Forms from memory and from
the readers of python-can, which are the oracle in the tests.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np

from verify.evidence.genuine import Array, Mask, Rows
from verify.evidence.importers.can_frames import (
    EXTENDED,
    MOST_FRAMES,
    Frames,
    Log,
    digits_to_bytes,
    identifiers,
    joined,
)
from verify.evidence.importers.lines import blocks_of_lines
from verify.evidence.importers.port import refusal

_HEX = r"[0-9A-Fa-f]"
_PAIRS = rf"(?:{_HEX}{{2}}\s*)*"
_FILE = (
    rf"^\s*\((?P<t>\d+(?:\.\d+)?)\)\s+(?P<bus>\S+)\s+(?P<id>{_HEX}{{8}}|{_HEX}{{3}})"
    rf"#(?:#{_HEX})?(?P<data>(?:{_HEX}{{2}}\.?)*)(?:_{_HEX})?(?P<rest>R{_HEX}*)?(?:\s+[RT])?\s*$"
)
_SCREEN = (
    rf"^\s*\((?P<t>\d+(?:\.\d+)?)\)\s+(?P<bus>\S+)\s+(?:[RT]X[\s\-A-Z]*\s+)?"
    rf"(?P<id>{_HEX}{{8}}|{_HEX}{{3}})\s+\[\d+\]\s+(?:(?P<data>{_PAIRS})|(?P<rest>remote request))"
    r"\s*(?:'.*)?\s*$"
)
_ASC = (
    rf"^\s*(?P<t>\d+(?:\.\d+)?)\s+(?P<bus>\d+)\s+(?P<id>{_HEX}+)(?P<x>x?)\s+(?:Rx|Tx|TxRq)\s+"
    rf"(?:d\s+(?P<n>{_HEX})(?P<data>(?:\s+{_HEX}{{2}})*)|(?P<rest>r))(?:\s.*)?\s*$"
)
_ASC_FD = (
    rf"^\s*(?P<t>\d+(?:\.\d+)?)\s+CANFD\s+(?P<bus>\d+)\s+(?:Rx|Tx|TxRq)\s+(?P<id>{_HEX}+)(?P<x>x?)"
    rf"\s+(?:[A-Za-z_]\S*\s+)?[01]\s+[01]\s+{_HEX}\s+(?P<n>\d+)"
    rf"(?P<data>(?:\s+{_HEX}{{2}})*)(?P<rest>\s+remote)?(?:\s.*)?\s*$"
)
_TIMED = r"^\s*(?P<t>\d+(?:\.\d+)?)\s"
_ASC_BASE = re.compile(rb"^\s*base\s+(hex|dec)\s+timestamps\s+(absolute|relative)", re.I | re.M)
_TRC_MARK = re.compile(rb"^\s*;\s*\$FILEVERSION=(\d+\.\d+)", re.M)
_TRC_COLUMNS = re.compile(rb"^\s*;\s*\$COLUMNS=([A-Za-z,]+)", re.M)
_TRC_1 = {
    "1.0": "N,O,I,l,D",
    "1.1": "N,O,d,I,l,D",
    "1.2": "N,O,B,d,I,l,D",
    "1.3": "N,O,B,d,I,R,l,D",
}
_TRC_PARTS = {
    "N": r"\d+\)?",
    "O": r"(?P<t>\d+(?:\.\d+)?)",
    "T": r"(?:DT|FD|FB|FE|BI|(?P<rest>RR|ST|EC|ER|EV))",
    "B": r"(?P<bus>\d+|-)",
    "I": rf"(?P<id>{_HEX}{{4}}|{_HEX}{{8}}|-)",
    "d": r"(?:Rx|Tx|Warng|Error|-)",
    "R": r"(?:-|\S{1,2})",
    "l": r"(?:\d+|-)",  # the bytes themselves say how many there are
    "L": r"(?:\d+|-)",
    "D": rf"(?P<data>{_PAIRS})",
}


@dataclass(slots=True)
class _Form:
    """How a log is written. patterns: tried one after the other on each line.

    comment: lines that are no frames by right. scale: seconds in one unit of its times.
    """

    patterns: tuple[str, ...]
    comment: str
    scale: float = 1.0
    relative: bool = False
    wide_id: int = 8  # digits from which an identifier has 29 bits


@dataclass(slots=True)
class _Work:
    parts: list[Frames] = field(default_factory=list)
    buses: dict[str, int] = field(default_factory=dict)
    lines: int = 0
    blank: int = 0
    odd: int = 0
    first_odd: int = 0
    frames: int = 0
    last_s: float = 0.0


def is_text_log(head: bytes) -> bool:
    """Whether a file that begins so is one of these logs."""
    return _form_of(head) is not None


def _form_of(head: bytes) -> _Form | Callable[[str], Exception] | None:
    head = head.removeprefix(b"\xef\xbb\xbf")
    mark = _TRC_MARK.search(head[:4096])
    if mark is not None:
        return _trc(mark[1].decode(), head)
    base = _ASC_BASE.search(head[:8192])
    if base is not None:
        if base[1].lower() != b"hex":
            return _decimal_asc
        relative = base[2].lower() == b"relative"
        comment = (
            r"^\s*(?:$|\D|\d+(?:\.\d+)?\s+(?:\D|\d+\s+(?:Statistic|ErrorFrame|OverloadFrame)))"
        )
        return _Form((_ASC, _ASC_FD), comment, relative=relative, wide_id=99)
    lines = [line for line in head.split(b"\n")[:50] if line.strip()]
    for pattern in (_FILE, _SCREEN):
        plain = re.compile(pattern.encode())
        hits = sum(plain.match(line) is not None for line in lines)
        if hits and 2 * hits >= len(lines) - 1:
            return _Form((_FILE, _SCREEN), r"^\s*(?:$|#)")
    return None


def _decimal_asc(source_name: str) -> Exception:
    return refusal(
        "a bus log whose numbers are decimal",
        source_name,
        expected="a bus log in hexadecimal numbers",
        next="export the log with hexadecimal numbers",
    )


def _trc(version: str, head: bytes) -> _Form:
    said = _TRC_COLUMNS.search(head)
    order = said[1].decode() if said is not None else _TRC_1.get(version, "N,O,T,I,d,l,D")
    parts = [_TRC_PARTS.get(letter, r"\S+") for letter in order.split(",")]
    # A group stands once: the first column that gives a name keeps it.
    seen: set[str] = set()
    for i, part in enumerate(parts):
        for name in re.findall(r"\?P<(\w+)>", part):
            if name in seen:
                parts[i] = parts[i].replace(f"?P<{name}>", "?:")
            seen.add(name)
    data_last = order.endswith("D")
    pattern = r"^\s*" + r"\s+".join(parts[:-1]) + r"(?:\s+" + parts[-1] + r")?\s*$"
    if not data_last:
        pattern = r"^\s*" + r"\s+".join(parts) + r"\s*$"
    return _Form((pattern,), r"^\s*(?:$|;)", scale=1e-3)


def read_log(stream: BinaryIO, source_name: str, head: bytes) -> Log:
    """All frames of the log. The stream stands at its start; head: its first bytes.

    Raises UserError where it is none, or most of it cannot be read.
    """
    form = _form_of(head)
    if form is None:
        raise refusal("lines that are no frames of a bus", source_name)
    if not isinstance(form, _Form):
        raise form(source_name)
    digest = hashlib.sha256()
    work = _Work()
    for block in blocks_of_lines(stream, digest):
        _take(block, form, work)
        if work.frames > MOST_FRAMES:
            raise refusal(
                f"more than {MOST_FRAMES} frames",
                source_name,
                expected=f"at most {MOST_FRAMES}",
                next="cut the log into parts, or log the diagnostic answers only",
            )
    if work.frames == 0:
        raise refusal("a bus log without frames", source_name, next="export the log again")
    if work.odd > work.frames:
        raise refusal(
            f"{work.odd} lines that are no frames, beside {work.frames} that are",
            source_name,
            next="export the log again",
        )
    repairs = []
    if work.odd:
        what = "line that is no frame" if work.odd == 1 else "lines that are no frames"
        repairs.append(f"{work.odd} {what} left out (first: line {work.first_odd})")
    return Log(joined(work.parts), digest.hexdigest(), repairs)


def _take(block: Any, form: _Form, work: _Work) -> None:
    """Adds the frames of a block of lines."""
    import pyarrow.compute as pc

    n = len(block)
    upto_s = None
    if form.relative:  # each line counts from the one before, whatever it tells
        upto_s = work.last_s + np.cumsum(_floats(pc.struct_field(
            pc.extract_regex(block, pattern=_TIMED), "t"
        ).fill_null(b"0")))  # fmt: skip
        work.last_s = float(upto_s[-1])
    left = np.ones(n, dtype=bool)
    found: list[tuple[Rows, Frames]] = []
    for pattern in form.patterns:
        if not np.any(left):
            break
        rows = np.flatnonzero(left)
        lines = block if len(rows) == n else block.take(rows)
        struct = pc.extract_regex(lines, pattern=pattern)
        hit = _mask(struct.is_valid())
        if np.any(hit):
            left[rows[hit]] = False
            found.append((rows[hit], _frames(struct.filter(hit), form, work)))
    if np.any(left):
        rows = np.flatnonzero(left)
        odd = rows[~_mask(pc.match_substring_regex(block.take(rows), pattern=form.comment))]
        if len(odd) and not work.odd:
            work.first_odd = work.lines + int(odd[0]) + 1
        work.odd += len(odd)
    work.lines += n
    if not found:
        return
    part = joined([f for _, f in found])
    rows = np.concatenate([r for r, _ in found])
    order = np.argsort(rows, kind="stable")
    times = part.time_s[order] if upto_s is None else upto_s[rows[order]]
    part = Frames(
        times, part.ident[order], part.bus[order], part.size[order], part.data[order]
    )  # fmt: skip
    work.frames += len(part)
    work.parts.append(part)


def _mask(array: Any) -> Mask:
    return np.asarray(array.to_numpy(zero_copy_only=False), dtype=bool)


def _frames(struct: Any, form: _Form, work: _Work) -> Frames:
    """The frames of lines that matched; a remote request has no bytes."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = {f.name for f in struct.type}

    def of(name: str) -> Any:
        return pc.struct_field(struct, name)

    time_s = _floats(of("t")) * form.scale
    cells = of("id")
    ident = identifiers(cells)
    if "x" in names:
        wide = _mask(pc.equal(of("x").cast(pa.string()), "x"))
    else:
        wide = _mask(pc.greater_equal(pc.binary_length(cells), form.wide_id))
    ident = np.where(wide & (ident >= 0), ident + EXTENDED, ident)
    data, size = digits_to_bytes(of("data"))
    if "n" in names:
        words = pc.replace_substring_regex(of("n").cast(pa.string()), "^[^0-9]$", "8")
        said = _floats(pc.replace_substring_regex(words, "^$", "0"))
        size = np.minimum(size, said.astype(np.int64))
    if "rest" in names:
        size = np.where(_mask(pc.greater(pc.binary_length(of("rest")), 0)), 0, size)
    bus = _buses(of("bus"), work) if "bus" in names else np.zeros(len(ident), dtype=np.int64)
    return Frames(time_s, ident, bus, size, data)


def _floats(cells: Any) -> Array:
    import pyarrow as pa

    return np.asarray(cells.cast(pa.string()).cast(pa.float64()).to_numpy(zero_copy_only=False))


def _buses(cells: Any, work: _Work) -> Rows:
    """A small number for each bus, in the order in which they are met."""
    coded = cells.dictionary_encode()
    met = []
    for name in coded.dictionary.to_pylist():
        word = name.decode("latin-1")
        # More buses than any car has are a damaged log: they share the last number.
        met.append(work.buses.setdefault(word, min(len(work.buses), 0xFFFF)))
    codes = np.asarray(coded.indices.to_numpy(zero_copy_only=False), dtype=np.int64)
    return np.array(met or [0], dtype=np.int64)[codes]
