"""Surging: engine speed that swings by itself while the foot holds the pedal still.

Truth, for whoever holds the check to it: in one gear, at a steady pedal and road, true engine speed
is its mean · (1 + a · sin(2π t / P)) with P between 2.5 and 7.5 s; the car fails where a is above
3 %, and only there. 3 % of engine speed is common practice: half of it is hardly felt, twice of it
nobody overlooks. Slower swings are hills and traffic, quicker ones (bucking) need a faster logger.

Windows of 15 s: in one gear at 20 km/h or more, pedal pressed and within 4 points. From each a
parabola is taken away (a slope, the car gaining a little), then the strongest oscillation is sought
(Lomb–Scargle, uneven readings) and its amplitude fitted together with the parabola. Pass: in every
window the amplitude lies surely below the limit, and the whole spread would not hold more either
(√2 · standard deviation: a swing whose pace wanders, or that the sampling folds). Fail: surely
above, regular and beyond chance, in half of the windows or more and in two at least.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence import spans as sp
from verify.evidence.checks.in_gear import RATIO_SHARE, Driving, driving, usable
from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.restless import restless
from verify.evidence.periodogram import strongest_oscillation
from verify.evidence.ranks import median_of
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.series import mean_with_effective_size
from verify.evidence.stretches import Places, reduced
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
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

LIMIT_PCT = 3.0
SHORTEST_S, LONGEST_S = 2.5, 7.5
CELL_S, CELLS = 5.0, 3
WINDOW_S = CELL_S * CELLS
LEAST_WINDOWS = 2
MOVING_KMH, PRESSED_POINTS, STEADY_POINTS = 20.0, 3.0, 4.0
# 2.5 s must be seen with more than two readings a period; the pedal and road speed change slower.
SLOWEST = {"engine_speed": 1.15, "vehicle_speed": 2.5, "pedal": 3.0}
# So long after the pedal moved engine speed still follows it.
SETTLED_S = 1.5
# Of very long recordings the windows with the largest spread are judged.
MOST_WINDOWS, LEAST_READINGS = 200, 12
# Readings closer than this are averaged: their noise is not independent.
FINEST_S = 0.25
BY_CHANCE, LEAST_SHARE = 0.01, 0.5
CALM_SHARE = 0.9
# The foot swings along where its own wave explains half of the pedal's movement.
FOOT_SHARE, FOOT_POINTS = 0.5, 0.5


@dataclass(frozen=True, slots=True)
class Swing:
    """What one window shows; amplitudes and doubt in % of its mean engine speed.

    bound: √2 · standard deviation, no regular swing is wider. regular: beyond chance, and most of
    what moves. foot: the pedal swings along.
    """

    window: Window
    mean_rpm: float
    amplitude: float
    doubt: float
    bound: float
    period_s: float
    samples: int
    resolution: float
    regular: bool = False
    foot: bool = False

    @property
    def measurement(self) -> Measurement:
        least = least_uncertainty(self.resolution)
        return Measurement(
            self.amplitude,
            "%",
            max(self.doubt, least, 1e-9),
            samples=self.samples,
            resolution=self.resolution,
        )


def steady_windows(recording: Recording, drive: Driving) -> list[tuple[float, float]]:
    """(start, end) of all windows of 15 s of steady driving in one gear; they do not overlap."""
    engine, speed, pedal = drive.engine, drive.speed, drive.pedal
    assert engine is not None
    assert speed is not None
    assert pedal is not None
    assert drive.speed_at is not None
    seen = usable(recording, engine)
    for channel in (speed, pedal):
        seen = sp.intersect(seen, usable(recording, channel))
    seen = sp.at_least(seen, WINDOW_S)
    if not len(seen):
        return []
    # Cells begin with each unbroken stretch, so that a gap never falls inside one.
    count = ((seen[:, 1] - seen[:, 0]) // CELL_S).astype(np.intp)
    stretch = np.repeat(np.arange(len(seen)), count)
    within = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    start = seen[stretch, 0] + within * CELL_S
    low_speed = _extreme(np.minimum, speed.values, *_cells(speed, start))
    good = low_speed >= MOVING_KMH
    # The pedal moved somewhere before the reading that shows it, and the engine follows it.
    late = pedal.interval_s
    cells = _cells(pedal, start, SETTLED_S + late, late, good)
    low_pedal, high_pedal = (
        _extreme(how, pedal.values, *cells) for how in (np.minimum, np.maximum)
    )
    good &= low_pedal >= drive.rest + PRESSED_POINTS
    ratio = engine.values / np.maximum(drive.speed_at, 1.0)
    cells = _cells(engine, start, which=good)
    low_ratio, high_ratio = (_extreme(how, ratio, *cells) for how in (np.minimum, np.maximum))
    good &= np.isfinite(low_ratio) & np.isfinite(high_ratio)
    if len(start) < CELLS:
        return []
    last = len(start) - CELLS + 1
    whole = stretch[:last] == stretch[CELLS - 1 :]

    def joined(values: Array, how: np.ufunc) -> Array:
        result: Array = how.reduce(np.stack([values[i : i + last] for i in range(CELLS)]))
        return result

    whole &= joined(good.astype(float), np.minimum) > 0.0
    whole &= joined(high_pedal, np.maximum) - joined(low_pedal, np.minimum) <= STEADY_POINTS
    low, high = joined(low_ratio, np.minimum), joined(high_ratio, np.maximum)
    slack = RATIO_SHARE + 0.5 * speed.resolution / np.maximum(joined(low_speed, np.minimum), 1.0)
    with np.errstate(invalid="ignore"):
        whole &= (high - low) <= slack * (high + low)
    first, after = sp.runs_of(whole)
    places = [np.arange(a, b, CELLS) for a, b in zip(first.tolist(), after.tolist(), strict=True)]
    chosen = start[np.concatenate(places)] if places else np.empty(0)
    return [(s, s + WINDOW_S) for s in chosen.tolist()]


def _cells(
    channel: Channel,
    start: Array,
    before_s: float = 0.0,
    after_s: float = 0.0,
    which: NDArray[np.bool_] | None = None,
) -> tuple[Places, Places, NDArray[np.bool_]]:
    """(first reading of each cell, widened by so much, the first one after it, whether it is asked
    for and has any)."""
    first = np.searchsorted(channel.time_s, start - before_s, side="left")
    after = np.searchsorted(channel.time_s, start + CELL_S + after_s, side="right")
    some = after > first
    return first, after, some if which is None else some & which


def _extreme(
    how: np.ufunc, values: Array, first: Places, after: Places, some: NDArray[np.bool_]
) -> Array:
    """The lowest or the highest of `values` in each cell, NaN where none is asked for."""
    found = np.full(len(some), np.nan)
    found[some] = reduced(how, values, first[some], after[some])
    return found


def _swing(place: int, drive: Driving, start_s: float, end_s: float) -> Swing | None:
    """The strongest oscillation of one window; None where there are too few readings."""
    assert drive.engine is not None
    assert drive.pedal is not None
    ((times, values),) = sp.pieces(drive.engine, np.array([[start_s, end_s]]))
    times, values = _thinned(times, values)
    if len(values) < LEAST_READINGS:
        return None
    mean = float(values.mean())
    share = 100.0 * values / mean
    x = (times - times.mean()) / (0.5 * WINDOW_S)
    curve = np.column_stack([np.ones_like(x), x, x * x])
    flat = share - curve @ np.linalg.lstsq(curve, share, rcond=None)[0]
    resolution = 100.0 * drive.engine.resolution / mean
    spread = math.sqrt(float(flat @ flat) / (len(flat) - 3))
    bound = math.sqrt(2.0) * spread
    window = Window(place, start_s, end_s)
    plain = Swing(
        window, mean, bound, spread / math.sqrt(len(flat)), bound, 0.0, len(flat), resolution
    )
    if bound <= 0.5 * LIMIT_PCT:
        return plain
    shortest = max(SHORTEST_S, 2.2 * median_of(np.diff(times)))
    found = strongest_oscillation(times, flat, shortest, LONGEST_S)
    if found is None:
        return plain
    angle = 2.0 * np.pi * times / found.period_s
    waves = np.column_stack([np.cos(angle), np.sin(angle), curve])
    fitted = np.linalg.lstsq(waves, share, rcond=None)[0]
    rest = share - waves @ fitted
    worth = len(rest) / max(1.0, mean_with_effective_size([rest]).effective)
    noise = math.sqrt(float(rest @ rest) / max(1, len(rest) - 6))
    # Averages over a quarter of a second flatten the wave a little.
    flattened = float(np.sinc(FINEST_S / found.period_s)) if _dense(drive) else 1.0
    return Swing(
        window,
        mean,
        float(np.hypot(fitted[0], fitted[1])) / flattened,
        noise * math.sqrt(2.0 * worth / len(rest)),
        bound,
        found.period_s,
        len(rest),
        resolution,
        regular=found.false_alarm <= BY_CHANCE and found.share >= LEAST_SHARE,
        foot=_foot_swings(drive, start_s, end_s, found.period_s),
    )


def _dense(drive: Driving) -> bool:
    assert drive.engine is not None
    return drive.engine.interval_s < 0.5 * FINEST_S


def _thinned(times: Array, values: Array) -> tuple[Array, Array]:
    """Means over a quarter of a second where readings are denser than that."""
    if len(times) < 2 or median_of(np.diff(times)) >= 0.5 * FINEST_S:
        return times, values
    bins = np.floor((times - times[0]) / FINEST_S).astype(np.intp)
    counts = np.bincount(bins)
    full = counts > 0
    t = np.bincount(bins, times)[full] / counts[full]
    return t, np.bincount(bins, values)[full] / counts[full]


def _foot_swings(drive: Driving, start_s: float, end_s: float, period_s: float) -> bool:
    assert drive.pedal is not None
    ((times, values),) = sp.pieces(drive.pedal, np.array([[start_s, end_s]]))
    if len(values) < 6:
        return False
    angle = 2.0 * np.pi * times / period_s
    x = times - times.mean()
    waves = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(x), x])
    fitted = np.linalg.lstsq(waves, values, rcond=None)[0]
    flat = values - np.polyval(np.polyfit(x, values, 1), x)
    rest = values - waves @ fitted
    total = float(flat @ flat)
    if total <= 0.0 or float(np.hypot(fitted[0], fitted[1])) < FOOT_POINTS:
        return False
    return 1.0 - float(rest @ rest) / total >= FOOT_SHARE


def run_surge(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """The amplitude in every steady window of all recordings against the limit."""
    swings: list[Swing] = []
    lack: Driving | None = None
    for place, recording in enumerate(recordings):
        drive = driving(recording, SLOWEST)
        if drive.lack:
            lack = lack or drive
            continue
        assert drive.engine is not None
        windows_s = np.array(steady_windows(recording, drive)).reshape(-1, 2)
        windows_s = windows_s[restless(drive.engine, windows_s, most=MOST_WINDOWS,
                                       least=LEAST_READINGS, finest_s=FINEST_S)]  # fmt: skip
        seen = (_swing(place, drive, *w) for w in windows_s.tolist())
        swings += [s for s in seen if s is not None]
    if len(swings) < LEAST_WINDOWS:
        if lack is not None and not swings:
            return check.result(lack.lack, f"{lack.why}.", settle=lack.settle)
        return check.result(
            "no-steady-drive",
            f"{WINDOW_S * len(swings):.0f} s of steady driving (one gear, {MOVING_KMH:.0f} km/h "
            f"or more, pedal held) were seen; {WINDOW_S * LEAST_WINDOWS:.0f} s are needed.",
            windows=[s.window for s in swings],
        )
    swings = sorted(swings, key=lambda s: -s.bound)[:MOST_WINDOWS]
    chances = [probability_of_conformity(s.measurement, LIMITS) for s in swings]
    swinging = [
        (s, p)
        for s, p in zip(swings, chances, strict=True)
        if s.regular and decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL
    ]
    own = [(s, p) for s, p in swinging if not s.foot]
    largest = max(swings, key=lambda s: s.bound)
    notes = [f"{len(swings)} windows of {WINDOW_S:.0f} s of steady driving in one gear"]
    details = {
        "windows_judged": len(swings),
        "windows_swinging": len(own),
        "largest": {
            "amplitude_pct": largest.amplitude, "period_s": largest.period_s or None,
            "mean_rpm": largest.mean_rpm, "spread_bound_pct": largest.bound,
            "start_s": largest.window.start_s, "recording": largest.window.recording,
        },
    }  # fmt: skip
    windows = sorted((s.window for s in swings), key=lambda w: (w.recording, w.start_s))

    def answer(finding: str, why: str, shown: Swing, chance: float | None) -> CheckResult:
        return check.result(
            finding,
            why,
            measurement=shown.measurement,
            limits=LIMITS,
            probability=chance,
            windows=windows,
            notes=notes,
            details=details,
        )

    if len(own) >= LEAST_WINDOWS and 2 * len(own) >= len(swings):
        shown, chance = sorted(own, key=lambda pair: pair[0].amplitude)[len(own) // 2]
        return answer("surges", f"{_told(shown)}, in {len(own)} of {len(swings)} windows.", shown,
                      chance)  # fmt: skip
    if own:
        shown, _ = max(own, key=lambda pair: pair[0].amplitude)
        return answer(
            "sometimes-surges",
            f"{_told(shown)}, but in {len(own)} of {len(swings)} windows only.",
            shown,
            None,
        )
    if swinging:
        shown, _ = max(swinging, key=lambda pair: pair[0].amplitude)
        return answer("foot-moves-too", f"{_told(shown)}, and the pedal swung along.", shown, None)
    calm = [
        (s, p)
        for s, p in zip(swings, chances, strict=True)
        if s.bound <= LIMIT_PCT and decide(p, rule.pass_at, rule.fail_at) is Verdict.PASS
    ]
    still = {id(s) for s, _ in calm}
    others = [s for s in swings if id(s) not in still]
    # A window in which a hill or traffic moved the car shows no regular swing; a car that surges
    # does so in most of them.
    if len(calm) >= LEAST_WINDOWS and not any(s.regular for s in others) and (
        len(calm) >= CALM_SHARE * len(swings)
    ):  # fmt: skip
        shown, chance = min(calm, key=lambda pair: (pair[1], -pair[0].amplitude))
        if others:
            notes.append(f"left out: {len(others)} uneven windows without a regular swing")
        return answer(
            "steady",
            f"at a held pedal engine speed swings by {shown.amplitude:.1f} % at most.",
            shown,
            chance,
        )
    worst, p = max(zip(swings, chances, strict=True), key=lambda pair: (-pair[1], pair[0].bound))
    if decide(p, rule.pass_at, rule.fail_at) is Verdict.UNDECIDED:
        return answer("near-limit", f"{_told(worst)}, too near {LIMIT_PCT:g} % to tell.", worst, p)
    return answer(
        "uneven",
        f"engine speed moves by {largest.bound:.1f} % at a held pedal without a regular swing: a "
        "hilly road, wind and traffic do the same.",
        largest,
        None,
    )


def _told(swing: Swing) -> str:
    pace = f" every {swing.period_s:.1f} s" if swing.period_s else ""
    return (
        f"at a held pedal engine speed swings by {swing.amplitude:.1f} ± {2 * swing.doubt:.1f} % "
        f"(k = 2) of {swing.mean_rpm:.0f} rpm{pace}"
    )


LIMITS = Limits(None, LIMIT_PCT, "%", f"3 % of engine speed: {COMMON_PRACTICE}, no source")
_LEVEL = (
    "on a level, empty road hold 60 km/h (40 mph) in one gear with a still foot for 40 s, without "
    "cruise control, and do it again at another speed"
)

SURGE = Check(
    name="surge",
    version=1,
    question="Does the car pull evenly while the pedal is held?",
    channels=("engine_speed", "vehicle_speed", "pedal, pedal_d or pedal_e"),
    quantity=f"amplitude (half of peak to peak) of the strongest swing of engine speed with a "
    f"period of {SHORTEST_S:g} to {LONGEST_S:g} s, in % of its mean, in windows of {WINDOW_S:.0f} "
    f"s: one gear, {MOVING_KMH:.0f} km/h or more, pedal pressed and held within "
    f"{STEADY_POINTS:.0f} points",
    limits=f"at most {LIMIT_PCT:g} % in every window ({COMMON_PRACTICE}); a fail where it is more "
    f"in half of them or more, over {LEAST_WINDOWS} windows at least",
    findings={
        "steady": Verdict.PASS,
        "surges": Verdict.FAIL,
        "sometimes-surges": Verdict.UNDECIDED,
        "foot-moves-too": Verdict.UNDECIDED,
        "near-limit": Verdict.UNDECIDED,
        "uneven": Verdict.UNDECIDED,
        "no-steady-drive": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
    },
    run=run_surge,
    settles={
        "sometimes-surges": f"{_LEVEL}, at the speed at which it was seen",
        "foot-moves-too": f"rest the heel, keep the foot still: {_LEVEL}",
        "near-limit": _LEVEL,
        "uneven": _LEVEL,
        "no-steady-drive": _LEVEL,
    },
    look_alikes=(
        "hills, wind, traffic: slower and not regular; a parabola is taken from each window",
        "a foot that pumps: the pedal's own swing at the same pace is looked for",
        "shifts, an open converter, a gearbox without steps: the ratio of engine to road speed "
        "changes, and the stretch is left out",
        "cruise control: the pedal reads released, and the stretch is left out",
        "lock-up that opens and closes: the ratio jumps by its slip, or stays within a few per "
        "cent: then it looks like surging; repeat in another gear",
    ),
    blind_spots=(
        f"bucking quicker than {SHORTEST_S:g} s, and swings slower than {LONGEST_S:g} s",
        "surging so violent that engine and road speed part by more than 8 %",
        "surging at speeds or loads that were not driven",
    ),
)
