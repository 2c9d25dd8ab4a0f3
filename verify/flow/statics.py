"""What can be proven of each step by itself: names, cautions, grades, groups."""

from __future__ import annotations

from collections.abc import Iterator

from verify.flow.finding import Finding
from verify.flow.graph import (
    NATURAL_GRADE,
    NOT_VISITED,
    STOP,
    Catalogue,
    Graph,
    Look,
    Outcome,
    Step,
    recorded_checks,
)
from verify.flow.phrases import branch_words, listed, titled
from verify.flow.spaces import atoms
from verify.words import EndingKind, Grade, Group, Verdict

MOST_ATTEMPTS = 20


def broken_names(graph: Graph, catalogue: Catalogue) -> Iterator[Finding]:
    """What names something that is not there; nothing else can be proven before it is."""
    nodes = {*graph.steps, *graph.endings}
    if not graph.audiences:
        yield Finding("names", "", "The flow does not say who works through it.")
    for name in sorted(graph.steps.keys() & graph.endings.keys()):
        yield Finding("names", name, f"“{name}” is the name of a step and of an ending.")
    if graph.start not in graph.steps:
        yield Finding("names", "", f"The flow starts at “{graph.start}”, which is no step.")
    stop = graph.endings.get(graph.on_stop)
    if stop is None or stop.kind is not EndingKind.DO_NOT_DRIVE:
        message = f"“stop: not safe” leads to “{graph.on_stop}”, which is no do-not-drive ending."
        yield Finding("names", "", message)
    for promise in graph.promises:
        if promise.kind not in ("before", "never"):
            yield Finding("names", "", f"There is no promise of the kind “{promise.kind}”.")
        if promise.first not in graph.steps:
            yield Finding("names", "", f"A promise names “{promise.first}”, which is no step.")
        if promise.then not in nodes:
            message = f"A promise names “{promise.then}”, which is no step or ending."
            yield Finding("names", "", message)
    for step in graph.steps.values():
        for message in _broken_in(graph, step, catalogue):
            yield Finding("names", step.name, f"{titled(step)} {message}.", line=step.line)


def _broken_in(graph: Graph, step: Step, catalogue: Catalogue) -> Iterator[str]:
    if step.kind not in NATURAL_GRADE:
        yield f"is of the unknown kind “{step.kind}”"
    if step.kind == "gate" and step.required:
        yield "is a gate, and a gate cannot be required"
    if step.kind == "record":
        for check in recorded_checks(step):
            if not catalogue.checks.get(check):
                yield f"names the check “{check}”, which does not exist or has no findings"
        if not step.detail.get("checks"):
            yield "puts its recording to no check"
    for index, branch in enumerate(step.branches):
        if branch.to not in graph.steps and branch.to not in graph.endings:
            yield f"leads to “{branch.to}”, which is no step or ending"
            continue
        where = branch_words(graph, step, index)
        for name, look in ((step.name, branch.when.own), *branch.when.earlier):
            there = graph.steps.get(name)
            if there is None:
                yield f"looks back at “{name}”, which is no step ({where})"
            else:
                for message in _broken_look(there, look):
                    yield f"asks {message} ({where})"
        if any(name == step.name for name, _ in branch.when.earlier):
            yield f"looks back at itself ({where})"


def _broken_look(step: Step, look: Look) -> Iterator[str]:
    for label in sorted(look.outcome or ()):
        if label == STOP:
            yield f"whether {titled(step)} was stopped, which always ends the job"
    if look.value is not None and (step.kind != "reading" or step.detail.get("limits")):
        yield f"for the number of {titled(step)}, which is no reading without limits"
    if look.attempts is not None and max(look.attempts[0], look.attempts[1] or 0) > MOST_ATTEMPTS:
        yield f"for more than {MOST_ATTEMPTS} attempts at {titled(step)}"
    if look.outcome == frozenset({NOT_VISITED}) and _asks_outcome(look):
        yield f"what came of {titled(step)} where it was not visited"


def _asks_outcome(look: Look) -> bool:
    return bool(look.findings or look.wrong or look.fine or look.value)


def each_alone(graph: Graph, catalogue: Catalogue) -> Iterator[Finding]:
    """Cautions, grades, groups, and whether a required step can pass at all."""
    for step in graph.steps.values():
        if step.kind == "gate":
            continue
        for rule, message in (*_cautions(step, catalogue), *_demands(step, catalogue)):
            yield Finding(rule, step.name, f"{titled(step)} {message}.", line=step.line)


def _cautions(step: Step, catalogue: Catalogue) -> Iterator[tuple[str, str]]:
    for hazard in step.hazards:
        if hazard not in catalogue.hazards:
            yield "caution", f"names the hazard “{hazard}”, for which there is no caution"
    for activity in sorted(step.does):
        if activity not in catalogue.activities:
            yield "caution", f"names the activity “{activity}”, which does not exist"
            continue
        missing = [h for h in catalogue.activities[activity] if h not in step.hazards]
        if missing:
            words = listed([f"“{h}”" for h in missing])
            plural = "hazards" if len(missing) > 1 else "hazard"
            yield "caution", f"means “{activity}”, but does not name the {plural} {words}"


def _demands(step: Step, catalogue: Catalogue) -> Iterator[tuple[str, str]]:
    natural = NATURAL_GRADE[step.kind]
    if step.least.rank > natural.rank:
        message = f"asks for evidence that is {step.least}, but its kind is only ever {natural}"
        yield "grade", f"{message}, so it can never pass"
    elif step.required and step.kind == "record" and step.least is Grade.TOLD:
        yield "grade", "would pass on what is told instead of recorded, and that is no pass"
    elif step.least.rank < natural.rank and not step.least_reason:
        yield "grade", f"is satisfied with {step.least} instead of {natural}, without a reason"
    if not step.required:
        return
    if step.group is None:
        yield "group", "is required, but does not say which question about the car it answers"
    elif step.group is not Group.SAFE and step.later is None:
        message = "may stay open when the car leaves, but does not say what would settle it later"
        yield "later", message
    if step.least.rank <= natural.rank and not can_pass(step, catalogue):
        yield "never-passes", "is required, but none of its outcomes passes"


def can_pass(step: Step, catalogue: Catalogue) -> bool:
    outcomes: Iterator[Outcome] = iter(atoms(step, (), catalogue))
    return any(step.counts(outcome) is Verdict.PASS for outcome in outcomes)


def shows_something(step: Step) -> bool:
    """Whether what comes of a step can speak against the car.

    A thing done or a picture taken passes whatever the car is like; so does an answer in free
    words, or one of a list that is all good.
    """
    return not set(step.labels) <= step.passes
