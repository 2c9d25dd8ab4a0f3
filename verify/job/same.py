"""A stored verdict against one computed anew: whether they are the same, and what to say if not.

Pure; `recompute` computes, this compares.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any

from verify.evidence.checks.kind import COULD_NOT_RUN
from verify.evidence.verdict import CheckResult

RELATIVE = 1e-9
# Below this two numbers are the same whatever their ratio: probabilities end in rounding.
ABSOLUTE = 1e-12
_WORDS = frozenset(("why", "settle", "notes"))


class Recomputed(StrEnum):
    """What came of computing a verdict again, from the best to the worst."""

    SAME = "same"
    OTHER_WORDS = "same, in other words"
    OTHER_VERSION = "other version"
    OTHER_VERDICT = "another verdict by another version"
    WITHHELD = "bytes withheld"
    NOT_HERE = "not recomputable here"
    DIFFERS = "differs"


def compared(
    was: Mapping[str, Any], now: CheckResult, other: Sequence[str] = ()
) -> tuple[Recomputed, str]:
    """A stored result against one computed anew.

    other: what else decides and is another version now, in phrases.
    """
    fresh = now.to_json()
    versions = [*other]
    if not (isinstance(was["version"], int) and was["version"] >= 1):
        return Recomputed.DIFFERS, f"version {was['version']}, which never was"
    if was["version"] != now.version:
        versions.insert(0, f"version {was['version']}, now {now.version}")
    differing = [
        n for n in sorted({*was, *fresh} - _WORDS - {"version"}) if not _same_at(n, was, fresh)
    ]
    change = f"was {_short(was)}, now {_short(fresh)}"
    state = Recomputed.OTHER_VERSION
    if was["verdict"] != now.verdict.value:
        state = Recomputed.OTHER_VERDICT
    if versions:
        said = "the same" if not differing else change
        return state, f"{'; '.join(dict.fromkeys(versions))}: {said}"
    # Then a library was missing, or the bytes were not at hand; it claimed nothing.
    if differing and was["finding"] == COULD_NOT_RUN:
        return state, f"it could not be computed then: {change}"
    if differing:
        return Recomputed.DIFFERS, f"{change} ({', '.join(differing)})"
    if any(was.get(name) != fresh.get(name) for name in _WORDS):
        return Recomputed.OTHER_WORDS, ""
    return Recomputed.SAME, ""


def _same_at(name: str, was: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    return name in was and name in now and same(was[name], now[name])


def same(was: Any, now: Any) -> bool:
    """Equal JSON values, numbers within RELATIVE."""
    if isinstance(was, bool) or isinstance(now, bool):
        return was is now
    if isinstance(was, int | float) and isinstance(now, int | float):
        return was == now or math.isclose(was, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        return was.keys() == now.keys() and all(same(was[n], now[n]) for n in was)
    if isinstance(was, list | tuple) and isinstance(now, list | tuple):
        return len(was) == len(now) and all(map(same, was, now))
    return bool(was == now)


def _short(result: Mapping[str, Any]) -> str:
    value = result.get("value")
    number = f", {value:.4g} {result.get('unit', '')}".rstrip() if _number(value) else ""
    return f"{result.get('verdict')} ({result.get('finding')}{number})"


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
