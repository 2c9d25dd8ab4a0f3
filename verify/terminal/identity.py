"""Which car it is: what its VIN says when a job is opened, and masks for what leaves the shop.

A desk hands out personal words as they were typed; `masking` makes one that hides plate and VIN in
them, the car's own wherever they stand. Masking is careful rather than clever: what may be a plate
is hidden as one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, fields

from verify.car.vin import LENGTH, CheckDigit, mask_plate, mask_vin, mask_vins_in, read_vin
from verify.terminal.desk import Desk

_JOINTS = r"[\s\-–·./]"
# Shorter than this it would be found in every other word.
_LEAST_KNOWN = 4
_TYPED_LENGTHS = (LENGTH - 1, LENGTH, LENGTH + 1)


def vin_in(text: str) -> str:
    """What of a car's description was meant as a VIN, a mistyped one too; "" where nothing was."""
    for piece in (text, *text.split()):
        compact = re.sub(_JOINTS, "", piece)
        digits = sum(c.isdigit() for c in compact)
        if not compact.isalnum() or digits < 3 or digits == len(compact):
            continue
        one_piece = not re.search(r"\s", piece.strip())
        if len(compact) == LENGTH or (one_piece and len(compact) in _TYPED_LENGTHS):
            return piece.strip()
    return ""


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


def mask_car(text: str) -> str:
    """A car's description as it may leave the shop. Masking twice changes nothing that matters."""
    typed = vin_in(text)
    if typed == text.strip() and typed:
        return mask_vin(re.sub(_JOINTS, "", typed))
    if _is_words(text):
        return " ".join(_mask_word(word) for word in text.split())
    return mask_plate(text) or "*" * 5


def _is_words(text: str) -> bool:
    """Whether it is a description rather than a plate: several words, one of them written small."""
    words = text.split()
    return len(words) > 1 and any(
        len(w) >= _LEAST_KNOWN - 1 and w.isalpha() and not w.isupper() for w in words
    )


def _mask_word(word: str) -> str:
    kept = [c for c in word if c.isalnum()]
    if len(kept) < 3 or not any(c.isdigit() for c in kept):
        return word
    return mask_vin(word) if vin_in(word) else mask_plate(word)


def known_marks(text: str) -> tuple[re.Pattern[str], ...]:
    """Patterns that find this car's own plate or VIN again in other texts, however joined."""
    pieces = [w for w in text.split() if _mask_word(w) != w] if _is_words(text) else [text]
    compact = [re.sub(r"[\W_]+", "", piece) for piece in pieces]
    return tuple(
        re.compile(
            r"(?<!\w)" + rf"{_JOINTS}*".join(map(re.escape, mark)) + r"(?!\w)", re.IGNORECASE
        )
        for mark in compact
        if len(mark) >= _LEAST_KNOWN
    )


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
        for mark in self.marks:
            text = mark.sub(lambda found: mask_car(found[0]), text)
        return mask_vins_in(text)


def masking(desk: Desk) -> Desk:
    """The same desk for what leaves the shop."""
    cars = frozenset(map(str, desk.session().car.values()))
    marks = [mark for digest in sorted(cars) for mark in known_marks(desk.secret(digest))]
    values = {f.name: getattr(desk, f.name) for f in fields(Desk)}
    return MaskedDesk(**values, cars=cars, marks=tuple(marks))
