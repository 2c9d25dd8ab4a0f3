"""What is said of a sound on the command line: one home for `listen` and `compare`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.errors import Problem


def add_told_option(p: argparse.ArgumentParser) -> None:
    """--cylinders, --told."""
    p.add_argument(
        "--cylinders",
        metavar="NUMBER",
        help="how many the engine has; the same as --spec cylinders=4",
    )
    p.add_argument(
        "--told",
        metavar="WORDS",
        help="what was so while a sound was recorded, of: warm, standing, released (foot off the "
        "pedal), left-on (key left on, start-stop off)",
    )


def with_cylinders(typed: list[str], cylinders: str | None) -> list[str]:
    """What was typed as --spec, and the number of cylinders."""
    return [*typed, *([f"cylinders={cylinders}"] if cylinders else [])]


def said_of_sound(
    told: str | None, key_on: str | None, *, option: str = "--key-on"
) -> dict[str, str]:
    """The mapping in which a person's words of a sound are kept with it. Raises UserError that
    names the option."""
    from verify.errors import UserError
    from verify.evidence.importers.sound import KEY_ON, key_on_marks, told_words
    from verify.words import TOLD

    said: dict[str, str] = {}
    try:
        if told is not None and told_words(told):
            said[TOLD] = told
    except UserError as error:
        raise UserError(*(p._replace(field="--told") for p in error.problems)) from None
    try:
        if key_on is not None and key_on_marks(key_on):
            said[KEY_ON] = key_on
    except UserError as error:
        raise UserError(*(p._replace(field=option) for p in error.problems)) from None
    return said


def named_option(problem: Problem, option: str = "--key-on") -> Problem:
    """The importer calls what was said by its place in the file; who types it, by the option."""
    field = {"mapping.(key-on)": option, "mapping.(told)": "--told"}.get(problem.field)
    return problem if field is None else problem._replace(field=field)
