"""What is heard at each turn of the key: the car's own sounds, runs of clicks, and what goes on.

Below the check and above `ticks`: here it is measured, there it is judged. All levels are of one
file, against one another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from verify.evidence.checks.ear import span_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.ticks import Train, trains

LONGEST_TRAIN_S = 1.0
# How long after the key a failing throttle ticks at most before somebody starts the engine.
WATCHED_S = 12.0
BEFORE_S = 2.0
# A person marks the key-on to about half a second.
MARK_S = 0.5
# The car's own sounds, relay and the throttle's test, come within this of the key. The test is a
# short run of clicks about as loud as each other; one bang may be anything, a door too.
OWN_WITHIN_S = 1.5
CHIRP_CLICKS, CHIRP_ALIKE_DB, CHIRP_BELOW_DB = 4, 12.0, 20.0
# Clicks closer than this are one event and its echo.
ECHO_S = 0.1
# Ticks this much softer than they must still be heard; ticking from before may come back softer
# by the second and must be heard too (common practice, no source).
SOFTER_DB, SOFTER_AGAIN_DB = 12.0, 6.0
# A click further below the throttle's own test than this is none of the throttle's; of a sound that
# goes on more is heard, but of rumble below the clicks.
FAINTEST_DB, FAINTEST_HUM_DB, FAINTEST_LOW_DB = 26.0, 50.0, 36.0
# A hum or rattle of its own stands this far above what was heard before the key, in the band of
# clicks and below it, where a yard is less even. A fuel pump primes for about so long (common
# practice, no source).
RISES_DB, LOW_RISES_DB, PUMP_S = 6.0, 10.0, 3.0
LEVEL_BEFORE_S = 4.0
# Loudness is known once a second and twice; a key-on is listened to until it is not known for so
# many of its steps: what lies behind was not kept, or there is none.
HOLE_STEPS = 1.6
LOUDNESS = ("click_floor", "sound_level")
PROPOSED_DB = 14.0
LEAST_TICKS, LEAST_EVEN = 6, 0.6
SLOWEST_HZ, FASTEST_HZ = 3.0, 80.0
NOTHING_DB = -200.0
# No microphone's noise is the same to a millionth from one half second to the next, nor so low.
ALIKE_DB, MUTED_DB, MUTED_SHARE = 1e-6, -110.0, 0.2
# An engine that runs, and how long it may have been cranked before (common practice, no source).
RUNNING_DB, BELOW_CLICKS_DB, RUNNING_FRAMES, CRANKING_S = 10.0, 12.0, 15, 3.0


@dataclass(frozen=True, slots=True)
class GoesOn:
    """A stretch that is louder than it was before the key."""

    start_s: float
    seconds: float
    rise_db: float


@dataclass(frozen=True, slots=True)
class KeyCycle:
    """One key-on. train: the longest run of clicks after it, None where there is none.
    own_db: the loudest sound of the car at the key; floor_db: the loudest that the noise after it
    is for a second together; seconds: how long it was listened to; before_hz: clicks a second
    before the key, earlier: how many; clicking_s: length of all runs of clicks after it together;
    later: clicks after the time the car has for its own sounds; goes_on: the longest sound after
    the key that was not there before it and is no fuel pump's by its length, None where there is
    none; chirp_db: loudness of the throttle's own test, None where none is heard; ticks_db:
    loudness of the clicks of the train; both the median of them. started: an engine is heard."""

    recording: int
    at_s: float
    seconds: float
    train: Train | None
    own_db: float
    floor_db: float
    before_hz: float
    earlier: int = 0
    clicking_s: float = 0.0
    later: int = 0
    goes_on: GoesOn | None = None
    chirp_db: float | None = None
    ticks_db: float = NOTHING_DB
    started: bool = False

    @property
    def reference_db(self) -> float:
        """What ticking is measured by: the throttle's own test, else the loudest at the key."""
        return self.own_db if self.chirp_db is None else self.chirp_db

    @property
    def seconds_of_train(self) -> float:
        return 0.0 if self.train is None else self.train.seconds

    @property
    def clicks_anyway(self) -> bool:
        """Whether it clicks before the key is turned, about as often."""
        return self.train is not None and self.before_hz >= 0.5 * self.train.rate_hz

    @property
    def ticking(self) -> bool:
        """Whether the train is a throttle's, by its rate and evenness, and too long even without
        what only follows close: a relay before it, another after it."""
        t = self.train
        return t is not None and like_ticks(t) and t.core_s > LONGEST_TRAIN_S

    def to_json(self) -> dict[str, Any]:
        t, g = self.train, self.goes_on
        return {
            "recording": self.recording,
            "at_s": self.at_s,
            "seconds": self.seconds,
            "heard_above_noise_db": self.reference_db - self.floor_db
            if self.own_db > NOTHING_DB
            else None,
            "train": None
            if t is None
            else {
                "start_s": t.start_s, "seconds": t.seconds, "clicks": t.clicks,
                "rate_hz": t.rate_hz, "even": t.even,
            },
            "clicks_before": self.earlier,
            "clicks_later": self.later,
            "clicking_s": self.clicking_s,
            "goes_on": None
            if g is None
            else {"start_s": g.start_s, "seconds": g.seconds, "rise_db": g.rise_db},
        }  # fmt: skip


def like_ticks(train: Train) -> bool:
    """Whether a throttle ticks so: often enough, evenly, neither too slowly nor as a hum."""
    return (
        train.clicks >= LEAST_TICKS
        and train.even >= LEAST_EVEN
        and SLOWEST_HZ <= train.rate_hz <= FASTEST_HZ
    )


def key_cycles(recording: Recording, place: int = 0) -> list[KeyCycle]:
    """What is heard at each key-on that was told of."""
    marks, clicks = recording.channels.get("key_on"), recording.channels.get("click")
    floor = recording.channels.get("click_floor")
    if marks is None or floor is None or not loudness_known(recording):
        return []
    begin, upto = span_of(recording)
    told = marks.time_s[(marks.values == 1.0) & (marks.time_s < upto)]
    times = clicks.time_s if clicks is not None else np.zeros(0)
    levels = clicks.values if clicks is not None else np.zeros(0)
    found = []
    for number, at in enumerate(told.tolist()):
        following = float(told[number + 1]) - MARK_S if number + 1 < len(told) else math.inf
        end = _listened_until(recording, at, min(at + WATCHED_S, following, upto))
        started = engine_starts(recording, at, end)
        if started is not None:
            end = max(at, started - CRANKING_S)
        near = (times >= at - MARK_S) & (times <= at + OWN_WITHIN_S)
        own = float(levels[near].max()) if near.any() else NOTHING_DB
        chirp = _chirp_db(times[near], levels[near])
        reference = own if chirp is None else chirp
        # The first of the car's sounds tells better than the mark when the key was turned.
        first = times[near & (levels >= reference - SOFTER_DB)]
        settled = (float(first[0]) if len(first) else at) + LONGEST_TRAIN_S + MARK_S
        audible = levels >= reference - FAINTEST_DB
        earlier = (times >= at - MARK_S - BEFORE_S) & (times < at - MARK_S)
        loud = (times >= at - MARK_S) & (times <= end) & audible
        runs = trains(times[loud])
        longest = max(runs, key=lambda t: t.seconds, default=None)
        ticks = NOTHING_DB
        if longest is not None:
            within = loud & (times >= longest.start_s) & (times <= longest.end_s)
            ticks = float(np.median(levels[within]))
        span = max(0.1, min(BEFORE_S, at - MARK_S - begin))
        found.append(
            KeyCycle(
                recording=place,
                at_s=at,
                seconds=max(0.0, end - at),
                train=longest,
                own_db=own,
                floor_db=_held(floor.values[(floor.time_s > at + MARK_S) & (floor.time_s < end)]),
                before_hz=float(np.count_nonzero(earlier & audible)) / span,
                earlier=_events(times[earlier & audible]),
                clicking_s=sum(t.seconds for t in runs),
                later=_events(times[loud & (times > settled)]),
                goes_on=_goes_on(recording, at, end, reference),
                chirp_db=chirp,
                ticks_db=ticks,
                started=started is not None,
            )
        )
    return found


def loudness_known(recording: Recording) -> bool:
    """Whether the file says at all how loud it was, in the band of clicks and below it."""
    return all(n in recording.channels and len(recording.channels[n].values) for n in LOUDNESS)


def _listened_until(recording: Recording, at_s: float, end_s: float) -> float:
    """The end, or the first moment from which on the loudness is not known; the key-on itself where
    it is not known before it either, for then nobody can say what is new after it."""
    begin = max(span_of(recording)[0], at_s - MARK_S - BEFORE_S)
    until = end_s
    for name in LOUDNESS:
        times = recording.channels[name].time_s
        step = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
        inside = times[(times > begin) & (times < end_s)]
        edges = np.concatenate([[begin], inside, [end_s]])
        holes = edges[:-1][np.diff(edges) > HOLE_STEPS * min(step, 1.0)]
        if len(holes):
            until = min(until, float(holes[0]))
    return max(at_s, until)


def _chirp_db(times_s: Array, levels_db: Array) -> float | None:
    """The median loudness of the throttle's own test among the clicks near a key-on: of the run
    with most clicks, without those far softer or louder, if as many as a test has are left."""
    best: float | None = None
    most = CHIRP_CLICKS - 1
    if len(levels_db):
        loud = levels_db >= levels_db.max() - CHIRP_BELOW_DB
        times_s, levels_db = times_s[loud], levels_db[loud]
    for run in trains(times_s):
        own = levels_db[(times_s >= run.start_s) & (times_s <= run.end_s)]
        middle = float(np.median(own))
        alike = int(np.count_nonzero(np.abs(own - middle) <= CHIRP_ALIKE_DB))
        if alike > most:
            best, most = middle, alike
    return best


def _events(times_s: Array) -> int:
    """How many clicks there are, each with its echo counted once."""
    return int(np.count_nonzero(np.diff(times_s, prepend=-10.0) > ECHO_S)) if len(times_s) else 0


def _held(floor_db: Array) -> float:
    """The loudest that two half seconds after each other both are; 0 dB where nothing is known."""
    if len(floor_db) < 2:
        return 0.0
    return float(np.max(np.minimum(floor_db[:-1], floor_db[1:])))


def _goes_on(recording: Recording, at_s: float, end_s: float, own_db: float) -> GoesOn | None:
    """The longest sound after the key that is neither there before it nor over when a pump is."""
    if own_db <= NOTHING_DB:
        return None
    found = []
    for name, rises_db, faintest_db in (
        ("click_floor", RISES_DB, FAINTEST_HUM_DB),
        ("sound_level", LOW_RISES_DB, FAINTEST_LOW_DB),
    ):
        channel = recording.channels.get(name)
        if channel is not None:
            found += _louder(channel, at_s, end_s, (rises_db, own_db - faintest_db))
    return max(found, key=lambda g: g.seconds, default=None)


def _louder(
    channel: Channel, at_s: float, end_s: float, least: tuple[float, float]
) -> list[GoesOn]:
    """Stretches louder than before the key. least: (dB above what was, dB) that each must reach."""
    times, values = channel.time_s, channel.values
    step = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    earlier = values[(times > at_s - LEVEL_BEFORE_S) & (times < at_s - MARK_S - 0.5 * step)]
    # A key turned at once leaves nothing before it: then the quiet anywhere in the file.
    base = float(np.median(earlier) if len(earlier) else np.percentile(values, 10.0))
    # What lies partly before the mark or after the end is none of this key-on's alone.
    inside = (times > at_s + 0.5 * step) & (times < end_s - 0.5 * step)
    times, values = times[inside], values[inside]
    louder = (values >= base + least[0]) & (values >= least[1])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], louder.astype(np.int8), [0]])))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start, stop = float(times[first]) - 0.5 * step, float(times[last - 1]) + 0.5 * step
        long = stop - start > LONGEST_TRAIN_S + 0.5 * step
        pump = start <= at_s + OWN_WITHIN_S and stop <= at_s + MARK_S + PUMP_S + step
        if long and not pump:
            rise = float(np.median(values[first:last])) - base
            found.append(GoesOn(start, stop - start, rise))
    return found


def engine_starts(recording: Recording, at_s: float, end_s: float) -> float | None:
    """When an engine is heard to run within (at_s, end_s]: its valves click as evenly as a throttle
    that ticks. A note that goes on, and a low band clearly louder than before the key was turned
    and not far softer than the clicks themselves, as clicks alone leave it. None where there is
    none."""
    note, level = recording.channels.get("note"), recording.channels.get("sound_level")
    clicks = recording.channels.get("click")
    if note is None or level is None or not len(level.values):
        return None
    times = note.time_s[(note.time_s > at_s) & (note.time_s <= end_s)]
    earlier = level.values[(level.time_s > at_s - 4.0) & (level.time_s < at_s - MARK_S)]
    quiet = float(np.median(earlier)) if len(earlier) else float(np.min(level.values))
    least = quiet + RUNNING_DB
    if clicks is not None:
        within = clicks.values[(clicks.time_s > at_s) & (clicks.time_s <= end_s)]
        least = max(least, float(np.median(within)) - BELOW_CLICKS_DB) if len(within) else least
    loud = times[np.interp(times, level.time_s, level.values) >= least]
    # A fuel pump hums from the key on and is silent soon.
    primed = at_s + MARK_S + PUMP_S
    if not np.any((loud > primed) & (loud <= primed + 1.0)):
        loud = loud[loud > primed]
    return float(loud[0]) if len(loud) >= RUNNING_FRAMES else None


def softest_db(before: Sequence[Recording]) -> tuple[float, int]:
    """(how much softer than the key ticking must still be heard, key-ons it ticks at before)."""
    ticking = [c for r in before for c in key_cycles(r) if c.ticking]
    below = [c.reference_db - c.ticks_db + SOFTER_AGAIN_DB for c in ticking]
    return max([SOFTER_DB, *below]), len(ticking)


def proposed_marks(recording: Recording) -> list[float]:
    """When the key may have been turned: a loud click after 3 s of quiet. Only ever a proposal."""
    clicks, floor = recording.channels.get("click"), recording.channels.get("click_floor")
    if clicks is None or floor is None or not len(clicks.values):
        return []
    level = np.interp(clicks.time_s, floor.time_s, floor.values)
    loud = clicks.time_s[clicks.values - level >= PROPOSED_DB]
    first = loud[np.diff(loud, prepend=-10.0) >= 3.0]
    return [round(float(t), 1) for t in first[:20]]


def muted(recording: Recording) -> bool:
    """Whether a telephone's noise gate, or the lowest step of the file, hides the quiet."""
    floor = recording.channels.get("click_floor")
    if floor is None or len(floor.values) < 4:
        return True
    alike = np.abs(np.diff(floor.values)) < ALIKE_DB
    return bool(np.mean(alike) > MUTED_SHARE or np.mean(floor.values <= MUTED_DB) > MUTED_SHARE)
