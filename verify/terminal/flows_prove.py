"""`keysback flows prove`: prove flow files, or say what is wrong with them."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.flow.finding import Finding


def add(words: Any) -> None:
    p = words.add_parser("prove", help="prove flow files, or say what is wrong with them")
    p.add_argument("flow", nargs="*", help="flow or part: a file, or a name of the library")


def run(args: argparse.Namespace) -> int:
    return prove_all(args.flow)


def finding_text(name: str, finding: Finding) -> str:
    """A finding as a block whose first line editors can follow."""
    place = f"{name}:{finding.line}" if finding.line else name
    head = f"{place}: steps.{finding.step}" if finding.step else place
    walk = "".join(f"\n    {number}. {step}" for number, step in enumerate(finding.walk, start=1))
    return f"{head}\n  {finding.message}{walk}"


def spoken_too(name: str) -> tuple[str, int]:
    """(in which other languages a proven flow or part can be walked, the exit code).

    What is open in a language is said at once: no screen mixes languages, so the flow is not to be
    had in it at all, and 2 says so."""
    from verify.errors import render
    from verify.job.catalogue import catalogue
    from verify.terminal import library
    from verify.words import LANGUAGES

    whole, open_ = library.languages_of(name, catalogue())
    for code, problems in open_.items():
        spoken = LANGUAGES.get(code, code)
        print(f"{name}: not proven in {spoken}, {len(problems)} to put right\n{render(problems)}",
              file=sys.stderr)  # fmt: skip
    words = "; also in " + ", ".join(LANGUAGES[code] for code in whole) if whole else ""
    return words, 2 if open_ else 0


def prove_all(names: list[str]) -> int:
    """Prove them, or the whole library; 2 where one does not load or prove."""
    from verify.errors import UserError
    from verify.flow.proof import ProvenFlow, prove
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    code = 0
    for name in names or [*library.flow_names(), *library.part_names()]:
        try:
            graph = library.load_any(name, catalogue())
        except UserError as error:
            print(f"{name}: does not load\n{error}", file=sys.stderr)
            code = 2
            continue
        result = prove(graph, catalogue())
        if isinstance(result, ProvenFlow):
            required = len(graph.required())
            languages, open_ = spoken_too(name)
            code = max(code, open_)
            gates = sum(1 for s in graph.steps.values() if s.kind == "gate")
            print(
                f"{name}: proven. {len(graph.steps) - gates} steps, {required} of them required, "
                f"{gates} decisions, {len(graph.endings)} endings, "
                f"{len(graph.promises)} promises of its own{languages}"
            )
            continue
        code = 2
        print(f"{name}: does not prove, {len(result)} finding{'s' if len(result) > 1 else ''}",
              file=sys.stderr)  # fmt: skip
        for finding in result:
            print(finding_text(name, finding), file=sys.stderr)
    return code
