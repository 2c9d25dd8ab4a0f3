"""The plain line mode: everything as lines of text, answers typed.

For terminals that cannot draw, for pipes and for screen readers. Wishes are typed with a leading
exclamation mark, so that no answer can be mistaken for one.
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import TextIO

from verify.terminal.tongue import must, tr
from verify.terminal.ui import (
    BACK,
    BLANK,
    LEAVE_OUT,
    PAUSE,
    WISHES,
    Option,
    Page,
    PlainWishes,
    Wish,
)
from verify.terminal.ui_menu import hung

WIDEST = 78


def _broken(text: str, width: int, hang: str = "") -> list[str]:
    """Rows of at most `width`, broken at words and nowhere else; never none."""
    return textwrap.wrap(
        text, width, subsequent_indent=hang, break_on_hyphens=False, break_long_words=False
    ) or [""]


class LineUi:
    def __init__(self, source: TextIO | None = None, target: TextIO | None = None) -> None:
        self.source = source or sys.stdin
        self.target = target or sys.stdout
        self.wishes = PlainWishes()
        self.width = WIDEST
        if self.target.isatty():
            self.width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)

    def write(self, text: str = "", indent: str = "", hang: str = "") -> None:
        """hang: what the second and later rows of a paragraph are moved in by."""
        for paragraph in text.split("\n"):
            width = max(20, self.width - len(indent))
            lines = _broken(paragraph, width, hang)
            for line in lines:
                self.target.write(f"{indent}{line}\n")
        self.target.flush()

    def page(self, page: Page) -> None:
        self.wishes = PlainWishes(page.wishes, silent=(BACK,) if page.wishes else ())
        self.write()
        if page.before:
            self.write(page.before)
        self.write("-" * self.width)
        self.write(f"{page.flow} · {tr('job {job}', job=page.job)} · {page.progress}")
        self.write()
        self.write(page.title.upper())
        caution = must("CAUTION")
        for title, measure in page.cautions:
            self.write(caution + f", {title}: {measure}")
        if page.cautions:
            self.write()
        self.tell(page.say, *page.facts)
        if page.why:
            self.write(tr("Why: {why}", why=page.why))
        if page.note:
            self.write(page.note)

    def _read(self, prompt: str, *, back: bool = False) -> str:
        # A prompt that is too long for its line would be broken in the middle of a word.
        rows = _broken(prompt, self.width)
        shown = "\n".join(rows) + prompt[len(prompt.rstrip()) :]
        while True:
            self.target.write(shown)
            self.target.flush()
            line = self.source.readline()
            if line == "":
                # The end of the input is a pause: nothing is lost, and the job can be resumed.
                raise Wish(PAUSE)
            text = line.strip()
            wish = self.wishes.read(text)
            if wish is not None:
                raise Wish(wish)
            if back and self.wishes.goes_back(text):
                raise Wish(BACK)
            if not text.startswith("!"):
                return text
            self.write(tr('"{text}" is not offered here.', text=text))

    def _offer(self) -> None:
        words = ", ".join(self.wishes.words())
        if words:
            self.write(tr("(or type {words})", words=words))

    def _list(self, prompt: str, options: Sequence[Option]) -> None:
        self.write()
        self.write(prompt)
        for number, option in enumerate(options, start=1):
            first = f"{number}. "
            self.write(f"{first}{option.label}", "  ", " " * len(first))

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        offered = list(options)
        if LEAVE_OUT in self.wishes.allowed:
            offered.append(Option("!" + LEAVE_OUT, tr(WISHES[LEAVE_OUT])))
        self._list(prompt, offered)
        self._offer()
        while True:
            text = self._read(tr("Number: "))
            if text.isdecimal() and 1 <= int(text) <= len(offered):
                text = offered[int(text) - 1].key
                if text == "!" + LEAVE_OUT:
                    raise Wish(LEAVE_OUT)
                return text
            if not text and any(o.ready for o in options):
                return next(o.key for o in options if o.ready)
            for option in options:
                if text and text == option.key:
                    return option.key
            self.write(
                tr(
                    '"{text}" is none of them: type a number from 1 to {most}.',
                    text=text,
                    most=len(offered),
                )
                if text
                else tr(
                    "Nothing is recorded yet: type a number from 1 to {most}.", most=len(offered)
                )
            )

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        return self.mark(prompt, options, none=none, marked=marked, unseen="")[0]

    def mark(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str, unseen: str
    ) -> tuple[frozenset[str], frozenset[str]]:
        self._list(prompt, options)
        if unseen:
            self.write(tr("A ? behind a number, such as 3?: {unseen}.", unseen=unseen))
        self._offer()
        most = len(options)
        while True:
            text = self._read(
                tr("Numbers ({marked}), or none ({none}): ", marked=marked, none=none)
            )
            if text.casefold() in ("none", tr("none"), "0"):
                return frozenset(), frozenset()
            words = text.replace(",", " ").split()
            bare = [w.removesuffix("?") if unseen else w for w in words]
            if bare and all(w.isdecimal() and 1 <= int(w) <= most for w in bare):
                found: tuple[set[str], set[str]] = (set(), set())
                for word, number in zip(words, bare, strict=True):
                    found[word != number].add(options[int(number) - 1].key)
                return frozenset(found[0]), frozenset(found[1] - found[0])
            self.write(tr('Type the numbers that apply, such as "1 4", or the word none.'))

    def ask(
        self,
        prompt: str,
        *,
        hint: str = "",
        default: str = "",
        empty: bool = False,
        blank: str = "",
    ) -> str:
        self.write()
        if hint:
            self.write(hint)
        if blank:
            self.write(tr(BLANK[blank]))
        self._offer()
        shown = f"{prompt} [{default}]: " if default else f"{prompt}: "
        while True:
            text = self._read(shown, back=blank == BACK) or default
            if blank and not text:
                raise Wish(blank)
            if text or empty:
                return text
            self.write(tr("Please type something."))

    def tell(self, *parts: object) -> None:
        for part in parts:
            if isinstance(part, str):
                for line in hung(part, self.width).split("\n"):
                    self.target.write(f"{line}\n")
                self.target.flush()
            else:
                from rich.console import Console

                Console(
                    file=self.target, width=min(80, self.width + 2), no_color=True, highlight=False
                ).print(part)

    def stop_sign(self, text: str) -> None:
        self.write()
        self.write("#" * self.width)
        sign = must("STOP")
        self.write(f"###  {sign}  ###  " + text)
        self.write("#" * self.width)

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
