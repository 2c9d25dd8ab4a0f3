"""Exported charts in two independent interpreters of SCXML 1.0, against sessions of our own.

Each rehearsal walk is played three times: as outcomes in a session on the proven machine, and as
events in both interpreters. All must stand in the same state after every step. Here a seeded share
of the library; `python benchmarks/rehearse.py --library` plays all of it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from functools import cache

import pytest

from tests.outside.scxml_engines import by_python_statemachine, by_scion, events_of
from tests.terminal.rehearsed import claimed, play_outcomes, proven_flow
from verify.flow.machine import compile_flow
from verify.flow.proof import ProvenFlow
from verify.flow.rehearse import Rehearsal, rehearse
from verify.flow.scxml import chart_to_scxml, state_ids
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names

Engine = Callable[[str, Sequence[Sequence[str]]], list[list[str]]]
ENGINES = (by_scion, by_python_statemachine)
# Its chart has seven thousand states: left to the benchmark.
LARGE = "throttle-body-replaced"
FLOWS = random.Random(2026).sample([name for name in flow_names() if name != LARGE], 3)
SESSIONS = 6

# Worked by hand, and seen to agree in two working interpreters before these were used here.
SMALL = """<scxml xmlns="http://www.w3.org/2005/07/scxml" version="1.0" datamodel="null"
    name="small" initial="scan">
  <state id="scan">
    <transition event="clear" target="idle"/><transition event="hard" target="escalate"/>
  </state>
  <state id="idle">
    <transition event="pass" target="road"/><transition event="fail" target="relearn"/>
  </state>
  <state id="relearn"><transition event="done" target="idle"/></state>
  <state id="road">
    <transition event="pass" target="release"/><transition event="fail" target="escalate"/>
  </state>
  <final id="release"/><final id="escalate"/>
</scxml>"""


@pytest.mark.parametrize("engine", ENGINES)
def test_an_interpreter_walks_the_small_chart_and_passes_over_what_a_state_does_not_know(
    engine: Engine,
) -> None:
    rows = [["clear", "fail", "done", "pass", "pass"], ["pass", "hard"]]
    assert engine(SMALL, rows) == [
        ["scan", "idle", "relearn", "idle", "road", "release"],
        ["scan", "scan", "escalate"],
    ]


@cache
def rehearsed(name: str) -> tuple[ProvenFlow, Rehearsal]:
    proven = proven_flow(name)
    return proven, rehearse(proven, catalogue())


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", FLOWS)
def test_an_interpreter_stands_where_our_session_stands(name: str, engine: Engine) -> None:
    proven, found = rehearsed(name)
    machine = compile_flow(proven)
    for board in found.boards:
        chart = board.chart
        walks = [walk for walk in found.walks if walk.board is board]
        ids = dict(zip((s.name for s in chart.states), state_ids(chart), strict=True))
        steps = {ids[s.name]: s.at for s in chart.states}
        rows = [events_of(walk) for walk in walks]
        stood = engine(chart_to_scxml(chart), rows)
        assert stood == [[ids[state] for state in walk.states] for walk in walks]
        chosen = random.Random(name).sample(range(len(walks)), min(SESSIONS, len(walks)))
        for walk, row in ((walks[i], stood[i]) for i in chosen):
            session = play_outcomes(walk, machine)
            assert session == claimed(walk)
            assert [steps[state] for state in row[:-1]] == [step for step, _ in session]
            assert steps[row[-1]] == walk.ending


@pytest.mark.parametrize("engine", ENGINES)
def test_an_interpreter_tells_a_chart_with_one_way_changed(engine: Engine) -> None:
    _, found = rehearsed("misfire-repair")
    chart, walk = found.walks[0].board.chart, found.walks[0]
    row = events_of(walk)
    text = chart_to_scxml(chart)
    first = f'target="{state_ids(chart)[1]}"'
    assert text.count(first) >= 1
    spoilt = text.replace(first, f'target="{state_ids(chart)[2]}"')
    assert engine(text, [row]) != engine(spoilt, [row])
