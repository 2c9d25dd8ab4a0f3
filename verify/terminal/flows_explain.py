"""`keysback flows explain FLOW STEP`: how one gets to a step, what must hold, where it leads."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from verify.flow.phrases import promise_words, title_of

if TYPE_CHECKING:
    from verify.flow.explain import Explanation, Lead
    from verify.flow.graph import Graph

WIDTH = 79
KINDS = {
    "ask": "a question",
    "card": "a list to go down",
    "do": "something to do",
    "reading": "a reading",
    "record": "a recording",
    "codes": "fault codes",
    "fasten": "fasteners",
    "photo": "a picture",
    "gate": "a decision by what was proven; nobody is asked",
}


def add(words: Any) -> None:
    p = words.add_parser("explain", help="how one gets to a step, what must hold, where it leads")
    p.add_argument("flow", help="a file, or a name of the library")
    p.add_argument("step", nargs="?", help="name of a step or ending (none: lists them)")


def run(args: argparse.Namespace) -> int:
    from verify.errors import UserError, unknown
    from verify.flow.advice import finding_text
    from verify.flow.explain import explain
    from verify.flow.proof import ProvenFlow, prove
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    graph = library.load_flow(args.flow, catalogue()).graph
    if args.step is None:
        print("\n".join(_names(graph)))
        return 0
    found = _find(graph, args.step)
    if found is None:
        raise UserError(unknown(args.step, [*graph.steps, *graph.endings], "step or ending"))
    proof = prove(graph, catalogue())
    findings = () if isinstance(proof, ProvenFlow) else proof
    # With these two there is nothing to go by; any other finding leaves walks to speak of.
    fatal = [f for f in findings if f.rule in ("names", "too-big")]
    if fatal:
        print("\n".join(finding_text(graph, f, args.flow) for f in fatal), file=sys.stderr)
        return 2
    if findings:
        print("This flow does not prove yet: keysback flows prove says why.\n")
    print("\n".join(explanation_lines(graph, explain(graph, found, catalogue()))))
    return 0


def _find(graph: Graph, wanted: str) -> str | None:
    """A name in full, or the one step whose last part it is."""
    every = [*graph.steps, *graph.endings]
    if wanted in every:
        return wanted
    same = [name for name in every if name.rsplit("/", 1)[-1] == wanted]
    return same[0] if len(same) == 1 else None


def _names(graph: Graph) -> Iterator[str]:
    longest = max(len(name) for name in (*graph.steps, *graph.endings))
    for title, things in (("Steps", graph.steps), ("Endings", graph.endings)):
        yield title
        for name, thing in things.items():
            yield f"  {name:<{longest}}  {thing.title}"


def explanation_lines(graph: Graph, e: Explanation) -> Iterator[str]:
    """The whole explanation, at most WIDTH wide."""
    yield from _head(graph, e.name)
    yield ""
    yield "How one gets here"
    if e.walk is None:
        yield "  No walk comes here."
    elif e.name == graph.start:
        yield "  The flow begins here."
    for lead in e.comes_from:
        yield from wrapped(f"from {title_of(graph, lead.step)} ({lead.step})", 2)
        yield from wrapped(lead.when, 6)
    if e.stop_leads_here:
        yield "  from every step: STOP, not safe"
    if e.walk:
        yield ""
        who = [line for line in e.walk if line.startswith("worked through by ")][:1]
        answers = e.walk[len(who) :]
        yield f"The shortest way here ({len(answers)} answers)"
        yield from wrapped(f"as {who[0].removeprefix('worked through by ')}", 2) if who else ()
        for number, line in enumerate(answers, start=1):
            yield from wrapped(line, 6, f"{number:>4}  ")
    if e.walk is not None:
        yield ""
        yield "What holds on every way here"
        yield from _certain(graph, "passed when last asked", e.passed)
        yield from _certain(graph, "was asked, whatever came of it", e.asked)
        if not (e.passed or e.asked):
            yield "  nothing: one can be here without any other step"
    if e.leads_to:
        yield ""
        yield "Where it leads"
        for lead in e.leads_to:
            yield from _onward(graph, lead)
        if graph.steps[e.name].kind != "gate":
            yield from wrapped(f"STOP: not safe → {title_of(graph, graph.on_stop)}", 6, "  ")
    if e.promises:
        yield ""
        yield "Promises that speak of it"
        for promise in e.promises:
            yield from wrapped(promise_words(graph, promise), 4, "  ")


def _head(graph: Graph, name: str) -> Iterator[str]:
    if name in graph.endings:
        ending = graph.endings[name]
        yield f"{ending.title}  ({name})"
        yield f"  an ending: {ending.kind.value}"
        return
    step = graph.steps[name]
    yield f"{step.title}  ({name})"
    words = KINDS[step.kind]
    if step.kind != "gate":
        words += ", required" if step.required else ", not required"
        words += f", {step.group.value}" if step.group is not None else ""
    yield from wrapped(words, 2)
    if not step.required and step.optional_reason:
        yield from wrapped(f"not required: {step.optional_reason}", 2)
    if step.later is not None:
        yield from wrapped(f"may stay open until {step.later[1]}: {step.later[0]}", 2)


def _certain(graph: Graph, words: str, names: Sequence[str]) -> Iterator[str]:
    if names:
        yield f"  {words}:"
        for name in names:
            yield from wrapped(f"{title_of(graph, name)} ({name})", 6, "    ")


def _onward(graph: Graph, lead: Lead) -> Iterator[str]:
    yield from wrapped(f"{lead.when} → {title_of(graph, lead.to)} ({lead.to})", 6, "  ")


def wrapped(text: str, indent: int, first: str | None = None) -> list[str]:
    """Lines of at most WIDTH, indented; the first of them begins with `first`, where given."""
    before = " " * indent
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=before if first is None else first,
        subsequent_indent=before,
        break_long_words=True,
        break_on_hyphens=False,
    )
