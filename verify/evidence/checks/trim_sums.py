"""Short and long trim of each bank, and their sum."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.slow_readings import channels_named
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.stretches import places_in
from verify.evidence.windows import Condition, hold_onto

# One step of a trim: a byte over −100 to 99.2 %. SAE J1979 / ISO 15031-5, PID 06 to 09. Loggers
# that round to whole percents are the coarsest in use.
STEP, COARSEST_STEP = 100.0 / 128.0, 1.0
LONG_CAP_S = 20.0

# Readings of exactly 0 that are no part of what the trim does: so many, in so many short runs,
# three times as many as lie one step beside 0 on both sides together (a smooth spread has half as
# many), and the rest so many steps away in the middle. Common practice, no source.
LEAST_DROPS, DROPS_SHARE, LEAST_DROP_RUNS, LONGEST_DROP_RUN = 4, 0.05, 3, 5.0
BESIDE_TIMES, FAR_STEPS = 3, 2.5

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
    if not len(spans):
        return []
    first = np.searchsorted(short.time_s, spans[:, 0], side="left")
    after = np.searchsorted(short.time_s, spans[:, 1], side="right")
    place = places_in(first, after)
    if long.time_s is short.time_s:
        both = (short.values + long.values)[place]
    else:
        both = short.values[place] + hold_onto(long, short.time_s[place], held_s)
    pieces = np.split(both, np.cumsum(after - first)[:-1])
    if np.isfinite(both).all():
        return pieces
    return [own[np.isfinite(own)] for own in pieces]


def drops_out(trim: Channel, spans: Array) -> float:
    """The share of its readings that fall to exactly 0 out of a trim that is elsewhere; 0.0 where
    none do so.

    A trim that passes through 0 is as often just beside it. One that is 0 again and again, for a
    few readings each, far from where the rest lies and with hardly any between, is a value that the
    logger filled in, or two that alternate, and its mean means nothing.
    """
    values = np.concatenate([v for _, v in sp.pieces(trim, spans)]) if len(spans) else np.empty(0)
    zero = values == 0.0
    count = int(np.count_nonzero(zero))
    if count < max(LEAST_DROPS, DROPS_SHARE * len(values)):
        return 0.0
    first, after = sp.runs_of(zero)
    if len(first) < LEAST_DROP_RUNS:
        return 0.0
    if float(np.mean(after - first)) > LONGEST_DROP_RUN or count == len(values):
        return 0.0
    away = np.abs(values[~zero])
    step = max(STEP, min(trim.resolution, COARSEST_STEP))
    beside = int(np.count_nonzero(away <= 1.5 * step))
    if float(np.median(away)) < FAR_STEPS * step or count < BESIDE_TIMES * beside:
        return 0.0
    return count / len(values)


def dropped_out(name: str, trims: Sequence[Channel], spans: Array) -> Condition | None:
    """Why the mean of these trims means nothing, None where they do not drop out."""
    for trim in trims:
        share = drops_out(trim, spans)
        if share > 0.0:
            words = trim.name.replace("_", " ")
            return Condition(
                sp.EMPTY,
                "drops-out",
                f"{name} {words} reads exactly 0 in {100 * share:.0f} of 100 readings, again and "
                "again, and hardly ever near it",
                "record fewer channels, or with another logger",
            )
    return None


def step_of(*channels: Channel) -> float:
    """The step of a sum: two roundings that know nothing of each other."""
    return math.hypot(*(max(STEP, min(c.resolution, COARSEST_STEP)) for c in channels))
