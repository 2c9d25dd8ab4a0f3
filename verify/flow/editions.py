"""What a newer edition of a job's flow would ask in addition of what the job has shown.

A job keeps the edition it was opened with; nothing here changes that. Pure functions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from verify.flow.diff import GONE, NEW, Change, difference, matched
from verify.flow.graph import Graph, Outcome, Step, still_open


@dataclass(frozen=True, slots=True)
class Upgrade:
    """in_addition: steps the newer edition has and the job's own has not. changed: steps it asks in
    another way, with what differs; `gone`: steps it no longer asks.

    would_stand_open: required steps of the newer edition that what the job has shown does not pass.
    """

    in_addition: tuple[Change, ...]
    changed: tuple[Change, ...]
    gone: tuple[Change, ...]
    would_stand_open: tuple[Step, ...]


def upgrade(own: Graph, newer: Graph, last: Mapping[str, Outcome]) -> Upgrade:
    """What the newer edition would ask in addition.

    last: step of the job's own edition → its last outcome on the live walk. An outcome counts for
    the newer edition where the step is the same one and the outcome passes it there: its label
    still exists, and its evidence is good enough.
    """
    found = difference(own, newer)
    same = matched(own, newer)
    kept = {same[name]: outcome for name, outcome in last.items() if name in same}
    known = {
        name: outcome
        for name, outcome in kept.items()
        if _answers(newer.steps[name], own.steps, outcome, name, same)
    }
    asking = [c for c in found.steps if c.asks]
    return Upgrade(
        in_addition=tuple(c for c in asking if c.kind == NEW),
        changed=tuple(c for c in asking if c.kind not in (NEW, GONE)),
        gone=tuple(c for c in asking if c.kind == GONE),
        would_stand_open=still_open(newer, known),
    )


def _answers(
    step: Step, own: Mapping[str, Step], outcome: Outcome, name: str, same: Mapping[str, str]
) -> bool:
    """Whether an outcome given to the old step answers the new one.

    Only where the new step puts the same question: what is looked at, read or recorded is the same.
    """
    old = next(own[was] for was, now in same.items() if now == name)
    if outcome.label not in (*step.labels, "cannot"):
        return False
    return (old.kind, dict(old.detail)) == (step.kind, dict(step.detail))
