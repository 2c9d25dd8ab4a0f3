"""YAML text → a plain tree with the position of every value, or all that is wrong with the text.

First stage of the flow pipeline (text → tree → model → graph). Kept apart from `load`, because
what is refused here is refused of any file: anchors, doubled keys, surprises of YAML 1.1, size.
Opens nothing: it is handed text and the name to show in messages.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from verify.errors import Problem

MAX_BYTES = 1_000_000
MAX_DEPTH = 20


@dataclass(frozen=True, slots=True)
class Tree:
    """A plain tree (dict, list, str, int, bool) and where each of its values stands."""

    data: dict[str, Any]
    source: str
    _marked: CommentedMap

    @staticmethod
    def unmarked(data: dict[str, Any], source: str) -> Tree:
        """A tree that came from a stored edition, where no lines are known."""
        return Tree(data, source, CommentedMap())

    def place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """(line, column), from 1, of the value at `path`, or of the nearest level that exists.

        Path elements that are not in the tree (labels a validator put between) are skipped.
        """
        node: Any = self._marked
        if not node:
            return 0, 0
        line, column = 0, 0
        for key in path:
            try:
                if isinstance(node, CommentedMap) and key in node:
                    line, column = node.lc.value(key)
                    if isinstance(node[key], CommentedMap | CommentedSeq):
                        line, column = node.lc.key(key)
                    node = node[key]
                elif isinstance(node, CommentedSeq) and isinstance(key, int) and key < len(node):
                    line, column = node.lc.item(key)
                    node = node[key]
            except (KeyError, AttributeError, TypeError, IndexError):
                break
        return line + 1, column + 1

    def key_place(self, path: Sequence[str | int]) -> tuple[int, int]:
        """(line, column) of the key that ends `path` (for a field that should not be there)."""
        node: Any = self._marked
        for key in path[:-1]:
            if (isinstance(node, CommentedMap) and key in node) or (
                isinstance(node, CommentedSeq) and isinstance(key, int) and key < len(node)
            ):
                node = node[key]
        if isinstance(node, CommentedMap) and path[-1] in node:
            line, column = node.lc.key(path[-1])
            return line + 1, column + 1
        return self.place(path)

    def real_path(self, path: Sequence[str | int], *, last: bool = False) -> list[str | int]:
        """`path` without the elements that name nothing in the tree; the last one kept on wish
        (the name of a missing field)."""
        node: Any = self._marked or self.data
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
                expected="a flow, which is a few hundred lines of text",
                next="check that this is the right file",
                file=source,
            )
        ]
    problems = _forbidden_forms(text, source)
    if problems:
        return problems
    try:
        marked = _yaml().load(io.StringIO(text))
    except YAMLError as error:
        return [_yaml_problem(error, source)]
    except (
        ValueError,
        OverflowError,
        RecursionError,
        KeyError,
        AttributeError,
        TypeError,
    ) as error:
        # The reader itself gives up on a few malformed numbers and dates.
        return [
            Problem(
                found=f"text that cannot be read ({type(error).__name__})",
                expected="plain YAML 1.2",
                next="put quotes around dates, times and odd numbers",
                file=source,
            )
        ]
    if not isinstance(marked, CommentedMap):
        return [
            Problem(
                found="no fields" if marked is None else "text without fields",
                expected='lines such as "id: throttle-body-replaced"',
                next="start from a flow that exists: keysback flows",
                file=source,
                line=1,
                column=1,
            )
        ]
    data, problems = _plain(marked, source)
    if problems:
        return problems
    return Tree(data, source, marked)


def _yaml() -> YAML:
    yaml = YAML(typ="rt")
    yaml.version = (1, 2)
    yaml.allow_duplicate_keys = False
    return yaml


def _yaml_problem(error: YAMLError, source: str) -> Problem:
    line = column = 0
    what = str(error).splitlines()[0] if str(error) else "text that is no YAML"
    if isinstance(error, MarkedYAMLError):
        mark = error.problem_mark or error.context_mark
        if mark is not None:
            line, column = mark.line + 1, mark.column + 1
        what = error.problem or error.context or what
    doubled = "duplicate key" in what
    return Problem(
        found="a field that stands twice in the same place" if doubled else what.strip(),
        expected="each field once" if doubled else "YAML 1.2",
        next="remove one of the two"
        if doubled
        else "check the indentation, the colons and the quotes on this line",
        file=source,
        line=line,
        column=column,
    )


def _forbidden_forms(text: str, source: str) -> list[Problem]:
    """Anchors, aliases, tags, several documents, and nesting too deep to be a flow."""
    problems: list[Problem] = []
    depth = documents = 0
    try:
        for event in _yaml().parse(io.StringIO(text)):
            found = ""
            if isinstance(event, AliasEvent) or getattr(event, "anchor", None):
                found = "an anchor or alias (& or *)"
            elif isinstance(event, DocumentStartEvent):
                documents += 1
                found = "a second document (---)" if documents == 2 else ""
                if event.version is not None or event.tags:
                    found = "a directive (%)"
            elif isinstance(
                event, ScalarEvent | MappingStartEvent | SequenceStartEvent
            ) and _tagged(event):
                found = "a tag (!)"
            if isinstance(event, MappingStartEvent | SequenceStartEvent):
                depth += 1
                if depth == MAX_DEPTH + 1:
                    found = f"more than {MAX_DEPTH} levels"
                    depth = -10_000
            elif isinstance(event, MappingEndEvent | SequenceEndEvent):
                depth -= 1
            if found:
                problems.append(
                    Problem(
                        found=found,
                        expected="plain fields, each written out",
                        next="write the value where it is used"
                        if "anchor" in found
                        else "remove it",
                        file=source,
                        line=event.start_mark.line + 1,
                        column=event.start_mark.column + 1,
                    )
                )
    except YAMLError as error:
        problems.append(_yaml_problem(error, source))
    except (ValueError, RecursionError, KeyError, AttributeError, TypeError, IndexError) as error:
        problems.append(
            Problem(
                found=f"text that cannot be read ({type(error).__name__})",
                expected="YAML 1.2",
                next="check the file in an editor",
                file=source,
            )
        )
    return problems


def _tagged(event: Any) -> bool:
    tag = getattr(event, "ctag", None) or getattr(event, "tag", None)
    return tag is not None and str(tag) not in ("", "!", "None")


def _plain(node: Any, source: str) -> tuple[Any, list[Problem]]:
    """Copies the marked tree to plain types; what YAML would have turned into something else
    than what stands there (dates, 1_000, 0x10, 010, 1e3, null) is a problem."""
    problems: list[Problem] = []

    def walk(value: Any, line: int, column: int, path: str) -> Any:
        if isinstance(value, CommentedMap):
            result: dict[str, Any] = {}
            for key in value:
                key_line, key_column = value.lc.key(key)
                if not isinstance(key, str):
                    complain(f"the field name {key!r}", "a word", key_line, key_column, path)
                    continue
                row, start = value.lc.value(key)
                if isinstance(value[key], CommentedMap | CommentedSeq):
                    row, start = key_line, key_column
                inner = f"{path}.{key}" if path else str(key)
                result[str(key)] = walk(value[key], row, start, inner)
            return result
        if isinstance(value, CommentedSeq):
            items = []
            for index, item in enumerate(value):
                row, start = value.lc.item(index)
                items.append(walk(item, row, start, f"{path}.{index}"))
            return items
        if isinstance(value, bool):
            return value
        if isinstance(value, str):
            if any(ord(c) < 32 and c not in "\n\t" for c in value):
                complain("a control character", "text people can read", line, column, path)
            return str(value)
        if isinstance(value, int) and type(value) is int and abs(value) < 10**9:
            return value
        shown = "nothing" if value is None else f"{value}"
        complain(
            f"{shown} (read as a {type(value).__name__.lower()})"
            if value is not None
            else "an empty value",
            "text in quotes, or a plain whole number",
            line,
            column,
            path,
        )
        return None

    def complain(found: str, expected: str, line: int, column: int, path: str) -> None:
        problems.append(
            Problem(
                found=found,
                expected=expected,
                next='put the value in quotes, with its unit if it has one ("12.5 V")',
                file=source,
                line=line + 1,
                column=column + 1,
                field=path,
            )
        )

    data = walk(node, 0, 0, "")
    return data, problems
