"""The last screen of a walk: what matters stands last, and a rehearsal says what it is."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tests.terminal.test_runner import walk_to_end
from tests.terminal.walks import small_desk
from verify.flow.graph import Step
from verify.job.bodies import sitting_body
from verify.terminal import endings
from verify.terminal.desk import Desk
from verify.terminal.prove import proof_end_lines
from verify.words import EndingKind


def proof_desk() -> Desk:
    desk = small_desk()
    # Told instead of recorded: the idle is still to be proven.
    walk_to_end(desk, ["2", "1", "1"])
    return desk


def test_the_end_of_a_walk_says_the_lists_first_and_last_the_word_and_what_to_do() -> None:
    session = proof_desk().session()
    lines = endings.closing_lines(session)
    word = lines.index("THE KEYS CAN GO BACK, WITH PROOF TO FOLLOW")
    assert lines.index("Proof still to follow:") < word
    assert lines[word + 1 :][:3] == [
        "Keys back with proof to follow",
        "",
        "Give the list along.",
    ]
    # The account is read from the top.
    assert endings.ending_lines(session)[0] == "THE KEYS CAN GO BACK, WITH PROOF TO FOLLOW"
    assert {*lines} == {*endings.ending_lines(session)}
    open_lines = proof_end_lines(session, "2031-03-05")
    assert open_lines[0] == "Still open:"
    assert "PROOF STILL TO FOLLOW" in open_lines[2:]


def test_of_several_proofs_the_one_due_first_is_named_last(monkeypatch: pytest.MonkeyPatch) -> None:
    def step(name: str, by: str) -> Step:
        made = Step(name, "do", name.title(), "", (), ("done",), frozenset({"done"}))
        object.__setattr__(made, "later", ("Look.", by))
        return made

    steps = [step("far", "500 km"), step("later", "within a month"), step("soon", "within a week")]
    at: Any = SimpleNamespace(
        ending=SimpleNamespace(kind=EndingKind.PROOF_TO_FOLLOW),
        comebacks=(),
        proof_failed=(),
        open_steps=lambda: steps,
    )
    days = {"far": "", "later": "2031-04-04", "soon": "2031-03-11"}
    monkeypatch.setattr(endings, "due_days", lambda _: days)
    assert endings._first_proof(at) == ["", "First of them: Soon: Look. By: within a week."]
    at.open_steps = lambda: steps[:1]
    assert endings._first_proof(at) == [], "one alone stands in the list"


def test_a_rehearsed_job_that_is_closed_later_still_says_that_it_is_a_rehearsal() -> None:
    desk = proof_desk()
    assert "PROOF STILL TO FOLLOW" in proof_end_lines(desk.session(), "2031-03-05")
    desk.write("sitting", sitting_body(desk.live(), mode="as-work", scripted=True, language=""))
    lines = proof_end_lines(desk.session(), "2031-03-05")
    assert "REHEARSAL ONLY (proof still to follow)" in lines
    assert "PROOF STILL TO FOLLOW" not in lines
