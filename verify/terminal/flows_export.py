"""`keysback flows export`: a flow in the languages of others, one writer a language."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.flow.proof import ProvenFlow
    from verify.words import Audience


def _scxml(proven: ProvenFlow, audience: Audience) -> str:
    from verify.flow.expanded import expand
    from verify.flow.scxml import chart_to_scxml
    from verify.job.catalogue import catalogue

    return chart_to_scxml(expand(proven, audience, catalogue()))


def _mermaid(proven: ProvenFlow, audience: Audience) -> str:
    from verify.flow.expanded import expand
    from verify.flow.mermaid import chart_to_mermaid
    from verify.job.catalogue import catalogue

    return chart_to_mermaid(expand(proven, audience, catalogue()))


# Language → what writes a proven flow in it, as one audience walks it.
WRITERS: Mapping[str, Callable[[ProvenFlow, Audience], str]] = {
    "scxml": _scxml,
    "mermaid": _mermaid,
}


def add(words: Any) -> None:
    p = words.add_parser("export", help="a proven flow as a chart for others: W3C SCXML, Mermaid")
    p.add_argument("flow", help="a file, or a name of the library")
    p.add_argument("--to", choices=sorted(WRITERS), required=True)
    p.add_argument(
        "--as",
        dest="audience",
        choices=["technician", "owner"],
        help="whose walks (else those of the first the flow is for)",
    )
    p.add_argument("-o", "--output", metavar="FILE", help="write it here (else it is printed)")


def run(args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError
    from verify.job.catalogue import catalogue
    from verify.terminal.desk import proven_or_error
    from verify.terminal.library import audience_of, load_flow

    proven = proven_or_error(load_flow(args.flow, catalogue()).graph, args.flow)
    audience = audience_of(proven.graph, args.audience, args.flow)
    text = WRITERS[args.to](proven, audience)
    if not args.output:
        sys.stdout.write(text)
        return 0
    try:
        Path(args.output).write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a file that cannot be written ({error.strerror})",
                expected="a place for the chart",
                next="name another file",
                file=args.output,
            )
        ) from None
    print(f"{args.output}: {proven.graph.title}, as {audience} walks it")
    return 0
