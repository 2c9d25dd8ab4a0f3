"""What cannot have been done in the time that was there, by the times of its entries. Pure.

Two rules, common practice and no source. They ask no more than a question of whoever was there:
hands that are dirty do two things and write both down afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime

from verify.flow.graph import CANNOT, CLEARS_CODES, REMEDY, ROAD_TEST, STOP
from verify.job.session import ReadOnlySession, Visit
from verify.job.signoff_point import Point, Weight

LEAST_DRIVE_S = 60.0
"""Out of the bay, around the block and back takes longer: common practice, no source."""
SLACK_S = 2.0
"""By so much may the times of two entries be wrong between them."""


def time_points(session: ReadOnlySession) -> Iterator[Point]:
    """Drives and recordings that are longer than what lies between two entries.

    Of answers written as the work went on. A played job has no times of its own.
    """
    if session.demo or session.scripted:
        return
    steps = session.graph.steps
    before: Visit | None = None
    changed: Visit | None = None
    for visit in in_order(session):
        if before is not None and _first_hand(visit):
            if ROAD_TEST in steps[visit.step].does:
                yield from _drive(session, visit, before)
            if changed is not None:
                yield from _recording(session, visit, changed)
        before = visit
        if steps[visit.step].does & {REMEDY, CLEARS_CODES} and visit.outcome.label != CANNOT:
            changed = visit


def seconds_between(first: str, last: str) -> float | None:
    """Between the times of two entries, None where one of them is no time."""
    try:
        begin, end = (datetime.fromisoformat(t.replace("Z", "+00:00")) for t in (first, last))
        return (end - begin).total_seconds()
    except (ValueError, TypeError):
        return None


def in_order(session: ReadOnlySession) -> list[Visit]:
    """All answers, those too that were set aside, as they were written."""
    answers = [*session.walk, *session.proofs, *(a.visit for a in session.aside)]
    return sorted((v for v in answers if not v.gate), key=lambda v: v.seq)


def _first_hand(visit: Visit) -> bool:
    """Written as the work went on, and no later correction of what was."""
    return (
        visit.mode == "as-work"
        and not visit.corrected
        and visit.outcome.label not in (CANNOT, STOP)
    )


def _drive(session: ReadOnlySession, visit: Visit, before: Visit) -> Iterator[Point]:
    between = seconds_between(before.time, visit.time)
    if between is None or not 0.0 <= between < LEAST_DRIVE_S:
        return
    words = (
        f"“{_title(session, visit)}” was answered {between:.0f} s after "
        f"“{_title(session, before)}”: the drive was made before that, or not at all."
    )
    yield Point("drive-short", Weight.LOOK, words, (before.seq, visit.seq))


def _recording(session: ReadOnlySession, visit: Visit, changed: Visit) -> Iterator[Point]:
    between = seconds_between(changed.time, visit.time)
    for item in visit.evidence or ():
        if not isinstance(item, Mapping) or item.get("kind") != "recording" or between is None:
            continue
        lasts = item.get("seconds")
        if not isinstance(lasts, (int, float)) or not 0.0 <= between + SLACK_S < lasts:
            continue
        words = (
            f"The recording at “{_title(session, visit)}” lasts {lasts / 60:.2g} min and was given "
            f"{between / 60:.2g} min after “{_title(session, changed)}” was written down: it began "
            "before that entry. Ask what was done first."
        )
        yield Point("recording-begun-before", Weight.LOOK, words, (changed.seq, visit.seq))


def _title(session: ReadOnlySession, visit: Visit) -> str:
    return session.graph.steps[visit.step].title
