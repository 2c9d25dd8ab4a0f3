"""The plain line mode: everything as lines of text, answers typed.

For terminals that cannot draw, for pipes and for screen readers. Wishes are typed with a leading
exclamation mark, so that no answer can be mistaken for one.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import TextIO

from verify.terminal.tongue import must, tr
from verify.terminal.ui import PAUSE, Option, Page, PlainWishes, Wish


class LineUi:
    def __init__(self, source: TextIO | None = None, target: TextIO | None = None) -> None:
        self.source = source or sys.stdin
        self.target = target or sys.stdout
        self.wishes = PlainWishes()

    def write(self, text: str = "", indent: str = "", hang: str = "") -> None:
        """hang: what the second and later rows of a paragraph are moved in by."""
        for paragraph in text.split("\n"):
            lines = textwrap.wrap(paragraph, 78 - len(indent), subsequent_indent=hang) or [""]
            for line in lines:
                self.target.write(f"{indent}{line}\n")
        self.target.flush()

    def page(self, page: Page) -> None:
        self.wishes = PlainWishes(page.wishes)
        self.write()
        if page.before:
            self.write(page.before)
        self.write("-" * 78)
        self.write(f"{page.flow} · {tr('job {job}', job=page.job)} · {page.progress}")
        self.write()
        self.write(page.title.upper())
        caution = must("CAUTION")
        for title, measure in page.cautions:
            self.write(caution + f", {title}: {measure}")
        if page.cautions:
            self.write()
        self.write(page.say)
        if page.why:
            self.write(tr("Why: {why}", why=page.why))
        if page.note:
            self.write(page.note)

    def _read(self, prompt: str) -> str:
        while True:
            self.target.write(prompt)
            self.target.flush()
            line = self.source.readline()
            if line == "":
                # The end of the input is a pause: nothing is lost, and the job can be resumed.
                raise Wish(PAUSE)
            text = line.strip()
            wish = self.wishes.read(text)
            if wish is not None:
                raise Wish(wish)
            if not text.startswith("!"):
                return text
            self.write(tr('"{text}" is not offered here.', text=text))

    def _offer(self) -> None:
        words = ", ".join(self.wishes.words())
        if words:
            self.write(tr("(or type {words})", words=words))

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        self.write()
        self.write(prompt)
        for number, option in enumerate(options, start=1):
            self.write(f"{number}. {option.label}", "  ")
        self._offer()
        while True:
            text = self._read(tr("Number: "))
            if text.isdecimal() and 1 <= int(text) <= len(options):
                return options[int(text) - 1].key
            for option in options:
                if text == option.key:
                    return option.key
            self.write(
                tr(
                    '"{text}" is none of them: type a number from 1 to {most}.',
                    text=text,
                    most=len(options),
                )
            )

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        self.write()
        self.write(prompt)
        for number, option in enumerate(options, start=1):
            self.write(f"{number}. {option.label}", "  ")
        self._offer()
        while True:
            text = self._read(
                tr("Numbers ({marked}), or none ({none}): ", marked=marked, none=none)
            )
            if text.casefold() in ("none", tr("none"), "0"):
                return frozenset()
            words = text.replace(",", " ").split()
            if words and all(w.isdecimal() and 1 <= int(w) <= len(options) for w in words):
                return frozenset(options[int(w) - 1].key for w in words)
            self.write(tr('Type the numbers that apply, such as "1 4", or the word none.'))

    def ask(self, prompt: str, *, hint: str = "", default: str = "", empty: bool = False) -> str:
        self.write()
        if hint:
            self.write(hint)
        self._offer()
        shown = f"{prompt} [{default}]: " if default else f"{prompt}: "
        while True:
            text = self._read(shown) or default
            if text or empty:
                return text
            self.write(tr("Please type something."))

    def tell(self, *parts: object) -> None:
        for part in parts:
            if isinstance(part, str):
                self.write(part)
            else:
                from rich.console import Console

                Console(file=self.target, width=80, no_color=True, highlight=False).print(part)

    def stop_sign(self, text: str) -> None:
        self.write()
        self.write("#" * 78)
        sign = must("STOP")
        self.write(f"###  {sign}  ###  " + text)
        self.write("#" * 78)

    def wait(self, seconds: float, left: Callable[[], float]) -> None:
        import time

        self.write(
            tr("Waiting {seconds} s. Ctrl-C to do something else.", seconds=f"{seconds:.0f}")
        )
        try:
            while left() > 0:
                time.sleep(min(1.0, max(0.05, left())))
        except KeyboardInterrupt:
            raise Wish(PAUSE) from None
