"""How many N-switch items a chart has, and how many of them walks take.

N-switch coverage, ISO/IEC/IEEE 29119-4: an item is a sequence of N + 1 transitions that follow one
another; with N = 0 the transitions themselves. Of 1-switch items there are, over all states, the
ways in times the ways out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from verify.flow.graph import Graph

Transition = tuple[str, str, str]
"""(from, event, to)"""


def sequences(
    transitions: Sequence[Transition], switches: int, start: str = ""
) -> Iterator[tuple[Transition, ...]]:
    """All sequences of `switches` + 1 transitions in a row; start: only those from this state.

    Raises ValueError for less than no switch.
    """
    if switches < 0:
        raise ValueError("a sequence has at least one transition")
    out: dict[str, list[Transition]] = {}
    for transition in transitions:
        out.setdefault(transition[0], []).append(transition)
    rows: Iterable[tuple[Transition, ...]] = ((t,) for t in transitions if start in ("", t[0]))
    for _ in range(switches):
        rows = [(*row, onward) for row in rows for onward in out.get(row[-1][2], ())]
    yield from rows


def branch_transitions(graph: Graph) -> list[Transition]:
    """The branches of a flow as transitions; an event is the number of its branch."""
    return [
        (step.name, str(number), branch.to)
        for step in graph.steps.values()
        for number, branch in enumerate(step.branches)
    ]


def pairs_taken(walks: Iterable[Iterable[tuple[str, int]]]) -> int:
    """How many 1-switch items walks take, each a row of (step, number of its branch)."""
    found = set()
    for walk in walks:
        before = None
        for here in walk:
            if before is not None:
                found.add((before, here))
            before = here
    return len(found)
