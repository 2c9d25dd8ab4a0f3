"""Slips of the hand in YAML that its reader puts in words of its own: indentation, dashes, braces.

Looks at the line where the reader gave up, and at those above it. Where it recognises nothing, the
reader's own complaint stands (`syntax`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

Slip = tuple[str, str, int, int]
"""found, what to do, line, column (from 1)."""

_DASH = re.compile(r"( *)-(?=[^\s-])")
_TIGHT = re.compile(r"( *(?:- )?)([a-z][a-z_-]*):(?=[^\s:/])")


def slip(lines: Sequence[str], line: int, column: int) -> Slip | None:
    """What slipped at `line`, `column` (from 1), or None where nothing is recognised."""
    text = lines[line - 1]
    left = text[: column - 1]
    at = text[column - 1 : column]
    if "\t" in left[: len(left) - len(left.lstrip())] or at == "\t":
        return None if not left.strip() else ("a tab", "use spaces", line, column)
    if dash := _DASH.match(text):
        place = len(dash[1]) + 1
        return 'a "-" without a space behind it', 'write "- "', line, place
    if (tight := _TIGHT.match(text)) and ": " not in text:
        place = len(tight[1]) + 1
        return (
            'a ":" without a space behind it',
            f'write "{tight[2]}: {text[tight.end() :].strip()}"',
            line,
            place,
        )
    if at and at in "]}":
        return f'a "{at}" that closes nothing', "remove it, or open it before", line, column
    if re.search(r"(: |- )'[^']*'$", left) and at.isalnum():
        return (
            "an apostrophe within single quotes",
            "put the text in double quotes, or write the apostrophe twice",
            line,
            column - 1,
        )
    if at and at in "%@`" and re.search(r"[:\-] +$", left):
        return f'a text that begins with "{at}"', "put the text in quotes", line, column
    return _indentation(lines, line)


def _indentation(lines: Sequence[str], line: int) -> Slip | None:
    """A line that begins in a column where nothing above it begins."""
    number = next((n for n in range(line - 1, 0, -1) if _says(lines[n - 1])), 0)
    if not number:
        return None
    here, above = _indent(lines[line - 1]), _indent(lines[number - 1])
    before = lines[number - 1].strip()
    if here == above and lines[line - 1].strip().startswith("- ") and not before.startswith("-"):
        return f'a "-" below line {number}, which has none', 'begin each with "- "', line, here + 1
    if here > above and before[-1:] not in ":-|>" and not before.endswith(">-"):
        return _moved(line, here, above)
    if here < above:
        known = {_indent(text) for text in lines[: line - 1] if _says(text)}
        if here not in known:
            return _moved(line, here, min(known, key=lambda n: (abs(n - here), -n)))
    return None


def _moved(line: int, here: int, there: int) -> Slip:
    way, many = ("left", here - there) if here > there else ("right", there - here)
    spaces = "one space" if many == 1 else f"{many} spaces"
    return (
        "a line that begins where none above it does",
        f"move it {spaces} to the {way}",
        line,
        here + 1,
    )


def _says(text: str) -> bool:
    return bool(text.strip()) and not text.lstrip().startswith("#")


def _indent(text: str) -> int:
    return len(text) - len(text.lstrip(" "))
