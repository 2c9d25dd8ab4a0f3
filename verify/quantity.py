"""Numbers with units, as people type them, and their exact conversion.

The one home of units: flows, readings, specs, recordings and reports all convert here. Values are
`Fraction`, so that a branch at 86 °F and one at 30 °C are the same number and not nearly so.

Factors are exact by definition (international yard and pound 1959, standard gravity, mercury of
conventionally 13 595.1 kg/m³); digits as NIST SP 811 App. B.8. `pint` is the oracle in the tests.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from verify.errors import Problem, UserError, nearest, unknown
from verify.values import dataclass

_GRAVITY = Fraction(980665, 100_000)
_LBF_N = Fraction(45359237, 100_000_000) * _GRAVITY
_INCH_M = Fraction(254, 10_000)
_FOOT_M = Fraction(3048, 10_000)
_MILE_KM = Fraction(1609344, 1_000_000)


@dataclass(frozen=True, slots=True)
class Unit:
    """base value = value · scale + offset, base being the first unit of its dimension."""

    name: str
    dimension: str
    scale: Fraction
    offset: Fraction = Fraction(0)
    spellings: tuple[str, ...] = ()


def _u(name: str, dimension: str, scale: Fraction | int, *spellings: str) -> Unit:
    return Unit(name, dimension, Fraction(scale), Fraction(0), spellings)


_UNITS: tuple[Unit, ...] = (
    _u("rpm", "rotational speed", 1, "1/min", "/min", "r/min", "min-1", "u/min", "rev/min"),
    _u("km/h", "speed", 1, "kmh", "kph", "kmph", "km/hr"),
    _u("mph", "speed", _MILE_KM, "mi/h", "miles/h"),
    _u("m/s", "speed", Fraction(36, 10), "mps"),
    _u("km", "distance", 1),
    _u("mi", "distance", _MILE_KM, "mile", "miles"),
    _u("m", "distance", Fraction(1, 1000), "metre", "meter"),
    Unit("°C", "temperature", Fraction(1), Fraction(0), ("degc", "c", "deg c", "celsius")),
    Unit(
        "°F", "temperature", Fraction(5, 9), Fraction(-160, 9), ("degf", "f", "deg f", "fahrenheit")
    ),
    _u("V", "voltage", 1, "volt", "volts"),
    _u("mV", "voltage", Fraction(1, 1000)),
    _u("N·m", "torque", 1, "nm", "n.m", "n-m", "n m"),
    _u("ft·lbf", "torque", _LBF_N * _FOOT_M, "ft-lbf", "ft.lbf", "ftlbf", "ft lbf", "ft-lb",
       "ft·lb", "ft lb", "lb-ft", "lbf-ft", "lbf·ft", "lb ft", "lb·ft", "ft-lbs", "ft lbs",
       "ftlbs", "ftlb", "lbft", "lbs-ft", "lbs ft", "foot-pounds", "foot pounds"),
    _u("in·lbf", "torque", _LBF_N * _INCH_M, "in-lbf", "in.lbf", "inlbf", "in lbf", "in-lb",
       "in·lb", "in lb", "lb-in", "lbf-in", "lbf·in", "lb in", "lb·in", "in-lbs", "in lbs",
       "inlbs", "inlb", "lbin", "lbs-in", "lbs in", "inch-pounds", "inch pounds"),
    _u("kgf·m", "torque", _GRAVITY, "kgf-m", "kgfm", "kgf m"),
    _u("kPa", "pressure", 1),
    _u("Pa", "pressure", Fraction(1, 1000)),
    _u("bar", "pressure", 100),
    _u("psi", "pressure", _LBF_N / (_INCH_M * _INCH_M) / 1000),
    _u("inHg", "pressure", _INCH_M * Fraction(135951, 10) * _GRAVITY / 1000, "in hg"),
    _u("s", "time", 1, "sec", "second", "seconds"),
    _u("ms", "time", Fraction(1, 1000)),
    _u("min", "time", 60, "minute", "minutes"),
    _u("h", "time", 3600, "hr", "hour", "hours"),
    _u("day", "time", 86400, "days", "d"),
    _u("%", "share", 1, "percent", "pct"),
    _u("°", "angle", 1, "deg", "degree", "degrees"),
    _u("g/s", "mass flow", 1, "gps", "g/sec"),
    _u("kg/h", "mass flow", Fraction(1000, 3600)),
    _u("N", "force", 1, "newton"),
    _u("lbf", "force", _LBF_N),
    _u("kg", "mass", 1),
    _u("lb", "mass", Fraction(45359237, 100_000_000), "lbs", "pound", "pounds"),
    _u("1", "number", 1, "", "count"),
)  # fmt: skip

UNITS: dict[str, Unit] = {u.name: u for u in _UNITS}
_BY_SPELLING = {s.casefold(): u for u in _UNITS for s in (u.name, *u.spellings)}

# What a person who thinks in US units sees for a metric unit, and the other way round.
_US = {"km/h": "mph", "km": "mi", "°C": "°F", "N·m": "ft·lbf", "kPa": "psi", "kg": "lb"}
_METRIC = {us: metric for metric, us in _US.items()} | {"in·lbf": "N·m", "inHg": "kPa"}


def unit(text: str) -> Unit:
    """The unit behind a spelling. Raises UserError (with the nearest known one) where unknown."""
    key = " ".join(text.strip().replace("º", "°").casefold().split())
    if key in ("°c", "° c"):
        key = "°c"
    found = _BY_SPELLING.get(key)
    if found is None:
        problem = unknown(text.strip(), UNITS, "unit")
        guess = nearest(key, [s for s in _BY_SPELLING if s])
        if guess:
            advice = f'write "{_BY_SPELLING[guess].name}"'
            problem = Problem(problem.found, problem.expected, advice)
        raise UserError(problem)
    return found


def is_unit(text: str) -> bool:
    try:
        unit(text)
    except UserError:
        return False
    return True


def convert(value: Fraction, source: str, target: str) -> Fraction:
    """`value` in unit `source`, exactly, in unit `target`. Raises UserError where unlike."""
    a, b = unit(source), unit(target)
    if a.dimension != b.dimension:
        raise UserError(
            Problem(
                found=f"{a.name}, a unit of {a.dimension}",
                expected=f"a unit of {b.dimension}, such as {b.name}",
                next=f"give the number in {b.name}",
            )
        )
    return (value * a.scale + a.offset - b.offset) / b.scale


def convert_span(value: Fraction, source: str, target: str) -> Fraction:
    """As `convert` for a difference: a rise of 40 °F is 22.2 K, whatever the zero point."""
    a, b = unit(source), unit(target)
    if a.dimension != b.dimension:
        convert(value, source, target)
    return value * a.scale / b.scale


def float_factors(source: str, target: str) -> tuple[float, float]:
    """(scale, offset) such that target = source · scale + offset, for arrays."""
    zero = convert(Fraction(0), source, target)
    return float(convert(Fraction(1), source, target) - zero), float(zero)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, exactly as typed.

    last_place: the size of the last digit typed ("7.40" → 1/100), in `unit`; half of it bounds
    what rounding by the person hid.
    text: the number as typed, so that a record can show it again unchanged; after a conversion,
    the converted number to about the same place.
    """

    value: Fraction
    unit: str
    last_place: Fraction
    text: str

    def to(self, target: str) -> Quantity:
        """The same quantity in another unit. Raises UserError where the units are unlike."""
        name = unit(target).name
        if name == self.unit:
            return self
        value = convert(self.value, self.unit, name)
        place = convert_span(self.last_place, self.unit, name)
        return Quantity(value, name, place, _rounded(value, place))

    def __str__(self) -> str:
        return self.text if self.unit == "1" else f"{self.text} {self.unit}"


def with_unit(text: str, unit_name: str) -> str:
    """A number as typed with its unit, as `parse` reads it; a bare number has none to show."""
    return text if unit_name == "1" else f"{text} {unit_name}"


def _rounded(value: Fraction, place: Fraction) -> str:
    """A value with as many decimals as its last place is worth (at most 12)."""
    decimals = 0
    while decimals < 12 and Fraction(1, 10**decimals) > place:
        decimals += 1
    return f"{float(round(value, decimals)):.{decimals}f}"


_MAX_TYPED = 60  # characters; nobody types a longer number, and long ones are slow to make exact
_NUMBER = re.compile(
    r"\s*([+\-−]?)\s*([0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE]([+-]?[0-9]{1,2}))?\s*(.*?)\s*"
)
_EXAMPLE = {"torque": "10", "voltage": "12.5", "temperature": "90", "share": "10", "time": "10"}


def parse(text: str, *, expect: str | None = None) -> Quantity:
    """Reads "750 rpm", "7,4 ft·lbf" or (with `expect`) a bare "750".

    expect: a unit whose dimension the quantity must have; a number without unit takes it.
    Torque never takes a unit silently: a bare number, or one in plain "lb", can be off by 12.
    Raises UserError.
    """
    wanted = unit(expect) if expect else None
    match = _NUMBER.fullmatch(text) if len(text) <= _MAX_TYPED else None
    if match is None:
        example = _EXAMPLE.get(wanted.dimension, "750") if wanted else "750"
        raise UserError(
            Problem(
                found=f'"{text}"',
                expected=f"a number with a unit of {wanted.dimension}" if wanted else "a number",
                next=f'write for example "{example} {wanted.name if wanted else "rpm"}"',
            )
        )
    sign, digits, exponent, unit_text = match.groups()
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", digits):
        raise UserError(
            Problem(
                found=f'"{digits}"',
                expected="a number without thousands marks",
                next=f'write "{digits.replace(",", "")}" or "{digits.replace(",", ".")}"',
            )
        )
    if re.match(r"[0-9.,'’]", unit_text):
        raise UserError(
            Problem(
                found=f'"{text.strip()}"',
                expected="one number, without thousands marks or gaps",
                next="write its digits together, with one decimal sign at most",
            )
        )
    digits = digits.replace(",", ".")
    value = Fraction(digits if digits[0] != "." else "0" + digits)
    places = len(digits.split(".")[1]) if "." in digits else 0
    power = int(exponent or 0)
    value *= Fraction(10) ** power
    last_place = Fraction(10) ** (power - places)
    if sign in ("-", "−"):
        value = -value
    shown = ("-" if sign in ("-", "−") else "") + digits + (f"e{exponent}" if exponent else "")
    # "lb" alone, "in" and "ft" are how a torque is said when its unit is not.
    bare = unit_text.casefold() in ("", "lb", "lbs") or not is_unit(unit_text)
    if wanted is not None and wanted.dimension == "torque" and bare:
        raise UserError(
            Problem(
                found=f'"{text.strip()}"',
                expected="a torque with its unit spelled out",
                next=f'write "{shown} Nm", "{shown} in-lbf" or "{shown} ft-lbf": '
                "the last two differ by a factor of 12",
            )
        )
    if unit_text == "" and wanted is not None:
        return Quantity(value, wanted.name, last_place, shown)
    try:
        found = unit(unit_text)
    except UserError:
        if wanted is None:
            raise
        raise UserError(
            Problem(
                found=f'"{text.strip()}"',
                expected=f"a number with a unit of {wanted.dimension}",
                next=f'write "{shown} {_meant(unit_text, wanted)}"',
            )
        ) from None
    quantity = Quantity(value, found.name, last_place, shown)
    if wanted is not None and found.dimension != wanted.dimension:
        convert(value, found.name, wanted.name)
    return quantity


def _meant(text: str, wanted: Unit) -> str:
    """The unit of the wanted dimension that a misspelt one most likely is."""
    fitting = [s for s, u in _BY_SPELLING.items() if s and u.dimension == wanted.dimension]
    guess = nearest(text.casefold(), fitting)
    return _BY_SPELLING[guess].name if guess else wanted.name


def shown_unit(name: str, system: str) -> str:
    """The unit a person who chose `system` ("metric" or "us") sees for a value in unit `name`."""
    return (_US if system == "us" else _METRIC).get(name, name)


def show(value: float, source: str, system: str = "metric", *, digits: int = 3) -> str:
    """A value as people read it: converted to the chosen system, rounded to `digits` figures.

    What is no finite number is said to be unknown.
    """
    target = shown_unit(source, system)
    scale, offset = float_factors(source, target)
    number = value * scale + offset + 0.0  # never "-0"
    if not math.isfinite(number):
        return "unknown"
    size = abs(number)
    if size >= 10 ** (digits - 1) or number == int(number):
        text = f"{number:.0f}"
    else:
        text = f"{number:.{digits}g}"
        if "e" in text:
            text = f"{number:.12f}".rstrip("0").rstrip(".")
    return f"{text} {target}".strip() if target != "1" else text


@dataclass(frozen=True, slots=True)
class SpecValue:
    """A number that belongs to this vehicle, with where it came from.

    source: "service information", "standard" or "common practice"; detail: document, page, date.
    """

    quantity: Quantity
    source: str
    detail: str = ""
