"""A recording that comes back in another form: one byte changed, exported again, or trimmed.

`since` knows a file by its bytes; here it is known by its readings (`evidence.likeness`). Where the
older file is not at hand any more, the bytes alone speak.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from verify.errors import Problem, UserError
from verify.evidence.likeness import SharedStretch, shared_stretch
from verify.evidence.recording import Recording
from verify.flow.graph import Step
from verify.job.session import ReadOnlySession, Visit
from verify.terminal.since import check_not_shown_before, given, made_since


def check_not_the_same_again(
    session: ReadOnlySession,
    step: Step,
    new: Recording,
    read: Callable[[Mapping[str, Any]], Recording],
) -> None:
    """Raises UserError where a recording repeats one that was handed in before something that it
    should show, or at this step: judged together, the same readings would count twice.

    read: the recording of a stored item of evidence; may raise UserError where it is gone.
    """
    together = {v.seq for v in session.earlier_evidence(step.name)}
    for visit, item in _others(session, new.sha256):
        if visit.seq not in together and not made_since(session, step, visit):
            continue
        try:
            stretch = shared_stretch(read(item), new)
        except UserError:
            continue
        if stretch is None:
            continue
        title = session.graph.steps[visit.step].title
        found = _repeats(title, stretch)
        check_not_shown_before(session, step, [visit], found)
        raise UserError(
            Problem(
                found=found,
                expected="readings that were not given before: the same ones count once",
                next="record again and give the new file, or answer that you cannot",
                field=step.name,
            )
        )


def _others(session: ReadOnlySession, sha256: str) -> Iterator[tuple[Visit, Mapping[str, Any]]]:
    """Each other recording of the job once, with the first answer that rests on it."""
    seen = {sha256}
    for visit in sorted(given(session), key=lambda v: v.rank):
        for item in visit.evidence or ():
            if item.get("kind") == "recording" and item["sha256"] not in seen:
                seen.add(item["sha256"])
                yield visit, item


def _repeats(title: str, stretch: SharedStretch) -> str:
    """What the new file holds; the channel is named, so that people can look for themselves."""
    return (
        f"the recording that was given at “{title}”, in another file: for "
        f"{stretch.seconds:.0f} s of {stretch.newer_s:.0f} s its "
        f"{stretch.channel.replace('_', ' ')} is the same, reading for reading"
    )
