"""Finds a walk that takes a branch, or that there is none: backwards, with what gates ask for.

From the branch the search goes back to the start. A gate on the way lays down what must have been
shown before it: these steps passed when they were last asked, one of those did not. Going back, the
first answer met at such a step is its last before the gate, and settles it. So an obligation needs
no memory of all that happened, only of what is still to be settled; and for each step alone it is
known beforehand where it can be passed, and where open, so that few ways back lead nowhere.

The search is complete: what it finds no walk to has none. Beyond MOST_PLACES it gives up, and says
so.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence

from verify.flow.rehearse_board import Board

MOST_PLACES = 400_000
Owed = tuple[int, tuple[int, ...]]
"""(steps that must have passed, sets of which one step at least must be open)"""
NOTHING: Owed = (0, ())


class Unsettled(Exception):
    """Too many places to look at; no branch of a flow written by hand comes near."""


class Search:
    """All searches on one board; what was found to lead nowhere is remembered between them."""

    def __init__(self, board: Board) -> None:
        self.board = board
        count = len(board.into)
        self.near_start = _distances(board.order, board.into, board.frm)
        self.near_end = [0] * count
        for state in reversed(board.order):
            onward = [self.near_end[board.to[e]] for e in board.out[state]]
            self.near_end[state] = 1 + min(onward) if onward else 0
        self.may_pass, self.may_open = self._each_step_alone()
        self.gain = [0] * count
        self.short = [sorted(into, key=self.distance) for into in board.into]
        self._dead: set[tuple[int, Owed]] = set()
        self._wanted = bytearray(len(board.items))

    def distance(self, edge: int) -> int:
        """From the start to where an edge begins, in steps."""
        return self.near_start[self.board.frm[edge]]

    def _each_step_alone(self) -> tuple[list[int], list[int]]:
        """By state, the required steps that can have passed last, and those that can be open."""
        board = self.board
        passed = [0] * len(board.into)
        still_open = [0] * len(board.into)
        still_open[0] = board.required
        for state in board.order:
            for edge in board.out[state]:
                bit, to = board.bit[edge], board.to[edge]
                p, o = passed[state], still_open[state]
                if bit:
                    p, o = (p | bit, o & ~bit) if board.passes[edge] else (p & ~bit, o | bit)
                passed[to] |= p
                still_open[to] |= o
        return passed, still_open

    # --- which way to prefer ---

    def prefer(self, wanted: bytearray) -> None:
        """Walks are to take as many of the `wanted` branches as they can on their way."""
        board, gain = self.board, self.gain
        self._wanted = wanted
        for state in board.order[1:]:
            gain[state] = max(gain[board.frm[e]] + wanted[board.item[e]] for e in board.into[state])

    def forget_wanted(self) -> None:
        """The shortest walks are to be found."""
        self._wanted = bytearray(len(self.board.items))
        self.gain = [0] * len(self.gain)

    def most_new(self, item: int) -> int:
        """How many wanted branches a walk to a branch might take, this one not counted."""
        return max(self.gain[self.board.frm[edge]] for edge in self.board.edges_of[item])

    def _preferred(self, edges: Sequence[int]) -> Iterable[int]:
        board, gain, near = self.board, self.gain, self.near_start
        return sorted(
            edges,
            key=lambda e: (-gain[board.frm[e]] - self._wanted[board.item[e]], near[board.frm[e]]),
        )

    # --- finding a walk ---

    def walk_by(self, item: int, *, shortest: bool = False) -> array[int] | None:
        """The edges of a walk to an ending that takes the branch; None if no walk takes it.

        Raises Unsettled.
        """
        board = self.board
        edges = board.edges_of[item]
        for edge in sorted(edges, key=self.distance) if shortest else self._preferred(edges):
            for owed in self._before(edge, NOTHING):
                back = (
                    self._straight_back(board.frm[edge]) if shortest and owed == NOTHING else None
                )
                if back is None:
                    back = self._back(board.frm[edge], owed, shortest)
                if back is not None:
                    back.append(edge)
                    return self._to_an_ending(back)
        return None

    def _straight_back(self, state: int) -> array[int] | None:
        """The shortest way to `state`, as long as no gate on it asks for anything."""
        board, short, path = self.board, self.short, array("l")
        needs, frm = board.needs, board.frm
        while state:
            edge = short[state][0]
            if needs[edge]:
                return None
            path.append(edge)
            state = frm[edge]
        path.reverse()
        return path

    def _back(self, state: int, owed: Owed, shortest: bool) -> array[int] | None:
        """The edges from the start to `state` that settle what is owed there."""
        dead = self._dead
        if (state, owed) in dead:
            return None
        path = array("l")
        trail = [(state, owed, self._ways_back(state, owed, shortest))]
        looked_at = 0
        while trail:
            here, owing, ways = trail[-1]
            if here == 0 and not owing[0]:
                path.reverse()
                return path
            for edge, before in ways:
                there = self.board.frm[edge]
                if (there, before) not in dead:
                    path.append(edge)
                    trail.append((there, before, self._ways_back(there, before, shortest)))
                    break
            else:
                dead.add((here, owing))
                trail.pop()
                if path:
                    path.pop()
                looked_at += 1
                if looked_at > MOST_PLACES:
                    raise Unsettled
        return None

    def _ways_back(self, state: int, owed: Owed, shortest: bool) -> Iterator[tuple[int, Owed]]:
        edges = self.short[state] if shortest else self._preferred(self.board.into[state])
        if owed == NOTHING:
            needs = self.board.needs
            for edge in edges:
                if not needs[edge]:
                    yield edge, NOTHING
                else:
                    yield from ((edge, before) for before in self._before(edge, NOTHING))
            return
        for edge in edges:
            for before in self._before(edge, owed):
                yield edge, before

    def _before(self, edge: int, owed: Owed) -> Iterator[Owed]:
        """What is owed before an edge for `owed` to be settled behind it; nothing if it cannot."""
        board = self.board
        passed, sets = owed
        bit = board.bit[edge]
        if bit and owed != NOTHING:
            if board.passes[edge]:
                passed &= ~bit
                sets = tuple(some & ~bit for some in sets)
            elif passed & bit:
                return
            else:
                sets = tuple(some for some in sets if not some & bit)
        for need_passed, some_open in board.needs[edge] or ((0, 0),):
            must = passed | need_passed
            choices = {*sets, some_open} if some_open else set(sets)
            state = board.frm[edge]
            if must & ~self.may_pass[state]:
                continue
            left = {some & ~must & self.may_open[state] for some in choices}
            if 0 in left:
                continue
            smallest = (a for a in left if not any(b != a and b & ~a == 0 for b in left))
            yield must, tuple(sorted(smallest))

    def _to_an_ending(self, path: array[int]) -> array[int]:
        """Goes on from the end of a path: what is new first, then the shortest way; a gate finds
        what the walk has shown."""
        board = self.board
        if not board.out[board.to[path[-1]]]:
            return path
        still_open = board.required
        for edge in path:
            still_open = self._open_behind(edge, still_open)
        state = board.to[path[-1]]
        while board.out[state]:
            edges = board.out[state]
            if board.labels[edges[0]]:
                label = board.found(still_open)
                edges = [edge for edge in edges if label in board.labels[edge]]
            taken = {board.item[e] for e in path} if any(self._wanted) else set()
            edge = min(edges, key=lambda e: (not self._new(e, taken), self.near_end[board.to[e]]))
            path.append(edge)
            still_open = self._open_behind(edge, still_open)
            state = board.to[edge]
        return path

    def _new(self, edge: int, taken: set[int]) -> bool:
        item = self.board.item[edge]
        return bool(self._wanted[item]) and item not in taken

    def _open_behind(self, edge: int, still_open: int) -> int:
        bit = self.board.bit[edge]
        return still_open & ~bit if self.board.passes[edge] else still_open | bit


def _distances(
    order: Sequence[int], into: Sequence[Sequence[int]], frm: Sequence[int]
) -> list[int]:
    near = [0] * len(into)
    for state in order[1:]:
        near[state] = 1 + min(near[frm[edge]] for edge in into[state])
    return near
