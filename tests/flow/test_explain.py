"""How one gets to a step: against the enumeration of all walks, and on the library."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.flow.brute import Brute, TooLarge
from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.explain import explain
from verify.flow.graph import Graph, Promise
from verify.flow.proof import prove
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow


def certain_by_walks(graph: Graph, kind: str, first: str, then: str) -> bool:
    """Whether all walks keep the promise, by enumeration."""
    walked = Brute(replace(graph, promises=(Promise(kind, first, then),)), CATALOGUE)
    return (f"promise-{kind}", then) not in walked.violations


def test_what_holds_on_every_way_is_what_no_walk_contradicts() -> None:
    """Without gates both must say exactly the same, and the enumeration knows no bit vectors."""
    compared = held = 0
    for seed in range(400):
        graph = random_flow(seed, gates=False)
        found = prove(graph, CATALOGUE)
        if isinstance(found, tuple) and any(f.rule in ("names", "too-big") for f in found):
            continue
        try:
            reached = Brute(graph, CATALOGUE).entered
            for name in reached:
                said = explain(graph, name, CATALOGUE)
                for other in graph.steps:
                    if other == name:
                        continue
                    passed = certain_by_walks(graph, "never", other, name)
                    asked = certain_by_walks(graph, "before", other, name)
                    assert (other in said.passed) is passed, (seed, name, other)
                    assert (other in said.passed or other in said.asked) is (asked or passed)
                    compared += 1
                    held += passed
        except TooLarge:
            continue
        if compared > 300:
            break
    assert compared > 300
    assert 30 < held < compared - 30


def chain() -> Graph:
    """look → mend → look again, at most twice, then on."""
    return flow(
        step("ask", "look", go("yes", "last"),
             go(look(["no"], attempts=(1, 2)), "mend"),
             go(look(["no"], attempts=(2, None)), "diagnosis"), go("cannot", "diagnosis")),
        step("do", "mend", go(["done"], "look"), go("cannot", "diagnosis"),
             does=["remedy"], optional=True),
        step("ask", "last", go("yes", "handed-back"), go(["no", "cannot"], "diagnosis")),
        endings=("handed-back", "diagnosis", "tow"),
        promises=[("never", "look", "last")],
    )  # fmt: skip


def test_ways_in_and_out_in_words() -> None:
    graph = chain()
    said = explain(graph, "mend", CATALOGUE)
    assert [(x.step, x.branch, x.when) for x in said.comes_from] == [
        ("look", 2, "“No”; the first time")
    ]
    assert [(x.to, x.when) for x in said.leads_to] == [("look", "“done”"), ("diagnosis", "cannot")]
    assert (said.passed, said.asked) == ((), ("look",))
    assert said.walk == ("Look: “No”",)
    last = explain(graph, "last", CATALOGUE)
    assert last.passed == ("look",)
    assert last.promises == graph.promises
    assert explain(graph, "tow", CATALOGUE).stop_leads_here


def test_a_branch_no_walk_takes_is_no_way() -> None:
    graph = chain()
    dead = replace(
        graph.steps["last"],
        branches=(
            *graph.steps["last"].branches,
            go("no", "mend", earlier={"mend": look("cannot")}),
        ),
    )
    graph = replace(graph, steps={**graph.steps, "last": dead})
    assert all(x.step != "last" for x in explain(graph, "mend", CATALOGUE).comes_from)


def test_a_step_that_no_walk_reaches_is_said_to_be_so() -> None:
    graph = chain()
    lost = step("do", "lost", go(["done", "cannot"], "diagnosis"), optional=True)
    graph = replace(graph, steps={**graph.steps, "lost": lost})
    said = explain(graph, "lost", CATALOGUE)
    assert said.walk is None
    assert not said.comes_from
    assert (said.passed, said.asked) == ((), ())


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        explain(chain(), "nothing", CATALOGUE)


@pytest.mark.parametrize("name", flow_names())
def test_every_hand_back_of_the_library_rests_on_every_required_step(name: str) -> None:
    """By the explanation too, which asks the same facts in another way than the proof."""
    graph = load_flow(name, catalogue()).graph
    for ending in graph.endings.values():
        if ending.kind.value == "hand-back":
            said = explain(graph, ending.name, catalogue())
            assert {s.name for s in graph.required()} <= set(said.passed)
