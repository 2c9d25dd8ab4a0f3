"""Which car it is: what its VIN says when a job is opened, and masks for what leaves the shop.

A desk hands out personal words as they were typed; `masking` makes one that hides plate and VIN in
them, the car's own wherever they stand.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, fields

from verify.car.vin import CheckDigit, read_vin
from verify.terminal.desk import Desk
from verify.terminal.masks import known_marks, mask_car, masked_text, vin_in


def vin_lines(text: str) -> list[str]:
    """What can be said of a car's VIN, honestly; [] where none was typed. Nothing is refused."""
    typed = vin_in(text)
    if not typed:
        return []
    vin = read_vin(typed)
    if not vin.well_formed:
        return [
            f"The VIN does not have the form of one: {'; '.join(vin.problems)}. It is kept as it "
            "was typed."
        ]
    lines = [f"VIN {vin.masked}: its form is right. Check digit: {vin.check.value}."]
    lines += [note[0].upper() + note[1:] + "." for note in vin.notes]
    if vin.check is CheckDigit.DOES_NOT_FIT:
        lines.append(
            "That matters only where the car was made for a market that asks for the digit: North "
            "America, and China."
        )
    if vin.likely_year is not None:
        lines.append(f"Model year: {vin.likely_year}.")
    elif vin.years:
        lines.append(f"Model year: {' or '.join(map(str, vin.years))}.")
    return lines


@dataclass(slots=True)
class MaskedDesk(Desk):
    """A desk whose personal words come out with plate and VIN hidden."""

    cars: frozenset[str] = frozenset()
    marks: tuple[re.Pattern[str], ...] = field(default=())

    def secret(self, digest: str) -> str:
        # Named outright: a slotted dataclass is made twice, and `super()` would know the first.
        text = Desk.secret(self, digest)
        return mask_car(text) if digest in self.cars else self.shown(text)

    def shown(self, text: str) -> str:
        return masked_text(text, self.marks)


def masking(desk: Desk) -> Desk:
    """The same desk for what leaves the shop."""
    cars = frozenset(map(str, desk.session().car.values()))
    marks = [mark for digest in sorted(cars) for mark in known_marks(desk.secret(digest))]
    values = {f.name: getattr(desk, f.name) for f in fields(Desk)}
    return MaskedDesk(**values, cars=cars, marks=tuple(marks))
