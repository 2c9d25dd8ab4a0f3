"""The reference of flow files, made from the model: the page docs/flow-reference.md and the schema.

Reads `model` (what a field may hold) and `field_words` (what it means); decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from verify.flow import model as m
from verify.flow.field_words import FIELDS
from verify.flow.graph import Catalogue

RENEW = "keysback flows reference > docs/flow-reference.md"

# (heading, what is said below it, models) in the order of the page.
SECTIONS: tuple[tuple[str, str, tuple[type[BaseModel], ...]], ...] = (
    ("A flow", "The fields at the left edge of a flow file.", (m.Flow,)),
    (
        "A part",
        "A file of its own, in `parts/` beside the flow or in the library. It never ends a "
        "close-out, it ends in results.",
        (m.PartFile,),
    ),
    ("A number of the vehicle", "Asked once, when a step first needs it.", (m.Spec,)),
    (
        "A step",
        "Which fields it has hangs on its `kind`. Beside its own outcomes every step but a gate "
        "has `cannot`, which needs a branch, and `stop`, which always leads to `on_stop`.",
        (m.Do, m.Ask, m.Reading, m.Codes, m.Fasten, m.Record, m.Photo, m.Card, m.Part, m.Gate),
    ),
    (
        "A branch",
        "`when: yes` and `when: [yes, no]` are short for `when: {outcome: [yes, no]}`.",
        (m.Branch, m.When, m.Earlier, m.Range, m.Interval),
    ),
    ("Limits, what is told, what follows", "", (m.LimitsText, m.Told, m.Later)),
    ("An ending", "", (m.Ending,)),
    ("A promise", "Each has exactly one of the two forms.", (m.Promise, m.Order, m.Never)),
)
NAMES: Mapping[str, str] = {
    "Flow": "the flow",
    "PartFile": "the part",
    "Spec": "a spec",
    **{kind.__name__: f"kind: {name}" for name, kind in m.STEP_KINDS.items()},
    "Branch": "a branch",
    "When": "when",
    "Earlier": "an item of earlier",
    "Range": "attempts",
    "Interval": "value",
    "LimitsText": "limits",
    "Told": "told",
    "Later": "later",
    "Ending": "an ending",
    "Promise": "a promise",
    "Order": "before",
    "Never": "never",
}


def models() -> tuple[type[BaseModel], ...]:
    return tuple(model for _, _, group in SECTIONS for model in group)


def json_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of flow and part files, with the words of every field."""
    flow = m.Flow.model_json_schema(by_alias=True)
    part = m.PartFile.model_json_schema(by_alias=True)
    definitions = {**part.pop("$defs", {}), **flow.pop("$defs", {})}
    for name, schema in (("Flow", flow), ("PartFile", part), *definitions.items()):
        for field, prop in schema.get("properties", {}).items():
            words, example = FIELDS[name][field]
            prop["description"] = words
            prop["examples"] = [_plain(example)]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A keysback flow, or a part of one",
        "oneOf": [flow, part],
        "$defs": definitions,
    }


def page(catalogue: Catalogue) -> str:
    """The reference page, in Markdown. catalogue: what flows may name."""
    lines = [
        "# What a flow file can say",
        "",
        "Made from the code; do not edit it here. To renew it:",
        f"`{RENEW}`",
        "",
        "A flow is YAML 1.2 and holds data only. Names are small letters, digits and `-` (of specs "
        '`_`). Numbers stand with their unit, such as `12.2 V`. "Needed" means that the file does '
        "not load without it. How to begin: [Write your first flow](write-your-first-flow.md).",
    ]
    schema = json_schema()
    for heading, below, group in SECTIONS:
        lines += ["", f"## {heading}", *(["", below] if below else [])]
        common = _common(group)
        if common:
            lines += ["", "### every kind but part and gate", "", *_table(schema, "Do", common)]
        for model in group:
            own = list(_schema(schema, model.__name__)["properties"])
            if common and model not in (m.Part, m.Gate):
                own = [name for name in own if name not in common]
            if len(group) > 1:
                lines += ["", f"### {NAMES[model.__name__]}"]
            lines += ["", *_table(schema, model.__name__, own)]
    lines += [
        "",
        "## What may be named",
        "",
        "Checks: `keysback checks` lists them, [and a page says more](checks.md). Under `does` may "
        "stand:",
        "",
        "| activity | hazards that must stand at the step |",
        "|---|---|",
        *(
            f"| `{name}` | {', '.join(f'`{h}`' for h in hazards) or 'none'} |"
            for name, hazards in catalogue.activities.items()
        ),
        "",
        "Under `hazards` may stand:",
        "",
        "| hazard | the caution that is shown |",
        "|---|---|",
        *(f"| `{name}` | {caution} |" for name, caution in catalogue.hazards.items()),
    ]
    return "\n".join(lines) + "\n"


def _common(group: tuple[type[BaseModel], ...]) -> list[str]:
    """The fields that every kind of step has; none where the group is not of steps."""
    return list(m.StepBase.model_fields) if m.Do in group else []


def _schema(schema: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    tops = {"Flow": 0, "PartFile": 1}
    found: Mapping[str, Any] = (
        schema["oneOf"][tops[name]] if name in tops else schema["$defs"][name]
    )
    return found


def _table(schema: Mapping[str, Any], name: str, fields: list[str]) -> list[str]:
    found = _schema(schema, name)
    rows = ["| field | what it means | holds | left out | example |", "|---|---|---|---|---|"]
    for field in fields:
        prop = found["properties"][field]
        needed = field in found.get("required", ())
        left_out = "needed" if needed else _default(prop)
        words, example = FIELDS[name][field]
        cells = (f"`{field}`", words, holds(prop, schema), left_out, f"`{example}`")
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return rows


def _default(prop: Mapping[str, Any]) -> str:
    value = prop.get("default")
    if value is None or value in ([], {}):
        return "nothing"
    return f"`[{', '.join(value)}]`" if isinstance(value, list) else f"`{value}`"


def holds(prop: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    """What a field may hold, in words; its allowed values where the list is closed."""
    forms = [f for f in prop.get("anyOf") or prop.get("oneOf") or [] if f.get("type") != "null"]
    if forms:
        return " or ".join(dict.fromkeys(holds(form, schema) for form in forms))
    if "$ref" in prop:
        name = prop["$ref"].rsplit("/", 1)[1]
        target = schema["$defs"][name]
        return holds(target, schema) if "enum" in target else f"*{NAMES[name]}*"
    if "const" in prop:
        return f"`{str(prop['const']).lower()}`"
    if "enum" in prop:
        return ", ".join(f"`{word}`" for word in prop["enum"])
    kind = prop.get("type")
    if kind == "array":
        return f"list of: {holds(prop['items'], schema)}" + _least(prop, "minItems")
    if kind == "object":
        inner = prop.get("additionalProperties") or next(iter(prop["patternProperties"].values()))
        words = "a step" if "discriminator" in inner else holds(inner, schema)
        return f"group of `name:` {words}" + _least(prop, "minProperties")
    if kind == "integer":
        return f"whole number, {prop['minimum']} or more"
    return _text(prop)


def _least(prop: Mapping[str, Any], key: str) -> str:
    return f" (at least {prop[key]})" if prop.get(key) else ""


def _text(prop: Mapping[str, Any]) -> str:
    pattern = str(prop.get("pattern", ""))
    if "/" in pattern:
        return "name of a step"
    if pattern:
        return "name of a spec" if "(_" in pattern else "name"
    most = prop["maxLength"]
    return "number with its unit" if most == 40 else f"text, at most {most} characters"


def _plain(example: str) -> Any:
    """An example as data, as an editor wants it."""
    from verify.flow.text import text_to_tree

    tree = text_to_tree(f"example: {example}\n", "example")
    assert not isinstance(tree, list), example
    return tree.data["example"]
