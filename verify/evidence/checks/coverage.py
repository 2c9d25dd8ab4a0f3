"""Whether a drive was what the law calls adequate for the car's own monitors to be counted, and
what of the trade's road test was in it.

The general denominator of 13 CCR 1968.2 (d)(4.3.2)(B) (figures from memory): in one driving cycle
600 s since engine start, 300 s at 25 mph or more, one unbroken idle of 30 s at 1 mph or less with
the pedal released, below 8,000 ft and at 20 °F or more. It judges the drive and not the car.

Rule of counting: a reading stands for the time from the one before it to itself; the first of a
run for one second at most, so that slow readings claim no more than they show. Whole-number speeds
count only where the number itself reaches 25 mph (41 km/h), whichever way it was rounded.

The verdict rests on the law's part alone, as its numbers bind; the trade's items
(`coverage_trade`) are common practice, depend on the road at hand and on channels that are often
not read. They are a second result: each item stands in the notes and details as seen, not seen or
assumed, and the pass is called `met-in-full` only where every one of them was seen, so that a flow
that wants the trade's test too can branch on it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.checks.counted import Counted, Truths
from verify.evidence.checks.coverage_trade import Item, complete, road_test, told
from verify.evidence.checks.kind import Check
from verify.evidence.driven import stale_speed
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.verdict import (
    CheckResult,
    Distribution,
    Measurement,
    Rule,
    Window,
    least_uncertainty,
)
from verify.evidence.windows import (
    CRANKING_RPM,
    FAST_CAP_S,
    TEMPERATURE_CAP_S,
    hold_onto,
    released,
    too_slow,
)
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

SINCE_START_S, AT_SPEED_S, IDLE_S = 600.0, 300.0, 30.0
MILE_KM = 1.609344
AT_SPEED_KMH, IDLE_KMH = 25.0 * MILE_KM, 1.0 * MILE_KM
HIGHEST_M, COLDEST_C = 2438.4, -20.0 / 3.0
# The standard atmosphere has 75.3 kPa at 8,000 ft; weather moves that by some 3 kPa.
LOW_GROUND_KPA = 79.0
SAME_DRIVE_S, START_STOP_S = 60.0, 120.0
# Sums of many steps are good to about this.
MARGIN_S = 1e-9


@dataclass(frozen=True, slots=True)
class Drive:
    """One driving cycle. Seconds; met_at_s on the recording's clock, None while not met."""

    window: Window
    since_start_s: float
    at_speed_s: float
    longest_idle_s: float
    met_at_s: float | None
    assumed: tuple[str, ...]
    samples: int
    step_s: float

    @property
    def done(self) -> float:
        """How much of it is there, 0 to 3: to choose the best of several."""
        parts = (self.since_start_s / SINCE_START_S, self.at_speed_s / AT_SPEED_S,
                 self.longest_idle_s / IDLE_S)  # fmt: skip
        return sum(min(1.0, p) for p in parts)


@dataclass(frozen=True, slots=True)
class _Shown:
    """For each reading of the speed, whether a condition held; what had to be assumed."""

    at_speed: Truths
    idle: Truths
    assumed: tuple[str, ...]


def _at(channel: Channel, time_s: Array, cap_s: float) -> Array:
    return hold_onto(channel, time_s, sp.longest_step_s(channel, cap_s))


def _shown(recording: Recording, speed: Channel) -> _Shown:
    times, values = speed.time_s, speed.values
    assumed: list[str] = []
    counts = np.ones(len(times), dtype=np.bool_)
    outside = recording.channels.get("ambient")
    if outside is not None and len(outside.values) >= 2:
        counts &= _at(outside, times, TEMPERATURE_CAP_S) >= COLDEST_C
    else:
        assumed.append("outside temperature of −6.7 °C (20 °F) or more")
    height, pressure = recording.channels.get("altitude"), recording.channels.get("baro")
    if height is not None and len(height.values) >= 2:
        counts &= _at(height, times, TEMPERATURE_CAP_S) < HIGHEST_M
    elif pressure is not None and len(pressure.values) >= 2:
        counts &= _at(pressure, times, TEMPERATURE_CAP_S) >= LOW_GROUND_KPA
    else:
        assumed.append("altitude below 2,438 m (8,000 ft)")
    slow = (values <= IDLE_KMH) & (values >= -IDLE_KMH)
    # Few are left for the full condition, which looks at both sides of a coarse step.
    near = values[slow]
    slow[slow] = (near == 0.0) | (np.abs(near) + speed.resolution <= IDLE_KMH)
    engine = recording.channels.get("engine_speed")
    if engine is not None and len(engine.values) >= 2:
        slow &= _at(engine, times, FAST_CAP_S) >= CRANKING_RPM
    else:
        assumed.append("engine running throughout")
    foot = released(recording)
    if foot.lack:
        assumed.append("pedal released while standing")
    else:
        slow &= sp.inside(times, foot.spans)
    counts &= ~sp.inside(times, stale_speed(recording))
    return _Shown(counts & (values >= AT_SPEED_KMH), counts & slow, tuple(assumed))


def drives(place: int, recording: Recording) -> list[Drive]:
    """The driving cycles of a recording that has a usable vehicle speed."""
    speed = recording.channels["vehicle_speed"]
    times = speed.time_s
    shown = _shown(recording, speed)
    step = sp.since_last_s(times)
    joined = np.concatenate(
        [[False], sp.linked(times, sp.longest_step_s(speed, FAST_CAP_S), recording.gaps)]
    )
    loose = np.flatnonzero(~joined)
    apart = loose[step[loose] > SAME_DRIVE_S]
    starts = np.unique(np.concatenate([[0], apart, _restarts(recording, times)]))
    found = []
    for a, b in zip(starts.tolist(), [*starts[1:].tolist(), len(times)], strict=True):
        if b - a < 2:
            continue
        part = slice(a, b)
        unseen = ~joined[part]
        at_speed = Counted.of(shown.at_speed[part], step[part], unseen)
        idle = Counted.of(shown.idle[part], step[part], unseen)
        started_s, noted = _started(recording, times[part])
        assumed = (*shown.assumed, *noted)
        if bool(unseen[1:].any()):
            assumed = (*assumed, "the drive went on through the gaps of the recording")
        found.append(
            _drive(place, times[part], started_s, at_speed, idle, assumed, speed.interval_s)
        )
    return found


def _drive(
    place: int,
    times: Array,
    started_s: float | None,
    at_speed: Counted,
    idle: Counted,
    assumed: tuple[str, ...],
    interval_s: float,
) -> Drive:
    longest_s, idled = idle.longest(IDLE_S - MARGIN_S)
    driven = at_speed.reached(AT_SPEED_S - MARGIN_S)
    lasted_s, met_at_s = 0.0, None
    if started_s is not None:
        lasted_s = max(0.0, float(times[-1]) - started_s)
        if idled is not None and driven is not None and lasted_s >= SINCE_START_S - MARGIN_S:
            long_enough = _first_after(times, started_s, SINCE_START_S - MARGIN_S)
            met_at_s = float(times[max(idled, driven, long_enough)])
    return Drive(
        Window(place, float(times[0]), float(times[-1])),
        lasted_s,
        at_speed.seconds,
        longest_s,
        met_at_s,
        assumed,
        len(times),
        interval_s,
    )


def _restarts(recording: Recording, times: Array) -> NDArray[np.intp]:
    """Readings with which a new driving cycle begins: the engine came back after longer than
    start-stop would leave it off."""
    engine = recording.channels.get("engine_speed")
    if engine is None or len(engine.values) < 2:
        return np.empty(0, dtype=np.intp)
    starts, ends = sp.runs_of(engine.values >= CRANKING_RPM)
    away = engine.time_s[starts[1:]] - engine.time_s[ends[:-1] - 1] > START_STOP_S
    # Nothing was read for as long, between two readings of a running engine.
    pause = np.flatnonzero(sp.steps_s(engine.time_s) > START_STOP_S) + 1
    pause = pause[
        (engine.values[pause] >= CRANKING_RPM) & (engine.values[pause - 1] >= CRANKING_RPM)
    ]
    back = np.searchsorted(times, engine.time_s[np.concatenate([starts[1:][away], pause])])
    within: NDArray[np.intp] = back[back < len(times)]
    return within


def _first_after(times: Array, from_s: float, seconds: float) -> int:
    """The first reading whose time less `from_s` is no less than `seconds`; there is one."""
    place = min(int(np.searchsorted(times, from_s + seconds)), len(times) - 1)
    # The sum and the difference may round differently.
    while place > 0 and times[place - 1] - from_s >= seconds:
        place -= 1
    while times[place] - from_s < seconds:
        place += 1
    return place


def _started(recording: Recording, times: Array) -> tuple[float | None, tuple[str, ...]]:
    """When the engine was started, no earlier than is shown; None where it never ran."""
    begin = float(times[0])
    noted: tuple[str, ...] = ()
    engine = recording.channels.get("engine_speed")
    if engine is not None and len(engine.values) >= 2:
        part = _between(engine, times[0], times[-1])
        own, runs = engine.time_s[part], engine.values[part] >= CRANKING_RPM
        if not bool(runs.any()):
            return None, ()
        begin = float(own[int(np.argmax(runs))])
        if not bool(runs[int(np.argmax(runs)) :].all()):
            noted = ("stops of the engine of up to 120 s were start-stop",)
    clock = recording.channels.get("run_time")
    if clock is not None and len(clock.values) >= 2:
        part = _between(clock, begin, times[-1])
        if part.start < part.stop:
            at, value = float(clock.time_s[part.start]), float(clock.values[part.start])
            begin = min(begin, at - value)
    return begin, noted


def _between(channel: Channel, from_s: float, to_s: float) -> slice:
    """The readings of a channel from one time to another, both included."""
    return slice(
        int(np.searchsorted(channel.time_s, from_s, side="left")),
        int(np.searchsorted(channel.time_s, to_s, side="right")),
    )


def run_road_coverage(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], _rule: Rule
) -> CheckResult:
    """The best driving cycle of all recordings against the law's adequate drive."""
    found: list[Drive] = []
    lack, why = "channel-missing", "the recording has no vehicle speed channel"
    excluded: list[str] = []
    for place, recording in enumerate(recordings):
        speed = recording.channels.get("vehicle_speed")
        if speed is None or len(speed.values) < 2:
            continue
        if too_slow(speed, FAST_CAP_S):
            lack, why = "too-slow-to-tell", f"vehicle speed was read every {speed.interval_s:.3g} s"
            continue
        excluded.append(_excluded(recording))
        found += drives(place, recording)
    if not found:
        return check.result(lack, f"{why}.", details={"met_at_s": None, "assumed": []})
    met = [d for d in found if d.met_at_s is not None]
    tests = {id(d): _road_test(recordings, d) for d in met}
    best = max(met, key=lambda d: complete(tests[id(d)])) if met else max(found, key=_done)
    items = tests[id(best)] if met else _road_test(recordings, best)
    details = {
        "met_at_s": best.met_at_s,
        "since_start_s": best.since_start_s,
        "at_25_mph_s": best.at_speed_s,
        "longest_idle_s": best.longest_idle_s,
        "assumed": list(best.assumed),
        "road_test": [item.to_json() for item in items],
    }
    notes = [
        "it judges the drive, not the car",
        *(f"assumed: {a}" for a in best.assumed),
        *told(items),
    ]
    common = (best.window,)
    if best.met_at_s is not None:
        step = Measurement(
            best.met_at_s,
            "s",
            max(least_uncertainty(best.step_s), 1e-6),
            Distribution.UNIFORM,
            samples=best.samples,
        )
        full = complete(items)
        also = "; the trade's road test was in it" if full else ""
        return check.result(
            "met-in-full" if full else "met",
            f"the law's adequate drive was complete at {best.met_at_s:.0f} s: 600 s since the "
            f"start, 300 s at 25 mph (40 km/h) or more, one idle of 30 s{also}.",
            measurement=step,
            windows=common,
            notes=notes,
            details=details,
        )
    if all(excluded):
        return check.result(
            "excluded",
            excluded[0],
            windows=common,
            samples=best.samples,
            notes=notes,
            details=details,
        )
    still = _still_to_do(best)
    return check.result(
        "not-yet",
        f"{best.since_start_s:.0f} s since the start (600 needed), {best.at_speed_s:.0f} s at "
        f"25 mph (40 km/h) or more (300), longest idle {best.longest_idle_s:.0f} s (30).",
        settle=f"in one drive without switching off: {still}",
        windows=common,
        samples=best.samples,
        notes=notes,
        details=details,
    )


def _done(drive: Drive) -> float:
    return drive.done


def _road_test(recordings: Sequence[Recording], drive: Drive) -> tuple[Item, ...]:
    window = drive.window
    return road_test(recordings[window.recording], window.start_s, window.end_s)


def _still_to_do(drive: Drive) -> str:
    parts = []
    if drive.since_start_s < SINCE_START_S:
        parts.append("run the engine 10 min in all")
    if drive.at_speed_s < AT_SPEED_S:
        parts.append("drive 5 min in all at 25 mph (41 km/h) or more")
    if drive.longest_idle_s < IDLE_S:
        parts.append("let it idle 30 s standing, foot off the pedal")
    return "; ".join(parts) or "do all three parts again under the law's conditions"


def _excluded(recording: Recording) -> str:
    """A sentence where the law shuts out the whole drive, by what was recorded."""
    outside, height = recording.channels.get("ambient"), recording.channels.get("altitude")
    if outside is not None and len(outside.values) >= 2:
        warmest = float(outside.values.max())
        if warmest + outside.resolution < COLDEST_C:
            return (
                f"it never was warmer than {warmest:.0f} °C outside; the law counts no drive below "
                "−6.7 °C (20 °F)."
            )
    if height is not None and len(height.values) >= 2:
        lowest = float(height.values.min())
        if lowest - height.resolution >= HIGHEST_M:
            return (
                f"the drive never came below {lowest:.0f} m; the law counts none above 2,438 m "
                "(8,000 ft)."
            )
    return ""


ROAD_COVERAGE = Check(
    name="road-coverage",
    version=4,
    question="Was the drive enough for the car's monitors and a road test?",
    channels=(
        "vehicle_speed",
        "where recorded: engine_speed, pedal, load, coolant, ambient, altitude, run_time",
    ),
    quantity="seconds since engine start, seconds at 25 mph or more, longest unbroken idle, in one "
    "driving cycle; beside it the items of the road test: take-offs, seconds of cruise, closed-"
    "pedal coast, firm acceleration, stop, warm idle after",
    limits="600 s, 300 s, 30 s; at −6.7 °C or more, below 2,438 m (13 CCR 1968.2 (d)(4.3.2)(B), "
    "figures from memory); road test: 3 take-offs, 5 min at 60 to 100 km/h in stretches of 30 s or "
    "more, a coast of 5 s, 20 km/h gained within 8 s with the pedal half down, a stop, 30 s of "
    "warm idle after the cruise (common practice)",
    findings={
        "met-in-full": Verdict.PASS,
        "met": Verdict.PASS,
        # Of the day and the place, which speak neither for nor against the car.
        "excluded": Verdict.UNDECIDED,
        "not-yet": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
    },
    run=run_road_coverage,
    settles={
        "excluded": "drive again on a day of −6.7 °C (20 °F) or more, below 2,438 m (8,000 ft)",
        "channel-missing": "record vehicle speed",
        "too-slow-to-tell": "record vehicle speed at least once a second",
    },
    look_alikes=(
        "a pause of start-stop: the driving cycle goes on; a long stop begins a new one",
        "two drives: their seconds are not added up",
        "idling with a pressed pedal, and time in the cold or on a mountain: not counted",
        "a gap in the recording: no driving is counted in it, nor while vehicle speed stands still "
        "and engine speed does not",
    ),
    blind_spots=(
        "conditions that were not recorded are assumed, and listed",
        "whether the road was clear and the acceleration lawful: nobody is asked to be unlawful",
    ),
)
