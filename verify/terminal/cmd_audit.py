"""`keysback audit FILE`: what of a job file holds, for whoever does not trust its maker."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from verify.errors import Problem, UserError

if TYPE_CHECKING:
    from verify.car.since_clear import Drive
    from verify.job.audit import Audit
    from verify.job.recompute import ReadAgain, Told
    from verify.job.session import ReadOnlySession

HELP = "check a job file: seal, signatures, every verdict again"
FINGERPRINT_LETTERS = 43
MOST_LINES = 6


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Looks at everything in a job file and computes every verdict again, "
        "without unpacking it into any folder. Exit code: 0 all holds (notes allowed), 1 something "
        "does not hold, 2 it cannot be read."
    )
    p.add_argument("file", help="the job file")
    p.add_argument(
        "--trust",
        metavar="FINGERPRINT",
        action="append",
        default=[],
        help="a key whose owner you know; may be given several times. Get the fingerprint from "
        "the person, not from the file",
    )
    p.add_argument(
        "--quick", action="store_true", help="without computing the verdicts again, and say so"
    )
    p.add_argument("--entries", action="store_true", help="with one line for each entry")
    p.add_argument("--json", action="store_true", help="all of it, as JSON")
    return p


def run(args: argparse.Namespace) -> int:
    from verify.job.audit import audit
    from verify.terminal.recordings import open_file

    trust = [_fingerprint(text) for text in args.trust]
    with open_file(args.file, "job file") as stream:
        found = audit(
            stream,
            args.file,
            trust=trust,
            told=told_again(),
            verdicts=not args.quick,
        )
    if args.json:
        json.dump(found.to_json(), sys.stdout, indent=2, ensure_ascii=False)
        print()
    else:
        for line in audit_lines(found, entries=args.entries):
            print(line)
    return 1 if found.findings else 0


def _fingerprint(text: str) -> str:
    from verify.job.jws import BadSignature, decode

    bare = text.strip()
    try:
        if len(bare) == FINGERPRINT_LETTERS and decode(bare, "the fingerprint"):
            return bare
    except BadSignature:
        pass
    raise UserError(
        Problem(
            field="--trust",
            found=f'"{text}"',
            expected=f"a whole fingerprint, {FINGERPRINT_LETTERS} letters, digits, - and _",
            next="ask its owner: keysback people list --json shows it on their machine",
        )
    )


def told_again() -> Told:
    """What a code reading takes from the job around it, as it was taken then."""
    from verify.job.recompute import Told
    from verify.terminal.clock import read_stamp
    from verify.terminal.code_words import recorded_drive, recording_of_drive, told_clear

    def drive(session: ReadOnlySession, read: ReadAgain) -> Drive | None:
        made = recording_of_drive(session)
        return recorded_drive(session, read(made) if made is not None else None)

    return Told(drive, lambda session, time: told_clear(session, read_stamp(time)))


def audit_lines(found: Audit, *, entries: bool = False) -> list[str]:
    """The audit for a terminal of 80 columns."""
    from verify.job.audit import Level

    marks = {Level.HOLDS: "✓", Level.NOTE: "·", Level.FINDING: "✗"}
    lines = [*_wrapped(found.sentence, ""), ""]
    head = " · ".join(t for t in (f"job {found.job}", found.flow, found.ending) if t)
    lines += [*_wrapped(head, ""), "✓ holds   · worth knowing   ✗ does not hold", ""]
    for part in found.parts:
        lines += _wrapped(part.text, f"{marks[part.level]} {part.name:<11}", " " * 13)
        shown = part.more if entries else part.more[:MOST_LINES]
        for text in shown:
            lines += _wrapped(text, " " * 13 + "- ", " " * 15)
        if len(shown) < len(part.more):
            lines.append(" " * 13 + f"- and {len(part.more) - len(shown)} more (--entries)")
    if entries:
        lines += ["", "Entries:"]
        for e in found.entries:
            first = f"{e.seq} {e.time} {e.kind}" + (f" {e.step}" if e.step else "")
            texts = "; ".join(e.texts) or "not signed, holds in the chain"
            lines += _wrapped(f"{first}: {texts}", f"{marks[e.level]} ", "  ")
    return lines


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    import textwrap

    rest = " " * len(first) if rest is None else rest
    # What a file contains must not steer the terminal.
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return textwrap.wrap(
        plain, 78, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    ) or [first.rstrip()]
