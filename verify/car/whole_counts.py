"""What a counter or a typed number can be, given its last place: an interval, and what follows.

Odometers and the car's own counters show whole kilometres, miles and minutes. Whether they round or
cut off is not said, so a reading v with last place p stands for anything in [v - p, v + p].
"""

from __future__ import annotations

import math
from fractions import Fraction

from verify.quantity import Quantity
from verify.values import dataclass

# Service 01: two-byte counters end at 65 535 (km, min), the one-byte count of warm-ups at 255.
# SAE J1979 / ISO 15031-5, parameters 30, 31, 4E.
TWO_BYTES_FULL = 65_535
ONE_BYTE_FULL = 255


@dataclass(frozen=True, slots=True)
class Span:
    """All a number can be: low ≤ it ≤ high, in a unit its user knows."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError("a span runs from low to high")

    def at_least(self, bound: float) -> bool | None:
        """True or False where it is certain, None where the last place leaves it open."""
        if self.low >= bound:
            return True
        return False if self.high < bound else None

    def covers(self, other: Span) -> bool | None:
        """Whether this is at least as much as `other`, whatever both really are."""
        if self.low >= other.high:
            return True
        return False if self.high < other.low else None


def typed_span(quantity: Quantity, unit: str) -> Span:
    """A typed quantity in `unit`, open by its last place to both sides. Raises UserError where the
    unit is of another dimension."""
    found = quantity.to(unit)
    low = float(found.value - found.last_place)
    return Span(max(low, 0.0) if found.value >= 0 else low, float(found.value + found.last_place))


def counter_span(value: int, full: int) -> Span:
    """A counter of the car. At its end (`full`) it has stopped counting: at least that much.

    Raises ValueError outside 0 … full.
    """
    if not 0 <= value <= full:
        raise ValueError(f"a counter lies between 0 and {full}")
    if value == full:
        return Span(float(full), math.inf)
    return Span(float(max(value - 1, 0)), float(value + 1))


def whole(value: int, unit: str) -> Quantity:
    """A whole number as a quantity whose last place is 1."""
    return Quantity(Fraction(value), unit, Fraction(1), str(value))
