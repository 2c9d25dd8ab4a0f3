"""Tip-ins: the foot presses further while driving in one gear, and engine speed answers.

Finds them and brackets both times; `hesitation` judges the delays. Loops over tip-ins, of which a
drive has at most hundreds, never over readings.

A tip-in counts where, for 4 s before, the pedal was pressed and still (3 points), the car drove at
15 km/h or more with an even engine speed, then the pedal rose by 10 points or more within about a
second and stayed up until the answer came or 4 s were over, and the ratio of engine to road speed
kept within 8 % all the while: a kick-down, a shift, a closing converter, a slipping clutch lift the
engine speed by themselves and are left out. From a released pedal nothing is judged: the brake may
have been on, or the cruise control have been switched off, and both pull engine speed down behind a
foot that already presses.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.in_gear import RATIO_SHARE, Driving, usable
from verify.evidence.ranks import places_among
from verify.evidence.recording import Array, Recording
from verify.values import dataclass

STEP_POINTS, STEP_S = 10.0, 1.0
BEFORE_S, AFTER_S = 4.0, 4.0
# No answer is none where the foot waited so long for it.
SILENT_S = 3.0
HELD_POINTS, STILL_POINTS, BEGUN_POINTS = 3.0, 3.0, 1.5
# Below the half that marks the step, or a slow foot would seem to let go on its way.
STAYS_SHARE = 0.45
MOVING_KMH = 15.0
# Before the tip-in engine speed may fall (coasting) and hardly rise: else nothing new begins.
MOST_FALL_PCT_S, MOST_RISE_PCT_S = 8.0, 1.0
# What counts as risen, and as sagged, in % of engine speed; noise may ask for more.
RISEN_PCT, SAGGED_PCT = 1.0, 2.5
# A reading rarely meets the bottom of a sag; for two thirds of its time (of half a sine) it is
# deeper than half.
DIP_PCT = 0.5 * SAGGED_PCT
NOISE_PCT = 0.15
# A rise whose second step adds less than this share of its first is no pull that holds or builds.
CONCAVE_SHARE, BUILD_UP_POWER = 0.8, 1.5
MOST_HIDDEN_S, MOST_BUILD_UP_S, APART_S = 0.3, 0.6, 0.4
# A rise below this many times what can be told from none is faint.
FAINT = 2.0


class Answer(StrEnum):
    ROSE = "rose"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class TipIn:
    """One tip-in with its answer; times in s on the recording's clock.

    pedal: (after, at the latest) the pedal was half of the step up. rise: (after, at the latest)
    engine speed had risen. early_s, late_s: the delay from the one to the other, if the pull built
    up gradually and if it was there at once; doubt_s: standard uncertainty of either (both brackets
    spread evenly, ages of the readings). sag_pct: how far engine speed fell below what it was and
    was bound to be, before it rose; 0 for none. dip_pct: the same where it stands out of the noise
    but is not deep enough to be a sag; dip_told_pct: from which on one does. step_s: usual time
    between readings of engine speed.
    """

    recording: int
    pedal: tuple[float, float]
    rise: tuple[float, float]
    answer: Answer
    early_s: float
    late_s: float
    doubt_s: float
    sag_pct: float
    dip_pct: float
    dip_told_pct: float
    step_points: float
    step_s: float

    @property
    def least_s(self) -> float:
        """The delay is no shorter than this, whatever fell between the readings."""
        return self.rise[0] - self.pedal[1]


def tip_ins(place: int, recording: Recording, drive: Driving) -> list[TipIn]:
    """All tip-ins of one recording that can be judged, in order of time."""
    engine, speed, pedal = drive.engine, drive.speed, drive.pedal
    assert engine is not None
    assert speed is not None
    assert pedal is not None
    seen = usable(recording, engine)
    for channel in (speed, pedal):
        seen = sp.intersect(seen, usable(recording, channel))
    found: list[TipIn] = []
    t, p = pedal.time_s, pedal.values
    if not len(seen) or len(t) < 4:
        return []
    reach = max(STEP_S, 1.5 * pedal.interval_s)
    later = places_among(t, t + reach + 1e-9, "right") - 1
    rises = np.flatnonzero(p[later] - p >= STEP_POINTS)
    if not len(rises):
        return []
    # Of readings that all stand before the same rise the last one below its half matters.
    heads = rises[np.concatenate([[True], np.diff(rises) > 1])]
    for head in heads.tolist():
        one = _tip_in(place, drive, seen, head)
        if one is not None and (not found or one.pedal[0] > found[-1].pedal[1]):
            found.append(one)
    return found


def _tip_in(place: int, drive: Driving, seen: Array, head: int) -> TipIn | None:
    assert drive.engine is not None
    assert drive.pedal is not None
    pedal, engine = drive.pedal, drive.engine
    t, p = pedal.time_s, pedal.values
    # How high it went, within a second and a half of the first sign.
    end = int(np.searchsorted(t, t[head] + max(1.5, 2.0 * pedal.interval_s), side="right"))
    high = float(p[head:end].max())
    low = float(p[head])
    half = head + int(np.argmax(p[head:end] >= low + 0.5 * (high - low)))
    if half <= head:
        return None
    # The last reading before the foot began to move.
    base = head + int(np.flatnonzero(p[head:half] <= low + BEGUN_POINTS)[-1])
    foot = (float(t[half - 1]) - pedal.skew_s, float(t[half]))
    begin_s = float(t[base]) - BEFORE_S
    before = slice(int(np.searchsorted(t, begin_s, side="left")), base + 1)
    if t[before.start] > begin_s + 1.5 * pedal.interval_s or before.stop - before.start < 2:
        return None
    if float(np.ptp(p[before])) > STILL_POINTS or float(p[before].min()) < drive.rest + HELD_POINTS:
        return None
    last_s = foot[1] + AFTER_S
    # Where the recording ends early, a rise before its end still counts.
    inside = int(np.searchsorted(seen[:, 0], begin_s, side="right")) - 1
    if inside < 0 or seen[inside, 1] < foot[1]:
        return None
    last_s = min(last_s, float(seen[inside, 1]))
    risen = _rise(drive, begin_s, float(t[base]), last_s)
    if risen is None:
        return None
    until_s = risen.found_s if risen.found_s is not None else last_s
    stays = p[half : int(np.searchsorted(t, until_s, side="right"))]
    leaves = stays < low + STAYS_SHARE * (high - low)
    if leaves.any():
        # A foot that waited 4 s as it was asked to, and lifts: what it waited for did not come.
        until_s = float(t[half + max(int(np.argmax(leaves)) - 1, 0)])
        if until_s - foot[1] < SILENT_S:
            return None
        risen = _rise(drive, begin_s, float(t[base]), until_s)
        if risen is None or risen.found_s is not None:
            return None
    elif risen.found_s is None and last_s < foot[1] + AFTER_S - 1e-9:
        return None
    if not _one_gear(drive, begin_s, until_s + 0.5):
        return None
    after_s, at_s = risen.bracket
    after_s -= engine.skew_s
    middle_foot = 0.5 * (foot[0] + foot[1])
    from_s = middle_foot + 0.5 * engine.skew_s
    doubt = math.sqrt(((foot[1] - foot[0]) ** 2 + (at_s - after_s) ** 2) / 12.0)
    return TipIn(
        place, foot, (min(after_s, risen.early_s - engine.skew_s), at_s),
        Answer.ROSE if risen.found_s is not None else Answer.NONE,
        risen.early_s - from_s, risen.late_s - from_s, doubt, risen.sag_pct, risen.dip_pct,
        risen.dip_told_pct, high - low, engine.interval_s,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rise:
    """found_s: the reading that shows the rise, None for none. bracket: last reading not risen,
    first risen. early_s, late_s: between these the rise, drawn back, begins."""

    found_s: float | None
    bracket: tuple[float, float]
    early_s: float
    late_s: float
    sag_pct: float
    dip_pct: float
    dip_told_pct: float


def _rise(drive: Driving, begin_s: float, base_s: float, last_s: float) -> _Rise | None:
    """What engine speed did after `base_s`; None where it was not even before."""
    assert drive.engine is not None
    engine = drive.engine
    a = int(np.searchsorted(engine.time_s, begin_s, side="left"))
    b, c = np.searchsorted(engine.time_s, [base_s, last_s], side="right").tolist()
    t, v = engine.time_s[a:b], engine.values[a:b]
    after_t, after_v = engine.time_s[b:c], engine.values[b:c]
    if len(t) < 3 or len(after_t) < 2:
        return None
    level = float(v.mean())
    slope, at = np.polyfit(t - base_s, v, 1)
    if not -MOST_FALL_PCT_S <= 100.0 * slope / level <= MOST_RISE_PCT_S:
        return None
    rest = v - (at + slope * (t - base_s))
    noise = math.sqrt(float(rest @ rest) / max(1, len(t) - 2))
    noise = math.hypot(noise, NOISE_PCT / 100.0 * level)
    x = after_t - base_s
    # The line before is known only so well where it is drawn on.
    spread = max(float(np.sum((t - t.mean()) ** 2)), 1e-9)
    ahead = (after_t - t.mean()) ** 2 / spread
    doubt = noise * np.sqrt(1.0 + 1.0 / len(t) + ahead)
    least = np.maximum(np.maximum(RISEN_PCT / 100.0 * level, 3.0 * doubt), 1.5 * engine.resolution)
    trend = at + slope * x
    excess = after_v - trend
    up = excess >= least
    holds = up & np.append(up[1:], True)
    # A last reading alone does not show that it lasts.
    holds[-1] = False
    floor = np.minimum(trend, at)
    fall = 100.0 * (floor - after_v) / level
    told = np.maximum(np.maximum(DIP_PCT, 300.0 * doubt / level), 100.0 * engine.resolution / level)
    dips = np.where(fall >= told, fall, 0.0)
    if not bool(holds.any()):
        sag = float(fall.max())
        ends = (float(after_t[-1]), float(after_t[-1]))
        deep = _sagged(sag, noise, level)
        return _Rise(None, ends, ends[0], ends[0], deep, float(dips.max()), float(told[0]))
    k = int(np.argmax(holds))
    before_s = float(after_t[k - 1]) if k else base_s
    # Two readings too near each other show noise and no slope.
    far = min(int(np.searchsorted(after_t, after_t[k] + APART_S - 1e-9)), len(after_t) - 1)
    far = max(far, k + 1)
    early, late = _onset(
        before_s, (float(after_t[k]), float(after_t[far])),
        (float(excess[k]), float(excess[far])), float(least[k]),
    )  # fmt: skip
    sag = float(fall[:k].max()) if k else 0.0
    bracket = (before_s, float(after_t[k]))
    dip = float(dips[:k].max()) if k else 0.0
    deep = _sagged(sag, noise, level)
    return _Rise(float(after_t[k]), bracket, early, late, deep, dip, float(told[0]))


def _onset(
    before_s: float, at_s: tuple[float, float], excess: tuple[float, float], least: float
) -> tuple[float, float]:
    """(earliest, latest) beginning of a rise that two readings show, drawn back from them.

    Latest: as if the pull were there at once (a straight line). Earliest: as if it had built up
    meanwhile (excess as the time to the power of 1.5, half-way to a parabola). Where the rise
    flattens, neither fits and the middle of the bracket stands for both, unless it is faint. least:
    an excess below it is not told from none, so the rise may have begun a little before the last
    reading without it.
    """
    step = at_s[1] - at_s[0]
    gained = excess[1] - excess[0]
    usual = max(at_s[0] - before_s, 1e-9)
    if gained < CONCAVE_SHARE * excess[0] * min(1.0, step / usual):
        middle = 0.5 * (before_s + at_s[0])
        # One that is hardly told from none may have been on its way since long before.
        faint = excess[0] < FAINT * least
        return (before_s - MOST_BUILD_UP_S if faint else middle), middle
    hidden = min(least * step / gained, MOST_HIDDEN_S)
    late = min(max(at_s[0] - excess[0] * step / gained, before_s - hidden), at_s[0])
    early = at_s[0] - step / ((excess[1] / excess[0]) ** (1.0 / BUILD_UP_POWER) - 1.0)
    # A weak pull is long on its way before it is told from none, whatever two readings say.
    unseen = least * step / gained
    if unseen > MOST_HIDDEN_S:
        early = min(early, before_s - unseen - 0.5 * MOST_BUILD_UP_S)
    return min(max(early, before_s - MOST_BUILD_UP_S - unseen), late), late


def _sagged(sag_pct: float, noise: float, level: float) -> float:
    return sag_pct if sag_pct >= max(SAGGED_PCT, 400.0 * noise / level) else 0.0


def _one_gear(drive: Driving, from_s: float, to_s: float) -> bool:
    assert drive.engine is not None
    assert drive.speed is not None
    assert drive.speed_at is not None
    engine = drive.engine
    first = int(np.searchsorted(engine.time_s, from_s, side="left"))
    inside = slice(first, int(np.searchsorted(engine.time_s, to_s, side="right")))
    speed = drive.speed_at[inside]
    speed_known = np.isfinite(speed)
    if int(np.count_nonzero(speed_known)) < 4:
        return False
    speed = speed[speed_known]
    if float(speed.min()) < MOVING_KMH:
        return False
    ratio = engine.values[inside][speed_known] / speed
    # Readings of the two lie apart, and at low speed a step of 1 km/h is much.
    slack = RATIO_SHARE + 0.5 * drive.speed.resolution / float(speed.min())
    return float(ratio.max() - ratio.min()) <= slack * float(ratio.max() + ratio.min())
