"""A problem a user can cause, and the one way it is shown.

Stands at the bottom of the house: every layer says what went wrong with a `Problem` and adds what
it knows (a parser knows the line, its caller the file). Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Problem(NamedTuple):
    """One thing that is wrong with what a user gave, and what to do about it.

    line, column: counted from 1; 0 where unknown.
    field: dotted path inside the file ("steps.warm-idle.limits"), or the option's name.
    found, expected: fragments that complete "found …; expected …".
    next: one full instruction in the imperative.
    """

    found: str
    expected: str = ""
    next: str = ""
    file: str = ""
    line: int = 0
    column: int = 0
    field: str = ""

    def within(self, *, file: str = "", field: str = "", line: int = 0, column: int = 0) -> Problem:
        """The same problem with what an outer level knows; never overwrites what is known."""
        joined = ".".join(part for part in (field, self.field) if part)
        return self._replace(
            file=self.file or file,
            field=joined,
            line=self.line or line,
            column=self.column or column,
        )


class UserError(Exception):
    """Carries problems up to the front end, which prints them all and exits with 2."""

    def __init__(self, *problems: Problem) -> None:
        if not problems:
            raise ValueError("a UserError needs at least one Problem")
        self.problems: tuple[Problem, ...] = problems
        super().__init__(render(problems))

    def within(self, *, file: str = "", field: str = "") -> UserError:
        return UserError(*(p.within(file=file, field=field) for p in self.problems))


def render(problems: Iterable[Problem]) -> str:
    """All problems as text, one block each; the first line of a block is what editors can follow.

    file:line:column: field
      found …; expected …
      what to do next
    """
    blocks = []
    for p in problems:
        place = p.file
        if p.line:
            at = f"{p.line}" + (f":{p.column}" if p.column else "")
            place = f"{place}:{at}" if place else f"line {at}"
        head = ": ".join(part for part in (place, p.field) if part)
        body = f"found {_shown(p.found)}" + (f"; expected {p.expected}" if p.expected else "")
        lines = [head] if head else []
        lines.append(f"  {body}")
        if p.next:
            lines.append(f"  {p.next}")
        blocks.append("\n".join(_visible(line) for line in lines))
    return "\n".join(blocks)


def _shown(found: str, most: int = 200) -> str:
    """What was found, cut in the middle where nobody would read it to the end."""
    return found if len(found) <= most else f"{found[: most - 60]} … {found[-57:]}"


def _visible(line: str) -> str:
    """One line that a screen shows as it is: what a file contains must not steer the terminal."""
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in line)


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like `word`, or "" where none is close."""
    # Imported here: most runs find nothing wrong, and the list of jobs must open at once.
    import difflib

    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else ""


def unknown(word: str, known: Iterable[str], what: str) -> Problem:
    """The problem of a name that does not exist, with the known ones and the nearest."""
    names = sorted(known)
    guess = nearest(word, names)
    listed = ", ".join(names[:12]) + (f" … ({len(names)} in all)" if len(names) > 12 else "")
    return Problem(
        found=f'"{word}"',
        expected=f"a known {what}: {listed}" if names else f"a known {what} (there is none)",
        next=f'write "{guess}"' if guess else f"choose a name that exists, or add the {what}",
    )
