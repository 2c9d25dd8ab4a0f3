"""How steady a warm engine idles: its swing over 20 s, and hunting.

The swing is judged on the stretch that one in ten may exceed, so that a fan or a turn of the
steering wheel spoils one stretch and not the car, and later clean evidence can settle it. It fails
only where the ordinary stretch is over the limit, or so near to it that chance makes the rest.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from verify.evidence.checks.idle_readings import (
    REQUIRED,
    SETTLE_LONGER,
    UNDECIDED_WINDOWS,
    IdleReadings,
    gather,
    implausible,
    no_windows,
    too_short,
)
from verify.evidence.checks.idle_swings import (
    STRETCH_S,
    Stretches,
    at_least_swing,
    looks_a_stretch,
    stretches,
    swing,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.periodogram import (
    Oscillation,
    amplitude_in_parts,
    strongest_oscillation,
)
from verify.evidence.recording import Array, Recording
from verify.evidence.series import spreads
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    least_uncertainty,
    probability_of_conformity,
)
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

UNSTEADY_RPM = 50.0
SWING_LIMITS = Limits(None, UNSTEADY_RPM, "rpm", COMMON_PRACTICE)
HUNTING_LIMITS = Limits(None, 25.0, "rpm", COMMON_PRACTICE)
HUNTING_ALARM = 0.01
SHORTEST_PERIOD_S, LONGEST_PERIOD_S, LEAST_CYCLES = 1.0, 10.0, 2.5
# Hunting wanders in frequency; over a longer piece its line would smear.
LONGEST_PIECE_S = 60.0
# Once a second, with room for a poll that comes a little late.
SLOWEST_S = 1.25
SPOILED_SHARE = 0.1
# The swing of noise over 20 s scatters by an eighth or so from stretch to stretch (range of 250
# normal readings: 5.6 ± 0.6 deviations), so an ordinary stretch this near to the limit and one in
# ten over it are one restless idle; a load that came and went leaves the ordinary stretch calm.
RESTLESS_SHARE = 0.85
# An oscillation of the limit's amplitude spreads its readings by 25/√2 = 17.7 rpm. Pieces calmer
# than well under that cannot hunt; the few most restless are searched all the same, to be told.
CALM_RPM, FEW_PIECES, MANY_PIECES = 8.0, 3, 30
# A wave of 1 s keeps all but 1 % of its amplitude when readings closer than this are averaged.
BIN_S = 0.08


def strongest_hunting(readings: IdleReadings) -> tuple[Oscillation, Window] | None:
    """The largest oscillation of 1 to 10 s in any piece of idle of 20 to 60 s."""
    parts: list[tuple[Window, Array, Array]] = []
    for window, (times, values) in zip(readings.windows, readings.pieces, strict=True):
        span = float(times[-1] - times[0])
        if span < STRETCH_S - 1e-9:
            continue
        count = math.ceil(span / LONGEST_PIECE_S)
        edges = np.searchsorted(times, times[0] + span * np.arange(1, count) / count).tolist()
        for a, b in itertools.pairwise([0, *edges, len(times)]):
            if b - a >= 8:
                place = Window(window.recording, float(times[a]), float(times[b - 1]))
                parts.append((place, times[a:b], values[a:b]))
    deviations, _ = spreads([v for _, _, v in parts], ddof=0)
    order = sorted(range(len(parts)), key=lambda i: -deviations[i])
    best: tuple[Oscillation, Window] | None = None
    restless = sum(1 for d in deviations if d >= CALM_RPM)
    for i in order[: min(max(restless, FEW_PIECES), MANY_PIECES)]:
        place, t, v = parts[i]
        t, v = _thinned(t, v)
        interval = float(np.median(np.diff(t)))
        longest = min(LONGEST_PERIOD_S, float(t[-1] - t[0]) / LEAST_CYCLES)
        found = strongest_oscillation(t, v, max(SHORTEST_PERIOD_S, 2.0 * interval), longest)
        if found is not None:
            found = _slipping(found, t, v)
        if found is not None and (best is None or found.amplitude > best[0].amplitude):
            best = found, place
    return best


def _slipping(found: Oscillation, times: Array, values: Array) -> Oscillation:
    """With the amplitude of its parts where that is larger: the phase of hunting slips."""
    part_s = max(STRETCH_S, LEAST_CYCLES * found.period_s)
    own = amplitude_in_parts(times, values, found.period_s, part_s)
    if own is None or own[0] <= found.amplitude:
        return found
    uncertainty = max(own[1], found.amplitude_uncertainty)
    return replace(found, amplitude=own[0], amplitude_uncertainty=uncertainty)


def _thinned(times: Array, values: Array) -> tuple[Array, Array]:
    """Readings closer than BIN_S averaged, so that a fast logger costs no more than a slow one."""
    if float(np.median(np.diff(times))) >= BIN_S:
        return times, values
    number = ((times - times[0]) / BIN_S).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    count = np.diff(np.append(first, len(times)))
    return np.add.reduceat(times, first) / count, np.add.reduceat(values, first) / count


def run_idle_steady(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Swing and hunting over all idle windows of 20 s and more."""
    wrong = implausible(check, specs)
    if wrong is not None:
        return wrong
    everything = gather(recordings, specs)
    if not everything.windows:
        return no_windows(check, everything)
    slow = [r for r, c in everything.channels.items() if c.interval_s > SLOWEST_S]
    readings = everything.only(set(everything.channels) - set(slow))
    slow_stretches = stretches(everything.only(slow))
    found = stretches(readings)
    if not len(found):
        if len(slow_stretches):
            return _too_slow(check, everything.only(slow), slow_stretches, rule)
        return too_short(check, everything, f"one of {STRETCH_S:.0f} s is")
    # A slow recording cannot show that it is steady, so its calm stretches do not count; what it
    # shows of a swing was there.
    found = found.joined(slow_stretches.only(slow_stretches.half_range > UNSTEADY_RPM))
    found = found.only(np.argsort(found.estimate, kind="stable"))
    seconds = max(STRETCH_S, readings.seconds)
    looks = looks_a_stretch(readings)
    typical = swing(found[(len(found) - 1) // 2], everything.resolution, seconds, looks)
    tenth = found[len(found) - 1 - int(SPOILED_SHARE * len(found))]
    measured = swing(tenth, everything.resolution, seconds, looks)
    hunt = _Hunt.of(readings, rule)

    def answer(
        finding: str, why: str, m: Measurement, limits: Limits, p: float | None
    ) -> CheckResult:
        return check.result(
            finding,
            why,
            measurement=m,
            limits=limits,
            probability=p,
            windows=everything.windows,
            notes=[hunt.sentence, *everything.implied],
            details=hunt.details,
        )

    if hunt.surely:
        why = f"the idle hunts: ± {hunt.measurement.value:.0f} rpm every {hunt.period_s:.1f} s."
        return answer("hunting", why, hunt.measurement, HUNTING_LIMITS, hunt.p)
    p_typical = probability_of_conformity(typical, SWING_LIMITS)
    if decide(p_typical, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        why = (
            f"engine speed swings by ± {typical.value:.0f} rpm over an ordinary 20 s of warm "
            f"idle; ± {UNSTEADY_RPM:.0f} rpm is allowed."
        )
        return answer("unsteady", why, typical, SWING_LIMITS, p_typical)
    p = probability_of_conformity(measured, SWING_LIMITS)
    verdict = decide(p, rule.pass_at, rule.fail_at)
    number = (
        f"engine speed swings by ± {measured.value:.0f} rpm over 20 s of warm idle "
        f"({len(found)} {'stretch' if len(found) == 1 else 'stretches'} looked at)"
    )
    if verdict is Verdict.PASS and hunt.surely_not:
        return answer("steady", f"{number}, and does not hunt.", measured, SWING_LIMITS, p)
    if verdict is Verdict.PASS:
        why = f"{number}, but {hunt.sentence}."
        open_p = hunt.p if hunt.p_undecided else None
        return answer("maybe-hunting", why, hunt.measurement, HUNTING_LIMITS, open_p)
    restless = typical.value >= RESTLESS_SHARE * UNSTEADY_RPM
    if verdict is Verdict.FAIL and restless:
        why = (
            f"engine speed swings by ± {measured.value:.0f} rpm over 20 s of warm idle, and hardly "
            f"less in an ordinary stretch (± {typical.value:.0f} rpm)."
        )
        return answer("unsteady", why, measured, SWING_LIMITS, p)
    if verdict is Verdict.FAIL:
        # No probability is given: it would speak of a stretch that the verdict does not rest on.
        why = (
            f"some of the {len(found)} stretches of 20 s swing by ± {measured.value:.0f} rpm, "
            "the ordinary one does not."
        )
        return answer("sometimes-unsteady", why, measured, SWING_LIMITS, None)
    why = f"{number}, too near {UNSTEADY_RPM:.0f} rpm to tell."
    return answer("near-limit", why, measured, SWING_LIMITS, p)


@dataclass(frozen=True, slots=True)
class _Hunt:
    """What is known of hunting: surely there, surely not, or neither."""

    measurement: Measurement
    p: float
    surely: bool
    surely_not: bool
    p_undecided: bool
    period_s: float
    sentence: str
    details: Mapping[str, Any]

    @staticmethod
    def of(readings: IdleReadings, rule: Rule) -> _Hunt:
        strongest = strongest_hunting(readings)
        rounding = max(least_uncertainty(readings.resolution), 1e-6)
        if strongest is None:
            # Only a constant (coarse) reading has no oscillation at all.
            m = Measurement(0.0, "rpm", rounding, resolution=readings.resolution)
            p = probability_of_conformity(m, HUNTING_LIMITS)
            verdict = decide(p, rule.pass_at, rule.fail_at)
            sentence = "the readings do not move by a single step"
            return _Hunt(m, p, False, verdict is Verdict.PASS, True, 0.0, sentence, {})
        o, place = strongest
        m = Measurement(
            o.amplitude,
            "rpm",
            math.hypot(o.amplitude_uncertainty, rounding),
            resolution=readings.resolution,
        )
        p = probability_of_conformity(m, HUNTING_LIMITS)
        verdict = decide(p, rule.pass_at, rule.fail_at)
        sentence = (
            f"strongest oscillation ± {o.amplitude:.1f} rpm every {o.period_s:.1f} s, "
            f"false-alarm probability {o.false_alarm:.2g}"
        )
        details = {
            "hunting": {
                "amplitude_rpm": o.amplitude,
                "period_s": o.period_s,
                "false_alarm": o.false_alarm,
                "recording": place.recording,
                "start_s": place.start_s,
                "end_s": place.end_s,
            }
        }
        return _Hunt(
            m,
            p,
            verdict is Verdict.FAIL and o.false_alarm <= HUNTING_ALARM,
            verdict is Verdict.PASS,
            verdict is Verdict.UNDECIDED,
            o.period_s,
            sentence,
            details,
        )


def _too_slow(check: Check, readings: IdleReadings, found: Stretches, rule: Rule) -> CheckResult:
    """Slow or averaged readings can show that it is unsteady, never that it is steady."""
    ordered = found.only(np.argsort(found.half_range, kind="stable"))
    sure = at_least_swing(ordered[(len(ordered) - 1) // 2], readings.resolution)
    p = probability_of_conformity(sure, SWING_LIMITS)
    if decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        return check.result(
            "unsteady",
            f"engine speed swings by ± {sure.value:.0f} rpm or more over an ordinary 20 s of warm "
            "idle; ± 50 rpm is allowed.",
            measurement=sure,
            limits=SWING_LIMITS,
            probability=p,
            windows=readings.windows,
            notes=readings.implied,
        )
    return check.result(
        "too-slow-to-tell",
        f"engine speed was read once every {readings.interval_s:.1f} s; a swing shorter than that "
        "does not show.",
        settle="record fewer channels, so that engine speed is read at least once a second",
        windows=readings.windows,
        samples=int(found.samples.sum()),
        notes=readings.implied,
    )


IDLE_STEADY = Check(
    name="idle-steady",
    version=5,
    question="Does the warm engine idle steadily, without hunting?",
    channels=REQUIRED,
    quantity="half the peak-to-peak of engine speed over 20 s (the stretch that one in ten may "
    "exceed), with what the readings are expected to miss of it, and the amplitude of the "
    "strongest oscillation of 1 to 10 s (Lomb–Scargle)",
    limits=f"≤ 50 rpm, and no hunting of 25 rpm or more ({COMMON_PRACTICE})",
    findings={
        "steady": Verdict.PASS,
        "unsteady": Verdict.FAIL,
        "hunting": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "sometimes-unsteady": Verdict.UNDECIDED,
        "maybe-hunting": Verdict.UNDECIDED,
        **UNDECIDED_WINDOWS,
    },
    run=run_idle_steady,
    uses=("warm_coolant",),
    settles={
        "near-limit": SETTLE_LONGER,
        "sometimes-unsteady": "switch all loads off, leave the wheel alone, and record 3 min of "
        "warm idle",
        "maybe-hunting": SETTLE_LONGER,
        "too-short": SETTLE_LONGER,
    },
    look_alikes=(
        "a load that comes and goes (fan, compressor, steering) spoils a stretch of 20 s: one in "
        "ten may be spoiled, and where ordinary stretches are calm it stays undecided",
        "noise that only seems to oscillate: the false-alarm probability must be 1 % or less",
        "a slow or averaging logger reads an unsteady idle as steady: once a second at least",
    ),
    blind_spots=(
        "a swing that keeps step with the readings, such as one of 1 s in readings 1 s apart",
        "loads that switch by themselves (fan, compressor) look like unsteadiness: ask the person",
        "shaking faster than the readings (a misfire) does not show in engine speed",
    ),
)
