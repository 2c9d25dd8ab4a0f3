"""Whether the idle has settled, over several warm idles and starts of the engine.

After a throttle was cleaned or the learned values were wiped, the idle comes back by and by. A
forecast never passes: what is still outside and on its way in is undecided, until it has been
measured inside. It may fail, where even the kindest time constant leads outside.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from verify.evidence.checks.idle_readings import (
    REQUIRED,
    TOLERANCE_RPM,
    UNDECIDED_WINDOWS,
    gather,
    idle_limits,
    implausible,
    no_windows,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.checks.warm_idles import WarmIdle, warm_idles
from verify.evidence.recording import Recording
from verify.evidence.trend import LEAST_POINTS, Trend, trend
from verify.evidence.verdict import (
    CheckResult,
    Distribution,
    Limits,
    Measurement,
    Rule,
    decide,
    least_uncertainty,
    probability_of_conformity,
)
from verify.evidence.windows import THROTTLE_REST_AT_MOST
from verify.quantity import SpecValue
from verify.words import Verdict

LEAST_IDLES, LEAST_STARTS = LEAST_POINTS, 2
# What the control still has to learn shows in what it holds the idle with. A move smaller than
# this, as long again as it was watched, is none (common practice).
STILL_MOVES: Mapping[str, tuple[float, str, str]] = {
    "throttle": (1.0, "%", "the throttle plate's place at idle"),
    "trim": (3.0, "%", "the fuel trim (short + long) at idle"),
    "trim_2": (3.0, "%", "the fuel trim of bank 2 (short + long) at idle"),
}
LEAST_MINUTES, MOST_MINUTES = 10, 300
MORE = (
    "drive 10 min, let the warm engine idle 60 s standing, foot off the pedal; do so until there "
    f"are {LEAST_IDLES} such idles, with the engine switched off and started again at least once "
    "in between, and record it all"
)


def run_idle_settling(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Where the warm idle is, and where it is going, against the limits of idle-speed."""
    wrong = implausible(check, specs)
    if wrong is not None:
        return wrong
    readings = gather(recordings, specs)
    if not readings.windows:
        return no_windows(check, readings)
    idles = warm_idles(recordings, readings)
    if not idles:
        return check.result(
            "frozen",
            "engine speed reads the same again and again without ever moving, which no engine "
            "does, or was read too seldom in each idle.",
            settle="start the recording again; leave out channels the car does not answer",
            windows=readings.windows,
        )
    target = spec_number(specs, "idle_speed", "rpm")
    starts = len({i.start for i in idles})
    # Several idles at one minute are one place in time.
    apart = len({round(i.minute, 3) for i in idles})
    if len(idles) < LEAST_IDLES or starts < LEAST_STARTS or apart < LEAST_IDLES:
        return _too_few(check, idles, starts, target, readings.implied)
    trends = {name: t for name in ("engine_speed", *STILL_MOVES) if (t := _trend(idles, name))}
    speed = trends["engine_speed"]
    notes = [
        f"{len(idles)} warm idles over {starts} starts and {_minutes(speed.span)} of running; "
        f"{_words(speed, 'rpm')}",
        *(f"{STILL_MOVES[n][2]}: {_words(t, '%')}" for n, t in trends.items() if n in STILL_MOVES),
        *readings.implied,
    ]
    if not speed.fits:
        notes.append("the idles differ from each other by more than any of the curves explains")
    details = {
        "idles": [_told(i) for i in idles],
        "trends": {name: _trend_told(t) for name, t in trends.items()},
    }
    windows = [w for i in idles for w in i.windows]
    if target is None:
        return check.result(
            "no-spec",
            f"the warm idle is at {speed.last()[0]:.0f} rpm, but this vehicle's idle speed is not "
            "known.",
            measurement=_measurement(speed.last(), idles, readings.resolution),
            windows=windows,
            notes=notes,
            details=details,
        )
    finding, why, place, p = _decided(speed, idle_limits(target, specs), target, rule)
    settle = ""
    if finding == "settled":
        moving = [n for n, t in trends.items() if n in STILL_MOVES and _still_moves(n, t)]
        if moving:
            words = STILL_MOVES[moving[0]][2]
            finding, p = "adapting", None
            why = f"the idle is within its limits, but {words} still moves."
    if check.findings[finding] is Verdict.UNDECIDED:
        minutes = _minutes_to_drive(speed, idle_limits(target, specs))
        settle = (
            f"drive on for {minutes} min, with a warm idle of 60 s (standing, foot off the pedal) "
            "every 10 min and a fresh start of the engine in between, then measure again"
        )
    return check.result(
        finding,
        why,
        settle=settle,
        measurement=_measurement(place, idles, readings.resolution),
        limits=idle_limits(target, specs),
        probability=p,
        windows=windows,
        notes=notes,
        details=details,
    )


def _decided(
    speed: Trend, limits: Limits, target: float, rule: Rule
) -> tuple[str, str, tuple[float, float, float], float | None]:
    """(finding, why, the level the verdict speaks of, its probability of conformity)."""
    assert limits.lower is not None
    assert limits.upper is not None
    low, high = limits.lower, limits.upper
    last, end = speed.last(), speed.end()
    band = f"{low:.0f} to {high:.0f} rpm"
    p_now, p_settled = speed.holds(low, high)
    p_hope = speed.may_end_inside(low, high)
    if decide(p_settled, rule.pass_at, rule.fail_at) is Verdict.PASS:
        why = f"the warm idle has settled at {end[0]:.0f} ± {2 * end[1]:.0f} rpm, within {band}"
        if speed.kind == "approach":
            why += f"; the last level is {last[0]:.0f} rpm"
        return "settled", f"{why}.", end, p_settled
    if decide(p_hope, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        if speed.kind == "drift":
            away = 60.0 * speed.line.slope
            why = (
                f"the warm idle drifts by {away:+.0f} rpm an hour of running and is at "
                f"{last[0]:.0f} rpm; nothing shows it coming to rest within {band}."
            )
            return "drifting", why, last, p_hope
        verb = "stays" if speed.kind == "constant" else "settles"
        why = f"the warm idle {verb} at {end[0]:.0f} ± {2 * end[1]:.0f} rpm, outside {band}."
        return "settles-outside", why, end, p_hope
    ends = Measurement(end[0], "rpm", end[1], Distribution.STUDENT, end[2])
    inside = probability_of_conformity(ends, limits) >= rule.pass_at
    if speed.kind == "approach" and inside:
        why = (
            f"the warm idle is at {last[0]:.0f} rpm and on its way to {end[0]:.0f} rpm, within "
            f"{band}; that is a forecast."
        )
        return "will-settle", why, last, None
    if speed.kind != "constant":
        why = (
            f"the warm idle is at {last[0]:.0f} rpm and still moves (spec {target:.0f} rpm); where "
            "it will come to rest does not show yet."
        )
        return "still-moving", why, last, None
    why = f"the warm idle is at {last[0]:.0f} ± {2 * last[1]:.0f} rpm, too near an end of {band}."
    open_p = p_now if decide(p_now, rule.pass_at, rule.fail_at) is Verdict.UNDECIDED else None
    return "near-limit", why, last, open_p


def _trend(idles: Sequence[WarmIdle], name: str) -> Trend | None:
    """The trend of one quantity, None where too few idles show it."""
    own = [(i.minute, *i.levels[name]) for i in idles if name in i.levels]
    if len(own) < LEAST_POINTS or own[-1][0] <= own[0][0]:
        return None
    t, y, u = (np.array(column) for column in zip(*own, strict=True))
    if name == "throttle" and float(np.median(y)) > THROTTLE_REST_AT_MOST:
        return None  # a plate that stands open at idle is no idle control (a diesel's flap)
    return trend(t, y, np.maximum(u, 1e-6))


def _still_moves(name: str, found: Trend) -> bool:
    return found.kind != "constant" and abs(found.remaining()) > STILL_MOVES[name][0]


def _minutes_to_drive(speed: Trend, limits: Limits) -> int:
    """How long to drive before it is worth measuring again, in steps of 10 min."""
    assert limits.lower is not None
    assert limits.upper is not None
    wait = speed.minutes_until_inside(limits.lower, limits.upper)
    # Where nothing says how long: half as long again as it was watched.
    minutes = 0.5 * speed.span if wait is None or wait <= 0.0 else wait
    stepped = 10 * math.ceil(minutes / 10.0)
    return int(min(max(stepped, LEAST_MINUTES), MOST_MINUTES))


def _measurement(
    place: tuple[float, float, float], idles: Sequence[WarmIdle], resolution: float
) -> Measurement:
    value, error, dof = place
    return Measurement(
        value,
        "rpm",
        max(error, least_uncertainty(resolution)),
        Distribution.STUDENT,
        dof,
        samples=len(idles),
        resolution=resolution,
    )


def _too_few(
    check: Check,
    idles: Sequence[WarmIdle],
    starts: int,
    target: float | None,
    implied: Sequence[str],
) -> CheckResult:
    first, last = idles[0].levels["engine_speed"], idles[-1].levels["engine_speed"]
    spec = "not known" if target is None else f"{target:.0f} rpm"
    return check.result(
        "too-few-idles",
        f"{len(idles)} warm {'idle' if len(idles) == 1 else 'idles'} over {starts} "
        f"{'start' if starts == 1 else 'starts'} of the engine; {LEAST_IDLES} over {LEAST_STARTS} "
        f"are needed. The first was at {first[0]:.0f} rpm, the last at {last[0]:.0f} rpm, the "
        f"vehicle's idle speed is {spec}.",
        measurement=Measurement(last[0], "rpm", last[1], samples=len(idles)),
        windows=[w for i in idles for w in i.windows],
        notes=implied,
        details={"idles": [_told(i) for i in idles]},
    )


def _told(idle: WarmIdle) -> dict[str, Any]:
    return {
        "recording": idle.windows[0].recording,
        "start_s": idle.windows[0].start_s,
        "end_s": idle.windows[-1].end_s,
        "engine_start": idle.start,
        "minute": idle.minute,
        "levels": {name: list(level) for name, level in idle.levels.items()},
    }


def _trend_told(found: Trend) -> dict[str, Any]:
    told: dict[str, Any] = {
        "model": found.kind,
        "aicc": dict(found.criteria),
        "weights": dict(found.weights),
        "variance_inflation": found.inflation,
        "points": found.points,
        "span_min": found.span,
        "last": found.last()[0],
        "last_uncertainty": found.last()[1],
        "slope_per_min": found.line.slope,
    }
    if found.kind == "approach":
        told |= {
            "ends_at": found.end()[0],
            "ends_at_uncertainty": found.end()[1],
            "time_constant_min": found.tau,
            "trouble": found.approach.trouble,
        }
    return told


def _words(found: Trend, unit: str) -> str:
    last = f"{found.last()[0]:.3g} {unit}"
    hourly = 60.0 * found.line.slope
    if found.kind == "constant":
        return f"it stays at {last}"
    if found.kind == "drift":
        size = f"{hourly:+.0f}" if abs(hourly) >= 9.5 else f"{hourly:+.2g}"
        return f"it moves by {size} {unit} an hour, to {last}"
    return (
        f"it is at {last} and approaches {found.end()[0]:.3g} {unit} with a time constant of "
        f"{_minutes(found.tau)}"
    )


def _minutes(value: float) -> str:
    return f"{value:.0f} min" if value >= 9.5 else f"{value:.1f} min"


IDLE_SETTLING = Check(
    name="idle-settling",
    version=1,
    question="Has the warm idle settled within its limits, start after start?",
    channels=(
        *REQUIRED,
        "throttle and fuel trims, where the car gives them, show what still moves",
    ),
    quantity="the mean engine speed of each warm idle over the minutes the engine has run: a "
    f"constant, an exponential approach or a straight line, by AICc, over {LEAST_IDLES} idles and "
    f"{LEAST_STARTS} engine starts or more; so too the throttle plate at idle and the fuel trims",
    limits=f"the vehicle's idle speed ± {TOLERANCE_RPM:.0f} rpm ({COMMON_PRACTICE}), or its own "
    "tolerance: the last level and where it ends must lie within",
    findings={
        "settled": Verdict.PASS,
        "settles-outside": Verdict.FAIL,
        "drifting": Verdict.FAIL,
        "will-settle": Verdict.UNDECIDED,
        "still-moving": Verdict.UNDECIDED,
        "adapting": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        "too-few-idles": Verdict.UNDECIDED,
        "no-spec": Verdict.UNDECIDED,
        **{k: v for k, v in UNDECIDED_WINDOWS.items() if k != "too-short"},
    },
    run=run_idle_settling,
    specs=("idle_speed",),
    uses=("idle_speed", "idle_tolerance", "warm_coolant"),
    settles={
        "too-few-idles": MORE,
        "no-spec": "look the warm idle speed up in the service information and give it as "
        "idle_speed",
    },
    look_alikes=(
        "a load that was on in one idle and not in the next (air conditioning, lamps): the idles "
        "scatter, the doubt grows with them, and it stays undecided",
        "an engine that was not quite warm yet idles higher: such idles are left out",
        "start-stop: its restarts are no fresh starts of the engine",
    ),
    blind_spots=(
        "minutes that were driven and not recorded, where the car's own run time is not recorded",
        "a change slower than can be told over the time watched",
        "an idle that is right only because a leak is hidden by the adaptation: see the fuel trims",
    ),
)
