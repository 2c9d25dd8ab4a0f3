"""A small set of walks that takes every branch that can be taken (0-switch coverage).

    ProvenFlow ─expand→ Chart ─board→ Board ─rehearse→ Rehearsal ─(terminal)→ scripts to play

0-switch coverage is that of ISO/IEC/IEEE 29119-4: every valid transition is taken at least once. A
transition here is a branch of a step; `stop`, which leads from every step to the same ending, is
rehearsed on wish. That a branch can be taken is decided exactly, by a walk that takes it or by the
search for one coming to its end; only walks without corrections are looked at.

How small: each walk ends in a branch that no other has ended in yet, and takes what else is new on
the way there, the walk with the most new branches first. No set can have fewer walks than there are
branches of which no two lie on one walk (`at_least`).
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from verify.flow.expanded import expand
from verify.flow.graph import Catalogue, Graph, Outcome
from verify.flow.product import STOPPED
from verify.flow.proof import ProvenFlow
from verify.flow.rehearse_board import Board, Item
from verify.flow.rehearse_least import at_least
from verify.flow.rehearse_search import Search, Unsettled
from verify.words import Audience


@dataclass(frozen=True, slots=True)
class Taken:
    """One step of a walk. outcomes: any of them takes this branch (one for each label)."""

    step: str
    outcomes: tuple[Outcome, ...]
    branch: int


@dataclass(frozen=True, slots=True)
class RehearsedWalk:
    """From the start to an ending. `states` are those of `Board.chart`, the start first."""

    board: Board = field(repr=False)
    edges: array[int] = field(repr=False)

    @property
    def audience(self) -> Audience:
        return self.board.chart.audience

    @property
    def ending(self) -> str:
        return self.board.chart.states[self.board.to[self.edges[-1]]].at

    @property
    def states(self) -> Iterator[str]:
        states = self.board.chart.states
        yield states[0].name
        for edge in self.edges:
            yield states[self.board.to[edge]].name

    def __len__(self) -> int:
        return len(self.edges)

    def __iter__(self) -> Iterator[Taken]:
        board = self.board
        for edge in self.edges:
            step, branch = board.items[board.item[edge]]
            yield Taken(step, board.way[edge].outcomes, branch)

    def items(self) -> set[Item]:
        return {self.board.items[self.board.item[edge]] for edge in self.edges}


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """walks: in the order to play them. items: all branches that were to be taken.

    infeasible: branches that no walk takes; unsettled: those of which that could not be decided.
    at_least: no set of walks that takes as many branches has fewer walks.
    """

    graph: Graph
    boards: tuple[Board, ...]
    walks: tuple[RehearsedWalk, ...]
    items: tuple[Item, ...]
    infeasible: tuple[Item, ...]
    unsettled: tuple[Item, ...]
    at_least: int

    @property
    def taken(self) -> frozenset[Item]:
        return frozenset(item for walk in self.walks for item in walk.items())

    @property
    def feasible(self) -> int:
        return len(self.items) - len(self.infeasible)

    @property
    def coverage(self) -> float:
        """Taken ÷ feasible, in percent; what is unsettled counts as feasible."""
        return 100.0 * len(self.taken) / self.feasible if self.feasible else 100.0


def rehearse(
    proven: ProvenFlow,
    catalogue: Catalogue,
    audiences: Sequence[Audience] = (),
    *,
    stops: bool = False,
) -> Rehearsal:
    """The walks for these audiences, for all the flow has if none is named.

    The first audience takes all it can, the next what is left. stops: also `stop`, at every step.
    Raises ValueError for an audience the flow is not for.
    """
    graph = proven.graph
    items = tuple(all_items(graph, stops=stops))
    people = audiences or graph.audiences
    boards = [Board(expand(proven, audience, catalogue), stops=stops) for audience in people]
    walks, missing, unsettled = _by_all(boards, items)
    taken = [item for item in items if item not in missing]
    ends = [
        (name, number)
        for name, number in taken
        if number == STOPPED or graph.steps[name].branches[number].to in graph.endings
    ]
    least = at_least(boards, taken, ends)
    if len(boards) > 1 and len(walks) > least and not unsettled:
        # What the last audience alone can take may come with what the others would take too.
        other, _, unknown = _by_all(boards[::-1], items)
        if len(other) < len(walks) and not unknown:
            walks = other
    return Rehearsal(
        graph,
        tuple(boards),
        tuple(walks),
        items,
        tuple(i for i in items if i in missing and i not in unsettled),
        tuple(i for i in items if i in unsettled),
        least,
    )


def _by_all(
    boards: Sequence[Board], items: Sequence[Item]
) -> tuple[list[RehearsedWalk], set[Item], set[Item]]:
    """(walks, what they do not take, what of that could not be settled); the first board takes all
    it can."""
    missing, unsettled = set(items), set[Item]()
    walks: list[RehearsedWalk] = []
    for board in boards:
        found, unknown = _covering(board, missing)
        walks += found
        unsettled |= unknown
    return _needed(walks), missing, unsettled & missing


def all_items(graph: Graph, *, stops: bool = False) -> Iterator[Item]:
    """The 0-switch items of a flow: its branches, and `stop` at each step that asks, on wish."""
    for step in graph.steps.values():
        for number in range(len(step.branches)):
            yield step.name, number
        if stops and step.kind != "gate":
            yield step.name, STOPPED


def _covering(board: Board, missing: set[Item]) -> tuple[list[RehearsedWalk], set[Item]]:
    """Walks that take all of `missing` that can be taken here, which is taken out of it.

    Returns them and what could not be settled.
    """
    search = Search(board)
    wanted = bytearray(item in missing for item in board.items)
    ends = [board.is_ending(board.to[edges[0]]) for edges in board.edges_of]
    # Longest first, where nothing else speaks for one.
    far = {i: max(map(search.distance, edges)) for i, edges in enumerate(board.edges_of)}
    waiting = sorted((i for i in far if wanted[i]), key=lambda i: (ends[i], far[i], -i))
    inner = sum(not ends[i] for i in waiting)
    unsettled: set[Item] = set()
    found: list[array[int]] = []
    while waiting:
        at = len(waiting) - 1
        if inner:
            search.prefer(wanted)
            # By an ending nobody has come to: each walk takes one, and no walk takes two. What lies
            # on the way to none of those needs a walk of its own.
            new = [search.most_new(item) for item in waiting]
            most = max((n for item, n in zip(waiting, new, strict=True) if ends[item]), default=0)
            at = max(
                (n for n, item in enumerate(waiting) if ends[item] is bool(most)),
                key=lambda n: (new[n], n),
            )
        else:
            search.forget_wanted()
        target = waiting.pop(at)
        if not wanted[target]:
            continue
        try:
            edges = search.walk_by(target, shortest=not inner)
        except Unsettled:
            unsettled.add(board.items[target])
            edges = None
        if edges is None:
            edges = array("l")
            wanted[target] = 0
            inner -= not ends[target]
        else:
            found.append(edges)
        for item in {board.item[edge] for edge in edges}:
            inner -= bool(wanted[item]) and not ends[item]
            wanted[item] = 0
            missing.discard(board.items[item])
        if inner:
            waiting = [i for i in waiting if wanted[i]]
    return [RehearsedWalk(board, edges) for edges in found], unsettled


def _needed(walks: Sequence[RehearsedWalk]) -> list[RehearsedWalk]:
    """Without the walks of which every branch is taken by others, the latest looked at first."""
    items = [walk.items() for walk in walks]
    taken = Counter(item for some in items for item in some)
    kept = []
    for walk, some in zip(reversed(walks), reversed(items), strict=True):
        if all(taken[item] > 1 for item in some):
            taken.subtract(some)
        else:
            kept.append(walk)
    return kept[::-1]
