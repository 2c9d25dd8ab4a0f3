"""What the prover has to say, and in which order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from verify.flow.graph import Graph

# Every rule with what it refuses; a test counts that a flow breaks each of them.
RULES = {
    "names": "something is named that does not exist, or cannot be asked of that step",
    "caution": "a hazard that a step brings is not named at the step",
    "grade": "the least evidence is poorer than the step can yield without a reason, or better",
    "group": "a required step does not say which question about the car it answers",
    "later": "a required step that may stay open does not say what would settle it, and by when",
    "never-passes": "a required step has no outcome that passes",
    "too-big": "the flow asks too much of the past to be followed",
    "no-branch": "an outcome leads nowhere",
    "two-branches": "an outcome leads to two places at once",
    "endless-loop": "steps can be gone round without end",
    "unreachable": "a step or ending that no walk reaches",
    "branch-never-taken": "a branch that no outcome takes",
    "promise-before": "a promise `before` is broken",
    "promise-never": "a promise `never` is broken",
    "codes-saved-first": "codes can be cleared before they were saved",
    "drive-after-clearing": "the car can be let go without a road test since codes were cleared",
    "hand-back": "the car can be handed back although a required step has not passed",
    "proof-to-follow": "the car can leave although a step of safe-to-drive has not passed",
    "failed-to-follow": "the car can leave although a step has failed, as if it were only open",
    "safe-unasked": "the car can leave although nothing that must pass looks at its safety",
    "gone-unasked": "the car can be handed back although nothing asks for the complaint",
    "second-throw": "a step that failed can be asked again although nothing was done",
}
MOST_OF_A_RULE = 20


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason why a flow does not prove.

    rule: one of RULES. step: the step or ending it is about, "" where it is the whole flow.
    message: a sentence. walk: the shortest walk that shows it, "title: outcome" for each step.
    line: of the step in its file, 0 where unknown.
    """

    rule: str
    step: str
    message: str
    walk: tuple[str, ...] = ()
    line: int = 0


def in_order(graph: Graph, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Sorted by line, place in the flow and rule; at most MOST_OF_A_RULE of each rule."""
    place = {name: i for i, name in enumerate(("", *graph.steps, *graph.endings))}
    rules = {rule: i for i, rule in enumerate(RULES)}
    ordered = sorted(
        set(findings),
        key=lambda f: (f.line, place.get(f.step, 0), rules[f.rule], f.message, f.walk),
    )
    kept: list[Finding] = []
    for rule in RULES:
        same = [f for f in ordered if f.rule == rule]
        if len(same) > MOST_OF_A_RULE:
            last = same[MOST_OF_A_RULE - 1]
            more = f"{last.message} And {len(same) - MOST_OF_A_RULE} more like this."
            same = [*same[: MOST_OF_A_RULE - 1], replace(last, message=more)]
        kept += same
    by_order = {f: i for i, f in enumerate(ordered)}
    # A finding that got "and more" is new; it stands where its rule breaks off.
    return tuple(
        sorted(kept, key=lambda f: (f.line, place.get(f.step, 0), by_order.get(f, len(ordered))))
    )
