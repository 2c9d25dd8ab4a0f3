"""YAML text → a plain tree with the position of every value, or all that is wrong with the text.

First stage of the flow pipeline (text → tree → model → graph). Kept apart from `load`, because
what is refused here is refused of any file: anchors, doubled keys, surprises of YAML 1.1, size.
Opens nothing: it is handed text and the name to show in messages.

The tree is built here from the reader's events and not by its constructor: a constructor merges
`<<`, turns 2020-01-01 and 1_000 into something else than what stands there, and stops at the first
doubled key. Events come one at a time, so a file that is hostile is left as soon as that shows.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from verify.errors import Problem
from verify.flow.syntax import syntax_problem

MAX_BYTES = 1_000_000
MAX_DEPTH = 20
MAX_PROBLEMS = 100

Path = tuple[str | int, ...]

# What must not stand in text that people read and that is pinned by a hash: control characters,
# line breaks some editors do not count, marks that turn the direction of reading, half characters.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069"
    "\ud800-\udfff\ufeff\ufffe\uffff]"
)
_WHOLE = re.compile(r"0|-?[1-9][0-9]{0,8}")
# Unquoted words that one reader or another turns into something else than their letters.
_CHANGELING = re.compile(
    r"""[-+]?[0-9][0-9_]*(\.[0-9_]*)?([eE][-+]?[0-9]+)?
      | [-+]?\.[0-9][0-9_]*([eE][-+]?[0-9]+)?
      | [-+]?0[xXoObB][0-9a-fA-F_]+
      | [-+]?\.(inf|Inf|INF) | \.(nan|NaN|NAN)
      | [0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt\ ].*)?
      | = | <<""",
    re.VERBOSE,
)
_NOTHING = ("", "~", "null", "Null", "NULL")
_YES_NO = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a value stands, from 1: its key (for an item of a list, the item) and itself."""

    key: tuple[int, int]
    value: tuple[int, int]
    group: bool


@dataclass(frozen=True, slots=True)
class Tree:
    """A plain tree (dict, list, str, int, bool) and where each of its values stands."""

    data: dict[str, Any]
    source: str
    _marks: Mapping[Path, Mark]

    @staticmethod
    def unmarked(data: dict[str, Any], source: str) -> Tree:
        """A tree that came from a stored edition, where no lines are known."""
        return Tree(data, source, {})

    def place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """(line, column), from 1, of the value at `path`, or of the nearest level that exists.

        A group of fields or a list is found at its key. Path elements that are not in the tree
        (labels a validator put between) are skipped. (0, 0) where no lines are known.
        """
        mark = self._mark(path)
        if mark is None:
            return (1, 1) if self._marks else (0, 0)
        return mark.key if mark.group else mark.value

    def key_place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """(line, column) of the key that ends `path` (for a field that should not be there)."""
        mark = self._mark(path)
        if mark is None or self.real_path(path)[-1:] != list(path[-1:]):
            return self.place(path)
        return mark.key

    def _mark(self, path: Sequence[str | int]) -> Mark | None:
        return self._marks.get(tuple(self.real_path(path)))

    def real_path(self, path: Sequence[str | int], *, last: bool = False) -> list[str | int]:
        """`path` without the elements that name nothing in the tree; the last one kept on wish
        (the name of a missing field)."""
        node: Any = self.data
        real: list[str | int] = []
        for index, key in enumerate(path):
            inside = (isinstance(node, dict) and key in node) or (
                isinstance(node, list) and isinstance(key, int) and key < len(node)
            )
            if inside:
                real.append(key)
                node = node[key]
            elif last and index == len(path) - 1 and isinstance(node, dict):
                real.append(key)
        return real


def text_to_tree(text: str, source: str) -> Tree | list[Problem]:
    """The tree of a YAML 1.2 text, or every problem of its form. Never raises on any text."""
    if len(text.encode("utf-8", "surrogatepass")) > MAX_BYTES:
        return [
            Problem(
                found="a file of more than 1 MB",
                expected="a few hundred lines of text",
                next="check that this is the right file",
                file=source,
            )
        ]
    text = text.removeprefix("\ufeff")
    problems = _unseen(text, source)
    if problems:
        return problems
    builder = _Builder(text, source)
    data = builder.run()
    if builder.problems:
        return sorted(builder.problems, key=lambda p: (p.line, p.column))
    if not isinstance(data, dict):
        return [
            Problem(
                found="no fields" if data is None else "text without fields",
                expected='lines such as "title: Throttle body replaced"',
                next="check that this is the right file, or start from one that works",
                file=source,
                line=1,
                column=1,
            )
        ]
    return Tree(data, source, builder.marks)


def _unseen(text: str, source: str) -> list[Problem]:
    """Characters that nobody sees, at their place; only the first of a long row of them."""
    problems = []
    for number, line in enumerate(re.split("\r\n|\r|\n", text), 1):
        found = _UNSEEN.search(line)
        if found:
            problems.append(_unseen_problem(found[0], source, number, found.start() + 1))
            if len(problems) == MAX_PROBLEMS:
                break
    return problems


def _unseen_problem(
    character: str, source: str, line: int, column: int, path: Path = ()
) -> Problem:
    return Problem(
        found=f"a character that cannot be seen (U+{ord(character):04X})",
        expected="text people can read",
        next="delete it and type the text again",
        file=source,
        line=line,
        column=column,
        field=".".join(map(str, path)),
    )


def visible(text: str) -> str:
    """Text with a blank where a character stood that nobody sees, and that no flow may hold."""
    return _UNSEEN.sub(" ", text)


def quotes_needed(text: str) -> str:
    """What to do about a number or date that stands there bare."""
    with_unit = f", or write its unit behind it ({text} V)" if text[-1:].isdigit() else ""
    return f'put it in quotes ("{text}")' + (with_unit if "-" not in text[1:] else "")


class _Enough(Exception):
    """Reading on would say nothing new."""


@dataclass(slots=True)
class _Builder:
    """Builds the tree from the reader's events, collecting what is wrong."""

    text: str
    source: str
    problems: list[Problem] = field(default_factory=list)
    marks: dict[Path, Mark] = field(default_factory=dict)
    reached: tuple[int, int] = (1, 1)

    def run(self) -> Any:
        yaml = YAML(typ="safe", pure=True)
        yaml.version = (1, 2)
        events: Iterator[Event] = yaml.parse(io.StringIO(self.text))
        data: Any = None
        documents = 0
        try:
            for event in events:
                if isinstance(event, DocumentStartEvent):
                    documents += 1
                    if documents == 2:
                        self.complain(event, "a second document (---)")
                        raise _Enough
                    self.directives(event)
                    data = self.node(next(events), events, (), None)
        except _Enough:
            pass
        except YAMLError as error:
            self.problems.append(syntax_problem(error, self.source, self.text))
        except Exception:
            # The reader itself breaks on a few malformed texts (an escape beyond Unicode, a version
            # number of hundreds of digits), in ways that nobody has listed.
            problem = syntax_problem(YAMLError(), self.source, "")
            self.problems.append(problem.within(line=self.reached[0], column=self.reached[1]))
        return data

    def last_line(self) -> int:
        return len(self.text.splitlines()) or 1

    def directives(self, start: DocumentStartEvent) -> None:
        """Lines such as %YAML 1.1 before the document would change how the rest is read."""
        for number, line in enumerate(self.text.splitlines()[: start.start_mark.line], 1):
            if line.startswith("%"):
                self.say(
                    Problem("a directive (%)", "plain fields", "remove it"),
                    (number, 1),
                    (),
                )

    def node(
        self, event: Event, events: Iterator[Event], path: Path, key: tuple[int, int] | None
    ) -> Any:
        """The value that begins with `event`, entered in `marks` under `path`."""
        here = self.reached = (event.start_mark.line + 1, event.start_mark.column + 1)
        group = isinstance(event, MappingStartEvent | SequenceStartEvent)
        empty = isinstance(event, ScalarEvent) and event.value == "" and not event.style
        if empty and key is not None:
            here = key  # the reader places nothing at whatever follows it
        self.marks[path] = Mark(key or here, here, group)
        if isinstance(event, AliasEvent) or getattr(event, "anchor", None):
            self.complain(event, "an anchor or alias (& or *)", path)
        elif getattr(event, "tag", None):
            self.complain(event, "a tag (!)", path)
        if len(path) > MAX_DEPTH:
            self.complain(event, f"more than {MAX_DEPTH} levels", path)
            raise _Enough
        if isinstance(event, ScalarEvent):
            return self.scalar(event, path, here)
        if isinstance(event, SequenceStartEvent):
            items: list[Any] = []
            for inner in events:
                if isinstance(inner, SequenceEndEvent):
                    break
                items.append(self.node(inner, events, (*path, len(items)), None))
            return items
        if isinstance(event, MappingStartEvent):
            return self.mapping(events, path)
        return None

    def mapping(self, events: Iterator[Event], path: Path) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for event in events:
            if isinstance(event, MappingEndEvent):
                break
            here = (event.start_mark.line + 1, event.start_mark.column + 1)
            name = self.name(event, events, path, here)
            inner = (*path, name)
            if name in result:
                first = self.marks[inner].key[0]
                self.say(
                    Problem(
                        f'the field "{name}" a second time',
                        f"each field once (the first is in line {first})",
                        "remove one of the two",
                    ),
                    here,
                    inner,
                )
                kept = self.marks[inner]
                self.node(next(events), events, inner, here)
                self.marks[inner] = kept
                continue
            result[name] = self.node(next(events), events, inner, here)
        return result

    def name(self, event: Event, events: Iterator[Event], path: Path, here: tuple[int, int]) -> str:
        """The name of a field; complains about what is no word, and says "?" for it."""
        before = len(self.problems)
        word = self.node(event, events, (*path, "?"), here)
        self.marks.pop((*path, "?"), None)
        if isinstance(word, str):
            return word
        if len(self.problems) == before or word is None:
            del self.problems[before:]
            shown = event.value if isinstance(event, ScalarEvent) else ""
            self.say(
                Problem(
                    f'the field name "{shown}"' if shown else "a field without a name",
                    "a word",
                    f'write it with quotes: "{shown}"' if shown else 'write "name: value"',
                ),
                here,
                path,
            )
        return "?"

    def scalar(self, event: ScalarEvent, path: Path, here: tuple[int, int]) -> Any:
        text: str = event.value
        if event.style:  # quoted, or a block of text: it is what stands there
            unseen = _UNSEEN.search(text) or re.search("\r", text)
            if unseen:
                self.say(_unseen_problem(unseen[0], "", 0, 0), here, path)
            return text
        if text in _NOTHING:
            self.say(
                Problem(
                    "an empty value",
                    "a value",
                    "fill it in (what belongs to it stands further right), or remove the field",
                ),
                here,
                path,
            )
            return None
        if text in _YES_NO:
            return _YES_NO[text]
        if _WHOLE.fullmatch(text):
            return int(text)
        if _CHANGELING.fullmatch(text):
            self.say(
                Problem(
                    f"{text} without quotes",
                    "text in quotes, or a plain whole number",
                    quotes_needed(text),
                ),
                here,
                path,
            )
            return None
        return text

    def complain(self, event: Event, found: str, path: Path = ()) -> None:
        self.say(
            Problem(
                found,
                "plain fields, each written out",
                "write the value where it is used; a text that begins with * or & needs quotes"
                if "anchor" in found
                else "remove it",
            ),
            (event.start_mark.line + 1, event.start_mark.column + 1),
            path,
        )

    def say(self, problem: Problem, here: tuple[int, int], path: Path) -> None:
        if len(self.problems) >= MAX_PROBLEMS:
            raise _Enough
        line = min(here[0], self.last_line()) if here[0] > 1 else here[0]
        self.problems.append(
            problem.within(
                file=self.source,
                line=line,
                column=here[1],
                field=".".join(str(p) for p in path),
            )
        )
