"""Whether the clear that was told of really happened, by the car's own counters.

A clear sets them to zero (`since_clear`). So afterwards they hold no more than fits into the time
since: an engine cannot have run longer, nor the car have come further, than that. Where they hold
more, the clear did not reach this module, or was not made, and codes that are gone may not be gone.

How long ago it was is the machine's claim, as the most that is possible: counted from before the
question was shown. It bounds, and proves nothing by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from verify.car.since_clear import FINDINGS, Counters, Drive, Proof, as_span, cleared_since, counted
from verify.car.whole_counts import ONE_BYTE_FULL, TWO_BYTES_FULL, Span, counter_span
from verify.values import dataclass
from verify.words import Verdict

# A step is often done a while before its question is answered. Common practice, no source.
EARLIER_MIN = 30.0
# Further than this no car comes within an hour on the road. Common practice, no source.
MOST_KMH = 130.0
# An engine needs at least so long to cool down and warm up again. Common practice, no source.
WARM_UP_MIN = 30.0


@dataclass(frozen=True, slots=True)
class ToldClear:
    """minutes: at most how long before the reading codes were cleared, by the machine's clock;
    drive_after: the recorded drive was made after it. Raises ValueError for no such time."""

    minutes: float
    drive_after: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.minutes) and self.minutes >= 0):
            raise ValueError("a clear lies in the past")

    def to_json(self) -> dict[str, Any]:
        return {"minutes": self.minutes, "drive_after": self.drive_after}

    @staticmethod
    def from_json(body: Mapping[str, Any]) -> ToldClear:
        return ToldClear(float(body["minutes"]), bool(body["drive_after"]))


def most_since(clear: ToldClear, drive: Drive) -> Counters:
    """The most the counters can hold since `clear`, as spans from nothing, and a count.

    drive: the recorded one, whose distance is known better than by its time.
    """
    minutes = clear.minutes + EARLIER_MIN
    far = MOST_KMH * minutes / 60
    if clear.drive_after and drive.distance_km is not None and drive.minutes is not None:
        rest = max(minutes - drive.minutes.low, 0.0)
        far = min(far, drive.distance_km.high + MOST_KMH * rest / 60)
    return Counters(
        Span(0.0, min(far, TWO_BYTES_FULL)),
        Span(0.0, min(minutes, TWO_BYTES_FULL)),
        min(1 + int(minutes / WARM_UP_MIN), ONE_BYTE_FULL),
    )


def beyond(counters: Counters, clear: ToldClear, drive: Drive) -> tuple[str, ...]:
    """What the counters hold more than fits since the clear, a phrase each; () where all fits or
    nothing was read."""
    most = most_since(clear, drive)
    assert isinstance(most.distance_km, Span)
    assert isinstance(most.minutes, Span)
    found = []
    if cleared_since(counters, most.distance_km) is False:
        found.append(f"{_shown(counters.distance_km)} km")
    run, warmed = counters.minutes, counters.warm_ups
    if run is not None and as_span(run, TWO_BYTES_FULL).low > most.minutes.high:
        found.append(f"{_shown(run)} min with the engine running")
    if warmed is not None and counter_span(warmed, ONE_BYTE_FULL).low > (most.warm_ups or 0):
        found.append(f"{warmed} warm-ups")
    return tuple(found)


def with_clear(proof: Proof, counters: Counters, clear: ToldClear, drive: Drive) -> Proof:
    """The proof of the drive, once the clear was held against the counters too.

    It only takes away: a pass becomes undecided where the counters hold more than fits; a fail
    stays one; and where nothing was read nothing changes.
    """
    if counters == Counters():
        return proof
    ago = f"codes were cleared at most {_ago(clear.minutes)} before, by the clock of this machine"
    more = beyond(counters, clear, drive)
    if not more:
        return Proof(proof.verdict, proof.finding, (*proof.why, f"{ago}: that fits"), proof.settle)
    why = (
        f"since the clear the car counts {' and '.join(more)}, but {ago}: that clear did not reach "
        "this module, or was not made"
    )
    if proof.verdict is Verdict.FAIL:
        return Proof(proof.verdict, proof.finding, (*proof.why, why), proof.settle)
    return Proof(
        FINDINGS["clear-not-seen"],
        "clear-not-seen",
        (why, *proof.why),
        "read the counters again, in the same module; if they stay, clear its codes, repeat the "
        "drive and read them again",
    )


def _shown(value: int | Span | None) -> str:
    assert value is not None
    return ("at least " if value == TWO_BYTES_FULL else "") + counted(value)


def _ago(minutes: float) -> str:
    whole = math.ceil(minutes)
    if whole < 120:
        return f"{whole} min"
    return f"{whole // 60} h" if whole < 48 * 60 else f"{whole // 1440} days"
