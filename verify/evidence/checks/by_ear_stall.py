"""Whether an engine is heard to run on, by its sound alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from verify.evidence.checks.ear import (
    BLIND_SPOTS,
    CHANNELS,
    FASTEST_IDLE_RPM,
    LEAST_RUN_S,
    LONGEST_PAUSE_S,
    NEEDED,
    RACING,
    SETTLES,
    SURE_OCTAVE,
    UNDECIDED,
    UNHEARD,
    Ear,
    doubtful_cylinders,
    implausible_numbers,
    listing,
    sounds_of,
    span_of,
    told_of,
    without_cylinders,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.recording import Recording
from verify.evidence.sound.cylinders import LEAST_MARGIN
from verify.evidence.sound.speed import EarSpeed, speed_by_ear
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Rule,
    Window,
)
from verify.quantity import SpecValue
from verify.words import Verdict


def run_no_stall_by_ear(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Whether the engine's note goes on; every stretch in which it was heard counts.

    That it runs on shows by itself that the key was left on; that this was the idle it must not
    stall in (warm, standing, pedal released) has to be told. That it ends fails nothing before the
    key is told to have been left on.
    """
    wrong = implausible_numbers(check, specs)
    if wrong is not None:
        return wrong
    sounds = sounds_of(recordings)
    if not sounds:
        return check.result("channel-missing", "there is no sound of the engine.")
    count = spec_number(specs, "cylinders", "1")
    if count is None:
        return without_cylinders(check, sounds)
    heard_s, windows, samples = 0.0, [], 0
    stops: list[tuple[int, float]] = []
    details: dict[str, Any] = {}
    sounds_heard: list[EarSpeed] = []
    partly: EarSpeed | None = None
    doubted: Ear | None = None
    for place, recording in sounds:
        own = speed_by_ear(recording, round(count))
        # How much of a file is heard is what is asked here; that it is no engine is another matter.
        if own.lack and not own.partly:
            return check.result(own.lack, f"{own.why}.", settle=own.settle)
        sure = own.cylinders.get(round(count), 0.0)
        ear = Ear(round(count), ((place, own),), own.sure, sure, True, own.margin)
        # Where another number is the likelier one, that is what to look at, whatever the octave.
        if own.sure < SURE_OCTAVE and sure >= 0.5:
            return check.result("octave-open",
                                f"the sound may be that of {listing(own.alternatives)}.",
                                details=ear.details)  # fmt: skip
        if not own.margin >= LEAST_MARGIN and sure < SURE_OCTAVE:
            return doubtful_cylinders(check, ear)
        if not own.margin >= LEAST_MARGIN:
            return check.result("cycle-not-heard",
                                UNHEARD.format(rpm=own.alternatives[0].rpm, n=round(count)),
                                details=ear.details)  # fmt: skip
        if own.alternatives[0].rpm > FASTEST_IDLE_RPM:
            return check.result("racing", f"by ear the engine turns at "
                                f"{own.alternatives[0].rpm:.0f} rpm; {RACING}",
                                details=ear.details)  # fmt: skip
        sounds_heard.append(own)
        doubted = ear if sure < SURE_OCTAVE else doubted
        spans = _runs(own)
        partly = own if own.partly else partly
        heard_s += ear.hop_s * sum(len(v) for _, v in own.pieces)
        windows += [Window(place, a, b) for a, b in spans]
        samples += sum(len(v) for _, v in own.pieces)
        ends = [b for _, b in spans if b < span_of(recording)[1] - 2.0]
        stops += [(place, b) for b in ends]
    details["exposure"] = {"idle_s": heard_s}
    if stops:
        place, at = stops[0]
        told = "left-on" in told_of(recordings[place]) and _quieter(recordings[place], at)
        since = at - span_of(recordings[place])[0]
        why = f"the engine's note ends {since:.0f} s into the sound"
        if told:
            return check.result(
                "stalled", f"{why}, though the key was left on.", count=len(stops),
                limits=_NONE, windows=windows, samples=samples, details=details,
            )  # fmt: skip
        return check.result("stop-unclear", f"{why}; whether it stalled, was switched off or only "
                            "drowned cannot be told.", windows=windows, samples=samples,
                            details=details)  # fmt: skip
    if partly is not None:
        # No end of it is heard, and yet it is not heard throughout: something drowns it.
        return check.result(partly.lack, f"{partly.why}.", settle=partly.settle, details=details)
    if heard_s < LEAST_RUN_S:
        return check.result("too-short", f"the engine is heard for {heard_s:.0f} s; "
                            f"{LEAST_RUN_S:.0f} s are needed.", windows=windows, samples=samples,
                            details=details)  # fmt: skip
    if doubted is not None:
        # With another number it turns at another speed, which may be none to idle at.
        return doubtful_cylinders(check, doubted)
    if not all(set(NEEDED) <= told_of(r) for _, r in sounds):
        return check.result(
            "not-told", f"the engine is heard to run on for {heard_s:.0f} s, but not all is told "
            "that an idle must be: warm, standing, pedal released.", windows=windows,
            samples=samples, details=details,
        )  # fmt: skip
    low, high = _reach(sounds_heard)
    if high > MOST_REACH * low:
        return check.result(
            "not-one-idle", f"by ear engine speed goes from {low:.0f} to {high:.0f} rpm, as when "
            "an engine dies and is started again.", windows=windows, samples=samples, details=details,
        )  # fmt: skip
    return check.result(
        "none-heard", f"the engine is heard to run on for {heard_s:.0f} s.", count=0,
        limits=_NONE, windows=windows, samples=samples, details=details,
        notes=["nothing is said about stalling when the pedal is let go"],
    )  # fmt: skip


def _runs(own: EarSpeed) -> list[tuple[float, float]]:
    """Stretches in which the note goes on, pauses up to LONGEST_PAUSE_S bridged."""
    spans: list[tuple[float, float]] = []
    for times, _ in own.pieces:
        begin, end = float(times[0]), float(times[-1])
        if spans and begin - spans[-1][1] <= LONGEST_PAUSE_S:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    return spans


def _reach(heard: Sequence[EarSpeed]) -> tuple[float, float]:
    """The engine speed that one in a hundred readings lies below, and above."""
    values = np.concatenate([v for own in heard for _, v in own.pieces])
    low, high = np.quantile(values, (0.01, 0.99))
    return float(low), float(high)


def _quieter(recording: Recording, at_s: float) -> bool:
    """Whether the sound is clearly softer after this, as when an engine has stopped."""
    level = recording.channels.get("sound_level")
    if level is None:
        return False
    before = level.values[(level.time_s > at_s - 6.0) & (level.time_s < at_s - 1.0)]
    after = level.values[(level.time_s > at_s + 1.5) & (level.time_s < at_s + 6.0)]
    return bool(len(before) and len(after) and np.median(before) - np.median(after) >= 6.0)


# An idle that hunts by a ninth either way reaches this far; a start races farther: common practice,
# no source.
MOST_REACH = 1.25

_NONE = Limits(None, 0.0, "1", "freedom from events: any stall that is heard is a fail")

NO_STALL_BY_EAR = Check(
    name="no-stall-by-ear",
    version=6,
    question="Is the engine heard to run on through its idle?",
    channels=CHANNELS,
    quantity="times the engine's note ends while the engine should run",
    limits=f"none heard over {LEAST_RUN_S:.0f} s of idle without a pause longer than "
    f"{LONGEST_PAUSE_S:g} s ({COMMON_PRACTICE})",
    findings={
        "none-heard": Verdict.PASS,
        "stalled": Verdict.FAIL,
        "stop-unclear": Verdict.UNDECIDED,
        "not-one-idle": Verdict.UNDECIDED,
        **UNDECIDED,
    },
    run=run_no_stall_by_ear,
    specs=("cylinders",),
    uses=("cylinders",),
    settles={
        **SETTLES,
        "stop-unclear": "record 60 s again, start-stop switched off, the key left on, and say so "
        "with the file (left-on)",
        "not-one-idle": "record 60 s of one idle again: nothing is switched, nobody touches the "
        "pedal",
    },
    look_alikes=(
        "the key turned off, start-stop: a stop counts only where it is told that neither was",
        "a voice or a car going by that drowns the engine: the sound does not get softer",
    ),
    blind_spots=("stalling when the pedal is let go or in a pause of a second", *BLIND_SPOTS),
)
