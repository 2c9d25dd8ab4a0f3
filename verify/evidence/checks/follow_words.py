"""What `throttle-follow` says of itself: its findings, what settles them, and what misleads."""

from __future__ import annotations

from collections.abc import Mapping

from verify.words import Verdict

_STAIRS = (
    "parked, in neutral or park: press the pedal to a quarter and hold 5 s, on to a half and hold, "
    "to three quarters and hold, then back the same way, and let go; twice"
)
_SLOWLY = (
    "record only throttle, pedal, engine speed and vehicle speed, ten readings a second or more; "
    "parked, press the pedal evenly over 8 s to a half and let it come back as slowly, three times"
)

FINDINGS: Mapping[str, Verdict] = {
    "follows": Verdict.PASS,
    "off-position": Verdict.FAIL,
    "hysteresis": Verdict.FAIL,
    "stick-slip": Verdict.FAIL,
    "fixed-opening": Verdict.FAIL,
    "not-moving": Verdict.FAIL,
    "near-limit": Verdict.UNDECIDED,
    "stick-slip-unclear": Verdict.UNDECIDED,
    "one-level-only": Verdict.UNDECIDED,
    "one-direction-only": Verdict.UNDECIDED,
    "too-few-holds": Verdict.UNDECIDED,
    "scale-unknown": Verdict.UNDECIDED,
    "not-parked": Verdict.UNDECIDED,
    "nothing-held": Verdict.UNDECIDED,
    "not-this-kind": Verdict.UNDECIDED,
    "too-slow-to-tell": Verdict.UNDECIDED,
    "channel-missing": Verdict.UNDECIDED,
    "spec-implausible": Verdict.UNDECIDED,
}
SETTLES: Mapping[str, str] = {
    "near-limit": _STAIRS,
    "stick-slip-unclear": _SLOWLY,
    "one-level-only": f"hold at a quarter, a half and three quarters too; {_STAIRS}",
    "one-direction-only": f"hold levels on the way back as well; {_STAIRS}",
    "too-few-holds": _STAIRS,
    "nothing-held": _STAIRS,
    "not-parked": _STAIRS,
    "scale-unknown": "look up what the throttle reading shows closed and fully open and give "
    "them as throttle_closed and throttle_open",
    "not-this-kind": "judge this engine by how it answers the pedal, not by its flap",
    "too-slow-to-tell": "record only throttle, pedal, engine speed and vehicle speed, and hold "
    f"each level 10 s; {_STAIRS}",
    "spec-implausible": "look both numbers up in the service information and give them again",
}
LOOK_ALIKES = (
    "the intake flap of a diesel, or an engine throttled by its valves: wide open at a calm "
    "idle, or the intake near the air outside; not judged",
    "torque control, shifts, cruise control and limiters on the road: never judged there",
    "a parked limiter that closes the plate: holds near the highest engine speed left out",
    "readings with another zero or scale (resting at 10 to 20 %): no fault by themselves",
    "a foot that leaps, or one steep place of a pedal's map: no sticking plate; leaps count where "
    "the pedal moved on evenly, at several places, and not near the highest engine speed",
    "idle control moving the plate at rest: the rest is given that much doubt",
)
BLIND_SPOTS = (
    "without a commanded position: a plate that stands wrong in the same way every time",
    "sticking and leaping between the held levels, where nobody moved the pedal slowly and evenly, "
    "or less than ten readings a second tell of it",
    "a plate and its position sensor that are wrong together: see throttle-pair",
)
