"""The machine: one for an edition, made of nothing less than a proof, and never silent."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from transitions import Machine as Core

from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.graph import Graph, Outcome, View
from verify.flow.machine import (
    DraftMachine,
    FlowMachine,
    Machine,
    MachineBroken,
    ReadOnlyMachine,
    compile_flow,
    draft_machine,
    replay_machine,
)
from verify.flow.proof import ProvenFlow, prove
from verify.words import Audience, Grade, Group

VIEW = View(Audience.TECHNICIAN, {}, {})


def proven_flow() -> ProvenFlow:
    graph = flow(
        step("ask", "gone", go("yes", "smell"), go(["no", "cannot"], "diagnosis"),
             group=Group.COMPLAINT, later=("Drive on.", "4 weeks")),
        step("ask", "smell", go("yes", "keys"), go(["no", "cannot"], "diagnosis")),
        step("gate", "keys", go("hand-back", "handed-back"),
             go(["proof-to-follow", "neither"], "diagnosis")),
        endings=("handed-back", "diagnosis", "tow"),
    )  # fmt: skip
    found = prove(graph, CATALOGUE)
    assert isinstance(found, ProvenFlow)
    return found


def odd_flow() -> Graph:
    """Leads to itself, leaves a gap and overlaps: what only a draft can do."""
    return flow(
        step(
            "reading",
            "volts",
            go(look("taken", value=(None, 11)), "volts"),
            go(look("taken", value=(12, None)), "smell"),
            go("cannot", "smell"),
        ),
        step("ask", "smell", go("yes", "diagnosis"), go(["no", "yes"], "tow")),
    )


def volts(value: str) -> Outcome:
    return Outcome("taken", Grade.READ, value=Fraction(value))


def test_a_proven_flow_becomes_a_machine_that_goes_where_its_branches_say() -> None:
    machine = compile_flow(proven_flow())
    assert isinstance(machine, FlowMachine)
    assert machine.target("smell", Outcome("yes"), VIEW) == "keys"
    assert machine.target("smell", Outcome("no"), VIEW) == "diagnosis"
    assert machine.target("keys", Outcome("neither"), VIEW) == "diagnosis"


@pytest.mark.parametrize("less", [None, odd_flow(), proven_flow().graph, (), object()])
def test_nothing_less_than_a_proven_flow_becomes_a_machine(less: object) -> None:
    with pytest.raises(TypeError, match="only a ProvenFlow"):
        compile_flow(less)  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="only a ProvenFlow"):
        FlowMachine(less)  # type: ignore[arg-type]


def test_a_machine_that_reads_or_plays_is_none_that_jobs_run_on() -> None:
    reads, plays = replay_machine(odd_flow()), draft_machine(odd_flow())
    assert (type(reads), type(plays)) == (ReadOnlyMachine, DraftMachine)
    assert not isinstance(reads, FlowMachine | DraftMachine)
    assert not isinstance(plays, FlowMachine | ReadOnlyMachine)
    with pytest.raises(TypeError, match="a machine is"):
        Machine(odd_flow())


def test_stop_leads_to_the_ending_for_it_whatever_the_branches_say() -> None:
    machine = draft_machine(odd_flow())
    assert machine.target("volts", Outcome("stop"), VIEW) == "tow"
    everything = flow(step("ask", "smell", go(None, "diagnosis")))
    assert draft_machine(everything).target("smell", Outcome("stop"), VIEW) == "tow"
    assert draft_machine(everything).target("smell", Outcome("no"), VIEW) == "diagnosis"


def test_a_step_that_leads_to_itself_has_moved_and_one_without_way_out_has_not() -> None:
    machine = draft_machine(odd_flow())
    assert machine.target("volts", volts("10.9"), VIEW) == "volts"
    with pytest.raises(MachineBroken, match='no branch of "volts" applies'):
        machine.target("volts", volts("11.5"), VIEW)


def test_two_branches_that_apply_are_an_error_and_not_the_first_of_them() -> None:
    machine = draft_machine(odd_flow())
    assert machine.target("smell", Outcome("no"), VIEW) == "tow"
    with pytest.raises(MachineBroken, match='several branches of "smell" apply'):
        machine.target("smell", Outcome("yes"), VIEW)


def test_guards_see_the_attempts_the_audience_and_earlier_outcomes() -> None:
    graph = flow(
        step(
            "ask",
            "again",
            go(look("no", attempts=(1, 3)), "again"),
            go(look("no", attempts=(3, None)), "diagnosis"),
            go("yes", "tow", audience=Audience.OWNER),
            go("yes", "diagnosis", audience=Audience.TECHNICIAN),
            go("cannot", "again", earlier={"first": look("yes")}),
            go("cannot", "tow", earlier={"first": look(["no", "cannot", "not-visited"])}),
        ),
        step("ask", "first", go(["yes", "no", "cannot"], "again")),
        audiences=(Audience.TECHNICIAN, Audience.OWNER),
    )
    machine = draft_machine(graph)

    def target(label: str, **over: object) -> str:
        return machine.target("again", Outcome(label), replace(VIEW, **over))  # type: ignore[arg-type]

    assert target("no", attempts={"again": 2}) == "again"
    assert target("no", attempts={"again": 3}) == "diagnosis"
    assert target("yes") == "diagnosis"
    assert target("yes", audience=Audience.OWNER) == "tow"
    assert target("cannot") == "tow"
    assert target("cannot", last={"first": Outcome("yes")}) == "again"


def test_the_core_machine_can_go_only_where_the_flow_says() -> None:
    """Against what `transitions` does by default: a way from every state to every state, triggers
    that wait in a queue, callbacks found by name, models that are held."""
    core = compile_flow(proven_flow())._machine
    assert type(core) is Core
    assert list(core.events) == ["answered"]
    assert core.models == []
    assert not core.has_queue
    assert list(core.states) == ["gone", "smell", "keys", "handed-back", "diagnosis", "tow"]
    ways = core.events["answered"].transitions
    assert {s: [t.dest for t in found] for s, found in ways.items()} == {
        "gone": ["tow", "smell", "diagnosis"],
        "smell": ["tow", "keys", "diagnosis"],
        "keys": ["handed-back", "diagnosis"],
    }
    for state in core.states.values():
        assert state.on_enter == state.on_exit == []
    for found in core.events["answered"].transitions.values():
        for transition in found:
            assert transition.before == transition.after == transition.prepare == []
            assert all(callable(c.func) for c in transition.conditions)


def test_one_machine_serves_many_jobs_and_remembers_none() -> None:
    machine = compile_flow(proven_flow())
    before = {name: vars(state).copy() for name, state in machine._machine.states.items()}
    for _ in range(3):
        assert machine.target("smell", Outcome("yes"), VIEW) == "keys"
        assert machine.target("smell", Outcome("no"), VIEW) == "diagnosis"
    assert {n: vars(state) for n, state in machine._machine.states.items()} == before
    assert machine._machine.models == []


def test_an_ending_leads_nowhere() -> None:
    with pytest.raises(Exception, match="answered"):
        draft_machine(odd_flow()).target("tow", Outcome("yes"), VIEW)
