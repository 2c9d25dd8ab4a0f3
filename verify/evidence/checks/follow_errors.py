"""How far the plate stands off, and how far apart from below and from above.

Arithmetic of `throttle-follow`, which says whether it may be asked at all. Two ways:

- against the command. Command and plate may be read on different scales (a plate's reading often
  rests at 10 to 20 %). Where the vehicle's own closed and open readings are given, or both scales
  visibly agree, the error is known. Else a straight line through the levels shows what is crooked,
  but would hide an offset or a wrong gain, so it can fail a car and never pass one.
- against itself, where no command is recorded: holds at nearly the same pedal are compared, after
  taking off what the car's own map (rising, drawn through all levels) makes of the little
  difference in pedal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence.checks.kind import COMMON_PRACTICE
from verify.evidence.lines import Line, consensus_lines, isotonic
from verify.evidence.positions import Positions, levels
from verify.evidence.recording import Array
from verify.evidence.verdict import (
    Limits,
    Measurement,
    Rule,
    decide,
    probability_of_conformity,
)
from verify.values import dataclass
from verify.words import Verdict

LIMIT_PERCENT = 5.0
PRESSED_POINTS = 5.0
COMMAND_LEVELS_APART = 3.0
# Scales that agree at rest to this are taken to be the same.
SAME_ZERO_POINTS = 3.0
# A command in percent of travel idles no higher than this; one on the plate's own scale no lower
# than the closed reading, but for this (common practice).
MOST_IDLE_COMMAND, RESTS_NEAR_POINTS = 9.0, 1.5
# Even a cold engine idles at no more than this in percent of travel, and a reading with a zero of
# its own rests at 10 to 20 %, closed, and shows 75 to 95 % fully open; with some margin (common
# practice).
MOST_COLD_COMMAND, RAW_CLOSED, RAW_OPEN = 12.0, (6.0, 24.0), (68.0, 100.0)
# Slopes of a plate reading over its command: full throttle reads 75 to 95 %, closed 10 to 20 %, or
# 0 % where it counts from the rest (common practice).
LEAST_SLOPE, MOST_SLOPE = 0.5, 1.05
LEAST_LEVELS, LEAST_SPREAD = 3, 20.0
LINE_TOLERANCE = 1.0
# Holds at pedals nearer than this are compared; the map's slope is taken over twice as much and
# is known to about a quarter.
NEAR_POINTS, MAP_BIN, SLOPE_OVER, SLOPE_DOUBT = 5.0, 4.0, 6.0, 0.25
REST_POINTS, IDLE_CONTROL_POINTS = 1.5, 1.0
# Where one level was held only, its map is taken to rise like this (common practice).
USUAL_SLOPE = 0.7
LEAST_PARTNERED = 4

Truths = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Error:
    """percent of span, its standard uncertainty, probability of conformity, and where."""

    percent: float
    uncertainty: float
    p: float
    level: float
    samples: int


@dataclass(frozen=True, slots=True)
class Found:
    """steady, hysteresis: the worst of each, None where none could be taken. lack, why: "" or the
    finding that bars a pass. against: what the plate was held against, in words."""

    steady: Error | None
    hysteresis: Error | None
    against: str
    levels: int
    lack: str = ""
    why: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)


def limits() -> Limits:
    source = f"{LIMIT_PERCENT:.0f} % of the reading's full scale: {COMMON_PRACTICE}"
    return Limits(None, LIMIT_PERCENT, "%", source)


def _error(off: float, doubt: float, level: float, samples: int) -> Error:
    p = probability_of_conformity(Measurement(abs(off), "%", doubt), limits())
    return Error(abs(off), doubt, p, level, samples)


def _worst(errors: list[Error]) -> Error | None:
    """The one nearest to failing; where all are likely sound, the largest, with that one's p."""
    if not errors:
        return None
    worst = min(errors, key=lambda e: (e.p, -e.percent))
    if worst.p < 0.5:
        return worst
    return replace(max(errors, key=lambda e: e.percent), p=worst.p)


def _likeliest_to_fail(off: Array, doubt: Array, held: Positions) -> Error | None:
    """The worst of many; only the few nearest to failing are worked out in full."""
    near = np.argsort((LIMIT_PERCENT - np.abs(off)) / doubt, kind="stable")[:10]
    return _worst(
        [
            _error(float(off[i]), float(doubt[i]), float(held.x[i]), int(held.samples[i]))
            for i in near.tolist()
        ]
    )


def _play(off: Array, held: Positions, group: NDArray[np.intp], pressed: Truths) -> Error | None:
    """The largest difference of a level reached from above and from below."""
    errors = []
    for number in np.unique(group[pressed]).tolist():
        own = pressed & (group == number)
        up, down = own & (held.came > 0), own & (held.came < 0)
        if not (up.any() and down.any()):
            continue
        apart = float(np.mean(off[down]) - np.mean(off[up]))
        doubt = math.hypot(_mean_doubt(off[up], held.doubt[up]),
                           _mean_doubt(off[down], held.doubt[down]))  # fmt: skip
        level, samples = float(np.mean(held.x[own])), int(held.samples[own].sum())
        errors.append(_error(apart, doubt, level, samples))
    return _worst(errors)


def _mean_doubt(off: Array, doubt: Array) -> float:
    """Of a mean over holds: their scatter averages out, the step of the reading does not."""
    scatter = float(np.std(off, ddof=1)) / math.sqrt(len(off)) if len(off) > 1 else 0.0
    return math.hypot(float(np.median(doubt)), scatter)


def against_command(held: Positions, scale: tuple[float, float] | None, rule: Rule) -> Found:
    """held: x is the command in percent. scale: the plate's readings (closed, open) if known."""
    group = levels(held.x, COMMAND_LEVELS_APART)
    rest = group == group[int(np.argmin(held.x))]
    pressed = held.x >= float(np.min(held.x)) + PRESSED_POINTS
    many = len(np.unique(group[pressed]))
    if scale is not None:
        return _on_given_scale(held, scale, group, pressed, many, rule)
    zero = float(np.mean(held.y[rest]) - np.mean(held.x[rest]))
    if abs(zero) <= SAME_ZERO_POINTS:
        found = _on_known_scale(held, held.x, group, pressed, many, rule, "the command")
        bent = found.steady is not None and decide(found.steady.p, rule.pass_at, rule.fail_at)
        if bent is Verdict.PASS:
            return found
        line, through, _ = _by_line(held, group)
        if line is None or line.percent > 0.5 * LIMIT_PERCENT or _own_scale(held, through):
            return found
        return _unknown(found.hysteresis, line, many)
    line, through, hysteresis = _by_line(held, group)
    if _own_scale(held, through):
        return _on_known_scale(held, held.x, group, pressed, many, rule, "the command")
    if line is None or through is None:
        finding = "one-level-only" if many < LEAST_LEVELS - 1 else "scale-unknown"
        why = (
            f"{many} pressed level{'' if many == 1 else 's'} cannot tell another scale of the "
            "reading from a plate that stands wrong"
        )
        return Found(None, hysteresis, "a straight line", many, finding, why)
    found = Found(line, hysteresis, "a straight line over the command", many)
    if decide(line.p, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        return found
    return _unknown(hysteresis, line, many, through.slope)


def _own_scale(held: Positions, through: Line | None) -> bool:
    """Whether the command can only be on the reading's own scale: it idles higher than a command in
    percent of travel does, and the line that plate and command lie on makes no such scale either.

    through: that line, plate over command; its ends are what the plate would read closed and open.
    """
    if through is None or float(np.min(held.x)) <= MOST_COLD_COMMAND:
        return False
    closed, opened = through.intercept, through.intercept + 100.0 * through.slope
    raw = RAW_CLOSED[0] <= closed <= RAW_CLOSED[1] and RAW_OPEN[0] <= opened <= RAW_OPEN[1]
    return not raw


def _on_given_scale(
    held: Positions,
    scale: tuple[float, float],
    group: NDArray[np.intp],
    pressed: Truths,
    many: int,
    rule: Rule,
) -> Found:
    """The command may be in percent of travel, or already on the plate's own scale: where it rests
    tells. Where that fits both, a verdict needs both."""
    lowest = float(np.min(held.x))
    travel = scale[0] + (scale[1] - scale[0]) * held.x / 100.0
    own = lowest >= scale[0] - RESTS_NEAR_POINTS
    by_travel = lowest <= MOST_IDLE_COMMAND
    expected = [held.x] if own else []
    expected += [travel] if by_travel or not own else []
    found = [_on_known_scale(held, e, group, pressed, many, rule, "the command") for e in expected]
    if len(found) == 1:
        return found[0]
    verdicts = {
        None if f.steady is None else decide(f.steady.p, rule.pass_at, rule.fail_at) for f in found
    }
    kind = max(found, key=lambda f: 0.0 if f.steady is None else f.steady.p)
    if len(verdicts) == 1:
        return kind
    return replace(
        kind, lack="scale-unknown",
        why="the command may be in percent of travel or on the plate's own scale, and its rest "
        "does not tell",
    )  # fmt: skip


def _unknown(hysteresis: Error | None, line: Error, many: int, apart: float = 0.0) -> Found:
    why = (
        "plate and command are read on different scales that nobody has given, so an offset or a "
        "wrong gain would not show"
    )
    return Found(
        line, hysteresis, "a straight line over the command", many, "scale-unknown", why,
        {"slope": apart} if apart else {},
    )  # fmt: skip


def _on_known_scale(
    held: Positions,
    expected: Array,
    group: NDArray[np.intp],
    pressed: Truths,
    many: int,
    rule: Rule,
    against: str,
) -> Found:
    off = held.y - expected
    steady = _likeliest_to_fail(off, held.doubt, held)
    hysteresis = _play(off, held, group, pressed)
    if hysteresis is not None:
        return Found(steady, hysteresis, against, many)
    # From one side only: play of h leaves the plate h/2 short on that side, so twice the error
    # bounds it. That can pass; a fail needs both sides seen.
    up = pressed & (held.came > 0)
    if up.any():
        bound = _likeliest_to_fail(2.0 * off[up], 2.0 * held.doubt[up], held.only(up))
        if bound is not None and decide(bound.p, rule.pass_at, rule.fail_at) is Verdict.PASS:
            return Found(steady, None, against, many, details={"hysteresis_below": bound.percent})
    return Found(
        steady, None, against, many, "one-direction-only",
        "no level was reached from below and from above, so play would not show",
    )  # fmt: skip


def _by_line(
    held: Positions, group: NDArray[np.intp]
) -> tuple[Error | None, Line | None, Error | None]:
    """(distance from the kindest line most levels lie on, that line, play) with unknown scale.

    None for distance and line where no plausible line joins enough levels.
    """
    numbers = np.unique(group)
    x = np.array([np.mean(held.x[group == n]) for n in numbers])
    y = np.array([_middle(held, group == n) for n in numbers])
    pressed = held.x >= float(np.min(held.x)) + PRESSED_POINTS
    rough = np.interp(held.x, x, y)
    hysteresis = _play(held.y - rough, held, group, pressed)
    if len(x) < LEAST_LEVELS or np.ptp(x) < LEAST_SPREAD:
        return None, None, hysteresis
    doubt = np.array([float(np.median(held.doubt[group == n])) for n in numbers])
    lines = consensus_lines(
        x[:160], y[:160], LINE_TOLERANCE + 2.0 * doubt[:160], apart=8.0,
        least_slope=LEAST_SLOPE, most_slope=MOST_SLOPE,
    )  # fmt: skip
    best: tuple[Error, Line] | None = None
    for line, members in lines:
        if line.slope <= 0.0 or 2 * int(members.sum()) <= len(x):
            continue
        error = _likeliest_to_fail(held.y - line.at(held.x), held.doubt, held)
        if error is not None and (best is None or error.p > best[0].p):
            best = error, line
    if best is None:
        return None, None, hysteresis
    return *best, _play(held.y - best[1].slope * held.x, held, group, pressed)


def _middle(held: Positions, own: Truths) -> float:
    """Half-way between both sides where both were seen, so that play does not bend the line."""
    sides = [held.y[own & (held.came == s)] for s in (1, -1)]
    seen = [float(np.mean(s)) for s in sides if len(s)]
    return float(np.mean(seen)) if seen else float(np.mean(held.y[own]))


def against_itself(held: Positions, rule: Rule) -> Found:
    """held: x is the pedal in percent."""
    rest = float(np.min(held.x))
    pressed = held.x >= rest + PRESSED_POINTS
    against = "where it otherwise stands at this pedal"
    steady: list[Error] = []
    plays: list[Error] = []
    partnered = 0
    for on in (True, False):
        own = held.only(pressed & (held.on == on))
        if len(own):
            errors, play, many = _compared(own)
            steady += errors
            plays += play
            partnered += many
        steady += _at_rest(held.only((held.x <= rest + REST_POINTS) & (held.on == on)))
    number = levels(held.x[pressed], NEAR_POINTS)
    many_levels = int(number.max()) + 1 if len(number) else 0
    wide = float(np.ptp(held.x[pressed])) if pressed.any() else 0.0
    many_levels = max(many_levels, 2 if wide >= 3.0 * NEAR_POINTS else 1)
    found = _worst(steady)
    hysteresis = _worst(plays)
    if many_levels < LEAST_LEVELS - 1 or wide < 2.0 * NEAR_POINTS:
        lack, why = "one-level-only", "the pedal was held at one level only"
    elif partnered < LEAST_PARTNERED:
        lack, why = "too-few-holds", "hardly any level was held twice"
    elif hysteresis is None:
        lack = "one-direction-only"
        why = "no level was reached from below and from above, so play would not show"
    else:
        lack, why = "", ""
    return Found(found, hysteresis, against, many_levels, lack, why)


def _compared(own: Positions) -> tuple[list[Error], list[Error], int]:
    """(errors of each hold against others from its side, play, holds that have a partner)."""
    slope = _slope_at(own)
    dx = own.x[:, None] - own.x[None, :]
    mean_slope = 0.5 * (slope[:, None] + slope[None, :])
    due = mean_slope * dx
    off = own.y[:, None] - own.y[None, :] - due
    doubt = np.sqrt(own.doubt[:, None] ** 2 + own.doubt[None, :] ** 2 + (SLOPE_DOUBT * due) ** 2)
    near = (np.abs(dx) <= NEAR_POINTS) & ~np.eye(len(own), dtype=bool)
    side = own.came
    same = near & (side[:, None] == side[None, :]) & (side[:, None] != 0)
    other = near & (side[:, None] < 0) & (side[None, :] > 0)
    steady = []
    for i in np.flatnonzero(same.any(axis=1)).tolist():
        row = same[i]
        apart, sure = _weighed(off[i, row], doubt[i, row])
        steady.append(_error(apart, sure, float(own.x[i]), int(own.samples[i])))
    # More pedal, yet a plate that stands lower: no map does that.
    falls = (dx >= NEAR_POINTS) & (side[:, None] == side[None, :])
    drop = np.where(falls, -(own.y[:, None] - own.y[None, :]), 0.0)
    if falls.any() and drop.max() > 0.0:
        i, j = divmod(int(np.argmax(drop)), len(own))
        both = math.hypot(float(own.doubt[i]), float(own.doubt[j]))
        steady.append(_error(float(drop[i, j]), both, float(own.x[i]), int(own.samples[i])))
    plays = []
    for number in np.unique(group := levels(own.x, NEAR_POINTS)).tolist():
        pairs = other & (group == number)[:, None] & (group == number)[None, :]
        if not pairs.any():
            continue
        fewer = min(int(pairs.any(axis=1).sum()), int(pairs.any(axis=0).sum()))
        apart, sure = _weighed(off[pairs], doubt[pairs])
        sure = math.hypot(sure, float(np.std(off[pairs])) / math.sqrt(max(fewer, 2)))
        level = float(np.mean(own.x[group == number]))
        seen = pairs.any(axis=1) | pairs.any(axis=0)
        plays.append(_error(apart, sure, level, int(own.samples[seen].sum())))
    return steady, plays, int((same | other | other.T).any(axis=1).sum())


def _weighed(off: Array, doubt: Array) -> tuple[float, float]:
    """The mean that the nearest partners dominate; its doubt is no smaller than theirs, because
    holds share the step of the reading and the slope of the map."""
    weight = 1.0 / doubt**2
    mean = float(np.sum(weight * off) / np.sum(weight))
    return mean, math.sqrt(float(len(off) / np.sum(weight)))


def _slope_at(own: Positions) -> Array:
    """Slope of the car's own map at each hold. Each side by itself, or play would bend the map."""
    sides = [own.only(own.came == side) for side in (1, -1)]
    slopes = [s for side in sides if (s := _slope_of(side, own.x)) is not None]
    if not slopes:
        both = _slope_of(own, own.x)
        return np.full(len(own), USUAL_SLOPE) if both is None else both
    mean: Array = np.mean(np.array(slopes), axis=0)
    return mean


def _slope_of(side: Positions, x_at: Array) -> Array | None:
    """Slope of the rising line through the medians of narrow bins; None where they span little."""
    if not len(side) or np.ptp(side.x) < 2.0 * NEAR_POINTS:
        return None
    bins = np.floor(side.x / MAP_BIN).astype(np.intp)
    numbers = np.unique(bins)
    x = np.array([np.median(side.x[bins == n]) for n in numbers])
    y = np.array([np.median(side.y[bins == n]) for n in numbers])
    rising = isotonic(y, np.array([float(np.sum(bins == n)) for n in numbers]))
    # Beyond the ends the slope is that of the nearest stretch inside.
    centre = np.clip(x_at, x[0] + SLOPE_OVER, max(x[-1] - SLOPE_OVER, x[0] + SLOPE_OVER))
    high, low = np.minimum(centre + SLOPE_OVER, x[-1]), centre - SLOPE_OVER
    result: Array = (np.interp(high, x, rising) - np.interp(low, x, rising)) / (high - low)
    return result


def _at_rest(own: Positions) -> list[Error]:
    """Released again, the plate must come back to where it rested, but for what idle control does
    with it."""
    if len(own) < 3:
        return []
    off = own.y - float(np.median(own.y))
    i = int(np.argmax(np.abs(off)))
    doubt = math.hypot(float(own.doubt[i]), IDLE_CONTROL_POINTS)
    return [_error(float(off[i]), doubt, float(own.x[i]), int(own.samples[i]))]
