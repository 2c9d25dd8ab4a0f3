"""How far groups of readings lie off a line, in percent of the span, with doubt and probability.

Arithmetic of `checks/pairs.py`, which says which lines and groups there are and what follows.
"""

from __future__ import annotations

import math

import numpy as np

from verify.evidence.lines import Line
from verify.evidence.recording import Array
from verify.evidence.tracks import Groups
from verify.evidence.verdict import (
    Limits,
    Measurement,
    Rule,
    decide,
    least_uncertainty,
    probability_of_conformity,
)
from verify.values import dataclass
from verify.words import Verdict


@dataclass(frozen=True, slots=True)
class Off:
    """How far the tracks are apart under one line, in percent of span, and how sure.

    where: the group that decides. p: of conformity, the lowest of all groups. failing: pairs in
    groups that by themselves would fail.
    """

    line: Line
    percent: float
    uncertainty: float
    p: float
    where: int
    failing: int


def _doubts(groups: Groups, line: Line, span: float, steps: tuple[float, float]) -> Array:
    """Standard uncertainty of each group's distance from the line, percent of span."""
    slope = abs(line.slope)
    root = np.sqrt(groups.samples)
    step_x, step_y = least_uncertainty(steps[0]), least_uncertainty(steps[1]) / slope
    moved = groups.motion / math.sqrt(12.0) / root
    scatter = groups.scatter / slope / root
    one = np.sqrt(step_x**2 + step_y**2 + moved**2 + scatter**2)
    # The line itself: as good as its levels are many, worse towards the ends.
    centre, width = float(np.median(groups.x)), max(float(np.ptp(groups.x)), 1e-9)
    levels = max(2, len(np.unique(groups.level)))
    own = math.hypot(step_x, step_y) * np.sqrt(
        (1.0 + 12.0 * ((groups.x - centre) / width) ** 2) / levels
    )
    result: Array = 100.0 / span * np.maximum(np.hypot(one, own), 1e-3)
    return result


def held_against(
    groups: Groups, line: Line, span: float, steps: tuple[float, float],
    limits: Limits, rule: Rule,
) -> Off:  # fmt: skip
    """The groups against one line. span: in units of x. limits: with an upper end.

    steps: resolutions of x and y.
    """
    assert limits.upper is not None
    off = np.abs(groups.y - line.at(groups.x)) / abs(line.slope) * 100.0 / span
    doubt = _doubts(groups, line, span, steps)
    # Only the few groups nearest to failing can decide.
    near = np.argsort((limits.upper - off) / doubt, kind="stable")[:40]
    p = [
        probability_of_conformity(Measurement(float(off[g]), "%", float(doubt[g])), limits)
        for g in near.tolist()
    ]
    failing = sum(
        int(groups.samples[g])
        for g, own in zip(near.tolist(), p, strict=True)
        if decide(own, rule.pass_at, rule.fail_at) is Verdict.FAIL
    )
    worst = int(near[int(np.argmin(p))])
    if decide(min(p), rule.pass_at, rule.fail_at) is Verdict.PASS:
        worst, own_off = _largest_of_levels(groups, line, span, doubt)
        # One stretch by itself, where it stands out from its level.
        sure = np.where(groups.samples >= 2, off - 1.645 * doubt, -np.inf)
        if sure.max() > own_off:
            worst = int(np.argmax(sure))
            own_off = float(off[worst])
        return Off(line, own_off, float(doubt[worst]), min(p), worst, 0)
    return Off(line, float(off[worst]), float(doubt[worst]), min(p), worst, failing)


def _largest_of_levels(groups: Groups, line: Line, span: float, doubt: Array) -> tuple[int, float]:
    """(a group of the level that lies farthest off, how far, percent of span): of a sound pair
    the farthest of many groups would be mere noise, so the groups of a level are taken together."""
    signed = (groups.y - line.at(groups.x)) / abs(line.slope) * 100.0 / span
    _, which = np.unique(groups.level, return_inverse=True)
    weight = 1.0 / doubt**2
    mean = np.bincount(which, weight * signed) / np.bincount(which, weight)
    farthest = int(np.argmax(np.abs(mean)))
    own = np.flatnonzero(which == farthest)
    return int(own[int(np.argmin(doubt[own]))]), float(abs(mean[farthest]))
