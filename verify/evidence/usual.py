"""What a number of a vehicle can be: the one home of plausible bounds. Pure.

Two kinds. POSSIBLE: beyond these a check answers `spec-implausible`, as a slip there would widen
what passes (an engine called warm at 20 °C). USUAL: beyond these a number is not taken at the first
entry; it can be insisted on, as there are vehicles that are not usual (24 V).
A usual range lies within the possible one. All of them: common practice, no source, wide
enough for cars and vans.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

from verify.quantity import Quantity, unit
from verify.values import dataclass


@dataclass(frozen=True, slots=True)
class Range:
    """Between which numbers a vehicle's number can be meant, and the words for it."""

    low: float
    high: float
    unit: str
    words: str = ""


POSSIBLE: Mapping[str, Range] = MappingProxyType(
    {
        "idle_speed": Range(300.0, 2500.0, "rpm", "a warm idle speed"),
        "idle_tolerance": Range(5.0, 300.0, "rpm", "a tolerance of the idle speed"),
        "warm_coolant": Range(60.0, 100.0, "°C", "the coolant temperature of a warm engine"),
        "coolant_most": Range(95.0, 125.0, "°C", "the highest regulated coolant temperature"),
        "ambient": Range(-50.0, 55.0, "°C", "the temperature outside"),
        "trim_limit": Range(5.0, 25.0, "%", "a limit of short and long fuel trim together"),
    }
)

USUAL: Mapping[str, Range] = MappingProxyType(
    {
        # Diesels from 550, small petrol engines and motorcycles' up to 1,300.
        "idle_speed": Range(450.0, 1300.0, "rpm"),
        "idle_tolerance": Range(10.0, 150.0, "rpm"),
        "cylinders": Range(2.0, 12.0, "1"),
        "warm_coolant": Range(65.0, 98.0, "°C"),
        "coolant_most": Range(98.0, 120.0, "°C"),
        "ambient": Range(-50.0, 55.0, "°C"),
        "throttle_closed": Range(0.0, 35.0, "%"),
        "throttle_open": Range(50.0, 100.0, "%"),
        "throttle_travel": Range(40.0, 100.0, "%"),
        "pedal_travel": Range(30.0, 100.0, "%"),
        "trim_limit": Range(5.0, 25.0, "%"),
        "gross_mass": Range(800.0, 7500.0, "kg"),
        # A 12 V battery, its wiring and its generator.
        "rest_voltage": Range(11.0, 13.2, "V"),
        "rested_voltage": Range(11.8, 13.2, "V"),
        "crank_voltage": Range(8.0, 11.5, "V"),
        "charge_voltage": Range(12.6, 15.0, "V"),
        "ripple": Range(0.01, 1.0, "V"),
        "drop_most": Range(0.02, 1.0, "V"),
        # The lowest road of the world to the highest.
        "air_pressure": Range(45.0, 110.0, "kPa"),
        "fluid_temperature": Range(20.0, 110.0, "°C"),
        "plug_torque": Range(3.0, 80.0, "N·m"),
        "wheel_torque": Range(60.0, 350.0, "N·m"),
        "fastener_torque": Range(1.0, 200.0, "N·m"),
        "straight_angle": Range(0.1, 15.0, "°"),
        "speed_spread": Range(0.1, 15.0, "km/h"),
    }
)

# For numbers of flows that this table does not name, by what they measure.
_BY_DIMENSION: Mapping[str, Range] = MappingProxyType(
    {
        "rotational speed": Range(10.0, 9000.0, "rpm"),
        "voltage": Range(0.001, 20.0, "V"),
        "torque": Range(0.5, 500.0, "N·m"),
        "temperature": Range(-50.0, 200.0, "°C"),
        "pressure": Range(0.1, 300_000.0, "kPa"),
        "speed": Range(0.1, 300.0, "km/h"),
        "share": Range(-100.0, 100.0, "%"),
        "mass": Range(0.01, 7500.0, "kg"),
        "angle": Range(-1080.0, 1080.0, "°"),
    }
)


def usual_range(name: str, unit_name: str) -> Range | None:
    """What is usual for a number of this name, in a unit of its dimension; None where nothing is.

    A flow of somebody else's may mean another thing by a name: then its dimension speaks.
    """
    own = USUAL.get(name)
    dimension = unit(unit_name).dimension
    if own is not None and unit(own.unit).dimension == dimension:
        return own
    return _BY_DIMENSION.get(dimension)


def unusual(name: str, quantity: Quantity) -> Range | None:
    """The usual range that a number lies outside of; None where it lies within or none is known."""
    found = usual_range(name, quantity.unit)
    if found is None:
        return None
    value = quantity.to(found.unit).value
    inside = Fraction(str(found.low)) <= value <= Fraction(str(found.high))
    return None if inside else found
