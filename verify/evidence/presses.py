"""What the foot did: each press of the accelerator pedal and its release, with bracketed times.

Comes after the importers and `windows`, before the checks that hold an answer against the pedal.
A logger sees the pedal now and then, so no time is a number here: every one is a bracket between
the last reading before it and the first after it. A reading's true time lies up to `skew_s` before
its own, so the early end of each bracket is moved back by that much.

                 level ______________________
                      /|                    |\\
          half  - - -/-|- - - - - - - - - - |-\\- - -
                    /  |                    |  \\
        rest ______/   |                    |   \\_______
              start^  ^half                ^let_go ^back

One press runs from rest to the next rest; a foot that moves about in between stays one press
(`wander` says by how much, `climb_s` and `fall_s` how long it took to arrive and to come back).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.ranks import medians_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.windows import (
    FAST_CAP_S,
    PEDAL_REST_AT_MOST,
    rest_level,
    running,
    standing,
    too_slow,
)
from verify.values import dataclass

Mask = NDArray[np.bool_]
Places = NDArray[np.intp]

# From here on a foot presses, and below here it does not: 5 points are more than any jitter, and
# 2 points do not move a car. Between the two, what held before goes on. Common practice.
PRESSED_POINTS, RELEASED_POINTS = 5.0, 2.0
# Of the way from rest to the level: where a press has arrived and a release has begun.
ARRIVED_SHARE = 0.9
# A foot that presses takes no longer than this, most a third of it. One that takes longer holds on
# the way or creeps, and then its half and that of the plate, whose map may be bent, lie at two
# places of the way and so at two times (common practice).
BRISK_S = 0.8
# So near to a press it counts as parked, where a gap leaves out what is between.
NEAR_S = 1.0
# A position outside is no position.
LEAST_PCT, MOST_PCT = -1.0, 101.0


@dataclass(frozen=True, slots=True, eq=False)
class Presses:
    """The presses of one recording in order of time, n of them; why there are none in `lack`.

    channel: name of the pedal channel they were seen in ("" where there is none).
    lack: "" or `channel-missing`, `too-slow-to-tell`, `no-rest`; why, settle: sentences for it.
    rest: the pedal's reading at rest, in %.
    level: shape (n,), % at which it was held (median from half on to half back).
    wander: shape (n,), greatest less least reading between arriving and letting go, in points.
    climb_s, fall_s: shape (n,), seconds that surely passed at least between leaving rest and
        arriving, and between leaving the level and rest.
    start, half, let_go, half_back, back: shape (n, 2), brackets in seconds of the times drawn
        above; the late end is infinite where it was not seen.
    readings: shape (n,), pedal readings at half or above.
    held_s: shape (n,), seconds for which it is surely pressed to half or more.
    rested_s: shape (n,), seconds for which it was surely released before, without a gap.
    watched_s: shape (n,), seconds for which it was surely released afterwards, without a gap.
    whole: shape (n,), nothing is left out from the rest before to the rest after.
    ended: shape (n,), the release was seen.
    parked: shape (n,), the car stood and its engine ran from start to back (to the last reading
        where the release was not seen).
    """

    channel: str
    lack: str
    why: str
    settle: str
    rest: float
    level: Array
    wander: Array
    climb_s: Array
    fall_s: Array
    start: Array
    half: Array
    let_go: Array
    half_back: Array
    back: Array
    readings: Places
    held_s: Array
    rested_s: Array
    watched_s: Array
    whole: Mask
    ended: Mask
    parked: Mask

    def __len__(self) -> int:
        return len(self.level)

    @property
    def straight(self) -> Mask:
        """Those that went from rest to their level in one go, without a hold in between.

        Readings of one channel are about equally old, so their age is left out of account.
        """
        brisk: Mask = self.climb_s < BRISK_S
        return brisk

    @property
    def let_go_at_once(self) -> Mask:
        """Those that came from their level to rest in one go."""
        brisk: Mask = self.fall_s < BRISK_S
        return brisk

    def only(self, which: Mask | Places) -> Presses:
        """Those presses alone."""
        own: dict[str, Any] = {
            f.name: value[which]
            for f in fields(self)
            if isinstance(value := getattr(self, f.name), np.ndarray)
        }
        return replace(self, **own)


def pedal_channel(recording: Recording) -> Channel | None:
    """The pedal channel that shows times best: the least interval and age of a reading together.

    Of equals the first of pedal, D and E.
    """
    found = [
        percent(c) for name in PEDAL_REST_AT_MOST if (c := recording.channels.get(name)) is not None
    ]
    told = [c for c in found if c.interval_s > 0.0]
    if not told:
        return found[0] if found else None
    return min(told, key=lambda c: c.interval_s + c.skew_s)


@shared
def percent(channel: Channel) -> Channel:
    """A position in % without the readings that are none: those count as not read."""
    sane = (channel.values >= LEAST_PCT) & (channel.values <= MOST_PCT)
    if bool(np.all(sane)):
        return channel
    return replace(channel, time_s=channel.time_s[sane], values=channel.values[sane])


@shared
def presses(recording: Recording) -> Presses:
    """All presses of the pedal in one recording, as the module's text draws them."""
    channel = pedal_channel(recording)
    if channel is None:
        return _none(
            "", "channel-missing", "the recording has no pedal channel", "record the pedal as well"
        )
    words = channel.name.replace("_", " ")
    if too_slow(channel, FAST_CAP_S):
        every = f"once every {channel.interval_s:.3g} s" if channel.interval_s > 0 else "only once"
        return _none(
            channel.name,
            "too-slow-to-tell",
            f"{words} was read {every}",
            f"record fewer channels, so that {words} is read at least once a second",
        )
    few = len(channel.values) < 2
    rest = None if few else rest_level(channel, PEDAL_REST_AT_MOST[channel.name])
    if rest is None:
        return _none(
            channel.name,
            "no-rest",
            f"{words} never reads as low as a released pedal",
            "let the pedal go in the recording",
        )
    pressed = channel.values >= rest + PRESSED_POINTS
    released = channel.values <= rest + RELEASED_POINTS
    state = sp.states(pressed, released)
    first = np.flatnonzero((state[:-1] == 0) & (state[1:] == 1)) + 1
    if not len(first):
        return replace(_none(channel.name, "", "the pedal was never pressed", ""), rest=rest)
    return _seen(recording, channel, rest, released, state, first)


def _seen(
    recording: Recording,
    channel: Channel,
    rest: float,
    released: Mask,
    state: NDArray[np.int8],
    first: Places,
) -> Presses:
    t, v, n = channel.time_s, channel.values, len(channel.values)
    early = t - channel.skew_s  # a reading may be as old as this
    late = np.append(t, np.inf)  # place n: never seen
    longest = sp.longest_step_s(channel, FAST_CAP_S)
    good = sp.linked(t, longest, recording.gaps)
    # One block of readings for each press: from the last rest before it up to the next rest.
    at_rest = np.flatnonzero(released)
    before = at_rest[np.searchsorted(at_rest, first) - 1]
    following = np.searchsorted(at_rest, first)
    after = np.append(at_rest, n)[following]
    sizes = after - before
    owner = np.repeat(np.arange(len(first)), sizes)
    offset = np.cumsum(sizes) - sizes
    place = np.arange(int(sizes.sum())) - np.repeat(offset, sizes) + np.repeat(before, sizes)
    values = v[place]
    # The level is the median of what lies at half of the highest or above; half is then of that.
    highest = np.maximum.reduceat(values, offset)
    level = _medians(values, owner, values >= 0.5 * (rest + highest)[owner])
    half, full = rest + 0.5 * (level - rest), rest + ARRIVED_SHARE * (level - rest)
    up, down = _first_last(values >= half[owner], place, offset)
    arrived, leaving = _first_last(values >= full[owner], place, offset)
    inner = (place >= arrived[owner]) & (place <= leaving[owner])
    wander = np.maximum.reduceat(np.where(inner, values, -np.inf), offset) - np.minimum.reduceat(
        np.where(inner, values, np.inf), offset
    )
    breaks = sp.breaks(t, longest, recording.gaps)  # breaks[b] − breaks[a]: those between
    ended = after < n
    end = np.minimum(after, n - 1)
    # Rest before: back to the end of the press before, or to where something is left out.
    changes = np.flatnonzero(np.concatenate([[True], (state[1:] != state[:-1]) | ~good]))
    since = changes[np.searchsorted(changes, before, side="right") - 1]
    nexts = np.append(changes, n)
    until = nexts[np.searchsorted(nexts, after, side="right").clip(max=len(nexts) - 1)] - 1
    from_to = np.column_stack([early[before], t[end]])
    return Presses(
        channel=channel.name,
        lack="",
        why="",
        settle="",
        rest=rest,
        level=level,
        wander=wander,
        climb_s=np.maximum(t[arrived - 1] - t[first], 0.0),
        fall_s=np.maximum(t[after - 1] - t[np.minimum(leaving + 1, n - 1)], 0.0),
        start=np.column_stack([early[before], t[before + 1]]),
        half=np.column_stack([early[up - 1], t[up]]),
        let_go=np.column_stack([early[leaving], late[leaving + 1]]),
        half_back=np.column_stack([early[down], late[down + 1]]),
        back=np.column_stack([early[after - 1], late[after]]),
        readings=np.add.reduceat((values >= half[owner]).astype(np.intp), offset),
        held_s=np.maximum(early[down] - t[up], 0.0),
        rested_s=np.maximum(early[before] - t[since], 0.0),
        watched_s=np.where(ended, np.maximum(early[until.clip(min=end)] - t[end], 0.0), 0.0),
        whole=(breaks[end] == breaks[before]) & ended,
        ended=ended,
        parked=_within(from_to, _parked(recording)),
    )


def broken_off(recording: Recording, foot: Presses) -> Mask:
    """Presses, shape (n,), that began and ended with the car shown to be parked and its engine
    running, where something is left out in between, so that `parked` is not shown of them."""
    spans = _parked(recording)
    if not len(spans):
        return np.zeros(len(foot), dtype=bool)
    found = foot.ended & ~foot.parked
    for at in (foot.start[:, 0], foot.back[:, 1]):
        # Speed and engine may be read a moment before or after the pedal.
        place = np.searchsorted(spans[:, 0], at + NEAR_S, side="right") - 1
        found &= (place >= 0) & (spans[np.maximum(place, 0), 1] >= at - NEAR_S)
    return found


def _parked(recording: Recording) -> Array:
    """Where the car surely stands with its engine running."""
    engine, still = running(recording), standing(recording)
    return sp.EMPTY if engine.lack or still.lack else sp.intersect(engine.spans, still.spans)


def _within(inner: Array, outer: Array) -> Mask:
    """For each span of `inner`, whether one of `outer` (sorted, apart) holds all of it."""
    if not len(outer):
        return np.zeros(len(inner), dtype=bool)
    place = np.searchsorted(outer[:, 0], inner[:, 0], side="right") - 1
    held: Mask = (place >= 0) & (outer[np.maximum(place, 0), 1] >= inner[:, 1])
    return held


def _first_last(holds: Mask, place: Places, offset: Places) -> tuple[Places, Places]:
    """The first and the last place in each block where it holds (it does somewhere)."""
    most = int(place[-1]) + 1
    first = np.minimum.reduceat(np.where(holds, place, most), offset)
    return first, np.maximum.reduceat(np.where(holds, place, -1), offset)


def _medians(values: Array, owner: Places, counted: Mask) -> Array:
    """The median of each owner's counted values (each has one)."""
    sizes = np.bincount(owner[counted])
    return medians_of(values[counted], np.cumsum(sizes) - sizes, sizes)


def _none(channel: str, lack: str, why: str, settle: str) -> Presses:
    none, pairs = np.empty(0), np.empty((0, 2))
    no, places = np.empty(0, dtype=bool), np.empty(0, dtype=np.intp)
    arrays: Mapping[str, Array] = {
        **dict.fromkeys(
            ("level", "wander", "climb_s", "fall_s", "held_s", "rested_s", "watched_s"), none
        ),
        **dict.fromkeys(("start", "half", "let_go", "half_back", "back"), pairs),
    }
    return Presses(
        channel, lack, why, settle, 0.0, **arrays,
        readings=places, whole=no, ended=no, parked=no,
    )  # fmt: skip
