"""How soon the throttle comes back when the pedal is let go: the slowest release counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from verify.evidence.answers_in_time import (
    Brackets,
    hidden_chance,
    probability_all_within,
    time_posterior,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
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
from verify.evidence.plate import DIESEL
from verify.evidence.presses import Mask
from verify.evidence.ranks import median_of
from verify.evidence.recording import Array, Recording
from verify.evidence.releases import (
    BACK_SHARE,
    IDLE_WITHIN_RPM,
    idle_before,
    plate_returns,
    rest_brackets,
    revs_return,
)
from verify.evidence.verdict import CheckResult, Distribution, Limits, Measurement, Rule
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

HEALTHY_S = 0.5
# 49 CFR 571.124 (FMVSS 124) S5.3, from memory: up to 10,000 lb; above; at −18 °C or colder.
LIGHT_KG, LIGHT_S, HEAVY_S = 4536.0, 1.0, 2.0
COLD_C, COLD_S = -18.0, 3.0
LAW = "49 CFR 571.124 S5.3 (FMVSS 124), from memory"
# No road vehicle with its load weighs less or more than this.
LEAST_KG, MOST_KG = 300.0, 60_000.0
LEAST_RELEASES = 6
# Revs come back within 2 to 3 s; more is worth a look, and 5 s are a fault in a warm engine.
# Common practice.
HANGS_S, STAYS_S, WARM_C = 3.0, 5.0, 60.0
# A plate that follows a slow foot is back before the foot is: times may be negative. Shifted, so
# that what looks for times from 0 on sees them.
_SHIFT_S = 3.0

_PASS = Limits(None, HEALTHY_S, "s", COMMON_PRACTICE)


@dataclass(frozen=True, slots=True)
class Line:
    """From which time on it fails: certain_s in any case, early_s where the mass is unknown."""

    early_s: float
    certain_s: float
    why: str


def fail_line_s(mass_kg: float | None, coldest_c: float | None) -> Line:
    """FMVSS 124 S5.3: 1 s up to 4,536 kg, 2 s above, 3 s at −18 °C or colder at any mass."""
    if coldest_c is not None and coldest_c <= COLD_C:
        return Line(COLD_S, COLD_S, f"at {coldest_c:.0f} °C")
    if mass_kg is None:
        return Line(LIGHT_S, HEAVY_S, "mass unknown")
    line = LIGHT_S if mass_kg <= LIGHT_KG else HEAVY_S
    return Line(line, line, f"gross mass {mass_kg:.0f} kg")


def coldest_c(recordings: Sequence[Recording]) -> float | None:
    """Outside air at its coldest, else intake air, °C; None where neither was recorded."""
    for name in ("ambient", "intake_air"):
        found = [
            float(c.values.min())
            for r in recordings
            if (c := r.channels.get(name)) is not None and len(c.values)
        ]
        if found:
            return min(found)
    return None


@dataclass(frozen=True, slots=True)
class Revs:
    """Engine speed after the releases. known: releases that show it; surely above the bounds."""

    known: int = 0
    hang: int = 0
    stay: int = 0
    slowest_s: float = 0.0


def run_throttle_return(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The slowest release against the law's line and the workshop's figure."""
    mass = spec_number(specs, "gross_mass", "kg")
    if mass is not None and not LEAST_KG <= mass <= MOST_KG:
        return check.result("spec-implausible", f"a gross mass of {mass:.4g} kg is no car's.")
    seen = gather(recordings)
    if not seen.lack and seen.follow.kind == "dead":
        seen = replace(seen, lack="not-following", why=seen.follow.why, settle=DIESEL)
    if seen.lack:
        return check.result(seen.lack, f"{seen.why}.", settle=seen.settle)
    seen = replace(seen, pieces=tuple(_at_rest(p) for p in seen.pieces))
    cold = coldest_c(recordings)
    line = fail_line_s(mass, cold)
    found = [plate_returns(p.recording, p.foot, p.did) for p in seen.pieces]
    brackets = joined(seen.pieces, "back", [f.closed for f in found], [f.judged for f in found])
    # A release that ended before it was seen to be back, soon after: not long enough to say.
    open_end = ~np.isfinite(brackets.answer_to)
    quick = brackets.least <= HEALTHY_S
    # And one over stairs: a fifth of the whole way may be more than what was left of it at the last
    # stair, so such a release can tell against the plate and not for it.
    at_once = [p.foot.let_go_at_once[f.judged] for p, f in zip(seen.pieces, found, strict=True)]
    keep = ~(quick & (open_end | ~np.concatenate(at_once)))
    brackets = _only(brackets, keep)
    n = len(brackets)
    hidden = seen.hidden + sum(int(np.sum(f.hidden)) for f in found)
    least = float(np.max(brackets.least)) if n else -np.inf
    most = float(np.max(brackets.most)) if n else np.inf
    revs = _revs(seen)
    details: dict[str, Any] = {
        "releases": n,
        "hidden": hidden,
        "slowest_s": {"at_least": max(least, 0.0), "at_most": most if np.isfinite(most) else None}
        if n
        else None,
        "fail_line_s": line.certain_s,
        "revs": {"releases": revs.known, "over_3_s": revs.hang, "over_5_s": revs.stay},
    }
    together = _together(brackets, line)
    answer = _Answer(check, seen, line, brackets, details, _notes(seen, n, cold, revs))
    stuck = ~np.isfinite(brackets.answer_to) & (brackets.least > line.certain_s)
    if np.any(stuck):
        return answer.of(
            "stuck-open",
            f"the throttle was still open {float(np.max(brackets.least[stuck])):.1f} s after the "
            "pedal was let go, and did not come back while it was watched",
            0.0,
        )
    law = f"{line.certain_s:g} s ({line.why})"
    if least > line.certain_s:
        return answer.of("too-slow", f"the slowest return took {least:.2f} s or more; {law}", 0.0)
    if together.certain <= rule.fail_at:
        why = f"the releases together show a return of over {law}"
        return answer.of("too-slow", why, together.certain)
    if least > line.early_s or together.early <= rule.fail_at:
        return answer.of(
            "mass-unknown",
            f"the throttle takes more than {line.early_s:g} s to come back, which only a vehicle "
            f"of more than {LIGHT_KG:,.0f} kg may",
        )
    if _revs_stay(seen, revs):
        return answer.of(
            "revs-stay-up",
            f"after {revs.stay} of {revs.known} releases engine speed stayed up for more than "
            f"{STAYS_S:g} s, up to {revs.slowest_s:.1f} s or more",
        )
    if n < LEAST_RELEASES:
        return answer.of("too-few-presses", f"only {n} releases could be judged")
    if least > HEALTHY_S or together.healthy <= rule.fail_at:
        sure = f"took {least:.2f} s or more" if least > HEALTHY_S else "is too slow, by all of them"
        return answer.of(
            "legal-not-healthy",
            f"the slowest return {sure}: not shown to break the law's line, but more than the "
            f"{HEALTHY_S:g} s of a healthy throttle",
        )
    if revs.hang >= 2 and 2 * revs.hang >= revs.known:
        return answer.of(
            "revs-hang",
            f"after {revs.hang} of {revs.known} releases engine speed stayed up for more than "
            f"{HANGS_S:g} s",
        )
    if hidden:
        return answer.of(
            "release-hidden",
            f"a gap in the recording hides what came of {hidden} of {n + hidden} releases",
        )
    if most <= HEALTHY_S:
        why = f"each of {n} returns took {most:.2f} s or less"
        return answer.of("prompt", f"{why}, within {HEALTHY_S:g} s", 1.0)
    if together.all_healthy >= rule.pass_at and most <= LIGHT_S:
        return answer.of(
            "prompt",
            f"each of {n} returns took {most:.2f} s or less by itself, and together they show "
            f"{HEALTHY_S:g} s or less",
            together.all_healthy,
        )
    if together.all_healthy >= rule.pass_at:
        # One slow release among quick ones is not told by what they have in common.
        unseen = hidden_chance(brackets, LIGHT_S)
        if unseen <= 1.0 - rule.pass_at:
            return answer.of(
                "prompt",
                f"{n} returns together show {HEALTHY_S:g} s or less; had one taken {LIGHT_S:g} s, "
                f"that would have shown with a probability of {1.0 - unseen:.2f}",
                together.all_healthy,
            )
    return answer.of(
        "too-slow-to-tell",
        f"the slowest return took between {max(least, 0.0):.2f} and {most:.2f} s: the readings "
        "are too far apart to see one slow return",
        together.all_healthy,
    )


def _at_rest(p: Piece) -> Piece:
    return replace(p, foot=replace(p.foot, back=rest_brackets(p.recording, p.foot)))


def _only(b: Brackets, keep: Mask) -> Brackets:
    return replace(
        b, cause_from=b.cause_from[keep], cause_to=b.cause_to[keep],
        answer_from=b.answer_from[keep], answer_to=b.answer_to[keep],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Together:
    """Probabilities: all returns within the healthy figure; the median return within it, within
    the law's early line, and within its sure line."""

    all_healthy: float = 0.0
    healthy: float = 1.0
    early: float = 1.0
    certain: float = 1.0


def _together(brackets: Brackets, line: Line) -> _Together:
    """The slowest release is no faster than the median one: a median beyond the line fails it."""
    closed = np.isfinite(brackets.answer_to)
    if int(closed.sum()) < LEAST_RELEASES:
        return _Together()
    own = _only(brackets, closed)
    own = replace(own, answer_from=own.answer_from + _SHIFT_S, answer_to=own.answer_to + _SHIFT_S)
    posterior = time_posterior(own)
    # Where each is known to be in time by itself, nothing need be hoped for.
    by_hope = bool(np.all(closed)) and bool(np.any(brackets.most > HEALTHY_S))
    return _Together(
        probability_all_within(own, HEALTHY_S + _SHIFT_S) if by_hope else 0.0,
        posterior.below(HEALTHY_S + _SHIFT_S),
        posterior.below(line.early_s + _SHIFT_S),
        posterior.below(line.certain_s + _SHIFT_S),
    )


def _revs(seen: Parked) -> Revs:
    """The second result: engine speed that does not fall, though the plate may have closed."""
    idle = min((idle_before(p.recording, p.foot) for p in seen.pieces), default=np.nan)
    if not np.isfinite(idle):
        return Revs()
    least: list[Array] = []
    for p in seen.pieces:
        back = revs_return(p.recording, p.foot, idle)
        age = p.recording.channels["engine_speed"].skew_s
        least.append(back.closed[back.judged, 0] - age - p.foot.back[back.judged, 1])
    every = np.concatenate(least)
    if not len(every):
        return Revs()
    return Revs(
        len(every),
        int(np.sum(every > HANGS_S)),
        int(np.sum(every > STAYS_S)),
        float(np.max(every)),
    )


def _revs_stay(seen: Parked, revs: Revs) -> bool:
    """A fault only in an engine that is shown to be warm: a cold one is held up on purpose."""
    warm = [c for p in seen.pieces if (c := p.recording.channels.get("coolant")) is not None]
    heated = bool(warm) and all(len(c.values) and median_of(c.values) >= WARM_C for c in warm)
    return heated and revs.stay >= 2 and 2 * revs.stay >= revs.known


def _notes(seen: Parked, judged: int, cold: float | None, revs: Revs) -> list[str]:
    notes = [f"{judged} releases of a parked car"]
    others = sum(len(p.foot) for p in seen.pieces) - judged
    if others:
        notes.append(
            f"{others} releases not judged (too small a travel, over stairs, broken by a gap, or "
            "not watched long enough)"
        )
    if cold is None:
        notes.append("no outside temperature was recorded: taken as above −18 °C")
    if revs.known:
        notes.append(
            f"engine speed came back to within {IDLE_WITHIN_RPM:.0f} rpm of idle; it surely took "
            f"more than {HANGS_S:g} s after {revs.hang} of {revs.known} releases"
        )
    return notes


@dataclass(frozen=True, slots=True, eq=False)
class _Answer:
    check: Check
    seen: Parked
    line: Line
    brackets: Brackets
    details: dict[str, Any]
    notes: list[str]

    def of(self, finding: str, why: str, p: float | None = None) -> CheckResult:
        fails = self.check.findings[finding] is Verdict.FAIL
        line = self.line
        limits = Limits(None, line.certain_s, "s", f"{LAW}: {line.why}") if fails else _PASS
        return self.check.result(
            finding,
            f"{why}.",
            measurement=self._slowest(),
            limits=limits,
            probability=p,
            windows=self.seen.windows(),
            samples=self.seen.samples,
            notes=self.notes,
            details=self.details,
        )

    def _slowest(self) -> Measurement | None:
        """The slowest release: anywhere between what it took at least and at most."""
        if not len(self.brackets):
            return None
        low = max(float(np.max(self.brackets.least)), 0.0)
        high = float(np.max(self.brackets.most))
        if not np.isfinite(high) or not high > low:
            return None
        middle, width = 0.5 * (low + high), (high - low) / np.sqrt(12.0)
        return Measurement(
            middle, "s", float(width), Distribution.UNIFORM, samples=len(self.brackets)
        )


THROTTLE_RETURN = Check(
    name="throttle-return",
    version=5,
    question="Does the throttle close at once whenever the pedal is let go?",
    channels=CHANNELS,
    quantity="time from the pedal at rest until the plate is within "
    f"{100 * BACK_SHARE:.0f} % of its travel of its own rest, parked, engine running: the slowest "
    "release; beside it, the time engine speed takes to come back to idle",
    limits=f"fail: more than {LIGHT_S:g} s up to {LIGHT_KG:,.0f} kg gross mass, {HEAVY_S:g} s "
    f"above, {COLD_S:g} s at {COLD_C:.0f} °C or colder ({LAW}); pass: {HEALTHY_S:g} s or less "
    f"({COMMON_PRACTICE}); revs up for more than {STAYS_S:g} s in a warm engine fail, more than "
    f"{HANGS_S:g} s are undecided ({COMMON_PRACTICE})",
    findings={
        "prompt": Verdict.PASS,
        "too-slow": Verdict.FAIL,
        "stuck-open": Verdict.FAIL,
        "revs-stay-up": Verdict.FAIL,
        "legal-not-healthy": Verdict.UNDECIDED,
        "mass-unknown": Verdict.UNDECIDED,
        "revs-hang": Verdict.UNDECIDED,
        "release-hidden": Verdict.UNDECIDED,
        "spec-implausible": Verdict.UNDECIDED,
        **SHARED_FINDINGS,
    },
    run=run_throttle_return,
    uses=("gross_mass",),
    settles={
        **SHARED_SETTLES,
        "legal-not-healthy": "look for dirt, a stiff plate or a stiff pedal; after cleaning or "
        f"repair record again: {TEN_TIMES}",
        "mass-unknown": "type the gross mass of the vehicle (spec gross_mass, on its plate)",
        "revs-hang": "look for an air leak or a stiff plate; with the engine warm and all loads "
        "off, press ten times and wait 10 s after each release",
        "release-hidden": f"keep the adapter plugged and connected throughout, and {TEN_TIMES}",
        "spec-implausible": "type the gross mass of the vehicle as its plate says",
        "too-slow-to-tell": f"{FEWER_CHANNELS}; 4 readings a second of pedal and throttle show each"
        " return by itself, and more presses cannot make up for fewer",
    },
    look_alikes=(
        *LOOK_ALIKES,
        "idle control that holds the plate a little open after a release: a fifth of the travel "
        "is allowed, and only travels of 5 points or more are judged",
        "a cold engine, whose revs are held up on purpose: revs alone fail only a warm one",
    ),
    blind_spots=(
        "a pedal that itself comes back slowly looks like a slow foot",
        "the two springs, one of which must close the plate when the other fails: not in any log",
        "a plate that sticks only hot, cold or under load, if it was not so in the recording",
    ),
)
