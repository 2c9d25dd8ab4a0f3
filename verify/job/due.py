"""By when proof is due, where a calendar can say: the `by` of a step and a time → a day. Pure."""

from __future__ import annotations

import re
from datetime import date, timedelta

_WORDS = ("a", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
          "twelve")  # fmt: skip
_NUMBERS = {word: number for number, word in enumerate(_WORDS, start=1)} | {"an": 1, "one": 1}
# A month counts as its longest: nobody is told too early that a proof is overdue.
_DAYS = {"day": 1, "week": 7, "month": 31}
_SPAN = re.compile(rf"\b(\d{{1,3}}|{'|'.join(_NUMBERS)})\s+(day|week|month)s?\b", re.IGNORECASE)


def due_day(by: str, since: str) -> str:
    """The last day, YYYY-MM-DD in UTC, of "within two weeks" or "10 days" from the time `since`
    (as in entries). "" where `by` names no such span, or `since` is no time."""
    found = _SPAN.search(by)
    if found is None:
        return ""
    number = _NUMBERS.get(found[1].casefold()) or int(found[1])
    try:
        day = date.fromisoformat(since[:10]) + timedelta(number * _DAYS[found[2].casefold()])
    except (ValueError, OverflowError):
        return ""
    return day.isoformat()
