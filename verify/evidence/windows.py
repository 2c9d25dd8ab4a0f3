"""Which stretches of a recording may be judged: warm, standing, pedal-released idle.

Comes after the importers, before the checks. A precondition whose channel is missing is not met.
Another channel may stand in for it only as written here:

- warm: coolant 80 to 115 °C (common practice: 80 to 105 °C, and fans that come on late). Without a
  coolant channel, oil at 80 °C or more implies it: oil warms after the coolant, not before.
- standing: vehicle speed within half a km/h of 0. Nothing stands in for it.
- pedal released: every pedal channel that was recorded (pedal, D, E) at its own rest. Without any
  pedal channel, the throttle at its rest implies it, but only where this recording shows that the
  throttle follows the pedal: it rests low, opens by 10 points or more while the engine runs, and
  intake pressure, load, air flow or engine speed rise and fall with it. The intake flap of a
  diesel rests wide open and follows nothing, so it implies nothing.

Left out of an idle, because something else than idle control is at work there: 10 s from the
engine's start or any blind spot (start-up flare), 3 s from the end of rolling and from letting the
pedal go (revs come back within 2 to 3 s: common practice), 1.5 s before rolling off, 1 s before
the pedal is pressed or the engine stops; each at least as long as the channel's own interval.
Whatever the logger left out ends the window.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.ranks import low_percentile, places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.values import dataclass

# Below this an engine is being cranked or stands; common practice puts cranking at 150 to 300 rpm.
CRANKING_RPM = 300.0
# Readings above it are no engine speed of a road car (16383.75 rpm is a saturated parameter).
HIGHEST_RPM = 10_000.0
STANDING_KMH = 0.5
WARM_FROM_C, WARM_TO_C = 80.0, 115.0
OIL_WARM_FROM_C = 80.0

# How far apart readings may lie at most: time in which the quantity could change and change back.
FAST_CAP_S, TEMPERATURE_CAP_S = 5.0, 60.0

FLARE_S, CALM_S, ROLL_OFF_S, PRESS_S, STOP_S = 10.0, 3.0, 1.5, 1.0, 1.0
LEAST_WINDOW_S = 5.0

# The highest reading a released pedal can have: 0 plus wear for the relative parameter, 12 to 20 %
# and some reserve for the raw tracks (common practice).
PEDAL_REST_AT_MOST = {"pedal": 3.0, "pedal_d": 25.0, "pedal_e": 25.0}
THROTTLE_REST_AT_MOST = 25.0
# Steps finer than this are noise of the sensor and not a foot.
LEAST_PEDAL_STEP, MOST_PEDAL_STEP = 0.4, 1.0
# A last digit that jumps up and is back within this is the sensor's; a foot stays longer (common
# practice; presses asked for are held 5 s).
FLICKER_S = 1.2
FOLLOWS_POINTS, FOLLOWS_CORRELATION = 10.0, 0.5

# An engine's speed is never still. This many equal readings in a row, over this time, at a step
# finer than this, are one reading repeated.
FROZEN_READINGS, FROZEN_S, FROZEN_STEP_RPM = 10, 8.0, 5.0


@dataclass(frozen=True, slots=True)
class Condition:
    """Where one precondition is shown to hold.

    lack: "" or the finding that says why it cannot be shown at all (`channel-missing`,
    `too-slow-to-tell`). why, settle: sentences for the case that no window is found.
    implied: which other channel stood in.
    """

    spans: Array
    lack: str = ""
    why: str = ""
    settle: str = ""
    implied: str = ""


@dataclass(frozen=True, slots=True)
class Idle:
    """The idle windows of one recording, or why there are none.

    lack: "" where there are windows, else `channel-missing`, `too-slow-to-tell`, `not-warm`,
    `frozen` or `no-idle`.
    """

    spans: Array
    lack: str = ""
    why: str = ""
    settle: str = ""
    implied: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        return sp.total_s(self.spans)


def missing_channel(name: str, instead: str = "") -> Condition:
    words = name.replace("_", " ")
    also = f" (or {instead})" if instead else ""
    return Condition(
        sp.EMPTY,
        "channel-missing",
        f"the recording has no {words} channel",
        f"record {words}{also} as well",
    )


def held(channel: Channel, holds: NDArray[np.bool_], recording: Recording, cap_s: float) -> Array:
    """Where a channel shows that something held, bounded by staleness and gaps."""
    return sp.true_spans(channel.time_s, holds, sp.longest_step_s(channel, cap_s), recording.gaps)


def too_slow(channel: Channel, cap_s: float) -> bool:
    return not channel.interval_s <= cap_s


def _slow(channel: Channel) -> Condition:
    words = channel.name.replace("_", " ")
    every = f"once every {channel.interval_s:.3g} s" if channel.interval_s > 0 else "only once"
    return Condition(
        sp.EMPTY,
        "too-slow-to-tell",
        f"{words} was read {every}",
        f"record fewer channels, so that {words} is read at least once a second",
    )


@shared
def running(recording: Recording) -> Condition:
    """Where the engine runs and its speed is really read (frozen stretches are left out)."""
    channel = recording.channels.get("engine_speed")
    if channel is None:
        return missing_channel("engine_speed")
    if too_slow(channel, FAST_CAP_S):
        return _slow(channel)
    good = (channel.values >= CRANKING_RPM) & (channel.values <= HIGHEST_RPM)
    found = held(channel, good, recording, FAST_CAP_S)
    still = frozen(channel)
    left = sp.without(found, still)
    if len(still) and not sp.total_s(left) > LEAST_WINDOW_S:
        return Condition(
            left,
            "frozen",
            f"engine speed reads {float(np.median(channel.values)):.4g} rpm again and again "
            "without ever moving, which no engine does",
            "start the recording again; leave out channels the car does not answer",
        )
    return Condition(
        left, why="engine speed never shows a running engine", settle="record with the engine on"
    )


@shared
def frozen(channel: Channel) -> Array:
    """Stretches in which an engine speed is one reading repeated and so no evidence."""
    n = len(channel.values)
    if n < FROZEN_READINGS or channel.resolution >= FROZEN_STEP_RPM:
        return sp.EMPTY
    first, last = sp.runs_of(channel.values[1:] == channel.values[:-1])
    runs = np.column_stack([channel.time_s[first], channel.time_s[last]])
    long = (last - first + 1 >= FROZEN_READINGS) & (runs[:, 1] - runs[:, 0] >= FROZEN_S)
    return runs[long & (channel.values[first] >= CRANKING_RPM)]


@shared
def standing(recording: Recording) -> Condition:
    channel = recording.channels.get("vehicle_speed")
    if channel is None:
        return missing_channel("vehicle_speed")
    if too_slow(channel, FAST_CAP_S):
        return _slow(channel)
    still = (channel.values >= -STANDING_KMH) & (channel.values <= STANDING_KMH)
    found = held(channel, still, recording, FAST_CAP_S)
    return Condition(
        found, why="the car never stands still in it", settle="let the car idle standing still"
    )


@shared
def warm(recording: Recording, warm_from_c: float = WARM_FROM_C) -> Condition:
    channel, implied = recording.channels.get("coolant"), ""
    lowest = warm_from_c
    if channel is None:
        channel = recording.channels.get("oil")
        lowest = max(OIL_WARM_FROM_C, warm_from_c)
        implied = "no coolant channel: warm is taken from the oil, which warms later"
        if channel is None:
            return missing_channel("coolant", "oil temperature")
    if too_slow(channel, TEMPERATURE_CAP_S):
        return _slow(channel)
    good = (channel.values >= lowest) & (channel.values <= WARM_TO_C)
    coolest, highest = sp.reach(channel)
    words = channel.name
    if highest < lowest:
        why = f"{words} reached {highest:.0f} °C at most; warm begins at {lowest:.0f} °C"
    elif coolest > WARM_TO_C:
        why = f"{words} read above {WARM_TO_C:.0f} °C throughout, which is no normal warm engine"
    else:
        why = f"{words} was between {lowest:.0f} and {WARM_TO_C:.0f} °C at no suitable time"
    found = held(channel, good, recording, TEMPERATURE_CAP_S)
    return Condition(
        found, why=why, settle="drive or idle until the engine is warm, then idle", implied=implied
    )


@shared
def rest_level(channel: Channel, at_most: float) -> float | None:
    """The reading at rest: the lowest one but for rare strays (1 in 100), if it can be a rest."""
    level = low_percentile(channel.values, 1.0)
    return level if level <= at_most else None


@shared
def at_rest(channel: Channel, level: float) -> NDArray[np.bool_]:
    """Readings at the rest level: no higher than it, or one step higher where the rest jitters.

    A foot that rests on the pedal raises it by a step or two and the engine answers, so a step
    counts as rest only where the reading flickers: between the two all the time (one in five
    readings or more), or now and then, up and back to rest within FLICKER_S.
    """
    # A pedal that was seen at two places only seems to have one huge step; a foot's is small.
    step = min(max(channel.resolution, LEAST_PEDAL_STEP), MOST_PEDAL_STEP)
    lowest = channel.values <= level + 0.5 * step
    near = channel.values <= level + 1.5 * step
    if np.count_nonzero(near) >= 1.25 * np.count_nonzero(lowest):
        return near
    return lowest | sp.brief_runs(channel.time_s, near & ~lowest, lowest, FLICKER_S)


@shared
def released(recording: Recording) -> Condition:
    """Where the accelerator pedal is shown, or implied, to be released."""
    pedals = [c for name in PEDAL_REST_AT_MOST if (c := recording.channels.get(name)) is not None]
    if not pedals:
        return _released_by_throttle(recording)
    found: Array | None = None
    for channel in pedals:
        if too_slow(channel, FAST_CAP_S):
            return _slow(channel)
        level = rest_level(channel, PEDAL_REST_AT_MOST[channel.name])
        if level is None:
            return Condition(
                sp.EMPTY,
                why=f"{channel.name.replace('_', ' ')} never reads as low as a released pedal",
                settle="let the pedal go in the recording",
            )
        own = held(channel, at_rest(channel, level), recording, FAST_CAP_S)
        found = own if found is None else sp.intersect(found, own)
    assert found is not None
    return Condition(
        found, why="the pedal was never let go for long", settle="idle with the foot off the pedal"
    )


def _released_by_throttle(recording: Recording) -> Condition:
    lacking = missing_channel("pedal", "the throttle, pressing the pedal a few times")
    throttle = recording.channels.get("throttle")
    if throttle is None or too_slow(throttle, FAST_CAP_S):
        return lacking
    reason = throttle_shows_pedal(recording)
    if reason:
        return Condition(
            sp.EMPTY,
            "channel-missing",
            f"the recording has no pedal channel, and the throttle cannot stand in: {reason}",
            "record the pedal position as well",
        )
    level = rest_level(throttle, THROTTLE_REST_AT_MOST)
    assert level is not None
    return Condition(
        held(throttle, at_rest(throttle, level), recording, FAST_CAP_S),
        why="the throttle never was at rest for long",
        settle="idle with the foot off the pedal",
        implied="no pedal channel: released is taken from the throttle at its rest",
    )


def throttle_shows_pedal(recording: Recording) -> str:
    """ "" where this recording shows a throttle that moves with the pedal, else why not."""
    throttle = recording.channels["throttle"]
    speed = recording.channels.get("engine_speed")
    if speed is None or len(speed.values) < 2 or len(throttle.values) < 20:
        return "too little is recorded to see what moves it"
    at = hold_onto(speed, throttle.time_s, sp.longest_step_s(speed, FAST_CAP_S))
    runs = at >= CRANKING_RPM  # NaN compares false: unknown is not running
    values = throttle.values[runs]
    if len(values) < 20:
        return "too little is recorded with the engine running"
    level = rest_level(throttle, THROTTLE_REST_AT_MOST)
    if level is None:
        return "it never rests low, as the intake flap of a diesel does"
    if not float(values.max()) >= level + FOLLOWS_POINTS:
        return "it never opens, so nothing shows what moves it"
    best = 0.0
    for name in ("map", "load", "maf", "engine_speed"):
        other = recording.channels.get(name)
        if other is None or len(other.values) < 2:
            continue
        with_it = hold_onto(other, throttle.time_s[runs], sp.longest_step_s(other, FAST_CAP_S))
        known = np.isfinite(with_it)
        best = max(best, correlation(values[known], with_it[known]))
    if best < FOLLOWS_CORRELATION:
        return "nothing rises and falls with it"
    return ""


def hold_onto(channel: Channel, time_s: Array, longest_s: float) -> Array:
    """The channel's latest reading at each time, NaN where it is older than `longest_s`."""
    if not len(channel.values):
        return np.full(len(time_s), np.nan)
    if channel.time_s is time_s or np.array_equal(channel.time_s, time_s):
        return channel.values
    place = places_among(channel.time_s, time_s, "right") - 1
    safe = np.maximum(place, 0)
    fresh = (place >= 0) & (time_s - channel.time_s[safe] <= longest_s)
    result: Array = np.where(fresh, channel.values[safe], np.nan)
    return result


def correlation(a: Array, b: Array) -> float:
    """Pearson's, 0 where it has no meaning."""
    if len(a) < 3:
        return 0.0
    da, db = a - a.mean(), b - b.mean()
    norm = math.sqrt(float(da @ da) * float(db @ db))
    return float(da @ db) / norm if norm > 0.0 else 0.0


@shared
def idle_windows(recording: Recording, warm_from_c: float = WARM_FROM_C) -> Idle:
    """The windows in which a warm engine idles, as the module's text describes them."""
    engine, still = running(recording), standing(recording)
    foot, heat = released(recording), warm(recording, warm_from_c)
    for condition in (engine, still, foot, heat):
        if condition.lack:
            return Idle(sp.EMPTY, condition.lack, condition.why, condition.settle)
    found = _calm(recording, engine, still, foot)
    idle = sp.at_least(found, LEAST_WINDOW_S)
    both = sp.at_least(sp.intersect(idle, heat.spans), LEAST_WINDOW_S)
    implied = tuple(c.implied for c in (foot, heat) if c.implied)
    if len(both):
        return Idle(both, implied=implied)
    if len(idle):
        return Idle(both, "not-warm", heat.why, heat.settle, implied)
    for condition in (engine, still, foot):
        if not len(condition.spans):
            return Idle(both, "no-idle", condition.why, condition.settle, implied)
    return Idle(
        both,
        "no-idle",
        "no stretch is left in which the engine idles, standing, foot off the pedal, after the "
        "first seconds of each stop and start",
        "let the warm engine idle for 60 s, standing, foot off the pedal",
        implied,
    )


def seen_idle(recording: Recording) -> tuple[Array, tuple[str, ...]]:
    """Idle as far as it is shown at all: (windows, what was shown of standing, released, warm).

    For telling a number that cannot be judged. Nothing is implied here, and nothing without an
    engine that runs and a car that stands.
    """
    engine, still, foot = running(recording), standing(recording), released(recording)
    if engine.lack or still.lack:
        return sp.EMPTY, ()
    shown = ("standing",) if foot.lack else ("standing", "pedal released")
    found = _calm(recording, engine, still, None if foot.lack else foot)
    return sp.at_least(found, LEAST_WINDOW_S), shown


def _calm(
    recording: Recording, engine: Condition, still: Condition, foot: Condition | None
) -> Array:
    """Where all hold, each without the moments in which something else is at work."""
    found = sp.trim(engine.spans, FLARE_S, _margin(recording, ("engine_speed",), STOP_S))
    found = sp.intersect(
        found,
        sp.trim(still.spans, CALM_S, _margin(recording, ("vehicle_speed",), ROLL_OFF_S)),
    )
    if foot is None:
        return found
    feet = tuple(n for n in PEDAL_REST_AT_MOST if n in recording.channels) or ("throttle",)
    return sp.intersect(found, sp.trim(foot.spans, CALM_S, _margin(recording, feet, PRESS_S)))


def idling(recording: Recording) -> Idle:
    """As `idle_windows`, cold or warm and with nothing trimmed: exposure to events, which come
    with starts and lift-offs as well."""
    conditions = (running(recording), standing(recording), released(recording))
    for condition in conditions:
        if condition.lack:
            return Idle(sp.EMPTY, condition.lack, condition.why, condition.settle)
    found = conditions[0].spans
    for condition in conditions[1:]:
        found = sp.intersect(found, condition.spans)
    implied = tuple(c.implied for c in conditions if c.implied)
    return Idle(found, "" if len(found) else "no-idle", conditions[0].why, "", implied)


def _margin(recording: Recording, names: tuple[str, ...], least_s: float) -> float:
    """A trim is at least as long as the slowest of these channels needs to notice a change."""
    own = [recording.channels[n].interval_s for n in names if n in recording.channels]
    known = [i for i in own if i > 0.0]
    return max([least_s, *known])
