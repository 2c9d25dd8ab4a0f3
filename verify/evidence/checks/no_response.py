"""Presses that the throttle does not answer at all, or only after far too long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from verify.evidence.answers_in_time import Brackets, hidden_chance, time_posterior
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.parked_presses import (
    CHANNELS,
    FEWER_CHANNELS,
    LOOK_ALIKES,
    SHARED_FINDINGS,
    SHARED_SETTLES,
    TEN_TIMES,
    Piece,
    gather,
    joined,
)
from verify.evidence.plate import revs_answered
from verify.evidence.presses import Mask
from verify.evidence.recording import Array, Recording
from verify.evidence.verdict import CheckResult, Limits, Rule
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

EVENT_S, LEAST_PRESSES, LEAST_FOR_MEDIAN = 0.7, 10, 6
_SHIFT_S = 3.0

_LIMITS = Limits(
    None, 0.0, "1", "freedom from events: any press without an answer in time is a fail"
)


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """One row for each parked press, shape (n,).

    at_s: when it was pressed. waited_s: how long the plate surely stood still with the foot down,
    at least. answered_s: how long the answer surely took at most, inf where none was seen.
    known: seen whole, with the plate read before it and during it. contradicted: engine speed rose
    though the plate did not.
    """

    at_s: Array
    waited_s: Array
    answered_s: Array
    known: Mask
    contradicted: Mask


def events(piece: Piece) -> Events:
    """How long the plate stood still at each press, and how long its answer took at most."""
    did, foot, age = piece.did, piece.foot, piece.plate.skew_s
    known = did.whole & (did.readings >= 1) & np.isfinite(did.base)
    # Where the foot held on its way, half of the pedal's and a fifth of the plate's lie at two
    # stairs: such a press shows a plate that does not move at all, and no time.
    known &= foot.straight | ~did.moved
    revs = revs_answered(piece.recording, foot) == 1.0
    return Events(
        foot.half[:, 1],
        np.where(known, did.still_until - age - foot.half[:, 1], -np.inf),
        np.where(known & did.moved, did.first[:, 1] - foot.half[:, 0], np.inf),
        known,
        revs & ~did.moved,
    )


def run_no_response(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Any press without an answer within 0.7 s fails; none passes only where each would show."""
    seen = gather(recordings)
    if seen.lack:
        return check.result(seen.lack, f"{seen.why}.", settle=seen.settle)
    found = [(p, events(p)) for p in seen.pieces]
    known = np.concatenate([e.known for _, e in found])
    waited = np.concatenate([e.waited_s for _, e in found])
    took = np.concatenate([e.answered_s for _, e in found])
    odd = np.concatenate([e.contradicted for _, e in found])
    missed = known & ~odd & (waited > EVENT_S)
    shown = known & (took <= EVENT_S)
    late = known & ~missed & ~shown & np.isfinite(took)
    unclear = known & ~missed & ~np.isfinite(took)
    n = int(shown.sum())
    notes = [_proven(n)]
    lost = int((~known).sum())
    if lost:
        notes.append(
            f"{lost} parked presses not counted (too short, broken by a gap, or in stairs)"
        )
    if seen.elsewhere:
        notes.append(f"{seen.elsewhere} presses while driving are not judged")
    details: dict[str, Any] = {
        "exposure": _exposure(n),
        "events": [
            {"recording": p.place, "at_s": float(e.at_s[i]), "waited_s": float(e.waited_s[i])}
            for p, e in found
            for i in np.flatnonzero(e.known & ~e.contradicted & (e.waited_s > EVENT_S)).tolist()
        ],
    }

    def answer(finding: str, why: str, count: int | None = None) -> CheckResult:
        return check.result(
            finding,
            why,
            count=count,
            limits=_LIMITS,
            windows=seen.windows(),
            samples=seen.samples,
            notes=notes,
            details=details,
        )

    if seen.follow.kind == "dead":
        return answer("no-answer", f"{seen.follow.why}.", seen.follow.judged)
    if np.any(missed):
        first = details["events"][0]
        return answer(
            "no-answer",
            f"{int(missed.sum())} of {int(known.sum())} presses had no answer within {EVENT_S:g} "
            f"s: at {first['at_s']:.0f} s the throttle stood still for {first['waited_s']:.1f} s "
            "or more.",
            int(missed.sum()),
        )
    brackets = _answered(seen.pieces, found)
    usual = _usually_in_time(brackets)
    if usual <= rule.fail_at:
        return answer(
            "no-answer",
            f"no press by itself is shown to wait {EVENT_S:g} s, but all together are: the usual "
            f"answer takes longer than that (probability {1.0 - usual:.3g}).",
        )
    if np.any(unclear):
        return answer(
            "answer-unclear",
            f"at {int(unclear.sum())} of {int(known.sum())} presses no answer of the throttle was "
            "seen, and something speaks against a fault: engine speed rose all the same, or the "
            "pedal was let go too soon.",
        )
    if np.any(late) and usual >= rule.pass_at and len(brackets) == n + int(late.sum()):
        hidden = hidden_chance(brackets, EVENT_S)
        if hidden <= 1.0 - rule.pass_at and len(brackets) >= LEAST_PRESSES:
            notes[0] = _proven(len(brackets))
            details["exposure"] = _exposure(len(brackets))
            return answer(
                "none-seen",
                f"each of {len(brackets)} presses was answered; had one waited {EVENT_S:g} s, that "
                f"would have shown with a probability of {1.0 - hidden:.2f}.",
                0,
            )
    if np.any(late):
        return answer(
            "too-slow-to-tell",
            f"all {n + int(late.sum())} presses were answered, but {int(late.sum())} of them "
            f"cannot be shown to be answered within {EVENT_S:g} s: the readings are too far apart.",
        )
    if n < LEAST_PRESSES:
        return answer(
            "too-few-presses",
            f"no press without an answer, but only {n} in which one would have shown; "
            f"{LEAST_PRESSES} are needed.",
        )
    return answer("none-seen", f"each of {n} presses was answered within {EVENT_S:g} s.", 0)


def _answered(pieces: Sequence[Piece], found: Sequence[tuple[Piece, Events]]) -> Brackets:
    """Brackets of all presses that were seen whole and answered."""
    answered = [
        e.known & p.did.moved & np.isfinite(p.did.first[:, 1]) & np.isfinite(p.did.first[:, 0])
        for p, e in found
    ]
    return joined(pieces, "half", [p.did.first for p in pieces], answered)


def _usually_in_time(brackets: Brackets) -> float:
    """P(the median answer comes in time): if it does not, half of the presses had none in time."""
    if len(brackets) < LEAST_FOR_MEDIAN:
        return 1.0
    # The plate may leave its rest before the foot is half down: shifted, so that times from 0 on
    # hold those, too.
    shifted = replace(
        brackets,
        answer_from=brackets.answer_from + _SHIFT_S,
        answer_to=brackets.answer_to + _SHIFT_S,
    )
    return time_posterior(shifted).below(EVENT_S + _SHIFT_S)


def _exposure(presses: int) -> dict[str, Any]:
    bound = 1.0 - 0.05 ** (1.0 / presses) if presses else None
    return {"presses": presses, "no_answer_share_below": bound}


def _proven(presses: int) -> str:
    """The second result: what no event in so many presses says of a rare one. Binomial."""
    if not presses:
        return "no press was seen in which a missing answer would have shown"
    share = 100.0 * (1.0 - 0.05 ** (1.0 / presses))
    return (
        f"if none is seen in {presses} presses, one in up to {share:.0f} of 100 is still possible "
        "(one-sided, 95 %)"
    )


NO_RESPONSE = Check(
    name="no-response",
    version=4,
    question="Does the throttle answer every press of the pedal?",
    channels=CHANNELS,
    quantity=f"presses after which the plate stands still for more than {EVENT_S:g} s while the "
    "pedal is held: from the moment the pedal crosses half of its way to the moment the plate "
    "leaves its rest by a fifth of its way, parked, engine running",
    limits=f"none seen in {LEAST_PRESSES} presses or more, sampled so that one would have shown, "
    f"each by itself or with 95 % ({COMMON_PRACTICE})",
    findings={
        "none-seen": Verdict.PASS,
        "no-answer": Verdict.FAIL,
        "answer-unclear": Verdict.UNDECIDED,
        **SHARED_FINDINGS,
    },
    run=run_no_response,
    settles={
        **SHARED_SETTLES,
        "answer-unclear": f"hold each press for the full 5 s, no deeper than a third: {TEN_TIMES}",
        "too-slow-to-tell": f"{FEWER_CHANNELS}; 4 readings a second of pedal and throttle show each"
        " answer by itself, and more presses cannot make up for fewer",
    },
    look_alikes=LOOK_ALIKES,
    blind_spots=(
        "a press in a gap of the recording, or one on the road",
        "a fault rarer than the presses say: see the second result",
    ),
)
