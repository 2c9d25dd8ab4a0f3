"""What became of each fault code since the earlier readings of the same job, in plain words.

Readings in order, and whether codes were cleared between them → one line a code. Only memories and
modules that were read both times are compared: what was not read may still be there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

from verify.car.codes import CodeReading
from verify.values import dataclass


class Change(StrEnum):
    """What became of a code; the words are those people read."""

    RETURNED = "returned after clearing"
    NEW = "new"
    STILL = "still there"
    BACK = "back again"
    BY_WORK = "set by the work itself"
    PERMANENT_ONLY = "permanent only: the car clears it by itself when its test has passed"
    GONE = "gone"
    UNKNOWN = "not seen, but what held it was not read again"


@dataclass(frozen=True, slots=True)
class Past:
    """An earlier reading, and whether codes were cleared after it and before the next one."""

    reading: CodeReading
    cleared_after: bool = False


@dataclass(frozen=True, slots=True)
class CodeChange:
    code: str
    change: Change
    pending_only: bool = False

    @property
    def words(self) -> str:
        """Such as "P2119: returned after clearing, pending only"."""
        return f"{self.code}: {self.change.value}" + (", pending only" if self.pending_only else "")


def changes(earlier: Sequence[Past], now: CodeReading) -> tuple[CodeChange, ...]:
    """What became of every code of `now` and of the readings before it, the gravest news first.

    Empty where nothing was read before: then nothing can be compared.
    """
    if not earlier:
        return ()
    found: list[CodeChange] = []
    for code in now.present:
        pending_only = code not in now.stored
        found.append(CodeChange(code, _change(earlier, now, code), pending_only))
    left = (code for code in now.permanent or () if code not in now.present)
    found += [CodeChange(code, Change.PERMANENT_ONLY) for code in left]
    told = {c.code for c in found}
    for code in dict.fromkeys(c for past in earlier for c in _all(past.reading)):
        if code not in told:
            gone = _read_again(earlier, now, code)
            found.append(CodeChange(code, Change.GONE if gone else Change.UNKNOWN))
    order = list(Change)
    return tuple(sorted(found, key=lambda c: order.index(c.change)))


def new_codes(earlier: Iterable[Past], now: CodeReading) -> tuple[str, ...]:
    """Stored and pending codes of `now` that no earlier reading of the job held."""
    seen = {c for past in earlier for c in past.reading.present}
    return tuple(c for c in now.present if c not in seen)


def _change(earlier: Sequence[Past], now: CodeReading, code: str) -> Change:
    last = max((i for i, p in enumerate(earlier) if code in p.reading.present), default=None)
    # Whatever was cleared and is there again is a fault of today, whoever set it first.
    if last is not None and any(past.cleared_after for past in earlier[last:]):
        return Change.RETURNED
    if code in now.by_work:
        return Change.BY_WORK
    if last is None:
        return Change.NEW
    return Change.STILL if last == len(earlier) - 1 else Change.BACK


def _all(reading: CodeReading) -> tuple[str, ...]:
    return (*reading.present, *(reading.permanent or ()))


def _read_again(earlier: Sequence[Past], now: CodeReading, code: str) -> bool:
    """Whether every memory and module that held the code before was read now."""
    have = {m.casefold() for m in now.modules}
    for past in earlier:
        reading = past.reading
        if code not in _all(reading):
            continue
        places = reading.modules_of(code) or reading.modules
        if any(m.casefold() not in have for m in places):
            return False
        # A stored code that went can still be pending, and the other way round.
        if code in reading.present and now.pending is None:
            return False
        if code in (reading.permanent or ()) and now.permanent is None:
            return False
    return True
