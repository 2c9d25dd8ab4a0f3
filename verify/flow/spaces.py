"""What can come of a step, cut only as finely as the flow asks.

First stage of the proof (graph → spaces → product → dataflow → findings). A step's outcomes are
endless (numbers) or far too many to list (verdicts of many checks, items of a card), but the flow
tells only few of them apart. A `Cell` is a set of outcomes that no condition and no `counts` tells
apart, with one concrete outcome standing for all of it. Cells are found with `look_holds` and
`Step.counts` alone, so that the prover and the machine mean the same by a condition.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from verify.flow.graph import (
    CANNOT,
    NATURAL_GRADE,
    Catalogue,
    Look,
    Outcome,
    Step,
    look_holds,
    recorded_checks,
    recorded_label,
)
from verify.words import Grade, Verdict

MAX_CELLS = 20_000


class TooMany(Exception):
    """The conditions on one step cut its outcomes into more pieces than anybody can follow."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Outcomes of one step that nothing in the flow tells apart.

    outcomes: one concrete outcome for each label in the cell; the first stands for the cell.
    verdict: what all of them count as.
    truth: bit i is set where the i-th of the looks given to `cells` holds.
    """

    outcomes: tuple[Outcome, ...]
    verdict: Verdict
    truth: int

    @property
    def outcome(self) -> Outcome:
        return self.outcomes[0]


def without_attempts(look: Look) -> Look:
    """The part of a condition that the outcome alone decides."""
    return replace(look, attempts=None) if look.attempts is not None else look


def truth_of(outcome: Outcome | None, looks: Sequence[Look]) -> int:
    """Which of `looks` (none of them on attempts) hold of an outcome, as bits."""
    bits = 0
    for index, look in enumerate(looks):
        if look_holds(look, outcome, 0):
            bits |= 1 << index
    return bits


def cells(step: Step, looks: Sequence[Look], catalogue: Catalogue) -> tuple[Cell, ...]:
    """The outcomes of `step` (without `stop`) as `looks`, none of them on attempts, divide them.

    Raises TooMany above MAX_CELLS pieces, KeyError for a check the catalogue does not know.
    """
    merged: dict[tuple[int, Verdict, str], list[Outcome]] = {}
    for outcome in atoms(step, looks, catalogue):
        # A gate's outcomes mean something to the proof even where no condition tells them apart.
        apart = outcome.label if step.kind == "gate" else ""
        key = truth_of(outcome, looks), step.counts(outcome), apart
        known = merged.setdefault(key, [])
        if all(outcome.label != other.label for other in known):
            known.append(outcome)
    return tuple(Cell(tuple(found), key[1], key[0]) for key, found in merged.items())


def atoms(step: Step, looks: Sequence[Look], catalogue: Catalogue) -> Iterable[Outcome]:
    """Concrete outcomes, at least one from every cell that `looks` can cut (`stop` left out).

    Every outcome is of the kind's natural grade, except what is told or not done at all.
    """
    grade = NATURAL_GRADE[step.kind]
    if step.kind == "record":
        yield from _judged(step, looks, catalogue)
        if step.detail.get("told") is not None:
            for label in ("told-pass", "told-fail", "told-undecided"):
                yield Outcome(label, Grade.TOLD)
    elif step.kind == "card":
        yield Outcome("ok", grade)
        for items in _wrong_items(step, looks):
            yield Outcome("exceptions", grade, items=items)
    elif step.kind == "reading" and step.detail.get("limits") is None:
        for value in cut_values(look.value for look in looks):
            yield Outcome("taken", grade, value=value)
    else:
        for label in step.labels:
            yield Outcome(label, grade)
    if step.kind != "gate":
        yield Outcome(CANNOT)


def cut_values(
    intervals: Iterable[tuple[Fraction | None, Fraction | None] | None],
) -> list[Fraction]:
    """One number from every piece into which the ends of half-open intervals cut the line."""
    ends = sorted({end for pair in intervals if pair for end in pair if end is not None})
    if not ends:
        return [Fraction(0)]
    # A small positive number reads better in a message than a negative one.
    below = ends[0] / 2 if ends[0] > 0 else ends[0] - 1
    return [below, *ends]


def _judged(step: Step, looks: Sequence[Look], catalogue: Catalogue) -> Iterable[Outcome]:
    """Judged recordings: check by check, keeping one outcome for each set of looks still alive.

    So the work grows with what the conditions tell apart, not with findings to the power of checks.
    """
    rank = {Verdict.PASS: 0, Verdict.UNDECIDED: 1, Verdict.FAIL: 2}
    naming = [(i, look) for i, look in enumerate(looks) if look.findings]
    partial: dict[tuple[int, int], tuple[tuple[str, Verdict, str], ...]] = {(0, 0): ()}
    beside = set(step.detail.get("also", ()))
    for check in sorted(set(recorded_checks(step))):
        kinds: dict[tuple[int, int], tuple[str, Verdict, str]] = {}
        for finding, verdict in catalogue.checks[check].items():
            dead = 0
            for index, look in naming:
                for name, allowed in look.findings:
                    if name == check and not allowed & {verdict.value, finding}:
                        dead |= 1 << index
            level = 0 if check in beside and verdict is Verdict.UNDECIDED else rank[verdict]
            kinds.setdefault((dead, level), (check, verdict, finding))
        grown: dict[tuple[int, int], tuple[tuple[str, Verdict, str], ...]] = {}
        for (dead, worst), so_far in partial.items():
            for (more, own), found in kinds.items():
                grown.setdefault((dead | more, max(worst, own)), (*so_far, found))
        partial = grown
        if len(partial) > MAX_CELLS:
            raise TooMany(step.name)
    for checks in partial.values():
        label = recorded_label(step, ((check, verdict) for check, verdict, _ in checks))
        yield Outcome(label, Grade.RECORDED, checks=checks)


def _wrong_items(step: Step, looks: Sequence[Look]) -> list[frozenset[str]]:
    """For each set of looks that wrong items can touch, the fewest items that touch just those."""
    named = [group for look in looks for group in (look.wrong, look.fine) if group is not None]
    touched: dict[int, frozenset[str]] = {}
    for item in items_of(step):
        bits = sum(1 << i for i, group in enumerate(named) if item in group)
        for known, items in list(touched.items()):
            touched.setdefault(known | bits, items | {item})
        if len(touched.get(bits, (item, item))) > 1:
            touched[bits] = frozenset({item})
        if len(touched) > MAX_CELLS:
            raise TooMany(step.name)
    return list(touched.values())


def items_of(step: Step) -> Mapping[str, str]:
    """The items of a card with their words."""
    items = step.detail.get("items", ())
    return items if isinstance(items, Mapping) else {name: name for name in items}
