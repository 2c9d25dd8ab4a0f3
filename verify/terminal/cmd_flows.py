"""`keysback flows …`: list the library, prove flows, try or print one, print the schema."""

from __future__ import annotations

import argparse
import json
import sys
from importlib import import_module

from verify.terminal.screen import say_plain

HELP = "list, prove, try or print flows; print their schema"

# Words with a module of their own, `flows_<word>.py`: add(words) makes a parser, run(args) runs it.
WORDS = (
    "prove",
    "new",
    "explain",
    "diff",
    "upgrade",
    "rehearse",
    "export",
    "reference",
    "draw",
    "translate",
)


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Without a word: lists the flows of the library. A flow says how one kind of "
        "repair is closed out; only a proven flow runs."
    )
    words = p.add_subparsers(dest="word", metavar="WORD", prog="keysback flows")
    for word in WORDS:
        import_module(f"verify.terminal.flows_{word}").add(words)
    trial = words.add_parser("try", help="walk a flow in memory; nothing is recorded")
    trial.add_argument("flow", help="a file, or a name of the library")
    trial.add_argument("--as", dest="audience", choices=["technician", "owner"])
    trial.add_argument("--answers", metavar="FILE", help="play these answers instead of asking")
    trial.add_argument("--units", choices=["metric", "us"])
    trial.add_argument("--language", metavar="LANGUAGE", help="of questions and answers: en, de")
    card = words.add_parser("card", help="a flow as a card to print, for a shop without a screen")
    card.add_argument("flow", help="a file, or a name of the library")
    card.add_argument("-o", "--output", metavar="FILE", help="the HTML file (else FLOW-card.html)")
    card.add_argument("--as", dest="audience", choices=["technician", "owner"])
    card.add_argument("--units", choices=["metric", "us"], default="metric")
    card.add_argument("--paper", choices=["a4", "letter"], help="else letter with US units, or A4")
    words.add_parser("schema", help="print the JSON Schema of flow files, for editors")
    return p


def run(args: argparse.Namespace) -> int:
    if args.word == "schema":
        return _schema()
    if args.word in WORDS:
        return int(import_module(f"verify.terminal.flows_{args.word}").run(args))
    if args.word == "try":
        from verify.terminal.trial import try_flow

        return try_flow(
            args.flow,
            audience=args.audience,
            answers=args.answers,
            units=args.units,
            language=args.language,
        )
    if args.word == "card":
        from verify.terminal.print_card import print_card

        return print_card(
            args.flow,
            output=args.output,
            audience=args.audience,
            units=args.units,
            paper=args.paper or ("letter" if args.units == "us" else "a4"),
        )
    return _list()


def _list() -> int:
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    for name in library.flow_names():
        graph = library.load_flow(name, catalogue()).graph
        who = " and ".join(a.value for a in graph.audiences)
        asked = sum(1 for s in graph.steps.values() if s.kind != "gate")
        say_plain(f"{name}\n  {graph.title}: {graph.repair}\n  for {who}; {asked} steps in all")
    say_plain("\nOpen a job with one of them: keysback open NAME")
    return 0


def _schema() -> int:
    from verify.flow.reference import json_schema

    json.dump(json_schema(), sys.stdout, indent=2, ensure_ascii=False)
    print()
    return 0
