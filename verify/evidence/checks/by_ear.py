"""The idle speed of an engine by its sound, against the same limits as by the car's own data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from verify.evidence.checks.ear import (
    BLIND_SPOTS,
    CHANNELS,
    FASTEST_IDLE_RPM,
    LOOK_ALIKES,
    RACING,
    SETTLE_LONGER,
    SETTLES,
    UNDECIDED,
    Ear,
    answers,
    listened,
)
from verify.evidence.checks.idle_readings import TOLERANCE_RPM, idle_limits
from verify.evidence.checks.idle_speed import LEAST_IDLE_S
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.recording import Array, Recording
from verify.evidence.series import Spread, mean_with_effective_size, wandering_uncertainty
from verify.evidence.sound.speed import SYSTEMATIC_SHARE
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    decide,
    probability_of_conformity,
)
from verify.quantity import SpecValue
from verify.words import Verdict

# A wander about as slow as the sound is long shows in what its sixths differ by, where noise hides
# it from the correlations; hunting of some seconds, which comes and goes many times, hardly does.
# Twice the doubt holds the long-run mean in 95 of 100 wanders that forget themselves within a
# quarter of what was heard, and in fewer of slower ones, of which the sound does not show enough:
# tests/evidence/test_ear_mean.py draws them.
PARTS = 6


def run_idle_speed_by_ear(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Mean engine speed by ear against the vehicle's idle speed ± its tolerance."""
    ear = listened(check, recordings, specs)
    if isinstance(ear, CheckResult):
        return ear
    readings = ear.readings
    pieces = [v for _, v in readings.pieces]
    spread = mean_with_effective_size(pieces)
    answer = answers(check, ear)
    if readings.seconds < LEAST_IDLE_S:
        why = f"only {readings.seconds:.0f} s are heard; {LEAST_IDLE_S:.0f} s are needed."
        return answer("too-short", why, samples=spread.samples)
    m = _mean(spread, pieces, readings.resolution)
    number = f"by ear the engine idles at {m.value:.0f} ± {2 * m.uncertainty:.0f} rpm (k = 2)"
    octave = f"that this is the right octave is {100 * ear.sure:.1f} % likely"
    notes = [f"{octave}; {_others(ear)}", f"as one of {ear.cylinders} cylinders"]
    if not ear.told:
        return answer("not-told", f"{number}, but not all is told that an idle must be: warm, "
                      "standing, pedal released.", measurement=m, notes=notes)  # fmt: skip
    target = spec_number(specs, "idle_speed", "rpm")
    if target is None:
        return answer("no-spec", f"{number}, but this vehicle's idle speed is not known.",
                      measurement=m, notes=notes)  # fmt: skip
    limits = idle_limits(target, specs)
    p, sure = _over_octaves(m, limits, ear), ear.sure * ear.sure_cylinders
    verdict = decide(p, rule.pass_at, rule.fail_at)
    band = f"{limits.lower:.0f} to {limits.upper:.0f} rpm"
    if verdict is Verdict.PASS and m.value > FASTEST_IDLE_RPM:
        finding, why = "racing", f"{number}; {RACING}"
    elif verdict is Verdict.PASS:
        finding, why = "in-range", f"{number}, within {band}."
    elif verdict is Verdict.FAIL:
        finding = "too-low" if m.value < target else "too-high"
        why = f"{number}, outside {band}."
    elif min(own := probability_of_conformity(m, limits), 1.0 - own) <= rule.fail_at:
        # The number alone would do; it is the doubt about what was heard that is too great.
        both = f"that octave and number of cylinders are right is {100 * sure:.0f} % likely"
        finding, why = "octave-open", f"{number}, but {both}; {_others(ear)}."
    else:
        finding, why = "near-limit", f"{number}, too near an end of {band} to tell."
    return answer(finding, why, measurement=m, limits=limits, probability=p, notes=notes)


def _mean(spread: Spread, pieces: Sequence[Array], resolution: float) -> Measurement:
    """The mean with the wider of its doubts, that of a wander and half the range of the means of
    its PARTS, and what the tracking may be out by."""
    every = np.concatenate([*pieces])
    parts = [float(part.mean()) for part in np.array_split(every, PARTS) if len(part)]
    own = max(wandering_uncertainty(pieces), half_range(parts))
    return Measurement(
        spread.mean,
        "rpm",
        math.hypot(own, SYSTEMATIC_SHARE * spread.mean),
        samples=spread.samples,
        resolution=resolution,
    )


def half_range(values: Sequence[float]) -> float:
    """Half of what lies between the least and the greatest."""
    return 0.5 * (max(values) - min(values))


def _over_octaves(m: Measurement, limits: Limits, ear: Ear) -> float:
    """Probability of conformity, each octave and number of cylinders counting by its odds; what is
    left over conforms to nothing when the likeliest one does, and to everything when it does not.
    """
    best = max((own for _, own in ear.heard), key=lambda own: own.seconds).alternatives
    total = 0.0
    for a in best[1:]:
        scaled = replace(
            m, value=m.value * a.of_chosen, uncertainty=m.uncertainty * max(1.0, a.of_chosen)
        )
        total += a.probability * probability_of_conformity(scaled, limits)
    own = probability_of_conformity(m, limits)
    known = ear.sure + sum(a.probability for a in best[1:])
    left = max(0.0, 1.0 - known)
    among = ear.sure * own + total + (left if own < 0.5 else 0.0)
    # With another number of cylinders the speed is another one, and nothing is granted for it.
    otherwise = 0.0 if own >= 0.5 else 1.0
    sure = ear.sure_cylinders
    return min(1.0, sure * among + (1.0 - sure) * otherwise)


def _others(ear: Ear) -> str:
    best = max((own for _, own in ear.heard), key=lambda own: own.seconds).alternatives
    if len(best) < 2:
        return "no other was weighed"
    a = best[1]
    return f"the next is {a.rpm:.0f} rpm with {100 * a.probability:.1f} %"


IDLE_SPEED_BY_EAR = Check(
    name="idle-speed-by-ear",
    version=5,
    question="Does the engine sound as if it idled at the right speed?",
    channels=CHANNELS,
    quantity="mean engine speed from the firing of the cylinders (rpm · cylinders / 120 a second) "
    "and its multiples, with what its sixths differ by and a slow wander leaves open, 0.2 % for "
    "the clock and the tracking, and the odds of its octave",
    limits=f"the vehicle's idle speed ± {TOLERANCE_RPM:.0f} rpm ({COMMON_PRACTICE}), or its own "
    "tolerance",
    findings={
        "in-range": Verdict.PASS,
        "too-low": Verdict.FAIL,
        "too-high": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "no-spec": Verdict.UNDECIDED,
        **UNDECIDED,
    },
    run=run_idle_speed_by_ear,
    specs=("cylinders", "idle_speed"),
    uses=("cylinders", "idle_speed", "idle_tolerance"),
    settles={
        **SETTLES,
        "near-limit": SETTLE_LONGER,
        "no-spec": "look the warm idle speed up in the service information and give it as "
        "idle_speed",
    },
    look_alikes=LOOK_ALIKES,
    blind_spots=(
        *BLIND_SPOTS,
        "a wander that takes longer than about a quarter of the sound: the mean is then that of "
        "these seconds, and its doubt too small for any others",
    ),
)
