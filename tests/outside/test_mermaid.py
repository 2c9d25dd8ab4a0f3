"""Mermaid text of ours, read by Mermaid itself (npm, MIT) in a browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

from tests.conftest import missing
from tests.flow.small import flow, go, step
from tests.outside.npm import npm_folder
from verify.flow.expanded import expand
from verify.flow.mermaid import chart_to_mermaid, flow_to_mermaid
from verify.flow.proof import ProvenFlow, prove
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names, load_flow

PACKAGE = "mermaid@11.17.2"
DRAW = "text => mermaid.render('p', text).then(made => made.svg)"
TITLES = [
    'He said "no"',
    "a]b)c}d",
    "<script>alert(1)</script>",
    "end",
    "%% no comment",
    "x --> y |z|",
    "#quot; &amp; `code`",
    "Tür öffnen, 12 % · N·m → ∞",
    "‮backwards",
    "click A call()",
]


@pytest.fixture(scope="module")
def mermaid() -> Iterator[Any]:
    """A page in which Mermaid is loaded."""
    browser_at = shutil.which("chromium")
    if browser_at is None:
        missing("chromium (for Mermaid)")
    script = npm_folder(PACKAGE, "Mermaid") / "node_modules/mermaid/dist/mermaid.min.js"
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=browser_at, args=["--no-sandbox"])
        page = browser.new_page()
        page.set_content("<!doctype html><body></body>")
        page.add_script_tag(path=str(script))
        page.evaluate(
            "() => mermaid.initialize({startOnLoad: false, maxEdges: 5000, maxTextSize: 5e6})"
        )
        yield page
        browser.close()


def kind(page: Any, text: str) -> str:
    """What Mermaid says it is; its own message where it cannot read it."""
    return str(page.evaluate("text => mermaid.parse(text).then(r => r.diagramType)", text))


@pytest.mark.parametrize("name", flow_names())
def test_every_flow_of_the_library_is_read(mermaid: Any, name: str) -> None:
    text = flow_to_mermaid(load_flow(name, catalogue()).graph)
    assert kind(mermaid, text).startswith("flowchart")


def test_it_draws_every_step_branch_and_ending(mermaid: Any) -> None:
    graph = load_flow("crankshaft-sensor", catalogue()).graph
    svg = mermaid.evaluate(DRAW, flow_to_mermaid(graph))
    counts = mermaid.evaluate(
        "svg => { const d = new DOMParser().parseFromString(svg, 'text/html');"
        " return ['g.node', 'path.flowchart-link', 'g.cluster']"
        ".map(what => d.querySelectorAll(what).length) }",
        svg,
    )
    branches = sum(len(s.branches) for s in graph.steps.values())
    asked = sum(1 for s in graph.steps.values() if s.kind != "gate")
    assert counts[0] == len(graph.steps) + len(graph.endings)
    assert counts[1] == branches + asked  # and STOP from every step that is asked
    assert counts[2] >= 8


@pytest.mark.parametrize("title", TITLES)
def test_no_title_is_taken_for_a_sign(mermaid: Any, title: str) -> None:
    graph = flow(
        step("ask", "one", go("yes", "handed-back"), go(["no", "cannot"], "tow"), title=title),
        endings=("handed-back", "tow"),
    )
    svg = str(mermaid.evaluate(DRAW, flow_to_mermaid(graph)))
    shown = mermaid.evaluate(
        "svg => [...new DOMParser().parseFromString(svg, 'text/html').querySelectorAll('g.node')]"
        ".map(n => n.textContent.trim())",
        svg,
    )
    assert " ".join(title.split()) in shown
    assert "<script" not in svg


def test_an_expanded_chart_is_read_with_a_node_for_each_state(mermaid: Any) -> None:
    graph = load_flow("wheel-speed-sensor", catalogue()).graph
    proven = prove(graph, catalogue())
    assert isinstance(proven, ProvenFlow)
    chart = expand(proven, graph.audiences[0], catalogue())
    text = chart_to_mermaid(chart)
    assert kind(mermaid, text).startswith("flowchart")
    assert text.count("\n  s") == len(chart.states) + sum(len(ways) for ways in chart.ways)
