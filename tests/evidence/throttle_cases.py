"""One recording for every finding of the checks of pedal and plate, parked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from tests.evidence import test_pairs as pair
from tests.evidence import test_stick_slip as slip
from tests.evidence import test_throttle_follow as follow
from tests.evidence.parked_car import Car, play
from tests.nasty import changed, channel, spec, with_values, without
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]

LIGHT = {"gross_mass": spec("1900 kg")}
STILL = Car(dead_s=[9.0] * 10)
PEDALS = ("engine_speed", "vehicle_speed", "pedal", "throttle")
TRACKS = ("throttle", "throttle_b")


def parked(every_s: float = 0.1, seed: int = 1, **how: Any) -> Recording:
    return play(Car(**how), every_s, seed)[0]


def revs_up(**how: Any) -> Recording:
    return parked(back_s=0.05, apart_s=10.0, **how)


def plate_lost_at_a_release() -> Recording:
    """Of one release of ten nobody knows what the plate did."""
    whole = parked()
    foot, plate = whole.channels["pedal"], whole.channels["throttle"]
    let_go = foot.time_s[1:][(foot.values[1:] < 5) & (foot.values[:-1] >= 5)][4]
    seen = (plate.time_s < let_go - 0.3) | (plate.time_s > let_go + 3.0)
    blind = channel("throttle", plate.time_s[seen], plate.values[seen], plate.resolution)
    return changed(whole, lambda c: blind if c.name == "throttle" else c)


def rolling() -> Recording:
    return with_values(parked(), "vehicle_speed", lambda v: v + 40.0)


def out_of_step() -> Recording:
    """The plate's clock is 0.3 s early: it moves before the foot does."""
    return changed(
        parked(),
        lambda c: channel(c.name, c.time_s - 0.3 * (c.name == "throttle"), c.values, c.resolution),
    )


def answers_without_the_plate() -> Recording:
    """Three presses in which the plate reads still and the engine revs up all the same."""
    made = parked(dead_s=[0.05] * 7 + [9.0] * 3)
    whole = parked()
    return replace(made, channels={**made.channels, "engine_speed": whole.channels["engine_speed"]})


def one_short_press() -> Recording:
    """A reading of the second track 40 points up between steady ones, at two readings a second."""
    base = pair.made(slope=1.0)
    second = base.channels["pedal_e"]
    values = second.values.copy()
    values[6] += 40.0
    return pair.recorded([base.channels["pedal_d"], replace(second, values=values)])


def plate_not_read_high_up() -> Recording:
    base = follow.made(names=follow.COMMAND, wrong=lambda c: -0.13 * c)
    throttle = base.channels["throttle"]
    low = throttle.values < 48.0
    less = replace(throttle, time_s=throttle.time_s[low], values=throttle.values[low])
    return follow.recorded([less if c is throttle else c for c in base.channels.values()])


def renamed(base: Recording) -> Recording:
    """A pedal's pair as a throttle's."""
    new = dict(zip(("pedal_d", "pedal_e"), TRACKS, strict=True))
    return pair.recorded([replace(c, name=new[c.name]) for c in base.channels.values()])


# What each of these checks cannot do without, in the recording (and with the specs) that passes.
REQUIRED: Mapping[str, tuple[Callable[[], Recording], Specs, tuple[str, ...]]] = {
    "pedal-response": (parked, {}, PEDALS),
    "throttle-return": (parked, LIGHT, PEDALS),
    "throttle-follow": (
        follow.made,
        {},
        ("throttle", "pedal_d", "engine_speed", "vehicle_speed"),
    ),
    "no-response": (parked, {}, PEDALS),
    "throttle-pair": (lambda: pair.made(names=TRACKS), {}, TRACKS),
    "pedal-pair": (pair.made, {}, ("pedal_d", "pedal_e")),
}

_PAIR: Mapping[str, Callable[[], Recording]] = {
    "agree": pair.made,
    "apart": lambda: pair.made(pair.bent(9.0)),
    "one-still": lambda: pair.made(slope=1e-6, start=40.0),
    "drop-out": lambda: pair.made(wild=[30]),
    "near-limit": lambda: pair.made(pair.bent(5.0), slope=1.0, seed=1),
    "single-readings": one_short_press,
    "no-relation": lambda: pair.made(wild=range(10, 300, 4)),
    "too-little-travel": lambda: pair.made(highest=25.0),
    "too-slow-to-tell": lambda: pair.made(hz=0.1, seconds=400.0),
    "channel-missing": lambda: without(pair.made(), "pedal_e"),
}


def _pair_cases(name: str) -> dict[tuple[str, str], tuple[Callable[[], Recording], Specs]]:
    turn: Callable[[Recording], Recording] = (lambda r: r) if name == "pedal-pair" else renamed
    kind = name.split("-")[0]
    cases: dict[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
        (name, finding): (lambda make=make: turn(make()), {}) for finding, make in _PAIR.items()
    }
    cases[name, "spec-implausible"] = (
        lambda: turn(pair.made()),
        {f"{kind}_pair_ratio": spec("40")},
    )
    return cases


def _parked_cases(
    name: str, own: Sequence[tuple[str, Callable[[], Recording], Specs]], specs: Specs
) -> dict[tuple[str, str], tuple[Callable[[], Recording], Specs]]:
    cases: dict[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
        (name, "not-following"): (lambda: parked(flap=True), specs),
        (name, "too-few-presses"): (lambda: parked(presses=4), specs),
        (name, "not-parked"): (rolling, specs),
        (name, "channel-missing"): (lambda: without(parked(), "throttle"), specs),
        (name, "too-slow-to-tell"): (lambda: parked(1.0), specs),
    }
    return cases | {(name, finding): (make, more) for finding, make, more in own}


CASES: dict[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
    **_parked_cases(
        "pedal-response",
        [
            ("prompt", parked, {}),
            ("slow", lambda: parked(dead_s=0.55), {}),
            ("one-press-slow", lambda: parked(dead_s=[0.05] * 9 + [9.0]), {}),
            ("no-answer", lambda: parked(dead_s=[9.0] * 10, map_kpa=35.0), {}),
            ("overshoots", lambda: parked(0.02, overshoot=0.25), {}),
            ("near-limit", lambda: parked(dead_s=0.26), {}),
            ("uneven", lambda: parked(dead_s=[0.05] * 9 + [0.55]), {}),
            ("overshoot-unclear", lambda: parked(0.2, dead_s=0.03, overshoot=0.35), {}),
            ("overshoot-not-shown", lambda: parked(0.5, dead_s=0.03, presses=7), {}),
            ("out-of-step", out_of_step, {}),
            ("too-few-presses", lambda: parked(presses=2), {}),
            ("too-slow-to-tell", lambda: parked(3.0), {}),
        ],
        {},
    ),
    **_parked_cases(
        "throttle-return",
        [
            ("prompt", parked, LIGHT),
            ("too-slow", lambda: parked(back_s=1.5), LIGHT),
            ("stuck-open", lambda: parked(back_s=1e4), LIGHT),
            ("revs-stay-up", lambda: revs_up(hang_s=7.0, extra=(("coolant", 90.0),)), LIGHT),
            ("revs-hang", lambda: revs_up(hang_s=7.0), LIGHT),
            ("release-hidden", plate_lost_at_a_release, {}),
            ("legal-not-healthy", lambda: parked(back_s=0.8), LIGHT),
            ("mass-unknown", lambda: parked(back_s=1.4), {}),
            ("spec-implausible", parked, {"gross_mass": spec("7 kg")}),
        ],
        LIGHT,
    ),
    **_parked_cases(
        "no-response",
        [
            ("none-seen", parked, {}),
            ("no-answer", lambda: parked(dead_s=[0.05] * 9 + [9.0]), {}),
            ("answer-unclear", answers_without_the_plate, {}),
        ],
        {},
    ),
    ("throttle-follow", "follows"): (follow.made, {}),
    ("throttle-follow", "off-position"): (
        lambda: follow.made(names=follow.COMMAND, wrong=lambda c: 9.0 + 0.0 * c),
        {n: spec(t) for n, t in follow.SCALE.items()},
    ),
    ("throttle-follow", "hysteresis"): (lambda: follow.made(play=14.0), {}),
    ("throttle-follow", "stick-slip"): (lambda: slip.ramps(8.5), {}),
    ("throttle-follow", "stick-slip-unclear"): (lambda: slip.ramps(4.4, hz=20.0, ramp_s=14.0), {}),
    ("throttle-follow", "fixed-opening"): (lambda: follow.made(stuck=8.0), {}),
    ("throttle-follow", "not-moving"): (
        lambda: follow.made(stuck=8.0, names=follow.COMMAND, engine="stays"),
        {},
    ),
    ("throttle-follow", "near-limit"): (lambda: follow.made(seed=1, play=5.0 / 0.75), {}),
    ("throttle-follow", "one-level-only"): (lambda: follow.made((33.0, 0.0) * 10), {}),
    ("throttle-follow", "one-direction-only"): (
        lambda: follow.made((25.0, 0.0, 50.0, 0.0, 75.0, 0.0) * 3),
        {},
    ),
    ("throttle-follow", "too-few-holds"): (
        plate_not_read_high_up,
        {n: spec(t) for n, t in follow.SCALE.items()},
    ),
    ("throttle-follow", "scale-unknown"): (lambda: follow.made(names=follow.COMMAND), {}),
    ("throttle-follow", "not-parked"): (lambda: follow.made(speed_kmh=50.0), {}),
    ("throttle-follow", "nothing-held"): (lambda: follow.made(()), {}),
    ("throttle-follow", "not-this-kind"): (
        lambda: follow.made(stuck=95.0, engine="follows pedal"),
        {},
    ),
    ("throttle-follow", "too-slow-to-tell"): (lambda: follow.made(hz=0.2), {}),
    ("throttle-follow", "channel-missing"): (lambda: without(follow.made(), "throttle"), {}),
    ("throttle-follow", "spec-implausible"): (
        follow.made,
        {"throttle_closed": spec("80 %"), "throttle_open": spec("20 %")},
    ),
    **_pair_cases("throttle-pair"),
    **_pair_cases("pedal-pair"),
}
