"""`keysback flows draw`: a flow as a picture."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.flow.graph import Graph
    from verify.words import Audience

# Dots an inch of a PNG: a page of small words must still be readable when printed.
PNG_PPI = 130.0


def add(words: Any) -> None:
    p = words.add_parser("draw", help="a flow as a picture: SVG, PNG or Mermaid")
    p.add_argument("flow", nargs="?", help="a file, or a name of the library")
    p.add_argument("--to", choices=["svg", "png", "mermaid"], default="svg")
    p.add_argument("-o", "--output", metavar="FILE", help="the file (else FLOW.svg; - for Mermaid)")
    p.add_argument(
        "--as",
        dest="audience",
        choices=["technician", "owner"],
        help="whose good way goes straight down (else that of the first the flow is for)",
    )
    p.add_argument("--all", metavar="FOLDER", help="all flows of the library, and a page of them")


def run(args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    if args.all:
        return _all(Path(args.all))
    if not args.flow:
        raise UserError(
            Problem(
                "no flow", "a file, or a name of the library", "write: keysback flows draw FLOW"
            )
        )
    graph = library.load_flow(args.flow, catalogue()).graph
    audience = library.audience_of(graph, args.audience, args.flow)
    if args.to == "mermaid":
        from verify.flow.mermaid import flow_to_mermaid

        data = flow_to_mermaid(graph).encode()
    else:
        svg = _svg(graph, audience)
        data = png_of(svg) if args.to == "png" else svg.encode()
    output = args.output or ("-" if args.to == "mermaid" else f"{graph.flow_id}.{args.to}")
    if output == "-":
        sys.stdout.buffer.write(data)
        return 0
    _write(Path(output), data)
    print(f"Picture written: {output}")
    return 0


def _svg(graph: Graph, audience: Audience | None) -> str:
    from verify.flow.draw_plan import picture_of
    from verify.flow.draw_svg import picture_svg

    return picture_svg(picture_of(graph, audience))


def png_of(svg: str) -> bytes:
    """The picture as PNG, drawn with the fonts that stand in the package."""
    import tempfile
    from importlib.resources import as_file, files

    import typst

    with (
        tempfile.TemporaryDirectory() as folder,
        as_file(files("verify.report") / "fonts") as fonts,
    ):
        Path(folder, "picture.svg").write_text(svg, encoding="utf-8")
        page = Path(folder, "page.typ")
        page.write_text('#set page(width: auto, height: auto, margin: 0pt)\n#image("picture.svg")')
        made = typst.compile(
            str(page), format="png", ppi=PNG_PPI, font_paths=[str(fonts)], ignore_system_fonts=True
        )
    pages = made if isinstance(made, list) else [made]
    return bytes(pages[0])


def svg_of(name: str) -> str:
    """The picture of a flow of the library."""
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    return _svg(library.load_flow(name, catalogue()).graph, None)


def _all(folder: Path) -> int:
    from verify.terminal import library

    for name in library.flow_names():
        _write(folder / f"{name}.svg", svg_of(name).encode())
    _write(folder / "README.md", library_page().encode())
    print(f"Pictures of {len(library.flow_names())} flows, and README.md, written to {folder}")
    return 0


def library_page() -> str:
    """The page that shows every flow of the library with its picture."""
    from verify.flow.draw_svg import ENDING_WORDS
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    rows = [
        "# The library of close-outs",
        "",
        "Made by `keysback flows draw --all docs/flows`. Thick line: the way of somebody for whom",
        "all goes well. Further in: where a step leads otherwise. A letter is an ending.",
    ]
    for name in library.flow_names():
        graph = library.load_flow(name, catalogue()).graph
        who = " and ".join(a.value for a in graph.audiences)
        asked = sum(1 for s in graph.steps.values() if s.kind != "gate")
        kinds = dict.fromkeys(ENDING_WORDS[e.kind] for e in graph.endings.values())
        required = len(graph.required())
        rows += [
            "",
            f"## {graph.title}",
            "",
            f"{graph.repair}",
            "",
            f"`{name}`, for {who}. {asked} steps, {required} of them must pass. Ends in: "
            f"{', '.join(kinds)}.",
            "",
            f"![{graph.title}: every step, where each answer leads, and the endings]({name}.svg)",
        ]
    return "\n".join(rows) + "\n"


def _write(path: Path, data: bytes) -> None:
    from verify.errors import Problem, UserError

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a file that cannot be written ({error.strerror})",
                expected="a place for the picture",
                next="name another file with -o",
                file=str(path),
            )
        ) from None
