"""A table that was resampled: engine speed shows on which rows it was really read.

Exports put onto even rows hold each value until the next one was read, for a varying number of
rows, or draw straight lines between two readings. Either way the rows are far more than the
readings, and what happened between two readings is in none of them.

An engine's speed is never still and never runs along straight lines, so it shows both:

- *held*: half of the rows of a running engine repeat the one before, and where it changes, it
  mostly changes by more than a step. Where an engine is so calm that half of its readings are
  equal, the others differ by one step.
- *straight*: half of the rows lie on the line through their neighbours to a step and a half, and
  the others lie clearly off it, by twice as much in the middle, alone or by twos (a reading falls
  between two rows) and about as far from each other: nine of ten are no nearer than 0.6 of the
  usual distance. Where chance bends it, a third of the distances are.

The readings are then the rows at which it changes or bends; rows of a standing engine stay, for
nothing tells of them. How far apart the readings are, the other columns of the table take for
granted: each of their values may be as old (held), or stand that much before or behind its time
(straight: twice that). A table in such coarse steps that bends are lost in them shows nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.prepare import resolution_of
from verify.evidence.recording import Array
from verify.values import dataclass

Mask = NDArray[np.bool_]

RUNS_RPM = 300.0
LEAST_ROWS, LEAST_READINGS = 100, 30
SHARE, ONE_STEP_SHARE = 0.5, 0.25
STEPS, BENDS = 1.5, 2.0
LEAST_APART, NEAR, MOST = 3, 0.6, 0.1
# A reading comes a little later than usual now and then.
LATER = 1.2
_SAMPLE_ROWS = 4000
# Rows at even distances, so that a line through neighbours is a line in time.
EVEN = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Resampled:
    """read: shape (n,), the rows of engine speed that are readings. age_s: how far from its time
    another column's value may be, in seconds. how: "held" or "straight"."""

    read: Mask
    age_s: float
    how: str

    @property
    def words(self) -> str:
        what = {
            "held": "repeats its last reading over a varying number of rows",
            "straight": "runs along straight lines between readings",
        }[self.how]
        return (
            f"engine speed {what}: the table was put onto even rows after it was read, so only "
            f"{int(np.count_nonzero(self.read))} rows count as readings of it, and every other "
            f"value may lie {self.age_s:.2g} s from its time"
        )


def resampled(time_s: Array, speed: Array) -> Resampled | None:
    """How engine speed of a table was resampled; None where nothing shows that it was.

    time_s, speed: shape (n,), one entry a row; NaN where nothing stands.
    """
    if len(speed) < LEAST_ROWS:
        return None
    if len(speed) > 10 * _SAMPLE_ROWS:
        # Where a stretch from the middle shows no pattern, there is none.
        middle = slice(len(speed) // 2 - _SAMPLE_ROWS // 2, len(speed) // 2 + _SAMPLE_ROWS // 2)
        if resampled(time_s[middle], speed[middle]) is None:
            return None
    runs = speed >= RUNS_RPM  # NaN compares false
    step = resolution_of(speed[runs]) if np.count_nonzero(runs) >= LEAST_ROWS else 0.0
    if not step > 0.0:
        return None
    for how, read in (("held", _held(speed, runs, step)), ("straight", _straight(time_s, speed))):
        if read is None:
            continue
        usual_s = LATER * float(np.median(np.diff(time_s[read & runs])))
        return Resampled(read, usual_s * (2.0 if how == "straight" else 1.0), how)
    return None


def _held(speed: Array, runs: Mask, step: float) -> Mask | None:
    both = runs[1:] & runs[:-1]
    change = np.abs(np.diff(speed))
    changed = both & (change > 0.0)
    count, pairs = int(np.count_nonzero(changed)), int(np.count_nonzero(both))
    if count < LEAST_READINGS or count > (1.0 - SHARE) * pairs:
        return None
    if np.count_nonzero(change[changed] <= STEPS * step) > ONE_STEP_SHARE * count:
        return None
    return np.concatenate([[True], ~both | (change > 0.0)])


def _straight(time_s: Array, speed: Array) -> Mask | None:
    """Steps are those of the last decimal written: a line between readings has no other."""
    steps = np.diff(time_s)
    even = np.abs(steps[1:] - steps[:-1]) <= EVEN * np.abs(steps[:-1])
    runs = (speed[:-2] >= RUNS_RPM) & (speed[1:-1] >= RUNS_RPM) & (speed[2:] >= RUNS_RPM) & even
    bend = np.abs(speed[2:] - 2.0 * speed[1:-1] + speed[:-2])
    within = STEPS * _decimal(speed[speed >= RUNS_RPM])
    bends = np.flatnonzero(runs & (bend > within))
    if len(bends) < LEAST_READINGS or len(bends) > (1.0 - SHARE) * np.count_nonzero(runs):
        return None
    if not float(np.median(bend[bends])) >= BENDS * within:
        return None
    first = bends[np.diff(bends, prepend=-2) > 1]
    apart = np.diff(first)
    long = np.count_nonzero(np.diff(np.searchsorted(bends, first), append=len(bends)) > 2)
    if len(first) < LEAST_READINGS or long > MOST * len(first):
        return None
    usual = float(np.median(apart))
    if usual < LEAST_APART or np.count_nonzero(apart < NEAR * usual) > MOST * len(apart):
        return None
    read = ~runs
    read[first] = True
    return np.concatenate([[True], read, [True]])


def _decimal(values: Array) -> float:
    """The step in which the numbers are written: the least that they differ by."""
    steps = np.diff(np.unique(values[:: max(1, len(values) // 20_000)]))
    steps = steps[steps > 1e-9 * float(np.max(np.abs(values)))]
    return float(np.min(steps)) if len(steps) else 0.0
