"""Order and strong components of a directed graph given as lists of successors.

Small, without recursion, so that a product graph of a million states cannot exhaust the stack.
`networkx` is the oracle in the tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def reverse_postorder(successors: Sequence[Sequence[int]], starts: Iterable[int]) -> list[int]:
    """The nodes reachable from `starts`; each before its successors where there is no cycle."""
    seen: set[int] = set()
    done: list[int] = []
    for start in starts:
        if start in seen:
            continue
        seen.add(start)
        stack = [(start, iter(successors[start]))]
        while stack:
            node, rest = stack[-1]
            for inner in rest:
                if inner not in seen:
                    seen.add(inner)
                    stack.append((inner, iter(successors[inner])))
                    break
            else:
                stack.pop()
                done.append(node)
    done.reverse()
    return done


def components(successors: Sequence[Sequence[int]]) -> list[list[int]]:
    """The strongly connected components, each after those it leads to (Tarjan 1972)."""
    index: dict[int, int] = {}
    low: dict[int, int] = {}
    on_stack: set[int] = set()
    path: list[int] = []
    found: list[list[int]] = []
    for start in range(len(successors)):
        if start in index:
            continue
        index[start] = low[start] = len(index)
        path.append(start)
        on_stack.add(start)
        work = [(start, iter(successors[start]))]
        while work:
            node, rest = work[-1]
            for inner in rest:
                if inner not in index:
                    index[inner] = low[inner] = len(index)
                    path.append(inner)
                    on_stack.add(inner)
                    work.append((inner, iter(successors[inner])))
                    break
                if inner in on_stack:
                    low[node] = min(low[node], index[inner])
            else:
                work.pop()
                if work:
                    outer = work[-1][0]
                    low[outer] = min(low[outer], low[node])
                if low[node] == index[node]:
                    group: list[int] = []
                    while not group or group[-1] != node:
                        group.append(path.pop())
                        on_stack.discard(group[-1])
                    found.append(group)
    return found


def cyclic_nodes(successors: Sequence[Sequence[int]]) -> list[list[int]]:
    """The components that hold a cycle (more than one node, or a node that leads to itself)."""
    return [
        group
        for group in components(successors)
        if len(group) > 1 or group[0] in successors[group[0]]
    ]


def reachable(successors: Sequence[Iterable[int]], starts: Iterable[int]) -> set[int]:
    """The nodes that can be reached from `starts`, these included."""
    seen = set(starts)
    waiting = list(seen)
    while waiting:
        for inner in successors[waiting.pop()]:
            if inner not in seen:
                seen.add(inner)
                waiting.append(inner)
    return seen
