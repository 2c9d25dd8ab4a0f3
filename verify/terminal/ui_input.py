"""Keys that nobody meant: pressed before a screen was shown, or while it only counted down."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress


def forget_typed() -> None:
    """Drops keys pressed before the screen that they would answer was shown: a key that bounced,
    or one pressed during a wait, must not answer a question nobody has read."""
    try:
        import termios
    except ImportError:
        return
    with suppress(termios.error, OSError, ValueError):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


@contextmanager
def unechoed() -> Iterator[None]:
    """Keys pressed meanwhile are neither shown nor kept."""
    try:
        import termios
    except ImportError:
        yield
        return
    try:
        place = sys.stdin.fileno()
        before = termios.tcgetattr(place)
    except (termios.error, OSError, ValueError):
        # No terminal that could echo.
        yield
        return
    quiet = [*before[:3], before[3] & ~termios.ECHO, *before[4:]]
    termios.tcsetattr(place, termios.TCSADRAIN, quiet)
    try:
        yield
    finally:
        termios.tcsetattr(place, termios.TCSAFLUSH, before)
