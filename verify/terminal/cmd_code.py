"""`keysback code CODE …`: what fault codes say, and what they leave open.

Nothing is stored. A code may forbid, never allow: none of them is shown with a mark for passed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import RenderableType

    from verify.car.codes import Parsed, Read

HELP = "what fault codes say: meaning, class, what to verify"

CLASS_WORDS = {
    "forbids": "forbids driving",
    "wiring": "wiring or part: no relearn cures it",
    "learn": "a relearn, or time to adapt, may be all it needs",
    "other": "something else: find out before the car goes back",
}
RELEARN_WORDS = {
    "yes": "can cure it, if nothing is leaking, dirty or broken",
    "no": "cannot cure it",
    "part": "cannot cure it: it points to wiring or a part",
}
SURE_WORDS = {
    "two lists": "two public lists agree",
    "lists disagree": "public lists disagree: look it up in the service information",
    "one list": "one public list says so: look it up in the service information",
    "from memory": "from memory: look it up in the service information",
}
IN_BRAKES = "if it was read in the brake module, yes; otherwise it cannot be told from here"
UNKNOWN = "cannot be told from here: what the car does and the service information decide"
LABEL_WIDTH = 9


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Says of each fault code what it means, who defines it, what to verify after "
        "the repair, whether a relearn can cure it, and whether it forbids driving. Whatever "
        "could not be read is listed with its reason. Exit code 0, or 2 if nothing could be read.",
    )
    p.add_argument(
        "codes",
        metavar="CODE",
        nargs="+",
        help="codes as typed or pasted: P2111, P2111-00, 0x2111, or - for a text on the standard "
        "input",
    )
    p.add_argument("--json", action="store_true", help="the same as JSON")
    return p


def run(args: argparse.Namespace) -> int:
    from verify.car.codes import parse_codes

    text = " ".join(args.codes)
    if args.codes == ["-"]:
        # Pasted text may hold any byte; what is no text is shown as such and listed.
        text = sys.stdin.buffer.read().decode("utf-8", "backslashreplace")
    parsed = parse_codes(text)
    if args.json:
        _print_json(parsed)
    else:
        _print_words(parsed)
    return 0 if parsed.read else 2


def code_json(read: Read) -> dict[str, Any]:
    """What is said of one code: plain JSON values; null where it is not known here."""
    from verify.car.codes import class_of, fact, meaning, who_defines
    from verify.car.failure_type import failure_type_words

    row = fact(read.code)
    return {
        "code": read.code,
        "typed": read.typed,
        "failure_type": read.failure_type or None,
        "failure_type_says": failure_type_words(read.failure_type) if read.failure_type else None,
        "read_as": list(read.notes),
        "meaning": meaning(read.code),
        "known": row is not None,
        "defined_by": who_defines(read.code).value,
        "class": class_of(read.code),
        "touches": row.touches if row else None,
        "verify": row.verify if row else None,
        "relearn": row.relearn if row else None,
        "forbids_driving": row.forbids if row else None,
        "why": row.why if row else _unknown_drive(read.code),
        "source": row.source if row else None,
        "sure": row.sure if row else None,
    }


def _print_json(parsed: Parsed) -> None:
    import json

    value = {
        "codes": [code_json(read) for read in parsed.read],
        "not_read": [
            {"typed": u.typed, "reason": u.reason, "looks_like_a_code": u.codelike}
            for u in parsed.unread
        ],
        "notes": list(_notes(parsed)),
    }
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False) + "\n")


def _notes(parsed: Parsed) -> tuple[str, ...]:
    from verify import tables
    from verify.car.codes import notes_for

    general = {row["applies"]: row["note"] for row in tables.rows("seeds/code_notes.csv")}
    notes = [*notes_for(parsed.codes)]
    if any(read.failure_type for read in parsed.read):
        notes.append(general["failure-type"])
    if parsed.codes:
        notes.append(general["always"])
    return tuple(notes)


def _unknown_drive(code: str) -> str:
    return IN_BRAKES if code[0] == "C" else UNKNOWN


def _print_words(parsed: Parsed) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    width = min(console.width, 80) if console.is_terminal else 80
    shown = dict.fromkeys(read.code for read in parsed.read)
    for code in shown:
        console.print(_block([r for r in parsed.read if r.code == code]), width=width)
        console.print()
    if parsed.unread:
        console.print(Text("Not read", style="bold"), width=width)
        for unread in parsed.unread:
            if unread.codelike:
                console.print(_row(unread.typed, unread.reason), width=width)
        words = [u.typed for u in parsed.unread if not u.codelike]
        if words:
            console.print(_row("words", "  ".join(words)), width=width)
        console.print()
    if not parsed.read:
        console.print("No fault code could be read. Write codes such as P2111 C0035.", width=width)
    for note in _notes(parsed):
        console.print(Text(note), width=width)


def _block(reads: Sequence[Read]) -> RenderableType:
    """All that is said of one code, with everything that was typed for it."""
    from rich.console import Group
    from rich.text import Text

    from verify.car.codes import class_of, fact, meaning, who_defines
    from verify.car.failure_type import failure_type_words
    from verify.terminal.marks import MARKS, STOPPED, STYLES
    from verify.terminal.show_verdict import sentence
    from verify.words import Verdict

    code = reads[0].code
    row = fact(code)
    rows: list[RenderableType] = [_row(code, Text(meaning(code), style="bold"), indent=0)]
    for read in reads:
        said = [*read.notes]
        if read.failure_type:
            said.append(failure_type_words(read.failure_type))
        if said:
            rows.append(_row("typed", f"{read.typed}: {'; '.join(said)}"))
    defined = f"by {who_defines(code).value}"
    rows.append(_row("defined", f"{defined}; {SURE_WORDS[row.sure]}" if row else defined))
    if row is None:
        rows.append(_row("class", CLASS_WORDS[class_of(code)]))
        rows.append(_row("driving", f"{MARKS[Verdict.UNDECIDED]} {_unknown_drive(code)}"))
        return Group(*rows)
    rows.append(_row("class", f"{CLASS_WORDS[row.kind]} ({row.touches})"))
    if row.forbids:
        drive = Text(f"{STOPPED} DO NOT DRIVE: ", style=STYLES[Verdict.FAIL])
    else:
        drive = Text(f"{MARKS[Verdict.UNDECIDED]} not forbidden by the code alone: ", style="bold")
    rows.append(_row("driving", drive.append(row.why, style="default not bold")))
    rows.append(_row("relearn", RELEARN_WORDS[row.relearn]))
    rows.append(_row("verify", f"After the repair: {sentence(row.verify)}"))
    return Group(*rows)


def _row(label: str, text: RenderableType, indent: int = 2) -> RenderableType:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(
        min_width=LABEL_WIDTH + 2 - indent,
        max_width=30,
        style="dim" if indent else "bold",
        overflow="fold",
    )
    grid.add_column(ratio=1, overflow="fold")
    grid.add_row(Text(_visible(label)), Text(_visible(text)) if isinstance(text, str) else text)
    return Padding(grid, (0, 0, 0, indent))


def _visible(text: str) -> str:
    """What was pasted must not steer the terminal."""
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
