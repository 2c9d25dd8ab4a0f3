"""The truth: what each quantity really was, from the full-rate signals without any logger.

Written from the quantities' own definitions, not from the checks' code.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.vehicle.hands import Hold

Array = NDArray[np.float64]


def crossing_s(times: Array, values: Array, level: float, *, rising: bool) -> float:
    """When a signal first crosses `level`, linearly between its steps; nan where it does not."""
    beyond = values >= level if rising else values <= level
    if not beyond.any():
        return float("nan")
    at = int(np.argmax(beyond))
    if at == 0:
        return float(times[0])
    rise = values[at] - values[at - 1]
    share = 0.0 if rise == 0 else (level - values[at - 1]) / rise
    return float(times[at - 1] + share * (times[at] - times[at - 1]))


def step_figures(times: Array, values: Array, before: float, after: float) -> dict[str, float]:
    """Delay to 50 %, rise 10–90 %, overshoot (share of the step), of one step that begins at 0."""
    share = (values - before) / (after - before)
    rise = [crossing_s(times, share, level, rising=True) for level in (0.1, 0.5, 0.9)]
    return {
        "delay_s": rise[1],
        "rise_s": rise[2] - rise[0],
        "overshoot": max(0.0, float(np.max(share)) - 1.0),
    }


def presses_of(
    holds: Sequence[Hold], times: Array, pedal: Array, plate: Array
) -> list[dict[str, float]]:
    """For each press: the 50 %-to-50 % delay, the overshoot, and when the plate answered at all.

    answer_s: from the pedal's crossing half of its way to the plate's first fifth of its own (the
    plate may be ahead of that: negative).
    """
    found = []
    for last, hold in pairwise(holds):
        if hold.level <= last.level:
            continue
        window = (times >= hold.leaves_s) & (times <= hold.end_s)
        t, foot, leaf = times[window], pedal[window], plate[window]
        rest = float(np.median(plate[(times > last.end_s - 0.5) & (times < last.end_s)]))
        held = float(np.median(leaf[t > hold.end_s - 1.0]))
        half_foot = crossing_s(t, foot, (last.level + hold.level) / 2.0, rising=True)
        moved = held - rest
        if moved < 1.0:
            found.append({"delay_s": np.nan, "overshoot": np.nan, "answer_s": np.inf})
            continue
        share = (leaf - rest) / moved
        found.append(
            {
                "delay_s": crossing_s(t, share, 0.5, rising=True) - half_foot,
                "overshoot": max(0.0, float(np.max(share)) - 1.0),
                "answer_s": crossing_s(t, share, 0.2, rising=True) - half_foot,
            }
        )
    return found


def releases_of(holds: Sequence[Hold], times: Array, plate: Array) -> list[float]:
    """For each full release: seconds from the pedal's arrival at rest to the plate within 20 %."""
    found = []
    for last, hold in pairwise(holds):
        if hold.level > 0.0 or last.level <= 0.0:
            continue
        window = (times >= hold.leaves_s) & (times <= hold.end_s)
        open_at = float(np.median(plate[(times > last.end_s - 0.5) & (times < last.end_s)]))
        rest = float(np.min(plate[window]))
        at = crossing_s(times[window], plate[window], rest + 0.2 * (open_at - rest), rising=False)
        found.append(max(0.0, at - hold.start_s))
    return found


def held_levels(
    holds: Sequence[Hold], times: Array, values: Array, last_s: float = 1.5
) -> list[tuple[float, float, float]]:
    """For each hold: the pedal's level, the mean of `values` in its last seconds, and whether the
    pedal came from below (1.0) or above (−1.0)."""
    found = []
    for last, hold in pairwise(holds):
        window = (times > hold.end_s - last_s) & (times < hold.end_s)
        found.append(
            (hold.level, float(np.mean(values[window])), 1.0 if hold.level > last.level else -1.0)
        )
    return found


def half_peak_to_peak(values: Array, step_s: float, window_s: float = 20.0) -> float:
    """Half the peak-to-peak over 20 s, in the stretch that one in ten exceeds."""
    width, hop = round(window_s / step_s), round(1.0 / step_s)
    starts = range(0, max(1, len(values) - width), hop)
    return float(np.quantile([np.ptp(values[s : s + width]) / 2.0 for s in starts], 0.9))


def seconds_below(values: Array, step_s: float, level: float) -> float:
    """The longest unbroken time below a level."""
    below = np.concatenate([[0], (values < level).astype(int), [0]])
    edges = np.flatnonzero(np.diff(below))
    lengths = edges[1::2] - edges[::2]
    return float(lengths.max() * step_s) if len(lengths) else 0.0
