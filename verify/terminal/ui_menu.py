"""A list to choose from: what is under the pointer, what was typed at it, how it is laid out. Pure.

Nothing stands under the pointer when a list is opened, so that Enter alone takes no answer: a
tired hand, or a key that bounced, passes no car. A line is taken by going to it (arrows, or its
number) and Enter; and the line that stops a job is never next to an answer when going up.

    keys ─→ Menu ─enter→ "" (nothing yet, `message` says why) or the value chosen
            Menu ─rows(width)→ what is shown, each line wrapped with a hanging indent

`ui_keys` puts it on a terminal.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

from verify.terminal.marks import MARKS
from verify.terminal.tongue import mark, tr
from verify.terminal.ui import PlainWishes
from verify.words import Verdict

POINTER, HINT_LEAD = "► ", "  ── "
HOW_MARKED = mark("choose: ↑ ↓ or number, then Enter; there ? for not seen")
_LEAD = re.compile(rf" *(?:[-·{''.join(MARKS.values())}▲] +)?")
WRONG, UNSEEN, FINE = MARKS[Verdict.FAIL], MARKS[Verdict.UNDECIDED], "·"


@dataclass(frozen=True, slots=True)
class Line:
    """value: what choosing it gives; number: what is typed to go to it, "" for none.

    below: it stands under the rule, with what is always offered. shy: only Down leads to it.
    """

    value: str
    label: str
    number: str = ""
    below: bool = False
    shy: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One row as shown. line: index of its line, -1 for the question and the rule."""

    text: str
    style: str = ""
    line: int = -1


@dataclass(slots=True)
class Marking:
    """A list whose lines are marked, not taken. go_on: value of the line that ends it.

    none, marked, unseen: what the line that ends it says while nothing is marked, while something
    is, and while lines were not seen; unseen "" where a line can only be marked.
    """

    go_on: str
    none: str
    marked: str
    unseen: str = ""
    wrong: set[str] = field(default_factory=set)
    hidden: set[str] = field(default_factory=set)

    def words(self) -> str:
        parts = [self.marked] if self.wrong else []
        parts += [self.unseen] if self.hidden else []
        if not parts:
            return self.none
        words = "; ".join(parts)
        return tr("{marked}: go on", marked=words[:1].upper() + words[1:])

    def sign(self, value: str) -> str:
        return WRONG if value in self.wrong else UNSEEN if value in self.hidden else FINE

    def toggle(self, value: str, into: set[str]) -> None:
        other = self.hidden if into is self.wrong else self.wrong
        other.discard(value)
        into ^= {value}


@dataclass(slots=True)
class Menu:
    """at: the line under the pointer, None at first; armed: whether Enter takes it."""

    prompt: str
    lines: Sequence[Line]
    wishes: PlainWishes = field(default_factory=PlainWishes)
    tight: bool = False
    marking: Marking | None = None
    at: int | None = None
    armed: bool = False
    typed: str = ""
    digits: str = ""
    message: str = ""

    # Keys

    def go(self, step: int) -> None:
        """One line down (1) or up (-1). Up passes by what is shy, from every line and at first."""
        count = len(self.lines)
        at = self.at
        if at is None:
            at = -1 if step > 0 else count
        for _ in range(count):
            at = (at + step) % count
            if step > 0 or not self.lines[at].shy:
                break
        self._point(at)
        self.digits = ""

    def _point(self, at: int) -> None:
        self.at, self.armed, self.typed, self.message = at, True, "", ""

    def type(self, text: str) -> None:
        """What a key or a paste typed. A number goes to its line; all else waits for Enter."""
        for char in text:
            if self.typed or (not self._number(char) and not self._mark(char)):
                self.typed += char

    def _number(self, char: str) -> bool:
        numbers = {line.number: i for i, line in enumerate(self.lines) if line.number}
        for digits in (self.digits + char, char):
            if digits in numbers:
                self._point(numbers[digits])
                self.digits = digits
                return True
        return False

    def _mark(self, char: str) -> bool:
        if self.marking is None or char not in (" ", "?") or self.at is None:
            return False
        value = self.lines[self.at].value
        if value == self.marking.go_on or self.lines[self.at].below:
            return False
        if char == "?" and not self.marking.unseen:
            return False
        self.marking.toggle(value, self.marking.hidden if char == "?" else self.marking.wrong)
        self.armed, self.digits, self.message = False, "", ""
        return True

    def rub(self) -> None:
        self.typed = self.typed[:-1]

    def clear(self) -> None:
        self.at, self.armed, self.typed, self.digits, self.message = None, False, "", "", ""

    def enter(self) -> str | None:
        """The value taken ("!stop" … for a wish), or None, and then `message` says what to do."""
        typed, self.typed, self.digits = self.typed.strip(), "", ""
        if typed:
            wish = self.wishes.read(typed)
            if wish is not None:
                return "!" + wish
            if typed == "?" and self.marking is not None and self.marking.unseen:
                self.message = tr("Go to the line first (↑ ↓ or its number), then type ?.")
                return None
            self.message = tr('"{text}" is no answer here.', text=typed) + " " + self.how()
            return None
        if self.at is None or not self.armed:
            self.message = tr("Nothing is recorded yet.") + " " + self.how()
            return None
        line = self.lines[self.at]
        if self.marking is not None and not line.below and line.value != self.marking.go_on:
            self.marking.toggle(line.value, self.marking.wrong)
            # A second Enter, of a key that bounced, must not take the mark away again.
            self.armed, self.message = False, ""
            return None
        return line.value

    def how(self) -> str:
        """How a line is taken, in one line."""
        last = max((int(line.number) for line in self.lines if line.number), default=0)
        if self.marking is not None and self.marking.unseen:
            return tr(HOW_MARKED)
        if last < 2:
            return tr("choose: ↑ ↓, then Enter")
        return tr("choose: ↑ ↓ or 1–{last}, then Enter", last=last)

    # Layout

    def rows(self, width: int) -> list[Row]:
        """Everything shown, at most `width` columns; longer lines go on below their own text."""
        note = self.typed or self.message or self.how()
        style = "message" if self.typed or self.message else "dim"
        head = f"» {self.prompt}" + (f"  ({note})" if self.tight else "")
        rows = [Row(text, "prompt") for text in wrapped(head, width, "  ")]
        pad = max((len(line.number) for line in self.lines), default=0)
        ruled = self.tight
        for index, line in enumerate(self.lines):
            if line.below and not ruled:
                rows += self._rule(note, style, width)
                ruled = True
            label, sign = line.label, ""
            if self.marking is not None and not line.below:
                if line.value == self.marking.go_on:
                    label = self.marking.words()
                else:
                    sign = self.marking.sign(line.value) + " "
            here = index == self.at
            first = (POINTER if here else "  ") + (f"{line.number:>{pad}} " if pad else "") + sign
            if line.below:
                first = POINTER if here else "  "
            look = "stop" if line.shy else "chosen" if here and self.armed else ""
            for text in wrapped(label, width, " " * len(first), first):
                rows.append(Row(text, look, index))
        if not ruled:
            rows += self._rule(note, style, width)
        return rows

    def _rule(self, note: str, style: str, width: int) -> list[Row]:
        rows = wrapped(note, width, " " * len(HINT_LEAD), HINT_LEAD)
        if len(rows) == 1:
            rows = [f"{rows[0]} {'─' * (min(56, width) - len(rows[0]) - 1)}".rstrip()]
        return [Row(text, style) for text in rows]


def wrapped(text: str, width: int, hang: str, first: str = "") -> list[str]:
    """Lines of at most `width`, the second and later moved in by `hang`; never none."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        lead = hang if lines else first
        lines += textwrap.wrap(
            paragraph, max(width, len(hang) + 8), initial_indent=lead, subsequent_indent=hang
        ) or [lead]
    return lines


def hung(text: str, width: int) -> str:
    """What is told, its longer lines broken at words and nowhere else.

    Of a line that is moved in, or begins with a mark of a list, the second and later rows begin
    where its words begin.
    """
    rows: list[str] = []
    for line in text.split("\n"):
        lead = " " * len(_LEAD.match(line).group())  # type: ignore[union-attr]  # matches always
        rows += textwrap.wrap(
            line,
            max(width, len(lead) + 8),
            subsequent_indent=lead,
            break_on_hyphens=False,
            break_long_words=False,
        ) or [""]
    return "\n".join(rows)


def rows_more(labels: Collection[str], width: int, indent: int) -> int:
    """How many rows labels take beyond one each, in a list of `width` columns."""
    return sum(len(wrapped(label, width, " " * indent, " " * indent)) - 1 for label in labels)
