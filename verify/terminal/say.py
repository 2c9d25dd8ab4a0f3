"""Words for what a job holds: pages, outcomes, verdicts, progress. Pure functions to text."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from verify.flow.graph import CANNOT, ROAD_TEST, STOP, Graph, Outcome, Step
from verify.job.catalogue import caution
from verify.job.session import ReadOnlySession
from verify.job.visits import Visit
from verify.quantity import with_unit
from verify.terminal.clock import local
from verify.terminal.code_words import codes_at_hand, proposed_drive
from verify.terminal.leave_out import REASON, may_leave_out
from verify.terminal.marks import MARKS, NOTED, STOPPED
from verify.terminal.not_judged import SAYS_NOTHING
from verify.terminal.tongue import check_name, finding, mark, must, tr
from verify.terminal.ui import CANNOT as CANNOT_WISH
from verify.terminal.ui import CORRECT, LEAVE_OUT, NOTE, PAUSE, SPEC, Page
from verify.terminal.ui import STOP as STOP_WISH
from verify.words import Audience, Verdict

_LABELS = {
    "done": mark("done"),
    "answered": mark("answered"),
    "taken": mark("taken"),
    "ok": mark("all fine"),
    "exceptions": mark("something is not fine"),
    "none": mark("no codes"),
    "partly-read": mark("no codes seen, but not everything was shown"),
    "learn": mark("codes that a leak check and relearn can cure"),
    "other": mark("other codes"),
    "wiring": mark("codes that point to wiring, supply or part"),
    "forbids": mark("codes that forbid driving"),
    "cleared": mark("codes were cleared after the drive"),
    "not-ready": mark("no codes; monitors or permanent codes are still to run"),
    "told-pass": mark("told: fine"),
    "told-fail": mark("told: not fine"),
    "told-undecided": mark("told: not sure"),
    CANNOT: mark("could not be done"),
    STOP: mark("STOP: not safe"),
    "hand-back": mark("everything required has passed"),
    "proof-to-follow": mark("safe to drive; some proof is still to follow"),
    "neither": mark("something needed before driving is open"),
}


def outcome_words(step: Step, outcome: Outcome) -> str:
    """An outcome as a person would say it."""
    if step.kind == "ask" and outcome.label in step.detail.get("answers", {}):
        return str(step.detail["answers"][outcome.label])
    if step.kind == "card" and outcome.items:
        items = step.detail["items"]
        wrong = outcome.items - outcome.unseen
        words = tr("not fine: {items}", items="; ".join(items[i] for i in items if i in wrong))
        if unseen := "; ".join(items[i] for i in items if i in outcome.unseen):
            words += ". " + tr("Not seen: {items}", items=unseen)
        return words
    if step.kind == "record" and outcome.checks:
        return _checks_words(step, outcome)
    return tr(_LABELS.get(outcome.label, outcome.label))


def visit_words(
    step: Step, visit: Visit, secret: Callable[[str], str] | None = None, *, typed: bool = False
) -> str:
    """What came of an answer. A torque that could not be judged is undecided, not refused, and what
    was left out is called so.

    secret: for what a person wrote; typed: with the figure, where one was typed."""
    words = outcome_words(step, visit.outcome)
    if visit.outcome.label == CANNOT:
        reason = visit.private.get("reason", "")
        if visit.results:
            words = tr(Verdict.UNDECIDED.value)
        elif secret is not None and reason and secret(reason) == REASON:
            words = tr("left out")
    figure = typed_value(visit.values) if typed and step.kind in ("reading", "fasten") else ""
    return f"{words} ({figure})" if figure else words


def _checks_words(step: Step, outcome: Outcome) -> str:
    """What failed, then what is undecided, then what passed; last, by name alone, what the
    recording said nothing of and the step does not rest on."""
    order = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)
    needed = step.detail.get("checks", ())
    silent = [c for c, _, f in outcome.checks if f in SAYS_NOTHING and c not in needed]
    told = sorted(
        (c for c in outcome.checks if c[0] not in silent), key=lambda c: order.index(c[1])
    )
    words = [f"{check_name(c)} {tr(v.value)}{_found(c, f)}" for c, v, f in told]
    if silent:
        words.append(tr("not judged: {checks}", checks=" ".join(map(check_name, silent))))
    return ", ".join(words)


def _found(check: str, name: str) -> str:
    """The finding by its name; in another language, which has no names for them, its verdict is
    enough in a list."""
    return "" if finding(check, name) else f" ({name})"


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
    return tr("{done} done · at least {rest} to go", done=done, rest=rest)


def step_page(session: ReadOnlySession, *, step: Step | None = None, attempt: int = 0) -> Page:
    """The screen of a step; its cautions are on it whenever it is shown, so on resume too."""
    pending = session.pending
    wishes: tuple[str, ...] = (CANNOT_WISH, NOTE, CORRECT, SPEC, PAUSE, STOP_WISH)
    if step is None:
        step = session.step()
        assert pending is not None
        attempt = pending.attempt
        wishes = (LEAVE_OUT, *wishes) if may_leave_out(session) else wishes
    note = ""
    if attempt > 1:
        note = tr("This is attempt {attempt} at this step.", attempt=attempt)
    if not step.required:
        reason = step.optional_reason
        if LEAVE_OUT in wishes:
            # Only there: of work that has to be done it would read as if it need not be.
            reason = tr("Not required: {reason}", reason=reason)
        note = (note + " " if note else "") + reason
    return Page(
        job=session.job,
        flow=session.graph.title,
        progress=progress(session),
        title=step.title,
        say=step_words(step, session.audience),
        why=step.why,
        note=note,
        facts=codes_at_hand(session, step),
        before=proposed_drive(session) if ROAD_TEST in step.does else "",
        cautions=cautions_of(step, session.audience),
        wishes=wishes,
        prompt_rows=prompt_rows(step),
        labels=labels_of(step),
    )


def cautions_of(step: Step, audience: Audience) -> tuple[tuple[str, str], ...]:
    """(title, measure) of each hazard of a step. Raises UserError where one has no words in the
    language that is spoken."""
    found = (caution(hazard, audience.value) for hazard in step.hazards)
    return tuple((must(title), must(measure)) for title, measure in found)


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
    """An answer in a list of answers."""
    again = _attempt(visit)
    return f"{step.title}{again}: {visit_words(step, visit, typed=True)}"


def _attempt(visit: Visit) -> str:
    return " " + tr("(attempt {n})", n=visit.attempt) if visit.attempt > 1 else ""


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


def labels_of(step: Step) -> tuple[str, ...]:
    """The lines that a step's question lets choose from, where they are the flow's own."""
    return tuple(map(str, (step.detail.get("items") or step.detail.get("answers") or {}).values()))


def visit_line(
    session: ReadOnlySession, visit: Visit, secret: Callable[[str], str] | None = None
) -> str:
    """One line of an account: mark, title, outcome, grade, time."""
    step = session.graph.steps[visit.step]
    verdict = step.counts(visit.outcome)
    again = _attempt(visit)
    sign = MARKS[verdict] if step.required else NOTED
    words = visit_words(step, visit, secret)
    if visit.outcome.label == STOP:
        sign = STOPPED
    elif any((w.step, w.attempt) == (visit.step, visit.attempt) for w in session.skipped_waits):
        words += tr(", wait skipped")
    grade = tr(visit.outcome.grade.value)
    return f"{sign} {step.title}{again}: {words} [{grade}, {local(visit.time)}]"


def spec_words(session: ReadOnlySession, name: str) -> str:
    """A number of the car with its unit and where it is from."""
    spec = session.specs[name]
    if not spec.text:
        return tr("not found")
    detail = f", {spec.detail}" if spec.detail else ""
    return f"{with_unit(spec.text, spec.unit)} ({tr(spec.source)}{detail})"


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
