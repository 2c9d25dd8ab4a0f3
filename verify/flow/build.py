"""Models → Graph: parts inlined under prefixed names, numbers made exact, every name resolved.

Third stage of the flow pipeline. What is refused here is what one sees only with the whole flow at
hand: names of steps, checks, findings, hazards, units that do not fit. Whether the flow is *right*
(total, bounded, safe) is the prover's question, and is asked of the finished graph.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from verify.errors import Problem, unknown
from verify.flow import model as m
from verify.flow.graph import (
    CANNOT,
    CLEARS_CODES,
    Branch,
    Catalogue,
    Condition,
    Ending,
    Graph,
    Look,
    Promise,
    Step,
)
from verify.flow.inline import FieldPath, Inliner, Piece, Scope
from verify.flow.kinds import labels_of, resolve
from verify.flow.text import Tree
from verify.quantity import is_unit
from verify.words import Audience, EndingKind, Verdict

# In the graph of a part that is proven alone: the step that stands for it, and what its results,
# which are endings there, are called.
ALONE, RESULT = "part", "result-"


@dataclass(slots=True)
class _Resolver(Inliner):
    """Turns names into full names and texts into exact numbers, complaining as it goes."""

    def target(self, scope: Scope, path: FieldPath, name: str, endings: Iterable[str]) -> str:
        """The full name of the step or ending that `name` means in `scope`."""
        here = scope.name(name)
        if name not in scope.steps:
            if not scope.prefix and name in endings:
                return name
            if scope.prefix:
                self.complain(scope, path, unknown(name, scope.steps, "step of this part"))
            else:
                known = [*scope.steps, *endings]
                self.complain(scope, path, unknown(name, known, "step or ending"))
            return here
        return self.first_step(here)

    def branches(self, scope: Scope, own: str, endings: Iterable[str]) -> tuple[Branch, ...]:
        step = scope.steps[own]
        assert not isinstance(step, m.Part)
        done = []
        for index, branch in enumerate(step.branches):
            path: FieldPath = ("steps", own, "branches", index)
            when = self.condition(scope, own, (*path, "when"), branch.when)
            if branch.to is not None:
                to = self.target(scope, (*path, "to"), branch.to, endings)
            else:
                to = self.result(scope, (*path, "result"), branch.result or "", endings)
            done.append(Branch(when, to))
        return tuple(done)

    def result(self, scope: Scope, path: FieldPath, name: str, endings: Iterable[str]) -> str:
        if not scope.prefix:
            self.complain(
                scope,
                path,
                Problem(
                    found=f'the result "{name}" in a flow',
                    expected="results only in parts",
                    next='write "to:" with a step or ending',
                ),
            )
            return name
        known = scope.piece.model.results if isinstance(scope.piece.model, m.PartFile) else []
        if name not in known:
            self.complain(scope, path, unknown(name, known, "result of this part"))
            return name
        target = scope.results.get(name, name)
        if target not in self.origin and target not in endings:
            # Said where the host names it.
            return target
        return self.first_step(target)

    def condition(
        self, scope: Scope, own: str, path: FieldPath, when: str | list[str] | m.When
    ) -> Condition:
        if isinstance(when, str):
            when = m.When(outcome=[when])
        elif isinstance(when, list):
            when = m.When(outcome=when)
        audience = Audience(when.audience) if when.audience is not None else None
        full = scope.name(own)
        earlier = []
        for index, look in enumerate(when.earlier or ()):
            at: FieldPath = (*path, "earlier", index)
            name = self.first_step(scope.name(look.step))
            if name not in self.origin or isinstance(self.origin[name][2], m.Part):
                self.complain(scope, (*at, "step"), unknown(look.step, self.seen(scope), "step"))
                continue
            earlier.append((name, self.look(scope, name, at, look, earlier=True)))
        return Condition(
            self.look(scope, full, path, when, earlier=False), audience, tuple(earlier)
        )

    def seen(self, scope: Scope) -> list[str]:
        """The steps that conditions and promises in `scope` can name, as they name them."""
        return [s.removeprefix(scope.prefix) for s in self.origin if s.startswith(scope.prefix)]

    def look(
        self, scope: Scope, full: str, path: FieldPath, look: m.Look, *, earlier: bool
    ) -> Look:
        step = self.origin[full][2]
        labels = [*labels_of(step), CANNOT, *(["not-visited"] if earlier else [])]
        if isinstance(step, m.Gate):
            labels = list(labels_of(step))
        for index, label in enumerate(look.outcome or ()):
            if label == "stop":
                self.complain(
                    scope,
                    (*path, "outcome", index),
                    Problem(
                        found='a branch on "stop"',
                        expected="none: stop always leads to the ending named by on_stop",
                        next="remove it",
                    ),
                )
            elif label not in labels:
                what = "outcome of that step" if earlier else "outcome"
                problem = unknown(label, labels, what)
                if asked := _asked_by(step, label):
                    problem = problem._replace(next=f"add {asked} to the step, or remove it")
                self.complain(scope, (*path, "outcome", index), problem)
        for field, kind in (("findings", m.Record), ("wrong", m.Card), ("fine", m.Card)):
            if getattr(look, field) is not None and not isinstance(step, kind):
                self.complain(
                    scope,
                    (*path, field),
                    Problem(
                        found=f"`{field}` asked of a step of kind {step.kind}",
                        expected=f"a step of kind {'record' if kind is m.Record else 'card'}",
                        next="branch on its outcome",
                    ),
                    key=True,
                )
        findings = []
        checks = [*step.checks, *step.also] if isinstance(step, m.Record) else None
        for check, wanted in sorted((look.findings or {}).items()):
            if checks is None:
                break
            if check not in checks:
                self.complain(
                    scope,
                    (*path, "findings", check),
                    unknown(check, checks, "check of this step"),
                    key=True,
                )
                continue
            if check not in self.catalogue.checks:
                continue  # said where the step names it
            known = [*self.catalogue.checks[check], *(v.value for v in Verdict)]
            for index, word in enumerate(wanted):
                if word not in known:
                    self.complain(
                        scope,
                        (*path, "findings", check, index),
                        unknown(word, known, f'finding of "{check}"'),
                    )
            findings.append((check, frozenset(wanted)))
        items = step.items if isinstance(step, m.Card) else None
        for key in ("wrong", "fine"):
            for index, item in enumerate(getattr(look, key) or ()):
                if items is not None and item not in items:
                    self.complain(
                        scope, (*path, key, index), unknown(item, items, "item of this card")
                    )
        return Look(
            outcome=frozenset(look.outcome) if look.outcome is not None else None,
            findings=tuple(findings),
            wrong=frozenset(look.wrong) if look.wrong is not None else None,
            fine=frozenset(look.fine) if look.fine is not None else None,
            value=self.interval(scope, step, (*path, "value"), look.value),
            attempts=(look.attempts.from_, look.attempts.to) if look.attempts else None,
        )

    def interval(
        self, scope: Scope, step: m.AnyStep, path: FieldPath, value: m.Interval | None
    ) -> tuple[Fraction | None, Fraction | None] | None:
        if value is None:
            return None
        if not isinstance(step, m.Reading) or step.limits is not None:
            self.complain(
                scope,
                path,
                Problem(
                    found="a number branch on a step that is no plain reading",
                    expected="a reading without limits",
                    next='branch on "pass", "fail" and "undecided" instead',
                ),
            )
            return None
        if not is_unit(step.unit):
            return None  # said at the unit
        ends = []
        for key, text in (("from", value.from_), ("to", value.to)):
            found = self.number(scope, (*path, key), text, step.unit) if text else None
            ends.append(found.value if found else None)
        low, high = ends
        if low is not None and high is not None and high <= low:
            self.complain(
                scope,
                path,
                Problem(
                    found=f"the empty interval from {value.from_} to {value.to}",
                    expected="`to` above `from`",
                    next="swap them, or move one end",
                ),
            )
        return low, high


def _asked_by(step: m.AnyStep, label: str) -> str:
    """The field that would give a step this outcome."""
    if isinstance(step, m.Record) and label.startswith("told-"):
        return "`told:`"
    fields = {"cleared": "`since_clear: true`", "not-ready": "`readiness: true`"}
    return fields.get(label, "") if isinstance(step, m.Codes) else ""


@dataclass(frozen=True, slots=True)
class _Say:
    """Complains about something below one step, at its line."""

    b: _Resolver
    scope: Scope
    own: str

    def __call__(self, path: FieldPath, problem: Problem) -> None:
        self.b.complain(self.scope, ("steps", self.own, *path), problem, key=not path)


def _declared(b: _Resolver, top: Scope, flow: m.Flow) -> None:
    """Names at the top of a flow: start, on_stop, endings that are no steps."""
    if flow.start not in flow.steps:
        b.complain(top, ("start",), unknown(flow.start, flow.steps, "step"))
    ending = flow.endings.get(flow.on_stop)
    if ending is None or ending.kind is not EndingKind.DO_NOT_DRIVE:
        fitting = [n for n, e in flow.endings.items() if e.kind is EndingKind.DO_NOT_DRIVE]
        b.complain(top, ("on_stop",), unknown(flow.on_stop, fitting, "ending of kind do-not-drive"))
    for name in sorted(flow.endings.keys() & flow.steps.keys()):
        b.complain(
            top,
            ("endings", name),
            Problem(
                found=f'"{name}" as a step and as an ending',
                expected="one name for one thing",
                next="rename one of the two",
            ),
            key=True,
        )


def build(
    flow: Piece[m.Flow],
    parts: Mapping[str, Piece[m.PartFile]],
    catalogue: Catalogue,
    known_parts: Iterable[str] = (),
) -> tuple[Graph | None, list[Problem]]:
    """The graph of a flow with its parts inlined, or all problems (in the order of the files).

    known_parts: ids that could have been meant where a part is not among `parts`.
    """
    b = _Resolver(parts, catalogue, known_parts)
    top = Scope(flow, "", {})
    b.collect(top)
    _declared(b, top, flow.model)
    endings = flow.model.endings
    for scope, own, step in b.origin.values():
        if isinstance(step, m.Part):
            for result, target in step.results.items():
                b.target(scope, ("steps", own, "results", result), target, endings)
    steps: dict[str, Step] = {}
    for full, (scope, own, step) in b.origin.items():
        if isinstance(step, m.Part):
            continue
        made = resolve(step, full, b.catalogue, b.specs, _Say(b, scope, own))
        tree = scope.piece.tree
        line, column = tree.key_place(("steps", own))
        steps[full] = replace(
            made,
            branches=b.branches(scope, own, endings),
            line=line,
            column=column,
            file=tree.source,
        )
    promises = [p for p in (_promise(b, *item, steps) for item in b.promises) if p is not None]
    if b.problems:
        return None, sorted(b.problems, key=lambda p: (p.file, p.line, p.column))
    return (
        Graph(
            flow_id=flow.model.id,
            title=flow.model.title,
            repair=flow.model.repair,
            audiences=tuple(Audience(a) for a in flow.model.audience),
            start=b.first_step(flow.model.start),
            on_stop=flow.model.on_stop,
            steps=steps,
            endings={n: _ending(n, e, flow.tree) for n, e in endings.items()},
            specs=b.specs,
            promises=tuple(promises),
            look=dict(flow.model.second_look or {}),
        ),
        [],
    )


def _ending(name: str, ending: m.Ending, tree: Tree) -> Ending:
    line, column = tree.key_place(("endings", name))
    kind, owner, who = EndingKind(ending.kind), ending.owner or "", ending.who or ""
    return Ending(name, kind, ending.title, ending.advice, owner, who, line, column)


def _promise(
    b: _Resolver, scope: Scope, path: FieldPath, promise: m.Promise, steps: Mapping[str, Step]
) -> Promise | None:
    if promise.before is not None:
        kind, names = "before", (promise.before.first, promise.before.then)
        keys: Sequence[str] = ("first", "then")
    else:
        assert promise.never is not None
        kind, names = "never", (promise.never.unless, promise.never.step)
        keys = ("unless", "step")
    full = []
    for key, name in zip(keys, names, strict=True):
        there = b.first_step(scope.name(name))
        if there not in steps:
            b.complain(scope, (*path, kind, key), unknown(name, b.seen(scope), "step"))
            return None
        full.append(there)
    tree = scope.piece.tree
    line, column = tree.key_place(path)
    return Promise(kind, full[0], full[1], line, column, tree.source, int(path[1]))


def part_alone(
    piece: Piece[m.PartFile],
    parts: Mapping[str, Piece[m.PartFile]],
    catalogue: Catalogue,
    known_parts: Iterable[str] = (),
) -> tuple[Graph | None, list[Problem]]:
    """A part as a graph of its own: each result is an ending.

    What only a whole flow can promise (codes saved before they are cleared) is not asked of it.
    """
    host = m.Flow.model_validate(
        {
            "keysback_flow": 1,
            "id": piece.model.id,
            "title": piece.model.title,
            "repair": "A part proven alone.",
            "audience": ["technician", "owner"],
            "start": ALONE,
            "on_stop": "stopped",
            "steps": {
                ALONE: {
                    "kind": "part",
                    "part": piece.model.id,
                    "results": {r: f"{RESULT}{r}" for r in piece.model.results},
                }
            },
            "endings": {
                "stopped": {"kind": "do-not-drive", "title": "Stopped", "advice": "Stop."},
                **{
                    f"{RESULT}{r}": {"kind": "back-to-diagnosis", "title": r, "advice": r}
                    for r in piece.model.results
                },
            },
        }
    )
    graph, problems = build(
        Piece(host, Tree.unmarked({}, piece.tree.source)),
        {**parts, piece.model.id: piece},
        catalogue,
        known_parts,
    )
    if graph is None:
        return None, problems
    steps = {n: replace(s, does=s.does - {CLEARS_CODES}) for n, s in graph.steps.items()}
    endings = dict(graph.endings)
    for index, result in enumerate(piece.model.results):
        line, column = piece.tree.place(("results", index))
        name = f"{RESULT}{result}"
        endings[name] = replace(endings[name], line=line, column=column)
    return replace(graph, steps=steps, endings=endings), []
