"""What was told at the beginning, shown again where it is asked about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from verify.flow.graph import Step
from verify.job.session import ReadOnlySession
from verify.terminal.tongue import tr
from verify.terminal.ui import Page
from verify.words import Group

MOST = 240


def with_the_complaint(
    page: Page, session: ReadOnlySession, step: Step, secret: Callable[[str], str]
) -> Page:
    """The page of a step that asks for the complaint, with the customer's own words of it."""
    words = _complaint(session, secret) if _asks_for_it(session, step) else ""
    if not words:
        return page
    words = words if len(words) <= MOST else words[: MOST - 2].rstrip() + " …"
    told = tr("The complaint, as it was told: “{words}”", words=words)
    return replace(page, before="\n".join(line for line in (page.before, told) if line))


def _asks_for_it(session: ReadOnlySession, step: Step) -> bool:
    if step.kind != "ask" or step.group is not Group.COMPLAINT:
        return False
    text = f"{step.name} {session.graph.in_english(step.say)}"
    return "complaint" in text.casefold()


def _complaint(session: ReadOnlySession, secret: Callable[[str], str]) -> str:
    """From the free question called so, in whatever part; else from the first."""
    free = [
        s.name for s in session.graph.steps.values() if s.kind == "ask" and s.detail.get("text")
    ]
    named = [n for n in free if n.rsplit("/", 1)[-1] == "complaint"]
    visit = session.last((named or free or [""])[0])
    if visit is None or "answer" not in visit.private:
        return ""
    return " ".join(secret(visit.private["answer"]).split())
