"""A corrected number of the car judges anew, as new entries, every verdict that used it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from verify.errors import UserError
from verify.evidence.checks.catalogue import CATALOGUE
from verify.evidence.checks.kind import COULD_NOT_RUN
from verify.flow.graph import Outcome, Step, recorded_checks
from verify.job.bodies import proof_body, rejudged_body
from verify.job.judge import Judged, judge_answer, judge_recordings, outcome_of
from verify.job.numbers import spec_values
from verify.job.visits import ReadOnlySession, Visit
from verify.quantity import SpecValue
from verify.terminal import recordings
from verify.words import Verdict

if TYPE_CHECKING:
    from verify.terminal.desk import Desk, Live


def rejudge_all(desk: Desk, session: Live, spec: str) -> Live:
    """Judges anew, oldest first, live answers and those set aside. Returns the session after."""
    for visit in _concerned(session, spec):
        judged = _again(desk, session, session.graph.steps[visit.step], visit)
        if judged is None:
            continue
        body = rejudged_body(
            session,
            visit.seq,
            judged.outcome,
            results=[r.to_json() for r in judged.results],
            spec=spec,
            evidence=visit.evidence,
        )
        session = desk.write("rejudged", body)
    return session


def prove_with(desk: Desk, session: Live, spec: str) -> Live:
    """A number that was not found was entered once the keys had gone back: what is open and was
    given before is judged with it and comes in as proof. The walk stands still.
    """
    for name in tuple(session.to_prove):
        step, given = session.graph.steps[name], session.earlier_evidence(name)
        visit = given[-1] if given else session.last(name)
        if spec not in step.detail.get("specs", ()) or visit is None or not visit.results:
            continue
        judged = _again(desk, session, step, visit)
        if judged is None or judged.outcome == visit.outcome or name not in session.to_prove:
            continue
        body = proof_body(
            session,
            name,
            judged.outcome,
            values=visit.values,
            results=[r.to_json() for r in judged.results],
            evidence=visit.evidence,
        )
        session = desk.write("proof", body)
    return session


def would_become(
    desk: Desk, session: ReadOnlySession, spec: str, value: SpecValue | None
) -> list[tuple[Visit, Outcome]]:
    """The answers that another number would judge anew, oldest first, and what they would come to.
    Nothing is written. value: None where it was not found."""
    specs = {name: s for name, s in spec_values(session).items() if name != spec}
    specs |= {} if value is None else {spec: value}
    found = []
    for visit in _concerned(session, spec):
        judged = _again(desk, session, session.graph.steps[visit.step], visit, specs)
        if judged is not None:
            found.append((visit, judged.outcome))
    return found


def _concerned(session: ReadOnlySession, spec: str) -> list[Visit]:
    """The answers whose results rest on a number of the car, oldest first."""
    uses = {n for n, s in session.graph.steps.items() if spec in s.detail.get("specs", ())}
    answers = (*session.walk, *session.proofs, *(a.visit for a in session.aside))
    return sorted((v for v in answers if v.step in uses and v.results), key=lambda v: v.rank)


def judge_what_is_owed(desk: Desk, session: Live) -> Live:
    """Judges anew what rests on a number that was changed after it: a sitting can break off
    between the two. Returns the session after."""
    for name, spec in session.specs.items():
        answers = (*session.walk, *(a.visit for a in session.aside))
        if any(
            v.results
            and max(v.seq, v.rejudged) < spec.seq
            and name in session.graph.steps[v.step].detail.get("specs", ())
            for v in answers
        ):
            session = rejudge_all(desk, session, name)
    return session


def _withheld(step: Step, visit: Visit) -> Judged | None:
    """Without the bytes nothing can be judged: a fail stands, and a pass is one no longer."""
    if step.counts(visit.outcome) is Verdict.FAIL:
        return None
    results = [
        CATALOGUE[check].result(
            COULD_NOT_RUN,
            "the recording is not at hand any more, and a number it was held against has changed.",
            settle="record again",
        )
        for check in recorded_checks(step)
    ]
    return Judged(outcome_of(step, results), results=tuple(results))


def _again(
    desk: Desk,
    session: ReadOnlySession,
    step: Step,
    visit: Visit,
    specs: Mapping[str, SpecValue] | None = None,
) -> Judged | None:
    specs = spec_values(session) if specs is None else specs
    if step.kind == "record":
        try:
            found = recordings.reimport(desk.journal, visit.evidence)
        except UserError:
            return _withheld(step, visit)
        return judge_recordings(step, found, specs) if found else None
    from verify.job.answers import Fastened, Number

    values = visit.values or {}
    typed = f"{values.get('text', '')} {values.get('unit', '')}"
    if step.kind == "reading":
        return judge_answer(step, Number(typed), specs)
    if step.kind == "fasten":
        return judge_answer(
            step, Fastened(typed, values.get("order"), values.get("wrench", "")), specs
        )
    return None
