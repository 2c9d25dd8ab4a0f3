"""Parts put into the flow that uses them: which file each step comes from, and its full name.

The lower half of `build`. An inlined step carries the name of the step that uses the part as a
prefix ("relearn/sleep"); lines in messages stay those of the file the step was written in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from verify.errors import Problem, UserError, unknown
from verify.flow import model as m
from verify.flow.graph import Catalogue, Spec
from verify.flow.text import Tree
from verify.quantity import Quantity, parse, unit

FieldPath = tuple[str | int, ...]
M = TypeVar("M", m.Flow, m.PartFile)

# A few parts that use each other ten times each would grow without end.
MAX_STEPS = 10_000
MAX_INSIDE = 10


def negative_width(text: str) -> Problem:
    return Problem(f'"{text}"', "a width, which is not negative", "drop the sign")


@dataclass(frozen=True, slots=True)
class Piece(Generic[M]):
    """A model with the tree it came from, so that later problems still know their line."""

    model: M
    tree: Tree


@dataclass(slots=True)
class Scope:
    """One file being inlined: how its own names read in the finished graph."""

    piece: Piece[m.Flow] | Piece[m.PartFile]
    prefix: str
    results: Mapping[str, str]
    inside: tuple[str, ...] = ()

    @property
    def steps(self) -> Mapping[str, m.AnyStep]:
        return self.piece.model.steps

    def name(self, own: str) -> str:
        return self.prefix + own


@dataclass(slots=True)
class Inliner:
    parts: Mapping[str, Piece[m.PartFile]]
    catalogue: Catalogue
    known_parts: Iterable[str] = ()
    problems: list[Problem] = field(default_factory=list)
    # step name in the graph → where it came from
    origin: dict[str, tuple[Scope, str, m.AnyStep]] = field(default_factory=dict)
    entry: dict[str, str] = field(default_factory=dict)  # part step → its first real step
    specs: dict[str, Spec] = field(default_factory=dict)
    promises: list[tuple[Scope, FieldPath, m.Promise]] = field(default_factory=list)

    def complain(
        self, scope: Scope, path: FieldPath, problem: Problem, *, key: bool = False
    ) -> None:
        tree = scope.piece.tree
        line, column = (tree.key_place if key else tree.place)(path)
        there = tree.real_path(path)
        placed = problem.within(
            file=tree.source, line=line, column=column, field=".".join(map(str, there))
        )
        if placed not in self.problems:
            self.problems.append(placed)

    def number(
        self, scope: Scope, path: FieldPath, text: str, expect: str, *, span: bool = False
    ) -> Quantity | None:
        try:
            found = parse(text, expect=expect)
        except UserError as error:
            for problem in error.problems:
                self.complain(scope, path, problem)
            return None
        if span and found.value < 0:
            self.complain(scope, path, negative_width(text))
        return found if span else found.to(expect)

    def collect(self, scope: Scope) -> None:
        """Enters every step of a file, and of the parts in it, under its full name."""
        for name, spec in scope.piece.model.specs.items():
            self.spec(scope, name, spec)
        for index, promise in enumerate(scope.piece.model.promises):
            self.promises.append((scope, ("promises", index), promise))
        for own, step in scope.steps.items():
            full = scope.name(own)
            if len(self.origin) == MAX_STEPS:
                self.complain(
                    scope,
                    ("steps",),
                    Problem(
                        found=f"more than {MAX_STEPS} steps with the parts put in",
                        expected="a flow a person can walk through",
                        next="use fewer parts inside parts",
                    ),
                )
            if len(self.origin) >= MAX_STEPS:
                return
            self.origin[full] = (scope, own, step)
            if isinstance(step, m.Part):
                self.inline(scope, own, step)

    def inline(self, scope: Scope, own: str, step: m.Part) -> None:
        path: FieldPath = ("steps", own, "part")
        piece = self.parts.get(step.part)
        if piece is None:
            self.complain(scope, path, unknown(step.part, {*self.parts, *self.known_parts}, "part"))
            return
        if step.part in scope.inside or len(scope.inside) == MAX_INSIDE:
            self.complain(
                scope,
                path,
                Problem(
                    found=f'the part "{step.part}" inside itself'
                    if step.part in scope.inside
                    else f"parts inside parts, more than {MAX_INSIDE} deep",
                    expected="parts that end",
                    next="use another part, or write the steps out",
                ),
            )
            return
        known = set(piece.model.results)
        for result in step.results:
            if result not in known:
                self.complain(
                    scope,
                    ("steps", own, "results", result),
                    unknown(result, known, f'result of part "{step.part}"'),
                    key=True,
                )
        for result in sorted(known - step.results.keys()):
            self.complain(
                scope,
                ("steps", own, "results"),
                Problem(
                    found=f'no line for the result "{result}"',
                    expected=f'every result of part "{step.part}": {", ".join(sorted(known))}',
                    next=f'add "{result}:" with the step or ending it leads to',
                ),
            )
        inner = Scope(
            piece,
            scope.name(own) + "/",
            {r: scope.name(t) for r, t in step.results.items()},
            (*scope.inside, step.part),
        )
        if piece.model.start not in piece.model.steps:
            self.complain(inner, ("start",), unknown(piece.model.start, piece.model.steps, "step"))
        self.entry[scope.name(own)] = inner.name(piece.model.start)
        self.collect(inner)

    def spec(self, scope: Scope, name: str, spec: m.Spec) -> None:
        path: FieldPath = ("specs", name)
        try:
            unit_name = unit(spec.unit).name
        except UserError as error:
            self.complain(scope, (*path, "unit"), error.problems[0])
            # Known by name, so that nothing else is said about what only its unit is wrong of.
            self.specs.setdefault(name, Spec(name, spec.title, ""))
            return
        if spec.default is not None:
            self.number(scope, (*path, "default"), spec.default, unit_name)
        if spec.accuracy is not None:
            self.number(scope, (*path, "accuracy"), spec.accuracy, unit_name, span=True)
        new = Spec(name, spec.title, unit_name, spec.say or "", spec.default, spec.accuracy)
        known = self.specs.setdefault(name, new)
        if known.unit not in ("", new.unit):
            self.complain(
                scope,
                (*path, "unit"),
                Problem(
                    found=f'the unit {new.unit} for the spec "{name}"',
                    expected=f"{known.unit}, as where it is first asked for",
                    next="use one unit, or another name",
                ),
            )

    def first_step(self, full: str) -> str:
        seen = set()
        while full in self.entry and full not in seen:
            seen.add(full)
            full = self.entry[full]
        return full
