"""Whether the cooling system reaches its temperature and holds it.

The truth this check is held to: the temperature the coolant regulates to with the engine running
and the car driven, as a mean over the time after warm-up. A car is bad where that lies outside
80 to 105 °C (or the vehicle's own `warm_coolant` and `coolant_most`).

Running time is cut into blocks of 2 min. Warm-up is over with the first block that is followed by
no clear rise and is either warm already or comes after 15 min of running with 8 min of driving;
all running time from there on counts. An engine that is still getting warmer is never judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.checks.slow_readings import (
    channels_named,
    implausible_spec,
    level,
    never_moves,
)
from verify.evidence.checks.warming import (
    BLOCK_S,
    DRIVING_KMH,
    LONG_DRIVE_S,
    LONG_RUN_S,
    RISES_K,
    Stretch,
    stretches,
    weights_s,
)
from verify.evidence.recording import Channel, Recording
from verify.evidence.usual import POSSIBLE
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    probability_of_conformity,
)
from verify.evidence.windows import TEMPERATURE_CAP_S, WARM_TO_C, missing_channel, too_slow
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

WARM_C, HOT_C = 80.0, 105.0
# Held: so long after warm-up, and so much of it at a speed at which the radiator gets air.
LEAST_HELD_S, LEAST_ROAD_S, ROAD_KMH = 300.0, 180.0, 40.0
# A thermostat stuck open takes a while to show: the first of the road is left out.
ROAD_SETTLES_S = 120.0
END_S = 180.0
# Boiling is near: a fail whatever the mean. The first minutes are left out: a hot engine that
# stood is hottest just after it is started again.
BOILS_FROM_C, BOILS_S, SOAK_S = WARM_TO_C, 30.0, 120.0
# So long at it is no stray reading, and no pass.
HOT_AT_ALL_S = 3.0
# In harder frost a sound engine may stay cold.
FROST_C = -10.0
STEP_C = 1.0  # PID 05 shows whole degrees
SENSOR_C = 150.0  # above it no coolant is read but a broken wire

_RANGES = {name: POSSIBLE[name] for name in ("warm_coolant", "coolant_most", "ambient")}


def outside_c(recordings: Sequence[Recording], specs: Mapping[str, SpecValue]) -> float | None:
    """The lowest temperature outside: typed, recorded, or the coolest air drawn in (it is never
    cooler than the air outside, and little warmer on the road). None where nothing tells."""
    typed = spec_number(specs, "ambient", "°C")
    if typed is not None:
        return typed
    for name in ("ambient", "intake_air"):
        lowest = [float(c.values.min()) for c in channels_named(recordings, name) if len(c.values)]
        if lowest:
            return min(lowest)
    return None


@dataclass(frozen=True, slots=True)
class _Held:
    """What was held after warm-up, over all stretches: the whole, on the road, and at the end."""

    whole: Measurement | None
    road: Measurement | None
    end: Measurement | None
    held_s: float
    road_s: float
    windows: tuple[Window, ...]


def _held(found: Sequence[Stretch], channels: Sequence[Channel]) -> _Held:
    step = max([STEP_C, *(min(c.resolution, 5.0) for c in channels)])
    whole, road, windows = [], [], []
    held_s = road_s = 0.0
    end: Measurement | None = None
    for s, channel in zip(found, channels, strict=True):
        if not s.regulated.any():
            continue
        weights = weights_s(s.clock_s, channel)
        # The clock only runs on: what is regulated is all from one reading on.
        first = int(np.argmax(s.regulated))
        fast = first + np.flatnonzero(s.speed_kmh[first:] >= ROAD_KMH)
        driven = np.cumsum(weights[fast])
        fast = fast[np.searchsorted(driven, ROAD_SETTLES_S, side="right") :]
        whole.append(s.values[first:])
        if len(fast):
            road.append(s.values[fast])
        held_s += float(weights[first:].sum())
        road_s += float(weights[fast].sum())
        windows.append(Window(s.place, float(s.time_s[first]), float(s.time_s[-1])))
        late = max(first, int(np.searchsorted(s.clock_s, s.ran_s - END_S, side="left")))
        end = level([s.values[late:]], "°C", step)
    return _Held(
        level(whole, "°C", step), level(road, "°C", step), end, held_s, road_s, tuple(windows)
    )


def _boils(found: Sequence[Stretch], lasts_s: float) -> Window | None:
    """So long at 115 °C or above, after the first 2 min of running."""
    for s in found:
        hot = (s.values >= BOILS_FROM_C) & (s.clock_s >= SOAK_S)
        for start, end in sp.true_spans(s.time_s, hot, TEMPERATURE_CAP_S, ()).tolist():
            if end - start >= lasts_s:
                return Window(s.place, start, end)
    return None


def run_warm_up(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The regulated coolant temperature against the limits, on the road and in all."""
    wrong = implausible_spec(check, specs, _RANGES) or _not_readable(check, recordings)
    if wrong is not None:
        return wrong
    limits = _limits(specs)
    assert limits.lower is not None
    found: list[Stretch] = []
    for place, recording in enumerate(recordings):
        coolant = recording.channels.get("coolant")
        if coolant is not None and not too_slow(coolant, TEMPERATURE_CAP_S):
            found += stretches(recording, place, limits.lower)
    if not found:
        return check.result("no-running", "no recording shows coolant with the engine running.")
    boils = _boils(found, BOILS_S)
    if boils is not None:
        return check.result(
            "overheats",
            f"the coolant stood at {BOILS_FROM_C:.0f} °C or more for {boils.seconds:.0f} s.",
            windows=(boils,),
            limits=limits,
        )
    kept = _held(found, [recordings[s.place].channels["coolant"] for s in found])
    outside = outside_c(recordings, specs)
    notes = _notes(found, kept, outside)
    return _answer(check, found, kept, limits, outside, rule, notes)


def _not_readable(check: Check, recordings: Sequence[Recording]) -> CheckResult | None:
    coolants = channels_named(recordings, "coolant")
    for name in ("coolant", "engine_speed"):
        if not any(name in r.channels for r in recordings):
            lack = missing_channel(name)
            return check.result("channel-missing", f"{lack.why}.", settle=lack.settle)
    if all(too_slow(c, TEMPERATURE_CAP_S) for c in coolants):
        return check.result("too-slow-to-tell", "coolant was read less than once a minute.")
    if any(len(c.values) and float(c.values.max()) > SENSOR_C for c in coolants):
        return check.result(
            "implausible", f"coolant reads above {SENSOR_C:.0f} °C, which is no coolant but a wire."
        )
    if never_moves(coolants):
        return check.result(
            "frozen", "coolant reads the same number throughout: nothing shows that it is alive."
        )
    return None


def _limits(specs: Mapping[str, SpecValue]) -> Limits:
    low, high = spec_number(specs, "warm_coolant", "°C"), spec_number(specs, "coolant_most", "°C")
    words = [
        f"{name}: {COMMON_PRACTICE if own is None else specs[key].source}"
        for name, key, own in (
            ("from", "warm_coolant", low),
            ("to", "coolant_most", high),
        )
    ]
    return Limits(
        WARM_C if low is None else low, HOT_C if high is None else high, "°C", "; ".join(words)
    )


def _notes(found: Sequence[Stretch], kept: _Held, outside: float | None) -> list[str]:
    ran = sum(s.ran_s for s in found)
    notes = [
        f"the engine ran {ran / 60:.0f} min, {sum(s.driven_s for s in found) / 60:.0f} min of them "
        f"at {DRIVING_KMH:.0f} km/h or more"
    ]
    if kept.whole is not None:
        notes.append(
            f"after warm-up {kept.held_s / 60:.0f} min, {kept.road_s / 60:.0f} min of them at "
            f"{ROAD_KMH:.0f} km/h or more"
        )
    notes.append(
        "the temperature outside is not known" if outside is None
        else f"outside {outside:.0f} °C at the lowest"
    )  # fmt: skip
    return notes


def _answer(
    check: Check,
    found: Sequence[Stretch],
    kept: _Held,
    limits: Limits,
    outside: float | None,
    rule: Rule,
    notes: Sequence[str],
) -> CheckResult:
    assert limits.lower is not None
    assert limits.upper is not None
    shown, band = kept.whole, f"{limits.lower:.0f} to {limits.upper:.0f} °C"
    p = math.nan if shown is None else probability_of_conformity(shown, limits)

    def answer(finding: str, why: str, settle: str = "") -> CheckResult:
        return check.result(
            finding,
            why,
            settle=settle,
            measurement=shown,
            limits=limits if shown else None,
            probability=p if shown else None,
            windows=kept.windows,
            notes=notes,
        )

    if shown is None:
        return answer(*_warming(found, limits.lower))
    number = f"{shown.value:.0f} ± {2 * shown.uncertainty:.1f} °C (k = 2)"
    low_only = Limits(limits.lower, None, "°C", limits.source)
    on_road = 1.0 if kept.road is None else probability_of_conformity(kept.road, low_only)
    fails = decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL
    enough = kept.held_s >= LEAST_HELD_S
    if fails and enough and shown.value > limits.upper:
        return answer("overheats", f"the engine regulates to {number}, above {band}.")
    falls = kept.road_s >= LEAST_HELD_S and decide(
        on_road, rule.pass_at, rule.fail_at
    ) is Verdict.FAIL  # fmt: skip
    if falls or (fails and enough):
        if outside is None:
            return answer("ambient-unknown", f"the engine stays at {number}, below {band}.")
        if outside < FROST_C:
            return answer("frost", f"the engine stays at {number}, below {band}, in hard frost.")
        if any(s.slope_k > 0.5 * RISES_K and s.regulated.any() for s in found):
            return answer("still-warming", f"the engine is at {number} and still getting warmer.")
        if fails and not any(s.values.max() >= limits.lower for s in found):
            return answer("too-cold", f"the engine gets no warmer than {number}; {band} is usual.")
        road = shown if kept.road is None else kept.road
        return answer(
            "falls-on-the-road",
            f"the engine got warm and fell to {road.value:.0f} °C on the road; {band} is usual.",
        )
    if not enough:
        return answer(
            "too-short",
            f"only {kept.held_s / 60:.1f} min after warm-up were recorded; "
            f"{LEAST_HELD_S / 60:.0f} are needed.",
        )
    if all(bool(np.isnan(s.speed_kmh).all()) for s in found):
        return answer(
            "channel-missing",
            f"the engine regulates to {number}, but vehicle speed is not recorded, and a "
            "thermostat stuck open shows on the road.",
            "record vehicle speed as well",
        )
    if kept.road_s < LEAST_ROAD_S:
        return answer(
            "not-driven",
            f"the engine regulates to {number}, but a thermostat stuck open shows on the road.",
        )
    ends = 0.0 if kept.end is None else probability_of_conformity(kept.end, limits)
    hot = _boils(found, HOT_AT_ALL_S)
    if hot is not None:
        return answer(
            "near-limit",
            f"the engine regulates to {number}, but the coolant stood at {BOILS_FROM_C:.0f} °C or "
            f"more for {hot.seconds:.0f} s.",
        )
    if all(decide(q, rule.pass_at, rule.fail_at) is Verdict.PASS for q in (p, on_road, ends)):
        return answer("regulates", f"the engine regulates to {number}, within {band}.")
    return answer("near-limit", f"the engine regulates to {number}, too near an end of {band}.")


def _warming(found: Sequence[Stretch], lower: float) -> tuple[str, str, str]:
    """(finding, why, settle) where no warm-up is over."""
    last = max(found, key=lambda s: s.ran_s)
    top = float(last.values.max())
    why = f"coolant reached {top:.0f} °C in {last.ran_s / 60:.0f} min"
    rate = last.slope_k / BLOCK_S * 60.0
    if last.ran_s >= LONG_RUN_S and last.driven_s < LONG_DRIVE_S and last.slope_k <= RISES_K:
        return "not-driven", f"{why}, and the car was hardly driven.", ""
    settle = "drive on until the temperature no longer rises, at least 15 min in all"
    if math.isfinite(rate) and rate > 0.2 and lower > last.last_c:
        settle += f" (about {math.ceil((lower - last.last_c) / rate)} min to go at this rate)"
    return "still-warming", f"{why} and was still getting warmer, or had only just stopped.", settle


WARM_UP = Check(
    name="warm-up",
    version=2,
    question="Does the engine reach its temperature and hold it on the road?",
    channels=(
        "coolant",
        "engine_speed",
        "vehicle_speed",
        "ambient or intake_air (or the number given as ambient), before an engine is called cold",
    ),
    quantity="mean coolant temperature with the engine running, from the end of warm-up (the first "
    f"2 min without a rise of {RISES_K:.0f} K to the next, warm already or after 15 min of running "
    "with 8 min of driving) to the last reading; the same at 40 km/h or more, without its first "
    "2 min",
    limits=f"{WARM_C:.0f} to {HOT_C:.0f} °C ({COMMON_PRACTICE}), or the vehicle's warm_coolant and "
    f"coolant_most; {BOILS_FROM_C:.0f} °C for {BOILS_S:.0f} s is a fail by "
    f"itself, for {HOT_AT_ALL_S:.0f} s no pass",
    findings={
        "regulates": Verdict.PASS,
        "overheats": Verdict.FAIL,
        "too-cold": Verdict.FAIL,
        "falls-on-the-road": Verdict.FAIL,
        "still-warming": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "not-driven": Verdict.UNDECIDED,
        "ambient-unknown": Verdict.UNDECIDED,
        "frost": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
        "implausible": Verdict.UNDECIDED,
        "no-running": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
        "spec-implausible": Verdict.UNDECIDED,
    },
    run=run_warm_up,
    uses=("warm_coolant", "coolant_most", "ambient"),
    settles={
        "still-warming": "drive on until the temperature no longer rises, at least 15 min in all",
        "near-limit": "record 10 min more of driving with the engine warm",
        "too-short": "drive on for 5 min with the engine warm and record it",
        "not-driven": "drive 5 min at 50 km/h or more with the engine warm; 15 min in all after a "
        "cold start",
        "ambient-unknown": "give the temperature outside as ambient, or record it or the intake "
        "air",
        "frost": "cover nothing and wait for a milder day, or measure the thermostat in hot water",
        "frozen": "record from a cold start, so that the reading must move",
        "implausible": "look at the sensor's plug and wire, then record again",
        "no-running": "record coolant together with engine speed, engine running",
        "too-slow-to-tell": "record fewer channels, so that coolant is read every few seconds",
    },
    look_alikes=(
        "short trips and long idling: an engine at idle may never get warm; 15 min with 8 min of "
        "driving are asked for before it is called cold",
        "hard frost with the heater on: a sound engine may stay below its thermostat; the "
        "temperature outside is asked for",
        "a hot engine that stood: hottest just after the start; the first 2 min do not count "
        "towards boiling",
        "thermostats that the engine computer heats: up to 110 °C at part load and 85 °C under "
        "load; give the vehicle's own numbers",
    ),
    blind_spots=(
        "a reading that stands still once the engine is warm: it looks like a perfect thermostat",
        "a coolant sensor that reads wrongly, or one that hangs in air because coolant is missing",
        "hot spots, and boiling that the sensor's place does not show",
        "an electric fan that never ran because the road cooled the car: stand at hot idle until "
        "it does",
    ),
)
