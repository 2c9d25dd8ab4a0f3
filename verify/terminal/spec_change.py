"""A number of the car that is entered again, or that is not usual: what is asked before it counts.

Between the hands that give a number and the entry. A number decides verdicts: nobody may turn one
without a reason on the record, and a slip of a factor must not stand unseen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from verify.errors import Problem, UserError
from verify.evidence.usual import Range, unusual
from verify.flow.graph import Spec
from verify.job.session import ReadOnlySession
from verify.job.signoff_point import what_is_missing
from verify.quantity import Quantity, SpecValue, parse, show
from verify.terminal.rejudge import would_become
from verify.terminal.say import choice_page, outcome_words, spec_words
from verify.terminal.tongue import tr
from verify.terminal.ui import Option

if TYPE_CHECKING:
    from verify.terminal.desk import Desk
    from verify.terminal.hands import Hands

DEFAULT = "common practice"


def number_of(given: Mapping[str, str]) -> Quantity:
    """A number as its entry holds it: text and unit."""
    bare = given["unit"] == "1"
    return parse(given["text"] if bare else f"{given['text']} {given['unit']}")


def unusual_problem(spec: Spec, quantity: Quantity, units: str) -> Problem | None:
    """What is wrong with a number that is not usual, and how to insist on it; None for a usual one.

    units: "metric" or "us".
    """
    usual = unusual(spec.name, quantity)
    if usual is None:
        return None
    return Problem(
        found=f"{quantity} for {spec.title}",
        expected=_words(usual, units),
        next="look it up again, with its unit; if it is so on this vehicle, enter the same again",
    )


def _words(usual: Range, units: str) -> str:
    low, high = (show(end, usual.unit, units) for end in (usual.low, usual.high))
    return f"{low} to {high}, as is usual"


def usual_or_insisted(
    session: ReadOnlySession,
    spec: Spec,
    given: dict[str, str],
    hands: Hands,
    check: Callable[[Quantity, str], None],
) -> tuple[dict[str, str], bool]:
    """The number as it is to be written, and whether it was insisted on.

    check: raises UserError for what is never taken, with the title it was typed for.

    One that is not usual is refused once; entered a second time, the same, it counts. Raises
    UserError where nobody can be asked again.
    """
    before: tuple[object, str] | None = None
    while given["text"] and given["source"] != DEFAULT:
        number = number_of(given)
        check(number, spec.title)
        problem = unusual_problem(spec, number, session.units)
        if problem is None:
            break
        if given.get("insist") or before == (number.value, number.unit):
            return given, True
        before = (number.value, number.unit)
        hands.trouble(UserError(problem))
        # A page of its own is drawn over it: nobody goes on without having seen it.
        hands.pick(tr("Seen?"), [Option("again", tr("Enter the number again"))])
        given = hands.spec(session, spec)
    return given, False


def reason_of_change(
    desk: Desk, session: ReadOnlySession, given: Mapping[str, str], hands: Hands
) -> str:
    """Shows the old number beside the new one, with the verdicts that turn, and asks why.

    "" where the person goes back and nothing is to change.
    """
    spec = session.graph.specs[given["name"]]
    value = None
    if given["text"]:
        value = SpecValue(number_of(given), given["source"], given.get("detail", ""))
    lines = [f"{spec.title}: {spec_words(session, spec.name)} → {_given_words(given)}"]
    becomes = would_become(desk, session, spec.name, value)
    for visit, now in becomes:
        step = session.graph.steps[visit.step]
        was_words, now_words = outcome_words(step, visit.outcome), outcome_words(step, now)
        lines.append(f"  {step.title}: {was_words} → {now_words}")
    if not becomes:
        lines.append(tr("No verdict rests on it yet."))
    hands.page(choice_page(session, tr("Change a number of this car")))
    for line in lines:
        hands.say(line)
    while True:
        reason = hands.reason(
            tr("Where does the new number come from, and what was wrong with the old one?"),
            back=True,
        )
        if not reason or not what_is_missing(reason):
            return reason
        hands.say(tr("That is no reason in words."))


def _given_words(given: Mapping[str, str]) -> str:
    if not given["text"]:
        return tr("not found")
    detail = given.get("detail", "")
    return f"{number_of(given)} ({tr(given['source'])}" + (f", {detail})" if detail else ")")
