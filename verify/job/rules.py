"""What one answer may be, whatever the walk: the outcomes of a step, and what may be corrected.

Stands below `walk`, which says when an answer may be given.
"""

from __future__ import annotations

from verify.flow.graph import CANNOT, NATURAL_GRADE, STOP, Outcome, Step
from verify.job.visits import Misfit, Visit, computed
from verify.words import Grade


def check_outcome(step: Step, outcome: Outcome) -> None:
    """Raises Misfit unless a step of this kind can have this outcome."""
    if step.kind == "gate" or outcome.label not in (*step.labels, CANNOT, STOP):
        raise Misfit(
            f'the outcome "{outcome.label}" of {step.name}',
            "one of " + ", ".join((*step.labels, CANNOT, STOP)),
            "choose one of these",
        )
    if outcome.grade.rank > NATURAL_GRADE.get(step.kind, Grade.TOLD).rank:
        raise Misfit(
            f"evidence {outcome.grade} at {step.name}",
            f"at most {NATURAL_GRADE[step.kind]}, as it is a step of kind {step.kind}",
            "grade it as what it is",
        )


def judged_by_computation(step: Step, outcome: Outcome) -> bool:
    """Whether the outcome can change when a spec or a check does."""
    return step.kind in ("reading", "fasten", "codes") or computed(step, outcome)


def check_correctable(step: Step, visit: Visit) -> None:
    """Raises Misfit where an answer rests on a computed verdict: that is only measured again."""
    if computed(step, visit.outcome):
        raise Misfit(
            f"a correction of the verdict at {step.name}",
            "an answer that a person typed",
            "measure again where the flow asks for it",
        )
