"""How steadily an engine idles by its sound: swing and hunting, as by the car's own data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from verify.evidence.checks.ear import (
    BLIND_SPOTS,
    BLURRED_SHARE,
    CHANNELS,
    FASTEST_IDLE_RPM,
    LOOK_ALIKES,
    RACING,
    SETTLE_LONGER,
    SETTLES,
    UNDECIDED,
    answers,
    listened,
)
from verify.evidence.checks.idle_steady import (
    HUNTING_LIMITS,
    SWING_LIMITS,
    UNSTEADY_RPM,
    strongest_hunting,
)
from verify.evidence.checks.idle_swings import STRETCH_S, looks_a_stretch, stretches, swing
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.recording import Recording
from verify.evidence.verdict import (
    CheckResult,
    Measurement,
    Rule,
    decide,
    probability_of_conformity,
)
from verify.quantity import SpecValue
from verify.words import Verdict


def run_idle_steady_by_ear(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Swing over 20 s and hunting, by ear."""
    ear = listened(check, recordings, specs)
    if isinstance(ear, CheckResult):
        return ear
    readings = ear.readings
    answer = answers(check, ear)
    found = stretches(readings)
    if not len(found):
        return answer("too-short", f"no stretch of {STRETCH_S:.0f} s is heard without a pause.")
    seconds = max(STRETCH_S, readings.seconds)
    looks = looks_a_stretch(readings)
    order = np.argsort(found.estimate, kind="stable")
    typical, most = (
        swing(found[int(order[place])], readings.resolution, seconds, looks)
        for place in ((len(order) - 1) // 2, -1)
    )
    oscillation = strongest_hunting(readings)
    notes: list[str] = []
    hunt: Measurement | None = None
    details: dict[str, Any] = {}
    if oscillation is not None:
        o, place = oscillation
        blur = BLURRED_SHARE * o.amplitude * min(1.0, o.period_s**-2)
        hunt = Measurement(o.amplitude, "rpm",
                           math.hypot(o.amplitude_uncertainty, blur, 1e-6))  # fmt: skip
        notes.append(
            f"strongest oscillation ± {o.amplitude:.1f} rpm every {o.period_s:.1f} s, false-alarm "
            f"probability {o.false_alarm:.2g}"
        )
        details["hunting"] = {
            "amplitude_rpm": o.amplitude,
            "period_s": o.period_s,
            "false_alarm": o.false_alarm,
            "start_s": place.start_s,
            "end_s": place.end_s,
        }
    if not ear.told:
        why = (
            f"by ear engine speed swings by ± {most.value:.0f} rpm over 20 s, but not all is told "
            "that an idle must be: warm, standing, pedal released."
        )
        return answer("not-told", why, measurement=most, notes=notes, details=details)
    # What other octaves there are counts against whichever verdict it would be.
    sure = ear.sure * ear.sure_cylinders
    other = 1.0 - sure
    p_hunt = 1.0 if hunt is None else probability_of_conformity(hunt, HUNTING_LIMITS)
    if (
        hunt is not None
        and oscillation is not None
        and oscillation[0].false_alarm <= 0.01
        and decide(p_hunt + other, rule.pass_at, rule.fail_at) is Verdict.FAIL
    ):
        why = (
            f"by ear the idle hunts: ± {hunt.value:.0f} rpm every {oscillation[0].period_s:.1f} s."
        )
        return answer("hunting", why, measurement=hunt, limits=HUNTING_LIMITS,
                      probability=p_hunt + other, notes=notes, details=details)  # fmt: skip
    p = min(1.0, probability_of_conformity(typical, SWING_LIMITS) + other)
    if decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        why = (
            f"by ear engine speed swings by ± {typical.value:.0f} rpm over an ordinary 20 s; "
            f"± {UNSTEADY_RPM:.0f} rpm is allowed."
        )
        return answer("unsteady", why, measurement=typical, limits=SWING_LIMITS, probability=p,
                      notes=notes, details=details)  # fmt: skip
    p = sure * probability_of_conformity(most, SWING_LIMITS)
    number = f"by ear engine speed swings by ± {most.value:.0f} rpm over 20 s"
    passes = decide(p, rule.pass_at, rule.fail_at) is Verdict.PASS
    calm = decide(sure * p_hunt, rule.pass_at, rule.fail_at) is Verdict.PASS
    if passes and calm and ear.rpm > FASTEST_IDLE_RPM:
        return answer("racing", f"{number}, about {ear.rpm:.0f} rpm; {RACING}", measurement=most,
                      limits=SWING_LIMITS, probability=p, notes=notes, details=details)  # fmt: skip
    if passes and calm:
        return answer("steady", f"{number}, and does not hunt.", measurement=most,
                      limits=SWING_LIMITS, probability=p, notes=notes, details=details)  # fmt: skip
    if passes:
        return answer("maybe-hunting", f"{number}, but it may hunt.", measurement=hunt,
                      limits=HUNTING_LIMITS, notes=notes, details=details)  # fmt: skip
    return answer("near-limit", f"{number}, too near {UNSTEADY_RPM:.0f} rpm to tell.",
                  measurement=most, limits=SWING_LIMITS, notes=notes, details=details)  # fmt: skip


IDLE_STEADY_BY_EAR = Check(
    name="idle-steady-by-ear",
    version=4,
    question="Does the engine sound as if it idled steadily?",
    channels=CHANNELS,
    quantity="half the range of engine speed by ear over 20 s, and the amplitude and period of "
    "its strongest oscillation of 1 to 10 s",
    limits=f"± {UNSTEADY_RPM:.0f} rpm over 20 s, oscillation ± {HUNTING_LIMITS.upper:.0f} rpm "
    f"({COMMON_PRACTICE})",
    findings={
        "steady": Verdict.PASS,
        "unsteady": Verdict.FAIL,
        "hunting": Verdict.FAIL,
        "maybe-hunting": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        **UNDECIDED,
    },
    run=run_idle_steady_by_ear,
    specs=("cylinders",),
    uses=("cylinders",),
    settles={**SETTLES, "maybe-hunting": SETTLE_LONGER, "near-limit": SETTLE_LONGER},
    look_alikes=(
        *LOOK_ALIKES,
        "a fan or the air conditioning that comes on moves the idle once: switch them off",
    ),
    blind_spots=(
        *BLIND_SPOTS,
        "swings faster than about 1 s: a frame of 0.64 s blurs them",
    ),
)
