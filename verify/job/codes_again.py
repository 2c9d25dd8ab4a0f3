"""A code reading back from what is stored of it, and compared with the job around it. Pure.

The inverse of what `codes_judge` writes down; for `recompute`, which judges it again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from verify.car.codes import CodeReading
from verify.car.freeze_frame import FreezeFrame
from verify.car.readiness import Ignition, State, Status
from verify.car.since_clear import Counters, Drive
from verify.car.told_clear import ToldClear
from verify.car.whole_counts import Span
from verify.job.answers import CodesRead
from verify.job.same import same


def codes_read_again(values: Mapping[str, Any]) -> CodesRead:
    """The answer to a codes step from its stored values. Raises KeyError, TypeError, ValueError."""
    counted, drive = values.get("since_clear", {}), values.get("drive", {})
    ready, frame = values.get("readiness", "not read"), values.get("freeze_frame")
    status = None
    if ready != "not read":
        status = Status(
            Ignition(ready["ignition"]),
            {name: State(state) for name, state in ready["monitors"].items()},
            ready["lamp_commanded"],
            ready["stored_codes"],
            ready["since"] == "this driving cycle",
            tuple(ready.get("notes", ())),
        )
    return CodesRead(
        CodeReading.from_json(values),
        Counters(**{n: _counter(counted.get(n, "not read")) for n in _COUNTERS}),
        Drive(
            _span(drive.get("distance_km", "not known")),
            _span(drive.get("minutes", "not known")),
            drive.get("warm_ups", 0),
        ),
        from_recording=drive.get("from") == "recording",
        status=status,
        frame=FreezeFrame(**frame) if frame is not None else None,
        clear=ToldClear.from_json(values["cleared"]) if "cleared" in values else None,
    )


_COUNTERS = ("distance_km", "minutes", "warm_ups")


def _counter(value: Any) -> Any:
    if value == "not read":
        return None
    return Span(*value) if isinstance(value, list) else value


def _span(value: Any) -> Span | None:
    if value == "not known":
        return None
    low, high = value
    return Span(low, math.inf if high == "not known" else high)


def fits(stored: ToldClear | None, clear: ToldClear | None) -> bool:
    """Whether the clear an answer was held against is the one of the job. clear: by the time of
    the entry, which is written a little after the answer was judged."""
    if stored is None or clear is None:
        return stored is clear
    return stored.minutes <= clear.minutes + 0.01 and stored.drive_after == clear.drive_after


def same_drive(one: Drive, two: Drive) -> bool:
    def ends(drive: Drive) -> list[float | None]:
        spans = drive.distance_km, drive.minutes
        found = [e for s in spans for e in ((s.low, s.high) if s else (None, None))]
        return [*found, drive.warm_ups]

    return all(same(a, b) for a, b in zip(ends(one), ends(two), strict=True))
