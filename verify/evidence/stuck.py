"""An engine speed that stands to the last digit for far longer than it ever does in this file.

Where the car stops answering, many loggers go on writing the last number they had. In a table that
looks like an engine that runs on evenly, while in truth it may have stalled. A running engine does
not hold its last digit: how long it usually does is shown by the file itself.

The rule. Runs of equal readings are counted among those of like speed (within a fifth) of a running
engine. `usual` is the length that 98 % of them do not exceed. A run of at least four times that
length, at least 6 readings and 1 s (as long as a stall that must show), is what is called stuck
here. Were digits drawn independently, a run would be that long with a probability of at most
0.02^(7/2) = 1·10⁻⁶: where the usual length is u, a repeat has one of 0.02^(1/u) at most, and 4u − 1
of them (5, where u is 1) are needed. With fewer than 50
other runs of like speed nothing is concluded: a coarse or steady reading is a real one. `usual`
being estimated itself, it happens in about one file of 400 by chance, and then costs evidence.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_ROWS = 6
LEAST_SECONDS = 1.0
LEAST_RUNS = 50
USUAL_SHARE = 0.98
TIMES = 4
LIKE = 0.2


def stuck(time_s: Array, values: Array) -> Mask | None:
    """Which readings only repeat the first of a run that is far too long; None where none does.

    time_s, values: shape (n,). The first reading of such a run stays: that one was read.
    """
    n = len(values)
    if n < LEAST_ROWS + LEAST_RUNS:
        return None
    first = np.concatenate(([0], np.flatnonzero(values[1:] != values[:-1]) + 1))
    sizes = np.diff(np.append(first, n))
    if int(sizes.max()) < LEAST_ROWS:
        return None
    speed = values[first]
    last = first + sizes - 1
    long = np.flatnonzero(
        (sizes >= LEAST_ROWS) & (speed > 0) & (time_s[last] - time_s[first] >= LEAST_SECONDS)
    )
    if len(long) == 0 or len(first) < LEAST_RUNS:
        return None
    # By speed, so that the runs of like speed are one stretch of the list.
    order = np.argsort(speed, kind="stable")
    ranked = speed[order]
    found = np.zeros(n, dtype=bool)
    some = False
    for run in long[np.argsort(sizes[long])[::-1]][:200]:
        low = np.searchsorted(ranked, speed[run] * (1 - LIKE), "left")
        high = np.searchsorted(ranked, speed[run] * (1 + LIKE), "right")
        like = sizes[order[low:high]]
        if len(like) - 1 < LEAST_RUNS:
            continue
        usual = float(np.quantile(like, USUAL_SHARE, method="higher"))
        if sizes[run] >= TIMES * usual:
            found[first[run] + 1 : last[run] + 1] = True
            some = True
    return found if some else None
