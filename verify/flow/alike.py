"""Memories that no branch ahead tells apart, so that the proof follows one of them for all.

A branch asks for several remembered bits together ("the drive failed here, the recording there").
Once all of them are remembered, only the branch they lead to matters. Ten bits of two steps that
lead to three places are three kinds of memory, and not some hundred.

Where this is exact. Bits asked by one step, and by steps that share bits with it, are a *group*.
From a node onwards either these branches see the bits as they are, or a step that owns bits of the
group is entered first. If at that entry none of the group is remembered any more, then two memories
with the same answers to all branches of the group lead on alike for ever, and one stands for both.
Elsewhere they are kept apart.

What is certain (`dataflow`) is certain of both only where it was of each. So behind a gate more
ways may stay open than any one walk has: nothing that speaks against letting a car go can get lost
by it, but a step or branch behind a gate that no walk reaches may go unnoticed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.flow.product import Plan


# Of fewer bits there is little to merge, and looking for it at each edge costs more.
FEWEST_BITS = 4


@dataclass(slots=True)
class Alike:
    """The memories of one group at one node. asked: for each branch, the bits that it needs."""

    mask: int
    asked: tuple[int, ...]
    _of: dict[int, int] = field(default_factory=dict)
    _by_answer: dict[tuple[bool, ...], int] = field(default_factory=dict)

    def stand_in(self, memory: int) -> int:
        """The memory with the bits of this group replaced by the first met with their answers."""
        bits = memory & self.mask
        found = self._of.get(bits)
        if found is None:
            answers = tuple(bits & need == need for need in self.asked)
            found = self._of[bits] = self._by_answer.setdefault(answers, bits)
        return memory ^ bits ^ found


def alike_everywhere(plan: Plan) -> list[tuple[Alike, ...]]:
    """For each node the groups of which memories may stand for one another on entering it."""
    found: list[list[Alike]] = [[] for _ in plan.names]
    for group, region in _regions(plan):
        needs: dict[int, int] = {}
        for node, numbers in _asked_untouched(plan, group, region, needs).items():
            mask = group & plan.live_memory[node]
            if mask.bit_count() >= FEWEST_BITS:
                asked = (need & mask for need, number in needs.items() if numbers >> number & 1)
                found[node].append(
                    Alike(mask, tuple(dict.fromkeys(need for need in asked if need)))
                )
    return [tuple(of_node) for of_node in found]


def _regions(plan: Plan) -> list[tuple[int, list[int]]]:
    """Each group with the nodes at which some of it is remembered, in their order."""
    large = [group for group in plan.groups if group.bit_count() >= FEWEST_BITS]
    group_of = {bit: number for number, group in enumerate(large) for bit in _bits(group)}
    every = sum(large)
    regions: list[list[int]] = [[] for _ in large]
    for node, live in enumerate(plan.live_memory):
        for number in {group_of[bit] for bit in _bits(live & every)}:
            regions[number].append(node)
    return list(zip(large, regions, strict=True))


def _bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low
        mask ^= low


def _asked_untouched(
    plan: Plan, group: int, region: list[int], needs: dict[int, int]
) -> dict[int, int]:
    """Node → which `needs` branches from there on put to the group before a step that owns bits of
    it is entered. Left out is every node from which such a step is entered with some of it
    remembered. needs: need → its number, filled here. Backwards to a fixpoint."""
    own: dict[int, int] = {}
    for node in region:
        own[node] = 0
        for need in plan.needs[node]:
            if need & group:
                own[node] |= 1 << needs.setdefault(need, len(needs))
    # A step of the group that stands in its region finds some of it remembered.
    spoilt = {node for node in region if plan.nodes[node].own_bits & group}
    asked = dict(own)
    changed = True
    while changed:
        changed = False
        for node in reversed(region):
            if node in spoilt:
                continue
            total = asked[node]
            for inner in plan.successors[node]:
                if inner in spoilt:
                    spoilt.add(node)
                    changed = True
                    break
                total |= asked.get(inner, 0)
            if total != asked[node]:
                asked[node] = total
                changed = True
    return {node: numbers for node, numbers in asked.items() if node not in spoilt}


def groups_of(needs: Iterable[tuple[int, ...]]) -> list[int]:
    """The groups as masks. needs: for each step the bits that each of its branches asks of earlier
    steps, 0 for none."""
    by_bit: dict[int, set[int]] = {}
    for asked in needs:
        together = {bit for need in asked for bit in _bits(need)}
        whole = set(together)
        for bit in together:
            whole |= by_bit.get(bit, set())
        for bit in whole:
            by_bit[bit] = whole
    groups = {id(group): group for group in by_bit.values()}
    return [sum(group) for group in groups.values()]
