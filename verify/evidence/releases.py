"""What became of plate and engine speed each time the pedal was let go.

After `presses` and `plate`, before throttle-return. Times are brackets again, and a plate that was
not seen to come back has no late end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.plate import BEFORE_S, LEVEL_S, MOVES_NOISE, Answers, unbroken
from verify.evidence.presses import Mask, Presses, broken_off, percent
from verify.evidence.ranks import median_of
from verify.evidence.recording import Array, Recording
from verify.evidence.windows import at_rest
from verify.values import dataclass

# The plate is back when it is within this share of its way. A fifth of a way shorter than this is
# no more than idle control moves the plate by itself (common practice).
BACK_SHARE, LEAST_TRAVEL_POINTS = 0.2, 5.0
# Revs are back within so many rpm of idle, and were up if they were so many above it.
IDLE_WITHIN_RPM, REVVED_RPM = 200.0, 500.0
FOOT_RESTS_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Returns:
    """One row for each press, shape (n,) or (n, 2), seconds.

    closed: bracket of the times of readings between which the plate came back; late end infinite
        where it did not while it was watched. judged: the release was seen whole, from a plate
        that was open far enough. hidden: the foot let go, and a gap leaves out what came of it.
    """

    closed: Array
    judged: Mask
    hidden: Mask


def rest_brackets(recording: Recording, foot: Presses) -> Array:
    """When the pedal was fully at rest after each press, shape (n, 2); late end as `foot.back`.

    A press ends within two points of rest (`foot.back`), which a slow foot reaches a little before
    it lets go. Where no reading at rest follows within a second, a foot rests on the pedal, and the
    end of the press stands.
    """
    found = np.array(foot.back)
    channel = recording.channels.get(foot.channel)
    if channel is None or not len(foot):
        return found
    pedal = percent(channel)
    t = pedal.time_s
    still = np.flatnonzero(at_rest(pedal, foot.rest))
    if not len(still):
        return found
    place = np.searchsorted(t[still], foot.let_go[:, 0], side="right")
    known = place < len(still)
    at = still[np.minimum(place, len(still) - 1)]
    use = known & (at > 0) & (t[at] <= foot.back[:, 1] + FOOT_RESTS_S)
    found[use, 0] = t[at[use] - 1] - pedal.skew_s
    found[use, 1] = t[at[use]]
    return found


def plate_returns(recording: Recording, foot: Presses, did: Answers) -> Returns:
    """When the plate came back after each of these presses."""
    plate = percent(recording.channels["throttle"])
    t, v = plate.time_s, plate.values
    breaks = unbroken(plate, recording)
    closed = np.full((len(foot), 2), np.inf)
    judged = np.zeros(len(foot), dtype=bool)
    way = did.at_release - did.base
    far = way >= np.maximum(LEAST_TRAVEL_POINTS, MOVES_NOISE * did.noise)
    leaves = np.searchsorted(t, foot.let_go[:, 0], side="right")
    ends = np.searchsorted(t, foot.back[:, 1] + foot.watched_s, side="right")
    for i in np.flatnonzero(far & foot.whole).tolist():
        e, end = int(leaves[i]), int(ends[i])
        if e < 1 or end <= e:
            continue
        low = v[e:end] <= did.base[i] + BACK_SHARE * way[i]
        at = e + int(np.argmax(low)) if low.any() else end
        if breaks[min(at, len(t) - 1)] != breaks[e - 1]:
            continue  # something is left out before it was seen to be back
        judged[i] = True
        closed[i] = t[at - 1], (t[at] if at < end else np.inf)
    return Returns(closed, judged, ~judged & _hidden(foot, t, breaks))


def hidden_releases(recording: Recording, foot: Presses) -> int:
    """How many releases of a parked car a gap in the whole recording hides: those of presses that
    are not shown to be parked for the gap alone. A gap out of a held pedal may hide one and the
    next press, and counts too."""
    plate = recording.channels.get("throttle")
    if plate is None or not len(foot):
        return 0
    own = foot.only(broken_off(recording, foot))
    lost = _hidden(own, percent(plate).time_s, unbroken(percent(plate), recording))
    for begin, end in recording.gaps:
        lost |= (own.half[:, 1] <= begin) & (own.back[:, 1] >= end)
    return int(lost.sum())


def _hidden(foot: Presses, t: Array, breaks: NDArray[np.intp]) -> Mask:
    """Releases with a gap between the last reading of the press and the first one after it.

    Where the recording ends with the release nothing was left out: it was not watched.
    """
    if not len(t):
        return np.zeros(len(foot), dtype=bool)
    before = np.searchsorted(t, foot.let_go[:, 0], side="right") - 1
    after = np.searchsorted(t, foot.back[:, 1], side="right")
    seen = foot.ended & (before >= 0) & (after < len(t))
    lost = breaks[np.maximum(before, 0)] != breaks[np.minimum(after, len(t) - 1)]
    found: Mask = seen & lost
    return found


def revs_return(recording: Recording, foot: Presses, idle_rpm: float) -> Returns:
    """When engine speed came back to idle after each of these presses."""
    engine = recording.channels["engine_speed"]
    t, v = engine.time_s, engine.values
    breaks = unbroken(engine, recording)
    back = np.full((len(foot), 2), np.inf)
    judged = np.zeros(len(foot), dtype=bool)
    late = np.searchsorted(t, foot.let_go[:, 0] - LEVEL_S, side="left")
    leaves = np.searchsorted(t, foot.let_go[:, 0], side="right")
    ends = np.searchsorted(t, foot.back[:, 1] + foot.watched_s, side="right")
    for i in np.flatnonzero(foot.whole).tolist():
        a, e, end = int(late[i]), int(leaves[i]), int(ends[i])
        if e <= a or end <= e or median_of(v[a:e]) < idle_rpm + REVVED_RPM:
            continue
        low = v[e:end] <= idle_rpm + IDLE_WITHIN_RPM
        at = e + int(np.argmax(low)) if low.any() else end
        if breaks[min(at, len(t) - 1)] != breaks[e - 1]:
            continue
        judged[i] = True
        back[i] = t[at - 1], (t[at] if at < end else np.inf)
    return Returns(back, judged, ~judged & _hidden(foot, t, breaks))


def idle_before(recording: Recording, foot: Presses) -> float:
    """The lowest idle that any of the presses began from, in rpm; nan where none was read.

    The lowest, because revs that hang from one press into the next are no idle.
    """
    engine = recording.channels["engine_speed"]
    t, v = engine.time_s, engine.values
    quiet = np.minimum(foot.rested_s, BEFORE_S)
    begin = np.searchsorted(t, foot.start[:, 0] - quiet, side="left")
    end = np.searchsorted(t, foot.start[:, 0], side="right")
    found = [median_of(v[a:b]) for a, b in zip(begin.tolist(), end.tolist(), strict=True) if b > a]
    return min(found, default=float("nan"))
