"""What can be proven of all walks: total, ends, promises, letting a car go, no second throw.

Last stage of the proof: reads the facts of the product graph, and for what they do not bear out
has the shortest walk found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from verify.flow.dataflow import Solution, may_stay_open
from verify.flow.digraph import cyclic_nodes, reachable
from verify.flow.finding import MOST_OF_A_RULE, Finding
from verify.flow.graph import CLEARS_CODES, REMEDY, ROAD_TEST, SAVES_CODES, Outcome, Promise, Step
from verify.flow.phrases import (
    branch_words,
    listed,
    outcome_words,
    said,
    sorted_titles,
    times,
    title_of,
    titled,
)
from verify.flow.product import Product
from verify.flow.statics import shows_something
from verify.flow.walks import Move, TooFar, Walk, Walker
from verify.words import EndingKind, Group, Verdict

# So many places are looked at for one walk; beyond, what may be so is taken to be so.
MOST_PLACES = 300_000


class Ways:
    """The rules about walks, each a method that yields its findings."""

    def __init__(self, product: Product, solution: Solution) -> None:
        self.product, self.solution = product, solution
        self.plan, self.facts = product.plan, solution.facts
        self.graph = product.plan.graph
        self.walker = Walker(product, solution)
        self.states_at: dict[str, list[int]] = {name: [] for name in self.plan.names}
        for state, known in enumerate(solution.known):
            if known is not None:
                self.states_at[self.walker.node(state)].append(state)

    def findings(self) -> Iterator[Finding]:
        for rule in (
            self.gaps,
            self.clashes,
            self.loops,
            self.unreachable,
            self.dead_branches,
            self.promises,
            self.codes_saved_first,
            self.drive_after_clearing,
            self.letting_go,
            self.refuted,
            self.unasked,
            self.second_throw,
        ):
            yield from rule()

    # Walks are looked for only as often as findings are shown; the rest is merely counted.
    def _each(self, names: Iterable[str], found: Callable[[str, bool], Finding]) -> list[Finding]:
        return [found(name, index < MOST_OF_A_RULE) for index, name in enumerate(names)]

    def _finding(self, rule: str, name: str, message: str, walk: Walk | None) -> Finding:
        line = self.graph.steps[name].line if name in self.graph.steps else 0
        told = self.walker.told(walk) if walk is not None else ()
        return Finding(rule, name, message, told, line)

    def _lacks(self, name: str, bit: int) -> bool:
        """Whether some walk arrives at `name` without the fact `bit`."""
        known = self.solution.known
        return any((known[state] or 0) & bit == 0 for state in self.states_at[name])

    # total and disjoint; a gate must answer all its outcomes, even those that cannot come about

    def gaps(self) -> Iterator[Finding]:
        by_step: dict[str, dict[int, list[int]]] = {}
        for state, cell in self.product.gaps:
            if self.solution.known[state] is not None:
                at = by_step.setdefault(self.walker.node(state), {})
                at.setdefault(state, []).append(cell)
        for name, states in islice(by_step.items(), MOST_OF_A_RULE):
            # A walk there always is; a finding must not hang on that.
            walk = self.walker.to(states) or Walk([], min(states))
            step, here = self.graph.steps[name], states[walk.end]
            cells = self.plan.node(name).cells
            outcome = cells[here[0]].outcome
            message = f"After {said(step, outcome)}{self._context(walk)}, no branch applies."
            everywhere = dict.fromkeys([*here, *(c for cs in states.values() for c in cs)])
            words = [outcome_words(step, o) for c in everywhere for o in cells[c].outcomes]
            others = list(dict.fromkeys(words))
            others.remove(outcome_words(step, outcome))
            if others:
                message += f" Nor, there or on another way, after: {listed(others, 'or')}."
            yield self._finding("no-branch", name, message, walk)

    def clashes(self) -> Iterator[Finding]:
        seen: dict[tuple[str, tuple[int, ...]], dict[int, int]] = {}
        for state, cell, branches in self.product.clashes:
            if self.solution.known[state] is not None:
                at = seen.setdefault((self.walker.node(state), branches), {})
                at.setdefault(state, cell)
        for (name, branches), states in islice(seen.items(), MOST_OF_A_RULE):
            # A walk there always is; a finding must not hang on that.
            walk = self.walker.to(states) or Walk([], min(states))
            step = self.graph.steps[name]
            outcome = self.plan.node(name).cells[states[walk.end]].outcome
            both = listed([branch_words(self.graph, step, b) for b in branches])
            word = "both apply" if len(branches) == 2 else "all apply"
            message = f"After {said(step, outcome)}{self._context(walk)}, {both} {word}."
            yield self._finding("two-branches", name, message, walk)

    def _context(self, walk: Walk) -> str:
        """What else the branches of the walk's last step looked at, in words."""
        state = self.product.states[walk.end]
        node = self.plan.nodes[state.node]
        last = self.walker.last_outcomes(walk)
        parts = []
        for name in sorted(node.looked_at, key=lambda n: n != node.step.name):
            count = self.plan.counters[name].read(state.counts)
            if name == node.step.name:
                parts.append(f" the {times(count)} time")
            else:
                parts.append(f", {titled(self.graph.steps[name])} having been entered {count}×")
        parts += [f", with {said(self.graph.steps[n], last.get(n))}" for n in node.earlier]
        who = self.walker.who(state)
        if who and any(b.when.audience is not None for b in node.step.branches):
            parts.append(f", by {who}")
        return "".join(parts)

    # ends

    def loops(self) -> Iterator[Finding]:
        """Where no state can be entered twice and nothing is missing, every walk ends."""
        if self.solution.acyclic:
            return
        successors = [[edge.target for edge in edges] for edges in self.solution.edges]
        seen: set[frozenset[str]] = set()
        for group in sorted(cyclic_nodes(successors), key=min):
            names = frozenset(self.walker.node(state) for state in group)
            if names in seen or len(seen) >= MOST_OF_A_RULE:
                continue
            seen.add(names)
            first = min(group)
            inside = set(group)
            to, around = self.walker.to({first}), self.walker.around(first)
            hops = around.hops if around is not None else []
            walk = Walk([*(to.hops if to is not None else ()), *hops], first)
            name = self.walker.node(first)
            titles = dict.fromkeys(titled(self.walker.step(hop[0])) for hop in hops)
            round_trip = listed([*titles])
            message = f"{round_trip} can be gone round without end: no count of attempts ends it."
            if not any(t not in inside for s in group for t in self._onward(s)):
                message += " No way leads on from there."
            yield self._finding("endless-loop", name, message, walk)

    def _onward(self, state: int) -> list[int]:
        return [edge.target for edge in self.solution.edges[state] if edge.branch >= 0]

    def unreachable(self) -> Iterator[Finding]:
        """The first of the steps that no walk reaches; what only they lead to is not listed."""
        # The ending that `stop` leads to has to be there even where only gates could be stopped.
        missing = [
            i
            for i, name in enumerate(self.plan.names)
            if not self.states_at[name] and name != self.graph.on_stop
        ]
        inside = set(missing)
        after = [[j for j in s if j in inside] for s in self.plan.successors]
        led_to = {j for i in missing for j in after[i] if j != i}
        covered: set[int] = set()
        for i in [*(i for i in missing if i not in led_to), *missing]:
            if i in covered:
                continue
            reached = reachable(after, [i]) - covered
            covered |= reached
            what = "ending" if i >= self.plan.first_ending else "step"
            message = f"No walk reaches the {what} {title_of(self.graph, self.plan.names[i])}."
            others = sorted_titles(self.graph, (self.plan.names[j] for j in reached - {i}))
            if others:
                message += f" Nor, for that reason, {listed(others, 'or')}."
            yield self._finding("unreachable", self.plan.names[i], message, None)

    def dead_branches(self) -> Iterator[Finding]:
        """A gate's branches are left out: it answers all its outcomes, come about or not."""
        taken: dict[str, set[int]] = {}
        for name, states in self.states_at.items():
            taken[name] = {e.branch for state in states for e in self.solution.edges[state]}
        for name, step in self.graph.steps.items():
            if step.kind == "gate" or not self.states_at[name]:
                continue
            for index in range(len(step.branches)):
                if index not in taken[name]:
                    words = branch_words(self.graph, step, index)
                    message = f"After {titled(step)}, {words} can never be taken."
                    yield self._finding("branch-never-taken", name, message, None)

    # promises

    def promises(self) -> Iterator[Finding]:
        for index, promise in enumerate(self.graph.promises):
            shown = index < 10 * MOST_OF_A_RULE
            if promise.kind == "before":
                if self._lacks(promise.then, self.facts.visited[promise.first]):
                    yield self._before(promise, shown)
            elif self._lacks(promise.then, self.facts.passed[promise.first]):
                yield self._never(promise, shown)

    def _before(self, promise: Promise, shown: bool) -> Finding:
        def move(step: Step, _v: Verdict, _o: Outcome, bit: bool) -> bool | None:
            return None if step.name == promise.first else bit

        then, first = (title_of(self.graph, n) for n in (promise.then, promise.first))
        walk = self._walk_to(promise.then, move, False, False) if shown else None
        message = f"{then} can be reached before {first} has been."
        return self._finding("promise-before", promise.then, message, walk)

    def _never(self, promise: Promise, shown: bool) -> Finding:
        then, first = (title_of(self.graph, n) for n in (promise.then, promise.first))
        move = self._passing(promise.first)
        walk = self._walk_to(promise.then, move, False, False) if shown else None
        message = f"{then} can be reached although {first} did not pass when last asked."
        return self._finding("promise-never", promise.then, message, walk)

    def _walk_to(self, name: str, move: Move[bool], bit: bool, wanted: bool) -> Walk | None:
        """The shortest walk to `name` on which the bit, at first `bit`, ends as `wanted`."""
        states = set(self.states_at[name])
        return self.walker.find(lambda s, b: s in states and b is wanted, move, bit)

    def _passing(self, name: str) -> Move[bool]:
        """The bit "the last outcome of `name` passed", with what a gate knows of it."""
        step = self.graph.steps[name]
        shut = {"hand-back"} if step.required else set()
        if step.required and not may_stay_open(step):
            shut.add("proof-to-follow")

        def move(here: Step, verdict: Verdict, outcome: Outcome, bit: bool) -> bool | None:
            if here.name == name:
                return verdict is Verdict.PASS
            if here.kind == "gate" and outcome.label in shut and not bit:
                return None
            return bit

        return move

    # codes

    def codes_saved_first(self) -> Iterator[Finding]:
        def move(step: Step, verdict: Verdict, _o: Outcome, bit: bool) -> bool | None:
            return None if SAVES_CODES in step.does and verdict is Verdict.PASS else bit

        def found(name: str, shown: bool) -> Finding:
            walk = self._walk_to(name, move, False, False) if shown else None
            message = f"{title_of(self.graph, name)} clears codes, and can be reached before they "
            message += "were saved."
            return self._finding("codes-saved-first", name, message, walk)

        clearing = [s.name for s in self.graph.steps.values() if CLEARS_CODES in s.does]
        yield from self._each((n for n in clearing if self._lacks(n, self.facts.saved)), found)

    def drive_after_clearing(self) -> Iterator[Finding]:
        def move(step: Step, verdict: Verdict, _o: Outcome, bit: bool) -> bool | None:
            if CLEARS_CODES in step.does:
                return True
            return bit and not (ROAD_TEST in step.does and verdict is Verdict.PASS)

        def found(name: str, shown: bool) -> Finding:
            walk = self._walk_to(name, move, False, True) if shown else None
            message = f"{title_of(self.graph, name)} can be reached although no road test passed "
            message += "since codes were cleared."
            return self._finding("drive-after-clearing", name, message, walk)

        endings = [e.name for e in self.graph.endings.values() if e.kind.lets_go]
        yield from self._each((n for n in endings if self._lacks(n, self.facts.driven)), found)

    # letting a car go, and no second throw

    def letting_go(self) -> Iterator[Finding]:
        for ending in self.graph.endings.values():
            if ending.kind is EndingKind.HAND_BACK:
                names = self.facts.required
                because = "has not passed"
            elif ending.kind is EndingKind.PROOF_TO_FOLLOW:
                # One without `later` is refused by itself already.
                names = [n for n in self.facts.required if not may_stay_open(self.graph.steps[n])]
                names = [n for n in names if self.graph.steps[n].group in (None, "safe-to-drive")]
                because = "has not passed, without which the car is not safe to drive"
            else:
                continue
            open_steps = [n for n in names if self._lacks(ending.name, self.facts.passed[n])]
            if not open_steps:
                continue
            walk = self._walk_to(ending.name, self._passing(open_steps[0]), False, False)
            first = titled(self.graph.steps[open_steps[0]])
            message = f"{titled(ending.title)} can be reached although {first} {because}."
            others = sorted_titles(self.graph, open_steps[1:])
            if others:
                message += f" The same is so, there or on another way, of {listed(others)}."
            yield self._finding(ending.kind.value, ending.name, message, walk)

    def refuted(self) -> Iterator[Finding]:
        """What may be proven later may be open, but not refuted: a fail is no proof to come."""
        for ending in self.graph.endings.values():
            if ending.kind is not EndingKind.PROOF_TO_FOLLOW:
                continue
            shown: dict[str, Walk | None] = {}
            for name, bit in self.facts.not_failed.items():
                if self._lacks(ending.name, bit):
                    # A gate does not tell what failed, so here the facts alone say too little.
                    try:
                        walk = self._refuting(ending.name, name)
                    except TooFar:
                        shown[name] = None
                    else:
                        if walk is not None:
                            shown[name] = walk
            if not shown:
                continue
            first, *rest = shown
            message = f"{titled(ending.title)} can be reached although "
            message += f"{titled(self.graph.steps[first])} has failed: what has failed is not "
            message += "open, and nothing is left that could follow."
            if others := sorted_titles(self.graph, rest):
                message += f" The same is so, there or on another way, of {listed(others)}."
            yield self._finding("failed-to-follow", ending.name, message, shown[first])

    def _refuting(self, ending: str, name: str) -> Walk | None:
        """The shortest walk to `ending` on which `name` failed last.

        Followed is, as a set of bits, also which of the steps that may not stay open have not
        passed: with one of them no gate leads to proof to follow. Raises TooFar.
        """
        must = [s for s in self.facts.required if not may_stay_open(self.graph.steps[s])]
        bits = {name: 1} | {other: 2 << i for i, other in enumerate(must)}
        all_open = (2 << len(must)) - 2

        def move(here: Step, verdict: Verdict, outcome: Outcome, known: int) -> int | None:
            if here.kind == "gate":
                lets_go = outcome.label in ("hand-back", "proof-to-follow")
                if lets_go and known & (all_open + (outcome.label == "hand-back")):
                    return None
            bit = bits.get(here.name, 0)
            if here.name == name:
                return known | bit if verdict is Verdict.FAIL else known & ~bit
            return known & ~bit if verdict is Verdict.PASS else known | bit

        states = set(self.states_at[ending])
        return self.walker.find(lambda s, known: s in states and bool(known & 1), move, all_open,
                                most=MOST_PLACES)  # fmt: skip

    def unasked(self) -> Iterator[Finding]:
        """Nothing open is not the same as something shown: where nobody asks, nothing is open.

        With what must pass before either ending (above), one step that asks is enough.
        """
        graph = self.graph
        for ending in graph.endings.values():
            if not ending.kind.lets_go or not self.states_at[ending.name]:
                continue
            asked = [("safe-unasked", Group.SAFE, "shows that the car is safe to drive")]
            if ending.kind is EndingKind.HAND_BACK:
                gone = "asks whether the complaint is gone"
                asked.append(("gone-unasked", Group.COMPLAINT, gone))
            for rule, group, what in asked:
                of_group = [s for s in graph.required() if s.group is group]
                if any(shows_something(step) for step in of_group):
                    continue
                message = f"{titled(ending.title)} can be reached, but no required step {what}."
                if of_group:
                    idle = listed(sorted_titles(graph, (s.name for s in of_group)))
                    message += f" {idle} can never speak against the car."
                walk = self.walker.to(set(self.states_at[ending.name]))
                yield self._finding(rule, ending.name, message, walk)

    def second_throw(self) -> Iterator[Finding]:
        def found(name: str, shown: bool) -> Finding:
            def move(step: Step, verdict: Verdict, _o: Outcome, bit: bool) -> bool | None:
                if step.name == name:
                    return verdict is Verdict.FAIL
                return bit and not (REMEDY in step.does and verdict is Verdict.PASS)

            walk = self._walk_to(name, move, False, True) if shown else None
            message = f"{title_of(self.graph, name)} can be asked again after it failed, although "
            message += "nothing was done to the car in between."
            return self._finding("second-throw", name, message, walk)

        bits = self.facts.unfailed.items()
        yield from self._each((name for name, bit in bits if self._lacks(name, bit)), found)
