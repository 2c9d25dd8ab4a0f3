"""Proof at hand-back: do the car's own counters since the clear cover the drive that was made.

Parameters 31 (distance, km), 4E (time with the engine running, min) and 30 (warm-ups) start at zero
when codes are cleared (SAE J1979 / ISO 15031-5, from memory). Had somebody cleared codes after the
road test, they would show less than the drive. Typed or decoded, they are whole numbers, and so is
an odometer: within their last places nothing is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from verify.car.whole_counts import (
    ONE_BYTE_FULL,
    TWO_BYTES_FULL,
    Span,
    counter_span,
    typed_span,
)
from verify.errors import Problem, UserError, unknown
from verify.quantity import Quantity, parse
from verify.values import dataclass
from verify.words import Verdict


@dataclass(frozen=True, slots=True)
class Counters:
    """What the car counts since the clear; None where not read or not supported.

    A span where the reader showed another unit (miles, hours) than the counter's own. Raises
    ValueError outside what the counters carry.
    """

    distance_km: int | Span | None = None
    minutes: int | Span | None = None
    warm_ups: int | None = None

    def __post_init__(self) -> None:
        for value, full in (
            (self.distance_km, TWO_BYTES_FULL),
            (self.minutes, TWO_BYTES_FULL),
            (self.warm_ups, ONE_BYTE_FULL),
        ):
            if value is not None:
                as_span(value, full)

    def to_json(self) -> dict[str, object]:
        def plain(value: int | Span | None) -> object:
            if value is None:
                return "not read"
            return [value.low, value.high] if isinstance(value, Span) else value

        return {
            "distance_km": plain(self.distance_km),
            "minutes": plain(self.minutes),
            "warm_ups": plain(self.warm_ups),
        }


def as_span(value: int | Span, full: int) -> Span:
    """All that a counter can stand for. Raises ValueError outside 0 … full."""
    if not isinstance(value, Span):
        return counter_span(value, full)
    if not 0 <= value.low <= full:
        raise ValueError(f"a counter lies between 0 and {full}")
    return value


@dataclass(frozen=True, slots=True)
class Drive:
    """From the start of the road test until the counters were read; None where not known.

    distance_km: high is infinite where part of the drive was not seen. minutes: with the engine
    running. warm_ups: complete warm-ups that are known to lie in it; 0 where none is shown.
    """

    distance_km: Span | None = None
    minutes: Span | None = None
    warm_ups: int = 0


@dataclass(frozen=True, slots=True)
class Proof:
    """verdict: pass (covers), fail (does not cover) or undecided. why: a sentence a counter;
    settle: what hands can do about an undecided one."""

    verdict: Verdict
    finding: str
    why: tuple[str, ...]
    settle: str = ""


# Each finding belongs to one verdict.
FINDINGS = {
    "covers": Verdict.PASS,
    "does-not-cover": Verdict.FAIL,
    "too-close": Verdict.UNDECIDED,
    "nothing-to-compare": Verdict.UNDECIDED,
    # See `told_clear`.
    "clear-not-seen": Verdict.UNDECIDED,
}


def between_odometers(before: Quantity, after: Quantity) -> Span:
    """The distance between two odometer readings, in km, each open by its last place.

    Raises UserError where the second is smaller, or a unit is no distance.
    """
    first, last = before.to("km"), after.to("km")
    if last.value < first.value:
        raise UserError(
            Problem(
                found=f"{after} after {before}",
                expected="an odometer that does not run backwards",
                next="read both again",
                field="odometer",
            )
        )
    difference = float(last.value - first.value)
    # Both cut off the same way, so the error of the difference is one last place, not two; where
    # the two were typed to different places the coarser counts.
    place = float(max(first.last_place, last.last_place))
    return Span(max(difference - place, 0.0), difference + place)


def covers_drive(counters: Counters, drive: Drive) -> Proof:
    """Whether distance, time and warm-ups since the clear cover the drive.

    One counter that is surely short fails it. Else distance or time must surely cover; a count of
    warm-ups can contradict but proves nothing alone, since it does not move on a short drive.
    """
    found: list[bool | None] = []
    why: list[str] = []
    for name, unit, value, need in (
        ("distance", "km", counters.distance_km, drive.distance_km),
        ("time", "min", counters.minutes, drive.minutes),
    ):
        if value is None or need is None:
            missing = "since the clear was not read" if value is None else "of the drive is unknown"
            why.append(f"the {name} {missing}")
            continue
        span = as_span(value, TWO_BYTES_FULL)
        result = span.covers(need)
        found.append(result)
        said = {True: "covers", False: "does not cover", None: "is too close to tell against"}
        least = "at least " if value == TWO_BYTES_FULL else ""
        full = ": the counter is at its end" if least else ""
        unseen = ""
        if result is None and math.isinf(need.high):
            unseen = f": how many {unit} the drive had at most is not known"
        elif result is None:
            unseen = (
                f": a clear in its first {max(need.high - span.low, 0.0):.3g} {unit} would not show"
            )
        why.append(
            f"{least}{counted(value)} {unit} since the clear {said[result]} {_span(need, unit)}"
            f"{full}{unseen}"
        )
    if counters.warm_ups is not None and not drive.warm_ups:
        least = "at least " if counters.warm_ups == ONE_BYTE_FULL else ""
        why.append(
            f"{least}{counters.warm_ups} warm-ups since the clear decide nothing: no complete "
            "warm-up is known to lie in the drive"
        )
    if counters.warm_ups is not None and drive.warm_ups:
        enough = counters.warm_ups >= drive.warm_ups
        if not enough:
            found.append(False)
        least = "at least " if counters.warm_ups == ONE_BYTE_FULL else ""
        why.append(
            f"{least}{counters.warm_ups} warm-ups since the clear, {drive.warm_ups} in the drive"
            + (": agrees, which alone proves nothing" if enough else ": does not cover")
        )
    if False in found:
        return _proof("does-not-cover", why)
    if True in found:
        return _proof("covers", why)
    if not found:
        return _proof(
            "nothing-to-compare",
            why,
            "read distance (31) and time (4E) since the clear, and the odometer before and after "
            "the drive",
        )
    return _proof(
        "too-close",
        why,
        "the counters show whole kilometres and minutes: read the time since the clear (4E) as "
        "well, which also counts the idle before the drive; or repeat the drive without clearing",
    )


def _proof(finding: str, why: list[str], settle: str = "") -> Proof:
    return Proof(FINDINGS[finding], finding, tuple(why), settle)


def counted(value: int | Span) -> str:
    """A count in words, without its unit."""
    return f"about {(value.low + value.high) / 2:.4g}" if isinstance(value, Span) else str(value)


def _span(span: Span, unit: str) -> str:
    if math.isinf(span.high):
        return f"a drive of at least {span.low:.4g} {unit}"
    if span.low == span.high:
        return f"a drive of {span.low:g} {unit}"
    return f"a drive of {span.low:.4g} to {span.high:.4g} {unit}"


def cleared_since(counters: Counters, driven_since_km: Span) -> bool | None:
    """Whether the clear that was told of really happened: more km since the clear than were driven
    since it was told means that it did not. None: not read."""
    if counters.distance_km is None:
        return None
    span = as_span(counters.distance_km, TWO_BYTES_FULL)
    return span.low <= driven_since_km.high


# A distance or a time that somebody remembers. Common practice, no source.
TOLD_SHARE = 0.25
UNREAD = frozenset({"", "?", "-", "not read", "not supported", "n/a"})
# How an answer names the counters, each with its own unit and its end.
COUNTED: Mapping[str, tuple[str, int]] = {
    "distance": ("km", TWO_BYTES_FULL),
    "time": ("min", TWO_BYTES_FULL),
    "warm-ups": ("", ONE_BYTE_FULL),
}


def counters_from_typed(values: Mapping[str, str]) -> Counters:
    """distance ("23 km"), time ("41 min"), warm-ups ("2"), each may be "not read" or left out.

    Raises UserError for other names, unlike units, numbers that the counter cannot carry.
    """
    found: dict[str, int | Span | None] = dict.fromkeys(COUNTED)
    for name, text in values.items():
        if name not in COUNTED:
            raise UserError(unknown(name, COUNTED, "count since the clear"))
        unit, full = COUNTED[name]
        if text.strip().casefold() in UNREAD:
            continue
        quantity = parse(text, expect=unit) if unit else parse(text)
        own = quantity.to(unit) if unit else quantity
        whole = own.value.denominator == 1 and quantity.unit == own.unit
        if own.value < 0 or own.value > full or not (unit or (whole and own.unit == "1")):
            raise UserError(
                Problem(
                    found=f'"{text.strip()}"',
                    expected=f"a count from 0 to {full} {unit}".strip(),
                    next="read it again",
                    field=name,
                )
            )
        found[name] = int(own.value) if whole else typed_span(quantity, unit)
    warm_ups = found["warm-ups"]
    assert not isinstance(warm_ups, Span)
    return Counters(found["distance"], found["time"], warm_ups)


def drive_from_told(values: Mapping[str, str]) -> Drive:
    """The drive as somebody remembers it: distance, time, each may be left out or "not read".

    Open by a quarter to both sides beside the last place typed. Raises UserError.
    """
    found: dict[str, Span | None] = {"distance": None, "time": None}
    for name, text in values.items():
        if name not in found:
            raise UserError(unknown(name, found, "size of a drive"))
        if text.strip().casefold() in UNREAD:
            continue
        unit, _ = COUNTED[name]
        quantity = parse(text, expect=unit)
        if not quantity.value > 0:
            raise UserError(
                Problem(
                    found=f'"{text.strip()}"',
                    expected="a drive longer than nothing",
                    next="say about how far or how long it was, or ? if nobody knows",
                    field=name,
                )
            )
        span = typed_span(quantity, unit)
        found[name] = Span(span.low * (1 - TOLD_SHARE), span.high * (1 + TOLD_SHARE))
    return Drive(found["distance"], found["time"])
