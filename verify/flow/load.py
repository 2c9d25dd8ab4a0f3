"""Flow text with its parts → Graph, its edition, or every problem at once.

Second stage of the flow pipeline. Takes texts and names, never paths: which folder a flow or part
comes from is the front end's business, and parts are looked up in what the caller hands in.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import rfc8785
from pydantic import BaseModel, ValidationError

from verify.errors import Problem, UserError, nearest
from verify.flow.build import build, part_alone
from verify.flow.graph import Catalogue, Graph
from verify.flow.inline import M, Piece
from verify.flow.model import STEP_KINDS, Flow, PartFile
from verify.flow.text import Tree, text_to_tree

PartLookup = Callable[[str], tuple[str, str] | None]
"""part id → (text, source name), None where there is no such part."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A flow as read: its graph, and the bytes that pin its edition.

    edition: SHA-256 of `content`; content: RFC 8785 form of the parsed trees (flow and parts).
    """

    graph: Graph
    edition: str
    content: bytes


def text_to_flow(text: str, source: str, parts: PartLookup, catalogue: Catalogue) -> Loaded:
    """Reads a flow. Raises UserError with all problems of the flow and of the parts it uses."""
    tree = _tree(text, source)
    return _trees_to_flow(tree, _part_trees(tree, parts), catalogue)


def text_to_part(text: str, source: str, parts: PartLookup, catalogue: Catalogue) -> Graph:
    """Reads a part as a graph of its own, each result an ending, so that it can be proven alone.

    Raises UserError with all problems.
    """
    tree = _tree(text, source)
    piece = _piece(tree, PartFile)
    inner = {name: _piece(t, PartFile) for name, t in _part_trees(tree, parts).items()}
    graph, problems = part_alone(piece, inner, catalogue)
    if problems or graph is None:
        raise UserError(*problems)
    return graph


def edition_to_flow(content: bytes, catalogue: Catalogue) -> Loaded:
    """The flow of a stored edition. Raises UserError where today's language refuses it."""
    stored = json.loads(content)
    trees = {
        name: Tree.unmarked(tree, f"edition, part {name}")
        for name, tree in stored.get("parts", {}).items()
    }
    return _trees_to_flow(Tree.unmarked(stored["flow"], "edition"), trees, catalogue)


def _trees_to_flow(tree: Tree, part_trees: Mapping[str, Tree], catalogue: Catalogue) -> Loaded:
    problems: list[Problem] = []
    flow: Piece[Flow] | None = None
    try:
        flow = _piece(tree, Flow)
    except UserError as error:
        problems += error.problems
    parts: dict[str, Piece[PartFile]] = {}
    for name, part_tree in part_trees.items():
        try:
            parts[name] = _piece(part_tree, PartFile)
        except UserError as error:
            problems += error.problems
    if problems or flow is None:
        raise UserError(*problems)
    graph, problems = build(flow, parts, catalogue)
    if problems or graph is None:
        raise UserError(*problems)
    content = rfc8785.dumps(
        {"flow": tree.data, "parts": {n: t.data for n, t in sorted(part_trees.items())}}
    )
    return Loaded(graph, hashlib.sha256(content).hexdigest(), content)


def _tree(text: str, source: str) -> Tree:
    tree = text_to_tree(text, source)
    if isinstance(tree, list):
        raise UserError(*tree)
    return tree


def _part_trees(tree: Tree, parts: PartLookup) -> dict[str, Tree]:
    """The trees of all parts a flow uses, directly or through other parts.

    Parts that do not exist are left out here; `build` says so where they are named.
    """
    found: dict[str, Tree] = {}
    problems: list[Problem] = []
    waiting = _parts_named(tree.data)
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        text = parts(name)
        if text is None:
            continue
        part = text_to_tree(*text)
        if isinstance(part, list):
            problems += part
            continue
        found[name] = part
        waiting += _parts_named(part.data)
    if problems:
        raise UserError(*problems)
    return found


def _parts_named(data: Mapping[str, Any]) -> list[str]:
    steps = data.get("steps")
    if not isinstance(steps, dict):
        return []
    return [
        step["part"]
        for step in steps.values()
        if isinstance(step, dict) and isinstance(step.get("part"), str)
    ]


def _piece(tree: Tree, model: type[M]) -> Piece[M]:
    try:
        return Piece(model.model_validate(tree.data), tree)
    except ValidationError as error:
        raise UserError(*_problems(error, tree, model)) from None


def _problems(error: ValidationError, tree: Tree, model: type[BaseModel]) -> list[Problem]:
    """pydantic's findings as Problems at their line, one for each place."""
    problems: dict[tuple[int, int, str], Problem] = {}
    for item in error.errors(include_url=False):
        path = tree.real_path(item["loc"], last=item["type"] == "missing")
        line, column = tree.place(path)
        if item["type"] == "extra_forbidden":
            line, column = tree.key_place(path)
        problem = _one(item, path, tree, model).within(
            file=tree.source, line=line, column=column, field=".".join(map(str, path))
        )
        # A union complains once for each of its forms; the first is the one of the likely form.
        problems.setdefault((line, column, problem.field), problem)
    return sorted(problems.values(), key=lambda p: (p.line, p.column))


def _one(item: Any, path: Sequence[str | int], tree: Tree, model: type[BaseModel]) -> Problem:
    kind, context = item["type"], item.get("ctx", {})
    value = item.get("input")
    shown = f'"{value}"' if isinstance(value, str | int) else "a " + _form(value)
    if kind == "extra_forbidden":
        known = _fields_at(path[:-1], tree, model)
        guess = nearest(str(path[-1]), known)
        return Problem(
            found=f'the unknown field "{path[-1]}"',
            expected=("one of " + ", ".join(sorted(known))) if known else "no such field",
            next=f'write "{guess}"' if guess else "remove it",
        )
    if kind == "missing":
        return Problem(
            found="nothing", expected=f'the field "{item["loc"][-1]}"', next="add this field"
        )
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        node: Any = tree.data
        for key in path:
            node = node[key]
        word = str(node.get("kind", "")) if isinstance(node, dict) else ""
        guess = nearest(word, STEP_KINDS)
        return Problem(
            found=f'the kind "{word}"' if word else "a step without kind",
            expected="one of " + ", ".join(STEP_KINDS),
            next=f'write "kind: {guess}"' if guess else 'say what it is: "kind: ask"',
        )
    if kind == "value_error":
        return Problem(
            found=str(context.get("error", item["msg"])), next="correct this step or field"
        )
    if kind in ("enum", "literal_error"):
        expected = str(context.get("expected", ""))
        guess = nearest(
            str(value), [w.strip(" '") for w in expected.replace(" or ", ",").split(",")]
        )
        return Problem(
            found=shown,
            expected=expected,
            next=f'write "{guess}"' if guess else "choose one of these",
        )
    if kind == "string_pattern_mismatch":
        text = str(value).strip().lower()
        return Problem(
            found=shown,
            expected='a name of small letters, digits and "-"',
            next=f'write "{"-".join("".join(c if c.isalnum() else " " for c in text).split())}"',
        )
    return Problem(
        found=shown, expected=item["msg"][:1].lower() + item["msg"][1:], next="correct it"
    )


def _form(value: object) -> str:
    return {dict: "group of fields", list: "list", bool: "yes-or-no value"}.get(
        type(value), "value"
    )


def _kind_of(schema: Any) -> Any:
    return schema.get("properties", {}).get("kind", {}).get("const")


def _schema_options(schema: Any, definitions: Mapping[str, Any]) -> list[Any]:
    """The plain forms behind a schema's references and unions."""
    if "$ref" in schema:
        return _schema_options(definitions[schema["$ref"].rsplit("/", 1)[1]], definitions)
    forms = schema.get("anyOf") or schema.get("oneOf")
    if not forms:
        return [schema]
    return [option for form in forms for option in _schema_options(form, definitions)]


def _fields_at(path: Sequence[str | int], tree: Tree, model: type[BaseModel]) -> list[str]:
    """The field names the model knows at `path`, following lists, dicts and unions by trial."""
    node: Any = tree.data
    schema: Any = model.model_json_schema(by_alias=True)

    def options(s: Any) -> list[Any]:
        return _schema_options(s, schema.get("$defs", {}))

    current = options(schema)
    for key in path:
        if isinstance(node, dict):
            node = node.get(key)
        elif isinstance(node, list) and isinstance(key, int) and key < len(node):
            node = node[key]
        else:
            node = None
        inner: list[Any] = []
        for s in current:
            if isinstance(key, int) and "items" in s:
                inner += options(s["items"])
            elif key in s.get("properties", {}):
                inner += options(s["properties"][key])
            elif isinstance(s.get("additionalProperties"), dict):
                inner += options(s["additionalProperties"])
            elif s.get("patternProperties"):
                inner += [o for p in s["patternProperties"].values() for o in options(p)]
        current = inner
        if (
            isinstance(node, dict)
            and isinstance(node.get("kind"), str)
            and node["kind"] in STEP_KINDS
        ):
            named = [
                s
                for s in current
                if s.get("properties", {}).get("kind", {}).get("const") == node["kind"]
            ]
            current = named or current
    return sorted({f for s in current for f in s.get("properties", {})})
