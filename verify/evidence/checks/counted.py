"""Seconds that readings stand for, added up over those at which a condition held.

Arithmetic of `road-coverage`, which says what the conditions are and how much is enough.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array
from verify.evidence.spans import runs_of
from verify.values import dataclass

Truths = NDArray[np.bool_]
# The first reading of a run stands for no more than this.
FIRST_S = 1.0


@dataclass(frozen=True, slots=True)
class Counted:
    """The readings at which a condition held, in unbroken runs, and the seconds they stand for.

    starts, ends: first reading of each run and first one after it. before: how many readings
    counted before the run. total_s: what has come together with each reading that counts.
    """

    starts: NDArray[np.intp]
    ends: NDArray[np.intp]
    before: NDArray[np.intp]
    total_s: Array

    @staticmethod
    def of(holds: Truths, step: Array, unseen: Truths) -> Counted:
        counts = holds & ~unseen
        starts, ends = runs_of(counts)
        before = np.concatenate([[0], np.cumsum(ends - starts)])[:-1].astype(np.intp)
        weight = step[counts]
        # The first reading after an unseen step goes on with what held before that step.
        fresh = before[(starts == 0) | ~holds[starts - 1]]
        weight[fresh] = np.minimum(weight[fresh], FIRST_S)
        return Counted(starts, ends, before, np.cumsum(weight))

    @property
    def seconds(self) -> float:
        return float(self.total_s[-1]) if len(self.total_s) else 0.0

    def reached(self, seconds: float) -> int | None:
        """The reading with which so much had come together; None where it never did."""
        place = int(np.searchsorted(self.total_s, seconds))
        if place == len(self.total_s):
            return None
        run = int(np.searchsorted(self.before, place, side="right")) - 1
        return int(self.starts[run]) + place - int(self.before[run])

    def longest(self, seconds: float) -> tuple[float, int | None]:
        """(the longest unbroken run, the reading with which one had first lasted so long)."""
        if not len(self.starts):
            return 0.0, None
        after = self.before + self.ends - self.starts
        base = np.where(self.before > 0, self.total_s[self.before - 1], 0.0)
        lasted = self.total_s[after - 1] - base
        enough = np.flatnonzero(lasted >= seconds)
        if not len(enough):
            return float(lasted.max()), None
        run = enough[0]
        grown = self.total_s[self.before[run] : after[run]] - base[run]
        return float(lasted.max()), int(self.starts[run] + np.searchsorted(grown, seconds))
