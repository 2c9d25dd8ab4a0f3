"""Graph → ProvenFlow, or all that speaks against the flow.

The gate of the flow pipeline: the machine takes nothing but a `ProvenFlow`, and only `prove` makes
one. What is proven is written in `finding.RULES`; the stages are `statics` (each step alone),
`spaces` (outcomes), `product` (steps with what is remembered), `dataflow` (what is certain on all
walks) and `ways` (the rules about walks).
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import InitVar, dataclass
from typing import NoReturn, final

from verify.flow.dataflow import Facts, solve
from verify.flow.finding import RULES, Finding, in_order
from verify.flow.graph import Catalogue, Graph
from verify.flow.phrases import listed, title_of
from verify.flow.product import MAX_STATES, Plan, TooBig, explore
from verify.flow.spaces import TooMany
from verify.flow.statics import broken_names, each_alone
from verify.flow.ways import Ways

__all__ = ["RULES", "Finding", "ProvenFlow", "prove"]

_SEAL = object()


@final
@dataclass(frozen=True, slots=True)
class ProvenFlow:
    """A graph of which everything in RULES has been proven. Only `prove` makes one."""

    graph: Graph
    _seal: InitVar[object]

    def __post_init__(self, _seal: object) -> None:
        if _seal is not _SEAL:
            raise TypeError("only prove() makes a ProvenFlow")

    def __reduce__(self) -> NoReturn:
        raise TypeError("a proof is not carried in files: prove the flow again")


def prove(graph: Graph, catalogue: Catalogue) -> ProvenFlow | tuple[Finding, ...]:
    """The flow as proven, or every finding, in the order of the file.

    catalogue: the checks, hazards and activities that flows may name.
    Never raises for a graph, however wrong, and ends within MAX_STATES states.
    """
    with _collector_paused():
        found = tuple(broken_names(graph, catalogue))
        if not found:
            found = (*each_alone(graph, catalogue), *_walks(graph, catalogue))
    return in_order(graph, found) if found else ProvenFlow(graph, _SEAL)


@contextmanager
def _collector_paused() -> Iterator[None]:
    """The collector of reference cycles waits: a proof makes none, and looking for them again and
    again among its many small tuples took half of the time, growing faster than the flow."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _walks(graph: Graph, catalogue: Catalogue) -> Iterator[Finding]:
    try:
        plan = Plan(graph, catalogue)
    except TooMany as error:
        step = graph.steps[str(error)]
        message = f"The conditions on “{step.title}” tell too many outcomes apart to be followed."
        yield Finding("too-big", step.name, message, line=step.line)
        return
    try:
        product = explore(plan)
    except TooBig as error:
        yield _too_big(plan, str(error))
        return
    yield from Ways(product, solve(product, Facts(plan))).findings()


def _too_big(plan: Plan, name: str) -> Finding:
    number = plan.number[name]
    remembered = [
        title_of(plan.graph, node.step.name)
        for node in plan.nodes
        if plan.live_memory[number] & node.own_bits
    ]
    message = f"More than {MAX_STATES:,} combinations of steps and what is remembered."
    message += f" Most are at {title_of(plan.graph, name)}"
    if remembered:
        message += f", where later branches still ask about {listed(remembered)}"
    line = plan.graph.steps[name].line if name in plan.graph.steps else 0
    return Finding("too-big", name, message + ".", line=line)
