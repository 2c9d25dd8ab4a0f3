"""`keysback flows rehearse`: walks that together take every branch, as scripts to play."""

from __future__ import annotations

import argparse
import struct
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.flow.rehearse import Rehearsal
    from verify.terminal.rehearse_script import Script

WIDTH = 79


def add(words: Any) -> None:
    p = words.add_parser(
        "rehearse", help="walks that together take every branch of a flow, as scripts to play"
    )
    p.add_argument("flow", help="a file, or a name of the library")
    p.add_argument("--as", dest="audience", choices=["technician", "owner"])
    p.add_argument("-o", "--output", metavar="DIR", help="write each script to a file in here")
    p.add_argument("--stops", action="store_true", help="also say stop once at every step")


def run(args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError
    from verify.flow.rehearse import rehearse
    from verify.job.catalogue import catalogue
    from verify.terminal.desk import proven_or_error
    from verify.terminal.library import audience_of, load_flow
    from verify.terminal.rehearse_answers import AnswerBook
    from verify.terminal.rehearse_script import ScriptWriter

    proven = proven_or_error(load_flow(args.flow, catalogue()).graph, args.flow)
    who = [audience_of(proven.graph, args.audience, args.flow)] if args.audience else []
    found = rehearse(proven, catalogue(), who, stops=args.stops)
    writer = ScriptWriter(AnswerBook(proven.graph), args.flow, len(found.walks))
    scripts = []
    folder = Path(args.output) if args.output else None
    try:
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
        for walk in found.walks:
            script = writer.write(walk)
            scripts.append(script)
            if folder is not None:
                (folder / script.name).write_text(script.text, encoding="utf-8")
            else:
                print(script.text)
        if folder is not None and any(script.picture for script in scripts):
            write_picture(folder)
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a folder that cannot be written to ({error.strerror})",
                expected="a folder for the scripts",
                next="name another one",
                file=str(folder),
            )
        ) from None
    if folder is not None:
        for script in scripts:
            branches = "branch" if script.new == 1 else "branches"
            print(f"{script.name}: {script.steps} steps, {script.new} new {branches}")
        print()
    print("\n".join(summary(found, scripts, args.flow)))
    return 2 if found.unsettled or any(script.unplayable for script in scripts) else 0


def summary(found: Rehearsal, scripts: list[Script], name: str) -> list[str]:
    """The table at the end, and every branch that no walk takes, with the reason."""
    import textwrap

    from verify.flow.phrases import audience_words, branch_words, listed, title_of, titled
    from verify.flow.product import STOPPED
    from verify.flow.rehearse_counts import branch_transitions, pairs_taken, sequences
    from verify.flow.rehearse_why import why_not

    graph = found.graph
    steps = [script.steps for script in scripts]
    taken = len(found.taken)
    who = listed([audience_words(board.chart.audience) for board in found.boards])
    rows = [
        ("walks", len(found.walks), f"no set has fewer than {found.at_least}"),
        ("steps", sum(steps), f"{max(steps, default=0)} in the longest walk"),
        ("branches", len(found.items), "`stop` counted, at every step" * _stops(found)),
        ("feasible", found.feasible, f"by {who}, without corrected answers"),
        ("taken", taken, f"{found.coverage:.1f} % of the feasible"),
    ]
    lines = [f"{graph.title}: rehearsal ({name})", ""]
    lines += [f"  {word:<10}{count:>6}   {more}".rstrip() for word, count, more in rows]
    lines += ["", "  0-switch coverage, ISO/IEC/IEEE 29119-4: every branch at least once."]
    pairs = sum(1 for _ in sequences(branch_transitions(graph), 1))
    both = pairs_taken([(t.step, t.branch) for t in walk if t.branch >= 0] for walk in found.walks)
    lines.append(f"  1-switch, not aimed at: {both} of {pairs} pairs of branches in a row.")
    if not _stops(found):
        asking = sum(1 for s in graph.steps.values() if s.kind != "gate")
        lines += [
            f"  `stop` leads from each of the {asking} steps to {title_of(graph, graph.on_stop)};",
            "  --stops rehearses that too.",
        ]
    only = sum(script.in_memory for script in scripts)
    if only:
        lines.append(f"  {only} walks hold findings in the place of recordings: play them with")
        lines.append("  `keysback flows try`; a job would ask for the recordings themselves.")
    for kind, items in (("infeasible", found.infeasible), ("not settled", found.unsettled)):
        if items:
            lines += ["", f"{kind.capitalize()}: {len(items)}"]
        for item in items:
            step = graph.steps[item[0]]
            where = "stop" if item[1] == STOPPED else branch_words(graph, step, item[1])
            because = why_not(found, item) if kind == "infeasible" else "too many walks to look at"
            text = f"{titled(step)}, {where}: {because}."
            lines += textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")
    for script in scripts:
        for step_name in script.unplayable:
            lines.append(f"  {script.name}: no answer was found for {step_name}.")
    return lines


def _stops(found: Rehearsal) -> bool:
    return any(number < 0 for _, number in found.items)


def write_picture(folder: Path) -> None:
    """A picture of one grey dot (PNG, ISO/IEC 15948), for the steps that ask for one."""
    from verify.terminal.rehearse_answers import PICTURE

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    dot = chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    dot += chunk(b"IDAT", zlib.compress(b"\x00\x80")) + chunk(b"IEND", b"")
    (folder / PICTURE).write_bytes(b"\x89PNG\r\n\x1a\n" + dot)
