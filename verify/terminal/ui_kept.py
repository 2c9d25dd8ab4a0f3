"""A question of several parts, asked so that one wrong part costs no other.

The asking runs again from its beginning, but what was accepted is answered from here, unseen and
unheard; so it goes on at the part that was wrong, or that somebody went back to.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from verify.errors import UserError
from verify.terminal.ui import BACK, Option, Page, PlainWishes, Ui, Wish

T = TypeVar("T")


def part_by_part(ui: Ui, asking: Callable[[Ui], T], trouble: Callable[[UserError], None]) -> T:
    """What `asking` comes to. An error is of the part answered last: that is asked again; going
    back leads to the part before. Raises Wish; BACK only from the first part."""
    kept: list[object] = []
    while True:
        try:
            return asking(KeptUi(ui, kept))
        except UserError as error:
            if not kept:
                raise
            trouble(error)
        except Wish as wish:
            if wish.name != BACK or not kept:
                raise
        kept.pop()


class KeptUi:
    """kept: the answers of before, in order; new ones are put behind them."""

    def __init__(self, ui: Ui, kept: list[object]) -> None:
        self.ui, self.kept, self.at = ui, kept, 0

    @property
    def wishes(self) -> PlainWishes:
        return self.ui.wishes

    @wishes.setter
    def wishes(self, wishes: PlainWishes) -> None:
        self.ui.wishes = wishes

    @property
    def width(self) -> int:
        return self.ui.width

    @property
    def _told(self) -> bool:
        """Whether what is said now was said before."""
        return self.at < len(self.kept)

    def _answer(self, ask: Callable[[], T]) -> T:
        if not self._told:
            self.kept.append(ask())
        self.at += 1
        return self.kept[self.at - 1]  # type: ignore[return-value]  # the same question, so its type

    def page(self, page: Page) -> None:
        if not self._told:
            self.ui.page(page)

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        return self._answer(lambda: self.ui.choose(prompt, options))

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        return self._answer(lambda: self.ui.choose_many(prompt, options, none=none, marked=marked))

    def mark(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str, unseen: str
    ) -> tuple[frozenset[str], frozenset[str]]:
        return self._answer(
            lambda: self.ui.mark(prompt, options, none=none, marked=marked, unseen=unseen)
        )

    def ask(
        self,
        prompt: str,
        *,
        hint: str = "",
        default: str = "",
        empty: bool = False,
        blank: str = "",
    ) -> str:
        return self._answer(
            lambda: self.ui.ask(prompt, hint=hint, default=default, empty=empty, blank=blank)
        )

    def tell(self, *parts: object) -> None:
        if not self._told:
            self.ui.tell(*parts)

    def stop_sign(self, text: str) -> None:
        self.ui.stop_sign(text)

    def wait(self, seconds: float, left: Callable[[], float]) -> None:
        self.ui.wait(seconds, left)
