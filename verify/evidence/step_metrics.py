"""Figures of one step answer, from dense readings.

Mathematics and nothing of the trade: what is a command, a level and a good answer, the checks say.
Terms as control engineering uses them; two of them are often confused and therefore named fully:
rise runs from 10 to 90 % of the step, and settling counts from the command (not from half way).
"""

from __future__ import annotations

import math

import numpy as np

from verify.evidence.recording import Array
from verify.values import dataclass


@dataclass(frozen=True, slots=True)
class StepMetrics:
    """Seconds, counted from the command; nan where the values never get there.

    dead_s: to the first value that has left the initial one by `dead_share` of the step.
    delay_s: to half of the step. rise_s: from 10 to 90 %.
    overshoot: (peak − final)/(final − initial), 0 where it never passes the final value.
    peak_s: time of the peak. settling_s: to the last entry into ± `settle_share` of the step.
    """

    dead_s: float
    delay_s: float
    rise_s: float
    overshoot: float
    peak_s: float
    settling_s: float


def step_metrics(
    time_s: Array,
    values: Array,
    command_s: float,
    initial: float,
    final: float,
    *,
    dead_share: float = 0.02,
    settle_share: float = 0.05,
) -> StepMetrics:
    """The figures of one step, with times read between readings by straight lines.

    time_s, values: shape (n,), increasing times, from the command on (earlier ones are ignored).
    initial, final: levels before and after; their difference may have either sign.
    Raises ValueError where there is no step.
    Source: definitions of control engineering (textbooks; from memory); oracle in the tests:
    python-control's `step_info`.
    """
    step = final - initial
    if not (math.isfinite(step) and step != 0.0):
        raise ValueError("a step needs two different finite levels")
    after = time_s >= command_s
    t = time_s[after] - command_s
    x = (values[after] - initial) / step
    if len(t) < 2:
        return StepMetrics(*[math.nan] * 6)
    peak = int(np.argmax(x))
    low, high = first_crossing(t, x, 0.1), first_crossing(t, x, 0.9)
    return StepMetrics(
        dead_s=first_crossing(t, x, dead_share),
        delay_s=first_crossing(t, x, 0.5),
        rise_s=high - low,
        overshoot=max(0.0, float(x[peak]) - 1.0),
        peak_s=float(t[peak]),
        settling_s=_settled(t, x, settle_share),
    )


def first_crossing(t: Array, x: Array, height: float) -> float:
    """When x first reaches a height coming from below, between readings by a straight line."""
    reached = np.flatnonzero(x >= height)
    if not len(reached):
        return math.nan
    at = int(reached[0])
    if at == 0:
        return float(t[0])
    share = (height - x[at - 1]) / (x[at] - x[at - 1])
    return float(t[at - 1] + share * (t[at] - t[at - 1]))


def _settled(t: Array, x: Array, share: float) -> float:
    outside = np.flatnonzero(np.abs(x - 1.0) > share)
    if not len(outside):
        return float(t[0])
    last = int(outside[-1])
    if last == len(t) - 1:
        return math.nan
    edge = 1.0 + math.copysign(share, x[last] - 1.0)
    part = (edge - x[last]) / (x[last + 1] - x[last])
    return float(t[last] + part * (t[last + 1] - t[last]))
