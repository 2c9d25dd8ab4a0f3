"""The plate after the key comes on: it tests itself once, then it must lie still.

The truth this check is held to: with the engine standing and the pedal untouched, the plate moves
by 2 % or more later than 2.5 s after the key came on. That is a bad car; one whose plate has come
to rest by then, and stays there as long as it is watched, is a good one.

The plate has come to rest with the first reading from which on all readings (the median of three,
so that a single wrong reading is none) stay within one band. The band for a fail is 2 % and a
step of the reading; the band for a pass is two steps, at least 1 %. The end of the last movement
lies between two readings, the key-on between two others: uniform over what both leave open.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from verify.evidence.checks.key_on import KeyOn, key_ons
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.slow_readings import channels_named, never_moves
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.spans import states
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
from verify.evidence.windows import missing_channel
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

LIMIT_S = 2.5
# 20 readings a second; a poll comes a little late now and then.
SLOWEST_S = 0.0525
MOVES_POINTS, STEPS, LEAST_POINTS = 2.0, 2.0, 1.0
STEP = 100.0 / 255.0  # PID 11 shows a byte over 0 to 100 %
# Watched so long after the key, and so long at rest, before a plate is said to rest.
LEAST_WATCH_S, LEAST_REST_S = 5.0, 1.5
# A self-test opens and closes the plate once or twice; more than this is hammering.
SELF_TEST_SWINGS, LATE_SWINGS = 2, 2

_LIMITS = Limits(None, LIMIT_S, "s", f"at rest within 2.5 s of the key: {COMMON_PRACTICE}")


@dataclass(frozen=True, slots=True)
class Watched:
    """What the plate did after one key-on. Times in seconds after it.

    sure, still: end of the last movement beyond the fail band, and beyond the pass band. rested_s:
    how long it was watched at rest after that. swings, late: openings in all, and those that began
    after 2.5 s; rate_hz: late swings a second (nan below two). hidden: 2 % cannot be seen.
    """

    key_on: KeyOn
    window: Window
    sure: Measurement
    still: Measurement
    rested_s: float
    seconds: float
    moved: bool
    swings: int
    late: int
    rate_hz: float
    samples: int
    hidden: bool


def _last_movement(
    times: Array, values: Array, band: float, key_on: KeyOn, skew_s: float
) -> tuple[Measurement, float]:
    """(when after the key-on the last movement beyond `band` ended, seconds at rest after it).

    Uniform over all that is open: between the last reading outside the band of the rest and the
    first inside, less the key-on at its latest and its earliest.
    """
    back = values[::-1]
    spread = (np.maximum.accumulate(back) - np.minimum.accumulate(back))[::-1]
    rests = int(np.argmax(spread < band)) if float(spread[-1]) < band else len(values) - 1
    before = times[rests - 1] if rests else key_on.from_s
    low = max(0.0, float(before) - skew_s - key_on.to_s)
    high = max(low + 1e-3, float(times[rests]) - key_on.from_s)
    measurement = Measurement(
        0.5 * (low + high),
        "s",
        (high - low) / math.sqrt(12.0),
        Distribution.UNIFORM,
        samples=len(values),
    )
    return measurement, float(times[-1] - times[rests])


def _smooth(values: Array) -> Array:
    """Median of three; the ends as they are."""
    if len(values) < 3:
        return values
    inner = np.median(np.stack([values[:-2], values[1:-1], values[2:]]), axis=0)
    found: Array = np.concatenate([values[:1], inner, values[-1:]])
    return found


def watch(throttle: Channel, key_on: KeyOn) -> Watched | None:
    """None where fewer than ten readings, or fewer than 20 a second, were taken after it."""
    # A reading that may be older than the key says nothing of the time after it.
    fresh = throttle.time_s >= key_on.to_s + throttle.skew_s
    inside = fresh & (throttle.time_s <= key_on.until_s)
    times, raw = throttle.time_s[inside], throttle.values[inside]
    if len(times) < 10 or float(np.median(np.diff(times))) > SLOWEST_S:
        return None
    values = _smooth(raw)
    step = max(STEP, throttle.resolution)
    band = max(STEPS * step, LEAST_POINTS)
    sure, _ = _last_movement(times, values, MOVES_POINTS + step, key_on, throttle.skew_s)
    still, rested_s = _last_movement(times, values, band, key_on, throttle.skew_s)
    moved = float(np.ptp(values)) >= band
    rises = _swings(times, values)
    late_from = key_on.to_s + LIMIT_S
    late = rises[rises > late_from]
    rate = (len(late) - 1) / float(late[-1] - late[0]) if len(late) > 1 else math.nan
    return Watched(
        key_on,
        Window(key_on.place, key_on.to_s, float(times[-1])),
        sure,
        still,
        rested_s,
        float(times[-1]) - key_on.to_s,
        moved,
        len(rises),
        len(late),
        rate,
        len(values),
        band > MOVES_POINTS,
    )


def _swings(times: Array, values: Array) -> Array:
    """When the plate swung open: past two thirds of its own range after it was below one third."""
    low, high = float(values.min()), float(values.max())
    if high - low < MOVES_POINTS:
        return np.empty(0)
    third = (high - low) / 3.0
    state = states(values >= high - third, values <= low + third)
    rises: Array = times[1:][(state[:-1] == 0) & (state[1:] == 1)]
    return rises


def run_key_on_rest(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Every key-on that is seen: one bad is a fail, a pass needs all that can be judged."""
    throttles = channels_named(recordings, "throttle")
    if not throttles:
        lack = missing_channel("throttle")
        return check.result("channel-missing", f"{lack.why}.", settle=lack.settle)
    if never_moves(throttles):
        return check.result(
            "frozen",
            "throttle reads the same number throughout: nothing shows that the reading is alive.",
        )
    if any(len(c.values) and not float(c.values.min()) >= -1.0 for c in throttles) or any(
        len(c.values) and float(c.values.max()) > 101.0 for c in throttles
    ):
        return check.result("implausible", "throttle reads below 0 or above 100 %.")
    found: list[Watched] = []
    lacking: list[KeyOn] = []
    slow = seen = 0
    for place, recording in enumerate(recordings):
        throttle = recording.channels.get("throttle")
        if throttle is None:
            continue
        for key_on in key_ons(recording, place):
            seen += 1
            watched = None if key_on.lack else watch(throttle, key_on)
            if watched is not None:
                found.append(watched)
            elif key_on.lack:
                lacking.append(key_on)
            else:
                slow += 1
    if not seen:
        return check.result(
            "no-key-on",
            "no recording shows the key being turned on; one that begins with the key on does not.",
        )
    if not found and lacking:
        return check.result(lacking[0].lack, f"{lacking[0].why}.", settle=lacking[0].settle)
    if not found:
        return check.result(
            "too-slow-to-tell",
            "throttle was read less than 20 times a second after the key came on, or hardly at "
            "all; a movement can fall between.",
        )
    return _answer(check, found, rule, slow + len(lacking))


def _answer(check: Check, found: Sequence[Watched], rule: Rule, unjudged: int) -> CheckResult:
    def p_of(m: Measurement) -> float:
        return probability_of_conformity(m, _LIMITS)

    def answer(finding: str, why: str, w: Watched, m: Measurement) -> CheckResult:
        notes = [f"{w.key_on.sign}; watched for {w.seconds:.1f} s"]
        if w.key_on.ended_by:
            notes.append(f"watched until {w.key_on.ended_by}")
        if unjudged:
            notes.append(f"{unjudged} more times the key came on could not be judged")
        return check.result(
            finding,
            why,
            measurement=m,
            limits=_LIMITS,
            probability=p_of(m),
            windows=[one.window for one in found],
            notes=notes,
            details={
                "swings": w.swings,
                "late_swings": w.late,
                "late_swings_hz": None if math.isnan(w.rate_hz) else w.rate_hz,
            },
        )

    worst = max(found, key=lambda w: w.sure.value)
    if decide(p_of(worst.sure), rule.pass_at, rule.fail_at) is Verdict.FAIL:
        last = f"{worst.sure.value:.1f} s after the key came on"
        if worst.late >= LATE_SWINGS and worst.swings > SELF_TEST_SWINGS:
            rate = "" if math.isnan(worst.rate_hz) else f", {worst.rate_hz:.1f} a second"
            return answer(
                "hammering",
                f"the plate swung {worst.swings} times{rate}, the last movement {last}.",
                worst,
                worst.sure,
            )
        return answer("keeps-moving", f"the plate still moved {last}.", worst, worst.sure)
    shortest = min(found, key=lambda w: min(w.seconds, w.rested_s))
    if shortest.seconds < LEAST_WATCH_S or shortest.rested_s < LEAST_REST_S:
        return answer(
            "too-short",
            f"the plate could be watched for {shortest.seconds:.1f} s only, the last "
            f"{shortest.rested_s:.1f} s of them at rest"
            + (f": {shortest.key_on.ended_by}." if shortest.key_on.ended_by else "."),
            shortest,
            shortest.still,
        )
    if any(w.hidden for w in found):
        return answer(
            "too-coarse", "throttle is read in steps too large to show a movement of 2 %.",
            worst, worst.still,
        )  # fmt: skip
    latest = max(found, key=lambda w: w.still.value)
    if decide(p_of(latest.still), rule.pass_at, rule.fail_at) is not Verdict.PASS:
        small = decide(p_of(latest.sure), rule.pass_at, rule.fail_at) is Verdict.PASS
        return answer(
            "small-movement" if small else "near-limit",
            f"the last movement{' of less than 2 %' if small else ''} ended "
            f"{latest.still.value:.1f} ± {2 * latest.still.uncertainty:.1f} s after the key "
            "came on.",
            latest,
            latest.still,
        )
    if not any(w.moved for w in found):
        return answer(
            "no-self-test",
            "the plate lay still all the time; it did not test itself, and not every car's does.",
            latest,
            latest.still,
        )
    return answer(
        "at-rest",
        f"the plate tested itself and lay still {latest.still.value:.1f} s after the key came on.",
        latest,
        latest.still,
    )


SETTLE_RECORD = (
    "start the recording with the key off, logging throttle, pedal and engine speed alone; turn "
    "the key on, wait 10 s without touching the pedal, then start the engine"
)
SETTLE_EAR = "or listen at the throttle body with the key on: one whirr, then silence"

KEY_ON_REST = Check(
    name="key-on-rest",
    version=1,
    question="Does the throttle come to rest after the key is turned on?",
    channels=(
        "throttle, 20 times a second",
        "pedal, pedal_d or pedal_e, once a second",
        "engine_speed, once a second",
        "module_voltage where it shows the key; else a long silence or the plate's own supply does",
    ),
    quantity="time from the key coming on (engine standing, pedal untouched) to the end of the "
    "plate's last movement, watched until the engine is started",
    limits=f"at rest within {LIMIT_S} s ({COMMON_PRACTICE}): fail on a movement of "
    f"{MOVES_POINTS:.0f} % later than that, pass where all later readings stay within two steps "
    f"(at least {LEAST_POINTS:.0f} %), watched for {LEAST_WATCH_S:.0f} s",
    findings={
        "at-rest": Verdict.PASS,
        "no-self-test": Verdict.PASS,
        "hammering": Verdict.FAIL,
        "keeps-moving": Verdict.FAIL,
        "small-movement": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "too-coarse": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "no-key-on": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
        "implausible": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
    },
    run=run_key_on_rest,
    settles={
        "small-movement": f"{SETTLE_RECORD}; {SETTLE_EAR}",
        "near-limit": f"{SETTLE_RECORD}; {SETTLE_EAR}",
        "too-short": "turn the key on and wait 10 s without touching the pedal before you start",
        "too-coarse": f"{SETTLE_EAR.removeprefix('or ')}",
        "too-slow-to-tell": f"log throttle, pedal and engine speed alone, {SETTLE_EAR}",
        "no-key-on": f"{SETTLE_RECORD}, {SETTLE_EAR}",
        "implausible": "check the unit of the throttle column and record again",
        "frozen": "record again and press the pedal once at the end, so that the plate must move",
    },
    look_alikes=(
        "the self-test: the plate opens and closes once or twice within a second or two",
        "the pedal, the engine's start and an idle relearn move the plate rightly: watching ends "
        "where the pedal or the engine moves",
        "a single wrong reading: the median of three leaves it out",
    ),
    blind_spots=(
        "a tremble of less than 2 %, or faster than the readings can show: listen",
        "a relearn that the maker's procedure runs at key-on may take longer than 2.5 s: record "
        "again once it is done",
        "a plate that does not test itself passes as well: the question is rest",
    ),
)
