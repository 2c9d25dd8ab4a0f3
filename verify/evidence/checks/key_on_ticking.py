"""Ticking or buzzing clicks for seconds after key-on: the first thing heard of a failing throttle.

Not hearing is proof only where it would have been heard. So a pass needs, at every key-on, a sound
of the car itself (the relay, the throttle's own short test) well above the file's noise, and noise
that does not rise afterwards; else it stays open. How far above: so far that ticking 12 dB softer
than that sound would stand out, and where a sound from before the repair has the ticking, ticking
softer by half than it was there. All levels are compared within one file: another telephone, or
another place for it, changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from verify.evidence.checks.ear import BEFORE, sounds_of, span_of, told_of
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.recording import Recording
from verify.evidence.sound.ticks import ABOVE_FLOOR_DB, Train, trains
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
from verify.words import Verdict

LONGEST_TRAIN_S = 1.0
LIMITS = Limits(None, LONGEST_TRAIN_S, "s", COMMON_PRACTICE)
LEAST_KEY_ONS = 2
# How long after the key a failing throttle ticks at most before somebody starts the engine.
WATCHED_S, LEAST_WATCHED_S = 12.0, 6.0
BEFORE_S = 2.0
# A person marks the key-on to about half a second.
MARK_S = 0.5
# The car's own sounds come within this of the key; ticks this much softer than they must still be
# heard, as far above the noise as a click must be to be found (common practice, no source).
OWN_WITHIN_S, SOFTER_DB = 3.0, 12.0
ABOVE_DB = ABOVE_FLOOR_DB
# Ticking from before may come back this much softer and must still be heard.
SOFTER_AGAIN_DB = 6.0
# A click further below the car's own sounds than this is none of the throttle's.
FAINTEST_DB = 30.0
NOISY_SHARE = 0.1
PROPOSED_DB = 14.0
LEAST_TICKS, LEAST_EVEN = 6, 0.6
SLOWEST_HZ, FASTEST_HZ = 3.0, 80.0
NOTHING_DB = -200.0
# No microphone's noise is the same to a millionth from one half second to the next, nor so low.
ALIKE_DB, MUTED_DB, MUTED_SHARE = 1e-6, -110.0, 0.2
# An engine that runs, and how long it may have been cranked before (common practice, no source).
RUNNING_DB, BELOW_CLICKS_DB, RUNNING_FRAMES, CRANKING_S = 10.0, 12.0, 15, 3.0
HOW_TO_RECORD = (
    "record again: bonnet open, the telephone a forearm away from the throttle body, radio and "
    "fans off, nobody talking, doors shut; turn the key on, wait 12 s without starting, turn it "
    "off, wait 10 s, and do it once more"
)


@dataclass(frozen=True, slots=True)
class KeyCycle:
    """One key-on. train: the longest run of clicks after it, None where there is none.
    own_db: the loudest sound of the car at the key; floor_db: the noise after it, 0.9 of the time
    below; seconds: how long it was listened to; before_hz: clicks a second before the key;
    ticks_db: loudness of the clicks of the train, the median of them."""

    recording: int
    at_s: float
    seconds: float
    train: Train | None
    own_db: float
    floor_db: float
    before_hz: float
    ticks_db: float = NOTHING_DB

    @property
    def margin_db(self) -> float:
        """How far the car's own sounds stand above the noise."""
        return self.own_db - self.floor_db

    @property
    def seconds_of_train(self) -> float:
        return 0.0 if self.train is None else self.train.seconds

    @property
    def clicks_anyway(self) -> bool:
        """Whether it clicks before the key is turned, about as often."""
        return self.train is not None and self.before_hz >= 0.5 * self.train.rate_hz

    @property
    def ticking(self) -> bool:
        """Whether the train is a throttle's, by its rate and evenness, and too long."""
        t = self.train
        return t is not None and _ticks(t) and t.seconds > LONGEST_TRAIN_S

    def to_json(self) -> dict[str, Any]:
        t = self.train
        return {
            "recording": self.recording,
            "at_s": self.at_s,
            "seconds": self.seconds,
            "heard_above_noise_db": self.margin_db if self.own_db > NOTHING_DB else None,
            "train": None
            if t is None
            else {
                "start_s": t.start_s, "seconds": t.seconds, "clicks": t.clicks,
                "rate_hz": t.rate_hz, "even": t.even,
            },
        }  # fmt: skip


def key_cycles(recording: Recording, place: int = 0) -> list[KeyCycle]:
    """What is heard at each key-on that was told of."""
    marks, clicks = recording.channels.get("key_on"), recording.channels.get("click")
    floor = recording.channels.get("click_floor")
    if marks is None or floor is None:
        return []
    upto = span_of(recording)[1]
    told = marks.time_s[(marks.values == 1.0) & (marks.time_s < upto)]
    times = clicks.time_s if clicks is not None else np.zeros(0)
    levels = clicks.values if clicks is not None else np.zeros(0)
    found = []
    for number, at in enumerate(told.tolist()):
        following = float(told[number + 1]) - MARK_S if number + 1 < len(told) else math.inf
        end = min(at + WATCHED_S, following, upto)
        started = engine_starts(recording, at, end)
        if started is not None:
            end = max(at, started - CRANKING_S)
        quiet = floor.values[(floor.time_s > at + MARK_S) & (floor.time_s < end)]
        noise = float(np.percentile(quiet, 100.0 * (1.0 - NOISY_SHARE))) if len(quiet) else 0.0
        near = (times >= at - MARK_S) & (times <= at + OWN_WITHIN_S)
        own = float(levels[near].max()) if near.any() else NOTHING_DB
        earlier = (times >= at - MARK_S - BEFORE_S) & (times < at - MARK_S)
        loud = (times >= at - MARK_S) & (times <= end) & (levels >= own - FAINTEST_DB)
        longest = max(trains(times[loud]), key=lambda t: t.seconds, default=None)
        ticks = NOTHING_DB
        if longest is not None:
            within = loud & (times >= longest.start_s) & (times <= longest.end_s)
            ticks = float(np.median(levels[within]))
        span = max(0.1, min(BEFORE_S, at - MARK_S - span_of(recording)[0]))
        clicks_hz = float(np.count_nonzero(earlier)) / span
        found.append(KeyCycle(place, at, max(0.0, end - at), longest, own, noise, clicks_hz, ticks))
    return found


def engine_starts(recording: Recording, at_s: float, end_s: float) -> float | None:
    """When an engine is heard to run within (at_s, end_s]: its valves click as evenly as a throttle
    that ticks. A note that goes on, and a low band clearly louder than before the key was turned
    and not far softer than the clicks themselves, as clicks alone leave it. None where there is
    none."""
    note, level = recording.channels.get("note"), recording.channels.get("sound_level")
    clicks = recording.channels.get("click")
    if note is None or level is None or not len(level.values):
        return None
    times = note.time_s[(note.time_s > at_s) & (note.time_s <= end_s)]
    earlier = level.values[(level.time_s > at_s - 4.0) & (level.time_s < at_s - MARK_S)]
    quiet = float(np.median(earlier)) if len(earlier) else float(np.min(level.values))
    least = quiet + RUNNING_DB
    if clicks is not None:
        within = clicks.values[(clicks.time_s > at_s) & (clicks.time_s <= end_s)]
        least = max(least, float(np.median(within)) - BELOW_CLICKS_DB) if len(within) else least
    loud = times[np.interp(times, level.time_s, level.values) >= least]
    return float(loud[0]) if len(loud) >= RUNNING_FRAMES else None


def softest_db(before: Sequence[Recording]) -> tuple[float, int]:
    """(how much softer than the key ticking must still be heard, key-ons it ticks at before)."""
    ticking = [c for r in before for c in key_cycles(r) if c.ticking]
    below = [c.own_db - c.ticks_db + SOFTER_AGAIN_DB for c in ticking]
    return max([SOFTER_DB, *below]), len(ticking)


def proposed_marks(recording: Recording) -> list[float]:
    """When the key may have been turned: a loud click after 3 s of quiet. Only ever a proposal."""
    clicks, floor = recording.channels.get("click"), recording.channels.get("click_floor")
    if clicks is None or floor is None or not len(clicks.values):
        return []
    level = np.interp(clicks.time_s, floor.time_s, floor.values)
    loud = clicks.time_s[clicks.values - level >= PROPOSED_DB]
    first = loud[np.diff(loud, prepend=-10.0) >= 3.0]
    return [round(float(t), 1) for t in first[:20]]


def run_key_on_ticking(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The longest run of clicks after any key-on against one second."""
    sounds = sounds_of(recordings)
    if not sounds:
        return check.result("channel-missing", "there is no sound of a key-on.")
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
            if not _ticks(train):
                return answer("other-clicks", f"{told}, but as unevenly as rain, steps or talk.")
            if verdict is Verdict.FAIL:
                return answer("ticking", f"{told}{also}.", measurement=m, limits=LIMITS,
                              probability=p)  # fmt: skip
            return answer("near-limit", f"{told}, too near {LONGEST_TRAIN_S:g} s to tell.",
                          measurement=m, limits=LIMITS, probability=p)  # fmt: skip
    if len(cycles) < LEAST_KEY_ONS:
        return answer("too-few-key-ons", f"one key-on is told of; {LEAST_KEY_ONS} are needed.")
    short = [c for c in cycles if c.seconds < LEAST_WATCHED_S]
    if short:
        return answer(
            "too-short",
            f"after the key-on at {short[0].at_s:g} s only {short[0].seconds:.1f} s are heard; "
            f"{LEAST_WATCHED_S:.0f} s are needed.",
        )
    # What is loud at one key-on alone (a door, a cough) is no measure: the softest of a file is.
    own = {i: min(c.own_db for c in cycles if c.recording == i) for i, _ in sounds
           if any(c.recording == i for c in cycles)}  # fmt: skip
    muted = next((r for _, r in sounds if _muted(r)), None)
    if muted is not None:
        return answer(
            "would-not-be-heard",
            "between the sounds the recording is silent or exactly even: the telephone takes out "
            "what is soft, and might take out ticking.",
        )
    deaf = min(cycles, key=lambda c: own[c.recording] - c.floor_db)
    margin = own[deaf.recording] - deaf.floor_db
    if not margin >= softer + ABOVE_DB:
        rest = (
            f"the key's own sounds stand only {margin:.0f} dB above the noise, "
            f"{softer + ABOVE_DB:.0f} are needed"
            if own[deaf.recording] > NOTHING_DB
            else "nothing of the car is heard"
        )
        return answer("would-not-be-heard", f"at the key-on at {deaf.at_s:g} s {rest}.")
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


def _muted(recording: Recording) -> bool:
    """Whether a telephone's noise gate, or the lowest step of the file, hides the quiet."""
    floor = recording.channels.get("click_floor")
    if floor is None or len(floor.values) < 4:
        return True
    alike = np.abs(np.diff(floor.values)) < ALIKE_DB
    return bool(np.mean(alike) > MUTED_SHARE or np.mean(floor.values <= MUTED_DB) > MUTED_SHARE)


def _ticks(train: Train) -> bool:
    return (
        train.clicks >= LEAST_TICKS
        and train.even >= LEAST_EVEN
        and SLOWEST_HZ <= train.rate_hz <= FASTEST_HZ
    )


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
    version=1,
    question="Is the throttle quiet after key-on, but for its own test?",
    channels=("a sound of two key-ons without a start, and when they were",),
    quantity="the longest run of clicks within 12 s of a key-on: pauses up to 0.4 s, its rate and "
    "evenness, and how far the car's own sounds at the key stand above the noise of the same file",
    limits=f"no run longer than {LONGEST_TRAIN_S:g} s at {LEAST_KEY_ONS} key-ons or more, where "
    f"one {SOFTER_DB:.0f} dB softer than the key's own sounds would have been heard, or half as "
    f"loud as before the repair where that was softer still ({COMMON_PRACTICE})",
    findings={
        "quiet": Verdict.PASS,
        "ticking": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "other-clicks": Verdict.UNDECIDED,
        "clicks-anyway": Verdict.UNDECIDED,
        "would-not-be-heard": Verdict.UNDECIDED,
        "too-few-key-ons": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "no-key-on": Verdict.UNDECIDED,
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
        "no-key-on": "say when in the file the key was turned on, in seconds from its start",
    },
    look_alikes=(
        "the throttle's own test: one chirp of less than a second at key-on is sound",
        "the fuel pump: it hums for two seconds and does not click",
        "a clock, an indicator, an injector of another car: they click before the key-on too",
        "rain, steps, talk: as uneven as chance makes them",
    ),
    blind_spots=(
        f"ticking more than {SOFTER_DB:.0f} dB softer than the loudest sound at the key-on",
        "a buzz of more than 80 clicks a second: it is a hum by then",
        "a telephone that takes steady sounds out of a recording by itself: use the plain recorder",
        "ticking that comes only when cold, hot, or after a night: record it then",
        "which part ticks: a purge valve or a relay may do it too",
    ),
)
