"""What several checks ask of the same recording, answered once.

Four checks look for the same idle in the same million readings. Inside `shared_answers` a function
marked `@shared` answers an equal question from memory; outside it every call computes. Nothing
outlives the block, so a check stays a function of its arguments alone.

Checks may ask side by side in several threads. Who asks what another thread is just computing waits
for it; as pure functions ask no circles, nobody waits for each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from threading import Lock
from typing import Any, ParamSpec, TypeVar

import numpy as np

P = ParamSpec("P")
R = TypeVar("R")

_Question = tuple[Any, ...]


class _Answers:
    """known: question → (answer, arguments: kept, because they are told apart by where they live).
    turns: question → held by whoever computes it."""

    def __init__(self) -> None:
        self.known: dict[_Question, tuple[Any, tuple[Any, ...]]] = {}
        self.turns: dict[_Question, Lock] = {}


_answers: ContextVar[_Answers | None] = ContextVar("answers", default=None)
_BY_VALUE = (float, int, str, tuple)


@contextmanager
def shared_answers() -> Iterator[None]:
    """Until its end, functions marked `@shared` remember their answers (in this thread or task, and
    in those that run in a copy of its context)."""
    token = _answers.set(_Answers())
    try:
        yield
    finally:
        _answers.reset(token)


def shared(function: Callable[P, R]) -> Callable[P, R]:
    """A pure function of recordings, channels, arrays (by identity) and plain values (by value).

    Arrays that are remembered become read-only. Errors are not remembered.
    """

    @wraps(function)
    def asked(*args: P.args, **more: P.kwargs) -> R:
        answers = _answers.get()
        if answers is None or more:
            return function(*args, **more)
        key = (function, *(a if isinstance(a, _BY_VALUE) else id(a) for a in args))
        if key not in answers.known:
            with answers.turns.setdefault(key, Lock()):
                if key not in answers.known:
                    answer = function(*args, **more)
                    if isinstance(answer, np.ndarray):
                        answer.setflags(write=False)
                    answers.known[key] = answer, args
        found: R = answers.known[key][0]
        return found

    return asked
