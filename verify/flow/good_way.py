"""The walk on which all goes well: what a card begins with, and what a picture draws straight down.

Walked as a job is walked, gates by what was proven; so it is a way that somebody can really go.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from verify.flow.graph import (
    NATURAL_GRADE,
    Graph,
    Outcome,
    View,
    gate_outcome,
    holds,
    recorded_checks,
)
from verify.words import Audience, Verdict

_MOST_STEPS = 400


def good_way(graph: Graph, audience: Audience) -> tuple[tuple[str, ...], str]:
    """(steps in the order of the walk, each once; the ending, "" where none is reached).

    The shortest walk of passing answers that lets the car go, as far as it can be found by trying
    one step's passing answers after the other. Where none lets it go, answers that stay open may
    stand in: what passes there comes later. Else the walk that came furthest.
    """
    best, end = _shortest(graph, audience, {n: _good_outcomes(graph, n) for n in graph.steps})
    if not _lets_go(graph, end):
        open_too = {n: _good_outcomes(graph, n, open_too=True) for n in graph.steps}
        best, end = _shortest(graph, audience, open_too)
    return tuple(dict.fromkeys(best)), end if end in graph.endings else ""


def _lets_go(graph: Graph, end: str) -> bool:
    return end in graph.endings and graph.endings[end].kind.lets_go


def _shortest(
    graph: Graph, audience: Audience, options: Mapping[str, list[Outcome]]
) -> tuple[list[str], str]:
    chosen = dict.fromkeys(graph.steps, 0)

    def length(walk: list[str], end: str) -> tuple[bool, int]:
        # A walk that does not let the car go is the better, the further it came.
        return (False, len(walk)) if _lets_go(graph, end) else (True, -len(walk))

    best = _walk(graph, audience, options, chosen)
    for name in graph.steps:
        if name not in best[0]:
            continue  # what is asked nowhere on the walk changes nothing of it
        for place in range(1, len(options[name])):
            trial = chosen | {name: place}
            found = _walk(graph, audience, options, trial)
            if length(*found) < length(*best):
                best, chosen = found, trial
    return best


def _walk(
    graph: Graph,
    audience: Audience,
    options: Mapping[str, list[Outcome]],
    chosen: Mapping[str, int],
) -> tuple[list[str], str]:
    at, walk = graph.start, list[str]()
    last: dict[str, Outcome] = {}
    attempts: dict[str, int] = {}
    while at in graph.steps and len(walk) < _MOST_STEPS:
        walk.append(at)
        attempts[at] = attempts.get(at, 0) + 1
        step = graph.steps[at]
        outcome = gate_outcome(graph, last) if step.kind == "gate" else options[at][chosen[at]]
        view = View(audience, last, attempts)
        fitting = [b.to for b in step.branches if holds(b.when, at, outcome, view)]
        if step.kind != "gate":
            last[at] = outcome
        if not fitting:
            break
        at = fitting[0]
    return walk, at


def _good_outcomes(graph: Graph, name: str, *, open_too: bool = False) -> list[Outcome]:
    step = graph.steps[name]
    labels = [label for label in step.labels if label in step.passes] or list(step.labels[:1])
    labels = [x for x in labels if not x.startswith("told-")] or labels
    if open_too and step.kind == "ask":
        labels += [label for label in step.labels if label in step.unsure]
    grade = NATURAL_GRADE[step.kind]
    checks = tuple(sorted((c, Verdict.PASS, "") for c in recorded_checks(step)))
    values: list[Fraction | None] = [
        low if low is not None else (high or Fraction(0)) - 1
        for branch in step.branches
        if branch.when.own.value is not None
        for low, high in (branch.when.own.value,)
    ]
    return [
        Outcome(label, grade, checks=checks, value=value)
        for label in labels
        for value in (values or [None])
    ]
