"""A flow as a Mermaid flowchart, for pages that draw such text by themselves.

Every step, branch and ending once, parts as frames, the steps in the order of the file. Texts stand
in quotes with Mermaid's entity codes (`#quot;`), so nothing in them is taken for a sign.
"""

from __future__ import annotations

from collections.abc import Iterator

from verify.flow.card_words import when_words
from verify.flow.draw_svg import ENDING_WORDS
from verify.flow.expanded import Chart
from verify.flow.graph import Graph, Step
from verify.words import EndingKind

# Opening and closing of a node's shape, by what it is.
_ASKS, _GATE = ("[", "]"), ("{", "}")
_SHAPES = {
    EndingKind.HAND_BACK: ("([", "])"),
    EndingKind.PROOF_TO_FOLLOW: ("([", "])"),
    EndingKind.RELEARN: ("{{", "}}"),
    EndingKind.BACK_TO_DIAGNOSIS: ("[/", "/]"),
    EndingKind.DO_NOT_DRIVE: ("[[", "]]"),
}


def flow_to_mermaid(graph: Graph) -> str:
    """The flow as its author wrote it: one node a step, one arrow a branch."""
    return "\n".join(_flowchart(graph)) + "\n"


def chart_to_mermaid(chart: Chart) -> str:
    """The expanded chart: one node a state (`step@attempt`), one arrow a way, no condition left."""
    return "\n".join(_chart(chart)) + "\n"


def _flowchart(graph: Graph) -> Iterator[str]:
    ids = {name: f"n{i}" for i, name in enumerate((*graph.steps, *graph.endings))}
    yield "flowchart TB"
    yield f"  %% {_plain(graph.title)}"
    part = ""
    for name, step in graph.steps.items():
        own = name.rsplit("/", 1)[0] if "/" in name else ""
        if own != part:
            if part:
                yield "  end"
            if own:
                yield f'  subgraph p{ids[name]}["{_words(own)}"]'
            part = own
        yield f"  {ids[name]}{_node(step)}"
    if part:
        yield "  end"
    for name, ending in graph.endings.items():
        left, right = _SHAPES[ending.kind]
        words = f"{_words(ending.title)}<br/>{ENDING_WORDS[ending.kind]}"
        yield f'  {ids[name]}{left}"{words}"{right}'
    for name, step in graph.steps.items():
        for branch in step.branches:
            words = _words(when_words(graph, step, branch))
            yield f'  {ids[name]} -->|"{words}"| {ids[branch.to]}'
        if step.kind != "gate":
            yield f'  {ids[name]} -.->|"stop"| {ids[graph.on_stop]}'


def _node(step: Step) -> str:
    left, right = _GATE if step.kind == "gate" else _ASKS
    mark = "" if step.required or step.kind == "gate" else "<br/>not required"
    return f'{left}"{_words(step.title)}{mark}"{right}'


def _chart(chart: Chart) -> Iterator[str]:
    graph = chart.graph
    yield "flowchart TB"
    yield f"  %% {_plain(graph.title)}, as {chart.audience.value} walks it"
    for number, state in enumerate(chart.states):
        if state.at in graph.endings:
            left, right = _SHAPES[graph.endings[state.at].kind]
        else:
            left, right = _GATE if graph.steps[state.at].kind == "gate" else _ASKS
        yield f'  s{number}{left}"{_words(state.name)}"{right}'
    for number, ways in enumerate(chart.ways):
        for way in ways:
            words = "<br/>".join(_words(word) for word in way.words)
            yield f'  s{number} -->|"{words}"| s{way.target}'


def _words(text: str) -> str:
    """Text inside quotes: what Mermaid or HTML would read as a sign becomes its entity code."""
    return (
        "".join(c if c.isalnum() or c in " .,:'-_@+/" else f"#{ord(c)};" for c in _plain(text))
        or " "
    )


def _plain(text: str) -> str:
    return " ".join(text.split())
