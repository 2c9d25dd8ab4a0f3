"""A table → a recording: one column a channel, or one row a sample that names its signal.

Decides what the columns mean (header, unit, what a person said), which one is the time, and hands
the rest to `prepare` and `genuine`. Of a wide table all number columns are looked at, recognised or
not, because together they show how the logger asked; positions alone are not, they are never read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np

from verify.errors import UserError
from verify.evidence.channels import TIME, is_position, layout_key, recognise
from verify.evidence.columns import of_each
from verify.evidence.genuine import Array, Mask, Rows, genuine_rows
from verify.evidence.importers.cells import release_unused
from verify.evidence.importers.events import Events, events_to_recording, finished
from verify.evidence.importers.port import Importer, Layout, refusal
from verify.evidence.importers.table import Table, numbers_of
from verify.evidence.importers.table_columns import (
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
from verify.evidence.importers.table_times import Times
from verify.evidence.prepare import Clock, age_in_a_row, make_channel, mend_clock
from verify.evidence.recording import Channel, Recording
from verify.evidence.resampled import resampled

_TOLD_INTERVAL = re.compile(r"every ([0-9.eE+-]+) s, told")
_ONE_A_ROW = 1.03  # filled cells per row up to which a row holds one reading


def look_at(table: Table, source_name: str) -> Layout:
    long = long_columns(table)
    if long is not None:
        names, units = signals(table, long)
        has_time = isinstance(told_times(table, long.time, {}, _own_unit(table, long)), Times)
        return Layout(layout_key(names), recognise(names, units), has_time)
    proposals = proposed(table)
    try:
        time_column(table, proposals, {}, source_name)
        has_time = True
    except UserError:
        has_time = False
    return Layout(layout_key(table.headers), proposals, has_time)


def table_to_recording(
    table: Table,
    source_name: str,
    importer: Importer,
    mapping: Mapping[str, str] | None,
    interval_s: float | None,
) -> Recording:
    """Arguments and errors as `Importer.read`; importer: whose name and version are noted."""
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
            return _long(table, long, source_name, importer, said)
        return _wide(table, source_name, importer, said, interval_s)
    except UserError as error:
        raise error.within(file=source_name) from None


def _wide(
    table: Table,
    source_name: str,
    importer: Importer,
    said: dict[str, str],
    interval_s: float | None,
) -> Recording:
    check_headers(said, table.headers)
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
    others = [h for h in table.columns if not is_position(h)]
    found = of_each(numbers_of, (table.columns.pop(h) for h in others), table.rows)
    for header, read in zip(others, found, strict=True):
        if read is None:
            not_numbers(header, uses, draft)
            continue
        numbers[header], unreadable = read
        if unreadable and header in uses:
            draft.repairs.append(f"{header}: {unreadable} unreadable as numbers, left out")
    del found
    release_unused(table.rows)
    names = list(numbers)

    def repeated(rows: Rows, others: Rows) -> Mask:
        same = np.ones(len(rows), dtype=bool)
        for values in numbers.values():
            here, there = values[rows], values[others]
            same &= (here == there) | (np.isnan(here) & np.isnan(there))
        return same

    clock = mend_clock(times.seconds, wrap_s=times.wrap_s, repeated=repeated)
    draft.repairs.extend(clock.repairs)
    genuine = genuine_rows(list(numbers.values()), clock.gap_rows)
    draft.repairs.extend(genuine.repairs)
    skew_s = age_in_a_row(clock) if _many_a_row(numbers.values(), table.rows) else 0.0
    masks = dict(zip(names, genuine.masks, strict=True))
    engine = next((h for h in names if h in uses and uses[h].channel == "engine_speed"), None)
    if engine is not None and masks[engine] is None:
        own = numbers[engine] if clock.rows is None else numbers[engine][clock.rows]
        drawn = resampled(clock.time_s, own)
        if drawn is not None:
            draft.repairs.append(drawn.words)
            skew_s = max(skew_s, drawn.age_s)
            real = np.zeros(table.rows, dtype=bool)
            real[slice(None) if clock.rows is None else clock.rows] = drawn.read
            masks[engine] = real
    used = [(h, numbers.pop(h), mask) for h, mask in masks.items() if h in uses]
    numbers.clear()

    def made(column: tuple[str, Array, Mask | None]) -> tuple[Channel | None, tuple[str, ...]]:
        header, values, mask = column
        return _channel(header, uses[header], clock, values, mask, skew_s)

    for (header, _, _), own_channel in zip(used, of_each(made, used, table.rows), strict=True):
        draft.add(header, uses[header], own_channel)
    return finished(
        draft, clock, source_name=source_name, sha256=table.sha256, importer=importer.name,
        version=importer.version, rows=table.rows,
    )  # fmt: skip


def _many_a_row(columns: Iterable[Array], rows: int) -> bool:
    """Whether a row holds more than one reading."""
    filled = 0
    for values in columns:
        filled += len(values) - int(np.count_nonzero(np.isnan(values)))
        if filled > _ONE_A_ROW * rows:
            return True
    return False


def _channel(
    header: str, use: Use, clock: Clock, values: Array, mask: Mask | None, skew_s: float
) -> tuple[Channel | None, tuple[str, ...]]:
    time_s = clock.time_s
    usual_s: float | None = clock.step_s
    if clock.rows is not None:
        values = values[clock.rows]
        mask = None if mask is None else mask[clock.rows]
    if mask is not None:
        time_s, values, usual_s = time_s[mask], values[mask], None
    return make_channel(
        use.channel, header, use.unit, time_s, values, unit_told=use.unit_told,
        interval_s=usual_s, skew_s=skew_s,
    )  # fmt: skip


def _long(
    table: Table, long: Long, source_name: str, importer: Importer, said: dict[str, str]
) -> Recording:
    names, units = signals(table, long)
    check_headers(said, (*names, long.time))
    draft = Draft(repairs=list(table.repairs))
    times = told_times(table, long.time, said, _own_unit(table, long))
    if isinstance(times, str):
        raise no_time(f'the column "{long.time}" {times}', source_name)
    draft.mapping[long.time] = said.get(long.time, TIME)
    if times.note:
        draft.repairs.append(f"{long.time}: {times.note}")
    uses = decide(recognise(names, units), said, long.time, draft)
    read = numbers_of(table.columns[long.value])
    if read is None:
        raise refusal(f'no numbers in the column "{long.value}"', source_name)
    values, unreadable = read
    if unreadable:
        draft.repairs.append(f"{long.value}: {unreadable} unreadable as numbers, left out")
    codes = signal_codes(table.columns[long.signal], names)
    return events_to_recording(
        Events(names, times.seconds, codes, values, times.wrap_s), uses, draft,
        source_name=source_name, sha256=table.sha256, importer=importer.name,
        version=importer.version, rows=table.rows,
    )  # fmt: skip


def _own_unit(table: Table, long: Long) -> str:
    own = recognise(table.headers, table.units)
    return next(p.unit for p in own if p.header == long.time)
