"""CSV tables as recordings: one column a channel, or one row a sample that names its signal.

Decides what the columns mean (header, unit, what a person said), which one is the time, and hands
the rest to `prepare` and `genuine`. Of a wide table all number columns are looked at, recognised or
not, because together they show how the logger asked.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import BinaryIO

import numpy as np

from verify.errors import UserError
from verify.evidence import channels as known
from verify.evidence.channels import TIME, layout_key, recognise
from verify.evidence.columns import of_each
from verify.evidence.genuine import Array, Mask, Rows, genuine_rows
from verify.evidence.importers.csv_columns import (
    Draft,
    Long,
    Use,
    bad_mapping,
    check_headers,
    decide,
    long_columns,
    no_clock_of_its_own,
    no_time,
    not_numbers,
    proposed,
    shows_frames,
    signal_codes,
    signals,
    time_column,
    told_times,
)
from verify.evidence.importers.csv_read import Table, numbers_of, read_table
from verify.evidence.importers.csv_time import Times
from verify.evidence.importers.port import Layout, looks_like, refusal
from verify.evidence.prepare import Clock, make_channel, mend_clock, spread
from verify.evidence.recording import Recording

_TOLD_INTERVAL = re.compile(r"every ([0-9.eE+-]+) s, told")


class CsvImporter:
    """Tables of separated values in any common encoding, separator and decimal mark."""

    name = "csv"
    version = 1

    def accepts(self, head: bytes) -> bool:
        return looks_like(head) == ""

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        table = read_table(stream, source_name)
        long = long_columns(table)
        if long is not None:
            names, units = signals(table, long)
            has_time = isinstance(told_times(table, long.time, {}, _own_unit(table, long)), Times)
            return Layout(layout_key(names), recognise(names, units), has_time)
        headers = table.dialect.headers
        proposals = proposed(table)
        try:
            time_column(table, proposals, {}, source_name)
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
                raise bad_mapping(TIME, told, '"every 0.5 s, told"')
            interval_s = float(match[1])
        try:
            long = long_columns(table) if interval_s is None else None
            if long is not None:
                return self._long(table, long, source_name, said)
            return self._wide(table, source_name, said, interval_s)
        except UserError as error:
            raise error.within(file=source_name) from None

    def _wide(
        self, table: Table, source_name: str, said: dict[str, str], interval_s: float | None
    ) -> Recording:
        headers = table.dialect.headers
        check_headers(said, headers)
        if shows_frames(table):
            raise refusal("a bus log of raw frames, not decoded into quantities", source_name)
        proposals = proposed(table)
        draft = Draft(repairs=list(table.repairs))
        time_header = ""
        if interval_s is not None:
            no_clock_of_its_own(table, proposals, said, source_name)
            times = Times(np.arange(table.rows, dtype=np.float64) * interval_s)
            draft.mapping[TIME] = f"every {interval_s!r} s, told"
            draft.repairs.append(f"the file has no time: one row every {interval_s:g} s, told")
        else:
            time_header, times = time_column(table, proposals, said, source_name)
            draft.mapping[time_header] = said.get(time_header, TIME)
            if times.note:
                draft.repairs.append(f"{time_header}: {times.note}")
        uses = decide(proposals, said, time_header, draft)
        numbers: dict[str, Array] = {}
        table.columns.pop(time_header, None)
        others = list(table.columns)
        found = of_each(numbers_of, (table.columns.pop(h) for h in others), table.rows)
        for header, read in zip(others, found, strict=True):
            if read is None:
                not_numbers(header, uses, draft)
                continue
            numbers[header], unreadable = read
            if unreadable and header in uses:
                draft.repairs.append(f"{header}: {unreadable} unreadable as numbers, left out")
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
        for header, mask in zip(names, genuine.masks, strict=True):
            values = numbers.pop(header)
            if header in uses:
                _add(draft, header, uses[header], clock, values, mask, clock.step_s)
        return self._recording(table, source_name, draft, clock)

    def _long(self, table: Table, long: Long, source_name: str, said: dict[str, str]) -> Recording:
        names, units = signals(table, long)
        check_headers(said, (*names, long.time))
        proposals = recognise(names, units)
        draft = Draft(repairs=list(table.repairs))
        times = told_times(table, long.time, said, _own_unit(table, long))
        if isinstance(times, str):
            raise no_time(f'the column "{long.time}" {times}', source_name)
        draft.mapping[long.time] = said.get(long.time, TIME)
        if times.note:
            draft.repairs.append(f"{long.time}: {times.note}")
        uses = decide(proposals, said, long.time, draft)
        read = numbers_of(table.columns[long.value])
        if read is None:
            raise refusal(f'no numbers in the column "{long.value}"', source_name)
        values, unreadable = read
        if unreadable:
            draft.repairs.append(f"{long.value}: {unreadable} unreadable as numbers, left out")
        clock = mend_clock(times.seconds, wrap_s=times.wrap_s, events=True)
        draft.repairs.extend(clock.repairs)
        codes = signal_codes(table.columns[long.signal], names)
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
            t, kept = spread(t)
            at = Clock(None, t, 0.0, (), clock.gap_rows, ())
            _add(draft, name, uses[name], at, v[kept], None, None)
        return self._recording(table, source_name, draft, clock)

    def _recording(self, table: Table, source_name: str, draft: Draft, clock: Clock) -> Recording:
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


def _own_unit(table: Table, long: Long) -> str:
    own = recognise(table.dialect.headers, table.dialect.units)
    return next(p.unit for p in own if p.header == long.time)


def _add(
    draft: Draft,
    header: str,
    use: Use,
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
        draft.unmapped.append(header)
    else:
        draft.channels[use.channel] = channel
