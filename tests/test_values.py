"""Our `dataclass` against the standard one: both are asked the same."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from collections.abc import Callable
from typing import Any

import pytest

from verify import values


def made(how: Any, **more: Any) -> Any:
    @how(frozen=True, slots=True, **more)
    class Thing:
        """A thing."""

        x: float
        name: str = "one"
        notes: list[str] = dataclasses.field(default_factory=list)

        def __post_init__(self) -> None:
            if self.x < 0:
                raise ValueError("below 0")

        @property
        def double(self) -> float:
            return 2 * self.x

    return Thing


@values.dataclass(frozen=True, slots=True)
class Kept:
    """At the top of a module, so that it can be pickled."""

    x: float
    y: tuple[int, ...] = ()


@values.dataclass(frozen=True, slots=True)
class More(Kept):
    """One field more."""

    z: str = "z"


ASKED: dict[str, Callable[[Any], Any]] = {
    "by place": lambda c: c(1.0, "two", ["a"]),
    "by name": lambda c: c(name="two", x=3),
    "defaults": lambda c: c(1.0).notes,
    "a default of its own": lambda c: c(1.0).notes is c(1.0).notes,
    "words": lambda c: c.__doc__,
    "property": lambda c: c(2.0).double,
    "after": lambda c: c(-1.0),
    "missing": lambda c: c(),
    "unknown": lambda c: c(1.0, colour="red"),
    "twice": lambda c: c(1.0, x=2.0),
    "too many": lambda c: c(1, 2, 3, 4),
    "set": lambda c: setattr(c(1.0), "x", 2.0),
    "delete": lambda c: delattr(c(1.0), "x"),
    "equal": lambda c: (c(1.0) == c(1.0), c(1.0) == c(2.0), c(1.0) == 1.0, c(1.0) != c(2.0)),
    "hash": lambda c: c.__eq__ is object.__eq__ or hash(c(1, "a", ())) == hash(c(1, "a", ())),
    "hash of a list": lambda c: isinstance(hash(c(1.0)), int),
    "replaced": lambda c: dataclasses.replace(c(1.0), name="b"),
    "fields": lambda c: [f.name for f in dataclasses.fields(c(1.0))],
    "is one": lambda c: dataclasses.is_dataclass(c),
    "plain": lambda c: dataclasses.asdict(c(1.0)),
    "copied": lambda c: copy.deepcopy(c(1.0, "b", ["c"])),
    "slots": lambda c: (c.__slots__, hasattr(c(1.0), "__dict__")),
    "matched": lambda c: c.__match_args__,
}


@pytest.mark.parametrize("eq", [True, False])
@pytest.mark.parametrize("what", list(ASKED))
def test_it_answers_as_the_standard_one(what: str, eq: bool) -> None:
    def answer(how: Any) -> Any:
        try:
            return repr(ASKED[what](made(how, eq=eq)))
        except (TypeError, ValueError, AttributeError) as error:
            return type(error)

    assert answer(values.dataclass) == answer(dataclasses.dataclass)


def test_it_is_pickled_and_inherited() -> None:
    assert pickle.loads(pickle.dumps(Kept(1.0, (2,)))) == Kept(1.0, (2,))
    more = More(1.0, z="w")
    assert (more.x, more.y, more.z) == (1.0, (), "w")
    assert repr(more) == "More(x=1.0, y=(), z='w')"
    assert more != Kept(1.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        more.x = 2.0  # type: ignore[misc]
