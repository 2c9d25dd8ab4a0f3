"""Ways in which an author can spoil a flow, applied to any graph one at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from verify.flow.graph import NATURAL_GRADE, Branch, Graph, Look, Outcome, Step
from verify.words import Grade

KINDS = (
    "branch dropped",
    "interval moved",
    "branch retargeted",
    "required step bypassed",
    "caution removed",
    "grade lowered",
    "remedy removed",
    "saving of codes removed",
    "road test removed",
)


@dataclass(frozen=True)
class Damage:
    kind: str
    what: str
    graph: Graph


def damages(graph: Graph, *, every_target: bool = False) -> Iterator[Damage]:
    """All damages of a graph. Branches are retargeted to every ending and to a few steps spread
    over the flow, or to every step and ending."""
    for step in graph.steps.values():
        yield from _branches(graph, step, every_target)
        for hazard in step.hazards:
            left = tuple(h for h in step.hazards if h != hazard)
            yield _damaged(graph, "caution removed", f"{step.name}: {hazard}", step, hazards=left)
        for grade in Grade:
            if grade.rank < step.least.rank:
                what = f"{step.name}: {step.least} to {grade}"
                yield _damaged(graph, "grade lowered", what, step, least=grade)
        for activity, kind in (
            ("remedy", "remedy removed"),
            ("saves-codes", "saving of codes removed"),
            ("road-test", "road test removed"),
        ):
            if activity in step.does:
                yield _damaged(graph, kind, step.name, step, does=step.does - {activity})
        if step.required:
            yield from _bypassed(graph, step)


def _branches(graph: Graph, step: Step, every_target: bool) -> Iterator[Damage]:
    names = [*graph.steps]
    few = names if every_target else [names[0], names[len(names) // 2], names[-1]]
    for index, branch in enumerate(step.branches):
        where = f"{step.name}, branch {index + 1}"
        if len(step.branches) > 1:
            others = (*step.branches[:index], *step.branches[index + 1 :])
            yield _damaged(graph, "branch dropped", where, step, branches=others)
        for moved, how in _moved(branch):
            branches = _with(step, index, moved)
            yield _damaged(graph, "interval moved", f"{where}: {how}", step, branches=branches)
        for target in dict.fromkeys((*graph.endings, *few)):
            if target != branch.to:
                branches = _with(step, index, replace(branch, to=target))
                what = f"{where}: {branch.to} to {target}"
                yield _damaged(graph, "branch retargeted", what, step, branches=branches)


def _moved(branch: Branch) -> Iterator[tuple[Branch, str]]:
    """Each end of each interval of numbers or attempts a little up and a little down."""
    for look, how in _moved_look(branch.when.own):
        yield replace(branch, when=replace(branch.when, own=look)), how
    for index, (name, old) in enumerate(branch.when.earlier):
        for look, how in _moved_look(old):
            earlier = (
                *branch.when.earlier[:index],
                (name, look),
                *branch.when.earlier[index + 1 :],
            )
            yield replace(branch, when=replace(branch.when, earlier=earlier)), f"{name}, {how}"


def _moved_look(look: Look) -> Iterator[tuple[Look, str]]:
    for name, least in (("value", None), ("attempts", 1)):
        ends: tuple[Any, Any] | None = getattr(look, name)
        if ends is None:
            continue
        for place, end in enumerate(ends):
            for by in (-1, 1):
                if end is None or (least is not None and end + by < least):
                    continue
                new = (end + by, ends[1]) if place == 0 else (ends[0], end + by)
                if None in new or new[0] < new[1]:
                    yield replace(look, **{name: new}), f"{name} {ends} to {new}"


def _bypassed(graph: Graph, step: Step) -> Iterator[Damage]:
    """All ways into a required step, and each of them alone, lead to where its passing leads."""
    target = passing_target(step)
    if target is None or target == step.name:
        return
    into = [
        (other, index)
        for other in graph.steps.values()
        for index, branch in enumerate(other.branches)
        if branch.to == step.name and other is not step
    ]
    everywhere = {s.name: s for s in graph.steps.values()}
    for other, index in into:
        branches = _with(other, index, replace(other.branches[index], to=target))
        what = f"{step.name}, coming from {other.name}, branch {index + 1}"
        yield _damaged(graph, "required step bypassed", what, other, branches=branches)
        known = everywhere[other.name]
        new = _with(known, index, replace(known.branches[index], to=target))
        everywhere[other.name] = replace(known, branches=new)
    start = target if graph.start == step.name and target in graph.steps else graph.start
    bypassed = replace(graph, steps=everywhere, start=start)
    yield Damage("required step bypassed", f"{step.name}, from everywhere", bypassed)


def passing_target(step: Step) -> str | None:
    """Where the first branch leads that a passing label takes."""
    grade = NATURAL_GRADE[step.kind]
    for label in step.labels:
        if label in step.passes:
            outcome = Outcome(label, grade)
            for branch in step.branches:
                named = branch.when.own.outcome
                if named is None or outcome.label in named:
                    return branch.to
    return None


def _with(step: Step, index: int, branch: Branch) -> tuple[Branch, ...]:
    return (*step.branches[:index], branch, *step.branches[index + 1 :])


def _damaged(graph: Graph, kind: str, what: str, step: Step, **changes: Any) -> Damage:
    steps: Mapping[str, Step] = {**graph.steps, step.name: replace(step, **changes)}
    return Damage(kind, what, replace(graph, steps=steps))
