"""Whether the drive came back to the conditions in which the code was stored.

The freeze frame's numbers come as specs. Similar conditions are those of `verify/car/freeze_frame`
(13 CCR 1968.2, from memory): engine speed within 375 rpm, load within 20 percentage points, same
warm-up state (coolant at least 71.1 °C, or below it); ends included. "Within 20 %" is read as
points of the load scale, not as a fifth of the stored load: makers' texts that print 10 % mean
points too, and at the light loads of most frames a fifth would be narrower than the readings are.
The law's text and makers' texts of 2003 to 2006 disagree (20 against 10), so the load window is a
setting (`frame_load_window`), never wider than 20.

Truth, for whoever holds the check to it: the seconds in which the true engine speed, load and
coolant all lie inside; `met` must never be said where these are fewer than 10. Time counts from the
first reading that lies inside to the last, for each channel alone, and only between linked
readings; then where all three hold at once. That counts low: a stretch begins and ends somewhere
between two readings. Its doubt is that of two such borders (a step of the slowest channel, evenly
spread) and of two readings that may each be up to `skew_s` old; `met` is said where 10 s are sure
enough with it. What a stretch hides between two of its readings is not seen: therefore each must
be read at least every 2 s.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from verify.car.freeze_frame import (
    COLD_IDLE_MOST_RPM,
    LOAD_WINDOW_PCT,
    RPM_WINDOW,
    WARM_C,
    WARM_IDLE_MOST_RPM,
    FreezeFrame,
    Revisit,
    propose,
)
from verify.evidence import spans as sp
from verify.evidence.checks.kind import Check, spec_number
from verify.evidence.checks.slow_readings import never_moves
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    least_uncertainty,
    probability_of_conformity,
)
from verify.evidence.windows import CRANKING_RPM, TEMPERATURE_CAP_S, frozen
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

LEAST_S = 10.0
# Load and engine speed change within a second or two; slower readings say nothing of the between.
SLOWEST_S, LINK_CAP_S = 2.0, 4.0
# A load told in steps of a byte or finer that reads the same for so long was not read anew.
STILL_READINGS, STILL_S, FINE_STEP, FULL_PCT = 10, 15.0, 0.5, 99.0
# Proposals name no more than this: a car may be driven anywhere.
LAWFUL_KMH = 130.0
# What the parameters can carry (SAE J1979 / ISO 15031-5); beyond is a slip of the pen. The load
# window is never wider than the law's, or it would pass what is not similar.
PLAUSIBLE: Mapping[str, tuple[float, float, str, str]] = {
    "frame_engine_speed": (0.0, 10_000.0, "rpm", "an engine speed of a freeze frame"),
    "frame_load": (0.0, 100.0, "%", "a load of a freeze frame"),
    "frame_coolant": (-40.0, 215.0, "°C", "a coolant temperature of a freeze frame"),
    "frame_vehicle_speed": (0.0, 255.0, "km/h", "a road speed of a freeze frame"),
    "frame_load_window": (1.0, LOAD_WINDOW_PCT, "%", "a load window"),
    "frame_other_code": (0.0, 1.0, "1", "yes (1) or no (0)"),
}
NEEDED = ("frame_engine_speed", "frame_load", "frame_coolant")
CHANNELS = ("engine_speed", "load", "coolant")
_SOURCE = (
    "freeze frame: {source}; engine speed ± 375 rpm, load ± {window:g} points, same warm-up state: "
    "13 CCR 1968.2, from memory; 10 s in all: common practice"
)


@dataclass(frozen=True, slots=True)
class _Frame:
    rpm: float
    load: float
    coolant: float
    speed: float | None
    window: float

    @property
    def stored(self) -> FreezeFrame:
        return FreezeFrame("", self.speed, self.rpm, self.load, self.coolant)

    @property
    def warm(self) -> bool:
        return self.coolant >= WARM_C

    @property
    def idle(self) -> bool:
        """At idle, or perhaps: without the road speed an idle's engine speed is taken for one."""
        most = WARM_IDLE_MOST_RPM if self.warm else COLD_IDLE_MOST_RPM
        return self.rpm <= most and (self.speed is None or self.speed == 0.0)


def similar_spans(
    recording: Recording, rpm: float, load: float, warm: bool, window: float
) -> Array:
    """Where a recording that has all three channels shows the conditions; shape (k, 2), seconds."""
    engine = recording.channels["engine_speed"].values
    holds: dict[str, NDArray[np.bool_]] = {
        # A frame near idle reaches down to an engine that stands, and that is no running engine.
        "engine_speed": (np.abs(engine - rpm) <= RPM_WINDOW) & (engine >= CRANKING_RPM),
        "load": np.abs(recording.channels["load"].values - load) <= window,
        "coolant": (recording.channels["coolant"].values >= WARM_C) == warm,
    }
    found: Array | None = None
    for name, true in holds.items():
        channel = recording.channels[name]
        cap_s = TEMPERATURE_CAP_S if name == "coolant" else LINK_CAP_S
        longest_s = sp.longest_step_s(channel, cap_s)
        own = sp.true_spans(channel.time_s, true, longest_s, recording.gaps)
        if name == "engine_speed":
            own = sp.without(own, frozen(channel))
        elif name == "load":
            own = sp.without(own, still_load(channel))
        found = own if found is None else sp.intersect(found, own)
    assert found is not None
    return found


def still_load(channel: Channel) -> Array:
    """Stretches, shape (k, 2), in which a finely told load is one reading repeated. An engine that
    drives holds no load to the last step for so long (common practice, no source)."""
    if len(channel.values) < STILL_READINGS or not channel.resolution <= FINE_STEP:
        return sp.EMPTY
    first, last = sp.runs_of(channel.values[1:] == channel.values[:-1])
    runs = np.column_stack([channel.time_s[first], channel.time_s[last]])
    # Full load is where the reading ends, and stays there.
    long = (last - first + 1 >= STILL_READINGS) & (channel.values[first] < FULL_PCT)
    return runs[long & (runs[:, 1] - runs[:, 0] >= STILL_S)]


def run_same_conditions(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Seconds of all recordings in the frame's conditions against 10 s."""
    frame = _read_frame(check, specs)
    if isinstance(frame, CheckResult):
        return frame
    lack, windows, readings, variance, step_s, still_s = None, [], 0, 0.0, 0.0, 0.0
    for place, recording in enumerate(recordings):
        wrong = _lack(recording)
        if wrong is not None:
            lack = lack or wrong
            continue
        spans = similar_spans(recording, frame.rpm, frame.load, frame.warm, frame.window)
        still_s += sp.total_s(still_load(recording.channels["load"]))
        own_variance, own_step = _doubt(recording)
        variance += own_variance * len(spans)
        step_s = max(step_s, own_step if len(spans) else 0.0)
        windows += [Window(place, start, end) for start, end in spans.tolist()]
        readings += int(np.count_nonzero(sp.inside(recording.channels["load"].time_s, spans)))
    seconds = float(sum(w.seconds for w in windows))
    measurement = None
    if windows:
        doubt = max(math.sqrt(variance), least_uncertainty(step_s), 1e-6)
        measurement = Measurement(seconds, "s", doubt, samples=readings, resolution=step_s)
    limits = Limits(
        LEAST_S, None, "s",
        _SOURCE.format(window=frame.window, source=specs["frame_engine_speed"].source),
    )  # fmt: skip
    proposal = propose(frame.stored, speed_limit_kmh=LAWFUL_KMH, load_window_pct=frame.window)
    details = {
        "seconds": seconds,
        "longest_s": max((w.seconds for w in windows), default=0.0),
        "needed_s": LEAST_S,
        "frame": {
            "engine_speed": frame.rpm, "load": frame.load, "coolant": frame.coolant,
            "vehicle_speed": frame.speed, "warm": frame.warm, "load_window": frame.window,
        },
        "proposal": {"kind": proposal.kind.value, "words": proposal.words},
    }  # fmt: skip
    state = "warm" if frame.warm else "cold"
    where = (
        f"{max(frame.rpm - RPM_WINDOW, 0):.0f} to {frame.rpm + RPM_WINDOW:.0f} rpm, load "
        f"{max(frame.load - frame.window, 0):.0f} to {min(frame.load + frame.window, 100):.0f} %, "
        f"{state}"
    )
    notes = [f"load within {frame.window:g} points of the frame's {frame.load:.0f} %"]
    if still_s > 0.0:
        notes.append(f"load stood still to the last step for {still_s:.0f} s: not counted")
    if frame.speed is None:
        notes.append("the frame's road speed was not given")

    def answer(
        finding: str, why: str, settle: str = "", probability: float | None = None
    ) -> CheckResult:
        return check.result(
            finding,
            why,
            settle=settle,
            measurement=measurement,
            limits=limits,
            probability=probability,
            windows=windows,
            samples=readings,
            notes=[*notes, *proposal.cautions],
            details=details,
        )

    if frame.idle:
        spent = f"; this recording spent {seconds:.0f} s in those conditions" if windows else ""
        return answer(
            "no-drive-can",
            f"the frame was stored at idle ({frame.rpm:.0f} rpm), and no drive goes back to an "
            f"idle{spent}.",
            "let it idle standing, "
            + ("warm" if frame.warm else "from a cold start")
            + ", 60 s, foot off the pedal, and put that recording to idle-speed, idle-steady and "
            "no-stall; then read the codes again"
            + ("" if frame.speed is not None else "; if the car moved, give frame_vehicle_speed"),
        )
    p = 0.0 if measurement is None else probability_of_conformity(measurement, limits)
    if decide(p, rule.pass_at, rule.fail_at) is Verdict.PASS:
        return answer("met", f"{seconds:.0f} s in the frame's conditions ({where}).", probability=p)
    if lack is not None and not windows:
        return check.result(
            lack[0], f"{lack[1]}.", settle=lack[2], limits=limits, notes=notes, details=details
        )
    more = f"at least {LEAST_S:.0f} s in all"
    if proposal.kind is Revisit.NONE:
        # Too fast for any road, or the road speed is not known: the window itself says what to do.
        way = f"drive so that the engine runs at {where}, {more}, where law and road allow it"
    elif proposal.kind is Revisit.STAND:
        way = f"{proposal.words}, {more}"
    else:
        way = f"{proposal.words}, {more}, and record engine speed, load and coolant"
    return answer(
        "not-met",
        f"{seconds:.1f} s in the frame's conditions ({where}); {LEAST_S:.0f} s are needed.",
        way[0].lower() + way[1:],
    )


def _doubt(recording: Recording) -> tuple[float, float]:
    """(variance of one stretch's seconds, the slowest step): two borders, and two ages."""
    quick = [recording.channels[name] for name in ("engine_speed", "load")]
    step_s = max(c.interval_s for c in quick)
    age_s = max(c.skew_s for c in quick)
    return (step_s**2 + age_s**2) / 6.0, step_s


def _read_frame(check: Check, specs: Mapping[str, SpecValue]) -> _Frame | CheckResult:
    """The frame from its specs, or what is said where it cannot be used."""
    numbers: dict[str, float] = {}
    for name, (low, high, unit, what) in PLAUSIBLE.items():
        number = spec_number(specs, name, unit)
        if number is None:
            continue
        if not low <= number <= high:
            return check.result(
                "spec-implausible",
                f"{name} is {number:g} {unit}; {what} lies between {low:g} and {high:g} {unit}.",
            )
        numbers[name] = number
    if numbers.get("frame_other_code", 0.0) > 0.0:
        return check.result(
            "no-drive-can",
            "the freeze frame was stored by another code: what the engine did when this one was "
            "set is not known, so no drive can be shown to go back there.",
            settle="ask when it happened, drive as the customer describes it, and read this "
            "code's own monitor and the codes again",
        )
    rpm = numbers.get("frame_engine_speed")
    if rpm == 0.0:
        return check.result(
            "no-drive-can",
            "the engine was not running when the code was stored (0 rpm): no drive goes back "
            "there.",
            settle="switch the key on, engine off, wait, then start, and read the codes again",
        )
    missing = [n for n in NEEDED if n not in numbers]
    if missing or rpm is None:
        return check.result(
            "no-frame",
            f"not known of the freeze frame: {', '.join(missing)}.",
        )
    return _Frame(
        rpm,
        numbers["frame_load"],
        numbers["frame_coolant"],
        numbers.get("frame_vehicle_speed"),
        numbers.get("frame_load_window", LOAD_WINDOW_PCT),
    )


def _lack(recording: Recording) -> tuple[str, str, str] | None:
    """(finding, why, settle) where a channel cannot serve, None where all three can."""
    for name in CHANNELS:
        channel = recording.channels.get(name)
        if channel is None or len(channel.values) < 2:
            return (
                "channel-missing",
                f"the recording has no {_words(name)} to speak of",
                f"record {_words(name)} as well" + _LOAD if name == "load" else
                f"record {_words(name)} as well",
            )  # fmt: skip
        if name == "load" and never_moves([channel]):
            why = "load reads one and the same number throughout, which no drive does"
            return "frozen", why, "record again, with load read anew each time" + _LOAD
        if not channel.interval_s <= (TEMPERATURE_CAP_S if name == "coolant" else SLOWEST_S):
            return ("too-slow-to-tell", _slow(channel), _FEWER)
    return None


_LOAD = " (calculated load, parameter 04): air flow or pressure cannot stand in for it"
_FEWER = "record engine speed, load and coolant only, so that each is read at least every 2 s"


def _words(name: str) -> str:
    return name.replace("_", " ")


def _slow(channel: Channel) -> str:
    return f"{_words(channel.name)} was read once every {channel.interval_s:.3g} s"


SAME_CONDITIONS = Check(
    name="same-conditions",
    version=2,
    question="Did the drive come back to the conditions of the stored code?",
    channels=CHANNELS,
    quantity="seconds in all, from the first to the last linked reading of each stretch, in which "
    "engine speed, load and warm-up state are those of the freeze frame",
    limits=f"at least {LEAST_S:.0f} s within {RPM_WINDOW:.0f} rpm, {LOAD_WINDOW_PCT:.0f} points of "
    "load (10 in makers' texts: set frame_load_window) and on the same side of 71.1 °C coolant "
    "(13 CCR 1968.2, from memory)",
    findings={
        "met": Verdict.PASS,
        "not-met": Verdict.UNDECIDED,
        "no-drive-can": Verdict.UNDECIDED,
        "no-frame": Verdict.UNDECIDED,
        "spec-implausible": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
    },
    run=run_same_conditions,
    specs=NEEDED,
    uses=tuple(PLAUSIBLE),
    settles={
        "no-frame": "read the freeze frame of the code and give its engine speed, load and coolant "
        "temperature (and road speed); they were cleared with the codes, so look in the notes",
        "spec-implausible": "read the freeze frame again and give the number as it stands there",
    },
    look_alikes=(
        "an idle or a frame at 0 rpm: no drive goes back to it, and none is asked for",
        "a frame of another code: tell it with frame_other_code = 1",
        "a value repeated without a refresh: engine speed or load that stands still is no time in "
        "the conditions",
    ),
    blind_spots=(
        "whether the fault could show in those conditions at all: the frame tells when the code "
        "was stored, not when the fault began",
        "outside temperature, height, fuel and the load of accessories",
        "what happened between two readings of a stretch",
    ),
)
