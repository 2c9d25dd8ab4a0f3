"""Flow text with its parts → Graph, its edition, or every problem at once.

Second stage of the flow pipeline. Takes texts and names, never paths: which folder a flow or part
comes from is the front end's business, and parts are looked up in what the caller hands in.

The edition. RFC 8785 sorts the fields of every group, so comments, quotes, line breaks and the
order of fields in a step do not change an edition. Where the order of a group is seen by people
(steps, endings, specs; the answers of a question; the items of a card) it is stored and hashed
beside the trees: otherwise a job taken up again from its journal would ask in another order than
the flow it was opened with. Side files with the texts in another language are part of it too, so a
job keeps the words it was shown; a language that is not complete is not in the edition, and no job
can be opened in it. A flow without side files has the edition it had before there were any.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import rfc8785
from pydantic import ValidationError

from verify.errors import Problem, UserError
from verify.flow.build import build, part_alone
from verify.flow.complaints import problems_of
from verify.flow.graph import Catalogue, Graph
from verify.flow.inline import M, Piece
from verify.flow.model import Flow, PartFile
from verify.flow.text import Tree, text_to_tree
from verify.flow.texts import Side, in_words, read_side, stored_side, texts_of
from verify.words import ENGLISH, LANGUAGES

PartLookup = Callable[[str], tuple[str, str] | None]
"""part id → (text, source name), None where there is no such part."""
SideLookup = Callable[[str], Mapping[str, tuple[str, str]]]
"""part id, or "" for the flow itself → language → (text, source name) of its side files."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A flow as read: its graph, and the bytes that pin its edition.

    edition: SHA-256 of `content`; content: RFC 8785 form of
    the parsed trees (flow, parts, side files) and of the orders that people see.
    graph: in English, or in the language that was asked for.
    languages: those beside English in which every text is there.
    untranslated: language of a side file → why the flow cannot be walked in it.
    """

    graph: Graph
    edition: str
    content: bytes
    languages: tuple[str, ...] = ()
    untranslated: Mapping[str, tuple[Problem, ...]] = field(default_factory=dict)


def text_to_flow(
    text: str,
    source: str,
    parts: PartLookup,
    catalogue: Catalogue,
    *,
    known_parts: Iterable[str] = (),
    sides: SideLookup | None = None,
    language: str = "",
) -> Loaded:
    """Reads a flow. Raises UserError with all problems of the flow and of the parts it uses, and
    with those of its side files where `language` is one that is not complete.

    known_parts: ids that could have been meant where `parts` finds none.
    sides: where the side files are; language: what the graph speaks, "" for English.
    """
    tree = _tree(text, source)
    part_trees, problems = _part_trees(tree, parts)
    spoken = _read_sides(tree, part_trees, sides) if sides is not None else {}
    return _trees_to_flow(tree, part_trees, problems, catalogue, known_parts, spoken, language)


def text_to_part(
    text: str,
    source: str,
    parts: PartLookup,
    catalogue: Catalogue,
    *,
    known_parts: Iterable[str] = (),
) -> Graph:
    """Reads a part as a graph of its own, each result an ending, so that it can be proven alone.

    Arguments as `text_to_flow`. Raises UserError with all problems.
    """
    tree = _tree(text, source)
    trees, problems = _part_trees(tree, parts)
    piece = _piece(tree, PartFile, problems)
    inner = _part_pieces(trees, problems)
    if problems or piece is None:
        raise UserError(*problems)
    graph, problems = part_alone(piece, inner, catalogue, known_parts)
    if problems or graph is None:
        raise UserError(*problems)
    return graph


def edition_to_flow(content: bytes, catalogue: Catalogue, *, language: str = "") -> Loaded:
    """The flow of a stored edition. Raises UserError where today's language refuses it, and where
    the edition does not speak the language asked for ("" for English)."""
    try:
        stored = json.loads(content)
        flow, parts, order = stored["flow"], stored["parts"], stored["order"]
        trees = {
            name: Tree.unmarked(_ordered(tree, order["parts"][name]), f"edition, part {name}")
            for name, tree in parts.items()
        }
        tree = Tree.unmarked(_ordered(flow, order["flow"]), "edition")
        spoken = {
            name: {
                id_: stored_side(data, trees[id_] if id_ else tree, name)
                for id_, data in files.items()
            }
            for name, files in stored.get("words", {}).items()
        }
    except (ValueError, KeyError, TypeError, AttributeError):
        raise UserError(
            Problem(
                found="an edition that cannot be read",
                expected="the content as it was stored when the job was opened",
                next="restore the store from a copy",
                file="edition",
            )
        ) from None
    return _trees_to_flow(tree, trees, [], catalogue, (), spoken, language)


def _read_sides(
    tree: Tree, part_trees: Mapping[str, Tree], sides: SideLookup
) -> dict[str, dict[str, Side]]:
    """language → "" for the flow, else part id → its side file. The languages are the flow's own:
    a part that others have translated makes no language of it."""
    found: dict[str, dict[str, Side]] = {}
    for language, own in sides("").items():
        texts = {"": own, **{n: sides(n).get(language) for n in part_trees}}
        found[language] = {
            name: _side(texts[name], language, name, tree if not name else part_trees[name], own[1])
            for name in texts
        }
    return found


def _side(text: tuple[str, str] | None, language: str, part: str, tree: Tree, beside: str) -> Side:
    spoken = LANGUAGES.get(language)
    if spoken is None or text is None:
        problem = Problem(
            found=f'the language "{language}"' if spoken is None else f'no {spoken} of "{part}"',
            expected=f"one of {', '.join(LANGUAGES)}"
            if spoken is None
            else f"a file {part}.{language}.yaml beside the part",
            next="rename the file"
            if spoken is None
            else f"run keysback flows translate {part} --to {language}",
            file=beside,
        )
        return Side(language, {}, {}, (problem,))
    read = text_to_tree(*text)
    if isinstance(read, list):
        return Side(language, {}, {}, tuple(read))
    return read_side(read, tree, language)


def read_translation(
    text: str, source: str, side: tuple[str, str] | None, language: str
) -> tuple[Tree, Side | None]:
    """A flow or part and one side file of it, for whoever translates; None where there is none.

    Raises UserError where the flow is no YAML, or the side file is none.
    """
    tree = _tree(text, source)
    return tree, None if side is None else read_side(_tree(*side), tree, language)


def _chosen(
    language: str, spoken: Mapping[str, Mapping[str, Side]], open_: Mapping[str, Any], source: str
) -> Mapping[str, Side]:
    """The side files of the language asked for. Raises UserError where it is not complete."""
    if not language or language == ENGLISH:
        return {}
    if language in open_:
        raise UserError(*open_[language])
    if language not in spoken:
        raise UserError(
            Problem(
                found=f"no {LANGUAGES.get(language, language)} of this flow",
                expected="one of: " + ", ".join((ENGLISH, *sorted(spoken))),
                next="choose --language en, or translate it: keysback flows translate",
                file=source,
                field="--language",
            )
        )
    return spoken[language]


def _trees_to_flow(
    tree: Tree,
    part_trees: Mapping[str, Tree],
    problems: list[Problem],
    catalogue: Catalogue,
    known_parts: Iterable[str],
    spoken: Mapping[str, Mapping[str, Side]],
    language: str,
) -> Loaded:
    """The flow of these trees; `problems` are those of parts that have no tree."""
    problems = list(problems)
    said = {n: [p for side in s.values() for p in side.problems] for n, s in spoken.items()}
    open_ = {name: tuple(found) for name, found in said.items() if found}
    whole = {name: sides for name, sides in spoken.items() if name not in open_}
    chosen = _chosen(language, whole, open_, tree.source)
    shown, shown_parts = tree, part_trees
    if chosen:
        shown = in_words(tree, chosen[""].texts)
        shown_parts = {n: in_words(t, chosen[n].texts) for n, t in part_trees.items()}
    flow = _piece(shown, Flow, problems)
    parts = _part_pieces(shown_parts, problems)
    if problems or flow is None:
        raise UserError(*problems)
    graph, problems = build(flow, parts, catalogue, known_parts)
    if problems or graph is None:
        raise UserError(*problems)
    if chosen:
        graph = replace(graph, english=_english(chosen, {"": tree, **part_trees}))
    pinned: dict[str, Any] = {
        "flow": tree.data,
        "parts": {n: t.data for n, t in part_trees.items()},
        "order": {
            "flow": _order(tree.data),
            "parts": {n: _order(t.data) for n, t in part_trees.items()},
        },
    }
    if whole:
        pinned["words"] = {name: {n: s.data for n, s in files.items()}
                           for name, files in whole.items()}  # fmt: skip
    content = rfc8785.dumps(pinned)
    edition = hashlib.sha256(content).hexdigest()
    return Loaded(graph, edition, content, tuple(sorted(whole)), open_)


def _english(sides: Mapping[str, Side], trees: Mapping[str, Tree]) -> dict[str, str]:
    """Translation → English, of all texts."""
    return {
        sides[name].texts[path]: text
        for name, tree in trees.items()
        for path, text in texts_of(tree.data).items()
    }


# The groups whose order people see: at the top of a file, and in a step.
_SEEN_AT_TOP = ("specs", "steps", "endings", "second_look")
_SEEN_IN_STEPS = ("answers", "items")


def _order(data: Mapping[str, Any]) -> dict[str, Any]:
    """The names of the groups whose order is seen, in their order."""
    top: dict[str, Any] = {key: list(data[key]) for key in _SEEN_AT_TOP if key in data}
    inner = {
        name: {key: list(step[key]) for key in _SEEN_IN_STEPS if isinstance(step.get(key), dict)}
        for name, step in data["steps"].items()
    }
    return {**top, "in": {name: orders for name, orders in inner.items() if orders}}


def _ordered(data: Mapping[str, Any], order: Mapping[str, Any]) -> dict[str, Any]:
    """A stored tree with its groups in the order they had in the file.

    Raises KeyError where names are missing, so that a stored tree and its order cannot disagree.
    """

    def arrange(group: Mapping[str, Any], names: list[str]) -> dict[str, Any]:
        if len(names) != len(group):
            raise KeyError
        return {name: group[name] for name in names}

    result = {k: arrange(data[k], order[k]) if k in order else v for k, v in data.items()}
    result["steps"] = {
        name: {
            k: arrange(v, order["in"][name][k]) if k in order["in"].get(name, {}) else v
            for k, v in step.items()
        }
        for name, step in result["steps"].items()
    }
    return result


def _tree(text: str, source: str) -> Tree:
    tree = text_to_tree(text, source)
    if isinstance(tree, list):
        raise UserError(*tree)
    return tree


def _part_trees(tree: Tree, parts: PartLookup) -> tuple[dict[str, Tree], list[Problem]]:
    """The trees of all parts a flow uses, directly or through other parts, and what is wrong with
    the text of those that have none.

    Parts that do not exist are left out here; `build` says so where they are named.
    """
    found: dict[str, Tree] = {}
    problems: list[Problem] = []
    seen: set[str] = set()
    waiting = _parts_named(tree.data)
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        try:
            text = parts(name)
        except UserError as error:
            problems += error.problems
            continue
        if text is None:
            continue
        part = text_to_tree(*text)
        if isinstance(part, list):
            problems += part
            continue
        found[name] = part
        waiting += _parts_named(part.data)
    return found, problems


_PART_NAME = re.compile(r"[a-z0-9-]{1,60}")


def _parts_named(data: Mapping[str, Any]) -> list[str]:
    """The parts a tree names. It is not validated yet: what is no name (../x) is not looked up."""
    steps = data.get("steps")
    if not isinstance(steps, dict):
        return []
    return [
        step["part"]
        for step in steps.values()
        if isinstance(step, dict)
        and isinstance(step.get("part"), str)
        and _PART_NAME.fullmatch(step["part"])
    ]


def _part_pieces(trees: Mapping[str, Tree], problems: list[Problem]) -> dict[str, Piece[PartFile]]:
    pieces = {}
    for name, tree in sorted(trees.items()):
        piece = _piece(tree, PartFile, problems)
        if piece is None:
            continue
        if piece.model.id != name:
            line, column = tree.place(("id",))
            problems.append(
                Problem(
                    found=f'"{piece.model.id}"',
                    expected=f'"{name}", the name under which the part is used',
                    next=f'write "id: {name}"',
                    file=tree.source,
                    line=line,
                    column=column,
                    field="id",
                )
            )
        pieces[name] = piece
    return pieces


def _piece(tree: Tree, model: type[M], problems: list[Problem]) -> Piece[M] | None:
    """The tree as a model; None, and `problems` longer, where it is none."""
    mine, other = ("flow", "part") if model is Flow else ("part", "flow")
    if f"keysback_{mine}" not in tree.data and f"keysback_{other}" in tree.data:
        line, column = tree.key_place((f"keysback_{other}",))
        problems.append(
            Problem(
                found=f"a {other}",
                expected=f"a {mine}",
                next="a part is used inside a flow, by a step of kind part"
                if mine == "flow"
                else "use a file that begins with keysback_part",
                file=tree.source,
                line=line,
                column=column,
                field=f"keysback_{other}",
            )
        )
        return None
    try:
        return Piece(model.model_validate(tree.data), tree)
    except ValidationError as error:
        problems += problems_of(error, tree, model)
        return None
