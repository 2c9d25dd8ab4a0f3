"""The chart: every walk of a flow is one of its walks, and the event alone says where it leads."""

from __future__ import annotations

import random
import re

import pytest

from tests.flow.random_flows import random_flow
from tests.flow.small import CATALOGUE, flow, go, look, step
from tests.whole.rehearse_walks import Here, Rehearsal
from verify.flow.expanded import Chart, expand
from verify.flow.graph import STOP, Graph, Outcome
from verify.flow.proof import ProvenFlow, prove
from verify.words import Audience

# What SCXML's schema calls EventType.datatype, with the letters that names of a flow can have.
EVENT = re.compile(r"[a-z0-9_:-]+(\.[a-z0-9_:-]+)*")


def proven(graph: Graph) -> ProvenFlow:
    found = prove(graph, CATALOGUE)
    assert isinstance(found, ProvenFlow), found
    return found


def relearn_flow() -> ProvenFlow:
    """Two tries of a relearn, and a question about what was said before it."""
    return proven(
        flow(
            step("ask", "smell", go(["yes", "no", "cannot"], "run"), optional=True),
            step("do", "run", go("done", "verify"), go("cannot", "tow"), optional=True),
            step(
                "ask", "verify",
                go("yes", "last"),
                go(["no", "cannot"], "run", earlier={"run": look(attempts=(1, 2))}),
                go(["no", "cannot"], "tow", earlier={"run": look(attempts=(2, None))}),
                optional=True,
            ),
            step(
                "ask", "last",
                go("yes", "diagnosis", earlier={"smell": look("yes")}),
                go("yes", "tow", earlier={"smell": look(["no", "cannot", "not-visited"])}),
                go(["no", "cannot"], "tow"),
                optional=True,
            ),
        )
    )  # fmt: skip


def told(chart: Chart) -> str:
    """The whole chart as text, a way with all its events; `stop` is left out."""
    lines = []
    for state, ways in zip(chart.states, chart.ways, strict=True):
        onward: dict[str, list[str]] = {}
        for way in ways:
            onward.setdefault(chart.states[way.target].name, []).extend(way.events)
        shown = (f"{' '.join(e for e in es if e != STOP)} → {to}" for to, es in onward.items())
        lines.append(f"{state.name}: {', '.join(shown)}" if ways else state.name)
    return "\n".join(lines)


def test_the_whole_chart_of_a_small_flow() -> None:
    assert told(expand(relearn_flow(), Audience.TECHNICIAN, CATALOGUE)) == (
        """\
smell: yes → run@1+smell:yes, no cannot → run@1+smell:not-yes,  → tow
run@1+smell:yes: done → verify+run:1+smell:yes, cannot → tow
run@1+smell:not-yes: done → verify+run:1+smell:not-yes, cannot → tow
tow
verify+run:1+smell:yes: yes → last+smell:yes, no cannot → run@2+smell:yes,  → tow
verify+run:1+smell:not-yes: yes → last+smell:not-yes, no cannot → run@2+smell:not-yes,  → tow
last+smell:yes: yes → diagnosis, no cannot → tow
run@2+smell:yes: done → verify+run:2+smell:yes, cannot → tow
last+smell:not-yes: yes no cannot → tow
run@2+smell:not-yes: done → verify+run:2+smell:not-yes, cannot → tow
diagnosis
verify+run:2+smell:yes: yes → last+smell:yes, no cannot → tow
verify+run:2+smell:not-yes: yes → last+smell:not-yes, no cannot → tow"""
    )


def test_the_chart_is_the_same_every_time() -> None:
    one, two = (expand(relearn_flow(), Audience.TECHNICIAN, CATALOGUE) for _ in range(2))
    assert told(one) == told(two)
    assert one == two


def test_nobody_gets_a_chart_of_a_flow_that_is_not_for_them() -> None:
    with pytest.raises(ValueError, match="not for owner"):
        expand(relearn_flow(), Audience.OWNER, CATALOGUE)


def follow(chart: Chart, walk: Here) -> None:
    """Goes along a walk in the chart, state by state."""
    state = 0
    attempts: dict[str, int] = {}
    for taken in walk.walk():
        here = chart.states[state]
        attempts[taken.step] = attempts.get(taken.step, 0) + 1
        assert here.at == taken.step
        assert here.attempt in (0, attempts[taken.step]) or here.attempt < attempts[taken.step]
        way = next(w for w in chart.ways[state] if chart.event(here.at, taken.outcome) in w.events)
        assert way.branch == taken.branch
        assert way.target == chart.follow(state, taken.outcome)
        state = way.target
    assert chart.states[state].at == walk.node


@pytest.mark.parametrize("gates", [False, True])
def test_every_walk_of_a_flow_is_a_walk_of_its_chart(gates: bool) -> None:
    flows = walks = 0
    for seed in range(800):
        found = prove(random_flow(seed, gates=gates), CATALOGUE)
        if not isinstance(found, ProvenFlow):
            continue
        flows += 1
        for audience in found.graph.audiences:
            chart = expand(found, audience, CATALOGUE)
            players, rng = Rehearsal(found.graph, CATALOGUE), random.Random(seed)
            for _ in range(20):
                here = players.start(audience)
                while here.node in found.graph.steps:
                    here = rng.choice(list(players.following(here)))
                follow(chart, here)
                walks += 1
    assert flows > 15
    assert walks > 400


def test_an_event_leads_one_way_and_is_one_that_other_tools_can_read() -> None:
    charts = 0
    for seed in range(1000):
        found = prove(random_flow(seed, gates=seed % 2 == 0), CATALOGUE)
        if isinstance(found, ProvenFlow):
            for audience in found.graph.audiences:
                check_chart(expand(found, audience, CATALOGUE))
                charts += 1
    assert charts > 40


def check_chart(chart: Chart) -> None:
    names = [state.name for state in chart.states]
    assert len(set(names)) == len(names)
    reached = {0} | {way.target for ways in chart.ways for way in ways}
    assert reached == set(range(len(names)))
    for state, ways in zip(chart.states, chart.ways, strict=True):
        events = [event for way in ways for event in way.events]
        assert len(set(events)) == len(events)
        assert all(EVENT.fullmatch(event) for event in events)
        # An event of SCXML is also one of every kind it begins with, part by part.
        assert not any(b.startswith(f"{a}.") for a in events for b in events)
        if state.at in chart.graph.endings:
            assert not ways
            continue
        gate = chart.graph.steps[state.at].kind == "gate"
        assert all(event.startswith("gate:") == gate for event in events)
        stops = [chart.states[way.target].at for way in ways if way.events == (STOP,)]
        assert stops == ([] if gate else [chart.graph.on_stop])


def test_an_outcome_a_step_cannot_have_is_no_event() -> None:
    chart = expand(relearn_flow(), Audience.TECHNICIAN, CATALOGUE)
    assert chart.event("smell", Outcome("yes")) == "yes"
    assert chart.event("smell", Outcome(STOP)) == "stop"
    with pytest.raises(KeyError):
        chart.event("smell", Outcome("perhaps"))
