"""Freedom from stalls: what this recording shows, and how much a clean one proves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.engine_stops import engine_stops
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.recording import Array, Recording
from verify.evidence.stretches import reduced
from verify.evidence.verdict import CheckResult, Limits, Rule, Window
from verify.evidence.windows import (
    CRANKING_RPM,
    FAST_CAP_S,
    HIGHEST_RPM,
    PEDAL_REST_AT_MOST,
    THROTTLE_REST_AT_MOST,
    at_rest,
    frozen,
    idling,
    released,
    rest_level,
    running,
)
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

EVENT_S = 1.0
# A poll once a second comes a few hundredths late now and then; no engine restarts in that time.
SHOWS_S = 1.05
# A poll later than that may miss a stall of just 1 s, and shows it with the chance of 1 s over the
# step. Up to this step what was watched counts by that chance.
LATEST_S = 1.25
LEAST_IDLE_S, LEAST_LIFT_OFFS = 60.0, 3
PRESSED_POINTS = 5.0
AFTER_LIFT_OFF_S = 3.0
NEAR_GAP_S = 3.0


@dataclass(frozen=True, slots=True)
class Exposure:
    """Where a stall of one second would have shown. lack, why, settle: as `windows.Idle`.

    idle_s, lift_offs: each second and each lift-off counts by the chance that it would have shown.
    """

    idle: Array
    idle_s: float
    lift_offs: float
    lack: str = ""
    why: str = ""
    settle: str = ""


def exposure(recording: Recording) -> Exposure:
    """Idle time and lift-offs of one recording during which a stall of 1 s would have been seen.

    An idle that a gap breaks gives nothing: what happened in the gap belongs to it.
    """
    idle = idling(recording)
    if idle.lack in ("channel-missing", "too-slow-to-tell", "frozen"):
        return Exposure(sp.EMPTY, 0.0, 0.0, idle.lack, idle.why, idle.settle)
    seen = _seen(recording)
    channel = recording.channels["engine_speed"]
    if not channel.interval_s <= SHOWS_S:
        return Exposure(
            sp.EMPTY,
            0.0,
            0.0,
            "too-slow-to-tell",
            f"engine speed was read once every {channel.interval_s:.2g} s; a stall of "
            f"{EVENT_S:.0f} s can fall between",
            "record fewer channels, so that engine speed is read at least once a second",
        )
    usable = sp.intersect(_unbroken(idle.spans, recording), seen)
    return Exposure(usable, _shown_s(channel.time_s, usable), _lift_offs(recording, seen))


def _chance(step_s: Array) -> Array:
    """That a stall of EVENT_S shows in readings so far apart, wherever it falls between them."""
    return np.where(step_s <= SHOWS_S, 1.0, EVENT_S / np.maximum(step_s, EVENT_S))


def _shown_s(time_s: Array, spans: Array) -> float:
    """Seconds of the spans, each by its chance; spans begin and end anywhere within a step."""
    if len(time_s) < 2 or not len(spans):
        return 0.0
    step = sp.steps_s(time_s)
    if not (step <= SHOWS_S).all():
        step = step * _chance(step)
    upto = np.concatenate([[0.0], np.cumsum(step)])
    return float(np.sum(np.diff(np.interp(spans, time_s, upto), axis=1)))


def _seen(recording: Recording) -> Array:
    """Where engine speed is really read at least once a second, whatever it reads."""
    channel = recording.channels["engine_speed"]
    sane = channel.values <= HIGHEST_RPM
    dense = sp.true_spans(channel.time_s, sane, LATEST_S, recording.gaps)
    return sp.without(dense, frozen(channel))


def _unbroken(spans: Array, recording: Recording) -> Array:
    """Without the spans that end at a gap or begin after one."""
    channel = recording.channels["engine_speed"]
    good = sp.linked(channel.time_s, sp.longest_step_s(channel, FAST_CAP_S), recording.gaps)
    bad = np.flatnonzero(~good)
    # The recording's own gaps too: one that runs to the end has no reading after it.
    told = np.asarray(recording.gaps, dtype=np.float64).reshape(-1, 2)
    begin = np.sort(np.concatenate([channel.time_s[bad], told[:, 0]]))
    end = np.sort(np.concatenate([channel.time_s[bad + 1], told[:, 1]]))
    if not len(spans) or not begin.size:
        return spans
    # The next gap that begins after the span's start, and the last one that ended before its end.
    ahead = np.searchsorted(begin, spans[:, 1] - NEAR_GAP_S, side="left")
    to_gap = np.append(begin, np.inf)[ahead] - spans[:, 1]
    behind = np.searchsorted(end, spans[:, 0] + NEAR_GAP_S, side="right")
    from_gap = spans[:, 0] - np.insert(end, 0, -np.inf)[behind]
    clear: Array = spans[(to_gap > NEAR_GAP_S) & (from_gap > NEAR_GAP_S)]
    return clear


def _lift_offs(recording: Recording, seen: Array) -> float:
    """Times the pedal went from pressed to rest with the engine running and 3 s to watch it, each
    by the least chance that a stall had to show in them."""
    names = [n for n in PEDAL_REST_AT_MOST if n in recording.channels]
    if not names and released(recording).lack:
        return 0.0
    name = names[0] if names else "throttle"
    pedal = recording.channels[name]
    level = rest_level(pedal, PEDAL_REST_AT_MOST.get(name, THROTTLE_REST_AT_MOST))
    engine = running(recording).spans
    if level is None or len(pedal.values) < 2 or not len(seen) or not len(engine):
        return 0.0
    resting = at_rest(pedal, level)
    state = sp.states((pedal.values >= level + PRESSED_POINTS) & ~resting, resting)
    good = sp.linked(pedal.time_s, sp.longest_step_s(pedal, FAST_CAP_S), recording.gaps)
    falls = np.flatnonzero((state[:-1] == 1) & (state[1:] == 0) & good)
    from_s, to_s = pedal.time_s[falls], pedal.time_s[falls + 1]
    place = np.searchsorted(seen[:, 0], from_s, side="right") - 1
    watched = (place >= 0) & (seen[np.maximum(place, 0), 1] >= to_s + AFTER_LIFT_OFF_S)
    good = watched & sp.inside(from_s, engine)
    time_s = recording.channels["engine_speed"].time_s
    first = np.searchsorted(time_s, from_s[good], side="right") - 1
    last = np.searchsorted(time_s, to_s[good] + AFTER_LIFT_OFF_S, side="left")
    first, last = np.maximum(first, 0), np.minimum(last, len(time_s) - 1)
    first, last = first[last > first], last[last > first]
    # The longest step has the least chance.
    least = _chance(reduced(np.maximum, sp.steps_s(time_s), first, last))
    found: float = sum(least.tolist())
    return found


def run_no_stall(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], _rule: Rule
) -> CheckResult:
    """Any stall seen is a fail; none seen passes only over enough idle and lift-offs."""
    stops = engine_stops(recordings)
    exposures = [exposure(r) for r in recordings]
    idle_s = sum(e.idle_s for e in exposures)
    lift_offs = sum(e.lift_offs for e in exposures)
    windows = [
        Window(place, start, end)
        for place, own in enumerate(exposures)
        for start, end in own.idle.tolist()
    ]
    stalls = [s for s in stops if s.kind == "stall"]
    unclear = [s for s in stops if s.kind == "open"]
    start_stops = sum(1 for s in stops if s.kind == "start-stop")
    bound = 1.0 - 0.05 ** (1.0 / lift_offs) if lift_offs else None
    notes = [_proven(idle_s, lift_offs)]
    if start_stops:
        notes.append(f"start-stop switched the engine off {start_stops} times; not counted")
    details = {
        "exposure": {"idle_s": idle_s, "lift_offs": lift_offs, "stall_share_below": bound},
        "events": [
            {"kind": s.kind, "recording": s.recording, "at_s": s.at_s, "why": s.why} for s in stops
        ],
    }

    def answer(finding: str, why: str, settle: str = "", count: int | None = None) -> CheckResult:
        return check.result(
            finding,
            why,
            settle=settle,
            count=count,
            limits=_LIMITS,
            windows=windows,
            samples=sum(
                len(r.channels["engine_speed"].values)
                for r in recordings
                if "engine_speed" in r.channels
            ),
            notes=notes,
            details=details,
        )

    if stalls:
        first = stalls[0]
        return answer("stalled", f"{first.why} (at {first.at_s:.0f} s).", count=len(stalls))
    if unclear:
        first = unclear[0]
        return answer("stop-unclear", f"{first.why} (at {first.at_s:.0f} s).")
    # Sums of many steps are good to about a microsecond.
    enough = idle_s >= LEAST_IDLE_S - 1e-6 and lift_offs >= LEAST_LIFT_OFFS - 1e-6
    lacking = next((e for e in exposures if e.lack), None)
    if not enough and lacking is not None:
        return answer(lacking.lack, f"{lacking.why}.", lacking.settle)
    if not enough:
        return answer(
            "too-little-seen",
            f"no stall, but only {idle_s:.0f} s of idle and {lift_offs:.2g} lift-offs in which one "
            f"would have shown; {LEAST_IDLE_S:.0f} s and {LEAST_LIFT_OFFS} are needed.",
        )
    return answer(
        "none-seen",
        f"no stall in {idle_s:.0f} s of idle and {lift_offs:.3g} lift-offs.",
        count=0,
    )


def _proven(idle_s: float, lift_offs: float) -> str:
    """The second result: what a clean recording says of a rare fault, one-sided at 95 %."""
    if not lift_offs:
        return "no lift-off was seen, so nothing is said about stalling on lift-off"
    share = 100.0 * (1.0 - 0.05 ** (1.0 / lift_offs))
    text = f"if none is seen, a stall in up to {share:.0f} of 100 lift-offs is still possible"
    if idle_s >= LEAST_IDLE_S - 1e-6:
        # Poisson: none in T leaves a rate of up to −ln(0.05)/T, which is 3.0/T.
        text += f", and one every {idle_s / 3.0:.0f} s of idle"
    return f"{text} (one-sided, 95 %)"


_LIMITS = Limits(None, 0.0, "1", "freedom from events: any stall that is seen is a fail")

NO_STALL = Check(
    name="no-stall",
    version=4,
    question="Does the engine keep running at idle and after letting go?",
    channels=(
        "engine_speed",
        "vehicle_speed",
        "pedal, pedal_d or pedal_e (or a throttle shown to follow the pedal)",
    ),
    quantity=f"times engine speed falls below cranking speed ({CRANKING_RPM:.0f} rpm) while the "
    "engine should run",
    limits=f"none seen, read at least once a second, over {LEAST_IDLE_S:.0f} s of idle and "
    f"{LEAST_LIFT_OFFS} lift-offs ({COMMON_PRACTICE}); where a reading comes up to {LATEST_S:g} s "
    "after the last, what was watched counts by the chance of a stall to show",
    findings={
        "none-seen": Verdict.PASS,
        "stalled": Verdict.FAIL,
        "stop-unclear": Verdict.UNDECIDED,
        "too-little-seen": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
    },
    run=run_no_stall,
    settles={
        "stop-unclear": "record again with start-stop switched off and the key left on: 60 s of "
        "idle, then press and let go of the pedal five times",
        "too-little-seen": "record more: 60 s of idle, and press and let go of the pedal five "
        "times, 5 s each",
    },
    look_alikes=(
        "the key turned off: the idle ends at once, the engine does not come back, and its "
        "computer is silent soon after; where it is read for 10 s more, it stays open",
        "start-stop: it stops an engine out of a steady idle within 10 s of coming to rest, twice "
        "or more, and at more standstills than the engine idles on at",
        "a hybrid whose engine rests while the car moves: three such stops or more stay open",
        "one reading of 0 between sound ones: a drop-out of the data, open and no stall",
        "an engine speed that is one reading repeated: left out as frozen",
    ),
    blind_spots=(
        "a stall in a gap of the recording, or after it ended",
        "a stall soon after coming to rest that looks like start-stop because the idle was steady "
        "before it, at most standstills",
        "a stall out of a steady idle after which nothing is read for long: it looks like the key",
    ),
)
