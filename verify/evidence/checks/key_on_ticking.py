"""Ticking or buzzing clicks for seconds after key-on: the first thing heard of a failing throttle.

Not hearing is proof only where it would have been heard. So a pass needs, at every key-on, a sound
of the car itself (the relay, the throttle's own short test) well above the file's noise, and noise
that does not rise afterwards; and nothing may be left that might be a throttle's: bursts, slow
clicks, a hum; else it stays open. How far above: so far that ticking 12 dB softer
than that sound would stand out, and where a sound from before the repair has the ticking, ticking
softer by half than it was there. All levels are compared within one file: another telephone, or
another place for it, changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from verify.evidence.checks.ear import sounds_of, told_of
from verify.evidence.checks.key_sounds import (
    LONGEST_TRAIN_S,
    NOTHING_DB,
    SOFTER_DB,
    KeyCycle,
    key_cycles,
    like_ticks,
    loudness_known,
    muted,
    proposed_marks,
    softest_db,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.recording import Recording
from verify.evidence.sound.gaps import MOST_GONE
from verify.evidence.sound.speed import SETTLE_GAPS, bad_share
from verify.evidence.sound.ticks import ABOVE_FLOOR_DB, Train
from verify.evidence.verdict import (
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
from verify.words import BEFORE, Verdict

LIMITS = Limits(None, LONGEST_TRAIN_S, "s", COMMON_PRACTICE)
LEAST_KEY_ONS = 2
LEAST_WATCHED_S = 6.0
# Ticks must stand as far above the noise as a click must to be found.
ABOVE_DB = ABOVE_FLOOR_DB
# One relay is as loud at every key-on, but for where a sample falls and what a telephone turns up
# or down; and single clicks come from anywhere (common practice, no source).
ALIKE_WITHIN_DB, STRAYS = 10.0, 3
HOW_TO_RECORD = (
    "record again: bonnet open, the telephone a forearm away from the throttle body, radio and "
    "fans off, nobody talking, doors shut; turn the key on, wait 15 s without starting, turn it "
    "off, wait 10 s, and do it once more"
)
SETTLE_GOES_ON = (
    "record again with blower and radio off, and wait 15 s before the key is turned off; if it "
    "goes on still, listen at the open bonnet whether it comes from the throttle body"
)


def run_key_on_ticking(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The longest run of clicks after any key-on against one second."""
    sounds = sounds_of(recordings)
    if not sounds:
        return check.result("channel-missing", "there is no sound of a key-on.")
    if not all(loudness_known(r) for _, r in sounds):
        return check.result("channel-missing", "how loud it was, in the clicks and below them, is "
                            "not known of the whole sound.")  # fmt: skip
    bad = [r for _, r in sounds if bad_share(r) > MOST_GONE]
    if bad:
        return check.result("has-gaps", f"{100 * bad_share(bad[0]):.0f} of 100 samples of the file "
                            "are no sound: what is heard between them is no proof.")  # fmt: skip
    cycles = [c for i, r in sounds for c in key_cycles(r, i)]
    if not cycles:
        marks = [t for _, r in sounds for t in proposed_marks(r)]
        may = f"; it may have been at {', '.join(f'{t:g} s' for t in marks[:6])}" if marks else ""
        return check.result("no-key-on", f"when the key was turned on is not told{may}.")
    before = [r for r in recordings if r.importer == "sound" and BEFORE in told_of(r)]
    softer, ticked = softest_db(before)
    windows = [Window(c.recording, c.at_s, c.at_s + c.seconds) for c in cycles]
    samples = sum(len(r.channels["click"].values) for _, r in sounds if "click" in r.channels)
    details = {
        "key_ons": [c.to_json() for c in cycles],
        "must_be_heard_below_key_db": softer,
        "ticked_before": ticked,
    }
    notes = []
    if ticked:
        notes.append(f"before, it ticked after {ticked} key-on{'s' if ticked > 1 else ''}: so soft "
                     "it would be heard here too")  # fmt: skip
    elif before:
        notes.append("in the sound from before no ticking is found; the key's own sounds are the "
                     "measure")  # fmt: skip

    def answer(finding: str, why: str, **more: Any) -> CheckResult:
        more = {"notes": notes if finding == "quiet" else notes[1:], **more}
        return check.result(finding, why, windows=windows, samples=samples, details=details, **more)

    judged = [c for c in cycles if c.train is not None]
    # Ticking counts before clicks of any other kind, though these may go on for longer.
    worst = max(judged, key=lambda c: (c.ticking and not c.clicks_anyway, c.seconds_of_train),
                default=None)  # fmt: skip
    m = p = None
    if worst is not None and worst.train is not None:
        train, m = worst.train, _length(worst.train)
        p = probability_of_conformity(m, LIMITS)
        verdict = decide(p, rule.pass_at, rule.fail_at)
        told = (
            f"{train.clicks} clicks in {train.seconds:.1f} s after the key-on at "
            f"{worst.at_s:g} s, {train.rate_hz:.0f} a second"
        )
        ticking = [c for c in judged if c.ticking]
        also = f"; it ticks at {len(ticking)} of {len(cycles)} key-ons"
        if verdict is not Verdict.PASS:
            if worst.clicks_anyway:
                return answer("clicks-anyway", f"{told}, but it clicks before the key-on too.")
            if not like_ticks(train):
                return answer("other-clicks", f"{told}, but as unevenly as rain, steps or talk.")
            if verdict is Verdict.FAIL and worst.ticking:
                return answer("ticking", f"{told}{also}.", measurement=m, limits=LIMITS,
                              probability=p)  # fmt: skip
            return answer("near-limit", f"{told}, too near {LONGEST_TRAIN_S:g} s to tell.",
                          measurement=m, limits=LIMITS, probability=p)  # fmt: skip
    lacking = _not_earned(cycles, dict(sounds), softer, ticked)
    if lacking is not None:
        return answer(*lacking)
    longest = 0.0 if worst is None else worst.seconds_of_train
    if m is None:
        # Not one run of clicks: none of any length, known to about the ring of a click.
        m = Measurement(0.0, "s", 0.01, Distribution.UNIFORM)
        p = probability_of_conformity(m, LIMITS)
    return answer(
        "quiet",
        f"no run of clicks longer than {LONGEST_TRAIN_S:g} s after {len(cycles)} key-ons (the "
        f"longest {longest:.1f} s), and one would have been heard.",
        measurement=m,
        limits=LIMITS,
        probability=p,
    )


def _not_earned(
    cycles: Sequence[KeyCycle], sounds: Mapping[int, Recording], softer_db: float, ticked: int
) -> tuple[str, str] | None:
    """(finding, why) of the first thing that a pass lacks, though no run of clicks is too long.

    softer_db, ticked: as softest_db says. In this order: enough key-ons, long enough; a file in
    which ticking would have been heard; and then that nothing is left which might be it: clicks in
    bursts or too seldom for a run, a hum.
    """
    if len(cycles) < LEAST_KEY_ONS:
        return "too-few-key-ons", f"one key-on is told of; {LEAST_KEY_ONS} are needed."
    short = min(cycles, key=lambda c: c.seconds)
    if short.seconds < LEAST_WATCHED_S:
        heard = f"after the key-on at {short.at_s:g} s only {short.seconds:.1f} s are heard"
        if short.started:
            heard += " before an engine or another low note"
        return "too-short", f"{heard}; {LEAST_WATCHED_S:.0f} s are needed."
    if any(muted(sounds[i]) for i in {c.recording for c in cycles}):
        return (
            "would-not-be-heard",
            "between the sounds the recording is silent or exactly even: the telephone takes out "
            "what is soft, and might take out ticking.",
        )
    return _deaf(cycles, softer_db, ticked) or _left_over(cycles)


def _deaf(cycles: Sequence[KeyCycle], softer_db: float, ticked: int) -> tuple[str, str] | None:
    """Why ticking would not have been heard; None where it would."""
    # What is loud at one key-on alone (a door, a cough) is no measure: the softest of a file is.
    own = {i: min(c.reference_db for c in cycles if c.recording == i)
           for i in {c.recording for c in cycles}}  # fmt: skip
    deaf = min(cycles, key=lambda c: own[c.recording] - c.floor_db)
    margin = own[deaf.recording] - deaf.floor_db
    if not margin >= softer_db + ABOVE_DB:
        rest = (
            f"the key's own sounds stand only {margin:.0f} dB above the noise, "
            f"{softer_db + ABOVE_DB:.0f} are needed"
            if own[deaf.recording] > NOTHING_DB
            else "nothing of the car is heard"
        )
        return "would-not-be-heard", f"at the key-on at {deaf.at_s:g} s {rest}."
    loud = max(cycles, key=lambda c: c.reference_db - own[c.recording])
    apart = loud.reference_db - own[loud.recording]
    if apart > ALIKE_WITHIN_DB:
        return (
            "would-not-be-heard",
            f"what is heard at the key-on at {loud.at_s:g} s is {apart:.0f} dB louder than at "
            "another, so one of them is not the car's own sound.",
        )
    bare = next((c for c in cycles if c.chirp_db is None), None)
    if bare is not None and not ticked:
        return (
            "would-not-be-heard",
            f"the throttle's own short test is not heard at the key-on at {bare.at_s:g} s, only "
            "single sounds, which may be anything; a sound from before with the ticking in it "
            "would be a measure too.",
        )
    return None


def _left_over(cycles: Sequence[KeyCycle]) -> tuple[str, str] | None:
    """What is heard besides and might be the throttle; None where there is nothing."""
    earlier = max(cycles, key=lambda c: c.earlier)
    if earlier.earlier > STRAYS:
        return (
            "clicks-anyway",
            f"there are {earlier.earlier} clicks in the 2 s before the key-on at "
            f"{earlier.at_s:g} s: was it turned on then, or does something else click?",
        )
    later = max(cycles, key=lambda c: (c.clicking_s > LONGEST_TRAIN_S, c.later))
    if later.later > STRAYS or later.clicking_s > LONGEST_TRAIN_S:
        return (
            "goes-on",
            f"no run of clicks is longer than {LONGEST_TRAIN_S:g} s, but after the key-on at "
            f"{later.at_s:g} s it goes on clicking: {later.later} clicks after the car's own "
            "sounds.",
        )
    humming = [c for c in cycles if c.goes_on is not None]
    if humming:
        worst = max(humming, key=lambda c: c.goes_on.seconds if c.goes_on else 0.0)
        sound = worst.goes_on
        assert sound is not None
        return (
            "goes-on",
            f"after the key-on at {worst.at_s:g} s a sound goes on for {sound.seconds:.1f} s, "
            f"{sound.rise_db:.0f} dB louder than it was before: a buzz, a pump, a fan or traffic.",
        )
    return None


def _length(train: Train) -> Measurement:
    """The first and the last click are heard; one more interval may belong to it at either end."""
    interval = max(train.interval_s, 0.004)
    return Measurement(
        train.seconds + 0.5 * interval,
        "s",
        interval / math.sqrt(12.0),
        Distribution.UNIFORM,
        samples=train.clicks,
    )


KEY_ON_TICKING = Check(
    name="key-on-ticking",
    version=5,
    question="Is the throttle quiet after key-on, but for its own test?",
    channels=("a sound of two key-ons without a start, and when they were",),
    quantity="the longest run of clicks within 12 s of a key-on: pauses up to 0.4 s, its rate and "
    "evenness; clicks and humming besides; and how far the car's own sounds at the key stand above "
    "the noise of the same file",
    limits=f"no run longer than {LONGEST_TRAIN_S:g} s at {LEAST_KEY_ONS} key-ons or more, where "
    f"one {SOFTER_DB:.0f} dB softer than the key's own sounds would have been heard, or half as "
    f"loud as before the repair where that was softer still; all runs together no longer, hardly a "
    f"click after the car's own sounds, and no hum longer than a fuel pump's ({COMMON_PRACTICE})",
    findings={
        "quiet": Verdict.PASS,
        "ticking": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "other-clicks": Verdict.UNDECIDED,
        "clicks-anyway": Verdict.UNDECIDED,
        "goes-on": Verdict.UNDECIDED,
        "would-not-be-heard": Verdict.UNDECIDED,
        "too-few-key-ons": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "no-key-on": Verdict.UNDECIDED,
        "has-gaps": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
    },
    run=run_key_on_ticking,
    settles={
        **dict.fromkeys(
            (
                *("near-limit", "other-clicks", "clicks-anyway", "would-not-be-heard"),
                *("too-few-key-ons", "too-short", "channel-missing"),
            ),
            HOW_TO_RECORD,
        ),
        "goes-on": SETTLE_GOES_ON,
        "has-gaps": SETTLE_GAPS,
        "no-key-on": "say when in the file the key was turned on, in seconds from its start",
    },
    look_alikes=(
        "the throttle's own test: one chirp of less than a second at key-on is sound",
        "the fuel pump: it hums for two or three seconds and does not click; what hums for longer "
        "is left open",
        "a clock, an indicator, an injector of another car: they click before the key-on too",
        "rain, steps, talk: as uneven as chance makes them",
    ),
    blind_spots=(
        f"ticking more than {SOFTER_DB:.0f} dB softer than the throttle's own test at the key-on",
        "a buzz of more than 80 clicks a second is a hum by then: one as short as a fuel pump's is "
        "not told from it, and one 50 dB softer than the key's own sounds is not heard",
        "dull knocks, all below 1 kHz, that are softer than the rumble of the place",
        "a telephone that takes steady or soft sounds out of a recording by itself: use the plain "
        "recorder",
        "ticking that comes only when cold, hot, or after a night: record it then",
        "which part ticks: a purge valve or a relay may do it too",
        "a sound proves what was played to the microphone: who signs says that it was this car",
    ),
)
