"""Units against the world: pint (an independent registry), NIST SP 811, and worked examples."""

from __future__ import annotations

import csv
from fractions import Fraction
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from verify.quantity import UNITS, convert, convert_span, float_factors, parse

# Our name → how pint spells it.
SPELT = {
    "rpm": "rpm", "km/h": "km/h", "mph": "mph", "m/s": "m/s", "km": "km", "mi": "mile", "m": "m",
    "°C": "degC", "°F": "degF", "V": "V", "mV": "mV", "N·m": "N*m", "ft·lbf": "ft*force_pound",
    "in·lbf": "inch*force_pound", "kgf·m": "kgf*m", "kPa": "kPa", "Pa": "Pa", "bar": "bar",
    "psi": "psi", "inHg": "inHg", "s": "s", "ms": "ms", "min": "min", "h": "hour", "day": "day",
    "%": "percent", "°": "degree", "g/s": "g/s", "kg/h": "kg/h", "N": "N", "lbf": "force_pound",
    "kg": "kg", "lb": "lb", "1": "dimensionless",
}  # fmt: skip
DIMENSIONS = sorted({u.dimension for u in UNITS.values()})
_TABLE = (Path(__file__).parent / "data" / "unit-factors.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(line for line in _TABLE.splitlines() if not line.startswith("#")))


@cache
def registry() -> Any:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


def in_base_units(value: Fraction, name: str) -> tuple[Fraction, frozenset[tuple[str, float]]]:
    quantity = registry().Quantity(value, SPELT[name]).to_base_units()
    powers = frozenset((k, float(v)) for k, v in quantity.dimensionality.items())
    return Fraction(quantity.magnitude), powers


def test_every_unit_is_known_to_the_other_registry() -> None:
    assert set(SPELT) == set(UNITS)


def pairs(dimension: str) -> list[tuple[str, str]]:
    return list(product([n for n, u in UNITS.items() if u.dimension == dimension], repeat=2))


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_conversions_equal_those_of_pint_to_the_last_digit(dimension: str) -> None:
    for source, target in pairs(dimension):
        for value in (Fraction(0), Fraction(1), Fraction(-40), Fraction(2117, 10)):
            ours = convert(value, source, target)
            assert in_base_units(ours, target) == in_base_units(value, source), (source, target)


def test_units_share_a_dimension_where_and_only_where_pint_says_so() -> None:
    """rpm and ° apart: there angles have a dimension of their own here, and none there."""
    for a in UNITS:
        for b in UNITS:
            if {UNITS[a].dimension, UNITS[b].dimension} & {"angle", "share", "rotational speed"}:
                continue
            same = in_base_units(Fraction(1), a)[1] == in_base_units(Fraction(1), b)[1]
            assert same == (UNITS[a].dimension == UNITS[b].dimension), (a, b)


def test_a_difference_of_temperature_equals_that_of_pint() -> None:
    delta = registry().Quantity(Fraction(40), "delta_degF").to("delta_degC").magnitude
    assert convert_span(Fraction(40), "°F", "°C") == delta == Fraction(200, 9)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['from']}-{r['to']}")
def test_factors_are_those_of_the_definitions_and_of_sp_811(row: dict[str, str]) -> None:
    factor = convert(Fraction(1), row["from"], row["to"])
    printed = Fraction(row["printed"])
    figures = len(row["printed"].split("E")[0].replace(".", ""))
    place = Fraction(10) ** (int(row["printed"].split("E")[1]) - figures + 1)
    assert abs(factor - printed) <= place / 2
    if row["exact"]:
        assert factor == Fraction(row["exact"])
    else:  # psi: lbf per square inch, which has no end as a decimal
        assert factor == Fraction("4.4482216152605") / Fraction("0.0254") ** 2


# Worked by hand from the definitions; the figures are those of the reference tables of the trade.
@pytest.mark.parametrize(
    ("typed", "unit", "expected", "digits"),
    [
        ("89 in·lbf", "N·m", "10.0556", 4),
        ("7.4 ft·lbf", "N·m", "10.0331", 4),
        ("18 ft·lbf", "N·m", "24.4047", 4),
        ("160 °F", "°C", "71.11", 2),
        ("20 °F", "°C", "-6.67", 2),
        ("25 mph", "km/h", "40.2336", 4),
    ],
)
def test_worked_examples(typed: str, unit: str, expected: str, digits: int) -> None:
    assert round(parse(typed).to(unit).value, digits) == Fraction(expected)


def test_vacuum_at_standard_pressure_is_what_is_left_of_it() -> None:
    vacuum = convert(Fraction(20), "inHg", "kPa")
    assert round(Fraction("101.325") - vacuum, 2) == Fraction("33.60")


def test_a_rise_is_not_a_temperature() -> None:
    assert round(convert_span(Fraction(40), "°F", "°C"), 2) == Fraction("22.22")
    assert round(convert(Fraction(40), "°F", "°C"), 2) == Fraction("4.44")


def test_a_foot_pound_is_twelve_inch_pounds() -> None:
    assert convert(Fraction(1), "ft·lbf", "in·lbf") == 12


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_float_factors_agree_with_the_exact_ones(dimension: str) -> None:
    for source, target in pairs(dimension):
        scale, offset = float_factors(source, target)
        for value in (-40.0, 0.0, 1.0, 6543.21):
            exact = float(convert(Fraction(value), source, target))
            # Two roundings of a double apart; the offset can cancel, hence the absolute part.
            assert value * scale + offset == pytest.approx(exact, rel=1e-14, abs=1e-11)
