"""What the model finds wrong with a tree → Problems at their line, in words an author knows.

Beside `load`: pydantic speaks of strings, models and unions; somebody who edits a flow knows
texts, fields, lists and steps. Nothing here decides what is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any

from pydantic import BaseModel, ValidationError

from verify.errors import Problem, nearest, unknown
from verify.flow.fields import Wrong
from verify.flow.model import CODE_CLASSES, STEP_KINDS
from verify.flow.text import Tree, quotes_needed

Path = list[str | int]

# What people write who know other files, and the field that says it here.
_ALIKE = {
    "if": "when",
    "condition": "when",
    "else": "when",
    "otherwise": "when",
    "outcome": "when",
    "then": "to",
    "next": "to",
    "target": "to",
    "name": "title",
    "question": "say",
    "ask": "say",
    "instruction": "say",
    "description": "say",
    "reason": "why",
    "because": "why",
    "options": "answers",
    "choices": "answers",
    "dangers": "hazards",
    "risks": "hazards",
    "activities": "does",
    "check": "checks",
    "torque": "spec",
    "text": "advice",
    "outcomes": "results",
    "branches": "results",
    "minimum": "lower",
    "min": "lower",
    "least": "lower",
    "maximum": "upper",
    "max": "upper",
    "most": "upper",
}
_SENSES = ("heard", "seen", "felt", "said")
_CODE = re.compile("[PBCU][0-9][0-9A-F]{3}")


def problems_of(error: ValidationError, tree: Tree, model: type[BaseModel]) -> list[Problem]:
    """All findings about one file, one for each place, in the order of the file."""
    found: dict[tuple[str, int, int], Problem] = {}
    items = [(item, *_path(item, tree)) for item in error.errors(include_url=False)]
    meant = set(_meant(items, tree, model))
    for item, path, at_key in items:
        if item["type"] == "missing" and tuple(path) in meant:
            continue  # it is there, misspelt, and said to be so
        at_key = at_key or item["type"] == "extra_forbidden"
        line, column = (tree.key_place if at_key else tree.place)(path)
        problem = _one(item, path, tree, model).within(
            file=tree.source, line=line, column=column, field=".".join(map(str, path))
        )
        found.setdefault((problem.field, line, column), problem)
    return sorted(found.values(), key=lambda p: (p.line, p.column))


def _path(item: Any, tree: Tree) -> tuple[Path, bool]:
    """Where in the tree a finding stands, without the labels the validator puts between; and
    whether it is about the name of the field and not about its value."""
    loc: Path = list(item["loc"])
    at_key = loc[-1:] == ["[key]"]
    if at_key:
        loc.pop()
    if len(loc) > 2 and loc[0] == "steps" and loc[2] in STEP_KINDS:
        del loc[2]
    for index in range(len(loc) - 1):
        if loc[index] == "when" and loc[index + 1] in ("word", "words", "form"):
            del loc[index + 1]
            break
    wrong = item.get("ctx", {}).get("error")
    if isinstance(wrong, Wrong):
        loc += wrong.at
        # Two names deep, it is about the name and not about what stands behind it.
        at_key = at_key or (len(wrong.at) == 2 and isinstance(wrong.at[1], str))
    if item["type"] == "union_tag_invalid" and loc[:1] == ["steps"]:
        loc.append("kind")
    return tree.real_path(loc, last=item["type"] == "missing"), at_key


def _meant(
    items: Iterable[tuple[Any, Path, bool]], tree: Tree, model: type[BaseModel]
) -> Iterable[tuple[str | int, ...]]:
    """The fields that misspelt ones were meant to be."""
    for item, path, _ in items:
        if item["type"] == "extra_forbidden":
            guess = _guess(path, tree, fields_at(path[:-1], tree, model))
            if guess:
                yield (*path[:-1], guess)


def _guess(path: Path, tree: Tree, known: Iterable[str]) -> str:
    """The field that a misspelt one was meant to be: a known one that is not there yet."""
    node: Any = tree.data
    for key in path[:-1]:
        node = _inside(node, key)
    free = [name for name in known if name not in (node or ())]
    meant = _ALIKE.get(str(path[-1]).casefold(), "")
    return meant if meant in free else nearest(str(path[-1]), free)


def _one(item: Any, path: Path, tree: Tree, model: type[BaseModel]) -> Problem:
    kind, context, value = item["type"], item.get("ctx", {}), item.get("input")
    if kind == "extra_forbidden":
        known = fields_at(path[:-1], tree, model)
        guess = _guess(path, tree, known)
        if path[-1] in ("else", "otherwise", "default") and "when" in known:
            return Problem(
                f'the unknown field "{path[-1]}"',
                "when: the outcomes that lead here",
                "name every outcome that is left: there is no else",
            )
        return Problem(
            found=f'the unknown field "{path[-1]}"',
            expected=("one of " + ", ".join(known)) if known else "no field here",
            next=f'write "{guess}"' if guess else "remove it",
        )
    if kind == "missing":
        name = item["loc"][-1]
        return Problem(f'no field "{name}"', "", f'add "{name}:"')
    if kind in ("union_tag_invalid", "union_tag_not_found", "model_attributes_type"):
        return _kind(value)  # at the word itself, where there is one
    if kind == "value_error":
        wrong = context.get("error")
        if isinstance(wrong, Wrong):
            return Problem(wrong.found, wrong.expected, wrong.advice)
    if kind in ("enum", "literal_error"):
        return _choice(path, value, str(context.get("expected", "")))
    if kind == "string_pattern_mismatch" and "when" in path and _CODE.fullmatch(str(value)):
        return Problem(
            f'the code "{value}"',
            "a class of codes: " + ", ".join(CODE_CLASSES),
            f"branch on the class; `keysback code {value}` says which it is",
        )
    if kind == "string_pattern_mismatch":
        return _name(str(value), str(context.get("pattern", "")))
    return _form_problem(kind, context, value, path, fields_at(path, tree, model))


def _kind(value: Any) -> Problem:
    if not isinstance(value, dict):
        return Problem(
            shown(value), "the fields of a step", 'write "kind:", "title:" and so on below its name'
        )
    word = value.get("kind")
    if not isinstance(word, str):
        kinds = ", ".join(STEP_KINDS)
        return Problem("a step without `kind`", f"kind: one of {kinds}", 'add "kind: ask" or so')
    problem = unknown(word, STEP_KINDS, "kind of step")
    advice = problem.next if problem.next.startswith("write") else "choose one of these"
    return Problem(f'the kind "{word}"', "one of " + ", ".join(STEP_KINDS), advice)


def _choice(path: Path, value: Any, listed: str) -> Problem:
    words = [w.strip(" '") for w in listed.replace(" or ", ",").split(",")]
    if path and str(path[-1]).startswith("keysback_"):
        return Problem(
            f"the form {value}", "1, the one form there is so far", f'write "{path[-1]}: 1"'
        )
    if words == ["True"]:
        return Problem(shown(value), "true", 'write "true" without quotes, or remove the field')
    guess = ""
    if isinstance(value, str):
        begun = [word for word in words if word.startswith(value.casefold())]
        guess = begun[0] if len(begun) == 1 else nearest(value, words)
        if "told" in words and value in _SENSES:
            guess = "told"
    return Problem(
        found=shown(value),
        expected="one of " + ", ".join(words),
        next=f'write "{guess}"' if guess else "choose one of these",
    )


def _name(text: str, pattern: str) -> Problem:
    """A name spelt with signs names may not have."""
    glue = "_" if "(_" in pattern else "-"
    plain = "".join(c if c.isascii() and c.isalnum() else " " for c in text.lower())
    guess = glue.join(plain.split())[:60].rstrip(glue)
    what = "a name of a spec" if glue == "_" else "a name"
    return Problem(
        found=f'"{text}"' if text else "an empty name",
        expected=f'{what}: small letters a to z, digits and "{glue}"',
        next=f'write "{guess}"' if guess else f'write it like "idle{glue}speed"',
    )


def _form_problem(
    kind: str, context: Mapping[str, Any], value: Any, path: Path, fields: Sequence[str]
) -> Problem:
    """A value of the wrong form or size. fields: those that could stand in its place."""
    if kind == "string_type" and path[-1:] == ["optional"] and isinstance(value, bool):
        return Problem(
            shown(value),
            "the reason why the step need not pass, which is printed",
            "write the reason in its place; without `optional` the step is required",
        )
    if kind == "string_type":
        if isinstance(value, dict | list):
            return Problem(shown(value), "a text", "write one text here")
        plain = str(value).lower() if isinstance(value, bool) else str(value)
        return Problem(
            f"{plain} without quotes",
            "a text",
            quotes_needed(plain),
        )
    if kind == "string_too_short":
        return Problem("an empty text", "a text", "fill it in, or remove the field")
    if kind == "string_too_long":
        return Problem(
            f"a text of {len(str(value))} characters",
            f"at most {context.get('max_length')}",
            "say it in fewer words",
        )
    if kind == "list_type":
        advice = "write it as a list, with [ ]"
        if isinstance(value, str):
            advice = f'write "[{value}]"'
        elif isinstance(value, dict):
            advice = 'begin each item with "- "'
            if path[-1:] == ["branches"]:
                advice += ', such as "- {when: yes, to: …}"'
        return Problem(shown(value), "a list", advice)
    if kind in ("dict_type", "model_type"):
        listed = f": {', '.join(fields)}" if fields else ""
        advice = "give each its own line below, as name: value"
        if path[-2:-1] == ["branches"] and isinstance(value, str):
            advice = f'write "- {{when: {value}, to: …}}"'
        elif path[-2:-1] == ["promises"]:
            advice = 'write "- never: {step: …, unless: …}" or "- before: {first: …, then: …}"'
        return Problem(shown(value), "a group of fields" + listed, advice)
    if kind == "too_short":
        least = context.get("min_length", 1)
        held = f"only {len(value)}" if value else "nothing"
        under = f' under "{path[-1]}"' if path else ""
        return Problem(held + under, f"at least {least}", "add what belongs here")
    if kind == "int_type":
        return Problem(shown(value), "a whole number", "write it without quotes")
    if kind == "greater_than_equal":
        return Problem(shown(value), f"{context.get('ge')} or more", "write a greater number")
    return Problem(shown(value), "another form", "compare it with a flow that works")


def shown(value: object) -> str:
    """A value as the author wrote it, or its form where it is large."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, dict):
        return "a group of fields" if value else "an empty group"
    return "nothing"


def fields_at(path: Sequence[str | int], tree: Tree, model: type[BaseModel]) -> list[str]:
    """The field names the model knows at `path`, following lists, groups and unions by trial."""
    schema = _schema(model)
    definitions: Mapping[str, Any] = schema.get("$defs", {})
    current = _options(schema, definitions)
    node: Any = tree.data
    for key in path:
        node = _inside(node, key)
        current = [o for s in current for o in _options_inside(s, key, definitions)]
        kind = node.get("kind") if isinstance(node, dict) else None
        if isinstance(kind, str) and kind in STEP_KINDS:
            current = [s for s in current if _kind_of(s) == kind] or current
    return sorted({name for s in current for name in s.get("properties", {})})


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


def _inside(node: Any, key: str | int) -> Any:
    if isinstance(node, dict):
        return node.get(key)
    if isinstance(node, list) and isinstance(key, int) and key < len(node):
        return node[key]
    return None


def _kind_of(schema: Mapping[str, Any]) -> Any:
    return schema.get("properties", {}).get("kind", {}).get("const")


def _options(schema: Any, definitions: Mapping[str, Any]) -> list[Any]:
    """The plain forms behind a schema's references and unions."""
    if "$ref" in schema:
        return _options(definitions[schema["$ref"].rsplit("/", 1)[1]], definitions)
    forms = schema.get("anyOf") or schema.get("oneOf")
    if not forms:
        return [schema]
    return [option for form in forms for option in _options(form, definitions)]


def _options_inside(schema: Any, key: str | int, definitions: Mapping[str, Any]) -> list[Any]:
    """The forms of what stands under `key`."""
    if isinstance(key, int):
        return _options(schema["items"], definitions) if "items" in schema else []
    if key in schema.get("properties", {}):
        return _options(schema["properties"][key], definitions)
    if isinstance(schema.get("additionalProperties"), dict):
        return _options(schema["additionalProperties"], definitions)
    patterns = schema.get("patternProperties", {}).values()
    return [option for pattern in patterns for option in _options(pattern, definitions)]
