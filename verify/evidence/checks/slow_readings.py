"""What checks of slow quantities share: a mean with its doubt, and plausible numbers of a vehicle.

Trims, temperatures and voltages are read once in a second or less; what counts is their mean over
minutes, and how many independent readings that mean is worth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from verify.evidence import spans as sp
from verify.evidence.checks.kind import Check, spec_number
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.series import mean_with_effective_size
from verify.evidence.usual import Range
from verify.evidence.verdict import (
    CheckResult,
    Distribution,
    Measurement,
    Window,
    least_uncertainty,
    mean_measurement,
)
from verify.quantity import SpecValue

# Worth fewer than this, a stated 95 % interval holds the truth clearly less often than it says.
LEAST_EFFECTIVE = 3.0
SETTLE_SPEC = "look the number up in the service information of this vehicle and give it again"


def implausible_spec(
    check: Check, specs: Mapping[str, SpecValue], ranges: Mapping[str, Range]
) -> CheckResult | None:
    """The result `spec-implausible` where a number of the vehicle cannot be meant, else None."""
    for name, r in ranges.items():
        value = spec_number(specs, name, r.unit)
        if value is not None and not r.low <= value <= r.high:
            return check.result(
                "spec-implausible",
                f"{value:.4g} {r.unit} cannot be meant as {r.words}, which lies between "
                f"{r.low:.4g} and {r.high:.4g} {r.unit}.",
                settle=SETTLE_SPEC,
            )
    return None


def level(pieces: Sequence[Array], unit: str, resolution: float) -> Measurement | None:
    """The mean over all pieces (each in time order) as a measurement; None below two readings.

    resolution: in `unit`, above 0. Readings that never move leave the rounding alone, a uniform
    doubt. Readings worth fewer than 3 independent ones carry no standard deviation that could be
    trusted; their mean still lies between the lowest and the highest of them, and is stated as
    uniform over that. Source: `series.mean_with_effective_size` and GUM 4.3.7 for the bounds.
    """
    kept = [p for p in pieces if len(p)]
    count = sum(len(p) for p in kept)
    if count < 2:
        return None
    spread = mean_with_effective_size(kept)
    if spread.deviation > 0.0 and spread.effective >= LEAST_EFFECTIVE:
        return mean_measurement(
            spread.mean, unit, spread.deviation, spread.effective, count, resolution
        )
    low = min(float(p.min()) for p in kept) - 0.5 * resolution
    high = max(float(p.max()) for p in kept) + 0.5 * resolution
    return Measurement(
        0.5 * (low + high),
        unit,
        max((high - low) / math.sqrt(12.0), least_uncertainty(resolution)),
        Distribution.UNIFORM,
        samples=count,
        resolution=resolution,
    )


def pieces_in(
    place: int, channel: Channel, spans: Array, least: int = 1
) -> tuple[list[Array], list[Window]]:
    """The channel's readings in each span of recording `place`, with the spans as windows; spans
    with fewer than `least` readings are left out."""
    values: list[Array] = []
    windows: list[Window] = []
    for (start, end), (_, own) in zip(spans.tolist(), sp.pieces(channel, spans), strict=True):
        if len(own) >= least:
            values.append(own)
            windows.append(Window(place, start, end))
    return values, windows


def never_moves(channels: Sequence[Channel]) -> bool:
    """Whether ten readings or more of a channel, over all recordings, are one and the same: closer
    together than half of the step in which they are told."""
    seen = [c for c in channels if len(c.values)]
    if sum(len(c.values) for c in seen) < 10:
        return False
    low = min(sp.reach(c)[0] for c in seen)
    high = max(sp.reach(c)[1] for c in seen)
    return high - low <= 0.5 * max(c.resolution for c in seen)


def channels_named(recordings: Sequence[Recording], name: str) -> list[Channel]:
    return [r.channels[name] for r in recordings if name in r.channels]
