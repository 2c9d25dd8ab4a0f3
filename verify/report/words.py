"""What a report says in its own words: plain ones for the customer, and what stands on every page.

The general advice is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from verify.words import EndingKind, Grade

NOT_STATUTORY = "This is not a statutory roadworthiness test."
DEMO = "DEMO: workshop, people, car and data are invented. No real car was let go."
REHEARSAL = "REHEARSAL: the answers came from a file. No real car was let go on this page."
UNFINISHED = "NOT FINISHED: this job is still open. What follows is where it stands, not its end."
AFTERWARDS = "Some of this was written down after the work, not while it went on."

# Ending → head and the sentence below it, for the one who gets the car.
CUSTOMER_HEADS: Mapping[EndingKind, tuple[str, str]] = {
    EndingKind.HAND_BACK: (
        "Your car can go back to you",
        "Everything that this repair asks for was looked at or measured, and it passed.",
    ),
    EndingKind.PROOF_TO_FOLLOW: (
        "Your car is safe to drive. Some proof is still to follow.",
        "What has to be safe has passed. What is still open stands below, with its date.",
    ),
    EndingKind.RELEARN: (
        "Not ready: the car must first learn its new part",
        "The keys stay in the workshop until that is done and looked at again.",
    ),
    EndingKind.BACK_TO_DIAGNOSIS: (
        "Not ready: the fault is not settled",
        "The keys stay in the workshop. The search for the cause goes on.",
    ),
    EndingKind.DO_NOT_DRIVE: ("DO NOT DRIVE", "Engine off. Have the car towed."),
}
HEADS: Mapping[EndingKind, str] = {
    EndingKind.HAND_BACK: "Keys handed back",
    EndingKind.PROOF_TO_FOLLOW: "Keys handed back, proof to follow",
    EndingKind.RELEARN: "Relearn first; the keys stay",
    EndingKind.BACK_TO_DIAGNOSIS: "Back to diagnosis; the keys stay",
    EndingKind.DO_NOT_DRIVE: "DO NOT DRIVE",
}
PROVEN_LATER = (
    "Your car is back with you, and the proof has come in",
    "All that was still open when it was handed back has passed since.",
)
PROOF_FAILED = (
    "The car must come back",
    "Proof that was to follow has failed. Ask the workshop before you drive on.",
)
OPEN_HEAD = ("Not finished", "The job is still open. Nothing has been decided about the keys.")

# Check → what its pass means to somebody who drives.
PROVEN: Mapping[str, str] = {
    "idle-speed": "The warm engine idles at its proper speed",
    "idle-steady": "The idle is even",
    "idle-settling": "The idle has settled, start after start",
    "no-stall": "The engine did not stall while it was recorded",
    "pedal-response": "The throttle answers the pedal promptly",
    "throttle-return": "The throttle closes when the pedal is let go",
    "throttle-follow": "The throttle stands where the pedal puts it",
    "no-response": "The throttle answered every press of the pedal",
    "throttle-pair": "The two throttle sensors agree",
    "pedal-pair": "The two pedal sensors agree",
    "key-on-rest": "The throttle rests where it should with the key on",
    "fuel-trim": "The fuel mixture is right when warm",
    "warm-up": "The engine reaches its temperature and holds it",
    "charging": "The battery is charged while the engine runs",
    "surge": "The car pulls evenly while the pedal is held",
    "hesitation": "The engine answers at once when asked for more",
    "idle-speed-by-ear": "The warm engine idles at its proper speed, by its sound",
    "idle-steady-by-ear": "The idle sounds even",
    "no-stall-by-ear": "The engine is not heard to stall",
    "key-on-ticking": "The throttle is not heard to tick with the key on",
    "same-conditions": "The drive went back to where the fault had shown",
    "road-coverage": "The test drive was long enough to count",
    "torque": "The fasteners were set to their torque",
    "reading": "A measured value is within its limits",
}
# The same question, while it has no answer or a bad one.
ASKED: Mapping[str, str] = {
    "idle-speed": "The speed of the warm idle",
    "idle-steady": "Whether the idle is even",
    "idle-settling": "Whether the idle has settled",
    "no-stall": "Freedom from stalling",
    "pedal-response": "How promptly the throttle answers the pedal",
    "throttle-return": "The throttle's closing",
    "throttle-follow": "Whether the throttle follows the pedal",
    "no-response": "Whether the throttle answers every press",
    "throttle-pair": "Whether the two throttle sensors agree",
    "pedal-pair": "Whether the two pedal sensors agree",
    "key-on-rest": "The throttle's rest with the key on",
    "fuel-trim": "The fuel mixture when warm",
    "warm-up": "The warming up of the engine",
    "charging": "The charging of the battery",
    "surge": "Whether the car pulls evenly",
    "hesitation": "Whether the engine answers at once",
    "idle-speed-by-ear": "The speed of the warm idle, by its sound",
    "idle-steady-by-ear": "Whether the idle sounds even",
    "no-stall-by-ear": "Freedom from stalling, by ear",
    "key-on-ticking": "Whether the throttle ticks with the key on",
    "same-conditions": "A drive where the fault had shown",
    "road-coverage": "A long enough test drive",
    "torque": "The torque of the fasteners",
    "reading": "A measured value",
}

WATCH = (
    "If the complaint comes back: note when (cold, hot, standing, moving) and bring the car in.",
    "A warning lamp that comes on, or the engine dying: bring the car in, even if it goes away.",
)
WATCH_KEPT = ("Ask when the car will be looked at again, and what it may cost, before you decide.",)
SAFETY = (
    "If the engine does not come down when you lift your foot: brake firmly, shift to neutral, "
    "stop where it is safe, engine off. Do not drive on.",
    "If the brake pedal is hard or sinks, or the red lamp for the brakes comes on: do not drive.",
    "A warning lamp that flashes: ease off, stop where it is safe, call the workshop.",
)
SAFETY_KEPT = "The car has not been handed back: do not drive it until what is open is settled."
SAFETY_STOP = (
    "Do not start the engine. Do not drive, not even a short way.",
    "Have the car towed; tell the driver that it must not roll on its own engine.",
    "Keep the key away from anybody who could drive off without knowing.",
)

GRADES: Mapping[Grade, str] = {
    Grade.TOLD: "told",
    Grade.READ: "read from an instrument",
    Grade.RECORDED: "recorded",
}
MODES = {"as-work": "as the work went on", "afterwards": "afterwards"}
SOURCES_WITHOUT = "No document stands behind these numbers:"
GONE = "not recomputable, hash kept"
NOBODY = "No second person signed."
NO_LOOK = "Took no look of their own at the car."
ALONE = "Only whoever did the work stands behind this."
TOLD_HEAD = "{} points of what passed were looked at, heard or felt, not measured."


def sentence(text: str) -> str:
    """With a capital first and a full stop last."""
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".!?" else text + "."


def cut(text: str, room: int) -> str:
    """At most `room` characters, at the end of a word, marked where it was cut."""
    text = " ".join(text.split())
    if len(text) <= room:
        return text
    kept = text[: room - 1]
    return kept[: max(kept.rfind(" "), room // 2)].rstrip(" ,;:.") + "…"


def listed(names: list[str]) -> str:
    """ "a, b and c"."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + f" and {names[-1]}"
