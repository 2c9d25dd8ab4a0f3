"""What several checks ask of the same recording, answered once.

Four checks look for the same idle in the same million readings. Inside `shared_answers` a function
marked `@shared` answers an equal question from memory; outside it every call computes. Nothing
outlives the block, so a check stays a function of its arguments alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np

P = ParamSpec("P")
R = TypeVar("R")

# Question → (answer, arguments: kept, because they are told apart by where they live).
_Answers = dict[tuple[Any, ...], tuple[Any, tuple[Any, ...]]]
_answers: ContextVar[_Answers | None] = ContextVar("answers", default=None)
_BY_VALUE = (float, int, str, tuple)


@contextmanager
def shared_answers() -> Iterator[None]:
    """Until its end, functions marked `@shared` remember their answers (in this thread or task)."""
    token = _answers.set({})
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
        if key not in answers:
            answer = function(*args, **more)
            if isinstance(answer, np.ndarray):
                answer.setflags(write=False)
            answers[key] = answer, args
        found: R = answers[key][0]
        return found

    return asked
