"""`keysback flows prove`: prove flow files, or say what is wrong with them."""

from __future__ import annotations

import argparse
import shutil
import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

LAST = 3  # steps of a walk on a screen that is watched: where it goes wrong is at its end
CLEAR = "\x1b[H\x1b[2J\x1b[3J"


def add(words: Any) -> None:
    p = words.add_parser("prove", help="prove flow files, or say what is wrong with them")
    p.add_argument("flow", nargs="*", help="flow or part: a file, or a name of the library")
    p.add_argument(
        "--watch",
        action="store_true",
        help="prove again whenever a file, or a part beside it, is saved; Ctrl-C ends",
    )


def run(args: argparse.Namespace) -> int:
    return watch(args.flow) if args.watch else prove_all(args.flow)


@dataclass(frozen=True, slots=True)
class Proof:
    """What proving one flow came to: a line that says it, and the blocks of what is wrong."""

    proven: bool
    line: str
    blocks: str = ""


def prove_one(name: str, *, last: int = 0) -> Proof:
    """Loads and proves a flow or part: a file, or a name of the library. Never raises UserError.

    last: how many steps of each walk to show, counted from its end; 0 shows all.
    """
    from verify.errors import UserError
    from verify.flow.advice import finding_text
    from verify.flow.proof import ProvenFlow, prove
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    try:
        graph = library.load_any(name, catalogue())
    except UserError as error:
        return Proof(False, f"{name}: does not load", str(error))
    result = prove(graph, catalogue())
    if isinstance(result, ProvenFlow):
        required = len(graph.required())
        gates = sum(1 for s in graph.steps.values() if s.kind == "gate")
        return Proof(
            True,
            f"{name}: proven. {len(graph.steps) - gates} steps, {required} of them required, "
            f"{gates} decisions, {len(graph.endings)} endings, "
            f"{len(graph.promises)} promises of its own",
        )
    many = f"{len(result)} finding{'s' if len(result) > 1 else ''}"
    blocks = "\n".join(finding_text(graph, finding, name, last=last) for finding in result)
    return Proof(False, f"{name}: does not prove, {many}", blocks)


def prove_all(names: list[str]) -> int:
    """Prove them, or the whole library; 2 where one does not load or prove."""
    from verify.terminal import library

    code = 0
    for name in names or [*library.flow_names(), *library.part_names()]:
        proof = prove_one(name)
        if proof.proven:
            print(proof.line)
            continue
        code = 2
        print(proof.line, proof.blocks, sep="\n", file=sys.stderr)
    return code


def watch(names: list[str]) -> int:
    """Proves files whenever they are saved, until Ctrl-C. Returns 0. Raises UserError where a name
    is no file."""
    from verify.errors import Problem, UserError
    from verify.terminal.watching import each_save

    if not names:
        raise UserError(
            Problem("no file to watch", "at least one", "name the file: prove --watch FILE")
        )
    missing = [name for name in names if not Path(name).is_file()]
    if missing:
        raise UserError(
            *(
                Problem(
                    f'"{name}", which is no file',
                    "flow or part files, with their names as they are",
                    "check the name; what the library holds does not change",
                )
                for name in missing
            )
        )
    try:
        each_save(tuple(Path(name) for name in names), lambda: _show(names))
    except KeyboardInterrupt:
        print("\nNo longer watching.")
    return 0


def _show(names: list[str]) -> None:
    """Time and result first, then what is wrong, as far as the screen holds it."""
    drawn = sys.stdout.isatty()
    proofs = [prove_one(name, last=LAST if drawn else 0) for name in names]
    lines = [line for p in proofs for line in (p.line, *p.blocks.splitlines())]
    now = datetime.now().astimezone().strftime("%H:%M:%S")
    good = sum(proof.proven for proof in proofs)
    head = "PROVEN" if good == len(proofs) else "NOT PROVEN"
    if len(proofs) > 1:
        head += f", {good} of {len(proofs)}"
    if drawn:
        columns, rows = shutil.get_terminal_size((80, 24))
        lines = _fitted(lines, columns, rows - 3)
    text = "\n".join([f"{now}  {head}", *lines, "Watching; save to prove again, Ctrl-C ends."])
    print((CLEAR if drawn else "") + text, flush=True)


def _fitted(lines: list[str], columns: int, rows: int) -> list[str]:
    """The lines, folded between words, as far as they fit, and how many there are beyond."""
    import textwrap

    folded: list[str] = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        folded += textwrap.wrap(
            line, columns - 1, subsequent_indent=indent, break_on_hyphens=False
        ) or [""]
    if len(folded) <= rows:
        return folded
    more = len(folded) - rows + 1
    return [*folded[: rows - 1], f"… and {more} more lines; without --watch all are shown."]
