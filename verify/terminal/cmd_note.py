"""`keysback note JOB`: the job as a text to paste, in at most 1,000 characters."""

from __future__ import annotations

import argparse
import shutil
import sys
import textwrap

LEAST_COLUMNS = 20
HELP = "complaint, cause, correction: a text to paste"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Prints complaint, cause and correction in at most 1,000 characters, with "
        "codes and numbers before and after, what was not tested, and how it ended. It holds the "
        "customer's own words; plate and VIN in them are hidden. On a terminal its lines are "
        "broken between words; redirected to a file or a program, each heading is one line."
    )
    p.add_argument("job", help="the job's id, or its beginning")
    p.add_argument("--unmask", action="store_true", help="with plate and VIN in full")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for a job or store that is not there."""
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.identity import masking
    from verify.terminal.note_text import note_text

    with open_store(args.store, readonly=True) as journal:
        desk = desk_for(journal, args.job)
        text = note_text(desk if args.unmask else masking(desk), desk.session())
    print("\n".join(broken_at_words(text)) if sys.stdout.isatty() else text)
    return 0


def broken_at_words(text: str) -> list[str]:
    """The note as rows of this terminal, each heading's second and later rows moved in."""
    width = max(shutil.get_terminal_size().columns - 1, LEAST_COLUMNS)
    rows: list[str] = []
    for line in text.split("\n"):
        rows += textwrap.wrap(
            line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
        ) or [""]
    return rows
