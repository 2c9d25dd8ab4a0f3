"""Rehearsal: every branch that can be taken, no other, and as few walks as that needs.

The oracle is `tests.whole.rehearse_walks`: exact walks played with `holds` and `gate_outcome`, all
of them, one outcome after the other. It knows neither the prover nor the chart.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, look, step
from tests.whole import rehearse_walks
from verify.flow.graph import Graph
from verify.flow.product import STOPPED
from verify.flow.proof import ProvenFlow, prove
from verify.flow.rehearse import Rehearsal, rehearse
from verify.flow.rehearse_search import Search, Unsettled
from verify.flow.rehearse_why import why_not
from verify.words import Audience, Group


def proven(graph: Graph) -> ProvenFlow:
    found = prove(graph, CATALOGUE)
    assert isinstance(found, ProvenFlow), found
    return found


def by_brute_force(graph: Graph) -> set[tuple[str, int]]:
    """Every branch that some walk takes, all walks being played to their end."""
    taken = set()
    for here in rehearse_walks.Rehearsal(graph, CATALOGUE).explore():
        assert here.before is not None
        taken.add((here.before[1].step, here.before[1].branch))
    return taken


def check_walks(graph: Graph, found: Rehearsal) -> None:
    """Each walk is one: played again from its outcomes, through gates that find what it showed."""
    for walk in found.walks:
        players = rehearse_walks.Rehearsal(graph, CATALOGUE)
        here = players.start(walk.audience)
        for taken in walk:
            assert here.node == taken.step
            if graph.steps[taken.step].kind == "gate":
                here = next(players.following(here))
            else:
                here = players.step_on(here, taken.outcomes[0])
            assert here.before is not None
            assert here.before[1].branch == taken.branch
        assert here.node == walk.ending
        assert here.node in graph.endings


def random_proven(gates: bool, seeds: range) -> Iterator[tuple[int, ProvenFlow]]:
    for seed in seeds:
        found = prove(random_flow(seed, gates=gates), CATALOGUE)
        if isinstance(found, ProvenFlow):
            yield seed, found


@pytest.mark.parametrize("gates", [False, True])
def test_the_branches_taken_are_those_that_brute_force_takes(gates: bool) -> None:
    flows = infeasible = 0
    for seed, flow_ in random_proven(gates, range(1000)):
        found = rehearse(flow_, CATALOGUE)
        wanted = by_brute_force(flow_.graph)
        assert found.taken == wanted, seed
        assert set(found.infeasible) == set(found.items) - wanted, seed
        assert not found.unsettled
        assert found.coverage == 100.0
        assert found.at_least <= len(found.walks) <= len(wanted)
        check_walks(flow_.graph, found)
        flows += 1
        infeasible += bool(found.infeasible)
    assert flows > 30
    assert infeasible > 0


def fewest(graph: Graph, taken: frozenset[tuple[str, int]]) -> int:
    """The fewest walks that take all these branches, by trying every set of walks."""
    players = rehearse_walks.Rehearsal(graph, CATALOGUE)
    sets = set()
    waiting = [players.start(audience) for audience in graph.audiences]
    while waiting:
        here = waiting.pop()
        if here.node in graph.endings:
            sets.add(frozenset((t.step, t.branch) for t in here.walk()))
            if len(sets) > 3000:
                return -1
        waiting += players.following(here)
    largest = [s for s in sets if not any(s < other for other in sets)]
    reached = {frozenset[tuple[str, int]]()}
    for count in range(len(taken) + 1):
        if taken in reached:
            return count
        reached = {some | one for some in reached for one in largest}
        if len(reached) > 20_000:
            return -1
    raise AssertionError("some branch lies on no walk")


def test_a_set_is_hardly_larger_than_the_smallest_there_is() -> None:
    """Against the true least number, where all sets of walks can be tried: 1 in 100 walks more."""
    flows = walks = smallest = said = 0
    for seed, flow_ in random_proven(True, range(700)):
        found = rehearse(flow_, CATALOGUE)
        least = fewest(flow_.graph, found.taken)
        if least < 0:
            continue
        assert found.at_least <= least <= len(found.walks), seed
        flows += 1
        walks, smallest, said = walks + len(found.walks), smallest + least, said + found.at_least
    assert flows > 15
    assert walks <= 1.05 * smallest
    assert said >= 0.95 * smallest


def test_stop_is_said_once_at_every_step_on_wish() -> None:
    graph = flow(
        step("ask", "one", go(["yes", "no", "cannot"], "two"), optional=True),
        step("ask", "two", go(["yes", "no", "cannot"], "diagnosis"), optional=True),
    )
    found = rehearse(proven(graph), CATALOGUE, stops=True)
    assert found.taken == {("one", 0), ("two", 0), ("one", STOPPED), ("two", STOPPED)}
    assert len(found.walks) == found.at_least == 3
    assert [walk.ending for walk in found.walks].count("tow") == 2
    assert len(rehearse(proven(graph), CATALOGUE).walks) == 1


def test_a_gate_that_something_failed_before_is_rehearsed_as_that_and_as_what_passed() -> None:
    """`gone` may stay open, `smell` may not: each of the gate's branches asks something else."""
    graph = flow(
        step("ask", "smell", go(["yes", "no", "cannot"], "gone")),
        step("ask", "gone", go(["yes", "no", "cannot"], "keys"), group=Group.COMPLAINT,
             unsure=["no"], later=("Drive on.", "4 weeks")),
        step("gate", "keys", go("hand-back", "handed-back"), go("proof-to-follow", "to-follow"),
             go("neither", "diagnosis")),
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
    )  # fmt: skip
    found = rehearse(proven(graph), CATALOGUE)
    shown = [[(t.step, t.outcomes[0].label) for t in walk] for walk in found.walks]
    assert len(shown) == found.at_least == 3
    for walk in shown:
        smell, gone, gate = (label for _, label in walk)
        if gate == "hand-back":
            assert (smell, gone) == ("yes", "yes")
        elif gate == "proof-to-follow":
            assert smell == "yes"
            assert gone != "yes"
        else:
            assert smell != "yes"
    check_walks(graph, found)


def told_apart_by_who() -> Graph:
    """One step of which an owner's answer leads elsewhere than a technician's."""
    return flow(
        step("ask", "who", go("yes", "diagnosis", audience=Audience.OWNER),
             go("yes", "tow", audience=Audience.TECHNICIAN), go(["no", "cannot"], "tow"),
             optional=True),
        audiences=(Audience.TECHNICIAN, Audience.OWNER),
    )  # fmt: skip


def test_what_only_an_owner_takes_is_left_to_an_owner() -> None:
    flow_ = proven(told_apart_by_who())
    assert not rehearse(flow_, CATALOGUE).infeasible
    found = rehearse(flow_, CATALOGUE, [Audience.TECHNICIAN])
    assert found.infeasible == (("who", 0),)
    assert why_not(found, ("who", 0)) == "only an owner takes it"
    with pytest.raises(ValueError, match="not for"):
        rehearse(proven(flow(step("ask", "x", go(["yes", "no", "cannot"], "diagnosis"),
                                  optional=True))), CATALOGUE, [Audience.OWNER])  # fmt: skip


def test_what_only_corrected_answers_lead_to_is_said_to_be_so() -> None:
    """`again` is asked once on any walk; a branch from the second time on needs a correction."""
    graph = flow(
        step("ask", "again", go(look(["yes", "no", "cannot"], attempts=(1, 2)), "diagnosis"),
             go(look(["yes", "no", "cannot"], attempts=(2, None)), "tow"), optional=True),
    )  # fmt: skip
    found = rehearse(proven(graph), CATALOGUE)
    assert found.infeasible == (("again", 1),)
    assert found.coverage == 100.0
    reason = "without a corrected answer the step is asked once at most"
    assert why_not(found, ("again", 1)) == reason


def test_a_gate_that_can_find_no_such_thing_says_what_stands_in_the_way() -> None:
    """The keys are asked for before `gone` ever was."""
    graph = flow(
        step("ask", "smell", go("yes", "early"), go(["no", "cannot"], "diagnosis")),
        step("gate", "early", go("hand-back", "diagnosis"), go("proof-to-follow", "gone"),
             go("neither", "tow")),
        step("ask", "gone", go(["yes", "no", "cannot"], "diagnosis"), group=Group.COMPLAINT,
             later=("Drive on.", "4 weeks")),
    )  # fmt: skip
    found = rehearse(proven(graph), CATALOGUE)
    assert found.infeasible == (("early", 0), ("early", 2))
    assert [why_not(found, item) for item in found.infeasible] == [
        "“Gone” can never have passed when this is decided",
        "all that the car must pass has passed whenever this is decided",
    ]


def test_a_search_that_grows_too_large_is_given_up_and_said_to_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No branch of the second step is found; what a walk to elsewhere takes there is taken."""

    def gives_up(_search: Search, state: int, *_: object) -> array[int]:
        if state != 0:
            raise Unsettled
        return array("l")

    flow_ = proven(
        flow(
            step("ask", "one", go("yes", "two"), go(["no", "cannot"], "tow"), optional=True),
            step("ask", "two", go("yes", "diagnosis"), go(["no", "cannot"], "tow"), optional=True),
        )
    )
    monkeypatch.setattr(Search, "_straight_back", lambda *_: None)
    monkeypatch.setattr(Search, "_back", gives_up)
    found = rehearse(flow_, CATALOGUE)
    assert [name for name, _ in found.unsettled] == ["two"]
    assert not found.infeasible
    assert found.coverage == 75.0


def test_a_search_ends_where_it_has_looked_at_more_places_than_it_may(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A flow in which the search meets a dead end, of which none is allowed here."""
    flow_ = proven(random_flow(961, gates=True))
    assert not rehearse(flow_, CATALOGUE).unsettled
    monkeypatch.setattr("verify.flow.rehearse_search.MOST_PLACES", 0)
    found = rehearse(flow_, CATALOGUE)
    assert found.unsettled == (("s2", 0),)
    assert {*found.unsettled, *found.taken, *found.infeasible} == set(found.items)
    assert found.coverage == 90.0


def test_a_branch_for_somebody_the_flow_is_not_for_is_said_to_be_one() -> None:
    found = rehearse(proven(told_apart_by_who()), CATALOGUE, [Audience.TECHNICIAN])
    alone = replace(found, graph=replace(found.graph, audiences=(Audience.TECHNICIAN,)))
    assert why_not(alone, ("who", 0)) == "it is for an owner, and the flow is not"


def test_a_branch_that_rests_on_a_step_nobody_comes_to_names_that_step() -> None:
    """Only an owner is asked `home`, and `last` looks back at it."""
    graph = flow(
        step("ask", "who", go("yes", "home", audience=Audience.OWNER),
             go("yes", "last", audience=Audience.TECHNICIAN), go(["no", "cannot"], "tow"),
             optional=True),
        step("ask", "home", go(["yes", "no", "cannot"], "last"), optional=True),
        step("ask", "last", go(None, "diagnosis", earlier={"home": look(["yes", "no", "cannot"])}),
             go(None, "tow", earlier={"home": look("not-visited")}), optional=True),
        audiences=(Audience.TECHNICIAN, Audience.OWNER),
    )  # fmt: skip
    found = rehearse(proven(graph), CATALOGUE, [Audience.TECHNICIAN])
    assert {item: why_not(found, item) for item in found.infeasible} == {
        ("who", 0): "only an owner takes it",
        ("home", 0): "a technician never comes to this step",
        ("last", 0): "a technician never comes to “Home”",
    }
