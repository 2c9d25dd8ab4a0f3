"""Two recordings of the same car, before and after a repair: what moved, and how sure that is.

Both sides are put to the same checks (`checks/catalogue`); what is compared are the numbers the
verdicts rest on. Four words: better, unchanged, worse, cannot tell. Nothing here lets a car go.

How the words are reached, with `sure` = 0.95:

- *unchanged*: at least so probable that the change is smaller than the margin, a quarter of the
  tolerance (half the width of two-sided limits; with one limit, that limit itself). Asked first, so
  that a small change that is known exactly is no improvement; not said where a pass became a fail
  or a fail a pass.
- *better*, *worse*: at least so probable that AFTER lies further inside, or further outside, than
  BEFORE: lower where there is an upper limit, higher where there is a lower one, nearer the middle
  where there are both; and at least so probable that it moved the way it seems to have.
- events (stalls, presses without an answer): exact conditional test of two Poisson rates.
- where the two verdicts rest on different quantities, on the verdicts' own probabilities.
- else *cannot tell*, which needs no evidence.

The distributions of both sides are propagated as they are stated (JCGM 101:2008), not as their
standard deviations; the difference is shown with both in quadrature (JCGM 100:2008, 5.1.2). The
sides are taken to be independent, except for one thing: two averages of readings with the same
step share how their logger rounds, and it is counted once. It is not taken away altogether, so the
difference is never known better than resolution/√12. A reading that never moved is not an average:
there it counts on both sides.

What no arithmetic mends: a worst of many grows with how many there were, and two days differ. Both
sides should be recorded in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field, fields, replace
from enum import StrEnum
from typing import Any, NoReturn

from verify.errors import UserError, unknown
from verify.evidence.chances import (
    Chances,
    difference,
    margin_of,
    point_chances,
    rates_fell_and_rose,
)
from verify.evidence.checks import catalogue
from verify.evidence.checks.kind import Check
from verify.evidence.recording import Recording
from verify.evidence.sharing import shared_answers
from verify.evidence.verdict import CheckResult, Limits, Measurement, Rule
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

SURE = 0.95
# They say what the drive was like, not what the car is like.
OF_THE_DRIVE = frozenset(("road-coverage", "same-conditions"))
LONGER = (2, 4, 8, 16)


class Change(StrEnum):
    """What became of one quantity. There are four answers, so it has no truth value."""

    BETTER = "better"
    UNCHANGED = "unchanged"
    WORSE = "worse"
    CANNOT_TELL = "cannot tell"

    def __bool__(self) -> NoReturn:
        raise TypeError("a change is better, unchanged, worse or cannot tell; compare it by name")


@dataclass(frozen=True, slots=True)
class Comparison:
    """What one check says of the change.

    before, after: its results on both sides. difference, uncertainty: AFTER minus BEFORE, in
    `unit`; None where no two numbers of one kind are there. margin: up to which a change counts as
    none. better, worse, unchanged: how probable each is, None where not computed (with events the
    exact tests speak: `rates`). why: one sentence. settle: what hands can do, for *cannot tell*.
    """

    check: str
    change: Change
    why: str
    before: CheckResult
    after: CheckResult
    settle: str = ""
    difference: float | None = None
    uncertainty: float | None = None
    unit: str = ""
    margin: float | None = None
    better: float | None = None
    worse: float | None = None
    unchanged: float | None = None
    rates: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values, every number finite."""
        return {
            "check": self.check,
            "change": self.change.value,
            "why": self.why,
            "settle": self.settle,
            "difference": self.difference,
            "uncertainty": self.uncertainty,
            "unit": self.unit,
            "margin": self.margin,
            "probabilities": {
                "better": self.better,
                "worse": self.worse,
                "unchanged": self.unchanged,
            },
            "rates": dict(self.rates),
            "before": self.before.to_json(),
            "after": self.after.to_json(),
        }


@dataclass(frozen=True, slots=True)
class _Heard(Check):
    """A check that keeps the measurements it hands over: a result has no room for how a number's
    doubt is spread, and a comparison needs it."""

    heard: list[Measurement] = field(default_factory=list)

    def result(self, finding: str, why: str, **more: Any) -> CheckResult:
        if (measurement := more.get("measurement")) is not None:
            self.heard.append(measurement)
        return Check.result(self, finding, why, **more)

    @staticmethod
    def of(check: Check) -> _Heard:
        return _Heard(**{f.name: getattr(check, f.name) for f in fields(Check)})

    def behind(self, result: CheckResult) -> Measurement | None:
        """The measurement the result's number came with; None where it came otherwise."""
        own = (result.value, result.uncertainty, result.unit)
        alike = [m for m in self.heard if (m.value, m.uncertainty, m.unit) == own]
        return alike[-1] if alike else None


@dataclass(frozen=True, slots=True)
class Side:
    """One check's result on one side, with the measurement behind its number."""

    result: CheckResult
    measurement: Measurement | None = None


def compare(
    before: Sequence[Recording],
    after: Sequence[Recording],
    specs: Mapping[str, SpecValue],
    checks: Sequence[str] | None = None,
    *,
    sure: float = SURE,
) -> tuple[Comparison, ...]:
    """Puts checks to both sides and compares, in the catalogue's order.

    before, after: one or more recordings each, judged together; the same file twice counts once.
    checks: names; None for all that speak of the car. A file that stands on both sides makes them
    one thing, so that nothing can be told.
    Raises UserError for a check that does not exist or a spec in an unlike unit, ValueError for a
    `sure` looser than 0.90.
    """
    if not 0.90 <= sure < 1.0:
        raise ValueError("sure must lie between 0.90 and 1")
    every = [n for n in catalogue.CATALOGUE if n not in OF_THE_DRIVE]
    names = every if checks is None else list(dict.fromkeys(checks))
    wrong = [
        unknown(n, catalogue.CATALOGUE, "check") for n in names if n not in catalogue.CATALOGUE
    ]
    if wrong:
        raise UserError(*wrong)
    alike = bool(in_both(before, after))
    first, second = _judged(before, specs, names), _judged(after, specs, names)
    return tuple(
        _said(b, a, "the same file stands on both sides; nothing can be told from it")
        if alike
        else compare_sides(b, a, sure=sure)
        for b, a in zip(first, second, strict=True)
    )


def in_both(before: Sequence[Recording], after: Sequence[Recording]) -> tuple[Recording, ...]:
    """The recordings of AFTER that stand, byte for byte, in BEFORE too."""
    known = {r.sha256 for r in before if r.sha256}
    return tuple(r for r in after if r.sha256 in known)


def _judged(
    recordings: Sequence[Recording], specs: Mapping[str, SpecValue], names: Sequence[str]
) -> list[Side]:
    seen: dict[str, Recording] = {}
    for place, recording in enumerate(recordings):
        seen.setdefault(recording.sha256 or f"unnamed {place}", recording)
    sides = []
    with shared_answers():
        for name in names:
            check = _Heard.of(catalogue.CATALOGUE[name])
            result = catalogue.judge_one(check, tuple(seen.values()), specs, Rule())
            sides.append(Side(result, check.behind(result)))
    return sides


def compare_sides(before: Side, after: Side, *, sure: float = SURE) -> Comparison:
    """What one check says of the change, from its results on both sides. Pure."""
    b, a = before.result, after.result
    if b.check in OF_THE_DRIVE:
        return _said(before, after, "it judges the drive, not the car")
    counts = _events(b), _events(a)
    if counts[0] is not None and counts[1] is not None:
        return _compare_events(before, after, counts[0], counts[1], sure)
    if (
        before.measurement is not None
        and after.measurement is not None
        and b.unit == a.unit
        and b.limits is not None
        and a.limits is not None
        and _band(b.limits) == _band(a.limits)
        and b.probability is not None
        and a.probability is not None
    ):
        return _compare_values(before, after, before.measurement, after.measurement, sure)
    return _compare_verdicts(before, after, sure)


def _band(limits: Limits) -> tuple[float | None, float | None, str]:
    return limits.lower, limits.upper, limits.unit


def _said(before: Side, after: Side, why: str, settle: str = "", **more: Any) -> Comparison:
    return Comparison(
        before.result.check,
        Change.CANNOT_TELL,
        why,
        before.result,
        after.result,
        settle,
        **more,
    )


def _compare_values(
    before: Side, after: Side, old: Measurement, new: Measurement, sure: float
) -> Comparison:
    limits = after.result.limits
    assert limits is not None
    moved, doubt = difference(old, new)
    found = point_chances(old, new, limits)
    margin = margin_of(limits)
    turned = {before.result.verdict, after.result.verdict} == {Verdict.PASS, Verdict.FAIL}
    change, why = _word(found, limits, None if turned else margin, old, new, sure)
    result = _said(
        before,
        after,
        why,
        difference=moved,
        uncertainty=doubt,
        unit=limits.unit,
        margin=margin,
        better=found.better,
        worse=found.worse,
        unchanged=found.unchanged,
    )
    if change is Change.CANNOT_TELL:
        return replace(result, settle=_settle_values(old, new, limits, sure))
    return replace(result, change=change)


def _word(
    found: Chances,
    limits: Limits,
    margin: float | None,
    old: Measurement,
    new: Measurement,
    sure: float,
) -> tuple[Change, str]:
    """NaN fails every comparison and ends in *cannot tell*, as it must."""
    if margin is not None and found.unchanged >= sure:
        return Change.UNCHANGED, f"the change is less than {margin:.3g} {_unit(limits.unit)}"
    two = limits.lower is not None and limits.upper is not None
    # Beside a number well inside, a vague one is nearly always further out: it must have moved too.
    if found.better >= sure and found.moved >= sure:
        return Change.BETTER, "nearer the middle of its limits" if two else "further from its limit"
    if found.worse >= sure and found.moved >= sure:
        if two:
            return Change.WORSE, "further from the middle of its limits"
        return Change.WORSE, "moved towards its limit, or further beyond it"
    if two:
        middle = 0.5 * ((limits.lower or 0.0) + (limits.upper or 0.0))
        if (old.value - middle) * (new.value - middle) < 0.0:
            return (
                Change.CANNOT_TELL,
                "it moved from one side of its middle to the other, about as far",
            )
    return Change.CANNOT_TELL, "the change is no larger than its doubt"


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit


def _settle_values(old: Measurement, new: Measurement, limits: Limits, sure: float) -> str:
    """How much longer AFTER would have to be recorded, if its number stays what it is."""
    for times in LONGER:
        share = new.uncertainty / math.sqrt(times)
        floor = new.resolution / math.sqrt(12.0)
        tried = replace(new, uncertainty=max(share, floor * (1.0 + 1e-12)))
        found = point_chances(old, tried, limits)
        moved = min(found.moved, max(found.better, found.worse))
        if max(moved, found.unchanged) >= sure:
            return (
                f"record AFTER again under the same conditions as BEFORE, about {times} times as "
                "long; if the number stays what it is, that will tell"
            )
    return (
        "recording AFTER longer will not settle it: BEFORE is too uncertain, or the change too "
        "small. Go by the verdict of AFTER"
    )


def _compare_verdicts(before: Side, after: Side, sure: float) -> Comparison:
    """Where no two numbers of one kind are there: by what the verdicts say of their limits."""
    b, a = before.result, after.result
    if Verdict.UNDECIDED in (b.verdict, a.verdict):
        if a.verdict is not Verdict.UNDECIDED:
            settle = "BEFORE cannot be recorded again; go by the verdict of AFTER"
            return _said(before, after, f"BEFORE is undecided: {b.why}", settle)
        whose = "both are undecided, AFTER" if b.verdict is a.verdict else "AFTER is undecided"
        return _said(before, after, f"{whose}: {a.why}", a.settle)
    if b.verdict is a.verdict:
        return _said(before, after, "both times the same verdict, by numbers of different kinds")
    if b.probability is None or a.probability is None:
        return _said(
            before,
            after,
            "the verdict changed, by numbers that cannot be put beside each other",
            "go by the verdict of AFTER",
        )
    # Two independent statements: BEFORE lay outside its limits, AFTER lies inside, or the reverse.
    better = (1.0 - b.probability) * a.probability
    worse = b.probability * (1.0 - a.probability)
    found: dict[str, Any] = {"better": better, "worse": worse}
    if better >= sure:
        said = _said(before, after, "it was outside its limits, and now is within", **found)
        return replace(said, change=Change.BETTER)
    if worse >= sure:
        said = _said(before, after, "it was within its limits, and now is outside", **found)
        return replace(said, change=Change.WORSE)
    return _said(
        before,
        after,
        "the verdict changed, but the two together are not sure enough",
        "record AFTER again, twice as long",
        **found,
    )


@dataclass(frozen=True, slots=True)
class _Events:
    """count: events seen. over: how much was watched, by each measure that the check gives."""

    count: int
    over: Mapping[str, float]


# What an exposure says beside how much was watched: bounds and shares.
_NO_MEASURE = ("below", "above", "share", "bound", "rate")


def _events(result: CheckResult) -> _Events | None:
    """The events of a check of the kind "freedom from events"; None for any other result."""
    exposure = result.details.get("exposure")
    if not isinstance(exposure, Mapping) or result.value is None or result.uncertainty is not None:
        return None
    over = {
        str(name): float(own)
        for name, own in exposure.items()
        if isinstance(own, int | float)
        and not isinstance(own, bool)
        and not any(word in str(name) for word in _NO_MEASURE)
    }
    if result.unit != "1" or result.value != int(result.value) or result.value < 0 or not over:
        return None
    return _Events(int(result.value), over)


def _compare_events(
    before: Side, after: Side, old: _Events, new: _Events, sure: float
) -> Comparison:
    """The most doubtful of all measures of exposure decides: which of them brings the event is not
    known."""
    both = [name for name in old.over if old.over[name] > 0.0 and new.over.get(name, 0.0) > 0.0]
    told = f"{_times(old.count)} before, {_times(new.count)} after"
    if old.count == new.count == 0:
        return _said(
            before,
            after,
            "it showed in neither recording, so there is nothing to compare",
            "go by the verdict of AFTER",
        )
    if not both:
        return _said(before, after, f"{told}, but not watched in the same way", after.result.settle)
    tails = {
        name: rates_fell_and_rose(old.count, old.over[name], new.count, new.over[name])
        for name in both
    }
    rates = {
        name: {
            "before": {"events": old.count, "over": old.over[name]},
            "after": {"events": new.count, "over": new.over[name]},
            "p_if_not_fewer": few,
            "p_if_not_more": many,
        }
        for name, (few, many) in tails.items()
    }
    unlikely = 1.0 - sure + 1e-12  # 0.05 itself, as a sum of floats gives it
    if max(few for few, _ in tails.values()) <= unlikely:
        said = _said(before, after, f"{told}: fewer than chance would explain", rates=rates)
        return replace(said, change=Change.BETTER)
    if max(many for _, many in tails.values()) <= unlikely:
        said = _said(before, after, f"{told}: more than chance would explain", rates=rates)
        return replace(said, change=Change.WORSE)
    settle = "go by the verdict of AFTER"
    if new.count == 0:
        # (tB/(tA + tB))ⁿ ≤ 1 − sure, solved for tA.
        needed = (1.0 - sure) ** (-1.0 / old.count) - 1.0
        times = max(needed * old.over[name] / new.over[name] for name in both)
        settle = (
            f"record AFTER about {math.ceil(times)} times as much as now; if none is seen, that "
            "will tell"
        )
    return _said(before, after, f"{told}, which chance alone would explain", settle, rates=rates)


def _times(count: int) -> str:
    return {0: "none", 1: "once", 2: "twice"}.get(count, f"{count} times")
