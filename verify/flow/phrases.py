"""Outcomes, branches and walks in the words of the trade, for what the prover has to say.

Titles stand in quotation marks, and an answer as it is shown to the person.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

from verify.flow.graph import CANNOT, STOP, Graph, Outcome, Promise, Step
from verify.flow.spaces import items_of
from verify.words import Audience


def number_words(value: Fraction) -> str:
    """Exact where decimals can be, else as a fraction."""
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest != 1:
        return f"{value.numerator}/{value.denominator}"
    digits = 0
    while (value * 10**digits).denominator != 1:
        digits += 1
    return f"{float(value):.{digits}f}" if digits < 15 else str(float(value))


def outcome_words(step: Step, outcome: Outcome) -> str:
    """ "undecided (idle-speed: too-short)", "“hard pedal”", "750 rpm", "wrong: Bracket bolt"."""
    label = outcome.label
    if label == STOP:
        return "stop: not safe"
    if label == CANNOT:
        return "cannot be done"
    if outcome.value is not None:
        return f"{number_words(outcome.value)} {step.detail.get('unit', '')}".strip()
    if outcome.checks:
        # What passed is not what the person has to look at.
        shown = [c for c in outcome.checks if label == "pass" or c[1].value != "pass"]
        return f"{label} ({'; '.join(f'{check}: {finding}' for check, _, finding in shown)})"
    if step.kind == "ask":
        answers = step.detail.get("answers")
        return f"“{answers[label]}”" if isinstance(answers, Mapping) else _plain(label)
    if label == "exceptions":
        words = items_of(step)
        return "wrong: " + ", ".join(words[name] for name in words if name in outcome.items)
    if label.startswith("told-"):
        return "told, " + _plain(label.removeprefix("told-"))
    return "all in order" if label == "ok" else _plain(label)


def _plain(label: str) -> str:
    return label.replace("-", " ")


def said(step: Step, outcome: Outcome | None) -> str:
    """The step with what came of it, as a fragment of a sentence."""
    if outcome is None:
        return f"{titled(step)} not visited"
    answered = "answered " if step.kind == "ask" and outcome.label not in (CANNOT, STOP) else ""
    return f"{titled(step)} {answered}{outcome_words(step, outcome)}"


def titled(thing: Step | str) -> str:
    return f"“{thing if isinstance(thing, str) else thing.title}”"


def title_of(graph: Graph, name: str) -> str:
    """The quoted title of a step or ending."""
    return f"“{graph.steps[name].title if name in graph.steps else graph.endings[name].title}”"


def promise_words(graph: Graph, promise: Promise) -> str:
    """ "“B” never before “A” was asked", "“B” never unless “A” passed when last asked"."""
    first, then = title_of(graph, promise.first), title_of(graph, promise.then)
    if promise.kind == "before":
        return f"{then} never before {first} was asked"
    return f"{then} never unless {first} passed when last asked"


def branch_words(graph: Graph, step: Step, index: int) -> str:
    return f"branch {index + 1} (to {title_of(graph, step.branches[index].to)})"


def listed(words: Sequence[str], join: str = "and", most: int = 5) -> str:
    """ "A", "A and B", "A, B and C", "A, B, C, D, E and 4 more"."""
    if len(words) > most + 1:
        words = [*words[:most], f"{len(words) - most} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {join} {words[-1]}"


def times(number: int) -> str:
    """ "1st", "2nd", "3rd", "11th"."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if number % 100 in (11, 12, 13) else ending}"


def audience_words(audience: Audience) -> str:
    return {Audience.OWNER: "an owner", Audience.TECHNICIAN: "a technician"}[audience]


def sorted_titles(graph: Graph, names: Iterable[str]) -> list[str]:
    """Quoted titles in the order of the flow, each once."""
    order = {name: i for i, name in enumerate((*graph.steps, *graph.endings))}
    return list(dict.fromkeys(title_of(graph, n) for n in sorted(names, key=order.__getitem__)))
