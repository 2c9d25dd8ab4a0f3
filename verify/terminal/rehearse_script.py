"""A rehearsed walk as an answers file: first as people read it, then as `flows try` plays it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from verify.flow.graph import Outcome
from verify.flow.phrases import audience_words
from verify.flow.product import STOPPED
from verify.flow.rehearse import RehearsedWalk, Taken
from verify.flow.rehearse_board import Item
from verify.terminal.rehearse_answers import AnswerBook, Line, scalar
from verify.terminal.say import outcome_words

Key = tuple[str, tuple[Outcome, ...]]


@dataclass(frozen=True, slots=True)
class Script:
    """name: of its file. new: how many branches it takes that no script before it has taken.

    in_memory: it holds findings in the place of a recording, so only `flows try` plays it.
    unplayable: the steps for whose outcome no answer was found; () for a script that plays.
    """

    name: str
    text: str
    steps: int
    new: int
    ending: str
    in_memory: bool
    picture: bool
    unplayable: tuple[str, ...] = ()


class ScriptWriter:
    """Writes the walks of one rehearsal, in order; what was written before is no longer new.

    flow: as it is named on the command line. count: how many walks there are.
    """

    def __init__(self, book: AnswerBook, flow: str, count: int) -> None:
        self.book, self.flow, self.count = book, flow, count
        self.taken: set[Item] = set()
        self.written = 0
        self._lines: dict[Key, Line | None] = {}
        self._heads: dict[Key, str] = {}

    def write(self, walk: RehearsedWalk) -> Script:
        self.written += 1
        graph = self.book.graph
        told: list[str] = []
        answers: dict[str, list[str]] = {}
        unplayable: dict[str, None] = {}
        in_memory = picture = False
        new = 0
        for number, taken in enumerate(walk, start=1):
            fresh = (taken.step, taken.branch) not in self.taken
            if fresh:
                self.taken.add((taken.step, taken.branch))
                new += 1
            key = taken.step, taken.outcomes
            words = self._heads.get(key)
            if words is None:
                words = self._heads[key] = self._said(key, taken)
            told.append(f"# {number:>3} {'*' if fresh else ' '} {words}")
            line = self._lines[key]
            if line is not None:
                answers.setdefault(taken.step, []).append(line.yaml)
                in_memory |= line.in_memory
                picture |= line.picture
            elif graph.steps[taken.step].kind != "gate":
                unplayable[taken.step] = None
        ending = graph.endings[walk.ending]
        digits = max(2, len(str(self.count)))
        name = f"walk-{self.written:0{digits}}-{walk.ending}.yaml"
        head = [
            f"# Walk {self.written} of {self.count}, by {audience_words(walk.audience)}: "
            f"{len(walk)} steps, {new} new (*) of the flow's branches.",
            f"# It ends in: {ending.title} ({ending.kind}).",
            f"# keysback flows try {self.flow} --as {walk.audience} --answers {name}",
            *(
                ["# Findings stand in the place of recordings: no job takes it."]
                if in_memory
                else []
            ),
            "#",
        ]
        body = self._specs(answers)
        for step, given in answers.items():
            body.append(f"{scalar(step)}:")
            body += [f"  - {answer}" for answer in given]
        text = "\n".join([*head, *told, "", *body]) + "\n"
        steps = tuple(unplayable)
        return Script(name, text, len(walk), new, ending.title, in_memory, picture, steps)

    def _said(self, key: Key, taken: Taken) -> str:
        step = self.book.graph.steps[taken.step]
        if step.kind == "gate":
            self._lines[key] = None
            return f"{step.title}: {outcome_words(step, taken.outcomes[0])}"
        line = self._lines[key] = self.book.line(step, taken.outcomes)
        if taken.branch == STOPPED:
            return f"{step.title}: stop, not safe"
        return f"{step.title}: {line.words if line is not None else 'no answer was found'}"

    def _specs(self, steps: Iterable[str]) -> list[str]:
        graph = self.book.graph
        needed = dict.fromkeys(n for s in steps for n in graph.steps[s].detail.get("specs", ()))
        lines = [
            f'  {name}: {{value: "{self.book.specs[name]}", source: service information}}'
            for name in needed
        ]
        return ["specs:", *lines] if lines else []
