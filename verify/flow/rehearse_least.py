"""How many walks there must be at least: branches of which no two lie on one walk.

Each of them needs a walk of its own, whatever the set. Branches that end a walk are such branches;
others are looked for among those that fewest go together with. A bound that is found so holds; that
no larger one exists is not said.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from verify.flow.rehearse_board import Board, Item

MOST_ITEMS = 1000


def at_least(boards: Sequence[Board], taken: Collection[Item], ends: Iterable[Item]) -> int:
    """taken: the branches that can be taken; ends: those of them that end a walk."""
    ending = [item for item in ends if item in taken]
    least = max(len(ending), min(1, len(taken)))
    if len(taken) > MOST_ITEMS:
        return least
    numbers = {item: number for number, item in enumerate(taken)}
    together = _together(boards, numbers)
    by_few = sorted(numbers, key=lambda item: together[numbers[item]].bit_count())
    for first in ([], ending):
        apart: list[int] = [numbers[item] for item in first]
        barred = sum({1 << n for n in apart})
        for number in apart:
            barred |= together[number]
        for item in by_few:
            if not barred >> numbers[item] & 1:
                apart.append(numbers[item])
                barred |= together[numbers[item]] | 1 << numbers[item]
        least = max(least, len(apart))
    return least


def _together(boards: Sequence[Board], numbers: dict[Item, int]) -> list[int]:
    """For each branch those that may lie on one walk with it, as bits; gates may find anything."""
    found = [0] * len(numbers)
    for board in boards:
        bits = [1 << numbers[item] if item in numbers else 0 for item in board.items]
        onward = [0] * len(board.out)
        for state in reversed(board.order):
            for edge in board.out[state]:
                item = board.item[edge]
                behind = onward[board.to[edge]]
                onward[state] |= behind | bits[item]
                if bits[item]:
                    found[numbers[board.items[item]]] |= behind
    for number, others in enumerate(found):
        while others:
            lowest = others & -others
            found[lowest.bit_length() - 1] |= 1 << number
            others ^= lowest
    return found
