"""One recording for every finding of the checks of idle, of stalls, and of the drive itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tests.evidence.settling_drives import one_file, settling, with_plate
from tests.nasty import PARKED_SCRIPT, SPECS, drive, kept, spec, with_values, without
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]

ROAD = (("idle", 45.0), ("road", 330.0), ("town", 200.0), ("idle", 45.0))
# The road test of the trade as well: take-offs, cruise, coast, a firm acceleration, a hot idle.
FULL_ROAD = (
    *((("idle", 20.0), ("town", 30.0)) * 3), ("firm", 4.0), ("road", 330.0), ("coast", 12.0),
    ("town", 180.0), ("idle", 60.0),
)  # fmt: skip
SHORT = (("idle", 40.0),)


def frozen() -> Recording:
    return with_values(drive(), "engine_speed", lambda v: np.full(len(v), 700.0))


def loads_now_and_then() -> Recording:
    """One stretch of several is spoiled by a load of 160 rpm for two seconds."""
    base = drive((("idle", 140.0),), every_s=0.2)
    times = base.channels["engine_speed"].time_s
    bump = np.where((times > 60.0) & (times < 62.0), 160.0, 0.0)
    return with_values(base, "engine_speed", lambda v: v + bump)


def loads_half_on() -> Recording:
    """A load of 100 rpm once, read in steps of 20 rpm: half the peak-to-peak is 50 ± 10 rpm."""
    base = drive((("idle", 60.0),), scatter_rpm=1.0, step_rpm=20.0)
    times = base.channels["engine_speed"].time_s
    bump = np.where((times > 30.0) & (times < 32.0), 100.0, 0.0)
    return with_values(base, "engine_speed", lambda v: v + bump)


def after_a_stop(*what: tuple[str, float]) -> Recording:
    return drive((*PARKED_SCRIPT, *what, *PARKED_SCRIPT))


CASES: dict[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
    ("idle-speed", "in-range"): (drive, SPECS),
    ("idle-speed", "too-low"): (lambda: drive(idle_rpm=620.0), SPECS),
    ("idle-speed", "too-high"): (lambda: drive(idle_rpm=800.0), SPECS),
    ("idle-speed", "code-likely"): (lambda: drive(idle_rpm=960.0), SPECS),
    ("idle-speed", "near-limit"): (lambda: drive(idle_rpm=748.0, scatter_rpm=25.0), SPECS),
    ("idle-speed", "no-spec"): (drive, {}),
    ("idle-speed", "spec-implausible"): (drive, {"idle_speed": spec("7 rpm")}),
    ("idle-steady", "spec-implausible"): (drive, {"warm_coolant": spec("20 °C")}),
    ("idle-speed", "channel-missing"): (lambda: without(drive(), "coolant"), SPECS),
    ("idle-speed", "too-slow-to-tell"): (lambda: kept(drive(), lambda t: t % 20 < 0.5), SPECS),
    ("idle-speed", "not-warm"): (lambda: drive(coolant_c=60.0), SPECS),
    ("idle-speed", "frozen"): (frozen, SPECS),
    ("idle-speed", "no-idle"): (lambda: drive((("town", 100.0),)), SPECS),
    ("idle-speed", "too-short"): (lambda: drive((("idle", 25.0),)), SPECS),
    ("idle-steady", "steady"): (drive, {}),
    ("idle-steady", "unsteady"): (lambda: drive(scatter_rpm=45.0, every_s=0.2), {}),
    ("idle-steady", "hunting"): (lambda: drive(hunting_rpm=40.0), {}),
    ("idle-steady", "near-limit"): (loads_half_on, {}),
    ("idle-steady", "sometimes-unsteady"): (loads_now_and_then, {}),
    ("idle-steady", "maybe-hunting"): (lambda: drive(hunting_rpm=25.0, scatter_rpm=4.0), {}),
    ("idle-steady", "channel-missing"): (lambda: without(drive(), "vehicle_speed"), {}),
    ("idle-steady", "too-slow-to-tell"): (lambda: drive(every_s=2.0), {}),
    ("idle-steady", "not-warm"): (lambda: drive(coolant_c=60.0), {}),
    ("idle-steady", "frozen"): (frozen, {}),
    ("idle-steady", "no-idle"): (lambda: drive((("town", 100.0),)), {}),
    ("idle-steady", "too-short"): (lambda: drive((("idle", 30.0),)), {}),
    ("idle-settling", "settled"): (lambda: one_file(settling(705, 0, 1)), SPECS),
    ("idle-settling", "settles-outside"): (lambda: one_file(settling(790, 120, 4)), SPECS),
    ("idle-settling", "drifting"): (lambda: one_file(lambda m: 740 + 5.0 * m), SPECS),
    ("idle-settling", "will-settle"): (lambda: one_file(settling(700, 400, 9)), SPECS),
    ("idle-settling", "still-moving"): (lambda: one_file(settling(700, 130, 60)), SPECS),
    ("idle-settling", "adapting"): (
        lambda: with_plate([one_file(settling(705, 0, 1))], lambda m: 8 - 0.1 * m)[0],
        SPECS,
    ),
    ("idle-settling", "near-limit"): (lambda: one_file(settling(749, 0, 1)), SPECS),
    ("idle-settling", "too-few-idles"): (drive, SPECS),
    ("idle-settling", "no-spec"): (lambda: one_file(settling(705, 0, 1)), {}),
    ("idle-settling", "spec-implausible"): (drive, {"idle_speed": spec("7 rpm")}),
    ("idle-settling", "channel-missing"): (lambda: without(drive(), "coolant"), SPECS),
    ("idle-settling", "too-slow-to-tell"): (lambda: kept(drive(), lambda t: t % 20 < 0.5), SPECS),
    ("idle-settling", "not-warm"): (lambda: drive(coolant_c=60.0), SPECS),
    ("idle-settling", "frozen"): (frozen, SPECS),
    ("idle-settling", "no-idle"): (lambda: drive((("town", 100.0),)), SPECS),
    ("no-stall", "none-seen"): (drive, {}),
    ("no-stall", "stalled"): (
        lambda: drive((("idle", 30.0), ("town", 30.0), ("off-moving", 8.0), ("idle", 60.0))),
        {},
    ),
    ("no-stall", "stop-unclear"): (lambda: after_a_stop(("off", 10.0)), {}),
    ("no-stall", "too-little-seen"): (lambda: drive(SHORT), {}),
    ("no-stall", "too-slow-to-tell"): (lambda: drive(every_s=2.0), {}),
    ("no-stall", "channel-missing"): (lambda: without(drive(), "pedal"), {}),
    ("no-stall", "frozen"): (frozen, {}),
    ("road-coverage", "met"): (lambda: drive(ROAD, every_s=1.0), {}),
    ("road-coverage", "met-in-full"): (lambda: drive(FULL_ROAD, every_s=1.0), {}),
    ("road-coverage", "excluded"): (
        lambda: drive(ROAD, every_s=1.0, also={"ambient": -15.0}),
        {},
    ),
    ("road-coverage", "not-yet"): (drive, {}),
    ("road-coverage", "channel-missing"): (lambda: without(drive(), "vehicle_speed"), {}),
    ("road-coverage", "too-slow-to-tell"): (lambda: kept(drive(), lambda t: t % 20 < 0.5), {}),
}

IDLE = ("engine_speed", "vehicle_speed", "pedal", "coolant")

# What each of these checks cannot do without, in the recording (and with the specs) that passes.
REQUIRED: Mapping[str, tuple[Callable[[], Recording], Specs, tuple[str, ...]]] = {
    "idle-speed": (drive, SPECS, IDLE),
    "idle-steady": (drive, {}, IDLE),
    "idle-settling": (lambda: one_file(settling(705, 0, 1)), SPECS, IDLE),
    "no-stall": (drive, {}, ("engine_speed", "vehicle_speed", "pedal")),
    "road-coverage": (lambda: drive(ROAD, every_s=1.0), {}, ("vehicle_speed",)),
}
