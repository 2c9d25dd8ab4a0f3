"""Plain printing for commands that answer once and are done: one width, no markup, hanging indents.

A terminal is used up to 80 columns; what is not a terminal gets 80.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterable, Sequence
from typing import Any, TextIO

WIDEST = 80


def say_plain(text: str, target: TextIO | None = None) -> None:
    """Prints lines; on a terminal those that are too long for it are broken at words."""
    target = target or sys.stdout
    if target.isatty():
        # Looked up only here: what goes into a file or a pipe stays as it is.
        from verify.terminal.ui_menu import hung

        text = hung(text, min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns))
    print(text, file=target)


class Printer:
    """Prints its arguments, one below the other; a string is never markup. width: in columns."""

    def __init__(self) -> None:
        from rich.console import Console

        self._console = Console(highlight=False, markup=False, emoji=False)
        self.width = min(self._console.width, WIDEST) if self._console.is_terminal else WIDEST

    def __call__(self, *things: Any) -> None:
        from rich.text import Text

        for thing in things:
            shown = Text(thing) if isinstance(thing, str) else thing
            self._console.print(shown, width=self.width)


def rows(pairs: Iterable[tuple[Any, Any]], label_width: int, *, indent: int = 2) -> Any:
    """Labels in a margin, texts beside them with a hanging indent."""
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(width=label_width, no_wrap=True)
    grid.add_column(ratio=1)
    for label, text in pairs:
        grid.add_row(
            Text(label) if isinstance(label, str) else label,
            Text(text) if isinstance(text, str) else text,
        )
    return Padding(grid, (0, 0, 0, indent))


def items(texts: Sequence[str], *, indent: int = 0) -> Any:
    """A list, each with its dot and a hanging indent."""
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(width=1)
    grid.add_column(ratio=1)
    for text in texts:
        grid.add_row(Text("·"), Text(text))
    return Padding(grid, (0, 0, 0, indent))
