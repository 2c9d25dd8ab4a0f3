"""Words for what a job holds: pages, outcomes, verdicts, progress. Pure functions to text."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from verify.flow.graph import CANNOT, ROAD_TEST, STOP, Graph, Outcome, Step
from verify.job.catalogue import caution
from verify.job.session import ReadOnlySession
from verify.job.visits import Visit
from verify.quantity import with_unit
from verify.terminal.clock import local
from verify.terminal.code_words import proposed_drive
from verify.terminal.marks import MARKS, NOTED, STOPPED
from verify.terminal.not_judged import SAYS_NOTHING
from verify.terminal.ui import PAUSE, Page
from verify.terminal.ui import STOP as STOP_WISH
from verify.words import Audience, Verdict

_LABELS = {
    "done": "done",
    "answered": "answered",
    "taken": "taken",
    "ok": "all fine",
    "exceptions": "something is not fine",
    "none": "no codes",
    "partly-read": "no codes seen, but not everything was shown",
    "learn": "codes that a leak check and relearn can cure",
    "other": "other codes",
    "wiring": "codes that point to wiring, supply or part",
    "forbids": "codes that forbid driving",
    "cleared": "codes were cleared after the drive",
    "not-ready": "no codes; monitors or permanent codes are still to run",
    "told-pass": "told: fine",
    "told-fail": "told: not fine",
    "told-undecided": "told: not sure",
    CANNOT: "could not be done",
    STOP: "STOP: not safe",
    "hand-back": "everything required has passed",
    "proof-to-follow": "safe to drive; some proof is still to follow",
    "neither": "something needed before driving is open",
}


def outcome_words(step: Step, outcome: Outcome) -> str:
    """An outcome as a person would say it."""
    if step.kind == "ask" and outcome.label in step.detail.get("answers", {}):
        return str(step.detail["answers"][outcome.label])
    if step.kind == "card" and outcome.items:
        items = step.detail["items"]
        return "not fine: " + "; ".join(items[i] for i in items if i in outcome.items)
    if step.kind == "record" and outcome.checks:
        return _checks_words(step, outcome)
    return _LABELS.get(outcome.label, outcome.label)


def _checks_words(step: Step, outcome: Outcome) -> str:
    """What failed, then what is undecided, then what passed; last, by name alone, what the
    recording said nothing of and the step does not rest on."""
    order = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)
    needed = step.detail.get("checks", ())
    silent = [c for c, _, f in outcome.checks if f in SAYS_NOTHING and c not in needed]
    told = sorted(
        (c for c in outcome.checks if c[0] not in silent), key=lambda c: order.index(c[1])
    )
    words = [f"{c} {v.value} ({f})" for c, v, f in told]
    if silent:
        words.append(f"not judged: {' '.join(silent)}")
    return ", ".join(words)


def step_words(step: Step, audience: Audience) -> str:
    if audience is Audience.OWNER and step.owner:
        return step.owner
    return step.say


def longest_rest(graph: Graph, at: str) -> int:
    """Steps still to come on the shortest way to any ending but a stop: an honest least."""
    if at in graph.endings:
        return 0
    seen = {at}
    queue = deque([(at, 1)])
    while queue:
        name, distance = queue.popleft()
        for branch in graph.steps[name].branches:
            if branch.to in graph.endings:
                if graph.endings[branch.to].kind.lets_go:
                    return distance
                continue
            if branch.to not in seen:
                seen.add(branch.to)
                more = 0 if graph.steps[branch.to].kind == "gate" else 1
                queue.append((branch.to, distance + more))
    return 1


def progress(session: ReadOnlySession) -> str:
    """How far we are: answers given, and the least number still to come until the keys."""
    done = sum(1 for v in session.walk if not v.gate)
    rest = longest_rest(session.graph, session.at)
    return f"{done} done · at least {rest} to go"


def step_page(session: ReadOnlySession, *, step: Step | None = None, attempt: int = 0) -> Page:
    """The screen of a step; its cautions are on it whenever it is shown, so on resume too."""
    pending = session.pending
    if step is None:
        step = session.step()
        assert pending is not None
        attempt = pending.attempt
    note = ""
    if attempt > 1:
        note = f"This is attempt {attempt} at this step."
    if not step.required:
        note = (note + " " if note else "") + f"Not required: {step.optional_reason}"
    return Page(
        job=session.job,
        flow=session.graph.title,
        progress=progress(session),
        title=step.title,
        say=step_words(step, session.audience),
        why=step.why,
        note=note,
        before=proposed_drive(session) if ROAD_TEST in step.does else "",
        cautions=tuple(caution(h, session.audience.value) for h in step.hazards),
        prompt_rows=prompt_rows(step),
    )


def choice_page(session: ReadOnlySession, title: str) -> Page:
    """A screen on which something of this job is chosen: no step, so nothing of it is refused."""
    return Page(
        job=session.job,
        flow=session.graph.title,
        progress=progress(session),
        title=title,
        say="",
        wishes=(PAUSE, STOP_WISH),
    )


def answer_words(step: Step, visit: Visit) -> str:
    """An answer in a list of answers: one row of 80, so that the list keeps its height."""
    again = f" (attempt {visit.attempt})" if visit.attempt > 1 else ""
    words = f"{step.title}{again}: {outcome_words(step, visit.outcome)}"
    return words if len(words) <= 74 else words[:73].rstrip() + "…"


def prompt_rows(step: Step) -> int:
    """How many rows the question of a step takes: its answers, and what is always offered."""
    always = 6
    match step.kind:
        case "card":
            return len(step.detail["items"]) + 1 + always
        case "ask":
            return len(step.detail.get("answers", ())) + always
        case "record" | "fasten":
            return 2 + always
    return 1 + always


def visit_line(session: ReadOnlySession, visit: Visit) -> str:
    """One line of an account: mark, title, outcome, grade, time."""
    step = session.graph.steps[visit.step]
    verdict = step.counts(visit.outcome)
    again = f" (attempt {visit.attempt})" if visit.attempt > 1 else ""
    mark = MARKS[verdict] if step.required else NOTED
    words = outcome_words(step, visit.outcome)
    if visit.outcome.label == STOP:
        mark = STOPPED
    elif any((w.step, w.attempt) == (visit.step, visit.attempt) for w in session.skipped_waits):
        words += ", wait skipped"
    return f"{mark} {step.title}{again}: {words} [{visit.outcome.grade.value}, {local(visit.time)}]"


def spec_words(session: ReadOnlySession, name: str) -> str:
    """A number of the car with its unit and where it is from."""
    spec = session.specs[name]
    if not spec.text:
        return "not found"
    detail = f", {spec.detail}" if spec.detail else ""
    return f"{with_unit(spec.text, spec.unit)} ({spec.source}{detail})"


def typed_value(values: Any) -> str:
    """What was typed, as it was typed."""
    if isinstance(values, Mapping) and "text" in values:
        return f"{values['text']} {values.get('unit', '')}".strip()
    return ""


def codes_words(values: Mapping[str, Any]) -> str:
    """A code reading in one line, each memory by its name."""
    parts = []
    for name in ("stored", "pending", "permanent"):
        given = values.get(name, "not read")
        if given == "not read":
            parts.append(f"{name} not read")
        else:
            parts.append(f"{name} {', '.join(given) if given else 'none'}")
    modules = values.get("modules")
    if modules is not None:
        parts.append(f"modules read: {', '.join(modules) if modules else 'none named'}")
    return "; ".join(parts)
