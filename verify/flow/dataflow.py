"""What is certain on every walk to a state of the product graph.

Third stage of the proof. One integer for each state holds a bit for every fact of interest; where
walks meet, only what holds on all of them stays (bitwise and). Every fact changes along an edge
independently of the others, so the fixpoint says exactly what holds on all walks (Kildall 1973).
"May" facts are kept as their certain opposite. Thousands of required steps cost one `&` an edge.

A gate's outcome is free in the product graph; here an edge out of a gate that the facts exclude is
not followed, and one that is followed teaches what the gate saw.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from verify.flow.digraph import cyclic_nodes, reverse_postorder
from verify.flow.graph import CLEARS_CODES, REMEDY, ROAD_TEST, SAVES_CODES, Step
from verify.flow.product import STOPPED, Edge, Plan, Product
from verify.words import EndingKind, Group, Verdict


def may_stay_open(step: Step) -> bool:
    """Whether a required step may still be open at `proof-to-follow` (invariant 6)."""
    return step.group is not Group.SAFE and step.later is not None


class Facts:
    """The bits: which fact stands where, and what each step's outcome does to them."""

    def __init__(self, plan: Plan) -> None:
        graph = plan.graph
        self.plan = plan
        self.required = [s.name for s in graph.required()]
        firsts = {kind: [p.first for p in graph.promises if p.kind == kind] for kind in _KINDS}
        self._next = 0
        # last outcome certainly passed / certainly did not pass / step was certainly visited
        self.passed = self._bits(dict.fromkeys([*self.required, *firsts["never"]]))
        gates = any(s.kind == "gate" for s in graph.steps.values())
        self.not_passed = self._bits(self.required if gates else ())
        # last outcome certainly did not fail: of what may be open, but never refuted (invariant 6)
        waits = [s for s in self.required if may_stay_open(graph.steps[s])]
        to_follow = any(e.kind is EndingKind.PROOF_TO_FOLLOW for e in graph.endings.values())
        self.not_failed = self._bits(waits if to_follow else ())
        self.visited = self._bits(dict.fromkeys(firsts["before"]))
        # certainly no failed outcome stands that nothing was done about
        self.unfailed = self._bits(s for s in _repeatable(plan) if graph.steps[s].required)
        self.saved = self._bits(["saved"])["saved"]
        # certainly no codes were cleared since the last road test that passed
        self.driven = self._bits(["driven"])["driven"]
        # certainly not: this road test passed last, and codes were cleared since (for gates)
        drives = [s for s in self.not_passed if ROAD_TEST in graph.steps[s].does]
        self._clean = self._bits(drives)
        self.all_required = _union(self.passed[s] for s in self.required)
        must = [s for s in self.required if not may_stay_open(graph.steps[s])]
        self.not_open = _union(self.passed[s] for s in must)
        self._may_all = _union(self.not_passed.values())
        self._may_not_open = _union(self.not_passed[s] for s in must if gates)
        self._seen = {"hand-back": self.required, "proof-to-follow": must}
        self._taught = {label: self._implied(names) for label, names in self._seen.items()}
        self.at_start = self._may_all | _union((*self.unfailed.values(), *self._clean.values()))
        self.at_start |= self.driven | _union(self.not_failed.values())

        self._effects = [
            {verdict: self._effect(node.step, verdict) for verdict in _VERDICTS}
            for node in plan.nodes
        ]

    def _bits(self, names: Iterable[str]) -> dict[str, int]:
        found = {}
        for name in names:
            found[name] = 1 << self._next
            self._next += 1
        return found

    def _implied(self, names: Iterable[str]) -> int:
        """What is certain where a gate saw that these steps passed."""
        bits = 0
        for name in names:
            bits |= self.passed[name] | self.visited.get(name, 0) | self.unfailed.get(name, 0)
            bits |= self.not_failed.get(name, 0)
            if SAVES_CODES in self.plan.node(name).step.does:
                bits |= self.saved
        return bits

    def _effect(self, step: Step, verdict: Verdict) -> tuple[int, int]:
        """(bits lost, bits gained) by an outcome that counts as `verdict`."""
        lost = self.passed.get(step.name, 0) | self.not_passed.get(step.name, 0)
        gained = self.visited.get(step.name, 0)
        if verdict is Verdict.PASS:
            gained |= self.passed.get(step.name, 0)
            if REMEDY in step.does:
                gained |= _union(self.unfailed.values())
            if SAVES_CODES in step.does:
                gained |= self.saved
            if ROAD_TEST in step.does:
                gained |= self.driven
        else:
            gained |= self.not_passed.get(step.name, 0)
        stands = self.unfailed.get(step.name, 0) | self.not_failed.get(step.name, 0)
        if verdict is Verdict.FAIL:
            lost |= stands
        else:
            gained |= stands
        gained |= self._clean.get(step.name, 0)
        if CLEARS_CODES in step.does:
            lost |= self.driven
            gained &= ~self.driven
            if verdict is Verdict.PASS:
                lost |= self._clean.get(step.name, 0)
                gained &= ~self._clean.get(step.name, 0)
        return lost, gained

    def along(self, number: int, label: str, verdict: Verdict, known: int) -> int | None:
        """What is certain behind an outcome of node `number`; None where it cannot come about."""
        lost, gain = self._effects[number][verdict]
        step = self.plan.nodes[number].step
        if step.kind == "gate":
            openable = self.all_required & ~self.not_open
            if label == "hand-back":
                shut = bool(known & self._may_all)
            elif label == "proof-to-follow":
                shut = bool(known & self._may_not_open) or known & openable == openable
            else:
                shut = known & self.not_open == self.not_open
            if shut:
                return None
            gain |= self._taught.get(label, 0)
            if any(known & self._clean.get(name, 0) for name in self._seen.get(label, ())):
                gain |= self.driven
        elif CLEARS_CODES in step.does:
            for name, clean in self._clean.items():
                if name != step.name and not known & self.not_passed[name]:
                    lost |= clean
        # Without a mask of all other bits, of which a flow of n steps would need 3·n.
        return (known | lost) ^ lost | gain


_KINDS = ("before", "never")
_VERDICTS = tuple(Verdict)


def _union(bits: Iterable[int]) -> int:
    total = 0
    for bit in bits:
        total |= bit
    return total


def _repeatable(plan: Plan) -> list[str]:
    """The steps that some walk enters twice (by the branches alone), in the order of the flow."""
    again = {i for group in cyclic_nodes(plan.successors) for i in group}
    return [name for i, name in enumerate(plan.names) if i in again]


@dataclass(slots=True)
class Solution:
    """known: state → certain facts, None where no walk leads. edges: those that walks can take.

    acyclic: no state can be entered twice, even if every outcome of a gate could always come about.
    """

    facts: Facts
    known: list[int | None]
    edges: list[list[Edge]]
    acyclic: bool


def solve(product: Product, facts: Facts) -> Solution:
    """The greatest facts that agree with every edge; one pass where there is no cycle."""
    plain = [[edge.target for edge in edges] for edges in product.edges]
    order = reverse_postorder(plain, product.starts)
    place = {state: i for i, state in enumerate(order)}
    known: list[int | None] = [None] * len(product.states)
    spread: list[int | None] = [None] * len(product.states)
    for start in product.starts:
        known[start] = facts.at_start
    edges: list[list[Edge]] = [[] for _ in product.states]
    again = True
    while again:
        again = False
        for state in order:
            now = known[state]
            if now is None or now == spread[state]:
                continue
            spread[state] = now
            outs, possible = _outs(product, facts, state, now)
            edges[state] = possible
            for edge, out in zip(possible, outs, strict=True):
                before = known[edge.target]
                after = out if before is None else before & out
                if after != before:
                    known[edge.target] = after
                    again = again or place[edge.target] <= place[state]
    acyclic = all(place[state] < place[inner] for state in order for inner in plain[state])
    return Solution(facts, known, edges, acyclic)


def _outs(product: Product, facts: Facts, state: int, now: int) -> tuple[list[int], list[Edge]]:
    number = product.states[state].node
    if number >= product.plan.first_ending:
        return [], []
    node = product.plan.nodes[number]
    behind: dict[tuple[str, Verdict], int | None] = {}
    outs, possible = [], []
    gate = node.step.kind == "gate"
    for edge in product.edges[state]:
        verdict = Verdict.FAIL if edge.cell == STOPPED else node.cells[edge.cell].verdict
        label = node.cells[edge.cell].outcome.label if gate else ""
        key = label, verdict
        if key not in behind:
            behind[key] = facts.along(number, label, verdict, now)
        out = behind[key]
        if out is not None:
            outs.append(out)
            possible.append(edge)
    return outs, possible
