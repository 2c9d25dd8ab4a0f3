"""`keysback checks [NAME]`: which questions can be put to a recording, and how each is answered."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.evidence.checks.kind import Check

HELP = "which checks there are, and how each one judges"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Lists the checks, or explains one: what must be recorded, what is measured, "
        "the limits with their source, what it can find, and what settles an undecided answer.",
    )
    p.add_argument("name", nargs="?", metavar="NAME", help="one check (default: list all)")
    p.add_argument("--json", action="store_true", help="the same as JSON")
    p.add_argument(
        "--markdown", action="store_true", help="all of them as one page, as in docs/checks.md"
    )
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for a check that does not exist."""
    from verify.errors import Problem, UserError, unknown
    from verify.evidence.checks.catalogue import CATALOGUE
    from verify.terminal.check_words import check_json, page

    if args.name is not None and args.name not in CATALOGUE:
        raise UserError(unknown(args.name, CATALOGUE, "check"))
    if args.markdown and (args.json or args.name is not None):
        raise UserError(
            Problem(
                found="--markdown together with " + ("--json" if args.json else "a check's name"),
                expected="--markdown alone: it is one page of all checks",
                next="leave one of them out",
            )
        )
    checks = list(CATALOGUE.values()) if args.name is None else [CATALOGUE[args.name]]
    if args.markdown:
        sys.stdout.write(page())
    elif args.json:
        import json

        value: Any = [check_json(c) for c in checks]
        value = {"checks": value} if args.name is None else value[0]
        sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False) + "\n")
    elif args.name is None:
        _list(checks)
    else:
        _explain(checks[0])
    return 0


def _list(checks: Sequence[Check]) -> None:
    from rich.text import Text

    from verify.terminal.screen import Printer, rows

    show = Printer()
    wide = max(len(c.name) for c in checks)
    show(rows([(Text(c.name, style="bold"), c.question) for c in checks], wide, indent=0))
    show("", Text("More on one of them: keysback checks NAME", style="dim"))


def _explain(check: Check) -> None:
    from rich.text import Text

    from verify.terminal.check_words import findings, settled, spec_words
    from verify.terminal.marks import MARKS, STYLES, WORDS
    from verify.terminal.screen import Printer, items, rows
    from verify.terminal.show_verdict import sentence

    show = Printer()
    head = Text(check.name, style="bold")
    head.append(f"  version {check.version}", style="not bold dim")
    show(head, Text(check.question), "")
    told: list[tuple[Any, Any]] = [
        ("record", items(check.channels)),
        ("measures", sentence(check.quantity)),
        ("limits", sentence(check.limits)),
    ]
    if words := spec_words(check):
        told.append(("numbers", items([name + rest for name, rest in words])))
    show(rows([(Text(a, style="dim"), b) for a, b in told], 10), "")
    answers = [
        (Text(f"{MARKS[v]} {WORDS[v]}", style=STYLES[v]), ", ".join(names))
        for v, names in findings(check)
        if names
    ]
    show(rows(answers, 11))
    for title, pairs in (
        ("What settles an undecided one:", [f"{n}: {a}" for n, a in settled(check)]),
        ("Looks like the fault, and is none:", check.look_alikes),
        ("What it cannot see:", check.blind_spots),
    ):
        if pairs:
            show("", Text(title, style="bold"), items(pairs, indent=2))
