"""Answers that pass although the record shows nothing they could rest on. Pure.

The part of `signoff` that looks at what a person only said.
"""

from __future__ import annotations

from verify.flow.graph import CANNOT, REMEDY, ROAD_TEST, Step
from verify.job.session import ReadOnlySession, Visit, Wait
from verify.job.signoff_time import in_order, seconds_between
from verify.words import Group, Verdict

# A word that turns sooner than this, common practice and no source, has a reason or was wrong.
SOON_S = 3600.0


def turn_unexplained(
    session: ReadOnlySession, step: Step, before: Visit, after: Visit
) -> float | None:
    """Seconds after which a word about safety or the complaint turned into one that passes, with
    nothing in between that could have shown it; None where there is an explanation, or much time.

    Not of what could not be done, and then was.
    """
    told = step.kind in ("ask", "card") and step.group in (Group.SAFE, Group.COMPLAINT)
    if not told or before.outcome.label == CANNOT or before.seq >= after.seq:
        return None
    gone = seconds_between(before.time, after.time)
    if gone is None or gone >= SOON_S:
        return None
    for visit in in_order(session):
        if before.seq < visit.seq < after.seq:
            there = session.graph.steps[visit.step]
            passed = there.counts(visit.outcome) is Verdict.PASS
            if visit.evidence or (passed and there.does & {REMEDY, ROAD_TEST}):
                return None
    return gone


def minutes(seconds: float) -> str:
    return f"{max(seconds, 0.0) / 60:.0f} min" if seconds >= 60 else f"{max(seconds, 0.0):.0f} s"


def passed_without(session: ReadOnlySession, wait: Wait) -> Visit | None:
    """The answer that passes although it rests on a wait that was skipped, and not kept since."""
    for name in session.graph.rest_on(wait.step):
        last, step = session.last(name), session.graph.steps.get(name)
        if last is None or step is None or last.rank < wait.seq:
            continue
        kept = [v for v in session.walk if v.step == wait.step and v.attempt > wait.attempt]
        since = any(wait.seq < v.rank < last.rank for v in kept)
        if not since and step.counts(last.outcome) is Verdict.PASS:
            return last
    return None
