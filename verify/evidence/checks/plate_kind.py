"""What kind of plate a recording shows: a throttle, or a flap that need not follow the pedal.

Asked by `throttle-follow` before it judges anything.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence.holds import first_channel
from verify.evidence.positions import Positions
from verify.evidence.ranks import low_percentile, median_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.spans import longest_step_s
from verify.evidence.windows import CRANKING_RPM, FAST_CAP_S, hold_onto

PEDALS = ("pedal", "pedal_d", "pedal_e")
# A plate that rests wide open at a calm idle is no throttle (an intake flap, or valves that do its
# work); an intake near the air outside at idle says the same (common practice).
FLAP_REST_PERCENT, CALM_RPM, UNTHROTTLED_SHARE, THROTTLED_SHARE = 40.0, 1500.0, 0.85, 0.7
USUAL_BARO_KPA = 100.0


def why_no_throttle(recordings: Sequence[Recording], usable: Sequence[int]) -> str:
    """Why this is no throttle that could follow a pedal, "" where nothing says so."""
    for place in usable:
        recording = recordings[place]
        plate = recording.channels["throttle"]
        pedal = first_channel(recording, PEDALS)
        calm = _of(recording, "engine_speed", plate)
        idle = (calm >= CRANKING_RPM) & (calm <= CALM_RPM)
        if pedal is not None:
            foot = hold_onto(pedal, plate.time_s, longest_step_s(pedal, FAST_CAP_S))
            idle &= foot <= low_percentile(pedal.values, 1.0) + 1.0
        else:
            command = _of(recording, "throttle_commanded", plate)
            idle &= command <= np.nanmin(command, initial=np.inf) + 2.0
        if np.count_nonzero(idle) < 5:
            continue
        level = median_of(plate.values[idle])
        if level >= FLAP_REST_PERCENT:
            return (
                f"the plate stands {level:.0f} % open while the engine idles calmly with the pedal "
                "released, as the intake flap of a diesel does; it is not there to follow the pedal"
            )
        kpa = _of(recording, "map", plate)[idle]
        around = _baro(recording)
        if np.count_nonzero(np.isfinite(kpa)) >= 5:
            inside = float(np.nanmedian(kpa))
            if inside >= UNTHROTTLED_SHARE * around:
                return (
                    f"at idle the intake stands at {inside:.0f} kPa, near the air outside: this "
                    "engine is not throttled by its plate"
                )
    return ""


def _of(recording: Recording, name: str, plate: Channel) -> Array:
    channel = recording.channels.get(name)
    if channel is None or len(channel.values) < 2:
        return np.full(len(plate.time_s), np.nan)
    return hold_onto(channel, plate.time_s, longest_step_s(channel, FAST_CAP_S))


def _baro(recording: Recording) -> float:
    baro = recording.channels.get("baro")
    return median_of(baro.values) if baro is not None and len(baro.values) else USUAL_BARO_KPA


def shown_throttled(
    recordings: Sequence[Recording],
    on: Positions,
    resting: NDArray[np.bool_],
) -> bool:
    """Whether the intake pressure at idle shows an engine that its plate throttles."""
    for i in np.flatnonzero(resting)[:50].tolist():
        recording = recordings[int(on.place[i])]
        kpa = recording.channels.get("map")
        if kpa is None:
            continue
        inside = (kpa.time_s >= on.start_s[i]) & (kpa.time_s <= on.end_s[i])
        if inside.any() and float(np.median(kpa.values[inside])) <= THROTTLED_SHARE * _baro(
            recording
        ):
            return True
    return False
