"""Outcomes → answers that bring them about: numbers, codes, words, as an answers file gives them.

Between `flow/rehearse`, which knows outcomes alone, and the scripts that are printed. Each answer
is tried on `judge_answer` before it is used, so that a script cannot say one thing and come to
another. What a recording would have shown stands in a script as findings; a job takes none.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from verify.errors import UserError
from verify.evidence.usual import unusual
from verify.flow.graph import CANNOT, STOP, Graph, Outcome, Step
from verify.flow.phrases import number_words
from verify.job.answers import answer_from_tree
from verify.job.judge import judge_answer
from verify.quantity import SpecValue, parse, unit, with_unit
from verify.terminal.say import outcome_words
from verify.words import Verdict

PICTURE = "picture.png"
REASON = "rehearsal"
# One code of each class of seeds/codes.csv.
CODES = {"learn": "P0507", "other": "P0128", "wiring": "P2135", "forbids": "C0035"}
DRIVEN = {"drive": {"time": "15 min"}, "since_clear": {"distance": "90 km", "time": "120 min"}}
CLEARED = {"drive": {"time": "15 min"}, "since_clear": {"distance": "1 km", "time": "3 min"}}
READY = {"readiness": "41 01 00 07 65 00"}
NOT_READY = {"readiness": "41 01 00 07 65 05"}
# A number that no car would be surprised at, where the flow names none: by unit of the spec.
USUAL = {"N·m": "9", "rpm": "750", "V": "12.6", "°C": "90", "kPa": "100", "km": "84210",
         "1": "4"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One answer. yaml: as it stands in the script; words: for people.

    in_memory: whether only `flows try` takes it; picture: whether it needs the picture beside it.
    """

    yaml: str
    words: str
    in_memory: bool = False
    picture: bool = False


class AnswerBook:
    """The answers of one flow. specs: name → number with unit, as the scripts give them."""

    def __init__(self, graph: Graph) -> None:
        self.graph = graph
        self.specs = {name: _usual(name, s.default, s.unit) for name, s in graph.specs.items()}
        self._values = {
            name: SpecValue(parse(text, expect=graph.specs[name].unit), "service information")
            for name, text in self.specs.items()
        }
        looks = [
            (step.name if own else name, look)
            for step in graph.steps.values()
            for branch in step.branches
            for own, name, look in (
                (True, "", branch.when.own),
                *((False, name, look) for name, look in branch.when.earlier),
            )
        ]
        self._asked_by_number = {name for name, look in looks if look.value is not None}

    def line(self, step: Step, outcomes: Sequence[Outcome]) -> Line | None:
        """An answer that comes to one of these outcomes; None where none was found.

        What can be told is told, rather than put in the place of a recording.
        """
        told = sorted(outcomes, key=lambda o: bool(o.checks))
        for outcome in told:
            for tree in self._trees(step, outcome):
                if not self._comes_to(step, tree, outcome):
                    continue
                return Line(
                    _yaml(tree),
                    _words(step, outcome, tree),
                    in_memory=isinstance(tree, dict) and "judged" in tree,
                    picture=isinstance(tree, dict) and tree.get("file") == PICTURE,
                )
        return None

    def _comes_to(self, step: Step, tree: Any, outcome: Outcome) -> bool:
        if outcome.checks:
            return True
        try:
            got = judge_answer(step, answer_from_tree(step, tree), self._values).outcome
        except UserError:
            return False
        same = got.label == outcome.label and got.items == outcome.items
        return same and (step.name not in self._asked_by_number or got.value == outcome.value)

    def _trees(self, step: Step, outcome: Outcome) -> Iterator[Any]:
        """What might bring an outcome about, the likeliest first."""
        label = outcome.label
        if label == STOP:
            yield "stop"
        elif label == CANNOT:
            yield {"cannot": REASON}
        elif outcome.checks:
            yield {"judged": {check: finding for check, _, finding in outcome.checks}}
        elif step.kind == "record":
            yield {"told": label}
        elif step.kind == "do":
            yield "done"
        elif step.kind == "ask":
            yield label if "answers" in step.detail else REASON
        elif step.kind == "card":
            yield {"wrong": sorted(outcome.items)} if outcome.items else "ok"
        elif step.kind == "photo":
            yield {"file": PICTURE}
        elif step.kind == "codes":
            yield from _codes(step, label)
        elif step.kind == "fasten":
            for number in self._torques(step, label):
                yield {"torque": f"{number_words(number)} N·m", "order": "yes"}
        elif step.kind == "reading":
            yield from self._readings(step, outcome)

    def _torques(self, step: Step, label: str) -> Iterator[Fraction]:
        wanted = self._values[step.detail["spec"]].quantity.to("N·m").value
        share = step.detail["tolerance"] / 100
        if label == "pass":
            yield wanted
        elif label == "undecided":
            yield from (_short(wanted * (1 + share * n / 10)) for n in (10, 9, 11, 8, 12))
        else:
            yield from (_short(wanted * n / 10) for n in (15, 20, 30, 5))

    def _readings(self, step: Step, outcome: Outcome) -> Iterator[str]:
        name = step.detail["unit"]
        if outcome.value is not None and step.name in self._asked_by_number:
            yield f"{number_words(outcome.value)} {name}"
            return
        form = step.detail.get("limits")
        if form is None:
            yield f"{USUAL.get(name, '1')} {name}"
            return
        low, high = form["lower"], form["upper"]
        if form["spec"] is not None:
            centre = self._values[form["spec"]].quantity.to(name).value
            low = centre - form["minus"] if form["minus"] is not None else None
            high = centre + form["plus"] if form["plus"] is not None else None
        ends = [end for end in (low, high) if end is not None]
        if outcome.label == "undecided":
            yield from (f"{number_words(_short(end))} {name}" for end in ends)
        if low is not None and high is not None:
            yield f"{number_words(_short((low + high) / 2))} {name}"
        for end in ends:
            room = max(abs(end) / 20, step.detail["accuracy"])
            for steps in (2, -2, 5, -5, 20, -20, 1, -1):
                yield f"{number_words(_short(end + steps * room))} {name}"


def _codes(step: Step, label: str) -> Iterator[dict[str, Any]]:
    read: dict[str, Any] = {"stored": [], "pending": [], "permanent": []}
    whole = read | {"modules": list(step.detail["modules"])}
    since, ready = bool(step.detail.get("since_clear")), bool(step.detail.get("readiness"))
    whole |= DRIVEN if since else {}
    all_well = whole | (READY if ready else {})
    match label:
        case "none":
            yield all_well
        case "partly-read":
            yield {"stored": [], "modules": []}
        case "cleared":
            yield all_well | CLEARED
        case "not-ready":
            yield whole | NOT_READY
        case _ if label in CODES:
            yield all_well | {"stored": [CODES[label]]}


def _usual(name: str, default: str | None, unit_name: str) -> str:
    """The flow's own number, else one that is taken at the first entry."""
    if default:
        return default if not re.fullmatch(r"[-\d.,]+", default) else with_unit(default, unit_name)
    text = with_unit(USUAL.get(unit(unit_name).name, "10"), unit_name)
    range_ = unusual(name, parse(text))
    if range_ is None:
        return text
    middle = (Fraction(str(range_.low)) + Fraction(str(range_.high))) / 2
    return with_unit(f"{float(middle):g}", range_.unit)


def _short(value: Fraction) -> Fraction:
    """Rounded to what somebody would type: four decimals at most."""
    return Fraction(round(value * 10_000), 10_000)


def _words(step: Step, outcome: Outcome, tree: Any) -> str:
    if outcome.label in (CANNOT, STOP):
        return outcome_words(step, outcome)
    if step.kind == "ask" and "answers" not in step.detail:
        return "answered in words"
    if step.kind == "reading":
        return str(tree) if outcome.label == "taken" else f"{tree}: {outcome.label}"
    if step.kind == "fasten":
        return f"{tree['torque']}: {outcome.label}"
    if outcome.checks:
        telling = [(c, f) for c, v, f in outcome.checks if v is not Verdict.PASS]
        shown = "; ".join(f"{check} {finding}" for check, finding in telling)
        return f"{outcome.label}: {shown}" if shown else "pass: every check"
    return outcome_words(step, outcome)


# --- YAML 1.2, as `flow/text` reads it ---

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_-]*(/[a-z0-9-]+)*")


def scalar(text: str) -> str:
    """A text so that it is read back as this text; plain where it can be."""
    plain = _PLAIN.fullmatch(text) and text.casefold() not in ("null", "true", "false")
    return text if plain else json.dumps(text, ensure_ascii=False)


def _yaml(tree: Any) -> str:
    if isinstance(tree, Mapping):
        return "{" + ", ".join(f"{scalar(k)}: {_yaml(v)}" for k, v in tree.items()) + "}"
    if isinstance(tree, list):
        return "[" + ", ".join(map(_yaml, tree)) + "]"
    return scalar(str(tree))
