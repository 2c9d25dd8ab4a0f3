"""The closed vocabularies that flows and evidence share.

A flow says what a step must show, evidence says what was shown; neither may import the other, so
the words they meet in stand below both.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NoReturn

ENGLISH = "en"
LANGUAGES = {"de": "German"}
"""The languages the runner speaks beside English; the texts of a flow may be in one of them."""


class Verdict(StrEnum):
    """What evidence says to a question. There are three answers, so it has no truth value."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"

    def __bool__(self) -> NoReturn:
        raise TypeError("a verdict is pass, fail or undecided; compare it by name")


class Grade(StrEnum):
    """What an outcome rests on; `covers` orders them."""

    TOLD = "told"
    READ = "read"
    RECORDED = "recorded"

    @property
    def rank(self) -> int:
        return ("told", "read", "recorded").index(self.value)

    def covers(self, least: Grade) -> bool:
        """Whether evidence of this grade is good enough where `least` is asked."""
        return self.rank >= least.rank


class Group(StrEnum):
    """Which question about the car a required step answers."""

    SAFE = "safe-to-drive"
    COMPLAINT = "complaint-gone"
    LEARNING = "still-learning"


# What the record says where an optional step was left out at a single key: no words of a person.
LEFT_OUT = "left out: not required"


class EndingKind(StrEnum):
    """Where a close-out can stop."""

    HAND_BACK = "hand-back"
    PROOF_TO_FOLLOW = "proof-to-follow"
    RELEARN = "relearn"
    BACK_TO_DIAGNOSIS = "back-to-diagnosis"
    DO_NOT_DRIVE = "do-not-drive"

    @property
    def lets_go(self) -> bool:
        """Whether the car leaves with its keys."""
        return self in (EndingKind.HAND_BACK, EndingKind.PROOF_TO_FOLLOW)


class Audience(StrEnum):
    """Who works through a flow."""

    TECHNICIAN = "technician"
    OWNER = "owner"


# What is said of a recording beside its channels: the key it has in a mapping, and the word for one
# from before the repair (it is never judged; key-on-ticking measures by it).
TOLD, BEFORE = "(told)", "before"
