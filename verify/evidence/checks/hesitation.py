"""Hesitation: the foot asks for more while driving, and the engine takes its time, or sags first.

Truth, for whoever holds the check to it: in one gear at a steady pedal the foot presses further by
10 points or more; the true delay runs from the moment half of the step is pressed to the moment
engine speed begins to rise above the line it was on. The car fails where this delay is above 1.0 s
(the same at every tip-in), and only there, or where engine speed first falls by more than 2.5 %.
1.0 s is common practice: a healthy engine begins to answer within some tenths of a second, a
turbocharged one gives its full pull later, but begins no later.

At one reading a second a single tip-in says little. Its times are brackets with a random phase, so
the mean of many is sharp: the doubt of each (two brackets spread evenly, ages of readings) shrinks
with their number, their scatter is taken where it is larger, and 0.1 s stays for how the beginning
of a rise is told. It is drawn back from the first two readings above the noise: as late as if the
pull were there at once, and as early as if it had built up all the while. A pass rests on the late
one, a fail on the early one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from verify.evidence.checks.in_gear import Driving, driving
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.tip_ins import (
    AFTER_S,
    BEFORE_S,
    MOVING_KMH,
    SAGGED_PCT,
    STEP_POINTS,
    Answer,
    TipIn,
    tip_ins,
)
from verify.evidence.recording import Recording
from verify.evidence.verdict import (
    MANY_DOF,
    CheckResult,
    Distribution,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    probability_of_conformity,
)
from verify.quantity import SpecValue
from verify.words import Verdict

LIMIT_S = 1.0
LEAST_TIP_INS = 3
MODEL_S = 0.1
# A sag lasts some tenths of a second, like half a sine. Before a pass, one that came at every
# tip-in must have been seen at least once, but for this chance; seen is what stands out of the
# noise. Readings this dense meet its bottom, so that half of it is noise.
SAG_S, HIDDEN_SAG, DENSE_S = 0.6, 0.03, 0.25
# More of them without any answer than this are not explained by hills. Up to it they take no fail
# away; a pass leaves none open.
MOST_UNANSWERED = 0.25
SLOWEST = {"engine_speed": 1.3, "vehicle_speed": 2.5, "pedal": 1.3}


def mean_delay(tips: Sequence[TipIn], *, late: bool) -> Measurement:
    """The mean delay of tip-ins that were answered, at least 2 of them."""
    delays = np.array([t.late_s if late else t.early_s for t in tips])
    n = len(tips)
    told = math.sqrt(sum(t.doubt_s**2 for t in tips)) / n
    seen = float(delays.std(ddof=1)) / math.sqrt(n)
    scatter = seen > told and n - 1 < MANY_DOF
    return Measurement(
        float(delays.mean()),
        "s",
        math.hypot(max(told, seen), MODEL_S),
        Distribution.STUDENT if scatter else Distribution.NORMAL,
        float(n - 1) if scatter else math.inf,
        n,
    )


def shown_delay(tips: Sequence[TipIn]) -> Measurement:
    """The delay as it is told: midway between the early and the late mean, each being possible."""
    early, late = mean_delay(tips, late=False), mean_delay(tips, late=True)
    wider = max((early, late), key=lambda m: m.uncertainty)
    # Evenly spread between the two: a width over √12.
    doubt = math.hypot(wider.uncertainty, (late.value - early.value) / math.sqrt(12.0))
    return replace(wider, value=0.5 * (early.value + late.value), uncertainty=doubt)


def run_hesitation(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The mean delay over the tip-ins of all recordings against the limit."""
    tips: list[TipIn] = []
    lack: Driving | None = None
    for place, recording in enumerate(recordings):
        drive = driving(recording, SLOWEST)
        if drive.lack:
            lack = lack or drive
            continue
        tips += tip_ins(place, recording, drive)
    rose = [t for t in tips if t.answer is Answer.ROSE]
    silent = len(tips) - len(rose)
    windows = [Window(t.recording, t.pedal[0], max(t.rise[1], t.pedal[1])) for t in tips]
    late = [t for t in rose if t.least_s > LIMIT_S]
    sagged = [t for t in tips if t.sag_pct > 0.0]
    dipped = [t for t in tips if t.dip_pct > 0.0 and t.step_s > DENSE_S]
    details = {
        "tip_ins": [
            {
                "recording": t.recording, "pedal_s": t.pedal[1], "answer": t.answer.value,
                "early_s": t.early_s, "late_s": t.late_s, "doubt_s": t.doubt_s,
                "sag_pct": t.sag_pct, "dip_pct": t.dip_pct, "step_points": t.step_points,
            }
            for t in tips
        ],
        "answered": len(rose), "unanswered": silent, "sagged": len(sagged),
        "surely_late": len(late),
    }  # fmt: skip
    shown = shown_delay(rose) if len(rose) >= 2 else None

    def answer(
        finding: str, why: str, settle: str = "", *,
        p: float | None = None,
    ) -> CheckResult:  # fmt: skip
        return check.result(
            finding,
            why,
            settle=settle,
            measurement=shown,
            limits=LIMITS,
            probability=p,
            windows=windows,
            samples=len(tips),
            notes=[
                f"{len(tips)} tip-ins in one gear, {len(rose)} with an answer that was seen",
                "the probability is that of the careful end: the latest beginning of each rise for "
                "a pass, the earliest for a fail",
            ],
            details=details,
        )

    if len(tips) < LEAST_TIP_INS:
        if lack is not None and not tips:
            return answer(lack.lack, f"{lack.why}.", lack.settle)
        return answer(
            "too-few-tip-ins",
            f"{len(tips)} tip-ins in one gear were seen; {LEAST_TIP_INS} are needed.",
        )
    if len(sagged) >= LEAST_TIP_INS and 2 * len(sagged) >= len(tips):
        deep = float(np.median([t.sag_pct for t in sagged]))
        return answer(
            "sags",
            f"engine speed fell by {deep:.1f} % before it rose, in {len(sagged)} of {len(tips)} "
            "tip-ins.",
        )
    if silent > MOST_UNANSWERED * len(tips) or len(rose) < LEAST_TIP_INS:
        return answer(
            "unanswered",
            f"in {silent} of {len(tips)} tip-ins engine speed did not rise within "
            f"{AFTER_S:.0f} s: a hill, or no answer.",
        )
    assert shown is not None
    earliest, latest = mean_delay(rose, late=False), mean_delay(rose, late=True)
    p_early, p_late = (probability_of_conformity(m, LIMITS) for m in (earliest, latest))
    if (
        decide(p_early, rule.pass_at, rule.fail_at) is Verdict.FAIL
        and 2 * sum(t.early_s > LIMIT_S for t in rose) >= len(rose)
    ):  # fmt: skip
        why = f"{_told(shown)}; {LIMIT_S:g} s are common."
        return answer("hesitates", why, p=p_early)
    if late or sagged or dipped:
        many = len({id(t) for t in (*late, *sagged, *dipped)})
        why = f"{_told(shown)}, but {many} of {len(tips)} came late or sagged first."
        return answer("sometimes-hesitates", why)
    if decide(p_late, rule.pass_at, rule.fail_at) is Verdict.PASS:
        hidden = math.prod(1.0 - _shows_sag(t) for t in rose)
        if hidden > HIDDEN_SAG:
            why = f"{_told(shown)}, but a sag before it could fall between so few readings."
            return answer("too-few-tip-ins", why)
        if silent:
            why = f"{_told(shown)}, but none followed within {AFTER_S:.0f} s at {silent} more."
            return answer("unanswered", why)
        return answer("answers", f"{_told(shown)}.", p=p_late)
    return answer("near-limit", f"{_told(shown)}, too near {LIMIT_S:g} s to tell.")


def _shows_sag(tip: TipIn) -> float:
    """The chance that a sag of SAGGED_PCT shows in one tip-in, whenever the readings came."""
    share = min(1.0, tip.dip_told_pct / SAGGED_PCT)
    deep_s = SAG_S * (1.0 - 2.0 / math.pi * math.asin(share))
    return min(1.0, deep_s / tip.step_s)


def _told(mean: Measurement) -> str:
    return (
        f"engine speed begins to rise {mean.value:.2f} ± {2 * mean.uncertainty:.2f} s (k = 2) "
        f"behind the pedal, mean of {mean.samples} tip-ins"
    )


LIMITS = Limits(None, LIMIT_S, "s", f"1.0 s: {COMMON_PRACTICE}, no source")
_AGAIN = (
    "on a level, empty road, in one gear and without shifting (an automatic: held by hand): drive "
    "steadily at 50 km/h (30 mph) for 5 s, press the pedal a third further at once and hold 4 s; "
    "ten times"
)

HESITATION = Check(
    name="hesitation",
    version=4,
    question="Does the engine answer at once when the foot asks for more?",
    channels=("engine_speed", "vehicle_speed", "pedal, pedal_d or pedal_e"),
    quantity=f"mean delay over tip-ins, from half of a pedal step of {STEP_POINTS:.0f} points or "
    "more to the moment engine speed begins to rise above its line, in one gear at "
    f"{MOVING_KMH:.0f} km/h or more, out of {BEFORE_S:.0f} s of steady driving with the pedal "
    f"pressed; and a fall of engine speed by {SAGGED_PCT:g} % before the rise",
    limits=f"{LIMIT_S:g} s ({COMMON_PRACTICE}), over {LEAST_TIP_INS} tip-ins at least; a sag in "
    "half of them or more is a fail",
    findings={
        "answers": Verdict.PASS,
        "hesitates": Verdict.FAIL,
        "sags": Verdict.FAIL,
        "sometimes-hesitates": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        "unanswered": Verdict.UNDECIDED,
        "too-few-tip-ins": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
    },
    run=run_hesitation,
    settles={
        "sometimes-hesitates": f"at the speed and gear at which it came: {_AGAIN}",
        "near-limit": _AGAIN,
        "unanswered": _AGAIN,
        "too-few-tip-ins": _AGAIN,
    },
    look_alikes=(
        "kick-down, a shift, a closing lock-up clutch, a slipping clutch: engine speed moves "
        "against road speed, and the tip-in is left out",
        "turbo lag: the full pull comes late, the beginning does not; the beginning is judged",
        "a hill that eats the pull: no rise within 4 s is no answer seen: no fail, and no pass",
        "the brake, or cruise control switched off, behind a foot that presses: only tip-ins out "
        "of a pressed pedal count",
    ),
    blind_spots=(
        "tip-ins out of a released pedal, and take-offs",
        "a hesitation that comes at some of the tip-ins only: those not seen prove nothing",
        "a gearbox without steps, which never keeps its ratio",
    ),
)
