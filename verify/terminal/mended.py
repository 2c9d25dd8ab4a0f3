"""A step that failed, was put right and was answered again, all of it set aside. Pure."""

from __future__ import annotations

from verify.flow.graph import REMEDY
from verify.job.session import ReadOnlySession, Visit
from verify.words import Verdict


def mended_since(session: ReadOnlySession, ready: Visit) -> tuple[Visit, ...]:
    """From an answer that failed to the last one of its step, with the remedies in between.

    () where anything else lies between them, or the last one does not pass.
    Only then the whole stands for one answer: what else was asked in between is asked about itself.
    """
    steps = session.graph.steps
    here = steps[ready.step]
    if here.counts(ready.outcome) is not Verdict.FAIL:
        return ()
    waiting = [
        a.visit
        for a in session.aside
        if not (a.discarded or a.settled) and a.visit.rank >= ready.rank
    ]
    waiting.sort(key=lambda v: v.rank)
    own = [i for i, v in enumerate(waiting) if v.step == ready.step]
    chain = waiting[: own[-1] + 1] if own else []
    if len(chain) < 3 or here.counts(chain[-1].outcome) is not Verdict.PASS:
        return ()
    for visit in chain:
        between = steps[visit.step]
        if visit.step == ready.step:
            continue
        if REMEDY not in between.does or between.counts(visit.outcome) is not Verdict.PASS:
            return ()
    return tuple(chain)
