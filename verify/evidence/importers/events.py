"""Signals whose readings each carry their own time → the channels of a recording.

Behind long tables, JSON lines, bus logs and measurement files: all of them say for each value when
it was read, so nothing has to be found out about how a logger asked, and no reading is older than
its time (`Channel.skew_s` stays 0).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from verify.evidence import channels as known
from verify.evidence.genuine import Array, Mask, Rows
from verify.evidence.importers.table_columns import Draft, Use
from verify.evidence.prepare import Clock, make_channel, mend_clock, spread
from verify.evidence.recording import Recording
from verify.values import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """seconds, codes, values: shape (n,), one a reading, in the order of the file.

    codes: place of the reading's signal in `names`; len(names) or more for what is none of them.
    seconds: on any zero, NaN where unreadable; wrap_s: after which that clock begins anew.
    values: NaN where there is no number. steps: name → the least step its coding can show.
    """

    names: Sequence[str]
    seconds: Array
    codes: Rows
    values: Array
    wrap_s: float = 0.0
    steps: Mapping[str, float] | None = None


def events_to_recording(
    events: Events,
    uses: Mapping[str, Use],
    draft: Draft,
    *,
    source_name: str,
    sha256: str,
    importer: str,
    version: int,
    rows: int,
) -> Recording:
    """Raises UserError where the times are no clock. Gaps are those of all readings together."""
    codes, values = events.codes, events.values

    def repeated(rows: Rows, others: Rows) -> Mask:
        here, there = values[rows], values[others]
        same: Mask = (here == there) | (np.isnan(here) & np.isnan(there))
        same &= codes[rows] == codes[others]
        return same

    clock = mend_clock(events.seconds, wrap_s=events.wrap_s, events=True, repeated=repeated)
    draft.repairs.extend(clock.repairs)
    if clock.rows is not None:
        codes, values = codes[clock.rows], values[clock.rows]
    order = np.argsort(codes, kind="stable")
    edges = np.searchsorted(codes[order], np.arange(len(events.names) + 1))
    for i, name in enumerate(events.names):
        if name in uses:
            of_signal = order[edges[i] : edges[i + 1]]
            step = (events.steps or {}).get(name, 0.0)
            _add(draft, name, uses[name], clock.time_s[of_signal], values[of_signal], step)
    return finished(
        draft, clock, source_name=source_name, sha256=sha256, importer=importer, version=version,
        rows=rows,
    )  # fmt: skip


def finished(
    draft: Draft,
    clock: Clock,
    *,
    source_name: str,
    sha256: str,
    importer: str,
    version: int,
    rows: int,
) -> Recording:
    """The recording of a draft, its channels in the order of the table of channels.

    Readings with one time at the very end were spread a little beyond it: it ends with the last.
    """
    ends = [float(c.time_s[-1]) for c in draft.channels.values() if len(c.time_s)]
    return Recording(
        source_name=source_name,
        sha256=sha256,
        importer=importer,
        importer_version=version,
        rows=rows,
        seconds=max([clock.seconds, *ends]),
        channels={n: draft.channels[n] for n in known.quantities() if n in draft.channels},
        gaps=clock.gaps,
        repairs=tuple(draft.repairs),
        mapping=draft.mapping,
        unmapped=tuple(draft.unmapped),
    )


def _add(draft: Draft, name: str, use: Use, t: Array, v: Array, step: float) -> None:
    filled = ~np.isnan(v)
    t, v = t[filled], v[filled]
    twice = np.concatenate(([False], (np.diff(t) <= 0) & (np.diff(v) == 0)))[: len(t)]
    if np.any(twice):
        draft.repairs.append(f"{name}: {int(np.count_nonzero(twice))} repeats left out")
        t, v = t[~twice], v[~twice]
    t, kept = spread(t)
    draft.add(name, use, make_channel(
        use.channel, name, use.unit, t, v[kept], unit_told=use.unit_told, least_step=step
    ))  # fmt: skip
