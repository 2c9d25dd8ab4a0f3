"""What the throttle plate did at each press: how far it went, and between which readings.

After `presses`, before the checks of pedal-response, throttle-return and no-response, which all
ask the same. And the question that comes before them: is this channel a plate that follows the
pedal at all? That must not be taken from the failure under test, so it is asked in this order:

1. it rests low and moved with at least two presses, or with one and then stayed open: it follows;
2. it rests wide open, as the intake flap of a diesel does: it does not, and nothing is judged;
3. it rests low and moved with no press, or one: where the engine is throttled (the pressure behind
   the plate lies well below the air's) and its speed answers no press either, the pedal moves
   nothing: `dead`. In all other cases nobody can tell from the recording.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.presses import Mask, Places, Presses, percent
from verify.evidence.ranks import median_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.windows import FAST_CAP_S
from verify.values import dataclass

# Read before a press for its level at rest: no longer than this, and not in the time in which the
# plate still comes back from the press before.
BEFORE_S, COMES_BACK_S = 3.0, 1.0
NEAR_S, LEAST_NEAR = 1.0, 3
# After the foot has arrived, the plate has this long to get there before its level is read, and
# the level for the first answer is that of the next two seconds (a governor may close it later).
SETTLES_S, LEVEL_S = 0.5, 2.0
PEAK_S, AFTER_PEAK_S = 0.4, 0.6
# What counts as a movement: points of the reading, and times its own unrest at rest. A plate is
# moved a point or two by idle control alone. Common practice.
MOVES_POINTS, MOVES_NOISE = 3.0, 4.0
# A plate that answers the pedal rests nearly closed: 10 to 20 %, seldom up to 25 (common practice).
RESTS_LOW_AT_MOST = 40.0
THROTTLED_SHARE, AIR_KPA = 0.75, 95.0
REVS_ANSWER_RPM = 250.0


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What the plate did at n presses; brackets shape (n, 2) in s, all else shape (n,).

    Brackets are of the times of readings as they stand; `age_s` is how old these may be. Late ends
    are infinite, and early ones −infinite, where nothing was seen.
    base: reading at rest before, in %; nan where it was not read. noise: its unrest, in points.
    level: reading soon after the press arrived; at_release: just before it was let go; nan where
        not read.
    half: it crossed half of the way to `level`. first: it left its rest (a fifth of the way).
    readings: those between the arrival of the foot and its leaving.
    held: it stayed above half from then on while its level was read.
    moved: it moved with the press at all, as far as it was read.
    peak: highest reading within `PEAK_S` of crossing half; after_peak: highest one in the moment
        after that (a hump is over by then, a governor is not); nan where there is none.
    still_until: the last reading with the foot surely down before it left its rest; −inf if none.
    whole: nothing is left out from before the press to its release.
    """

    age_s: float
    base: Array
    noise: Array
    level: Array
    at_release: Array
    half: Array
    first: Array
    readings: Places
    held: Mask
    moved: Mask
    peak: Array
    after_peak: Array
    still_until: Array
    whole: Mask

    def only(self, which: Mask) -> Answers:
        own: dict[str, Any] = {
            f.name: value[which]
            for f in fields(self)
            if isinstance(value := getattr(self, f.name), np.ndarray)
        }
        return replace(self, **own)

    @property
    def travel(self) -> Array:
        return self.level - self.base

    @property
    def clear(self) -> Mask:
        """Presses whose travel stands out far enough to time it, and that were seen whole."""
        far: Mask = self.travel >= np.maximum(MOVES_POINTS, MOVES_NOISE * self.noise)
        return far & self.whole & self.held & np.isfinite(self.half[:, 1])


def unbroken(channel: Channel, recording: Recording) -> NDArray[np.intp]:
    """Number of breaks before each reading: two with the same number have nothing left out."""
    return sp.breaks(channel.time_s, sp.longest_step_s(channel, FAST_CAP_S), recording.gaps)


@shared
def answers(recording: Recording, foot: Presses) -> Answers:
    """What the throttle did at each of these presses. The recording must have the channel."""
    plate = percent(recording.channels["throttle"])
    t, v, age = plate.time_s, plate.values, plate.skew_s
    breaks = unbroken(plate, recording)
    n = len(foot)
    one = {
        k: np.full(n, np.nan)
        for k in ("base", "noise", "level", "at_release", "peak", "after", "highest")
    }
    half, first = np.full((n, 2), np.inf), np.full((n, 2), np.inf)
    half[:, 0], first[:, 0] = -np.inf, -np.inf
    readings = np.zeros(n, dtype=np.intp)
    held, whole = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    still = np.full(n, -np.inf)
    # Places in the plate's readings of the times that matter, found for all presses at once.
    quiet = np.clip(foot.rested_s - COMES_BACK_S, 0.0, BEFORE_S)
    calm = np.searchsorted(t, foot.start[:, 0] - quiet, side="left")
    near = np.searchsorted(t, foot.start[:, 0] - np.minimum(quiet, NEAR_S), side="left")
    begin = np.searchsorted(t, foot.start[:, 0], side="right")
    down = np.searchsorted(t, foot.half[:, 1] + age, side="left")
    settled = np.searchsorted(t, foot.half[:, 1] + age + SETTLES_S, side="left")
    soon = np.searchsorted(t, foot.half[:, 1] + age + SETTLES_S + LEVEL_S, side="right")
    leaves = np.searchsorted(t, foot.let_go[:, 0], side="right")
    late = np.searchsorted(t, foot.let_go[:, 0] - LEVEL_S, side="left")
    for i in range(n):
        a, b, d, e = int(calm[i]), int(begin[i]), int(down[i]), int(leaves[i])
        if b <= a or e <= d:
            continue
        # The last second alone where it is read well: a slow plate may still have come back before.
        rest = v[int(near[i]) : b] if b - near[i] >= LEAST_NEAR else v[a:b]
        base = median_of(rest)
        noise = _unrest(np.abs(rest - base)) + plate.resolution
        one["base"][i], one["noise"][i] = base, noise
        readings[i] = e - d
        whole[i] = bool(foot.whole[i] and breaks[a] == breaks[e - 1])
        margin = max(MOVES_POINTS, MOVES_NOISE * noise)
        one["highest"][i] = float(np.max(v[b:e])) - base
        one["at_release"][i] = median_of(v[max(d, int(late[i])) : e])
        s = int(settled[i])
        if s >= e:
            continue
        level = median_of(v[s : min(max(int(soon[i]), s + 1), e)])
        top = float(np.max(v[s:e]))
        if top > base and level < base + 0.5 * (top - base):
            level = median_of(v[s:e][v[s:e] >= base + 0.5 * (top - base)])
        one["level"][i] = level
        # A plate that did not move has no way of its own to take a fifth of.
        leaves_rest = max(0.2 * (level - base), noise) if top - base >= margin else margin
        _place(first, i, t, v, a, e, base + leaves_rest)
        # With the foot surely down and the plate still where it was.
        waits = v[d:e] < base + leaves_rest
        if waits[0]:
            still[i] = float(t[d + (len(waits) if waits.all() else int(np.argmin(waits))) - 1])
        if _place(half, i, t, v, a, e, base + 0.5 * (level - base)):
            at = int(np.searchsorted(t, half[i, 1]))
            held[i] = bool(np.all(v[at : min(int(soon[i]), e)] >= base + 0.5 * (level - base)))
            hump = int(np.searchsorted(t, t[at] + PEAK_S, side="right"))
            one["peak"][i] = float(np.max(v[at : min(hump, e)]))
            over = v[hump : min(int(np.searchsorted(t, t[at] + AFTER_PEAK_S, side="right")), e)]
            one["after"][i] = float(np.max(over)) if len(over) else np.nan
    # Movement against the quietest rest: that before a press may hold the end of the last one.
    quietest = np.nanmin(one["noise"]) if np.any(np.isfinite(one["noise"])) else 0.0
    moved = one["highest"] >= max(MOVES_POINTS, MOVES_NOISE * float(quietest))
    return Answers(
        age, one["base"], one["noise"], one["level"], one["at_release"], half, first,
        readings, held, moved, one["peak"], one["after"], still, whole,
    )  # fmt: skip


def _unrest(off: Array) -> float:
    """How far readings at rest lie off: twice what three of four keep within, so that a plate
    that already moves at the end of the rest is no unrest; never more than the farthest."""
    kept = float(np.partition(off, 3 * (len(off) - 1) // 4)[3 * (len(off) - 1) // 4])
    return min(2.0 * kept, float(off.max()))


def _place(bracket: Array, i: int, t: Array, v: Array, a: int, e: int, height: float) -> bool:
    """Writes the bracket of the first crossing of a height; whether there is one.

    From the rest before the press on, so that a plate that moves before the pedal shows as such.
    """
    over = v[a:e] >= height
    if not over.any():
        bracket[i, 0] = t[e - 1]
        return False
    at = a + int(np.argmax(over))
    bracket[i] = t[at - 1] if at else -np.inf, t[at]
    return at > 0


@dataclass(frozen=True, slots=True)
class Following:
    """Whether the throttle channel is a plate that follows the pedal, and what shows it."""

    kind: Literal["follows", "flap", "dead", "unknown", "too-few"]
    why: str = ""
    settle: str = ""
    moved: int = 0
    judged: int = 0


DIESEL = (
    "a diesel's flap or another control without a throttle plate does not follow the pedal: answer "
    "by watching and hearing the engine follow the pedal; a petrol engine whose plate does not "
    "move needs fault finding"
)


def following(recording: Recording, foot: Presses, did: Answers) -> Following:
    """foot, did: the parked presses of the recording and their answers."""
    known = did.whole & np.isfinite(did.base) & (did.readings >= 1)
    judged, moved = int(known.sum()), int((known & did.moved).sum())
    if not judged:
        return Following(
            "too-few",
            "no press was seen whole with the car parked, its engine running and the plate read "
            "before and during it",
            "park, let the engine idle, press the pedal a third down and hold it 5 s, let it go "
            "and wait 5 s, ten times",
        )
    base = median_of(did.base[known])
    if base > RESTS_LOW_AT_MOST:
        why = (
            f"the throttle rests {base:.0f} % open with the pedal released, as a diesel's flap does"
        )
        return Following("flap", why, DIESEL, moved, judged)
    if moved >= 2 or (moved and (moved == judged or _stayed_open(did.only(known)))):
        return Following("follows", moved=moved, judged=judged)
    seen = f"the throttle moved at {moved} of {judged} presses"
    revs = revs_answered(recording, foot)[known]
    if judged >= 2 and not np.any(revs != 0.0) and throttled(recording):
        why = f"{seen} and engine speed at none, though this engine is throttled"
        return Following("dead", why, "", moved, judged)
    if np.any(revs == 1.0):
        seen += ", and engine speed rises without it"
    return Following("unknown", seen, DIESEL, moved, judged)


def _stayed_open(did: Answers) -> bool:
    """Whether the plate opened with one press and then never came back: all later ones found it
    open. (Had it come back, it would have had to move again.)"""
    at = int(np.argmax(did.moved))
    half = 0.5 * (did.base[at] + did.at_release[at])
    return len(did.base) > at + 1 and bool(np.all(did.base[at + 1 :] >= half))


def revs_answered(recording: Recording, foot: Presses) -> Array:
    """For each press: 1 engine speed rose with it, 0 it surely did not, nan not known."""
    result = np.full(len(foot), np.nan)
    engine = recording.channels.get("engine_speed")
    if engine is None or len(engine.values) < 2:
        return result
    t, v = engine.time_s, engine.values
    start = np.searchsorted(t, foot.start[:, 0], side="right")
    calm = np.searchsorted(t, foot.start[:, 0] - BEFORE_S, side="left")
    down = np.searchsorted(t, foot.half[:, 1] + engine.skew_s, side="left")
    done = np.searchsorted(t, foot.let_go[:, 0], side="right")
    for i in range(len(foot)):
        before, during = v[calm[i] : start[i]], v[start[i] : done[i]]
        if not len(before) or not len(during):
            continue
        rise = float(np.max(during)) - median_of(before)
        if rise >= REVS_ANSWER_RPM:
            result[i] = 1.0
        elif done[i] - down[i] >= 2 and rise < 0.5 * REVS_ANSWER_RPM:
            result[i] = 0.0
    return result


def throttled(recording: Recording) -> bool:
    """Whether the pressure behind the plate is seen well below the air's, as in a petrol engine."""
    behind, air = recording.channels.get("map"), recording.channels.get("baro")
    if behind is None or len(behind.values) < 5:
        return False
    outside = median_of(air.values) if air is not None and len(air.values) else AIR_KPA
    return float(np.percentile(behind.values, 25.0)) <= THROTTLED_SHARE * outside
