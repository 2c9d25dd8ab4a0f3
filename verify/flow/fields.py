"""The smallest pieces of a flow file: its words, names and lists, and how a validator complains.

Below `model`, which is made of them.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from verify.words import Audience as _Audience
from verify.words import EndingKind as _EndingKind
from verify.words import Grade as _Grade
from verify.words import Group as _Group

# In a strict model a word of a closed list must still be allowed to arrive as text.
Audience = Annotated[_Audience, Field(strict=False)]
EndingKind = Annotated[_EndingKind, Field(strict=False)]
Grade = Annotated[_Grade, Field(strict=False)]
Group = Annotated[_Group, Field(strict=False)]

Name = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", min_length=1, max_length=60),
]
SpecName = Annotated[
    str, StringConstraints(pattern=r"^[a-z0-9]+(_[a-z0-9]+)*$", min_length=1, max_length=60)
]
StepRef = Annotated[
    str,
    StringConstraints(
        pattern=r"^[a-z0-9]+(-[a-z0-9]+)*(/[a-z0-9]+(-[a-z0-9]+)*)*$", max_length=200
    ),
]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]
Short = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
NumberText = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]


class Wrong(ValueError):
    """What a validator here finds wrong, as the parts of a Problem.

    at: where below the value it was given the trouble stands.
    """

    def __init__(
        self, found: str, expected: str, advice: str, at: tuple[str | int, ...] = ()
    ) -> None:
        super().__init__(found)
        self.found, self.expected, self.advice, self.at = found, expected, advice, at


def each_once(names: list[str]) -> list[str]:
    for index, name in enumerate(names):
        if name in names[:index]:
            found = f'"{name}" twice in one list'
            raise Wrong(found, "each name once", "remove one of the two", (index,))
    return names


# Names of one list, each once: a doubled one is a slip of which the reader cannot guess the sense.
Names = Annotated[list[Name], AfterValidator(each_once)]
SomeNames = Annotated[list[Name], Field(min_length=1), AfterValidator(each_once)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
