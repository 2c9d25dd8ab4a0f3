"""The vehicle's number: form, check digit, model year, and masks for what leaves the shop.

Form: 17 characters without I, O and Q (ISO 3779; 49 CFR 565.13). Check digit: 49 CFR 565.15(c), in
whole numbers (the regulation's table of decimal remainders is rounded). It is required for vehicles
of the North American market, and of China (GB 16735, its annex seen in the table of contents only);
elsewhere position 9 is free. A wrong number passes it once in eleven: a digit that fits proves
nothing.
"""

from __future__ import annotations

import re
from enum import StrEnum

from verify.values import dataclass

LENGTH = 17
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = {str(n): n for n in range(10)} | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True)
)
# 49 CFR 565.15(d), table of years; U, Z and 0 are no year, I, O and Q are no character.
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR = 1980
_LOOKS_LIKE = {"I": "1", "O": "0", "Q": "0"}


class CheckDigit(StrEnum):
    """What position 9 says."""

    FITS = "fits"
    DOES_NOT_FIT = "does not fit"
    FREE = "position 9 is free"
    NOT_READ = "not read"


@dataclass(frozen=True, slots=True)
class Vin:
    """One number as understood.

    text: capitals, without spaces and hyphens. problems: what is wrong with the form; where there
    are any, nothing else was read. expected: the digit that position 9 would need, "" if not read.
    years: the model years position 10 can mean; likely_year: the one position 7 points to for a
    light vehicle of the North American market, else None.
    """

    text: str
    problems: tuple[str, ...]
    check: CheckDigit
    expected: str
    years: tuple[int, ...]
    likely_year: int | None
    notes: tuple[str, ...]

    @property
    def well_formed(self) -> bool:
        return not self.problems

    @property
    def masked(self) -> str:
        return mask_vin(self.text)


def products(vin: str) -> tuple[int, ...]:
    """Value times weight of each character; position 9 counts nothing.

    Raises ValueError where the form is wrong. Source: 49 CFR 565.15(c).
    """
    if len(vin) != LENGTH or any(c not in _VALUES for i, c in enumerate(vin) if i != 8):
        raise ValueError("a VIN has 17 characters without I, O and Q")
    return tuple(w * _VALUES[c] if w else 0 for c, w in zip(vin, WEIGHTS, strict=True))


def check_digit(vin: str) -> str:
    """The digit 0–9 or X that position 9 must hold. Raises ValueError where the form is wrong."""
    remainder = sum(products(vin)) % 11
    return "X" if remainder == 10 else str(remainder)


def read_vin(text: str, *, north_american_market: bool | None = None, light: bool = True) -> Vin:
    """Reads a number as typed. Never raises.

    north_american_market: True where the car was made for it, wherever it was built; None: from the
    first character (1–5 are North American makers). light: passenger car, or other vehicle up to
    4,536 kg (10,000 lb), for which position 7 tells the two cycles of model years apart.
    """
    vin = re.sub(r"[\s\-–·]+", "", text).upper()
    problems = _form(vin)
    if problems:
        return Vin(vin, problems, CheckDigit.NOT_READ, "", (), None, ())
    expected = check_digit(vin)
    american = vin[0] in "12345" if north_american_market is None else north_american_market
    china = vin[0] == "L"
    notes: list[str] = []
    if american or china:
        check = CheckDigit.FITS if vin[8] == expected else CheckDigit.DOES_NOT_FIT
        if check is CheckDigit.FITS:
            notes.append(
                "a fitting check digit is no proof: a wrong number passes it once in eleven"
            )
        else:
            notes.append(
                f"position 9 is {vin[8]} and would have to be {expected}: compare the number with "
                "the car, character by character"
            )
        if china and not american:
            notes.append("China asks for the check digit too (GB 16735; its text was not seen)")
    else:
        check = CheckDigit.FREE
        notes.append("position 9 is free outside the North American market and China")
    years, likely = _model_years(vin, american and light)
    if not years:
        notes.append(f"position 10 is {vin[9]}, which is no model year")
    elif likely is None:
        notes.append("position 10 can mean either year, or nothing where the maker uses it freely")
    else:
        notes.append(
            f"model year by position 7 ({'digit' if vin[6].isdigit() else 'letter'}), light "
            "vehicles of the North American market: 49 CFR 565.15(b) and (d), from memory"
        )
    return Vin(vin, (), check, expected, years, likely, tuple(notes))


def _form(vin: str) -> tuple[str, ...]:
    problems = []
    if len(vin) != LENGTH:
        problems.append(f"{len(vin)} characters where a VIN has {LENGTH}")
    for place, character in enumerate(vin[:40], 1):
        if character in _LOOKS_LIKE:
            problems.append(
                f"position {place} is {character}, which no VIN holds: is it a "
                f"{_LOOKS_LIKE[character]}?"
            )
        elif character not in _VALUES:
            shown = character if character.isprintable() else f"U+{ord(character):04X}"
            problems.append(f"position {place} is {shown}, which no VIN holds")
    if not problems and vin[8] not in "0123456789X" and vin[0] in "12345":
        # A form fault only where the digit is required; elsewhere position 9 may be any character.
        problems.append(f"position 9 is {vin[8]}, where a digit or X must stand")
    return tuple(problems)


def _model_years(vin: str, by_position_7: bool) -> tuple[tuple[int, ...], int | None]:
    place = _YEAR_CODES.find(vin[9])
    if place < 0:
        return (), None
    years = (_FIRST_YEAR + place, _FIRST_YEAR + place + len(_YEAR_CODES))
    if not by_position_7:
        return years, None
    return years, years[0] if vin[6].isdigit() else years[1]


def mask_vin(text: str) -> str:
    """What may leave the shop: the maker's three characters and the last two, the rest hidden.

    Whatever is too short to be a VIN is hidden altogether. Masking twice changes nothing.
    """
    vin = re.sub(r"[\s\-–·]+", "", text).upper()
    if not vin:
        return ""
    if len(vin) < LENGTH:
        return "*" * 5
    return vin[:3] + "*" * (LENGTH - 5) + vin[-2:]


def mask_plate(text: str) -> str:
    """A plate as it may leave the shop: its last character only, and not even its length."""
    plate = re.sub(r"[^\w*]+", "", text).upper().replace("_", "")
    if not plate:
        return ""
    return "*" * 5 + (plate[-1] if len(plate) > 3 and plate[-1] != "*" else "")


# Letters that no VIN holds are caught too: a mistyped number identifies a car all the same.
_VIN_IN_TEXT = re.compile(
    r"(?<![A-Za-z0-9*])(?=(?:[A-Za-z]*[0-9]){3})[A-Za-z0-9]{17}(?![A-Za-z0-9*])"
)


def mask_vins_in(text: str) -> str:
    """Free text with every VIN in it masked: 17 letters and digits in one piece, three of them
    digits at least."""
    return _VIN_IN_TEXT.sub(lambda m: mask_vin(m[0]), text)
