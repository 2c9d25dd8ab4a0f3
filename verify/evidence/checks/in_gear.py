"""Driving in one gear: what `surge` and `hesitation` look at.

In one gear engine speed and road speed keep their ratio. A shift, a slipping clutch, an open
converter or a gearbox without steps changes it, and such a stretch is left out: there engine speed
moves for other reasons than the engine's own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.ranks import places_among
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.windows import (
    CRANKING_RPM,
    FAST_CAP_S,
    HIGHEST_RPM,
    PEDAL_REST_AT_MOST,
    frozen,
    rest_level,
)
from verify.values import dataclass

# How far the ratio may wander in one gear: neighbouring gears lie 12 % and more apart (common
# practice), and a surge of twice what is felt moves it by 6 % where the converter is open.
RATIO_SHARE = 0.08


@dataclass(frozen=True, slots=True)
class Driving:
    """The channels of one recording that are needed, with the pedal's rest.

    lack: "" or why not (`channel-missing`, `too-slow-to-tell`); why, settle: sentences' fragments.
    speed_at: road speed at the times of engine speed, NaN where it is not known.
    """

    engine: Channel | None = None
    speed: Channel | None = None
    pedal: Channel | None = None
    rest: float = 0.0
    speed_at: Array | None = None
    lack: str = ""
    why: str = ""
    settle: str = ""


def driving(recording: Recording, slowest: dict[str, float]) -> Driving:
    """slowest: for "engine_speed", "vehicle_speed" and "pedal" the longest usual step in s."""
    engine, speed = (recording.channels.get(n) for n in ("engine_speed", "vehicle_speed"))
    if engine is None or speed is None:
        missing = "engine speed" if engine is None else "vehicle speed"
        return _lacking(f"the recording has no {missing} channel", f"record {missing} as well")
    pedals = [
        (c, level)
        for name, at_most in PEDAL_REST_AT_MOST.items()
        if (c := recording.channels.get(name)) is not None
        and len(c.values) >= 2
        and (level := rest_level(c, at_most)) is not None
    ]
    if not pedals:
        return _lacking(
            "the recording has no pedal channel in which the pedal is let go once",
            "record the pedal position as well, and let it go at least once",
        )
    pedal, rest = pedals[0]
    for name, channel in (("engine_speed", engine), ("vehicle_speed", speed), ("pedal", pedal)):
        if not channel.interval_s <= slowest[name]:
            words = channel.name.replace("_", " ")
            every = f"{channel.interval_s:.3g} s" if channel.interval_s > 0 else "recording"
            return Driving(
                lack="too-slow-to-tell",
                why=f"{words} was read once every {every}",
                settle="record engine speed, vehicle speed and pedal only, so that each is read "
                "at least once a second",
            )
    return Driving(engine, speed, pedal, rest, between(recording, speed, engine.time_s))


def _lacking(why: str, settle: str) -> Driving:
    return Driving(lack="channel-missing", why=why, settle=settle)


@shared
def between(recording: Recording, channel: Channel, at_s: Array) -> Array:
    """The channel at these times, on straight lines between linked readings, NaN elsewhere."""
    if len(channel.values) < 2:
        return np.full(len(at_s), np.nan)
    if channel.time_s is at_s:
        # Read in one row: the last reading counts by the step before it.
        whole = sp.linked(at_s, sp.longest_step_s(channel, FAST_CAP_S), recording.gaps)
        if whole.all():
            return channel.values
        return np.where(np.append(whole, whole[-1]), channel.values, np.nan)
    place = places_among(channel.time_s, at_s, "right") - 1
    inside = (place >= 0) & (at_s <= channel.time_s[-1])
    step = np.clip(place, 0, len(channel.values) - 2)
    good = sp.linked(channel.time_s, sp.longest_step_s(channel, FAST_CAP_S), recording.gaps)
    result: Array = np.where(
        inside & good[step], np.interp(at_s, channel.time_s, channel.values), np.nan
    )
    return result


def usable(recording: Recording, channel: Channel) -> Array:
    """Where a channel is read without a gap and, for engine speed, shows a running engine."""
    holds: NDArray[np.bool_] = np.ones(len(channel.values), dtype=np.bool_)
    if channel.name == "engine_speed":
        holds = (channel.values >= CRANKING_RPM) & (channel.values <= HIGHEST_RPM)
    found = sp.true_spans(
        channel.time_s, holds, sp.longest_step_s(channel, FAST_CAP_S), recording.gaps
    )
    return sp.without(found, frozen(channel)) if channel.name == "engine_speed" else found
