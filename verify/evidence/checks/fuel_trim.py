"""Fuel trims at warm idle and at 2,500 rpm: short + long, and the difference that shows a leak.

The truth this check is held to: the true mean of short + long over each of the two points (warm
idle; 2,200 to 2,800 rpm held, warm and in closed loop). A car is bad where the mean sum at either
point, on either bank, lies outside ±10 % (or the vehicle's own limit). Which finding a bad car gets
is advice; the verdict follows from the two sums alone.

Short and long are read one after the other. At each reading of the short trim the long trim's
latest reading is added to it: the long one moves slowly, and where it steps the short one steps
back, so that the mean of the sum hardly feels the pairing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.checks.slow_readings import (
    channels_named,
    implausible_spec,
    level,
    never_moves,
)
from verify.evidence.checks.trim_sums import (
    BANKS,
    LONG_CAP_S,
    STEP,
    dropped_out,
    half,
    not_fitted,
    step_of,
    sums,
)
from verify.evidence.checks.trim_windows import (
    HELD_FROM_RPM,
    HELD_TO_RPM,
    LEAST_HELD_S,
    LEAVING_S,
    SETTLE_HELD,
    SETTLE_IDLE,
    SETTLING_S,
    closed_loop,
    held_speed,
    warm_idle,
)
from verify.evidence.distributions import normal_cdf
from verify.evidence.recording import Array, Recording
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
from verify.evidence.windows import FAST_CAP_S, WARM_FROM_C, Condition, too_slow
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

_SETTLE_FROZEN = (
    "record again with the engine warm; press the pedal a few times, so that the trims must move"
)
LIMIT = 10.0
LEAST_IDLE_S = 20.0
LEAST_READINGS = 8
# A leak brings the same air at any speed, so its share falls as the engine takes more: a
# difference of this many points is more than two banks or two loads differ in a sound engine.
LEAK_POINTS = 3.0
_RANGES = {name: POSSIBLE[name] for name in ("warm_coolant", "trim_limit")}


@dataclass(frozen=True, slots=True)
class Point:
    """One bank at one engine speed. measurement: None where there is none, for the reason given."""

    bank: int
    name: str
    measurement: Measurement | None = None
    p: float = math.nan
    windows: tuple[Window, ...] = ()
    lack: str = ""
    why: str = ""
    settle: str = ""

    @property
    def words(self) -> str:
        return f"bank {self.bank} {self.name}"


def _point(
    bank: int,
    name: str,
    recordings: Sequence[Recording],
    conditions: Sequence[Condition],
    limits: Limits,
    least_s: float,
) -> Point:
    empty = Point(bank, name)
    pieces: list[Array] = []
    windows: list[Window] = []
    step, lack, dropped = STEP, None, None
    shorts: list[Array] = []
    short_name, long_name = BANKS[bank]
    for place, (recording, condition) in enumerate(zip(recordings, conditions, strict=True)):
        short, long = recording.channels.get(short_name), recording.channels.get(long_name)
        if short is None or long is None:
            continue
        if too_slow(short, FAST_CAP_S) or too_slow(long, LONG_CAP_S):
            lack = lack or Condition(
                sp.EMPTY,
                "too-slow-to-tell",
                "the fuel trims were read too seldom",
                "record fewer channels, so that the short trim is read at least once a second",
            )
            continue
        if not len(condition.spans):
            lack = lack or condition
            continue
        dropped = dropped or dropped_out(name, (short, long), condition.spans)
        step = max(step, step_of(short, long))
        shorts += [own for _, own in sp.pieces(short, condition.spans)]
        for span, own in zip(
            condition.spans.tolist(), sums(short, long, condition.spans), strict=True
        ):
            if len(own) >= 2:
                pieces.append(own)
                windows.append(Window(place, span[0], span[1]))
    if dropped is not None:
        return replace(
            empty, windows=tuple(windows), lack=dropped.lack, why=dropped.why, settle=dropped.settle
        )
    seconds = sum(w.seconds for w in windows)
    if not windows and lack is not None:
        return replace(empty, lack=lack.lack or "no-idle", why=lack.why, settle=lack.settle)
    count = sum(len(p) for p in pieces)
    measurement = level(pieces, "%", step)
    if measurement is None or seconds < least_s or count < LEAST_READINGS:
        return replace(
            empty,
            windows=tuple(windows),
            lack="too-short" if name == "at idle" else "held-speed-missing",
            why=f"{name} only {seconds:.0f} s with {count} readings of both trims can be used",
            settle=SETTLE_IDLE if name == "at idle" else SETTLE_HELD,
        )
    if float(np.ptp(np.concatenate(shorts))) < 0.5 * STEP:
        return replace(
            empty,
            windows=tuple(windows),
            lack="frozen",
            why=f"{name} the short trim of bank {bank} reads one number throughout; a regulating "
            "engine moves it",
            settle=_SETTLE_FROZEN,
        )
    p = probability_of_conformity(measurement, limits)
    return replace(empty, measurement=measurement, p=p, windows=tuple(windows))


def run_fuel_trim(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Short + long at idle and at 2,500 rpm of every bank against ± the limit."""
    wrong = implausible_spec(check, specs, _RANGES) or _not_recorded(check, recordings)
    if wrong is not None:
        return wrong
    own = spec_number(specs, "trim_limit", "%")
    limit = LIMIT if own is None else own
    source = COMMON_PRACTICE if own is None else specs["trim_limit"].source
    limits = Limits(-limit, limit, "%", f"short + long within ±{limit:.0f} %: {source}")
    own = spec_number(specs, "warm_coolant", "°C")
    warm_from = WARM_FROM_C if own is None else own
    idles: list[Condition] = []
    helds: list[Condition] = []
    implied: list[str] = []
    for recording in recordings:
        loop = closed_loop(recording)
        for kept, found in (
            (idles, warm_idle(recording, warm_from)),
            (helds, held_speed(recording, warm_from)),
        ):
            both = sp.intersect(found.spans, loop.spans)
            if len(found.spans) and not len(both):
                found = replace(loop, lack=loop.lack or "open-loop")
            kept.append(replace(found, spans=both))
            implied += [text for text in (found.implied, loop.implied) if text]
    banks = [b for b, names in BANKS.items() if any(n in r.channels for r in recordings
             for n in names)]  # fmt: skip
    if 2 in banks and not_fitted(recordings):
        banks.remove(2)
        implied.append("bank 2 reads one and the same number, as where there is none: left out")
    halves = [b for b in banks if half(recordings, b)]
    points = [
        _point(bank, name, recordings, conditions, limits, least_s)
        for bank in banks
        if bank not in halves
        for name, conditions, least_s in (
            ("at idle", idles, LEAST_IDLE_S),
            ("at 2,500 rpm", helds, LEAST_HELD_S - SETTLING_S - LEAVING_S),
        )
    ]
    return _answer(check, points, halves, limits, rule, tuple(dict.fromkeys(implied)), recordings)


def _not_recorded(check: Check, recordings: Sequence[Recording]) -> CheckResult | None:
    names = [n for pair in BANKS.values() for n in pair]
    if not any(n in r.channels for r in recordings for n in names):
        return check.result(
            "channel-missing",
            "the recording has no fuel trims; a diesel or an electric car has none at all.",
            settle="record short and long fuel trim as well, if the car has them",
        )
    if half(recordings, 1):
        have = [n for n in BANKS[1] if any(n in r.channels for r in recordings)]
        lacking = " and ".join(n.replace("_", " ") for n in BANKS[1] if n not in have)
        return check.result(
            "sum-unknown",
            f"{lacking} is not recorded, so the sum of short and long is not known.",
            settle="record short and long fuel trim together",
        )
    for bank in BANKS:
        shorts = channels_named(recordings, BANKS[bank][0])
        if not never_moves(shorts) or (bank == 2 and not_fitted(recordings)):
            continue
        return check.result(
            "frozen",
            f"the short trim of bank {bank} reads one number throughout; a regulating engine "
            "moves it, so it is stale, or the engine does not regulate.",
        )
    return None


def _leaks(idle: Point, elsewhere: Point, rule: Rule, points: float) -> bool:
    """Whether idle is surely leaner than 2,500 rpm, by more than `points`."""
    a, b = idle.measurement, elsewhere.measurement
    if a is None or b is None:
        return False
    u = math.hypot(a.uncertainty, b.uncertainty)
    return normal_cdf((a.value - b.value - points) / u) >= rule.pass_at


def _answer(
    check: Check,
    points: Sequence[Point],
    halves: Sequence[int],
    limits: Limits,
    rule: Rule,
    implied: Sequence[str],
    recordings: Sequence[Recording],
) -> CheckResult:
    measured = [q for q in points if q.measurement is not None]
    notes = [*implied, *_notes(points, recordings)]
    details = {
        "points": [
            {
                "bank": q.bank,
                "at": q.name.removeprefix("at "),
                "sum": q.measurement.value if q.measurement else None,
                "uncertainty": q.measurement.uncertainty if q.measurement else None,
                "lack": q.lack,
            }
            for q in points
        ]
    }

    def answer(finding: str, why: str, worst: Point | None, settle: str = "") -> CheckResult:
        return check.result(
            finding,
            why,
            settle=settle,
            measurement=worst.measurement if worst else None,
            limits=limits if worst else None,
            probability=lowest if worst else None,
            windows=[w for q in points[:2] for w in q.windows],
            notes=notes,
            details=details,
        )

    def told(q: Point) -> str:
        assert q.measurement is not None
        return (
            f"{q.words} {q.measurement.value:+.1f} ± {2 * q.measurement.uncertainty:.1f} % (k = 2)"
        )

    worst = _worst(measured)
    lowest = min((q.p for q in measured), default=math.nan)
    if worst is not None and decide(lowest, rule.pass_at, rule.fail_at) is Verdict.FAIL:
        assert worst.measurement is not None
        pair = {q.name: q for q in points if q.bank == worst.bank}
        finding = _kind_of_fail(worst, pair["at idle"], pair["at 2,500 rpm"], rule)
        shown = "; ".join(told(q) for q in pair.values() if q.measurement is not None)
        why = f"short and long together are {shown}; within ±{limits.upper:.0f} % is usual."
        return answer(finding, why, worst)
    lacking = next((q for q in points if q.measurement is None), None)
    if lacking is not None:
        return answer(lacking.lack, f"{lacking.why}.", worst, lacking.settle)
    if halves:
        return answer(
            "sum-unknown",
            f"of bank {halves[0]} only one of short and long trim is recorded.",
            worst,
            "record short and long fuel trim of both banks",
        )
    assert worst is not None
    shown = "; ".join(told(q) for q in measured)
    if decide(lowest, rule.pass_at, rule.fail_at) is Verdict.PASS:
        return answer("within", f"short and long together are {shown}.", worst)
    return answer(
        "near-limit", f"short and long together are {shown}: too near ±{limits.upper:.0f} %.", worst
    )


def _worst(measured: Sequence[Point]) -> Point | None:
    """The least probable to be within; where all are as good as sure, the farthest from 0."""

    def rank(q: Point) -> tuple[float, float]:
        assert q.measurement is not None
        return min(max(q.p, 1e-6), 1.0 - 1e-6), -abs(q.measurement.value)

    return min(measured, key=rank, default=None)


def _kind_of_fail(worst: Point, idle: Point, elsewhere: Point, rule: Rule) -> str:
    assert worst.measurement is not None
    if worst.measurement.value < 0.0:
        return "rich"

    def lean(q: Point) -> bool:
        outside = decide(q.p, rule.pass_at, rule.fail_at) is Verdict.FAIL
        return outside and q.measurement is not None and q.measurement.value > 0.0

    if lean(idle) and _leaks(idle, elsewhere, rule, LEAK_POINTS):
        return "leak-likely"
    return "lean-everywhere" if lean(idle) and lean(elsewhere) else "lean"


def _notes(points: Sequence[Point], recordings: Sequence[Recording]) -> list[str]:
    notes = []
    for bank in sorted({q.bank for q in points}):
        idle, elsewhere = (q.measurement for q in points if q.bank == bank)
        if idle is not None and elsewhere is not None:
            u = math.hypot(idle.uncertainty, elsewhere.uncertainty)
            notes.append(
                f"bank {bank}: idle less 2,500 rpm is {idle.value - elsewhere.value:+.1f} ± "
                f"{2 * u:.1f} points; an air leak is lean at idle and fades with engine speed"
            )
    long = channels_named(recordings, "fuel_trim_long")
    if long and all(bool(np.all(np.abs(c.values) < 0.5 * STEP)) for c in long):
        notes.append(
            "the long trim reads 0 throughout, as after codes were cleared or the battery was off: "
            "the sum holds all the same, but look again when it has learned"
        )
    return notes


FUEL_TRIM = Check(
    name="fuel-trim",
    version=3,
    question="Is the warm mixture right, at idle and held at 2,500 rpm?",
    channels=(
        "fuel_trim_short and fuel_trim_long",
        "engine_speed",
        "vehicle_speed",
        "coolant (or oil)",
        "fuel_status where the car gives it; else steady and warm stands in",
        "pedal where the car gives it; else up to 1,100 rpm while standing stands in for released",
        "fuel_trim_short_2 and fuel_trim_long_2 where there are two banks",
    ),
    quantity="mean of short + long trim over warm idle, and over "
    f"{HELD_FROM_RPM:.0f} to {HELD_TO_RPM:.0f} rpm held 30 s (from {SETTLING_S:.0f} s after the "
    f"speed is reached to {LEAVING_S:.0f} s before it is left), each bank by itself, with the "
    "effective number of independent readings",
    limits=f"±{LIMIT:.0f} % at each point ({COMMON_PRACTICE}), or the vehicle's own trim_limit; "
    f"leak-likely where idle is surely more than {LEAK_POINTS:.0f} points leaner",
    findings={
        "within": Verdict.PASS,
        "leak-likely": Verdict.FAIL,
        "lean-everywhere": Verdict.FAIL,
        "lean": Verdict.FAIL,
        "rich": Verdict.FAIL,
        "near-limit": Verdict.UNDECIDED,
        "held-speed-missing": Verdict.UNDECIDED,
        "no-idle": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "not-warm": Verdict.UNDECIDED,
        "open-loop": Verdict.UNDECIDED,
        "sum-unknown": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
        "drops-out": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
        "spec-implausible": Verdict.UNDECIDED,
    },
    run=run_fuel_trim,
    uses=("warm_coolant", "trim_limit"),
    settles={
        "near-limit": "record 2 min more of warm idle and hold 2,500 rpm for 60 s; then look again "
        "after a longer drive",
        "frozen": _SETTLE_FROZEN,
        "held-speed-missing": SETTLE_HELD,
        "no-idle": SETTLE_IDLE,
    },
    look_alikes=(
        "purge of the fuel tank (after refuelling, hot days): rich for minutes, then gone; wait "
        "and record again",
        "fuel with alcohol, or another fuel than usual: lean by the same share at idle and at "
        "2,500 rpm until it is learned",
        "codes just cleared or battery off: the long trim starts at 0 and the short one carries "
        "all; the sum of both is right from the first warm minute",
        "a logger that writes on the last trim it had: where the short one stands still at a whole "
        "point, that point is not judged",
        "a logger that writes 0 where nothing was read: such a trim is not averaged",
        "coasting and full load leave closed loop: told by fuel status, else by the pedal",
    ),
    blind_spots=(
        "the second bank of a V engine, where only bank 1 is recorded",
        "a sensor in the exhaust that reads wrongly: the trims follow it and look calm",
        "a leak that shows under load or boost only",
        "whether the trims go on adapting: judge again after the next drives",
    ),
)
