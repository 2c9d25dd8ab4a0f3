"""A proven graph as a `transitions` machine: which step follows an outcome.

Last stage of the flow pipeline. There are three machines, and they are three types, because what
may be done with them differs:

    FlowMachine      made of a ProvenFlow and of nothing less: a job may go on with it
    ReadOnlyMachine  made of any graph: an old job whose edition today's prover refuses can be read
    DraftMachine     made of any graph: a draft can be played in memory, and nothing recorded

One machine serves all jobs of an edition: it holds no state. Where a job stands is a bare object
for the length of one question.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from verify.flow.graph import STOP, Branch, Graph, Outcome, Step, View, holds
from verify.flow.proof import ProvenFlow

_TRIGGER = "answered"


class MachineBroken(RuntimeError):
    """The graph does not say where to go, or says it twice. Never a user's doing.

    Cannot happen on a proven graph and an outcome its steps can have; on a draft it is what the
    prover would have found.
    """


class _Position:
    """The bare model `transitions` moves, and what the guards are asked about.

    chosen: number of the branch that was taken, -1 for `stop`.
    """

    __slots__ = ("chosen", "outcome", "state", "view")

    def __init__(self, state: str, outcome: Outcome, view: View) -> None:
        self.state = state
        self.outcome = outcome
        self.view = view
        self.chosen = -1


def _is_stop(position: _Position) -> bool:
    return position.outcome.label == STOP


def _guard(step: str, number: int, branch: Branch) -> Callable[[_Position], bool]:
    def applies(position: _Position) -> bool:
        position.chosen = number
        return holds(branch.when, step, position.outcome, position.view)

    return applies


def _transitions(graph: Graph, step: Step) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    if step.kind != "gate":
        found.append(_transition(step.name, graph.on_stop, _is_stop))
    found += [
        _transition(step.name, branch.to, _guard(step.name, number, branch))
        for number, branch in enumerate(step.branches)
    ]
    return found


def _transition(source: str, target: str, guard: Callable[[_Position], bool]) -> dict[str, Any]:
    return {"trigger": _TRIGGER, "source": source, "dest": target, "conditions": [guard]}


class Machine:
    """What the three machines share. Not to be made itself."""

    def __init__(self, graph: Graph) -> None:
        from transitions import Machine as Core

        if type(self) is Machine:
            raise TypeError("a machine is a FlowMachine, a ReadOnlyMachine or a DraftMachine")
        self.graph = graph
        self._machine = Core(
            model=None,
            states=[*graph.steps, *graph.endings],
            initial=graph.start,
            transitions=[t for step in graph.steps.values() for t in _transitions(graph, step)],
            auto_transitions=False,
            queued=False,
        )
        self._event = self._machine.events[_TRIGGER]

    def target(self, step: str, outcome: Outcome, view: View) -> str:
        """The step or ending that `outcome` of `step` leads to.

        view: the live walk before this outcome, and the attempts with this one among them.
        Raises MachineBroken unless exactly one branch applies. `stop` asks no branch.
        """
        position = _Position(step, outcome, view)
        # A trigger says whether it moved; the state alone would not tell a step that leads to
        # itself from one that was not left.
        moved = self._event.trigger(position, position)
        branches = self.graph.steps[step].branches
        if not moved:
            raise MachineBroken(f'no branch of "{step}" applies to {outcome}')
        if outcome.label == STOP:
            return str(position.state)
        for branch in branches[position.chosen + 1 :]:
            if holds(branch.when, step, outcome, view):
                raise MachineBroken(f'several branches of "{step}" apply to {outcome}')
        if position.state != branches[position.chosen].to:
            raise MachineBroken(f'"{step}" was left for "{position.state}" by no branch')
        return str(position.state)


class FlowMachine(Machine):
    """The machine a job runs on. Raises TypeError for anything but a ProvenFlow."""

    def __init__(self, proven: ProvenFlow) -> None:
        if not isinstance(proven, ProvenFlow):
            raise TypeError(f"only a ProvenFlow becomes a machine, not a {type(proven).__name__}")
        super().__init__(proven.graph)


class ReadOnlyMachine(Machine):
    """Reads the jobs of a flow that was proven once. Jobs cannot go on with it."""


class DraftMachine(Machine):
    """Plays an unproven draft. What it yields is a DraftSession, which no journal is to keep."""


def compile_flow(proven: ProvenFlow) -> FlowMachine:
    """The machine of a proven flow; one for each edition is enough, however many jobs there are.

    Raises TypeError for anything but a ProvenFlow.
    """
    return FlowMachine(proven)


def replay_machine(graph: Graph) -> ReadOnlyMachine:
    """The machine that reads old jobs of a flow today's prover refuses."""
    return ReadOnlyMachine(graph)


def draft_machine(graph: Graph) -> DraftMachine:
    """The machine that plays a draft in memory."""
    return DraftMachine(graph)
