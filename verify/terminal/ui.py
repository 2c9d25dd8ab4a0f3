"""What the runner needs of a person's screen, whatever it is made of.

Two makings: `ui_screen` (rich and questionary, for a terminal) and `ui_lines` (plain lines, for
pipes, screen readers and dumb terminals). At every prompt a person may also ask for one of the
commands below; a prompt then raises `Wish` instead of returning.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from verify.terminal.tongue import mark, tr

CANNOT, NOTE, CORRECT, SPEC, PAUSE, STOP = "cannot", "note", "correct", "spec", "pause", "stop"
LEAVE_OUT, BACK = "leave-out", "back"

WISHES: dict[str, str] = {
    LEAVE_OUT: mark("Leave it out: not required, and fine"),
    CANNOT: mark("I cannot do this (say why)"),
    NOTE: mark("Write a note"),
    CORRECT: mark("Correct an earlier answer"),
    SPEC: mark("Change a number of this car"),
    PAUSE: mark("Pause; go on later"),
    STOP: mark("STOP: not safe"),
}
# What is typed for them; the English words hold in every language.
_TYPED: dict[str, str] = {
    LEAVE_OUT: mark("!leave-out"),
    CANNOT: mark("!cannot"),
    NOTE: mark("!note"),
    CORRECT: mark("!correct"),
    SPEC: mark("!spec"),
    PAUSE: mark("!pause"),
    STOP: mark("!stop"),
}
# To the question before; typed at any prompt of a page, and in no list of its own.
_BACK = mark("!back")
# What an empty line does, where it does something: said beside the question.
BLANK: dict[str, str] = {
    BACK: mark("An empty line or !back goes back."),
    LEAVE_OUT: mark("Not required: Enter alone leaves it out, and that is fine."),
}


class Wish(Exception):
    """A person asked for a command instead of answering."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(name)


@dataclass(frozen=True, slots=True)
class Option:
    """ready: Enter alone takes it. Only where nothing is answered by it ("Go on")."""

    key: str
    label: str
    ready: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """One screen: where we are, the cautions that belong here, what is asked and why.

    cautions: (title, measure). note: one line of what should be remembered ("second try of two").
    facts: what is on the record and needed here, a line each. before: what came of the answer
    before. prompt_rows: rows that the prompt below will take, were
    each of its lines one row; labels: those lines, where they may be longer.
    """

    job: str
    flow: str
    progress: str
    title: str
    say: str
    why: str = ""
    note: str = ""
    before: str = ""
    facts: tuple[str, ...] = ()
    cautions: tuple[tuple[str, str], ...] = ()
    wishes: tuple[str, ...] = (CANNOT, NOTE, CORRECT, SPEC, PAUSE, STOP)
    prompt_rows: int = 8
    labels: tuple[str, ...] = ()


@dataclass(slots=True)
class PlainWishes:
    """Which wishes the page at hand allows, by the letter or word a person types."""

    allowed: tuple[str, ...] = field(default=tuple(w for w in WISHES if w != LEAVE_OUT))
    silent: tuple[str, ...] = ()
    """Taken where it is typed, and not offered."""

    def read(self, text: str) -> str | None:
        """The wish that "!stop", "!st" … names, if the page allows it."""
        if not text.startswith("!"):
            return None
        word = text[1:].strip().casefold()
        if not word:
            return None
        known = (*self.allowed, *self.silent)
        for name in known:
            if name.startswith(word):
                return name
        typed = _TYPED | {BACK: _BACK}
        return next((name for name in known if tr(typed[name])[1:].startswith(word)), None)

    def goes_back(self, text: str) -> bool:
        """Whether a line typed where one can go back means just that."""
        return text.casefold() in ("", "back", "!back", tr(_BACK), tr(_BACK)[1:])

    def words(self) -> list[str]:
        """What may be typed, each with its exclamation mark."""
        words = [tr(_TYPED[name]) for name in WISHES if name in self.allowed]
        return words + ([tr(_BACK)] if words and BACK in self.silent else [])


class Ui(Protocol):
    wishes: PlainWishes
    """What may be wished for at the next prompts; a page sets it, and a prompt may narrow it."""

    @property
    def width(self) -> int:
        """Columns that a row may take."""

    def page(self, page: Page) -> None:
        """Shows a screen; the prompts that follow belong to it."""

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        """The key of the option chosen; no option is taken by Enter alone but one that is `ready`.
        Raises Wish."""

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        """The keys of the options marked. Raises Wish.

        none: what it means to mark nothing ("all of these are fine"); marked: what the marks mean.
        """

    def mark(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str, unseen: str
    ) -> tuple[frozenset[str], frozenset[str]]:
        """As `choose_many`, where a line may also be one that nobody could look at: the keys
        marked, and the keys not seen. Raises Wish."""

    def ask(
        self,
        prompt: str,
        *,
        hint: str = "",
        default: str = "",
        empty: bool = False,
        blank: str = "",
    ) -> str:
        """A line of text; an empty one only where `empty` allows it, or where `blank` says which
        wish it is: BACK, which "!back" says too, or LEAVE_OUT. Raises Wish."""

    def tell(self, *parts: object) -> None:
        """Shows text or rich renderables and goes on."""

    def stop_sign(self, text: str) -> None:
        """The unmistakable STOP."""

    def wait(self, seconds: float, left: Callable[[], float]) -> None:
        """Counts down until `left()` is not above zero. Raises Wish (pause) on an interrupt."""
