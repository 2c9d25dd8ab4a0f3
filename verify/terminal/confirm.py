"""What is asked once more before it is written: a stop, and the answer that ends the job.

Up to the ending every typed answer can be corrected; after it none can. So the one answer that
leads there is shown with what it means, and asked again. That is one more choice in a whole job.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from verify.evidence.verdict import CheckResult
from verify.flow.graph import Outcome, Step
from verify.job.session import ReadOnlySession
from verify.terminal.endings import ending_advice, head
from verify.terminal.say import choice_page, outcome_words, typed_value
from verify.terminal.tongue import tr, why
from verify.terminal.ui import PAUSE, STOP, Option, PlainWishes, Ui, Wish


@dataclass(frozen=True, slots=True)
class Said:
    """An answer that is not written yet. text: a number as typed, "" for none."""

    outcome: Outcome
    results: Sequence[CheckResult] = ()
    text: str = ""

    @staticmethod
    def of(body: Mapping[str, Any]) -> Said:
        """From the body that its entry would have."""
        return Said(
            Outcome.from_json(body["outcome"]),
            tuple(CheckResult.from_json(r) for r in body.get("results") or ()),
            typed_value(body.get("values")),
        )


def stops_here(ui: Ui) -> bool:
    """Asked below the sign of a stop, which stands already. The end of the input leaves it."""
    before = ui.wishes
    # "!stop" once more says it too.
    ui.wishes = PlainWishes((), silent=(STOP,))
    try:
        chosen = ui.choose(
            tr("Stop this job here? It ends as: do not drive."),
            [
                Option("yes", tr("Yes, stop: the car is not driven")),
                Option("no", tr("No, that was a slip: back to the question")),
            ],
        )
    except Wish as wish:
        chosen = "yes" if wish.name in (PAUSE, STOP) else "no"
    ui.wishes = before
    return chosen == "yes"


def ends_here(
    ui: Ui, session: ReadOnlySession, then: ReadOnlySession, step: Step, said: Said
) -> bool:
    """Whether the job ends as `then` stands. session: before the answer. Raises Wish."""
    assert then.ending is not None
    words = f"{step.title}: {outcome_words(step, said.outcome)}"
    lines = [tr("Your answer: {words}", words=words)]
    lines += [why(r.check, r.finding, r.why, brief=True) for r in said.results]
    lines += ["", head(then)]
    if then.ending.title.casefold() != head(then).casefold():
        lines.append(then.ending.title)
    lines += [
        ending_advice(then.ending, session.audience),
        "",
        tr("After this no answer can be corrected; only a second person can send it back."),
    ]
    options = [
        Option("yes", tr("It is so: end the job with this")),
        Option("no", tr("No: answer again, or correct something first")),
    ]
    page = choice_page(session, tr("This answer ends the job"))
    ui.page(replace(page, say="\n".join(lines), labels=tuple(o.label for o in options)))
    return ui.choose(tr("End it here?"), options) == "yes"
