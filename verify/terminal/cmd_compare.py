"""`keysback compare BEFORE AFTER`: the same checks on both, and what moved.

Nothing is stored, and nothing here lets a car go: a car that is better may still be bad.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from verify.terminal.recording_options import (
    add_options,
    chosen_checks,
    column_mapping,
    fitting_checks,
    read_file,
    recording_json,
    row_interval_s,
    vehicle_specs,
)
from verify.terminal.sound_options import (
    add_told_option,
    named_option,
    said_of_sound,
    with_cylinders,
)

if TYPE_CHECKING:
    from verify.evidence.compare import Comparison
    from verify.evidence.recording import Recording

HELP = "put the same checks to before and after: what moved"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Puts the same checks to a recording from before a repair and one from after "
        "it, and says of each: better, unchanged, worse, or cannot tell. Record both in the same "
        "way and under the same conditions. Exit code 0 whatever moved, 2 for input that cannot "
        "be judged. Nothing is stored.",
    )
    p.add_argument("before", metavar="BEFORE", help="the recording from before")
    p.add_argument("after", metavar="AFTER", help="the recording from after")
    for side in ("before", "after"):
        p.add_argument(
            f"--also-{side}",
            action="append",
            default=[],
            metavar="FILE",
            help=f"one more recording from {side}, judged together with it; may be repeated",
        )
        p.add_argument(
            f"--key-on-{side}",
            metavar="TIMES",
            help=f"when in the sound from {side} the key was turned on: 3.2s,21.5s",
        )
    add_told_option(p)
    add_options(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for whatever cannot be judged; the door prints it and exits with 2."""
    from verify.evidence.compare import compare

    names = chosen_checks(args.check)
    specs, unused = vehicle_specs(with_cylinders(args.spec, args.cylinders), args.specs)
    before = _side(args, "before", (args.before, *args.also_before))
    after = _side(args, "after", (args.after, *args.also_after))
    fitting = None if args.all or args.json else fitting_checks([*before, *after])
    found = compare(before, after, specs, names or fitting)
    if args.json:
        _print_json(before, after, found)
    else:
        _print_words(before, after, found, unused, args.units, args.all or names is not None)
    return 0


def _side(args: argparse.Namespace, side: str, paths: Sequence[str]) -> list[Recording]:
    """The recordings of one side; the times of its key-ons are those of its first file."""
    from verify.errors import UserError

    mapping, interval_s = column_mapping(args.map) or {}, row_interval_s(args.every)
    option = f"--key-on-{side}"
    told = said_of_sound(args.told, None)
    keys = said_of_sound(None, getattr(args, f"key_on_{side}"), option=option)
    found = []
    for number, path in enumerate(paths):
        said = {**mapping, **told, **(keys if number == 0 else {})}
        try:
            found.append(read_file(path, said or None, interval_s))
        except UserError as error:
            raise UserError(*(named_option(p, option) for p in error.problems)) from None
    return found


def _key_on_options(
    found: Sequence[Comparison], before: Sequence[Recording], after: Sequence[Recording]
) -> str:
    """What is to be said where a sound seems to hold the key, and not when; "" where none does."""
    from verify.evidence.checks.ear import KEY_CHECK
    from verify.terminal.cmd_listen import asked

    ticking = [c for c in found if c.check == KEY_CHECK]
    options = []
    for side, recordings in (("before", before), ("after", after)):
        untold = any(getattr(c, side).finding == "no-key-on" for c in ticking)
        if untold and KEY_CHECK in asked(recordings[0]):
            options.append(f"--key-on-{side} 3.2s,21.5s")
    return " ".join(options)


def _print_json(
    before: Sequence[Recording], after: Sequence[Recording], found: Sequence[Comparison]
) -> None:
    import json

    from verify.evidence.compare import in_both

    value = {
        "before": [recording_json(r) for r in before],
        "after": [recording_json(r) for r in after],
        "in_both": [r.sha256 for r in in_both(before, after)],
        "comparisons": [c.to_json() for c in found],
    }
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _print_words(
    before: Sequence[Recording],
    after: Sequence[Recording],
    found: Sequence[Comparison],
    unused: Sequence[str],
    system: str,
    full: bool,
) -> None:
    from rich.text import Text

    from verify.evidence.compare import in_both
    from verify.terminal.screen import Printer, rows
    from verify.terminal.show_change import changes, counted_changes

    show = Printer()
    sides: list[tuple[Any, Any]] = []
    for title, recordings in (("BEFORE", before), ("AFTER", after)):
        for r in recordings:
            told = Text(r.source_name, style="bold", overflow="fold")
            told.append(f"  {r.seconds:.0f} s", style="not bold")
            sides.append((title, told))
    show(rows(sides, 6, indent=0))
    if unused:
        show(Text(f"No check uses these specs: {', '.join(unused)}.", style="dim"))
    if both := in_both(before, after):
        names = ", ".join(r.source_name for r in both)
        show("", Text(f"The same file stands on both sides: {names}.", style="bold"))
        show(
            "There is nothing to compare. Name the recording from before, then the one from after."
        )
        return
    for block in changes(found, system, full=full):
        show("", block)
    show("", counted_changes(found))
    if options := _key_on_options(found, before, after):
        show(f"If the key was turned on in these sounds, say when, for example: {options}")
    show(
        Text(
            "The doubt (±, twice the standard uncertainty) is that of the recordings; what a car "
            "varies by from one day to the next is not in it. Better is not yet good: this lets no "
            "car go.",
            style="dim",
        )
    )
