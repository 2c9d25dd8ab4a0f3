"""Short and long trim of each bank, and their sum."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.slow_readings import channels_named
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.windows import hold_onto

# One step of a trim: a byte over −100 to 99.2 %. SAE J1979 / ISO 15031-5, PID 06 to 09. Loggers
# that round to whole percents are the coarsest in use.
STEP, COARSEST_STEP = 100.0 / 128.0, 1.0
LONG_CAP_S = 20.0

BANKS = {
    1: ("fuel_trim_short", "fuel_trim_long"),
    2: ("fuel_trim_short_2", "fuel_trim_long_2"),
}


def half(recordings: Sequence[Recording], bank: int) -> bool:
    """Whether nowhere both trims of the bank are recorded."""
    return not any(all(n in r.channels for n in BANKS[bank]) for r in recordings)


def not_fitted(recordings: Sequence[Recording]) -> bool:
    """Whether bank 2 reads only what stands where there is none: 0 throughout, or all bits 0 or 1
    (−100 and 99.2 %)."""
    own = [c for n in BANKS[2] for c in channels_named(recordings, n) if len(c.values)]
    return bool(own) and any(
        all(bool(np.all(np.abs(c.values - empty) < 0.5 * STEP)) for c in own)
        for empty in (0.0, -100.0, 255.0 * STEP - 100.0)
    )


def sums(short: Channel, long: Channel, spans: Array) -> list[Array]:
    """short + the long trim's latest reading, for each span."""
    held_s = sp.longest_step_s(long, LONG_CAP_S)
    found = []
    for times, values in sp.pieces(short, spans):
        both = values + hold_onto(long, times, held_s)
        found.append(both[np.isfinite(both)])
    return found


def step_of(*channels: Channel) -> float:
    """The step of a sum: two roundings that know nothing of each other."""
    return math.hypot(*(max(STEP, min(c.resolution, COARSEST_STEP)) for c in channels))
