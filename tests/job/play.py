"""A job played by hand in a test, on a flow that has one of everything."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.graph import Graph, Outcome, Spec
from verify.flow.machine import DraftMachine, FlowMachine, Machine, compile_flow
from verify.flow.proof import ProvenFlow, prove
from verify.job import bodies
from verify.job.entry import Draft
from verify.job.memory import MemoryJournal
from verify.job.session import ReadOnlySession, fold
from verify.words import Audience, Grade, Group, Verdict

HIDDEN = "0f" * 32
FINDING = {"pass": "settled", "fail": "too-high", "undecided": "adapting"}


def workshop_flow() -> Graph:
    """odometer → seal → idle → road → gate.

    idle is a recording: it may fail twice with a remedy after each, and be undecided twice. The
    remedy is `clean`, with a wait of ten minutes.
    """
    later = ("drive on and measure again", "100 km")
    clean = step(
        "do",
        "clean",
        go("done", "idle"),
        go("cannot", "diagnosis"),
        does=["remedy"],
        optional=True,
    )
    graph = flow(
        step("ask", "odometer", go(["yes", "no", "cannot"], "seal"), optional=True),
        step("ask", "seal", go(["yes", "cannot"], "idle"), go("no", "diagnosis")),
        step(
            "record",
            "idle",
            go(["pass", "told-pass"], "road"),
            go(look(["fail", "told-fail"], attempts=(1, 3)), "clean"),
            go(look(["fail", "told-fail"], attempts=(3, None)), "diagnosis"),
            go(look(["undecided", "told-undecided"], attempts=(1, 3)), "idle"),
            go(look(["undecided", "told-undecided"], attempts=(3, None)), "road"),
            go("cannot", "road"),
            told=True,
        ),
        replace(clean, detail={"wait_s": 600.0}),
        step("ask", "road", go(["yes", "no", "cannot"], "keys"), group=Group.COMPLAINT,
             unsure=["no"], later=later),
        step("gate", "keys", go("hand-back", "handed-back"), go("proof-to-follow", "to-follow"),
             go("neither", "diagnosis")),
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
    )  # fmt: skip
    return replace(graph, specs={"idle_speed": Spec("idle_speed", "Idle speed", "rpm")})


def machine_for(graph: Graph) -> FlowMachine:
    found = prove(graph, CATALOGUE)
    assert isinstance(found, ProvenFlow), found
    return compile_flow(found)


def judged(label: str) -> Outcome:
    """What the idle check found."""
    return Outcome(label, Grade.RECORDED, checks=(("idle-speed", Verdict(label), FINDING[label]),))


class Job:
    """Appends what the builders return and folds again after each entry."""

    def __init__(self, machine: Machine | None = None, **opened: Any) -> None:
        self.machine = machine if machine is not None else machine_for(workshop_flow())
        assert isinstance(self.machine, FlowMachine | DraftMachine)
        self.journal = MemoryJournal()
        opened = {"audience": Audience.TECHNICIAN, "mode": "as-work", "units": "metric"} | opened
        self.put("opened", bodies.opened_body(self.machine, edition="e" * 64, **opened))

    def put(self, kind: str, body: dict[str, Any]) -> ReadOnlySession:
        number = len(self.journal.entries("j")) + 1
        time = f"2031-05-01T08:{number:02}:00.000Z"
        wish = Draft(kind, body, time, "p-1", str(number), {})
        self.journal.append("j", wish, expected_head=self.journal.head("j"))
        self.now = fold("j", self.journal.entries("j"), self.machine)
        return self.now

    def answer(self, outcome: str | Outcome, **more: Any) -> ReadOnlySession:
        outcome = Outcome(outcome) if isinstance(outcome, str) else outcome
        return self.put("outcome", bodies.outcome_body(self.now, outcome, **more))

    def idle(self, label: str, **more: Any) -> ReadOnlySession:
        return self.answer(judged(label), **more)

    def clean(self) -> ReadOnlySession:
        self.put("wait-started", bodies.wait_started_body(self.now))
        self.put("wait-ended", bodies.wait_ended_body(self.now))
        return self.answer("done")

    def take(self) -> ReadOnlySession:
        return self.put("outcome", bodies.ready_body(self.now))

    def correct(self, seq: int, outcome: str | Outcome, **more: Any) -> ReadOnlySession:
        outcome = Outcome(outcome) if isinstance(outcome, str) else outcome
        body = bodies.correction_body(self.now, seq, outcome, reason=HIDDEN, **more)
        return self.put("correction", body)

    def rejudge(self, seq: int, outcome: Outcome, **more: Any) -> ReadOnlySession:
        body = bodies.rejudged_body(
            self.now, seq, outcome, results=[{"check": "idle-speed"}], spec="idle_speed", **more
        )
        return self.put("rejudged", body)

    def seq(self, step: str, attempt: int = 1) -> int:
        """The entry of a live answer."""
        found = [v.seq for v in self.now.walk if (v.step, v.attempt) == (step, attempt)]
        assert found, f"{step} {attempt} is not on the walk"
        return found[-1]

    @property
    def where(self) -> str:
        """What a person would be shown, in a line."""
        p = self.now.pending
        if p is None:
            return f"ended: {self.now.at}"
        ready = f", ready {p.ready.attempt} {p.ready.outcome.label}" if p.ready else ""
        return f"{p.step} {p.attempt}{ready}" + (", locked" if p.locked else "")

    @property
    def walk(self) -> str:
        return " ".join(f"{v.step}{v.attempt}:{v.outcome.label}" for v in self.now.walk)


def failed_once(**opened: str) -> Job:
    """odometer, seal, idle failed, cleaned, idle passed; the road test is asked."""
    job = Job(**opened)
    job.answer("yes")
    job.answer("yes")
    job.idle("fail", evidence=["first"])
    job.clean()
    job.idle("pass", evidence=["second"])
    return job
