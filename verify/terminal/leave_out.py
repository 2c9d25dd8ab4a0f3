"""Whether a step that is not required may be left out with nothing lost. Pure.

A flow may lead somewhere else when an optional step cannot be done (a tow, another way to the
relearn). Then leaving it out is no small thing, and is not offered as one.
"""

from __future__ import annotations

from collections.abc import Iterator

from verify.flow.graph import CANNOT, Outcome, View, holds
from verify.job.session import ReadOnlySession
from verify.words import LEFT_OUT

REASON = LEFT_OUT
"""What the record says of it; as all that is recorded, in English."""


def may_leave_out(session: ReadOnlySession) -> bool:
    """Whether the open step is not required, and its `cannot` leads where its good outcome does."""
    pending = session.pending
    if pending is None or session.ending is not None or pending.ready is not None:
        return False
    step = session.step()
    if step.required or pending.locked or step.kind == "gate":
        return False
    without = set(_leads(session, [CANNOT]))
    labels = step.passes or step.labels
    good = [set(_leads(session, [label])) for label in labels]
    if not without or any(to in session.graph.endings for to in without):
        return False
    # Where no answer passes, none is good: then all of them must lead the same way.
    return any(without == to for to in good) if step.passes else all(without == to for to in good)


def _leads(session: ReadOnlySession, labels: list[str]) -> Iterator[str]:
    """Where these outcomes can lead on the walk as it stands, whatever their numbers and items."""
    step, pending = session.step(), session.pending
    assert pending is not None
    last = {v.step: v.outcome for v in session.walk}
    attempts = {**session.made, step.name: pending.attempt}
    for label in labels:
        outcome = Outcome(label)
        for branch in step.branches:
            view = View(session.audience, {**last, step.name: outcome}, attempts)
            if holds(branch.when, step.name, outcome, view):
                yield branch.to
