"""Numbers of a model: entered once with their source, offered again, never taken silently."""

from __future__ import annotations

import json

import pytest

from tests.terminal.walks import SMALL, START, play
from verify.flow.machine import compile_flow
from verify.job.bodies import opened_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.terminal.account import account_json, account_lines
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.library import load_flow
from verify.terminal.runner import Paused
from verify.terminal.spec_memory import remembered
from verify.words import Audience

MODEL = "2019 Model Q 1.2"
BOLT = ("x", "none", "9 N·m", "", "1", "")


def open_job(journal: MemoryJournal, job: str, model: str = MODEL, **flags: bool) -> Desk:
    loaded = load_flow(str(SMALL), catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "small"))
    journal.put_edition(loaded.edition, loaded.content)
    desk = Desk(journal, job, machine, PlayingClock(START), "p-first")
    body = opened_body(
        machine, edition=loaded.edition, audience=Audience.TECHNICIAN, mode="as-work",
        units="metric", model=model, **flags,
    )  # fmt: skip
    desk.open(body, Secrets())
    return desk


def typed(desk: Desk, *lines: str) -> str:
    with pytest.raises(Paused):
        play(desk, *lines, "!pause")
    return " ".join(play.shown.getvalue().split())  # type: ignore[attr-defined]


@pytest.fixture
def journal() -> MemoryJournal:
    journal = MemoryJournal()
    typed(open_job(journal, "first"), *BOLT, "1", "9 N·m", "sheet 4, 2019-03, page 12")
    return journal


def test_a_number_is_offered_to_the_next_car_of_the_model_with_its_source(
    journal: MemoryJournal,
) -> None:
    desk = open_job(journal, "second", "2019  model q 1.2")
    shown = typed(desk, *BOLT, "1")
    assert "The same car model (2019 model q 1.2), entered 2031-03-04 by p-first" in shown
    assert "service information, sheet 4, 2019-03, page 12" in shown
    assert "Use it?" in shown
    spec = desk.session().specs["bolt_torque"]
    assert (spec.text, spec.unit, spec.source) == ("9", "N·m", "service information")
    assert spec.detail == "sheet 4, 2019-03, page 12"
    assert spec.reused == {"time": spec.reused["time"], "person": "p-first", "job": "first"}
    account = "\n".join(account_lines(desk, desk.session()))
    assert "entered 2031-03-04 by p-first for another car of this model" in account
    # A third car still hears of the first, where the document was read.
    known = remembered(journal, open_job(journal, "third").session(), "bolt_torque")
    assert known is not None
    assert known.job == "first"


def test_it_may_be_entered_anew_and_then_the_newer_one_is_offered(journal: MemoryJournal) -> None:
    desk = open_job(journal, "second")
    typed(desk, *BOLT, "2", "1", "10 N·m", "sheet 5")
    assert desk.session().specs["bolt_torque"].text == "10"
    assert not desk.session().specs["bolt_torque"].reused
    assert "10 N·m. The same car model" in typed(open_job(journal, "third"), *BOLT, "1")


def test_nothing_is_taken_while_nobody_has_answered(journal: MemoryJournal) -> None:
    desk = open_job(journal, "second")
    typed(desk, *BOLT)
    assert "bolt_torque" not in desk.session().specs


@pytest.mark.parametrize("model", ["", "2020 Model Q 1.2"])
def test_another_model_is_offered_nothing(journal: MemoryJournal, model: str) -> None:
    assert "The same car model" not in typed(open_job(journal, "second", model), *BOLT)


def test_rehearsals_and_demos_neither_remember_nor_are_offered(journal: MemoryJournal) -> None:
    desk = open_job(journal, "second", demo=True)
    assert "The same car model" not in typed(desk, *BOLT, "1", "11 N·m", "invented")
    assert remembered(journal, desk.session(), "bolt_torque") is None
    real = remembered(journal, open_job(journal, "third").session(), "bolt_torque")
    assert real is not None
    assert real.text == "9"


def test_what_was_only_common_practice_is_not_remembered() -> None:
    journal = MemoryJournal()
    desk = open_job(journal, "first")
    typed(desk, *BOLT, "1", "9 N·m", "", "12.6 V", "3")
    assert desk.session().specs["rest_voltage"].source == "common practice"
    second = open_job(journal, "second").session()
    assert remembered(journal, second, "rest_voltage") is None
    assert remembered(journal, second, "bolt_torque") is not None


def test_a_spoilt_memory_is_no_memory(journal: MemoryJournal) -> None:
    session = open_job(journal, "second").session()
    key = next(k for k in journal._settings if k.startswith("specs of"))
    whole = json.loads(journal._settings[key])
    for text in ("{", "[]", '{"bolt_torque": 3}', '{"bolt_torque": {"text": "9"}}'):
        journal.put_setting(key, text)
        assert remembered(journal, session, "bolt_torque") is None
    whole["bolt_torque"]["unit"] = "rpm"
    journal.put_setting(key, json.dumps(whole))
    assert remembered(journal, session, "bolt_torque") is None, "another unit than the flow's"


def test_numbers_without_a_document_are_named_in_the_account() -> None:
    desk = open_job(MemoryJournal(), "first")
    typed(desk, *BOLT, "1", "9 N·m", "", "12.6 V", "3")
    account = "\n".join(account_lines(desk, desk.session()))
    assert (
        "Numbers without a document: Bolt torque (no document named); Rest voltage (common "
        "practice)." in account
    )
    assert account_json(desk, desk.session())["without_document"] == [
        "Bolt torque (no document named)", "Rest voltage (common practice)"
    ]  # fmt: skip
    documented = open_job(MemoryJournal(), "second")
    typed(documented, *BOLT, "1", "9 N·m", "sheet 4")
    assert "Numbers without" not in "\n".join(account_lines(documented, documented.session()))
