"""Whether a step's pass can be earned: what a flow may not count as one, whatever its author says.

Beside `kinds`, which resolves a step; here stand the refusals for which no branch is to blame.
"""

from __future__ import annotations

from collections.abc import Callable

from verify.errors import Problem
from verify.flow import model as m
from verify.flow.graph import REMEDY
from verify.words import Grade, Group

# It judges the drive and not the car, so it is never by itself a ground for letting a car go.
OF_THE_DRIVE = frozenset({"road-coverage"})
Complain = Callable[..., None]
Judgeable = m.Do | m.Ask | m.Reading | m.Codes | m.Fasten | m.Record | m.Photo | m.Card


def empty_remedy(step: Judgeable, say: Complain) -> None:
    """Complains about a remedy that an answer could stand for."""
    if REMEDY in step.does and not isinstance(step, m.Do | m.Fasten):
        # Any answer that passes would count as something done to the car.
        say(
            ("does", step.does.index(REMEDY)),
            Problem(
                f"a remedy in a step of kind {step.kind}",
                "a remedy in a step of kind do or fasten",
                "let a step of its own say what is done to the car",
            ),
        )


def told_for_recorded(step: Judgeable, say: Complain) -> bool:
    """Complains where a required recording could be replaced by words. No reason makes it good."""
    if not isinstance(step, m.Record) or step.least != Grade.TOLD:
        return False
    say(
        ("least",),
        Problem(
            "a required recording that may pass on what is told",
            "recorded: told instead of recorded is no pass",
            "take `least` out; told leaves the step open, and with `later` the proof can follow",
        ),
    )
    return True


def unjudged(step: Judgeable, say: Complain) -> None:
    """Complains where what passes a required step would pass whatever the car is like."""
    match step:
        case m.Ask() if step.text:
            say(
                (),
                Problem(
                    "a required question answered in free words",
                    "answers of which some pass",
                    "list the answers, or give the reason why it is optional: nobody judges words",
                ),
            )
        case m.Ask() if step.answers and set(step.passes) == set(step.answers):
            say(
                ("passes",),
                Problem(
                    "a required question that every answer passes",
                    "at least one answer that does not",
                    "take the bad answers out, or give the reason why it is optional",
                ),
            )
        case m.Reading() if step.limits is None:
            say(
                (),
                Problem(
                    "a required reading without limits",
                    "limits: what is still good, and its source",
                    "add limits, or give the reason why it is optional: any number would pass",
                ),
            )
        case m.Codes():
            for index, label in enumerate(step.passes):
                if label == "partly-read":
                    say(
                        ("passes", index),
                        Problem(
                            '"partly-read" among what passes a required reading of codes',
                            "a memory that was read: not read is never none",
                            "take it out; it leaves the step open, and the proof can follow",
                        ),
                    )
                if label in m.NEVER_FINE:
                    say(
                        ("passes", index),
                        Problem(
                            f'"{label}" among what passes a required reading of codes',
                            "none of " + ", ".join(m.NEVER_FINE),
                            "take it out; a reading that is only kept for the record is optional",
                        ),
                    )
        case m.Record() if step.group == Group.SAFE and set(step.checks) <= OF_THE_DRIVE:
            say(
                ("checks",),
                Problem(
                    "nothing but " + ", ".join(step.checks) + " behind a step of safe-to-drive",
                    "a check that judges the car",
                    "add one, or put the step into another group",
                ),
            )
