"""How one gets to a step, what holds on every way there, and where it leads.

Beside the proof: the same product graph and the same facts (`product`, `dataflow`), asked about one
step. So what is said here holds of all walks, as what is proven does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from verify.flow.card_words import when_words
from verify.flow.dataflow import Facts, Solution, solve
from verify.flow.graph import Catalogue, Graph, Promise
from verify.flow.product import STOPPED, Plan, explore
from verify.flow.walks import Walker


@dataclass(frozen=True, slots=True)
class Lead:
    """A branch that some walk takes.

    step: where it leaves. to: where it leads. branch: its number in the file, from 1. when: what it
    asks for, in words.
    """

    step: str
    to: str
    branch: int
    when: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """What can be said of a step or ending; names of steps are those of the graph.

    comes_from, leads_to: in the order of the flow. stop_leads_here: any step's `stop` does.
    walk: the shortest walk here, "title: outcome"; None where no walk comes here.
    passed: steps whose last outcome passed, on every walk here. asked: steps visited on every walk
    here, whatever came of it. promises: those of the flow that speak of it.
    """

    name: str
    comes_from: tuple[Lead, ...]
    stop_leads_here: bool
    walk: tuple[str, ...] | None
    passed: tuple[str, ...]
    asked: tuple[str, ...]
    leads_to: tuple[Lead, ...]
    promises: tuple[Promise, ...]


def explain(graph: Graph, name: str, catalogue: Catalogue) -> Explanation:
    """Of a step or ending of a flow, proven or not.

    Raises KeyError for a name the graph has not, TooMany (spaces) or TooBig (product) where the
    flow asks too much of the past to be followed.
    """
    if name not in graph.steps and name not in graph.endings:
        raise KeyError(name)
    # Every step as the first of a promise, so that the facts hold a bit for each.
    firsts = [Promise(kind, step, name) for kind in ("before", "never") for step in graph.steps]
    plan = Plan(replace(graph, promises=(*graph.promises, *firsts)), catalogue)
    product = explore(plan)
    solution = solve(product, Facts(plan))
    walker = Walker(product, solution)
    here = [
        state
        for state, known in enumerate(solution.known)
        if known is not None and walker.node(state) == name
    ]
    certain = -1
    for state in here:
        certain &= solution.known[state] or 0
    facts = solution.facts
    passed = [s for s, bit in facts.passed.items() if here and certain & bit and s != name]
    asked = [s for s, bit in facts.visited.items() if here and certain & bit and s != name]
    walk = walker.to(set(here)) if here else None
    every = list(_leads(graph, walker, solution))
    order = {step: i for i, step in enumerate(graph.steps)}
    return Explanation(
        name=name,
        comes_from=tuple(lead for lead in every if lead.to == name),
        stop_leads_here=name == graph.on_stop,
        walk=walker.told(walk) if walk is not None else None,
        passed=tuple(sorted(passed, key=order.__getitem__)),
        asked=tuple(sorted((s for s in asked if s not in passed), key=order.__getitem__)),
        leads_to=tuple(lead for lead in every if lead.step == name),
        promises=tuple(p for p in graph.promises if name in (p.first, p.then)),
    )


def _leads(graph: Graph, walker: Walker, solution: Solution) -> Iterable[Lead]:
    """Every branch that a walk can take, in the order of the file."""
    taken = {
        (walker.step(state).name, edge.branch)
        for state, edges in enumerate(solution.edges)
        for edge in edges
        if edge.cell != STOPPED
    }
    for step in graph.steps.values():
        for number, branch in enumerate(step.branches):
            if (step.name, number) in taken:
                yield Lead(step.name, branch.to, number + 1, when_words(graph, step, branch))
