"""`keysback flows translate`: the side file with a flow's texts in another language.

Writes a skeleton, or brings an old side file up to date, and says what is still open.
"""

from __future__ import annotations

import argparse
from typing import Any

MOST_LISTED = 12


def add(words: Any) -> None:
    from verify.words import LANGUAGES

    p = words.add_parser(
        "translate",
        help="write or renew the file with a flow's texts in another language",
        description="Writes FLOW.LANGUAGE.yaml beside the flow or part (for one of the library: "
        "here), with the English of each text and room for its translation. What is translated "
        "already is kept; where the English has changed, the old translation stands beside it as "
        "`was`. The flow can be walked in the language once nothing is open.",
    )
    p.add_argument("flow", help="flow or part: a file, or a name of the library")
    p.add_argument("--to", required=True, choices=sorted(LANGUAGES), metavar="LANGUAGE",
                   help=f"one of: {', '.join(LANGUAGES)}")  # fmt: skip
    p.add_argument("-o", "--output", metavar="FILE", help="another place for the file")
    p.add_argument("--check", action="store_true", help="write nothing, only say what is open")


def run(args: argparse.Namespace) -> int:
    from pathlib import Path

    from verify.errors import Problem, UserError
    from verify.flow.load import read_translation
    from verify.flow.side_text import comment_of, side_text
    from verify.flow.text import text_to_tree
    from verify.terminal import library

    place = library.place_of(args.flow)
    text, source = library.read_place(place)
    old = library.sides_of(place).get(args.to)
    target = Path(args.output or library.side_beside(place, args.to))
    if target.is_file() and not args.check:
        old = library.read_text(target), str(target)
    tree, _ = read_translation(text, source, None, args.to)
    before = text_to_tree(*old) if old is not None else None
    if isinstance(before, list):
        raise UserError(*before)
    drafted = side_text(tree, args.to, before, comment_of(old[0]) if old is not None else "")
    if not args.check:
        try:
            target.write_text(drafted.text, encoding="utf-8")
        except OSError as error:
            raise UserError(
                Problem(
                    found=f"a file that cannot be written ({error.strerror})",
                    expected="a folder that can be written to",
                    next="name another place with -o",
                    file=str(target),
                )
            ) from None
        print(f"{target}: written.")
    return _report(drafted, args.check)


def _report(drafted: Any, check: bool) -> int:
    fresh = [name for name in drafted.open if name not in drafted.stale]
    for names, words in (
        (fresh, "to translate"),
        (drafted.stale, "to look at again, as the English has changed"),
        (drafted.dropped, "not in the flow any more, and left out"),
    ):
        if names:
            print(f"{len(names)} {words}:")
            print("".join(f"  {name}\n" for name in names[:MOST_LISTED]), end="")
            if len(names) > MOST_LISTED:
                print(f"  … and {len(names) - MOST_LISTED} more")
    if not drafted.open:
        print("Nothing is open.")
    return 2 if check and drafted.open else 0
