"""Answers that pass on the walk only because work follows them there. Pure.

“A relearn is required” is a good answer on the way: the walk then leads to the relearn. Given as
proof, once the keys went back, nothing follows it any more, and it says that something is still to
be done. Such an answer may never close what is open.
"""

from __future__ import annotations

from dataclasses import replace

from verify.flow.graph import CANNOT, REMEDY, Branch, Graph, Outcome, Step


def as_proof(graph: Graph, step: str, outcome: Outcome) -> Outcome:
    """An outcome as it counts once the keys went back: what opens work leaves its step open."""
    known = graph.steps.get(step)
    if known is None or not opens_work(graph, known, outcome.label):
        return outcome
    return replace(outcome, opens=True)


def opens_work(graph: Graph, step: Step, label: str) -> bool:
    """Whether an answer that passes leads, on the walk, to where no way goes on to the keys without
    something being done to the car, while the answers that leave the step open do not lead there.
    """
    if label not in step.passes:
        return False
    left_open = {CANNOT, *step.unsure}
    for there in graph.steps.values():
        for branch in there.branches:
            if branch.to in graph.endings or _after_a_remedy(graph, branch):
                continue
            looks = [look for name, look in branch.when.earlier if name == step.name]
            looks += [branch.when.own] if there.name == step.name else []
            for look in looks:
                named = look.outcome or frozenset()
                apart = label in named and not named & left_open
                if apart and not _keys_without_work(graph, branch.to):
                    return True
    return False


def _after_a_remedy(graph: Graph, branch: Branch) -> bool:
    """Whether it is taken only where something was done to the car: what follows then follows from
    that, not from the answer."""
    return any(
        REMEDY in graph.steps[name].does
        and bool(look.outcome)
        and (look.outcome or frozenset()) <= graph.steps[name].passes
        for name, look in branch.when.earlier
    )


def _keys_without_work(graph: Graph, start: str) -> bool:
    """Whether some way leads from there to an ending that lets the car go and past no remedy."""
    seen, waiting = {start}, [start]
    while waiting:
        name = waiting.pop()
        if name in graph.endings:
            if graph.endings[name].kind.lets_go:
                return True
            continue
        step = graph.steps[name]
        if REMEDY in step.does:
            continue
        for branch in step.branches:
            if branch.to not in seen:
                seen.add(branch.to)
                waiting.append(branch.to)
    return False
