"""What does not fit on a screen at once: a page in several screens, a list moved within.

Pure.

blocks of rows ─screens→ screens, one shown after the other; the last leaves room for its prompt
rows of a menu ─fitted→ question and key hint stay, the list between them moves
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from verify.terminal.tongue import tr
from verify.terminal.ui_menu import Row

T = TypeVar("T")

# Of a list that has to move, at least so many rows are shown.
_LEAST_ROWS = 3


def screens(
    lead: Sequence[Sequence[T]], blocks: Sequence[Sequence[T]], first: int, full: int, last: int
) -> list[list[T]]:
    """The rows of all blocks in their order, on as many screens as it takes, never none.

    lead: blocks that are read before the last screen, which holds the question. first, full, last:
    rows that the first, each further and the last screen hold; first >= full. A block is broken
    only where it is higher than the screen it would stand on.
    """
    pieces = [list(b[i : i + full]) for b in blocks for i in range(0, len(b), full)]
    tail: list[T] = []
    while pieces and len(tail) + len(pieces[-1]) <= last:
        tail = pieces.pop() + tail
    if pieces and not tail:
        tail = pieces[-1][-last:]
        pieces[-1] = pieces[-1][:-last]
    pieces = [list(b[i : i + full]) for b in lead for i in range(0, len(b), full)] + pieces
    found: list[list[T]] = []
    for piece in pieces:
        if found and len(found[-1]) + len(piece) <= (full if found[1:] else first):
            found[-1] += piece
        else:
            found.append(list(piece))
    return [*found, tail]


def fitted(rows: Sequence[Row], height: int, at: int | None) -> list[Row]:
    """The rows of a menu in `height` rows. at: index of the line under the pointer, if any."""
    if len(rows) <= height:
        return list(rows)
    first = next(i for i, row in enumerate(rows) if row.line >= 0)
    head, body = list(rows[:first]), [row for row in rows[first:] if row.line >= 0]
    hint = [row for row in rows[first:] if row.line < 0]
    size = max(_LEAST_ROWS, height - len(head) - len(hint) - 1)
    here = [i for i, row in enumerate(body) if row.line == at]
    start = 0
    if here:
        # The whole line under the pointer, with some of what stands around it.
        middle = (here[0] + here[-1]) // 2 - size // 2
        start = max(0, min(middle, here[0], len(body) - size))
    above, below = start, len(body) - start - size
    moved = [tr("↑ {n}", n=above)] if above > 0 else []
    moved += [tr("↓ {n}", n=below)] if below > 0 else []
    more = Row("     " + tr("more rows: {where}", where="  ".join(moved)), "dim")
    return [*head, *body[start : start + size], more, *hint]


class Rows:
    """Which row is written next, counted from when the screen was cleared, and what is in sight.

    headed: the row of the last heading.
    """

    def __init__(self, height: int) -> None:
        self.height, self.used, self.top, self.headed = height, 0, 0, 0

    def put(self, rows: int) -> None:
        self.used += rows
        self.reach(1)

    def reach(self, rows: int) -> None:
        """Rows below are written, and perhaps wiped away again; they move the screen anyway."""
        self.top = self.top_with(rows)

    def top_with(self, rows: int) -> int:
        """The uppermost row in sight once that many more are written."""
        return max(self.top, self.used + rows - self.height)

    def room(self) -> int:
        return self.height - (self.used - self.top)
