"""What the two checks of sensor pairs say of themselves: their findings, limits and words."""

from __future__ import annotations

from verify.evidence.checks.kind import COMMON_PRACTICE, Check, Run
from verify.words import Verdict

LIMIT_PERCENT = 5.0

NAMES = {
    "throttle-pair": (("throttle", "throttle_b"), "throttle"),
    "pedal-pair": (("pedal_d", "pedal_e"), "pedal"),
}
_FINDINGS = {
    "agree": Verdict.PASS,
    "apart": Verdict.FAIL,
    "one-still": Verdict.FAIL,
    "drop-out": Verdict.FAIL,
    "near-limit": Verdict.UNDECIDED,
    "single-readings": Verdict.UNDECIDED,
    "no-relation": Verdict.UNDECIDED,
    "too-little-travel": Verdict.UNDECIDED,
    "too-slow-to-tell": Verdict.UNDECIDED,
    "channel-missing": Verdict.UNDECIDED,
    "spec-implausible": Verdict.UNDECIDED,
}
_STEPS = (
    "key on, engine off: press the pedal to a quarter, a half, three quarters and to the floor, "
    "hold each 5 s, and let go"
)


def pair_check(name: str, what: str, run: Run) -> Check:
    """The check of one pair. what: the sensor, in words."""
    names, kind = NAMES[name]
    return Check(
        name=name,
        version=3,
        question=f"Do the tracks of the {what} agree everywhere?",
        channels=names,
        quantity="largest distance of a steady level from the straight line that most levels of "
        "the two tracks lie on (or from the vehicle's ratio or sum), in percent of the span; "
        "from the second reading at a level to the last before it changes",
        limits=f"{LIMIT_PERCENT:.0f} % of span, the full scale of the first track's reading or the "
        f"vehicle's own travel ({COMMON_PRACTICE}); any drop-out seen is a fail",
        findings=_FINDINGS,
        run=run,
        uses=(f"{kind}_pair_ratio", f"{kind}_pair_sum", f"{kind}_travel"),
        settles={
            "near-limit": f"{_STEPS}; give {kind}_pair_ratio or {kind}_pair_sum and "
            f"{kind}_travel from the service information",
            "single-readings": "record these two channels alone, as fast as it goes, and wiggle "
            f"the plug of the {what}; {_STEPS}",
            "no-relation": f"look at both columns: are they the two tracks of the {what}? {_STEPS}",
            "too-little-travel": _STEPS,
            "too-slow-to-tell": f"record these two channels alone; {_STEPS}",
            "spec-implausible": "look the number up in the service information and give it again",
        },
        look_alikes=(
            "two tracks read one after the other while the pedal moves: only steady levels count",
            "tracks with another slope, rest or direction: any straight line is sound",
            "a short press between two slow readings: a single reading off is no drop-out unless "
            "nothing could move there and back in the time, or it lies beyond the rest",
        ),
        blind_spots=(
            "drop-outs shorter than the time between two readings",
            "a fault that shifts both tracks alike (worn stop, wrong rest): see the rest position",
            "without a ratio or sum from the service information: a wrong slope or offset that is "
            "the same over the whole recording",
        ),
    )
