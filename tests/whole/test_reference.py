"""docs/flow-reference.md is what the model says, and so is the schema that editors read.

The schema is asked with jsonschema, an implementation of the JSON Schema standard not written here.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import jsonschema
import pytest
from pydantic import BaseModel, ValidationError, create_model

from tests.conftest import ROOT
from verify import tables
from verify.__main__ import main
from verify.flow.field_words import FIELDS
from verify.flow.fields import Strict
from verify.flow.model import Flow
from verify.flow.reference import RENEW, json_schema, models, page
from verify.flow.skeleton import DANGERS, RECORDINGS, Plan, skeleton
from verify.flow.text import Tree, text_to_tree
from verify.job.catalogue import catalogue

PAGE = ROOT / "docs" / "flow-reference.md"
# Side files of words (`NAME.de.yaml`) have a shape of their own, which `flows translate` writes.
LIBRARY = [
    f"{folder}/{n}"
    for folder in ("flows", "flows/parts")
    for n in tables.listing(folder, ".yaml")
    if n.count(".") == 1
]


def tree(text: str) -> dict[str, Any]:
    found = text_to_tree(text, "test")
    assert isinstance(found, Tree), found
    return found.data


# --- the page ---


@cache
def told() -> str:
    return page(catalogue())


def test_the_page_is_the_code_s() -> None:
    if PAGE.read_text(encoding="utf-8") != told():
        pytest.fail(f"{PAGE.name} is not what the code says; renew it: {RENEW}", pytrace=False)


def test_the_command_that_renews_it_exists(capsys: pytest.CaptureFixture[str]) -> None:
    words = RENEW.split(" > ")[0].split()
    assert words[0] == "keysback"
    assert main(words[1:]) == 0
    assert capsys.readouterr().out == told()


def fields_of(model: type[BaseModel]) -> list[str]:
    return [info.alias or name for name, info in model.model_fields.items()]


def test_every_model_of_a_flow_file_is_on_the_page() -> None:
    """Those that the models hold, followed by hand; a new one must be given its place."""
    reached = {"Flow", "PartFile", *json_schema()["$defs"]}
    closed = {"Audience", "EndingKind", "Grade", "Group"}  # lists of words, shown where they stand
    assert {model.__name__ for model in models()} == reached - closed


@pytest.mark.parametrize("model", models(), ids=lambda m: m.__name__)
def test_every_field_has_its_words_and_an_example_that_is_one(model: type[BaseModel]) -> None:
    words = FIELDS[model.__name__]
    assert set(words) == set(fields_of(model))
    for name, info in model.model_fields.items():
        meaning, example = words[info.alias or name]
        assert meaning
        assert "|" not in meaning + example
        value = tree(f"example: {example}")["example"]
        # One field by itself, with all that the model asks of it.
        alone: Any = create_model("Alone", __base__=Strict, **{name: (info.annotation, info)})
        alone.model_validate({info.alias or name: value})
        assert f"| `{info.alias or name}` | {meaning} |" in told()


def test_everything_that_may_be_named_is_on_the_page() -> None:
    names = [*catalogue().activities, *catalogue().hazards]
    assert len(names) > 20
    for name in names:
        assert told().count(f"\n| `{name}` | ") == 1, name


# --- the schema ---


@pytest.fixture(scope="module")
def schema() -> jsonschema.protocols.Validator:
    found = json_schema()
    jsonschema.Draft202012Validator.check_schema(found)
    return jsonschema.Draft202012Validator(found)


@pytest.mark.parametrize("name", LIBRARY)
def test_the_schema_takes_all_of_the_library(
    schema: jsonschema.protocols.Validator, name: str
) -> None:
    schema.validate(tree(tables.read_bytes(name).decode("utf-8")))


def test_the_schema_takes_what_flows_new_writes(schema: jsonschema.protocols.Validator) -> None:
    plan = Plan("A hinge", dangers=frozenset(DANGERS), recordings=frozenset(RECORDINGS))
    schema.validate(tree(skeleton(plan)))


GOOD = """\
keysback_flow: 1
id: short
title: A short flow
repair: Something was repaired.
audience: [technician]
start: idle
on_stop: tow
steps:
  idle:
    kind: ask
    title: Idle
    say: Does it idle as it should?
    group: safe-to-drive
    answers: {yes: It does, no: It does not}
    passes: [yes]
    branches:
      - {when: yes, to: tow}
      - {when: [no, cannot], to: tow}
endings:
  tow: {kind: do-not-drive, title: Tow it, advice: Do not drive.}
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("title: A short", "titel: A short"),
        ("kind: ask", "kind: aks"),
        ("kind: do-not-drive", "kind: do-not-move"),
        ("[technician]", "[mechanic]"),
        ("[technician]", "technician"),
        ("safe-to-drive", "safe"),
        ("start: idle", "start: Idle"),
        ("keysback_flow: 1", "keysback_flow: 2"),
        ("{when: yes, to: tow}", "{when: yes, goto: tow}"),
        ("{when: yes, to: tow}", "{to: tow}"),
        ("{yes: It does, no: It does not}", "[yes, no]"),
        (", advice: Do not drive.", ""),
        ("    passes: [yes]", "    checks: [idle-speed]"),
        ("{when: yes, to: tow}", "{when: {attempts: {from: 0}}, to: tow}"),
    ],
)
def test_the_schema_refuses_what_it_can_see(
    schema: jsonschema.protocols.Validator, old: str, new: str
) -> None:
    assert GOOD.count(old) == 1
    schema.validate(tree(GOOD))
    assert not schema.is_valid(tree(GOOD.replace(old, new)))


def test_every_field_in_the_schema_has_words_for_the_editor(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["flows", "schema"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json_schema()
    for part in (*printed["oneOf"], *printed["$defs"].values()):
        for field, prop in part.get("properties", {}).items():
            assert prop["description"], field
            assert prop["examples"], field


@pytest.mark.parametrize("example", ["Warm Idle", "[idle]", "12"])
def test_a_wrong_example_would_be_noticed(example: str) -> None:
    info = Flow.model_fields["start"]
    alone: Any = create_model("Alone", __base__=Strict, start=(info.annotation, info))
    alone.model_validate(tree("start: warm-idle"))
    with pytest.raises(ValidationError):
        alone.model_validate(tree(f"start: {example}"))


def test_the_page_about_editors_names_what_there_is() -> None:
    text = (ROOT / "docs" / "editors.md").read_text(encoding="utf-8")
    assert "$ keysback flows schema > keysback-flow.schema.json" in text
    assert "# yaml-language-server: $schema=keysback-flow.schema.json" in text
    # The line that the language server follows is a comment, so it changes nothing of a flow.
    line = "# yaml-language-server: $schema=keysback-flow.schema.json\n"
    assert tree(line + GOOD) == tree(GOOD)
