"""CSV tables as recordings: one column a channel, or one row a sample that names its signal.

Decides what the columns mean (header, unit, what a person said), which one is the time, and hands
the rest to `prepare` and `genuine`. Of a wide table all number columns are looked at, recognised or
not, because together they show how the logger asked.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np

from verify.errors import Problem, UserError, nearest
from verify.evidence import channels as known
from verify.evidence.channels import NONE, TIME, Proposal, layout_key, recognise
from verify.evidence.genuine import Array, Mask, Rows, genuine_rows
from verify.evidence.importers.csv_read import Table, numbers_of, read_table
from verify.evidence.importers.csv_time import Times, times_of
from verify.evidence.importers.port import Layout, looks_like, refusal
from verify.evidence.prepare import Clock, interval_of, make_channel, mend_clock, spread
from verify.evidence.recording import Channel, Recording

_SIGNAL_WORDS = frozenset(
    "signal signalname name channel parameter variable metric sensor kanal bezeichnung messgröße "
    "parametername signal_name".split()
)
_VALUE_WORDS = frozenset("value wert messwert valeur valor valore".split())
_UNIT_WORDS = frozenset("unit units einheit unité unidad unità".split())
_FRAME_WORDS = frozenset("arbitration_id can_id dlc data payload".split())
_TOLD_INTERVAL = re.compile(r"every ([0-9.eE+-]+) s, told")


@dataclass(slots=True)
class _Draft:
    """What is gathered on the way to a Recording."""

    mapping: dict[str, str] = field(default_factory=dict)
    channels: dict[str, Channel] = field(default_factory=dict)
    unmapped: list[str] = field(default_factory=list)
    repairs: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Use:
    """What one column is taken for."""

    channel: str
    unit: str
    unit_told: bool


class CsvImporter:
    """Tables of separated values in any common encoding, separator and decimal mark."""

    name = "csv"
    version = 1

    def accepts(self, head: bytes) -> bool:
        return looks_like(head) == ""

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        table = read_table(stream, source_name)
        if _long_columns(table) is not None:
            _, signal, _, unit_column = _long_columns(table) or ("", "", "", "")
            names, units = _signals(table, signal, unit_column)
            return Layout(layout_key(names), recognise(names, units), True)
        headers = table.dialect.headers
        proposals = recognise(headers, table.dialect.units)
        try:
            _time_column(table, proposals, {}, source_name)
            has_time = True
        except UserError:
            has_time = False
        return Layout(layout_key(headers), proposals, has_time)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        table = read_table(stream, source_name)
        said = {k: v.strip() for k, v in (mapping or {}).items()}
        told = said.pop(TIME, "")
        if told and interval_s is None:
            match = _TOLD_INTERVAL.fullmatch(told)
            if match is None:
                raise _bad_mapping(TIME, told, '"every 0.5 s, told"')
            interval_s = float(match[1])
        try:
            if interval_s is None and _long_columns(table) is not None:
                return self._long(table, source_name, said)
            return self._wide(table, source_name, said, interval_s)
        except UserError as error:
            raise error.within(file=source_name) from None

    def _wide(
        self, table: Table, source_name: str, said: dict[str, str], interval_s: float | None
    ) -> Recording:
        headers = table.dialect.headers
        _check_headers(said, headers)
        proposals = recognise(headers, table.dialect.units)
        draft = _Draft(repairs=list(table.repairs))
        time_header = ""
        if interval_s is not None:
            times = Times(np.arange(table.rows, dtype=np.float64) * interval_s)
            draft.mapping[TIME] = f"every {interval_s!r} s, told"
            draft.repairs.append(f"no time in use from the file: a row every {interval_s:g} s, told")
        else:
            time_header, times = _time_column(table, proposals, said, source_name)
            draft.mapping[time_header] = said.get(time_header, TIME)
            if times.note:
                draft.repairs.append(f"{time_header}: {times.note}")
        uses = _uses(proposals, said, time_header, draft)
        numbers: dict[str, Array] = {}
        for header in headers:
            column = table.columns.pop(header)
            if header == time_header:
                continue
            read = numbers_of(column)
            if read is None:
                _not_numbers(header, uses, draft)
                continue
            numbers[header], unreadable = read
            if unreadable and header in uses:
                draft.repairs.append(f"{header}: {unreadable} cells that are no numbers left out")
        names = list(numbers)

        def repeated(rows: Rows) -> Mask:
            same = np.ones(len(rows), dtype=bool)
            for values in numbers.values():
                here, before = values[rows], values[rows - 1]
                same &= (here == before) | (np.isnan(here) & np.isnan(before))
            return same

        clock = mend_clock(times.seconds, wrap_s=times.wrap_s, repeated=repeated)
        draft.repairs.extend(clock.repairs)
        genuine = genuine_rows(list(numbers.values()), clock.gap_rows)
        draft.repairs.extend(genuine.repairs)
        usual = interval_of(clock.time_s)
        for header, mask in zip(names, genuine.masks, strict=True):
            values = numbers.pop(header)
            if header in uses:
                _add(draft, header, uses[header], clock, values, mask, usual)
        return self._recording(table, source_name, draft, clock)

    def _long(self, table: Table, source_name: str, said: dict[str, str]) -> Recording:
        found = _long_columns(table)
        assert found is not None
        time_header, signal, value, unit_column = found
        names, units = _signals(table, signal, unit_column)
        _check_headers(said, (*names, time_header))
        proposals = recognise(names, units)
        draft = _Draft(repairs=list(table.repairs))
        own_units = dict(zip(table.dialect.headers, table.dialect.units, strict=False))
        times = _times(table, time_header, said, own_units.get(time_header, ""))
        if isinstance(times, str):
            raise _no_time(f'the column "{time_header}" {times}', source_name)
        draft.mapping[time_header] = said.get(time_header, TIME)
        if times.note:
            draft.repairs.append(f"{time_header}: {times.note}")
        uses = _uses(proposals, said, time_header, draft)
        read = numbers_of(table.columns[value])
        if read is None:
            raise refusal(f'no numbers in the column "{value}"', source_name)
        values, unreadable = read
        if unreadable:
            draft.repairs.append(f"{value}: {unreadable} cells that are no numbers left out")
        clock = mend_clock(times.seconds, wrap_s=times.wrap_s, events=True)
        draft.repairs.extend(clock.repairs)
        codes = _codes(table.columns[signal], names)
        if clock.rows is not None:
            codes, values = codes[clock.rows], values[clock.rows]
        order = np.argsort(codes, kind="stable")
        edges = np.searchsorted(codes[order], np.arange(len(names) + 1))
        for i, name in enumerate(names):
            rows = order[edges[i] : edges[i + 1]]
            if name not in uses:
                continue
            t, v = clock.time_s[rows], values[rows]
            filled = ~np.isnan(v)
            t, v = t[filled], v[filled]
            twice = np.concatenate(([False], (np.diff(t) <= 0) & (np.diff(v) == 0)))
            if np.any(twice):
                draft.repairs.append(f"{name}: {int(np.count_nonzero(twice))} repeats left out")
                t, v = t[~twice], v[~twice]
            at = Clock(None, spread(t), (), clock.gap_rows, ())
            _add(draft, name, uses[name], at, v, None, None)
        return self._recording(table, source_name, draft, clock)

    def _recording(
        self, table: Table, source_name: str, draft: _Draft, clock: Clock
    ) -> Recording:
        return Recording(
            source_name=source_name,
            sha256=table.sha256,
            importer=self.name,
            importer_version=self.version,
            rows=table.rows,
            seconds=clock.seconds,
            channels={n: draft.channels[n] for n in known.quantities() if n in draft.channels},
            gaps=clock.gaps,
            repairs=tuple(draft.repairs),
            mapping=draft.mapping,
            unmapped=tuple(draft.unmapped),
        )


def _add(
    draft: _Draft,
    header: str,
    use: _Use,
    clock: Clock,
    values: Array,
    mask: Mask | None,
    usual_s: float | None,
) -> None:
    time_s = clock.time_s
    if clock.rows is not None:
        values = values[clock.rows]
        mask = None if mask is None else mask[clock.rows]
    if mask is not None:
        time_s, values, usual_s = time_s[mask], values[mask], None
    channel, repairs = make_channel(
        use.channel,
        header,
        use.unit,
        time_s,
        values,
        unit_told=use.unit_told,
        interval_s=usual_s,
    )
    draft.repairs.extend(repairs)
    if channel is None:
        del draft.mapping[header]
        draft.unmapped.append(header)
    else:
        draft.channels[use.channel] = channel


def _uses(
    proposals: Sequence[Proposal], said: Mapping[str, str], time_header: str, draft: _Draft
) -> dict[str, _Use]:
    """Header → what it is taken for: what a person said, else what is sure and still free."""
    uses: dict[str, _Use] = {}
    for p in proposals:
        words = said.get(p.header)
        if words is None or p.header == time_header or words.startswith(TIME):
            continue
        draft.mapping[p.header] = words
        if words == NONE:
            continue
        channel, unit = known.told(p.header, words, p.unit)
        if any(u.channel == channel for u in uses.values()):
            raise _bad_mapping(p.header, words, f"one column for {channel}, not two")
        uses[p.header] = _Use(channel, unit, True)
    taken = {u.channel for u in uses.values()}
    for p in proposals:
        if p.header in said or p.header == time_header:
            continue
        if p.sure and p.channel != TIME and p.channel not in taken:
            target = known.quantities()[p.channel].unit
            uses[p.header] = _Use(p.channel, p.unit or target, p.unit_told)
            draft.mapping[p.header] = p.channel
        else:
            draft.unmapped.append(p.header)
            if p.channel not in ("", TIME) and p.why and "similar" not in p.why:
                draft.repairs.append(f"{p.header}: not taken as {p.channel}, {p.why}")
    return uses


def _not_numbers(header: str, uses: dict[str, _Use], draft: _Draft) -> None:
    if header in uses:
        del uses[header]
        draft.mapping.pop(header, None)
        draft.unmapped.append(header)
        draft.repairs.append(f"{header}: text and no numbers, left out")


def _check_headers(said: Mapping[str, str], headers: Sequence[str]) -> None:
    problems = []
    for header in said:
        if header not in headers:
            guess = nearest(header, headers)
            advice = f'write "{guess}"' if guess else f"the columns are: {', '.join(headers[:12])}"
            problems.append(
                Problem(f'no column "{header}"', "a column of this file", advice, field="mapping")
            )
    if problems:
        raise UserError(*problems)


def _bad_mapping(header: str, words: str, expected: str) -> UserError:
    return UserError(
        Problem(
            found=f'"{words}"',
            expected=expected,
            next="correct the mapping",
            field=f"mapping of {header}",
        )
    )


def _no_time(found: str, source_name: str) -> UserError:
    return refusal(
        found,
        source_name,
        expected="a column with the time of each row",
        next='say which column it is, as "(time)", "(time) s" or "(time) ms", or say the interval '
        "between two rows if it is known",
    )


def _times(table: Table, header: str, said: Mapping[str, str], unit: str) -> Times | str:
    words = said.get(header, "")
    told = words.removeprefix(TIME).strip() if words.startswith(TIME) else ""
    return times_of(table.columns[header], told or unit)


def _time_column(
    table: Table, proposals: Sequence[Proposal], said: Mapping[str, str], source_name: str
) -> tuple[str, Times]:
    """The column that says when, by what a person said, by its name, or by unmistakable cells."""
    units = {p.header: p.unit for p in proposals if p.channel == TIME}
    named = [h for h, words in said.items() if words.startswith(TIME)]
    if len(named) > 1:
        raise _bad_mapping(named[1], said[named[1]], "one column for the time, not two")
    if named:
        times = _times(table, named[0], said, units.get(named[0], ""))
        if isinstance(times, str):
            raise _no_time(f'the column "{named[0]}" {times}', source_name)
        return named[0], times
    reasons = []
    usable: list[tuple[tuple[int, int, float, str], str, Times]] = []
    for header in table.dialect.headers:
        if header in said:
            continue
        by_name = header in units
        if not by_name and not _shows_times(table.columns[header]):
            continue
        times = times_of(table.columns[header], units.get(header, ""))
        if isinstance(times, str):
            reasons.append(f'the column "{header}" {times}')
            continue
        finite = times.seconds[np.isfinite(times.seconds)]
        forwards = int(np.count_nonzero(np.diff(finite) > 0))
        if forwards == 0:
            reasons.append(f'the column "{header}" does not run forwards')
            continue
        # The finest clock wins; the header decides between equals, whatever their order.
        rank = (0 if by_name else 1, -forwards, -_decimals(finite), header)
        usable.append((rank, header, times))
    if usable:
        _, header, times = min(usable, key=lambda u: u[0])
        return header, times
    lowered = {h.strip().casefold() for h in table.dialect.headers}
    if len(lowered & _FRAME_WORDS) >= 2:
        raise refusal("a bus log of raw frames, not decoded into quantities", source_name)
    raise _no_time(reasons[0] if reasons else "no column with times", source_name)


def _decimals(finite: Array) -> float:
    return float(np.count_nonzero(finite % 1))


def _shows_times(column: Any) -> bool:
    import pyarrow as pa

    kind = column.type
    if pa.types.is_timestamp(kind) or pa.types.is_time(kind):
        return True
    return bool(pa.types.is_string(kind) and isinstance(times_of(column[:1000], ""), Times))


def _long_columns(table: Table) -> tuple[str, str, str, str] | None:
    """(time, signal, value, unit or "") where each row names its signal, else None."""
    import pyarrow as pa

    headers = table.dialect.headers
    by_word = {h.strip().casefold(): h for h in headers}
    signal = next((by_word[w] for w in sorted(_SIGNAL_WORDS & by_word.keys())), "")
    value = next((by_word[w] for w in sorted(_VALUE_WORDS & by_word.keys())), "")
    unit = next((by_word[w] for w in sorted(_UNIT_WORDS & by_word.keys())), "")
    times = sorted(p.header for p in recognise(headers) if p.channel == TIME)
    if not (signal and value and times) or not pa.types.is_string(table.columns[signal].type):
        return None
    return times[0], signal, value, unit


def _codes(column: Any, names: Sequence[str]) -> Rows:
    import pyarrow as pa
    import pyarrow.compute as pc

    codes = pc.fill_null(pc.index_in(column, pa.array(names)), len(names))
    return np.asarray(codes.to_numpy(), dtype=np.int64)


def _signals(table: Table, signal: str, unit_column: str) -> tuple[list[str], list[str]]:
    """The signals by name, sorted, each with its unit; "?" where rows disagree about it."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = sorted(n for n in pc.unique(table.columns[signal]).to_pylist() if n)
    if not unit_column or not pa.types.is_string(table.columns[unit_column].type):
        return names, [""] * len(names)
    pairs = pa.table({"s": table.columns[signal], "u": table.columns[unit_column]})
    found: dict[str, set[str]] = {}
    for row in pairs.group_by(["s", "u"]).aggregate([]).to_pylist():
        if row["s"] and row["u"]:
            found.setdefault(row["s"], set()).add(known.mended(row["u"]).strip())
    units = [found.get(n, set()) for n in names]
    return names, ["/".join(sorted(u)) if len(u) != 1 else next(iter(u)) for u in units]
