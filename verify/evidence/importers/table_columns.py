"""What the columns of a table are taken for: channels, the time, or names of signals.

What a person said wins, then what the header says for sure; the rest stays unmapped and is told.
Nothing here depends on the order of the columns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from verify.errors import Problem, UserError, nearest
from verify.evidence import channels as known
from verify.evidence.channels import NONE, TIME, Proposal, recognise
from verify.evidence.genuine import Rows
from verify.evidence.importers.port import refusal
from verify.evidence.importers.table import Table
from verify.evidence.importers.table_times import Times, times_of
from verify.evidence.recording import Channel

SIGNAL_WORDS = frozenset({
    "signal", "signalname", "signal_name", "name", "channel", "parameter", "parametername",
    "variable", "metric", "sensor", "kanal", "bezeichnung", "messgröße",
})  # fmt: skip
VALUE_WORDS = frozenset({"value", "wert", "messwert", "valeur", "valor", "valore"})
UNIT_WORDS = frozenset({"unit", "units", "einheit", "unité", "unidad", "unità"})
_FRAME_WORDS = frozenset(
    {"arbitration_id", "can_id", "canid", "frame_id", "dlc", "data", "payload"}
)


@dataclass(slots=True)
class Draft:
    """What is gathered on the way to a Recording."""

    mapping: dict[str, str] = field(default_factory=dict)
    channels: dict[str, Channel] = field(default_factory=dict)
    unmapped: list[str] = field(default_factory=list)
    repairs: list[str] = field(default_factory=list)

    def add(self, header: str, use: Use, made: tuple[Channel | None, tuple[str, ...]]) -> None:
        """Takes in what `make_channel` made of a column, or notes that it is no channel."""
        channel, repairs = made
        self.repairs.extend(repairs)
        if channel is None:
            self.unmapped.append(header)
        else:
            self.channels[use.channel] = channel


@dataclass(frozen=True, slots=True)
class Use:
    """What one column is taken for."""

    channel: str
    unit: str
    unit_told: bool


def proposed(table: Table) -> tuple[Proposal, ...]:
    """What the columns seem to be; none whose header stands there twice is sure."""
    twice = table.doubled
    return tuple(
        replace(p, sure=False, why="the header stands there twice") if p.header in twice else p
        for p in recognise(table.headers, table.units)
    )


def decide(
    proposals: Sequence[Proposal], said: Mapping[str, str], time_header: str, draft: Draft
) -> dict[str, Use]:
    """Header → what it is taken for: what a person said, else what is sure and still free."""
    uses: dict[str, Use] = {}
    for p in proposals:
        words = said.get(p.header)
        if words is None or p.header == time_header or words.startswith(TIME):
            continue
        draft.mapping[p.header] = words
        if words == NONE:
            continue
        if known.is_position(p.header):
            raise bad_mapping(p.header, words, "another column: positions are never read")
        channel, unit = known.told(p.header, words, p.unit)
        if any(u.channel == channel for u in uses.values()):
            raise bad_mapping(p.header, words, f"one column for {channel}, not two")
        uses[p.header] = Use(channel, unit, True)
    taken = {u.channel for u in uses.values()}
    for p in proposals:
        if p.header in said or p.header == time_header:
            continue
        if p.sure and p.channel != TIME and p.channel not in taken:
            target = known.quantities()[p.channel].unit
            uses[p.header] = Use(p.channel, p.unit or target, p.unit_told)
            draft.mapping[p.header] = p.channel
        else:
            draft.unmapped.append(p.header)
            if p.channel not in ("", TIME) and p.why and "similar" not in p.why:
                draft.repairs.append(f"{p.header}: not taken as {p.channel}, {p.why}")
    return uses


def not_numbers(header: str, uses: dict[str, Use], draft: Draft) -> None:
    if header in uses:
        del uses[header]
        draft.mapping.pop(header, None)
        draft.unmapped.append(header)
        draft.repairs.append(f"{header}: text and no numbers, left out")


def check_headers(said: Mapping[str, str], headers: Sequence[str]) -> None:
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


def bad_mapping(header: str, words: str, expected: str) -> UserError:
    return UserError(
        Problem(
            found=f'"{words}"',
            expected=expected,
            next="correct the mapping",
            field=f"mapping of {header}",
        )
    )


def no_time(found: str, source_name: str) -> UserError:
    return refusal(
        found,
        source_name,
        expected="a column with the time of each row",
        next='say which column it is, as "(time)", "(time) s" or "(time) ms", or say the interval '
        "between two rows if it is known",
    )


def told_times(table: Table, header: str, said: Mapping[str, str], unit: str) -> Times | str:
    """Seconds of the time column, with the unit that a person said or else the file."""
    words = said.get(header, "")
    told = words.removeprefix(TIME).strip() if words.startswith(TIME) else ""
    return times_of(table.columns[header], told or unit)


def time_column(
    table: Table, proposals: Sequence[Proposal], said: Mapping[str, str], source_name: str
) -> tuple[str, Times]:
    """The column that says when, by what a person said, by its name, or by unmistakable cells."""
    units = {p.header: p.unit for p in proposals if p.channel == TIME}
    named = [h for h, words in said.items() if words.startswith(TIME)]
    if len(named) > 1:
        raise bad_mapping(named[1], said[named[1]], "one column for the time, not two")
    if named:
        times = told_times(table, named[0], said, units.get(named[0], ""))
        if isinstance(times, str):
            raise no_time(f'the column "{named[0]}" {times}', source_name)
        return named[0], times
    reasons = []
    usable: list[tuple[tuple[int, int, str], str, Times]] = []
    for header in table.headers:
        if header in said:
            continue
        by_name = header in units
        if not by_name and not _shows_times(table.columns[header]):
            continue
        times = times_of(table.columns[header], units.get(header, ""))
        if isinstance(times, str):
            reasons.append(f'the column "{header}" {times}')
            continue
        with np.errstate(invalid="ignore"):
            forwards = int(np.count_nonzero(times.seconds[1:] > times.seconds[:-1]))
        if forwards == 0:
            reasons.append(f'the column "{header}" does not run forwards')
            continue
        # The finest clock wins; the header decides between equals, whatever their order.
        rank = (0 if by_name else 1, -forwards, header)
        usable.append((rank, header, times))
    if usable:
        _, header, times = min(usable, key=lambda u: u[0])
        return header, times
    raise no_time(reasons[0] if reasons else "no column with times", source_name)


def no_clock_of_its_own(
    table: Table, proposals: Sequence[Proposal], said: Mapping[str, str], source_name: str
) -> None:
    """Raises UserError where an interval is told although the file says when each row was."""
    try:
        header, _ = time_column(table, proposals, said, source_name)
    except UserError:
        return
    raise refusal(
        f'an interval that was told, and times in the column "{header}"',
        source_name,
        expected="one of the two",
        next=f'leave the interval out, or map "{header}" as "{NONE}"',
    )


def _shows_times(column: Any) -> bool:
    import pyarrow as pa

    kind = column.type
    if pa.types.is_timestamp(kind) or pa.types.is_time(kind):
        return True
    return bool(pa.types.is_string(kind) and isinstance(times_of(column[:1000], ""), Times))


@dataclass(frozen=True, slots=True)
class Long:
    """The columns of a table in which each row names its signal; unit is "" where there is none."""

    time: str
    signal: str
    value: str
    unit: str


def long_columns(table: Table) -> Long | None:
    """Which columns say when, what and how much, where each row names its signal, else None."""
    import pyarrow as pa

    headers = table.headers
    by_word = {h.strip().casefold(): h for h in headers}
    signal = next((by_word[w] for w in sorted(SIGNAL_WORDS & by_word.keys())), "")
    value = next((by_word[w] for w in sorted(VALUE_WORDS & by_word.keys())), "")
    unit = next((by_word[w] for w in sorted(UNIT_WORDS & by_word.keys())), "")
    times = sorted(p.header for p in recognise(headers) if p.channel == TIME)
    if not (signal and value and times) or not pa.types.is_string(table.columns[signal].type):
        return None
    return Long(times[0], signal, value, unit)


def signal_codes(column: Any, names: Sequence[str]) -> Rows:
    import pyarrow as pa
    import pyarrow.compute as pc

    found = pc.fill_null(pc.index_in(column, pa.array(names)), len(names))
    return np.asarray(found.to_numpy(), dtype=np.int64)


def signals(table: Table, long: Long) -> tuple[list[str], list[str]]:
    """The signals by name, sorted, each with its unit; all of them where rows disagree."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = sorted(n for n in pc.unique(table.columns[long.signal]).to_pylist() if n)
    if not long.unit or not pa.types.is_string(table.columns[long.unit].type):
        return names, [""] * len(names)
    pairs = pa.table({"s": table.columns[long.signal], "u": table.columns[long.unit]})
    found: dict[str, set[str]] = {}
    for row in pairs.group_by(["s", "u"]).aggregate([]).to_pylist():
        if row["s"] and row["u"]:
            found.setdefault(row["s"], set()).add(known.mended(row["u"]).strip())
    units = [found.get(n, set()) for n in names]
    return names, ["/".join(sorted(u)) if len(u) != 1 else next(iter(u)) for u in units]


def shows_frames(table: Table) -> bool:
    """Whether the rows are frames of a bus, which only a decoder could turn into quantities."""
    return len({h.strip().casefold() for h in table.headers} & _FRAME_WORDS) >= 2
