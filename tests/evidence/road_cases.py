"""One recording for every finding of the checks of driving: surge, hesitation, same conditions."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tests.evidence.road_cars import FRAME, answering_car, frame_drive, surging_car
from tests.nasty import changed, channel, drive, spec, with_values, without
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]

# What each of these checks cannot do without, in the recording (and with the specs) that passes.
REQUIRED: Mapping[str, tuple[Callable[[], Recording], Specs, tuple[str, ...]]] = {
    "surge": (lambda: surging_car(0.0), {}, ("engine_speed", "vehicle_speed", "pedal")),
    "hesitation": (lambda: answering_car(0.3), {}, ("engine_speed", "vehicle_speed", "pedal")),
    "same-conditions": (frame_drive, FRAME, ("engine_speed", "load", "coolant")),
}


def _slow_load() -> Recording:
    return changed(
        frame_drive(60.0),
        lambda c: channel(c.name, c.time_s[::6], c.values[::6]) if c.name == "load" else c,
    )


CASES: Mapping[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
    ("surge", "steady"): (lambda: surging_car(0.0), {}),
    ("surge", "surges"): (lambda: surging_car(5.0), {}),
    ("surge", "sometimes-surges"): (lambda: surging_car(5.0, holds=4, only_hold=1), {}),
    ("surge", "foot-moves-too"): (lambda: surging_car(5.0, foot_points=1.5), {}),
    ("surge", "near-limit"): (lambda: surging_car(3.0, every_s=1.0, noise_pct=0.8), {}),
    ("surge", "uneven"): (lambda: surging_car(0.0, noise_pct=2.2), {}),
    ("surge", "no-steady-drive"): (drive, {}),
    ("surge", "too-slow-to-tell"): (lambda: surging_car(0.0, every_s=1.3), {}),
    ("surge", "channel-missing"): (lambda: without(surging_car(0.0), "pedal"), {}),
    ("hesitation", "answers"): (lambda: answering_car(0.3), {}),
    ("hesitation", "hesitates"): (lambda: answering_car(1.8), {}),
    ("hesitation", "sags"): (lambda: answering_car(0.8, sag_pct=5.0, every_s=0.2), {}),
    ("hesitation", "sometimes-hesitates"): (
        lambda: answering_car(0.2, late={4: 2.5}, every_s=0.2),
        {},
    ),
    ("hesitation", "near-limit"): (lambda: answering_car(0.9), {}),
    ("hesitation", "unanswered"): (lambda: answering_car(0.3, pull_kmh_s=0.05), {}),
    ("hesitation", "too-few-tip-ins"): (lambda: answering_car(0.3, tip_ins=2), {}),
    ("hesitation", "too-slow-to-tell"): (lambda: answering_car(0.3, every_s=2.0), {}),
    ("hesitation", "channel-missing"): (lambda: without(answering_car(0.3), "pedal"), {}),
    ("same-conditions", "met"): (frame_drive, FRAME),
    ("same-conditions", "not-met"): (lambda: frame_drive(8.0), FRAME),
    ("same-conditions", "no-drive-can"): (
        frame_drive,
        {**FRAME, "frame_engine_speed": spec("0 rpm")},
    ),
    ("same-conditions", "no-frame"): (frame_drive, {}),
    ("same-conditions", "spec-implausible"): (
        frame_drive,
        {**FRAME, "frame_load_window": spec("30 %")},
    ),
    ("same-conditions", "frozen"): (
        lambda: with_values(frame_drive(), "load", lambda v: 40.0 + 0.0 * v),
        FRAME,
    ),
    ("same-conditions", "channel-missing"): (lambda: without(frame_drive(), "load"), FRAME),
    ("same-conditions", "too-slow-to-tell"): (_slow_load, FRAME),
}
