"""The freeze frame: what the engine was doing when a code was stored, and how to go back there.

Service 02 (SAE J1979 / ISO 15031-5), typed or decoded, as one typed record. From it follow the
window of similar conditions and, in plain words, the drive that would revisit it within the law, or
that none can.

Similar conditions, 13 CCR 1968.2: engine speed within 375 rpm, load within 20 %, same warm-up state
(from memory). Makers' texts of 2003 to 2006 print 10 % load (seen): the load window is a setting.
Warm: 160 °F (71.1 °C) coolant, the end of a warm-up cycle (second-hand).
Words for gears, loads and speed bands: common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import fields
from enum import StrEnum

from verify.errors import Problem, UserError, nearest, unknown
from verify.quantity import float_factors, parse, show, shown_unit
from verify.values import dataclass

RPM_WINDOW = 375.0
LOAD_WINDOW_PCT = 20.0
WARM_C = (160.0 - 32.0) / 1.8  # 160 °F
# Above this a standing engine is held up by the pedal. Common practice: warm idle 600 to 900 rpm,
# cold fast idle to 1 500.
WARM_IDLE_MOST_RPM = 1100.0
COLD_IDLE_MOST_RPM = 1600.0


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """Values as stored; None where not read or not supported. code: which code stored it, "" where
    not read. Percentages in %, fuel trims signed. Raises ValueError for what is not finite."""

    code: str = ""
    speed_kmh: float | None = None
    rpm: float | None = None
    load_pct: float | None = None
    coolant_c: float | None = None
    trim_short_1_pct: float | None = None
    trim_long_1_pct: float | None = None
    trim_short_2_pct: float | None = None
    trim_long_2_pct: float | None = None
    pressure_kpa: float | None = None
    throttle_pct: float | None = None

    def __post_init__(self) -> None:
        for name in NAMES.values():
            value = getattr(self, name.field)
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{name.field} is not finite")

    @property
    def warm(self) -> bool | None:
        return None if self.coolant_c is None else self.coolant_c >= WARM_C

    def to_json(self) -> dict[str, object]:
        return {f.name: getattr(self, f.name) for f in fields(self)}


@dataclass(frozen=True, slots=True)
class _Value:
    field: str
    unit: str
    low: float
    high: float
    pid: int


# What a person types, where it goes, and what the parameter can carry (SAE J1979 / ISO 15031-5).
NAMES: Mapping[str, _Value] = {
    "speed": _Value("speed_kmh", "km/h", 0, 255, 0x0D),
    "rpm": _Value("rpm", "rpm", 0, 16383.75, 0x0C),
    "load": _Value("load_pct", "%", 0, 100, 0x04),
    "coolant": _Value("coolant_c", "°C", -40, 215, 0x05),
    "trim_short_1": _Value("trim_short_1_pct", "%", -100, 99.3, 0x06),
    "trim_long_1": _Value("trim_long_1_pct", "%", -100, 99.3, 0x07),
    "trim_short_2": _Value("trim_short_2_pct", "%", -100, 99.3, 0x08),
    "trim_long_2": _Value("trim_long_2_pct", "%", -100, 99.3, 0x09),
    "pressure": _Value("pressure_kpa", "kPa", 0, 255, 0x0B),
    "throttle": _Value("throttle_pct", "%", 0, 100, 0x11),
}
_BY_PID = {value.pid: value for value in NAMES.values()}
_NO_FRAME = ("P0000", "0000")  # service 02, parameter 02: two zero bytes
_UNREAD = frozenset({"", "-", "–", "--", "n/a", "unknown", "not read", "not supported", "?"})


def frame_from_typed(values: Mapping[str, str], code: str = "") -> FreezeFrame:
    """Name → number with its unit, as typed ("62 km/h", "39 mph", a bare "1900" for rpm).

    A value left empty, or said to be unknown, stays not read. Raises UserError with every problem:
    unknown names, unlike units, numbers that the parameter cannot carry.
    """
    found: dict[str, float] = {}
    wrong: list[Problem] = []
    for name, text in values.items():
        value = NAMES.get(name)
        if value is None:
            problem = unknown(name, NAMES, "value of a freeze frame")
            # Nobody at a car can add one.
            next_ = problem.next if nearest(name, NAMES) else "leave it out, or write one of these"
            wrong.append(problem._replace(next=next_))
            continue
        if text.strip().casefold() in _UNREAD:
            continue
        try:
            number = float(parse(text, expect=value.unit).to(value.unit).value)
        except UserError as error:
            wrong += [p.within(field=name) for p in error.problems]
            continue
        if not value.low <= number <= value.high:
            wrong.append(
                Problem(
                    found=f'"{text.strip()}"',
                    expected=f"{value.low:g} to {value.high:g} {value.unit}, all that the car can "
                    "store",
                    next="read the freeze frame again",
                    field=name,
                )
            )
            continue
        found[value.field] = number
    if wrong:
        raise UserError(*wrong)
    return FreezeFrame(code.strip().upper(), **found)


def frame_from_line(text: str) -> FreezeFrame:
    """One line as a person types it: "code P0507, speed 62 km/h, rpm 1900, load 35 %".

    The unit may be left out where the name says it. Raises UserError, as `frame_from_typed`.
    """
    values: dict[str, str] = {}
    for item in re.split(r"[;,]\s+|[;,]$|;", text):
        name, _, value = item.strip().replace("=", " ").replace(":", " ").partition(" ")
        if not name:
            continue
        if name.casefold() in values:
            raise UserError(Problem(f'"{name}" twice', "each value once", "give it once"))
        values[name.casefold()] = value.strip()
    code = values.pop("code", "")
    return frame_from_typed(values, code)


def frame_from_parameters(values: Mapping[int, float], code: str = "") -> FreezeFrame:
    """Decoded values by parameter number, in the standard's units (0x0D: km/h, 0x05: °C …).

    Parameters that a freeze frame does not need here are left out. Raises ValueError for numbers
    that are not finite.
    """
    found = {_BY_PID[pid].field: float(v) for pid, v in values.items() if pid in _BY_PID}
    return FreezeFrame(code.strip().upper(), **found)


class Revisit(StrEnum):
    """Whether a drive can go back to the frame."""

    DRIVE = "drive"
    STAND = "stand"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Proposal:
    """kind; words: what to do, or why nothing can be done; window: what counts as similar, "" where
    unknown; cautions: what to mind."""

    kind: Revisit
    words: str
    window: str = ""
    cautions: tuple[str, ...] = ()


def propose(
    frame: FreezeFrame,
    *,
    speed_limit_kmh: float,
    for_code: str = "",
    load_window_pct: float = LOAD_WINDOW_PCT,
    system: str = "metric",
) -> Proposal:
    """The drive that would revisit the frame, in plain words, or why none can.

    speed_limit_kmh: the highest lawful speed where the drive would be made; never exceeded.
    for_code: the code that was repaired; a frame of another code says nothing of it.
    system: "metric" or "us". Raises ValueError where the limit or the load window is not above 0.
    """
    if not speed_limit_kmh > 0 or not load_window_pct > 0:
        raise ValueError("the speed limit and the load window must be above 0")
    if frame.code in _NO_FRAME:
        return Proposal(Revisit.NONE, "No drive follows from it: no freeze frame is stored.")
    wanted = for_code.strip().upper()
    if wanted and frame.code and frame.code != wanted:
        words = (
            f"No drive follows from it: the frame was stored by {frame.code}, not by {wanted}. "
            f"What the engine did when {wanted} was set is not known."
        )
        return Proposal(Revisit.NONE, words)
    cautions: tuple[str, ...] = ()
    if wanted and not frame.code:
        cautions = (f"Which code stored the frame was not read; it may not have been {wanted}.",)
    missing = [
        words
        for words, value in (
            ("engine speed", frame.rpm),
            ("road speed", frame.speed_kmh),
            ("load", frame.load_pct),
            ("coolant temperature", frame.coolant_c),
        )
        if value is None
    ]
    # An engine that stood needs no more than that to be known.
    if frame.rpm == 0:
        return _not_running(frame, system, cautions)
    if missing:
        words = (
            f"No drive can be named: {_listed(missing)} not in the frame. Ask when it happened, "
            "and drive as the customer describes it."
        )
        return Proposal(Revisit.NONE, words, "", cautions)
    assert frame.rpm is not None  # narrowed by `missing`
    assert frame.speed_kmh is not None
    assert frame.load_pct is not None
    window = _window(frame, load_window_pct, system)
    if frame.speed_kmh == 0:
        return _standing(frame, window, cautions)
    if frame.speed_kmh > speed_limit_kmh:
        words = (
            f"No lawful drive goes back there: the frame was stored at "
            f"{show(frame.speed_kmh, 'km/h', system)}, and the limit is "
            f"{show(speed_limit_kmh, 'km/h', system)}. The same engine speed and load in a lower "
            "gear, within the limit, is close, but not the same road speed."
        )
        return Proposal(Revisit.NONE, words, window, cautions)
    low, high = _band(frame.speed_kmh, speed_limit_kmh, system)
    unit = shown_unit("km/h", system)
    pace = f"steady {low}–{high}" if low else f"crawl at up to {high}"
    parts = [
        f"{pace} {unit} {_gear(frame.rpm, frame.speed_kmh)}",
        f"about {_rounded(frame.rpm, 100):,} rpm",
        _load_words(frame.load_pct),
        "warm" if frame.warm else f"cold, from a start below {show(WARM_C, '°C', system)}",
    ]
    if frame.load_pct > 80:
        cautions = (*cautions, "Full load only uphill or accelerating where law and road allow it.")
    if frame.speed_kmh < 25 or frame.load_pct > 50:
        cautions = (*cautions, "A moment like this passes quickly: repeat it several times.")
    return Proposal(Revisit.DRIVE, ", ".join(parts), window, cautions)


def _not_running(frame: FreezeFrame, system: str, cautions: tuple[str, ...]) -> Proposal:
    if frame.speed_kmh:
        words = (
            f"No drive goes back there: 0 rpm at {show(frame.speed_kmh, 'km/h', system)}. Either "
            "the engine had stopped while the car rolled, or the engine speed signal was lost. "
            "Do not try to repeat it on the road."
        )
    else:
        words = (
            "No drive goes back there: the engine was not running (0 rpm). Switch the key on, "
            "engine off, wait, then try to start, and read the codes again."
        )
    return Proposal(Revisit.NONE, words, "", cautions)


def _standing(frame: FreezeFrame, window: str, cautions: tuple[str, ...]) -> Proposal:
    assert frame.rpm is not None
    temperature = "warm" if frame.warm else "from a cold start"
    most = WARM_IDLE_MOST_RPM if frame.warm else COLD_IDLE_MOST_RPM
    if frame.rpm <= most:
        words = f"No drive is needed: stand and let it idle, {temperature}, foot off the pedal"
    else:
        words = (
            f"No drive is needed: stand in P or neutral and hold about "
            f"{_rounded(frame.rpm, 100):,} rpm, {temperature}"
        )
    if frame.load_pct is not None and frame.load_pct > 35:
        words += (
            f"; the load was {frame.load_pct:.0f} %, more than a bare engine needs: with air "
            "conditioning, lights and blower on"
        )
    return Proposal(Revisit.STAND, words, window, cautions)


def _band(speed_kmh: float, limit_kmh: float, system: str) -> tuple[int, int]:
    """A band of ten around the speed, on fives, in the units the person chose, within the limit."""
    scale, _ = float_factors("km/h", shown_unit("km/h", system))
    speed, limit = speed_kmh * scale, math.floor(limit_kmh * scale + 1e-9)
    low = max(5 * round((speed - 5) / 5), 0)
    high = low + 10
    if high > limit:
        high = limit
        low = min(low, max(high - 5, 0))
    return int(low), int(high)


def _gear(rpm: float, speed_kmh: float) -> str:
    """Which gear it may have been, from engine speed a km/h. Common practice, no source."""
    ratio = rpm / speed_kmh
    if ratio < 38:
        return "in a high gear"
    return "in a middle gear" if ratio < 70 else "in a low gear"


def _load_words(load_pct: float) -> str:
    if load_pct < 40:
        return "light load"
    if load_pct < 70:
        return "medium load (a gentle climb or accelerating gently)"
    return "heavy load (uphill, or accelerating firmly)"


def _rounded(value: float, step: int) -> int:
    return int(step * round(value / step))


def _listed(words: list[str]) -> str:
    if len(words) == 1:
        return f"{words[0]} is"
    return f"{', '.join(words[:-1])} and {words[-1]} are"


def _window(frame: FreezeFrame, load_window_pct: float, system: str) -> str:
    assert frame.rpm is not None
    assert frame.load_pct is not None
    state = "warm" if frame.warm else "cold"
    return (
        f"{max(frame.rpm - RPM_WINDOW, 0):.0f} to {frame.rpm + RPM_WINDOW:.0f} rpm, load "
        f"{max(frame.load_pct - load_window_pct, 0):.0f} to "
        f"{min(frame.load_pct + load_window_pct, 100):.0f} %, {state} (coolant "
        f"{'at least' if frame.warm else 'below'} {show(WARM_C, '°C', system)})"
    )


def similar(
    frame: FreezeFrame,
    rpm: float | None,
    load_pct: float | None,
    coolant_c: float | None,
    *,
    load_window_pct: float = LOAD_WINDOW_PCT,
) -> bool | None:
    """Whether a moment is like the frame: engine speed within 375 rpm, load within the window, same
    warm-up state, ends included. None where a value is missing and the others do not rule it out.

    Load is compared in percentage points. NaN is missing. Source: see the module.
    """
    parts: list[bool | None] = []
    for value, stored, window in (
        (rpm, frame.rpm, RPM_WINDOW),
        (load_pct, frame.load_pct, load_window_pct),
    ):
        if value is None or stored is None or not math.isfinite(value):
            parts.append(None)
        else:
            parts.append(abs(value - stored) <= window)
    if coolant_c is None or frame.warm is None or not math.isfinite(coolant_c):
        parts.append(None)
    else:
        parts.append((coolant_c >= WARM_C) is frame.warm)
    if False in parts:
        return False
    return None if None in parts else True
