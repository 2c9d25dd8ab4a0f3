"""Held positions: for each hold of the pedal (or of the command) where the plate stood.

Comes after `holds.py`, before `checks/throttle_follow.py`. Only what was held while the car stood
counts; the first second of a hold is left to the plate to arrive.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from verify.evidence.holds import Holds, holds_of, inside_one, means_within, scatter_within
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.verdict import least_uncertainty
from verify.evidence.windows import CRANKING_RPM
from verify.values import dataclass

# A foot trembles by a point or two while it holds.
LEAST_BAND = 3.0
SETTLE_S = 1.0
# A plate arrives within 0.3 s (common practice); with some reserve, where readings have an age.
ARRIVES_S, SLACK_SHARE = 0.5, 0.15
LEAST_READINGS = 2
# Readings with which a recording begins, and which tell a great deal.
EARLY = 30_000
# Readings closer together than this tell the same wobble twice.
INDEPENDENT_S = 0.5


@dataclass(frozen=True, slots=True)
class Positions:
    """One held position a place; every field has shape (k,).

    x: pedal or command. y: plate, mean of its readings after the first second. doubt: standard
    uncertainty of y, with what the step of x leaves open. drift: standard deviation of one reading
    of y. came: side the hold was reached from. rpm: mean engine speed over it (NaN
    where not read). on: engine running.
    """

    x: Array
    y: Array
    doubt: Array
    drift: Array
    samples: NDArray[np.intp]
    came: NDArray[np.int64]
    rpm: Array
    on: NDArray[np.bool_]
    start_s: Array
    end_s: Array
    place: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.x)

    def only(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Positions:
        return Positions(*(getattr(self, f.name)[which] for f in fields(self)))


@shared
def holds_for(channel: Channel, recording: Recording) -> Holds:
    band = max(LEAST_BAND, 2.5 * channel.resolution)
    return holds_of(channel, recording.gaps, within=band)


def positions(
    recording: Recording, moves: Channel, plate: Channel, standing: Array | None, place: int = 0
) -> Positions:
    """Where the plate stood in each hold of `moves`; holds with too few readings are left out.

    standing: spans in which the car stood; None: wherever it was.
    """
    held = holds_for(moves, recording)
    if standing is not None:
        held = held.only(inside_one(held.start_s, held.end_s, standing))
    return _stood(recording, held, moves, plate, place)


def early_positions(
    recording: Recording, moves: Channel, plate: Channel, standing: Array
) -> Positions:
    """Those of `positions` that the first EARLY readings of what moves the plate show whole.

    The last hold may go on beyond them, so it is left out; every other one is the same.
    """
    begun = replace(moves, time_s=moves.time_s[:EARLY], values=moves.values[:EARLY])
    held = holds_for(begun, recording)
    held = held.only(held.run != held.run[-1:]) if len(held) else held
    held = held.only(inside_one(held.start_s, held.end_s, standing))
    return _stood(recording, held, moves, plate, 0)


def _stood(
    recording: Recording, held: Holds, moves: Channel, plate: Channel, place: int
) -> Positions:
    # A piece of a longer hold began settled; only the first of a run waits for the plate.
    first = np.append(True, held.run[1:] != held.run[:-1])[: len(held)]
    late, early = _age(plate), _age(moves)
    start = held.start_s + np.where(first, max(SETTLE_S, ARRIVES_S + late), late)
    end = held.end_s - early
    (y, count), drift = means_within(plate, start, end), scatter_within(plate, start, end)
    x, seen = means_within(moves, np.minimum(start, held.end_s), held.end_s)
    x = np.where(seen > 0, x, held.level)
    speed = recording.channels.get("engine_speed")
    rpm = np.full(len(held), np.nan)
    if speed is not None and len(speed.values):
        rpm = means_within(speed, held.start_s, held.end_s)[0]
    independent = np.clip((end - start) / INDEPENDENT_S + 1.0, 1.0, np.maximum(count, 1))
    # Both are read in steps; a plate rises about as its pedal or command does.
    step = math.hypot(least_uncertainty(plate.resolution), least_uncertainty(moves.resolution))
    doubt = np.hypot(step, np.nan_to_num(drift) / np.sqrt(independent))
    found = Positions(
        x, y, np.maximum(doubt, 0.02), np.nan_to_num(drift), count.astype(np.intp), held.came, rpm,
        rpm >= CRANKING_RPM, held.start_s, held.end_s, np.full(len(held), place),
    )  # fmt: skip
    return found.only(count >= LEAST_READINGS)


def _age(channel: Channel) -> float:
    """The age to reckon with: but for a sliver of it, which would cost every hold a row."""
    every = channel.interval_s if channel.interval_s > 0.0 else 0.0
    return max(0.0, channel.skew_s - SLACK_SHARE * every)


def joined(parts: list[Positions]) -> Positions:
    return Positions(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Positions))
    )


def levels(x: Array, apart: float) -> NDArray[np.intp]:
    """The number of the level of each x, shape (k,): a new one where the next higher x is `apart`
    or more away from it."""
    order = np.argsort(x, kind="stable")
    number = np.zeros(len(x), dtype=np.intp)
    if len(x):
        number[order] = np.cumsum(np.append(False, np.diff(x[order]) >= apart))
    return number
