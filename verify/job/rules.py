"""What one answer may be: the outcomes of a step, what may be corrected, what is out of date.

Stands below `walk`, which says when an answer may be given. A proof speaks only of the outcomes a
step can have; so one that it cannot have never gets as far as a branch.
"""

from __future__ import annotations

from collections.abc import Iterable

from verify.flow.graph import (
    CANNOT,
    CLEARS_CODES,
    NATURAL_GRADE,
    REMEDY,
    STOP,
    Graph,
    Outcome,
    Step,
    recorded_checks,
    recorded_label,
)
from verify.job.visits import Misfit, Visit, computed
from verify.words import Grade, Verdict


def check_outcome(step: Step, outcome: Outcome) -> None:
    """Raises Misfit unless `step` can have this outcome.

    No verdict is computed anew; but a label that its own verdicts do not bear out is refused.
    """
    if step.kind == "gate" or outcome.label not in (*step.labels, CANNOT, STOP):
        raise Misfit(
            f'the outcome "{outcome.label}" of {step.name}',
            "one of " + ", ".join((*step.labels, CANNOT, STOP)),
            "choose one of these",
        )
    told = outcome.label in (CANNOT, STOP) or outcome.label.startswith("told-")
    grade = Grade.TOLD if told else NATURAL_GRADE.get(step.kind, Grade.TOLD)
    if outcome.grade is not grade:
        raise Misfit(
            f'"{outcome.label}" at {step.name} on evidence {outcome.grade}',
            f"evidence {grade}",
            "grade it as what it is",
        )
    if not told and not _borne_out(step, outcome):
        raise Misfit(
            f'"{outcome.label}" at {step.name} with {_content(outcome)}',
            "what this outcome rests on: each check of the step, the wrong items, or the number",
            "store the outcome as it was judged",
        )


def _borne_out(step: Step, outcome: Outcome) -> bool:
    """Whether an outcome carries what its label says. See `judge.outcome_of`."""
    if step.kind == "record":
        if sorted(check for check, _, _ in outcome.checks) != sorted(set(recorded_checks(step))):
            return False
        return outcome.label == recorded_label(step, ((c, v) for c, v, _ in outcome.checks))
    if step.kind == "card":
        known = outcome.items <= set(step.detail["items"])
        wrong = outcome.items - outcome.unseen
        return (
            known
            and outcome.unseen <= outcome.items
            and ((outcome.label == "exceptions") == bool(wrong) == bool(outcome.items))
        )
    return step.kind != "reading" or outcome.label != "taken" or outcome.value is not None


def _content(outcome: Outcome) -> str:
    shown = [f"{check} {verdict}" for check, verdict, _ in outcome.checks]
    shown += sorted(outcome.items)
    return ", ".join(shown) or "nothing behind it"


def was_judged(step: Step, visit: Visit) -> bool:
    """Whether an answer was computed, so that it can change when a spec or a check does.

    A `cannot` is somebody's word, but for a torque set with a wrench that is out of its range
    there: that has its result beside it.
    """
    if visit.outcome.label == CANNOT:
        return step.kind == "fasten" and bool(visit.results)
    if visit.outcome.label == STOP:
        return False
    return step.kind in ("reading", "fasten", "codes") or computed(step, visit.outcome)


def check_correctable(step: Step, visit: Visit) -> None:
    """Raises Misfit where an answer rests on a computed verdict: that is only measured again."""
    if computed(step, visit.outcome):
        raise Misfit(
            f"a correction of the verdict at {step.name}",
            "an answer that a person typed",
            "measure again where the flow asks for it",
        )


def changed_since(graph: Graph, live: Iterable[Visit], old: Visit) -> Visit | None:
    """The first live answer with which the car became another one after `old` was given.

    Something was done to it, or its codes were cleared: what was seen before shows nothing of it.
    None for a gate, as what that finds is found anew.
    """
    if old.gate:
        return None
    for visit in live:
        step = graph.steps[visit.step]
        changes = bool(step.does & {REMEDY, CLEARS_CODES})
        if changes and visit.rank > old.rank and step.counts(visit.outcome) is Verdict.PASS:
            return visit
    return None


def check_not_outdated(graph: Graph, live: Iterable[Visit], old: Visit) -> None:
    """Raises Misfit where an answer set aside says nothing of the car as it is now."""
    changed = changed_since(graph, live, old)
    if changed is not None:
        raise Misfit(
            f"the answer of entry {old.seq}, from before “{graph.steps[changed.step].title}”, "
            f"taken up again at {old.step}",
            "a new answer: an older one shows nothing of what was done to the car",
            "look, or measure, again",
        )
