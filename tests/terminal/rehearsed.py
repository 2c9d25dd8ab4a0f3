"""Scripts of a rehearsal really played: as a person would, with `flows try` or as a job."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.terminal.walks import START
from verify.flow.graph import Graph, Outcome, View, holds
from verify.flow.machine import DraftMachine, FlowMachine
from verify.flow.proof import ProvenFlow, prove
from verify.flow.rehearse import Rehearsal, RehearsedWalk
from verify.job.bodies import opened_body, outcome_body, wait_ended_body, wait_started_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.job.session import ReadOnlySession
from verify.terminal.answers_file import load_answers
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk, Secrets, new_job_id
from verify.terminal.flows_rehearse import write_picture
from verify.terminal.library import load_flow
from verify.terminal.rehearse_answers import AnswerBook
from verify.terminal.rehearse_script import Script, ScriptWriter
from verify.terminal.runner import Runner
from verify.terminal.script import ScriptHands
from verify.words import Audience

Branches = list[tuple[str, int]]


def proven_flow(name: str) -> ProvenFlow:
    found = prove(load_flow(name, catalogue()).graph, catalogue())
    assert isinstance(found, ProvenFlow), name
    return found


def scripts_of(found: Rehearsal, flow: str) -> list[Script]:
    writer = ScriptWriter(AnswerBook(found.graph), flow, len(found.walks))
    return [writer.write(walk) for walk in found.walks]


def open_desk(machine: FlowMachine | DraftMachine, audience: Audience) -> Desk:
    journal = MemoryJournal()
    edition = hashlib.sha256(b"{}").hexdigest()
    journal.put_edition(edition, b"{}")
    desk = Desk(journal, new_job_id(journal), machine, PlayingClock(START), "p-test")
    body = opened_body(
        machine, edition=edition, audience=audience, mode="as-work", units="metric", scripted=True
    )
    desk.open(body, Secrets())
    return desk


def play_script(
    script: Script, folder: Path, machine: FlowMachine | DraftMachine, audience: Audience
) -> Branches:
    """Plays an answers file to the end as `flows try` does; the branches the session took."""
    path = folder / script.name
    path.write_text(script.text, encoding="utf-8")
    if script.picture:
        write_picture(folder)
    answers = load_answers(path, machine.graph)
    desk = open_desk(machine, audience)
    Runner(desk, ScriptHands(answers, desk.clock)).run()
    answers.finish()
    session = desk.session()
    assert session.ending is not None
    assert session.ending.title == script.ending
    return branches_of(session)


def play_outcomes(walk: RehearsedWalk, machine: FlowMachine) -> Branches:
    """Plays the outcomes of a walk in a session on the proven machine."""
    desk = open_desk(machine, walk.audience)
    for taken in walk:
        if machine.graph.steps[taken.step].kind == "gate":
            continue
        session = desk.live()
        assert session.pending is not None
        assert session.pending.step == taken.step
        outcome = taken.outcomes[0]
        if session.pending.wait_s is not None and outcome.label == "done":
            desk.write("wait-started", wait_started_body(session))
            desk.write("wait-ended", wait_ended_body(desk.live()))
        desk.write("outcome", outcome_body(desk.live(), outcome))
    session_at_end = desk.session()
    assert session_at_end.at == walk.ending
    return branches_of(session_at_end)


def branches_of(session: ReadOnlySession) -> Branches:
    """Which branch each visit of a session took, by `holds` alone."""
    graph: Graph = session.graph
    last: dict[str, Outcome] = {}
    attempts: dict[str, int] = {}
    found: Branches = []
    for visit in session.walk:
        step = graph.steps[visit.step]
        attempts[step.name] = attempts.get(step.name, 0) + 1
        view = View(session.audience, last, attempts)
        fitting = [
            i
            for i, branch in enumerate(step.branches)
            if holds(branch.when, step.name, visit.outcome, view)
        ]
        if visit.outcome.label == "stop":
            fitting = [-1]
        assert len(fitting) == 1
        found.append((step.name, fitting[0]))
        last[step.name] = visit.outcome
    return found


def claimed(walk: RehearsedWalk) -> Branches:
    return [(taken.step, taken.branch) for taken in walk]
