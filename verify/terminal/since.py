"""What a recording handed in earlier can still show: nothing of what was done to the car after it.

Between the desk, which takes files, and the session, which knows their order. Which answers from
before a correction may be taken up again the fold itself decides (`job.rules`). Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from verify.errors import Problem, UserError
from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
from verify.evidence.importers.port import Layout
from verify.evidence.recording import Recording
from verify.flow.graph import CANNOT, Step, recorded_checks
from verify.job.session import ReadOnlySession, Visit
from verify.words import BEFORE, TOLD


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


def sounds_from_before(
    session: ReadOnlySession, step: Step, new: Recording, kept: Collection[str]
) -> list[dict[str, Any]]:
    """The sounds of key-on from earlier steps, as evidence that is not judged: by their ticking is
    measured what must be heard now. They are named in the new entry, so that it can be computed
    again from itself.

    new: what is judged now; kept: digests of what is judged together with it.
    """
    if new.importer != "sound" or KEY_CHECK not in recorded_checks(step):
        return []
    found: dict[str, dict[str, Any]] = {}
    for visit in session.walk:
        other = session.graph.steps[visit.step]
        if other.name == step.name or other.kind != "record":
            continue
        if KEY_CHECK not in recorded_checks(other):
            continue
        for item in visit.evidence or ():
            if _is_sound(item) and item["sha256"] not in (new.sha256, *kept):
                said = dict(item["mapping"])
                words = [w for w in said.get(TOLD, "").split(", ") if w and w != BEFORE]
                said[TOLD] = ", ".join([*words, BEFORE])
                found[item["sha256"]] = {**item, "mapping": said}
    return list(found.values())


def check_kind(step: Step, layout: Layout, name: str) -> None:
    """Raises UserError where a sound is given to a step that asks nothing by ear, or readings to
    one that asks by ear alone; nothing of it is written."""
    asked = set(recorded_checks(step))
    by_ear = asked & {*ENGINE_CHECKS, KEY_CHECK}
    if layout.sound and not by_ear:
        raise UserError(
            Problem(
                file=name,
                found="a sound",
                expected="a recording of the car's own data: here nothing is judged by ear",
                next="give it where a sound is asked for; without a recording, tell what you saw",
            )
        )
    if not layout.sound and by_ear and by_ear == asked:
        raise UserError(
            Problem(
                file=name,
                found="a recording of the car's own data",
                expected="a sound: here all is judged by ear",
                next="give a sound of the car, as a telephone records it",
            )
        )


def _is_sound(item: Mapping[str, Any]) -> bool:
    return item.get("kind") == "recording" and item.get("importer") == "sound"
