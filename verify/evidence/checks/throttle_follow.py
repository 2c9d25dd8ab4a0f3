"""Does the throttle plate stand where it is told to: held positions, parked.

With a commanded position the plate is held against it; without one against itself: at the same
pedal it must stand at the same place, whichever side it came from. Never judged on the road, where
torque control, shifts, cruise control and limiters move the plate against the pedal in sound cars.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from verify.evidence.checks.follow_errors import (
    COMMAND_LEVELS_APART,
    LIMIT_PERCENT,
    PRESSED_POINTS,
    Found,
    against_command,
    against_itself,
    limits,
)
from verify.evidence.checks.follow_words import BLIND_SPOTS, FINDINGS, LOOK_ALIKES, SETTLES
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.checks.pinned_plate import MOST_POSITIONS, pinned, surely_moves, windows_of
from verify.evidence.checks.plate_kind import PEDALS, why_no_throttle
from verify.evidence.checks.stick_slip import LIMITER_FROM_RPM, LIMITER_SHARE, Slips, slips
from verify.evidence.holds import first_channel, inside_one
from verify.evidence.positions import (
    Positions,
    holds_for,
    joined,
    levels,
    positions,
)
from verify.evidence.recording import Recording
from verify.evidence.verdict import (
    CheckResult,
    Measurement,
    Rule,
    Window,
    decide,
    probability_of_conformity,
)
from verify.evidence.windows import FAST_CAP_S, standing
from verify.quantity import SpecValue
from verify.words import Verdict

SLOWEST_S, SLOW_S = 2.5, 1.3
# A parked limiter: the plate is closed against the pedal near one engine speed.
LIMITER_DROP = 3.0
COMMANDED = ("throttle_commanded",)
# A level this far from all that were read is one that was not.
UNREAD_POINTS = 8.0


def run_throttle_follow(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """First whether it can be asked of this car and recording, then the plain faults, then how far
    off the plate stands."""
    refusal, usable, scale = _applicable(check, recordings, specs)
    if refusal is not None:
        return refusal
    flap = why_no_throttle(recordings, usable)
    if flap:
        return check.result("not-this-kind", f"{flap}.")
    slipped = _slips(recordings, usable)
    leaps = _leaping(check, slipped, rule)
    if leaps is not None:
        return leaps
    by_command = _gathered(recordings, usable, COMMANDED)
    # With a command the pedal is asked for a plate that it never moves, and mostly soon answers.
    idle = by_command is not None and surely_moves(recordings, usable)
    by_pedal = None if idle else _gathered(recordings, usable, PEDALS)
    main = by_pedal if by_command is None else by_command
    assert main is not None
    rest = float(np.min(main.x)) if len(main) else 0.0
    if not len(main) or not np.any(main.x >= rest + PRESSED_POINTS):
        return _nothing_held(check, recordings, usable, main)
    windows = windows_of(main)
    fixed = pinned(check, recordings, by_pedal, by_command)
    if fixed is not None:
        return fixed
    notes: list[str] = []
    steps = max(recordings[p].channels["throttle"].resolution for p in usable)
    if by_command is not None:
        found = against_command(_thinned(by_command, notes), scale, rule)
    else:
        found = against_itself(_thinned(_without_limiter(main, notes), notes), rule)
    missed = _unread(recordings, usable, main)
    if missed is not None and not found.lack:
        why = f"at {missed:.0f} % it was held too, with too few readings of the settled plate"
        found = replace(found, lack="too-few-holds", why=why)
    notes.append(_slips_note(slipped))
    if slipped.size is not None and slipped.size.value > 0.5 * LIMIT_PERCENT and not found.lack:
        why = f"{slipped.leaps} times it stuck and leapt while it was moved slowly"
        found = replace(found, lack="stick-slip-unclear", why=why)
    return _answer(check, found, notes, windows, steps, rule)


def _slips(recordings: Sequence[Recording], usable: Sequence[int]) -> Slips:
    """Leaps against the command where every recording has one, else against the pedal."""
    commanded = all(first_channel(recordings[p], COMMANDED) is not None for p in usable)
    parts = []
    for place in usable:
        mover = first_channel(recordings[place], COMMANDED if commanded else PEDALS)
        if mover is not None:
            parts.append((place, recordings[place], mover, standing(recordings[place]).spans))
    return slips(parts, commanded=commanded)


def _leaping(check: Check, slipped: Slips, rule: Rule) -> CheckResult | None:
    """The fail of a plate that sticks and leaps as a habit, by more than the limit."""
    if slipped.size is None or not slipped.habit:
        return None
    p = probability_of_conformity(slipped.size, limits())
    if decide(p, rule.pass_at, rule.fail_at) is not Verdict.FAIL:
        return None
    size = f"{slipped.size.value:.1f} ± {2 * slipped.size.uncertainty:.1f} % of span"
    return check.result(
        "stick-slip",
        f"{slipped.leaps} times the plate stuck while it was moved slowly, and then leapt by "
        f"{size}; {LIMIT_PERCENT:.0f} % is the limit.",
        measurement=slipped.size, limits=limits(), probability=p, windows=slipped.windows,
        notes=[_slips_note(slipped)],
    )  # fmt: skip


def _slips_note(slipped: Slips) -> str:
    if slipped.shown_s <= 0.0:
        return (
            "whether the plate sticks and leaps between the held levels is not shown: nothing was "
            "moved slowly and evenly with ten readings a second"
        )
    return f"{slipped.shown_s:.0f} s of slow movement: it stuck and leapt {slipped.leaps} times"


def _unread(
    recordings: Sequence[Recording], usable: Sequence[int], main: Positions
) -> float | None:
    """A level that was held while the car stood, and at which the plate was hardly read."""
    for place in usable:
        recording = recordings[place]
        mover = first_channel(recording, (*COMMANDED, *PEDALS))
        assert mover is not None
        held = holds_for(mover, recording)
        held = held.only(inside_one(held.start_s, held.end_s, standing(recording).spans))
        seen = np.sort(main.x)
        after = np.minimum(np.searchsorted(seen, held.level), len(seen) - 1)
        near = np.minimum(
            np.abs(held.level - seen[after]), np.abs(held.level - seen[np.maximum(after - 1, 0)])
        )
        if np.any(near > UNREAD_POINTS):
            return float(held.level[int(np.argmax(near))])
    return None


def _applicable(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue]
) -> tuple[CheckResult | None, list[int], tuple[float, float] | None]:
    """(why it cannot be asked, places of recordings to use, (closed, open) where known)."""
    closed = spec_number(specs, "throttle_closed", "%")
    opened = spec_number(specs, "throttle_open", "%")
    scale = None if closed is None or opened is None else (closed, opened)
    if scale is not None and not (0.0 <= scale[0] <= 35.0 and 50.0 <= scale[1] <= 100.0):
        why = (
            f"throttle_closed {scale[0]:.4g} % and throttle_open {scale[1]:.4g} % cannot be meant."
        )
        return check.result("spec-implausible", why), [], None
    usable: list[int] = []
    lacking = "throttle"
    for place, recording in enumerate(recordings):
        names = recording.channels
        mover = first_channel(recording, (*COMMANDED, *PEDALS))
        for name in ("throttle", "engine_speed", "vehicle_speed"):
            if name not in names:
                lacking = name
                break
        else:
            if mover is None:
                lacking = "pedal"
            else:
                usable.append(place)
    if not usable:
        words = lacking.replace("_", " ")
        return (
            check.result(
                "channel-missing",
                f"the recording has no {words} channel.",
                settle=f"record {words} as well: throttle, pedal, engine speed and vehicle speed",
            ),
            [],
            None,
        )
    for place in usable:
        for name in ("throttle", "engine_speed", "vehicle_speed"):
            channel = recordings[place].channels[name]
            slowest = FAST_CAP_S if name != "throttle" else SLOWEST_S
            if not channel.interval_s <= slowest:
                words, every = name.replace("_", " "), f"once every {channel.interval_s:.3g} s"
                return check.result("too-slow-to-tell", f"{words} was read {every}."), [], None
    return None, usable, scale


def _gathered(
    recordings: Sequence[Recording], usable: Sequence[int], names: Sequence[str]
) -> Positions | None:
    """Held positions of all recordings by the first channel that each has; None if one has none."""
    parts = []
    for place in usable:
        recording = recordings[place]
        mover = first_channel(recording, names)
        if mover is None:
            return None
        still = standing(recording).spans
        parts.append(positions(recording, mover, recording.channels["throttle"], still, place))
    return joined(parts)


def _nothing_held(
    check: Check, recordings: Sequence[Recording], usable: Sequence[int], main: Positions
) -> CheckResult:
    driven = 0
    for place in usable:
        recording = recordings[place]
        mover = first_channel(recording, (*COMMANDED, *PEDALS))
        assert mover is not None
        anywhere = positions(recording, mover, recording.channels["throttle"], None, place)
        if len(anywhere):
            driven += int(np.sum(anywhere.x >= np.min(anywhere.x) + PRESSED_POINTS))
    if driven:
        return check.result(
            "not-parked",
            f"the pedal was held {driven} times, but never while the car stood; on the road torque "
            "control, shifts and limiters move the plate against the pedal in sound cars.",
        )
    slowest = max(recordings[p].channels["throttle"].interval_s for p in usable)
    if slowest > SLOW_S:
        return check.result(
            "too-slow-to-tell",
            f"the throttle was read once every {slowest:.3g} s, so that a hold of 5 s has hardly "
            "a reading of the settled plate.",
        )
    return check.result(
        "nothing-held",
        f"the pedal was never held for long while the car stood ({len(main)} steady stretches, "
        "all at rest).",
    )


def _without_limiter(main: Positions, notes: list[str]) -> Positions:
    """Without holds in which a parked limiter worked: near the highest engine speed of all, the
    plate stands lower than at a smaller pedal, or hunts."""
    on = main.on & np.isfinite(main.rpm)
    top = float(np.max(main.rpm[on], initial=0.0))
    if top < LIMITER_FROM_RPM:
        return main
    near = on & (main.rpm >= LIMITER_SHARE * top)
    highest_below = float(np.max(main.y[on & ~near], initial=-np.inf))
    closes = np.any(main.y[near] < highest_below - LIMITER_DROP)
    hunts = np.any(main.drift[near] > LIMITER_DROP)
    if not closes and not hunts:
        return main
    left = ~(main.on & (main.x >= np.min(main.x[near]) - 1.0))
    notes.append(
        f"{int(np.sum(~left))} holds near {top:.0f} rpm left out: a limiter seems to have closed "
        "the plate against the pedal"
    )
    return main.only(left)


def _thinned(main: Positions, notes: list[str]) -> Positions:
    if len(main) <= MOST_POSITIONS:
        return main
    number = levels(main.x, COMMAND_LEVELS_APART)
    each = max(2, MOST_POSITIONS // (int(number.max()) + 1))
    keep = np.zeros(len(main), dtype=bool)
    for level in range(int(number.max()) + 1):
        own = np.flatnonzero(number == level)
        keep[own[np.unique(np.linspace(0, len(own) - 1, min(each, len(own))).astype(np.intp))]] = 1
    notes.append(f"{int(keep.sum())} of {len(main)} holds were used, evenly over levels and time")
    return main.only(np.flatnonzero(keep)[:MOST_POSITIONS])


def _answer(
    check: Check,
    found: Found,
    notes: list[str],
    windows: Sequence[Window],
    steps: float,
    rule: Rule,
) -> CheckResult:
    """The verdict of two questions: where the plate stands, and from which side it came."""
    both = [e for e in (found.steady, found.hysteresis) if e is not None]
    worst = min(both, key=lambda e: e.p, default=None)
    if worst is not None and worst.p >= 0.5:
        worst = replace(max(both, key=lambda e: e.percent), p=worst.p)
    details = {
        "steady_error": None if found.steady is None else found.steady.percent,
        "hysteresis": None if found.hysteresis is None else found.hysteresis.percent,
        "against": found.against,
        "levels": found.levels,
        **found.details,
    }
    if worst is None:
        return check.result(
            found.lack or "too-few-holds", found.why, windows=windows, notes=notes, details=details
        )
    measurement = Measurement(
        worst.percent, "%", worst.uncertainty, samples=worst.samples,
        resolution=min(steps, worst.uncertainty * 12.0**0.5),
    )  # fmt: skip
    verdict = decide(worst.p, rule.pass_at, rule.fail_at)
    number = f"{worst.percent:.1f} ± {2 * worst.uncertainty:.1f} % of span"
    is_play = found.hysteresis is not None and worst.percent == found.hysteresis.percent
    words = (
        f"reached from below and from above the plate stands {number} apart"
        if is_play
        else f"the plate stands at most {number} off {found.against}"
    )
    words += f" (at {worst.level:.0f} %)"
    if verdict is Verdict.FAIL:
        finding = "hysteresis" if is_play else "off-position"
        why = f"{words}; {LIMIT_PERCENT:.0f} % is the limit."
    elif found.lack:
        finding, why = found.lack, f"{words}; but {found.why}."
    elif verdict is Verdict.PASS:
        finding, why = "follows", f"{words}, within {LIMIT_PERCENT:.0f} %."
    else:
        finding, why = "near-limit", f"{words}, too near {LIMIT_PERCENT:.0f} % to tell."
    # What lies off a fitted line is not how far the plate is off its command.
    told = finding != "scale-unknown"
    return check.result(
        finding, why, measurement=measurement if told else None, limits=limits(),
        probability=worst.p if not found.lack or verdict is Verdict.FAIL else None,
        windows=windows, notes=notes, details=details,
    )  # fmt: skip


THROTTLE_FOLLOW = Check(
    name="throttle-follow",
    version=3,
    question="Does the throttle stand where the pedal or the command puts it?",
    channels=(
        "throttle",
        "throttle_commanded, or pedal, pedal_d or pedal_e",
        "engine_speed",
        "vehicle_speed",
    ),
    quantity="mean plate position over each held level while the car stands, from 1 s after the "
    "level was reached to its end: largest distance from the commanded position (without one: from "
    "where the plate otherwise stands at this pedal), and largest distance between reached from "
    "below and reached from above; the leaps of a plate that stuck while pedal or command moved on "
    "slowly; all in percent of the reading's full scale",
    limits=f"{LIMIT_PERCENT:.0f} % of span each, the full scale of the reading "
    f"({COMMON_PRACTICE}); a plate that does not move is a fail",
    findings=FINDINGS,
    run=run_throttle_follow,
    uses=("throttle_closed", "throttle_open"),
    settles=SETTLES,
    look_alikes=LOOK_ALIKES,
    blind_spots=BLIND_SPOTS,
)
