"""How often a complaint came, as the customer says it: "every 60 km", "1 in 20 presses".

Text → `Complaint`, which `exposure` holds against a clean drive.
"""

from __future__ import annotations

import math
import re
from enum import StrEnum
from fractions import Fraction

from verify.errors import Problem, UserError
from verify.quantity import convert, is_unit, unit
from verify.values import dataclass

FORMS = (
    'how often it came: "every 60 km", "twice a day", "once a week", "every 3 starts", '
    '"1 in 20 presses", "every 20 min"'
)
EXAMPLE = 'write it as "every 60 km" or "1 in 20 presses"'
# Nobody counts finer or waits longer: slips of the pen.
MOST = 1_000_000.0


class Basis(StrEnum):
    """What the complaint is counted in.

    DISTANCE and TIME (of driving): events strewn at random over it (Poisson). CALENDAR: days of
    the customer's own use, the same law. TRIES: each press, start … has its own chance (binomial).
    """

    DISTANCE = "distance"
    TIME = "time"
    CALENDAR = "calendar"
    TRIES = "tries"


@dataclass(frozen=True, slots=True)
class Complaint:
    """It came `times` times in `per` of `unit`.

    unit: "km", "mi", "min", "h", "day", or for TRIES the plural of what is tried ("presses").
    text: as typed. Raises ValueError where a number is not above 0, or where it would have come
    more often than there were tries.
    """

    times: float
    per: float
    unit: str
    basis: Basis
    text: str = ""

    def __post_init__(self) -> None:
        if not (0.0 < self.times < math.inf and 0.0 < self.per < math.inf):
            raise ValueError("a complaint needs numbers above 0")
        if self.basis is Basis.TRIES and self.times > self.per:
            raise ValueError("it cannot come more often than there are tries")

    @property
    def every(self) -> float:
        """How much lies between one and the next, on average, in `unit`."""
        return self.per / self.times

    def over_distance(self, km_a_day: float) -> Complaint:
        """A complaint counted in days as one counted in km, by what the customer drives a day.

        Raises ValueError for another basis or a distance that is not above 0.
        """
        if self.basis is not Basis.CALENDAR or not 0.0 < km_a_day < math.inf:
            raise ValueError("only days can be turned into km, by a distance above 0")
        return Complaint(self.times, self.per * km_a_day, "km", Basis.DISTANCE, self.text)


_NUMBERS = {
    "a": 1, "an": 1, "one": 1, "once": 1, "two": 2, "twice": 2, "three": 3, "thrice": 3, "four": 4,
    "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9, "ten": 10, "twelve": 12, "twenty": 20,
    "other": 2, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "tenth": 10,
}  # fmt: skip
_CALENDAR = {"day": 1, "week": 7, "month": 30, "year": 365}
_ADVERBS = {
    "daily": "every day", "weekly": "every week", "monthly": "every month", "hourly": "every h",
    "always": "every time", "each time": "every time",
}  # fmt: skip
_HEDGES = re.compile(
    r"\b(about|around|roughly|approximately|ca\.?|some|maybe|it|comes?|came|happens?|happened|"
    r"of driving|on average)\b|~"
)
# What can be tried. Closed, so that "once in a while" is asked back and not counted in whiles.
_TRIED = frozenset((
    "time", "press", "pedal press", "start", "cold start", "warm start", "hot start", "restart",
    "stop", "take-off", "takeoff", "lift-off", "lift", "release", "shift", "gear change",
    "gearchange", "acceleration", "kick-down", "tip-in", "drive", "trip", "journey", "key-on",
    "braking", "turn", "coast", "idle",
))  # fmt: skip
_DRIVEN = {"distance": Basis.DISTANCE, "time": Basis.TIME}
_AMOUNT = r"(?:(?P<{0}>\d+(?:[.,]\d+)?)(?:st|nd|rd|th)?\s*|(?P<{0}w>[a-z]+)\s+)?"
_EVERY = re.compile(
    r"(?:(?:(?P<n>\d+)\s*(?:x|times)|(?P<nw>[a-z]+)(?:\s+times)?)\s+)?(?:every|each)\s+"
    + _AMOUNT.format("per") + r"(?P<what>[a-z][a-z /-]*)"
)  # fmt: skip
_PER = re.compile(
    r"(?:(?P<n>\d+(?:[.,]\d+)?)\s*(?:x|times)?|(?P<nw>[a-z]+)(?:\s+times)?)\s*"
    r"(?:\s(?:in|per|of|out of|a|an|on)\s+(?:a\s+|an\s+|every\s+)?|/\s*)"
    + _AMOUNT.format("per") + r"(?P<what>[a-z][a-z /-]*)"
)  # fmt: skip


def parse_complaint(text: str) -> Complaint:
    """How often the complaint came, from what a person types.

    "every 60 km", "once every 40 miles", "twice a day", "3 times a week", "every other day",
    "every 3 starts", "1 in 20 presses", "every time", "every 20 min". Months count as 30 days.
    Raises UserError with what is expected.
    """
    plain = " ".join(text.casefold().replace("×", "x").split()).strip(" .")
    plain = _ADVERBS.get(plain, plain)
    plain = " ".join(_HEDGES.sub(" ", plain).split())
    found = _EVERY.fullmatch(plain) or _PER.fullmatch(plain)
    if found is None:
        raise _refused(text)
    times = _number(found["n"], found["nw"], 1.0)
    per = _number(found["per"], found["perw"], 1.0)
    if times is None or per is None:
        raise _refused(text)
    what = found["what"].strip()
    if not (0.0 < times <= MOST and 0.0 < per <= MOST):
        raise _refused(text, "with numbers above 0 and no larger than a million")
    return _counted_in(what, times, per, text.strip())


def _counted_in(what: str, times: float, per: float, text: str) -> Complaint:
    days = _CALENDAR.get(singular(what))
    if days is not None:
        return Complaint(times, per * days, "day", Basis.CALENDAR, text)
    word = what if is_unit(what) else singular(what)
    if word == "m":
        raise _refused(text, 'with "min", "mi" or "km" written out: "m" can be any of them')
    if is_unit(word):
        known = unit(word)
        basis = _DRIVEN.get(known.dimension)
        if basis is None:
            raise _refused(text, "counted in a distance, a time, or things that were tried")
        name = known.name
        if name not in ("km", "mi", "min", "h"):
            name = "km" if basis is Basis.DISTANCE else "min"
        per = float(convert(Fraction(per), known.name, name))
        return Complaint(times, per, name, basis, text)
    if word not in _TRIED:
        raise _refused(text, f"in km, mi, min, h, days, or one of: {', '.join(sorted(_TRIED))}")
    if per != int(per) or times != int(times):
        raise _refused(text, "with whole numbers of tries")
    if times > per:
        raise _refused(text, "no more often than there are tries")
    return Complaint(times, per, _plural(word), Basis.TRIES, text)


def _number(digits: str | None, word: str | None, otherwise: float) -> float | None:
    if digits:
        return float(digits.replace(",", "."))
    if word:
        found = _NUMBERS.get(word)
        return None if found is None else float(found)
    return otherwise


def singular(word: str) -> str:
    """ "presses" → "press", "starts" → "start"."""
    for ending in ("sses", "shes", "ches", "xes"):
        if word.endswith(ending):
            return word[:-2]
    return word[:-1] if word.endswith("s") and not word.endswith("ss") else word


def _plural(word: str) -> str:
    return word + ("es" if word.endswith(("s", "sh", "ch", "x")) else "s")


def _refused(text: str, more: str = "") -> UserError:
    return UserError(
        Problem(
            found=f'"{text.strip()}"' if text.strip() else "nothing",
            expected=f"{FORMS}, {more}" if more else FORMS,
            next=EXAMPLE,
        )
    )
