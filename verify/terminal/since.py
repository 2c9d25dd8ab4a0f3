"""What a recording handed in earlier can still show: nothing of what was done to the car after it.

Between the desk, which takes files, and the session, which knows their order. Which answers from
before a correction may be taken up again the fold itself decides (`job.rules`). Pure.
"""

from __future__ import annotations

from collections.abc import Iterator

from verify.errors import Problem, UserError
from verify.flow.graph import CANNOT, Step
from verify.job.session import ReadOnlySession, Visit


def check_not_from_before(session: ReadOnlySession, step: Step, sha256: str) -> None:
    """Raises UserError where a recording was handed in before something that it should show.

    A file that was there at an earlier step holds nothing of what the car did after that step.
    """
    check_not_shown_before(session, step, [v for v in given(session) if _holds(v, sha256)])


def given(session: ReadOnlySession) -> tuple[Visit, ...]:
    """All answers that may hold a recording: live, proven later, set aside."""
    return (*session.walk, *session.proofs, *(a.visit for a in session.aside))


def check_not_shown_before(
    session: ReadOnlySession, step: Step, used: list[Visit], found: str = ""
) -> None:
    """Raises UserError where what was done since the first of these answers is not in a recording
    that was there by then. found: what was handed in, where it is not that very file."""
    if not used:
        return
    first = min(used, key=lambda v: v.rank)
    expected = made_since(session, step, first)
    if expected:
        raise UserError(
            Problem(
                found=found or f"the recording that was given at “{_title(session, first)}”",
                expected=expected,
                next="record again and give the new file, or answer that you cannot",
                field=step.name,
            )
        )


def made_since(session: ReadOnlySession, step: Step, first: Visit) -> str:
    """What a recording given at `first` does not show, as what is expected instead; "" where
    nothing stands against it."""
    if step.name in session.to_prove:
        return "a new one: proof that follows is made after all that this job holds"
    for later in _after(session, first):
        between = session.graph.steps[later.step]
        # The steps that only ask do not make a recording old.
        if later.step != first.step and (between.does or between.kind == "do"):
            return f"one made after “{between.title}”: an older one shows nothing of it"
    return ""


def _after(session: ReadOnlySession, visit: Visit) -> Iterator[Visit]:
    """The live answers that came later in the course of the work."""
    for later in session.walk:
        if later.rank <= visit.rank or later.gate:
            continue
        # A torque that cannot be believed was set all the same: it has its result beside it.
        if later.outcome.label != CANNOT or later.results:
            yield later


def _holds(visit: Visit, sha256: str) -> bool:
    return any(item.get("sha256") == sha256 for item in visit.evidence or ())


def _title(session: ReadOnlySession, visit: Visit) -> str:
    return session.graph.steps[visit.step].title
