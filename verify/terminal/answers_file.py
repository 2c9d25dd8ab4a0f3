"""An answers file: step → list of answers, in the order they are needed.

Plays a flow without a terminal (demo, tests, `flows try --answers`). Beside the steps it may hold
`specs` and, for an ending in a relearn, `relearn-advice` (see `relearn_advice.from_tree`). A
missing or unused answer is an error, so that a script and a flow that have drifted apart never pass
for each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError, nearest
from verify.flow.graph import Graph, Step
from verify.flow.text import Tree, text_to_tree
from verify.job.answers import Answer, answer_from_tree
from verify.terminal.library import read_text

if TYPE_CHECKING:
    from verify.job.session import ReadOnlySession
    from verify.terminal.relearn_advice import Decision

ADVICE = "relearn-advice"


@dataclass(slots=True)
class Answers:
    """specs: name → {text, source, detail}; used: how many answers of each step were taken."""

    source: str
    folder: Path
    tree: Tree
    used: dict[str, int] = field(default_factory=dict)

    def specs(self) -> Mapping[str, Any]:
        found = self.tree.data.get("specs", {})
        return found if isinstance(found, dict) else {}

    def take(self, step: Step) -> Answer:
        """The next answer to this step. Raises UserError where there is none, or a wrong one."""
        index = self.used.get(step.name, 0)
        given = self.tree.data.get(step.name)
        if not isinstance(given, list) or index >= len(given):
            count = len(given) if isinstance(given, list) else 0
            raise UserError(
                self._problem(
                    (step.name,),
                    Problem(
                        found=f'{count} answer{"" if count == 1 else "s"} to "{step.name}"',
                        expected=f"one more: answer {index + 1} to this step is asked for",
                        next=f'add an answer under "{step.name}:"',
                    ),
                )
            )
        self.used[step.name] = index + 1
        try:
            return answer_from_tree(step, given[index])
        except UserError as error:
            path = (step.name, index)
            raise UserError(*(self._problem(path, p) for p in error.problems)) from None

    def relearn_decision(self, session: ReadOnlySession) -> Decision | None:
        """What the block relearn-advice decides, if there is one. Raises UserError."""
        from verify.terminal.relearn_advice import from_tree

        if ADVICE not in self.tree.data:
            return None
        self.used[ADVICE] = 1
        try:
            return from_tree(session, self.tree.data[ADVICE])
        except UserError as error:
            raise UserError(*(self._problem((ADVICE,), p) for p in error.problems)) from None

    def skip(self, step: str, count: int) -> None:
        """Leaves out answers a job has already taken before it was resumed."""
        self.used[step] = self.used.get(step, 0) + count

    def finish(self) -> None:
        """Raises UserError when answers are left that the flow did not ask for."""
        problems = []
        for name, given in self.tree.data.items():
            if name == "specs":
                continue
            if name == ADVICE:
                given = [given]
            left = len(given) - self.used.get(name, 0)
            if left > 0:
                problems.append(
                    self._problem(
                        (name, self.used.get(name, 0)),
                        Problem(
                            found=f'{left} answer{"" if left == 1 else "s"} to "{name}" not asked',
                            expected="answers to what the flow asks, and no others",
                            next="remove what is left over, or check the answers before it",
                        ),
                    )
                )
        if problems:
            raise UserError(*problems)

    def _problem(self, path: tuple[str | int, ...], problem: Problem) -> Problem:
        line, column = self.tree.place(path)
        return problem.within(
            file=self.source, line=line, column=column, field=".".join(map(str, path))
        )


def load_answers(path: Path, graph: Graph) -> Answers:
    """Reads an answers file for a flow. Raises UserError with everything wrong in it."""
    tree = text_to_tree(read_text(path), str(path))
    if isinstance(tree, list):
        raise UserError(*tree)
    answers = Answers(str(path), path.parent, tree)
    problems = []
    for name, given in tree.data.items():
        if name == "specs":
            if not isinstance(given, dict):
                problems.append(
                    answers._problem(
                        (name,), Problem("no list of specs", "name: value", "write name: value")
                    )
                )
            continue
        if name == ADVICE and name not in graph.steps:
            continue
        if name not in graph.steps:
            guess = nearest(name, graph.steps)
            problems.append(
                answers._problem(
                    (name,),
                    Problem(
                        found=f'answers to "{name}", which is no step of this flow',
                        expected="steps of the flow " + graph.flow_id,
                        next=f'write "{guess}"' if guess else "remove it",
                    ),
                )
            )
        elif not isinstance(given, list):
            problems.append(
                answers._problem(
                    (name,),
                    Problem("one value", "a list of answers", f"write {name}: [answer]"),
                )
            )
    if problems:
        raise UserError(*problems)
    return answers
