"""The clock, which lives in the shell and is handed in: the machine's own, or one that plays.

Times in entries are RFC 3339 UTC with milliseconds; they are this machine's claim and no more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    plays: bool

    def now(self) -> datetime: ...

    def pass_time(self, seconds: float) -> None:
        """A playing clock moves on; the machine's own cannot be moved."""


class SystemClock:
    plays = False

    def now(self) -> datetime:
        return datetime.now(UTC)

    def pass_time(self, seconds: float) -> None:
        return


@dataclass(slots=True)
class PlayingClock:
    """Starts at `at` and moves only when told to."""

    at: datetime
    plays: bool = True

    def now(self) -> datetime:
        return self.at

    def pass_time(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)


def stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def read_stamp(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def local(text: str) -> str:
    """A stamp as the person's wall shows it: date and minutes."""
    return read_stamp(text).astimezone().strftime("%Y-%m-%d %H:%M")
