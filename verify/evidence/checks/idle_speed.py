"""The mean idle speed of a warm engine against this vehicle's own number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.idle_readings import (
    REQUIRED,
    SETTLE_LONGER,
    TOLERANCE_RPM,
    UNDECIDED_WINDOWS,
    IdleReadings,
    gather,
    idle_limits,
    implausible,
    no_windows,
    spread_of,
    too_short,
)
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.recording import Array, Recording
from verify.evidence.series import Spread, mean_with_effective_size, wandering_uncertainty
from verify.evidence.verdict import (
    CheckResult,
    Distribution,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
    least_uncertainty,
    mean_measurement,
    probability_of_conformity,
)
from verify.evidence.windows import FROZEN_STEP_RPM, seen_idle
from verify.quantity import SpecValue
from verify.words import Verdict

# 13 CCR 1968.2 (e)(15) asks for a code when idle cannot be held within these of its target (from
# memory); several makers' service texts print the same numbers, and 10 s as the shortest time.
LAW_BELOW_RPM, LAW_ABOVE_RPM, LAW_LASTS_S = 100.0, 200.0, 10.0
# Between readings further apart than this the idle may have come back (common practice).
LAW_APART_S = 2.5
LEAST_IDLE_S = 20.0
# Worth fewer than this, a stated 95 % interval holds the truth clearly less often than it says.
LEAST_EFFECTIVE = 3.0


def _measured(spread: Spread, pieces: Sequence[Array], resolution: float) -> Measurement:
    """The mean with the wider of two doubts: that of its noise and that of a slow wander."""
    if spread.deviation == 0.0:
        # A coarse reading that never moved: the truth lies anywhere within its step.
        return Measurement(
            spread.mean,
            "rpm",
            least_uncertainty(resolution),
            Distribution.UNIFORM,
            samples=spread.samples,
            resolution=resolution,
        )
    noise = mean_measurement(
        spread.mean, "rpm", spread.deviation, spread.effective, spread.samples, resolution
    )
    wander = math.hypot(wandering_uncertainty(pieces), least_uncertainty(resolution))
    return replace(noise, uncertainty=max(noise.uncertainty, wander))


def _with_number(
    result: CheckResult, spread: Spread, pieces: Sequence[Array], resolution: float
) -> CheckResult:
    """The number all the same, where there is one: it is shown, not judged."""
    if spread.effective <= 1.0 and not (spread.deviation == 0.0 and resolution > 0.0):
        return result
    measurement = _measured(spread, pieces, resolution)
    return replace(
        result,
        value=measurement.value,
        unit=measurement.unit,
        uncertainty=measurement.uncertainty,
        samples=measurement.samples,
    )


def _with_what_was_seen(result: CheckResult, recordings: Sequence[Recording]) -> CheckResult:
    """The idle of a recording that does not show all it should, as far as it goes."""
    pieces: list[Array] = []
    windows: list[Window] = []
    resolution = 0.0
    conditions: tuple[str, ...] = ("standing", "pedal released")
    for place, recording in enumerate(recordings):
        found, shown = seen_idle(recording)
        if not len(found):
            continue
        channel = recording.channels["engine_speed"]
        conditions = min(conditions, shown, key=len)
        resolution = max(resolution, channel.resolution)
        for span, (_, values) in zip(found.tolist(), sp.pieces(channel, found), strict=True):
            if len(values) >= 2:
                pieces.append(values)
                windows.append(Window(place, span[0], span[1]))
    if sum(len(p) for p in pieces) < 4:
        return result
    spread = mean_with_effective_size(pieces)
    note = (
        f"not judged: {' and '.join(conditions)} and no more is shown, the engine turned at "
        f"{spread.mean:.0f} rpm over {sum(w.seconds for w in windows):.0f} s"
    )
    numbered = _with_number(result, spread, pieces, resolution)
    return replace(numbered, windows=tuple(windows), notes=(*result.notes, note))


def run_idle_speed(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Mean engine speed over all idle windows against the vehicle's idle speed ± its tolerance."""
    wrong = implausible(check, specs)
    if wrong is not None:
        return wrong
    readings = gather(recordings, specs)
    if not readings.windows:
        return _with_what_was_seen(no_windows(check, readings), recordings)
    pieces = [v for _, v in readings.pieces]
    spread = spread_of(readings)
    target = spec_number(specs, "idle_speed", "rpm")
    if target is not None:
        likely = _code_likely(check, readings, target, specs["idle_speed"].source, rule)
        if likely is not None:
            return likely
    still = spread.deviation == 0.0
    if still and readings.resolution < FROZEN_STEP_RPM:
        return check.result(
            "frozen",
            f"engine speed reads {spread.mean:.4g} rpm again and again without ever moving, which "
            "no engine does.",
            windows=readings.windows,
        )
    if readings.seconds < LEAST_IDLE_S or (spread.effective < LEAST_EFFECTIVE and not still):
        short = too_short(check, readings, f"{LEAST_IDLE_S:.0f} s of unlike readings are")
        return _with_number(short, spread, pieces, readings.resolution)
    measurement = _measured(spread, pieces, readings.resolution)
    number = f"warm idle is {measurement.value:.0f} ± {2 * measurement.uncertainty:.0f} rpm (k = 2)"
    notes = [
        f"mean of {spread.samples} readings over {readings.seconds:.0f} s, worth "
        f"{spread.effective:.0f} independent ones; they scatter by {spread.deviation:.0f} rpm",
        *readings.implied,
    ]
    if target is None:
        return check.result(
            "no-spec",
            f"{number}, but this vehicle's idle speed is not known.",
            measurement=measurement,
            windows=readings.windows,
            notes=notes,
        )
    limits = idle_limits(target, specs)
    p = probability_of_conformity(measurement, limits)
    verdict = decide(p, rule.pass_at, rule.fail_at)
    band = f"{limits.lower:.0f} to {limits.upper:.0f} rpm"
    if verdict is Verdict.PASS:
        finding, why = "in-range", f"{number}, within {band}."
    elif verdict is Verdict.FAIL:
        finding = "too-low" if measurement.value < target else "too-high"
        why = f"{number}, outside {band}."
    else:
        finding = "near-limit"
        why = f"{number}, too near an end of {band} to tell."
    return check.result(
        finding,
        why,
        measurement=measurement,
        limits=limits,
        probability=p,
        windows=readings.windows,
        notes=notes,
    )


def _code_likely(
    check: Check, readings: IdleReadings, target: float, source: str, rule: Rule
) -> CheckResult | None:
    """The stretch that lies longest outside the law's band, where it is long and sure enough.

    A single reading back inside does not end it: what is held is the median of each reading and
    its two neighbours, without a pause and within one window.
    """
    limits = Limits(
        target - LAW_BELOW_RPM,
        target + LAW_ABOVE_RPM,
        "rpm",
        f"idle speed: {source}; −100/+200 rpm: 13 CCR 1968.2 (e)(15), from memory, and makers' "
        "service texts",
    )
    assert limits.lower is not None
    assert limits.upper is not None
    margin = 0.5 * readings.resolution
    worst: tuple[float, Window, Array] | None = None
    for window, (times, values) in zip(readings.windows, readings.pieces, strict=True):
        level = _median_of_three(values)
        for side in (level < limits.lower - margin, level > limits.upper + margin):
            if not side.any():
                continue
            for start, end in sp.true_spans(times, side, LAW_APART_S, ()).tolist():
                if end - start >= LAW_LASTS_S and (worst is None or end - start > worst[0]):
                    inside = (times >= start) & (times <= end)
                    worst = (end - start, Window(window.recording, start, end), values[inside])
    if worst is None:
        return None
    seconds, window, values = worst
    spread = mean_with_effective_size([values])
    if spread.effective < LEAST_EFFECTIVE and spread.deviation > 0.0:
        # Readings that drift through the stretch are worth few; their own extremes still bound it.
        level = _median_of_three(values)
        nearest = level.max() if spread.mean < target else level.min()
        spread = Spread(float(nearest), 0.0, 1.0, len(values))
    uncertainty = math.hypot(
        spread.deviation / math.sqrt(spread.effective), least_uncertainty(readings.resolution)
    )
    measurement = Measurement(
        spread.mean, "rpm", max(uncertainty, 1e-6), samples=len(values),
        resolution=readings.resolution,
    )  # fmt: skip
    p = probability_of_conformity(measurement, limits)
    if decide(p, rule.pass_at, rule.fail_at) is not Verdict.FAIL:
        return None
    return check.result(
        "code-likely",
        f"idle stayed at about {spread.mean:.0f} rpm for {seconds:.0f} s, outside "
        f"{limits.lower:.0f} to {limits.upper:.0f} rpm: the engine computer is likely to store a "
        "code for it.",
        measurement=measurement,
        limits=limits,
        probability=p,
        windows=(window,),
        notes=readings.implied,
    )


def _median_of_three(values: Array) -> Array:
    """Each reading with its neighbours; the first and the last stay as they are."""
    if len(values) < 3:
        return values
    before, own, after = values[:-2], values[1:-1], values[2:]
    middle = np.maximum(np.minimum(before, own), np.minimum(np.maximum(before, own), after))
    return np.concatenate([values[:1], middle, values[-1:]])


IDLE_SPEED = Check(
    name="idle-speed",
    version=4,
    question="Does the warm engine idle at the speed this vehicle should?",
    channels=REQUIRED,
    quantity="mean engine speed over all warm, standing, pedal-released idle windows, with its "
    "effective number of independent readings, and no surer than a wander about as slow as the "
    "windows are long leaves it",
    limits=f"the vehicle's idle speed ± {TOLERANCE_RPM:.0f} rpm ({COMMON_PRACTICE}), or its own "
    "tolerance; beyond −100/+200 rpm for 10 s or longer a code is likely (13 CCR 1968.2 (e)(15))",
    findings={
        "in-range": Verdict.PASS,
        "too-low": Verdict.FAIL,
        "too-high": Verdict.FAIL,
        "code-likely": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "no-spec": Verdict.UNDECIDED,
        **UNDECIDED_WINDOWS,
    },
    run=run_idle_speed,
    specs=("idle_speed",),
    uses=("idle_speed", "idle_tolerance", "warm_coolant"),
    settles={
        "near-limit": SETTLE_LONGER,
        "no-spec": "look the warm idle speed up in the service information and give it as "
        "idle_speed",
        "too-short": SETTLE_LONGER,
    },
    look_alikes=(
        "the flare after a start and the revs that fall back after a press: the first 10 s and 3 s "
        "are left out",
        "an engine that is not warm idles higher: only coolant of 80 °C and more counts",
        "start-stop: an engine that stands at lights has no idle there",
        "a single stray reading: an excursion must last 10 s without a pause in the readings",
    ),
    blind_spots=(
        "whether a load (air conditioning, lamps, steering) was on: ask the person",
        "an idle that is right only because a leak is hidden by the adaptation: see the fuel trims",
    ),
)
