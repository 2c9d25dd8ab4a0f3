"""Answers and conditions of a flow in words for paper and screen. Pure functions to text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

from verify.flow.graph import CANNOT, GATE_OUTCOMES, NOT_VISITED, Branch, Graph, Look, Step
from verify.flow.phrases import audience_words

_LABELS = {
    "done": "done",
    "answered": "written down",
    "taken": "read and written down",
    "ok": "every line is so",
    "exceptions": "a line is not so",
    "none": "no codes, everything shown",
    "partly-read": "no codes seen, but not everything was shown",
    "learn": "codes that a leak check and relearn can cure",
    "other": "other codes",
    "wiring": "codes that point to wiring, supply or part",
    "forbids": "codes that forbid driving",
    "cleared": "codes were cleared after the drive",
    "not-ready": "no codes, but monitors or permanent codes are still to run",
    "pass": "passed",
    "fail": "failed",
    "undecided": "undecided",
    CANNOT: "cannot; why:",
    NOT_VISITED: "not come to",
    "hand-back": "everything needed has passed",
    "proof-to-follow": "safe to drive has passed, other proof is still open",
    "neither": "something needed before driving is open",
}
_READING = {
    "pass": "inside the limits",
    "fail": "outside the limits",
    "undecided": "too near to a limit to say",
}
_RECORDED = {
    "pass": "recorded: every check passes",
    "fail": "recorded: a check fails",
    "undecided": "recorded: undecided",
}
_FASTENED = {"pass": "at its torque", "fail": "not at its torque", "undecided": "cannot be said"}
_COME_TO = "come to"
_TIMES = {1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth"}


def label_words(step: Step, label: str) -> str:
    """An answer as the card offers it."""
    if label in step.detail.get("answers", {}):
        return str(step.detail["answers"][label])
    told = step.detail.get("told")
    if told and label.startswith("told-"):
        name = {"told-pass": "passes", "told-fail": "fails", "told-undecided": "unsure"}[label]
        return f"seen, not recorded: {told.get(name, 'not sure')}"
    own = {"reading": _READING, "record": _RECORDED, "fasten": _FASTENED}.get(step.kind, {})
    return own.get(label, _LABELS.get(label, label))


def condition_words(
    step: Step,
    branch: Branch,
    graph: Graph,
    numbers: Mapping[str, int | str],
    *,
    gate: bool = False,
) -> str:
    """What a branch asks for beyond the answer it stands at. "" where that is all.

    gate: what it asks of the step's own outcome is said too, as nobody answers there.
    """
    own = branch.when.own
    parts = []
    if gate and own.outcome is not None and own.outcome != frozenset(GATE_OUTCOMES):
        parts.append(" or ".join(_LABELS[name] for name in GATE_OUTCOMES if name in own.outcome))
    parts += _look_words(step, own)
    for name, look in branch.when.earlier:
        if name not in numbers:
            continue
        earlier = graph.steps[name]
        said = []
        if look.outcome is not None:
            said.append(_set_words(earlier, look.outcome))
        said += _look_words(earlier, look)
        if said:
            parts.append(f"at {numbers[name]}: {', '.join(said)}")
    return "; ".join(parts)


def when_words(graph: Graph, step: Step, branch: Branch) -> str:
    """All that a branch asks for: the answer, more of it, who answers, and what came before."""
    titles = {name: f"“{graph.steps[name].title}”" for name, _ in branch.when.earlier}
    gate = step.kind == "gate"
    parts = []
    if not gate and branch.when.own.outcome is not None:
        words = _set_words(step, branch.when.own.outcome)
        parts += [words] if words != _COME_TO else []
    more = condition_words(step, branch, graph, titles, gate=gate)
    if more:
        parts.append(more)
    if branch.when.audience is not None:
        parts.append(f"for {audience_words(branch.when.audience)}")
    return "; ".join(parts) or "whatever comes of it"


def _set_words(step: Step, labels: frozenset[str]) -> str:
    """A set of outcomes, or what is left where that is shorter."""
    everything = (*step.labels, CANNOT, NOT_VISITED)
    inside = [x for x in everything if x in labels]
    outside = [x for x in everything if x not in labels]
    if outside == [NOT_VISITED]:
        return _COME_TO
    if len(outside) < len(inside) - 1 and outside:
        if NOT_VISITED not in outside:
            return "anything but " + _listed(step, outside)
        outside.remove(NOT_VISITED)
        return "come to, and not " + _listed(step, outside)
    return _listed(step, inside)


def _listed(step: Step, labels: Iterable[str]) -> str:
    return " or ".join(
        "cannot" if x == CANNOT else f"“{label_words(step, x)}”" if x != NOT_VISITED else _LABELS[x]
        for x in labels
    )


def _look_words(step: Step, look: Look) -> list[str]:
    parts = [
        f"{check} " + " or ".join(sorted(_LABELS.get(f, f) for f in wanted))
        for check, wanted in look.findings
    ]
    items = step.detail.get("items", {})
    if look.wrong is not None:
        parts.append("not so: " + " or ".join(f"“{items[i]}”" for i in items if i in look.wrong))
    if look.fine is not None:
        parts.append("so: " + " and ".join(f"“{items[i]}”" for i in items if i in look.fine))
    if look.value is not None:
        parts.append(_interval(*look.value, str(step.detail.get("unit", ""))))
    if look.attempts is not None:
        parts.append(_attempts(*look.attempts))
    return parts


def _interval(low: Fraction | None, high: Fraction | None, unit: str) -> str:
    ends = [f"{number(low)} {unit} or more"] if low is not None else []
    ends += [f"less than {number(high)} {unit}"] if high is not None else []
    return " and ".join(ends)


def _attempts(low: int, high: int | None) -> str:
    if high is None:
        return f"the {_TIMES.get(low, f'{low}th')} time and later" if low > 1 else "any time"
    if low <= 1:
        return "the first time" if high == 2 else f"the first {high - 1} times"
    if high == low + 1:
        return f"the {_TIMES.get(low, f'{low}th')} time"
    return f"time {low} to {high - 1}"


def number(value: Fraction) -> str:
    """A number of a flow, at most four digits after the point, none that say nothing."""
    return f"{float(value):.4f}".rstrip("0").rstrip(".")
