"""A chart as SCXML 1.0 (W3C Recommendation of 1 September 2015), for the tools of others.

    Chart ─→ text

No guard and no data: each transition has an event and a target, so that any interpreter walks it
alike. An id has to be a name of XML; `relearn/run@2+…` becomes `relearn_run.2`, and where several
states share that, `relearn_run.2..1`, `relearn_run.2..2` …; the chart's own name and the step's
title stand beside it in a namespace of our own, which an interpreter passes over.

Events are the answers of a step (`done`, `fail`, `exceptions.seal_clips`), `cannot` and `stop`; a
gate is left by `gate:hand-back`, `gate:proof-to-follow` or `gate:neither`, and whoever plays the
chart says what the walk has proven. An event that a state does not know is passed over by SCXML
without a word.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import quoteattr

from verify.flow.expanded import Chart, ChartState, Way

NAMESPACE = "http://www.w3.org/2005/07/scxml"
OURS = "urn:keysback:chart"


def state_ids(chart: Chart) -> tuple[str, ...]:
    """The SCXML id of each state, in the order of the chart; each is a name of XML, and unique."""
    stems = [_stem(state) for state in chart.states]
    count: dict[str, int] = {}
    for stem in stems:
        count[stem] = count.get(stem, 0) + 1
    seen: dict[str, int] = {}
    found = []
    for stem in stems:
        seen[stem] = seen.get(stem, 0) + 1
        found.append(f"{stem}..{seen[stem]}" if count[stem] > 1 else stem)
    return tuple(found)


def _identifier(flow_id: str) -> str:
    """The flow's id as a name that programming languages take too: some interpreters make one."""
    name = flow_id.replace("-", "_")
    return name if name[0].isalpha() else f"_{name}"


def _stem(state: ChartState) -> str:
    # A name of a flow has small letters, digits, "-" and "/"; no name of XML begins with a digit.
    name = state.at.replace("/", "_")
    name = name if name[0].isalpha() else f"_{name}"
    return f"{name}.{state.attempt}" if state.attempt else name


def chart_to_scxml(chart: Chart) -> str:
    """The document, with an XML declaration and a last line break; to be written as UTF-8."""
    graph, ids = chart.graph, state_ids(chart)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<scxml xmlns="{NAMESPACE}" xmlns:kb="{OURS}" version="1.0"',
        f'    datamodel="null" name="{_identifier(graph.flow_id)}" initial="{ids[0]}"',
        f'    kb:flow="{graph.flow_id}" kb:audience="{chart.audience}"',
        f"    kb:title={quoteattr(graph.title)}>",
    ]
    finals = []
    for number, (state, identity) in enumerate(zip(chart.states, ids, strict=True)):
        ways = chart.ways[number]
        if not ways:
            ending = graph.endings[state.at]
            words = f'kb:kind="{ending.kind}" kb:title={quoteattr(ending.title)}'
            finals.append(f'  <final id="{identity}" {words}/>')
            continue
        step = graph.steps[state.at]
        lines.append(f'  <state id="{identity}" kb:name={quoteattr(state.name)}')
        lines.append(f'      kb:kind="{step.kind}" kb:title={quoteattr(step.title)}>')
        lines += _transitions(ways, ids)
        lines.append("  </state>")
    return "\n".join([*lines, *finals, "</scxml>"]) + "\n"


def _transitions(ways: Sequence[Way], ids: Sequence[str]) -> list[str]:
    """One for each target, with all the events that lead there."""
    events: dict[str, list[str]] = {}
    for way in ways:
        events.setdefault(ids[way.target], []).extend(way.events)
    return [
        f'    <transition event="{" ".join(names)}" target="{target}"/>'
        for target, names in events.items()
    ]
