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

WISHES: dict[str, str] = {
    CANNOT: mark("I cannot do this (say why)"),
    NOTE: mark("Write a note"),
    CORRECT: mark("Correct an earlier answer"),
    SPEC: mark("Change a number of this car"),
    PAUSE: mark("Pause; go on later"),
    STOP: mark("STOP: not safe"),
}
# What is typed for them; the English words hold in every language.
_TYPED: dict[str, str] = {
    CANNOT: mark("!cannot"),
    NOTE: mark("!note"),
    CORRECT: mark("!correct"),
    SPEC: mark("!spec"),
    PAUSE: mark("!pause"),
    STOP: mark("!stop"),
}


class Wish(Exception):
    """A person asked for a command instead of answering."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(name)


@dataclass(frozen=True, slots=True)
class Option:
    key: str
    label: str


@dataclass(frozen=True, slots=True)
class Page:
    """One screen: where we are, the cautions that belong here, what is asked and why.

    cautions: (title, measure). note: one line of what should be remembered ("second try of two").
    before: what came of the answer before. prompt_rows: rows that the prompt below will take.
    """

    job: str
    flow: str
    progress: str
    title: str
    say: str
    why: str = ""
    note: str = ""
    before: str = ""
    cautions: tuple[tuple[str, str], ...] = ()
    wishes: tuple[str, ...] = (CANNOT, NOTE, CORRECT, SPEC, PAUSE, STOP)
    prompt_rows: int = 8


@dataclass(slots=True)
class PlainWishes:
    """Which wishes the page at hand allows, by the letter or word a person types."""

    allowed: tuple[str, ...] = field(default=tuple(WISHES))

    def read(self, text: str) -> str | None:
        """The wish that "!stop", "!s" … names, if the page allows it."""
        if not text.startswith("!"):
            return None
        word = text[1:].strip().casefold()
        if not word:
            return None
        for name in self.allowed:
            if name.startswith(word):
                return name
        return next((name for name in self.allowed if tr(_TYPED[name])[1:].startswith(word)), None)

    def words(self) -> list[str]:
        """What may be typed, each with its exclamation mark."""
        return [tr(_TYPED[name]) for name in WISHES if name in self.allowed]


class Ui(Protocol):
    wishes: PlainWishes
    """What may be wished for at the next prompts; a page sets it, and a prompt may narrow it."""

    def page(self, page: Page) -> None:
        """Shows a screen; the prompts that follow belong to it."""

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        """The key of the option chosen. Raises Wish."""

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        """The keys of the options marked. Raises Wish.

        none: what it means to mark nothing ("all of these are fine"); marked: what the marks mean.
        """

    def ask(self, prompt: str, *, hint: str = "", default: str = "", empty: bool = False) -> str:
        """A line of text; an empty one only where `empty` allows it. Raises Wish."""

    def tell(self, *parts: object) -> None:
        """Shows text or rich renderables and goes on."""

    def stop_sign(self, text: str) -> None:
        """The unmistakable STOP."""

    def wait(self, seconds: float, left: Callable[[], float]) -> None:
        """Counts down until `left()` is not above zero. Raises Wish (pause) on an interrupt."""
