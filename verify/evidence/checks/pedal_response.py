"""How soon the throttle plate answers the pedal, and whether it shoots past where it should go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from verify.evidence.answers_in_time import Brackets, TimePosterior, time_posterior
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.overshoot import (
    LASTS_S,
    LIMIT,
    OVERSHOOT_PCT,
    SHOWS_S,
    Overshoot,
    overshoot,
    overshoot_note,
)
from verify.evidence.checks.parked_presses import (
    CHANNELS,
    FEWER_CHANNELS,
    LOOK_ALIKES,
    SHARED_FINDINGS,
    SHARED_SETTLES,
    TEN_TIMES,
    Parked,
    Piece,
    gather,
    joined,
)
from verify.evidence.plate import revs_answered
from verify.evidence.presses import Mask
from verify.evidence.recording import Array, Recording
from verify.evidence.step_metrics import StepMetrics, step_metrics
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

DELAY_S = 0.3
# One press this many times slower than the limit fails the car, however quick the others were; one
# that much slower keeps it from passing. Common practice.
ONE_FAILS, ONE_DOUBTS = 2.0, 1.5
LEAST_PRESSES, LEAST_SURE_PRESSES = 6, 3
# As many more presses may be asked of somebody.
MOST_MORE = 40
# A plate that moves before the pedal by more than this: the clocks of the two do not agree.
OUT_OF_STEP_S, OUT_OF_STEP_SHARE = 0.1, 0.2
# A foot that wanders by more than this share of its way has no moment at which it pressed.
WANDERS = 0.5

_LIMITS = Limits(None, DELAY_S, "s", COMMON_PRACTICE)


def timed(piece: Piece) -> Mask:
    """Presses whose delay can be taken: clear of noise and limiter, by a foot that presses in one
    go and stays."""
    way = piece.foot.level - piece.foot.rest
    steady: Mask = piece.foot.wander <= WANDERS * way
    return piece.did.clear & piece.foot.straight & steady


def run_pedal_response(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Median delay of the plate behind the pedal, the slowest press, and the overshoot."""
    seen = gather(recordings)
    if seen.lack:
        return check.result(seen.lack, f"{seen.why}.", settle=seen.settle)
    if seen.follow.kind == "dead":
        return check.result(
            "no-answer", f"{seen.follow.why}.", windows=seen.windows(), samples=seen.samples
        )
    which = [timed(p) for p in seen.pieces]
    brackets = joined(seen.pieces, "half", [p.did.half for p in seen.pieces], which)
    odd = brackets.most < -OUT_OF_STEP_S
    if int(odd.sum()) > OUT_OF_STEP_SHARE * max(len(brackets), 1):
        return check.result(
            "out-of-step",
            f"in {int(odd.sum())} of {len(brackets)} presses the throttle moved before the pedal.",
            windows=seen.windows(),
        )
    brackets = _without(brackets, odd)
    slowest = _surely_slowest(seen, brackets)
    details: dict[str, Any] = {"presses": len(brackets), "slowest_at_least_s": max(slowest, 0.0)}
    if slowest > ONE_FAILS * DELAY_S:
        return check.result(
            "one-press-slow",
            f"at one press the throttle took {slowest:.2f} s or more; {DELAY_S:g} s are usual.",
            limits=_LIMITS,
            windows=seen.windows(),
            samples=seen.samples,
            details=details,
        )
    few = _too_few(check, seen, brackets, details)
    if few is not None:
        return few
    return _judged(check, seen, which, brackets, slowest, details, rule)


def _without(b: Brackets, odd: Mask) -> Brackets:
    keep = ~odd
    return replace(
        b, cause_from=b.cause_from[keep], cause_to=b.cause_to[keep],
        answer_from=b.answer_from[keep], answer_to=b.answer_to[keep],
    )  # fmt: skip


def _surely_slowest(seen: Parked, brackets: Brackets) -> float:
    """What the slowest press took at the very least, those without any answer included."""
    bounds: list[Array] = [brackets.least]
    for p in seen.pieces:
        # Engine speed that rises without the plate: a reading that is not the plate's, or a
        # limiter between two readings. Nothing is sure then.
        # And where the foot held on its way, only a plate that did not move at all was slow.
        told = (p.foot.straight | ~p.did.moved) & p.did.whole
        trusted = told & ~((revs_answered(p.recording, p.foot) == 1.0) & ~p.did.moved)
        still = p.did.still_until - p.plate.skew_s - p.foot.half[:, 1]
        bounds.append(still[trusted])
    every = np.concatenate(bounds)
    return float(np.max(every)) if len(every) else -np.inf


def _too_few(
    check: Check, seen: Parked, brackets: Brackets, details: dict[str, Any]
) -> CheckResult | None:
    n = len(brackets)
    sure = n >= LEAST_SURE_PRESSES and bool(
        np.all(brackets.most <= DELAY_S) or np.all(brackets.least > DELAY_S)
    )
    if n >= LEAST_PRESSES or sure:
        return None
    return check.result(
        "too-few-presses",
        f"only {n} parked presses could be timed; {LEAST_PRESSES} are needed where the readings "
        "are too far apart to time each by itself.",
        windows=seen.windows(),
        samples=seen.samples,
        details=details,
    )


def _judged(
    check: Check,
    seen: Parked,
    which: list[Mask],
    brackets: Brackets,
    slowest: float,
    details: dict[str, Any],
    rule: Rule,
) -> CheckResult:
    posterior = time_posterior(brackets)
    p = posterior.below(DELAY_S)
    verdict = decide(p, rule.pass_at, rule.fail_at)
    over = overshoot(seen.pieces, which, 1.0 - rule.pass_at)
    notes = [*_notes(seen, brackets, posterior), overshoot_note(over)]
    dense = _dense(seen, which)
    if dense is not None:
        details |= {"median_of_presses": dense}
        notes.append(
            "median of the presses, counted from the pedal's half: "
            + ", ".join(f"{k.removesuffix('_s')} {v:.2f} s" for k, v in dense.items())
        )
    details |= {
        "delay_95_s": [posterior.quantile(0.025), posterior.quantile(0.975)],
        "overshoot_pct": over.measurement.value if over.measurement else None,
        "overshoot_unseen": None if over.measurement else over.unseen,
    }
    interval = f"{posterior.mean:.2f} s (95 %: {posterior.quantile(0.025):.2f} to "
    number = f"{interval}{posterior.quantile(0.975):.2f} s)"
    finding, why = _finding(verdict, number, slowest, over, rule)
    return check.result(
        finding,
        why,
        measurement=Measurement(posterior.mean, "s", posterior.deviation, samples=seen.samples),
        limits=_LIMITS,
        probability=p,
        windows=seen.windows(),
        notes=notes,
        details=details,
    )


def _finding(
    verdict: Verdict, number: str, slowest: float, over: Overshoot, rule: Rule
) -> tuple[str, str]:
    limit = f"{DELAY_S:g} s"
    prompt = f"the throttle follows the pedal after {number}, within {limit}"
    if verdict is Verdict.FAIL:
        return "slow", f"the throttle follows the pedal only after {number}; {limit} are usual."
    by_overshoot = Verdict.PASS
    if over.measurement is not None:
        by_overshoot = decide(
            probability_of_conformity(over.measurement, LIMIT), rule.pass_at, rule.fail_at
        )
        shot = f"{over.measurement.value:.0f} % of its way"
        if by_overshoot is Verdict.FAIL:
            return (
                "overshoots",
                f"the throttle shoots past by {shot}; {OVERSHOOT_PCT:g} % are usual.",
            )
    elif over.presses >= LEAST_PRESSES and 2 * over.short_above > over.presses:
        # What a reading shows is a lower bound of the peak, at whatever rate.
        return (
            "overshoots",
            f"in {over.short_above} of {over.presses} presses the throttle surely shoots past by "
            f"more than {OVERSHOOT_PCT:g} % of its way.",
        )
    if verdict is Verdict.UNDECIDED:
        return "near-limit", f"the throttle follows after {number}: too wide or too near {limit}."
    if slowest > ONE_DOUBTS * DELAY_S:
        return "uneven", f"usually {number}, but one press took {slowest:.2f} s or more."
    if over.measurement is not None and by_overshoot is not Verdict.PASS:
        return "overshoot-unclear", f"the throttle shoots past by {shot}: too near the limit."
    if over.measurement is None:  # a pass must not rest on not looking
        return _not_measured(number, over, rule) or ("prompt", f"{prompt}, and does not overshoot.")
    return "prompt", f"{prompt}."


def _not_measured(number: str, over: Overshoot, rule: Rule) -> tuple[str, str] | None:
    """Finding and sentence where the rate leaves open whether it overshoots, else None."""
    if not over.seen_above and over.ruled_out(1.0 - rule.pass_at):
        return None
    if over.seen_above or over.high:
        above = "surely " if over.seen_above else ""
        return (
            "overshoot-unclear",
            f"in {over.seen_above or over.high} of {over.presses} presses a reading lies {above}"
            "above where the throttle settles, and the rate does not show for how long.",
        )
    why = (
        f"the throttle follows after {number}, but an overshoot of more than {OVERSHOOT_PCT:g} % "
        f"that lasts {LASTS_S:g} s would have been seen with a probability of only "
        f"{1.0 - over.unseen:.2f}"
    )
    more = over.presses_needed - over.presses
    if 1.0 <= more <= MOST_MORE:
        return "overshoot-not-shown", f"{why}; {more:.0f} more presses at this rate would show it."
    return "overshoot-not-shown", f"{why}."


def _notes(seen: Parked, brackets: Brackets, posterior: TimePosterior) -> list[str]:
    widest = float(np.median(brackets.most - brackets.least))
    notes = [
        f"{len(brackets)} parked presses, each known to within {widest:.2g} s by itself; the "
        "uncertainty is of what they say together (flat prior over all times from 0 on)"
    ]
    others = sum(len(p.foot) for p in seen.pieces) - len(brackets)
    if others:
        notes.append(
            f"{others} parked presses not timed (too short, too small, broken by a gap, the foot "
            "moved or held on its way, or the plate closed again while it was held, as a rev "
            "limiter does)"
        )
    if seen.elsewhere:
        notes.append(f"{seen.elsewhere} presses while driving are not judged")
    scatter = float(posterior.weight.sum(axis=1) @ posterior.scatter) * np.pi / np.sqrt(3.0)
    notes.append(f"from press to press it scatters by about {scatter:.2f} s")
    return notes


def _dense(seen: Parked, which: Sequence[Mask]) -> dict[str, float] | None:
    """Medians of the figures of single presses, where the rate shows them."""
    found: list[StepMetrics] = []
    for p, w in zip(seen.pieces, which, strict=True):
        if not p.plate.interval_s + p.plate.skew_s <= SHOWS_S:
            continue
        t, v = p.plate.time_s, p.plate.values
        for i in np.flatnonzero(w)[:100].tolist():
            begin, end = p.foot.half[i], float(p.foot.let_go[i, 0])
            command = 0.5 * float(begin[0] + p.pedal.skew_s + begin[1])
            part = slice(
                int(np.searchsorted(t, command)), int(np.searchsorted(t, end, side="right"))
            )
            base, level = float(p.did.base[i]), float(p.did.level[i])
            share = max(0.05, float(p.did.noise[i]) / (level - base))
            found.append(
                step_metrics(
                    t[part], v[part], command, base, level, dead_share=share, settle_share=share
                )
            )
    result = {}
    for name in ("dead_s", "rise_s", "settling_s"):
        numbers = [x for m in found if np.isfinite(x := getattr(m, name))]
        if numbers:
            result[name] = float(np.median(numbers))
    return result or None


PEDAL_RESPONSE = Check(
    name="pedal-response",
    version=4,
    question="Does the throttle answer the pedal promptly, not overshooting?",
    channels=CHANNELS,
    quantity="time from the moment the pedal crosses half of its way to the moment the plate "
    "crosses half of its own, parked, engine running: the median over the presses, from the "
    "brackets of all of them; the slowest press; overshoot: the median where the plate is read 20 "
    "times a second, else whether readings at chance would have shown one",
    limits=f"delay ≤ {DELAY_S:g} s, overshoot ≤ {OVERSHOOT_PCT:g} % of the step; one press of more "
    f"than {ONE_FAILS * DELAY_S:g} s fails ({COMMON_PRACTICE})",
    findings={
        "prompt": Verdict.PASS,
        "slow": Verdict.FAIL,
        "one-press-slow": Verdict.FAIL,
        "no-answer": Verdict.FAIL,
        "overshoots": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "uneven": Verdict.UNDECIDED,
        "overshoot-unclear": Verdict.UNDECIDED,
        "overshoot-not-shown": Verdict.UNDECIDED,
        "out-of-step": Verdict.UNDECIDED,
        **SHARED_FINDINGS,
    },
    run=run_pedal_response,
    settles={
        **SHARED_SETTLES,
        "near-limit": f"{FEWER_CHANNELS}; 5 readings a second of pedal and throttle decide mostly, "
        "and where every value in the file has its own time, 20 presses at any rate",
        "uneven": f"add a recording to see whether it comes again: {TEN_TIMES}",
        "overshoot-unclear": f"record pedal and throttle as fast as the adapter can: {TEN_TIMES}",
        "overshoot-not-shown": f"{FEWER_CHANNELS}; or add a recording with as many presses more as "
        "the sentence says",
        "out-of-step": "record pedal and throttle with one adapter in one file, and export each "
        "with its own time",
    },
    look_alikes=(
        *LOOK_ALIKES,
        "an engine governor that opens the plate wide at first and closes it again as the engine "
        "revs up: no overshoot, because it lasts longer than 0.6 s or is commanded",
    ),
    blind_spots=(
        f"an overshoot shorter than {LASTS_S:g} s, or one in a few presses only, where the plate "
        "is read less than 20 times a second",
        "a single slow press among quick ones, where readings are half a second apart or more",
        "dead time of the sensors themselves, and how the car answers under load",
    ),
)
