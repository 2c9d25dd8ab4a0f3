"""What the checks by ear share: recordings heard together, and the words for what is not heard.

What a sound cannot show (that the engine is warm, the car stands, nobody presses the pedal) must
be told with the file; how many cylinders there are comes as a number of the vehicle. Every octave
that may be meant stays in the result with its odds, and a verdict bears the doubt between them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from verify.evidence.checks.idle_readings import SETTLE_SPEC, IdleReadings, implausible
from verify.evidence.checks.kind import Check, spec_number
from verify.evidence.recording import Channel, Recording
from verify.evidence.sound.cylinders import LEAST_MARGIN
from verify.evidence.sound.firing import HOP_S
from verify.evidence.sound.octaves import Alternative
from verify.evidence.sound.speed import (
    HOW_TO_RECORD,
    SETTLE_GAPS,
    SYSTEMATIC_SHARE,
    EarSpeed,
    speed_by_ear,
)
from verify.evidence.verdict import CheckResult, Window
from verify.quantity import SpecValue
from verify.words import BEFORE, TOLD, Verdict

# The checks that a sound can be put to: of a running engine, and of the key alone.
ENGINE_CHECKS = ("idle-speed-by-ear", "idle-steady-by-ear", "no-stall-by-ear")
KEY_CHECK = "key-on-ticking"
NEEDED = ("warm", "standing", "released")
# An octave, or a number of cylinders, less likely than this is no ground for any verdict.
SURE_OCTAVE = 0.95
# A frame of 0.64 s blurs a swing of 1 s by a quarter and one of 2 s by a fifteenth.
BLURRED_SHARE = 0.25
# A file of a minute, less what is lost at its ends.
LEAST_RUN_S, LONGEST_PAUSE_S = 55.0, 1.0
CYLINDERS_FROM, CYLINDERS_TO = 1.0, 16.0
# No car engine is meant to idle faster than this when it is warm (common practice, no source): a
# sound that would pass there is another number of cylinders, or no engine.
FASTEST_IDLE_RPM = 1200.0
RACING = (
    "no car engine is meant to idle as fast as that when it is warm: with twice the cylinders it "
    "would be half of it."
)
UNHEARD = (
    "a note is heard as of the firing of {n} cylinders at {rpm:.0f} rpm, but between its multiples "
    "not the cycle of such an engine: it may be something else that hums, or another number of "
    "cylinders."
)
SETTLE_LONGER = "record 60 s of warm idle, standing, foot off the pedal, nobody talking"
SETTLE_TOLD = (
    "say with the file that it was so, if it was: the engine warm, the car standing, the pedal "
    "released; else record again"
)
SETTLE_CYCLE = (
    "record 60 s again with the bonnet open and the telephone a hand's breadth over the engine, "
    "nearer one end of it than the other, or at the tail pipe; look whether the number of "
    "cylinders is right"
)
SETTLE_RACING = (
    "look at the rev counter, and whether the number of cylinders and the idle speed are right"
)
SETTLE_OCTAVE = (
    "record with the telephone at another place, at the tail pipe too, and look whether the "
    "number of cylinders is right; one look at the rev counter tells which it is"
)
UNDECIDED: Mapping[str, Verdict] = {
    "channel-missing": Verdict.UNDECIDED,
    "no-engine-heard": Verdict.UNDECIDED,
    "has-gaps": Verdict.UNDECIDED,
    "too-even": Verdict.UNDECIDED,
    "octave-open": Verdict.UNDECIDED,
    "no-cylinders": Verdict.UNDECIDED,
    "cylinders-doubtful": Verdict.UNDECIDED,
    "cycle-not-heard": Verdict.UNDECIDED,
    "racing": Verdict.UNDECIDED,
    "not-told": Verdict.UNDECIDED,
    "too-short": Verdict.UNDECIDED,
    "spec-implausible": Verdict.UNDECIDED,
}
SETTLES: Mapping[str, str] = {
    "channel-missing": HOW_TO_RECORD,
    "no-engine-heard": HOW_TO_RECORD,
    "has-gaps": SETTLE_GAPS,
    "too-even": HOW_TO_RECORD,
    "octave-open": SETTLE_OCTAVE,
    "no-cylinders": "give the number of cylinders as cylinders",
    "cylinders-doubtful": SETTLE_OCTAVE,
    "cycle-not-heard": SETTLE_CYCLE,
    "racing": SETTLE_RACING,
    "not-told": SETTLE_TOLD,
    "too-short": SETTLE_LONGER,
    "spec-implausible": SETTLE_SPEC,
}
CHANNELS = ("a sound of the engine (WAV, m4a …) with a note that is followed",)
LOOK_ALIKES = (
    "half and double the speed sound alike: the odds of every octave are weighed, and below "
    "0.95 none is taken",
    "a fan, a pump or a belt: too few multiples, or too even",
    "mains hum, an organ: more even than any engine",
    "one cycle repeated, sines, a loop of some seconds from a loudspeaker: no two cycles of an "
    "engine are alike, and none comes again",
    "speech, music, traffic: the note does not go on, or jumps",
    "a cold engine idles higher: that it was warm must be told",
)
BLIND_SPOTS = (
    "a sound proves what was played to the microphone: a recording of another engine, or an "
    "imitation whose blows scatter as an engine's do, cannot be told from it; who signs says that "
    "it was this car",
    "another engine beside the car, or a machine with pistons: who records must know which it was",
    "an engine whose blows scatter by less than about a tenth in sound and time: it is left open",
    "engines that fire unevenly, by design (some of two and six cylinders) or because a cylinder "
    "does not fire: they may sound like an even one of half the speed, and not all stay open",
    "engine speeds that change fast, as when it is revved",
)


@dataclass(frozen=True, slots=True)
class Ear:
    """All recordings heard together. heard: (place, what was heard) of those that count; sure,
    sure_cylinders: probability of the octave and of the told number of cylinders, in the worst of
    them; told: whether all is told of them that an idle must be; margin: how far the cycle of both
    is ahead of any other, in the worst of them."""

    cylinders: int
    heard: tuple[tuple[int, EarSpeed], ...]
    sure: float
    sure_cylinders: float
    told: bool
    margin: float

    @property
    def hop_s(self) -> float:
        """How far the readings lie apart: of a long sound fewer are kept."""
        steps = [float(np.median(np.diff(t))) for _, own in self.heard for t, _ in own.pieces]
        return max([HOP_S, *steps])

    @property
    def rpm(self) -> float:
        return max(own.alternatives[0].rpm for _, own in self.heard)

    @property
    def readings(self) -> IdleReadings:
        windows, pieces, channels = [], [], {}
        for place, own in self.heard:
            for times, values in own.pieces:
                windows.append(Window(place, float(times[0]), float(times[-1])))
                pieces.append((times, values))
                step = SYSTEMATIC_SHARE * float(np.mean(values))
                channels[place] = Channel("engine_speed", "rpm", times, values, step, self.hop_s)
        return IdleReadings(tuple(windows), tuple(pieces), channels, (), None)

    @property
    def details(self) -> dict[str, Any]:
        best = max((own for _, own in self.heard), key=lambda own: own.seconds)
        chosen = best.alternatives[0].rpm
        return {
            "by_ear": {
                "cylinders": self.cylinders,
                "octave_probability": self.sure,
                "alternatives": [
                    {"rpm": a.rpm, "of_chosen": a.of_chosen, "probability": a.probability}
                    for a in best.alternatives
                ],
                "cylinders_probability": self.sure_cylinders,
                "with_other_cylinders": [
                    {"cylinders": n, "rpm": chosen * self.cylinders / n, "probability": p}
                    for n, p in best.cylinders.items()
                    if n != self.cylinders
                ],
                "strength_db": best.strength_db,
                "multiples": best.lines,
                "cycle_margin": self.margin,
            }
        }


def listened(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue]
) -> Ear | CheckResult:
    """What is heard of all recordings together, or the result that says why nothing is."""
    wrong = implausible_numbers(check, specs)
    if wrong is not None:
        return wrong
    sounds = sounds_of(recordings)
    if not sounds:
        return check.result("channel-missing", "there is no sound of the engine.")
    count = spec_number(specs, "cylinders", "1")
    if count is None:
        return without_cylinders(check, sounds)
    cylinders = round(count)
    heard = [(i, speed_by_ear(r, cylinders)) for i, r in sounds]
    good = [(i, own) for i, own in heard if not own.lack]
    if not good:
        _, own = heard[0]
        return check.result(own.lack, f"{own.why}.", settle=own.settle)
    ear = Ear(
        cylinders,
        tuple(good),
        min(own.sure for _, own in good),
        min(own.cylinders.get(cylinders, 0.0) for _, own in good),
        all(set(NEEDED) <= told_of(recordings[i]) for i, _ in good),
        min(own.margin for _, own in good),
    )
    best = good[0][1]
    # Where another number is the likelier one, that is what to look at, whatever the octave.
    if ear.sure < SURE_OCTAVE and ear.sure_cylinders >= 0.5:
        return check.result(
            "octave-open",
            f"the sound may be that of {listing(best.alternatives)}.",
            windows=ear.readings.windows,
            details=ear.details,
        )
    if ear.sure_cylinders < SURE_OCTAVE:
        return doubtful_cylinders(check, ear)
    if not ear.margin >= LEAST_MARGIN:
        return check.result(
            "cycle-not-heard",
            UNHEARD.format(rpm=best.alternatives[0].rpm, n=cylinders),
            windows=ear.readings.windows,
            details=ear.details,
        )
    return ear


def doubtful_cylinders(check: Check, ear: Ear) -> CheckResult:
    """The number of cylinders that was told is none to rest a verdict on."""
    odds = min((own.cylinders for _, own in ear.heard), key=lambda o: o.get(ear.cylinders, 0.0))
    other = max((n for n in odds if n != ear.cylinders), key=lambda n: odds[n])
    rpm = ear.heard[0][1].alternatives[0].rpm * ear.cylinders / other
    return check.result(
        "cylinders-doubtful",
        f"between its multiples the sound is not like that of {ear.cylinders} cylinders "
        f"({100 * odds[ear.cylinders]:.0f} %); with {other} ({100 * odds[other]:.0f} %) "
        f"it would be {rpm:.0f} rpm.",
        windows=ear.readings.windows,
        details=ear.details,
    )


def implausible_numbers(check: Check, specs: Mapping[str, SpecValue]) -> CheckResult | None:
    count = spec_number(specs, "cylinders", "1")
    if count is not None and not (
        CYLINDERS_FROM <= count <= CYLINDERS_TO and abs(count - round(count)) < 1e-9
    ):
        return check.result(
            "spec-implausible",
            f"{count:.4g} cannot be meant as a number of cylinders, which is whole and lies "
            f"between {CYLINDERS_FROM:.0f} and {CYLINDERS_TO:.0f}.",
        )
    others = replace(check, uses=tuple(n for n in check.uses if n != "cylinders"))
    return implausible(others, specs)


def without_cylinders(check: Check, sounds: list[tuple[int, Recording]]) -> CheckResult:
    said = []
    for n in (3, 4, 6, 8):
        own = speed_by_ear(sounds[0][1], n)
        if own.lack and not own.alternatives:
            # Nothing is heard of any engine: their number would not help.
            return check.result(own.lack, f"{own.why}.", settle=own.settle)
        if not own.lack:
            said.append(f"{own.alternatives[0].rpm:.0f} rpm with {n}")
    tail = f": it would be {', '.join(said)}" if said else ""
    return check.result("no-cylinders", f"how many cylinders the engine has is not known{tail}.")


def sounds_of(recordings: Sequence[Recording]) -> list[tuple[int, Recording]]:
    """(place, recording) of the sounds that are to be judged."""
    return [
        (i, r)
        for i, r in enumerate(recordings)
        if r.importer == "sound" and BEFORE not in told_of(r)
    ]


def span_of(recording: Recording) -> tuple[float, float]:
    """When the sound begins and ends on its channels' own clock: the loudness is told throughout,
    in equal steps, each at its middle."""
    level = recording.channels.get("sound_level")
    if level is None or not len(level.time_s):
        return 0.0, recording.seconds
    step = float(np.median(np.diff(level.time_s))) if len(level.time_s) > 1 else 1.0
    begin = float(level.time_s[0]) - 0.5 * step
    return begin, begin + recording.seconds


def told_of(recording: Recording) -> set[str]:
    return {word.strip() for word in recording.mapping.get(TOLD, "").split(",")}


def listing(alternatives: Sequence[Alternative]) -> str:
    shown = [a for a in alternatives if a.probability >= 0.02][:4] or list(alternatives[:1])
    return " or ".join(f"{a.rpm:.0f} rpm ({100 * a.probability:.0f} %)" for a in shown)


def answers(check: Check, ear: Ear) -> Callable[..., CheckResult]:
    windows, details = ear.readings.windows, ear.details

    def answer(finding: str, why: str, **more: Any) -> CheckResult:
        details_ = {**details, **more.pop("details", {})}
        return check.result(finding, why, windows=windows, details=details_, **more)

    return answer
