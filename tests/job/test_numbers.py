"""A freeze frame typed at a codes step is what a later recording is held against."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from tests.flow.small import flow, go, step
from verify.evidence.checks.catalogue import SPEC_UNITS
from verify.flow.machine import replay_machine
from verify.job.answers import answer_from_tree
from verify.job.codes_answer import CodesRead
from verify.job.codes_judge import judge_codes
from verify.job.entry import GENESIS, Draft, seal
from verify.job.numbers import frame_specs, spec_values
from verify.job.session import ReadOnlySession, fold
from verify.job.visits import StoredSpec
from verify.words import Audience

FRAME = "code P0507, speed 62 km/h, rpm 1900, load 35 %, coolant 88 °C"


def after_codes(*readings: dict[str, object]) -> ReadOnlySession:
    """A job whose live walk holds these readings, one codes step each."""
    names = [f"codes-{n}" for n in range(len(readings))]
    labels = ["none", "partly-read", "learn", "other", "cannot"]
    steps = [
        replace(
            step("codes", name, go(labels, onward), optional=True),
            detail={"modules": ("engine",)},
        )
        for name, onward in zip(names, [*names[1:], "diagnosis"], strict=True)
    ]
    graph = flow(*steps, endings=("diagnosis", "tow"))
    body = {
        "flow": graph.flow_id,
        "edition": "0" * 64,
        "audience": Audience.TECHNICIAN.value,
        "mode": "as-work",
        "units": "metric",
    }
    entries = [seal("job", 1, Draft("opened", body, "", "", "", {}), GENESIS)]
    for own, tree in zip(steps, readings, strict=True):
        answer = answer_from_tree(own, {"modules": ["engine"], "pending": [], **tree})
        assert isinstance(answer, CodesRead)
        outcome, values, _ = judge_codes(own, answer)
        body = {"step": own.name, "attempt": 1, "outcome": outcome.to_json(), "values": values}
        last = entries[-1]
        draft = Draft("outcome", body, "", "", "", {})
        entries.append(seal("job", last.seq + 1, draft, last.digest))
    return fold("job", tuple(entries), replay_machine(graph))


def test_the_last_frame_of_the_live_walk_becomes_numbers() -> None:
    session = after_codes(
        {"stored": ["P0507"], "freeze_frame": "code P0507, rpm 800, load 20 %"},
        {"stored": ["P0507"], "freeze_frame": FRAME},
        {"stored": []},
    )
    found = {name: float(s.quantity.value) for name, s in frame_specs(session).items()}
    assert found == {
        "frame_engine_speed": 1900.0,
        "frame_load": 35.0,
        "frame_coolant": 88.0,
        "frame_vehicle_speed": 62.0,
        "frame_other_code": 0.0,
    }
    assert all(s.source == "freeze frame of P0507" for s in frame_specs(session).values())
    for name, spec in frame_specs(session).items():
        assert spec.quantity.unit == SPEC_UNITS[name]


def test_a_frame_of_another_code_is_said_to_be_one() -> None:
    session = after_codes({"stored": ["P0171"], "freeze_frame": FRAME})
    assert frame_specs(session)["frame_other_code"].quantity.value == 1


def test_a_value_that_was_not_read_is_no_number() -> None:
    session = after_codes({"stored": ["P0507"], "freeze_frame": "code P0507, rpm 1900"})
    assert set(frame_specs(session)) == {"frame_engine_speed", "frame_other_code"}


@pytest.mark.parametrize("tree", [{"stored": []}, {"stored": ["P0507"]}])
def test_without_a_frame_there_are_none(tree: dict[str, object]) -> None:
    assert spec_values(after_codes(tree)) == {}


def test_what_was_typed_for_the_vehicle_comes_first() -> None:
    session = after_codes({"stored": ["P0507"], "freeze_frame": FRAME})
    typed = StoredSpec("frame_load", "40", "%", "standard", "", 9, "", "")
    both = replace(session, specs=MappingProxyType({"frame_load": typed}))
    assert spec_values(both)["frame_load"].quantity.value == 40
