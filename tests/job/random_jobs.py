"""Random flows in which every outcome leads somewhere, and random entries for jobs on them.

The flows are total and disjoint by construction and prove nothing else: they loop, skip and leave
things open as no proven flow may, which is what the walk has to survive. The entries fit more often
than not; the rest is what a defective front end could send.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.graph import CLEARS_CODES, REMEDY, Branch, Condition, Graph, Look, Spec, Step
from verify.job.session import Visit
from verify.words import Audience, Grade, Group

KINDS = ("ask", "ask", "do", "do", "record", "record", "record", "reading", "card", "codes",
         "fasten")  # fmt: skip
ENDINGS = ("handed-back", "to-follow", "diagnosis", "relearn", "tow")
GRADES = {"record": "recorded", "reading": "read", "codes": "read", "fasten": "read"}


def random_graph(rng: random.Random) -> Graph:
    """5 to 11 steps, up to 3 of them gates, from one to all five endings besides "tow"."""
    count = rng.randint(4, 9)
    names = [f"s{i}" for i in range(count)]
    kinds = {name: rng.choice(KINDS) for name in names}
    gates = [f"g{i}" for i in range(rng.randint(1, 3))]
    endings = rng.sample(ENDINGS[:4], rng.randint(1, 4))
    bare = {name: _bare(rng, name, kinds[name]) for name in names}
    if rng.random() < 0.35:
        # Everything may be proven later, so that proof does follow.
        bare = {
            n: replace(s, group=Group.COMPLAINT, later=("drive on", "two weeks"))
            if s.required
            else s
            for n, s in bare.items()
        }
    steps = []
    for i, name in enumerate(names):
        # Mostly onwards, so that walks get far; now and then back.
        ahead = names[i + 1 : i + 4] or names[-1:]
        targets = [*ahead * 3, *rng.sample(names, 2), *gates, rng.choice(endings)]
        steps.append(replace(bare[name], branches=_branches(rng, bare[name], bare, targets)))
    for i, name in enumerate(gates):
        targets = [*names, *gates[i + 1 :], *endings * 2]
        words = ["hand-back", "proof-to-follow", "neither"]
        branches = tuple(go(word, rng.choice(targets)) for word in words)
        if rng.random() < 0.5:
            again, on = rng.choice(targets), rng.choice(endings)
            branches = (
                *branches[:2],
                go(look("neither", attempts=(1, 3)), again),
                go(look("neither", attempts=(3, None)), on),
            )
        steps.append(step("gate", name, *branches))
    audiences = (Audience.TECHNICIAN, Audience.OWNER)
    made = flow(*steps, endings=(*endings, "tow"), audiences=audiences, start=names[0])
    if rng.random() < 0.1:
        made = replace(made, start=gates[0])
    if rng.random() < 0.4:
        made = replace(made, look={"lock": "The connector is locked", "lamps": "No lamp is lit"})
    return replace(made, specs={"idle_speed": Spec("idle_speed", "Idle speed", "rpm")})


def random_sign_off(rng: random.Random, graph: Graph, walk: Sequence[Visit]) -> dict[str, Any]:
    """A signer's decision; most of it fits a job that has ended."""
    answers = [v for v in walk if not v.gate]
    body: dict[str, Any] = {"decision": "accepted"}
    if answers and rng.random() < 0.6:
        old = rng.choice(answers)
        body = {"decision": "sent-back", "of": old.seq, "step": old.step, "attempt": old.attempt}
        body["reason"] = "cd" * 32
        if rng.random() < 0.05:
            body["attempt"] += 1
    if graph.look or rng.random() < 0.05:
        wrong = [n for n in (*graph.look, "bonnet") if rng.random() < 0.15]
        body["look"] = {"looked": rng.random() < 0.8, "wrong": wrong}
    if graph.look and rng.random() < 0.1:
        del body["look"]
    return body


def _bare(rng: random.Random, name: str, kind: str) -> Step:
    over: dict[str, Any] = {"optional": rng.random() < 0.35}
    if not over["optional"]:
        over["group"] = rng.choice(list(Group))
        over["later"] = rng.choice([None, ("drive on", "100 km")])
    if kind == "do":
        over["does"] = rng.choice([[REMEDY], [REMEDY], [CLEARS_CODES], []])
    if kind == "ask":
        over["answers"] = {"yes": "Yes", "no": "No", "unsure": "Not sure"}
        over["unsure"] = ["unsure"]
    if kind == "reading":
        over["limits"] = rng.random() < 0.5
    if kind == "record":
        over["told"] = rng.random() < 0.5
        over["least"] = rng.choice([Grade.RECORDED, Grade.RECORDED, Grade.TOLD])
    made = step(kind, name, **over)
    if kind == "do" and rng.random() < 0.3:
        made = replace(made, detail={"wait_s": 600.0})
    return made


def _branches(
    rng: random.Random, here: Step, steps: Mapping[str, Step], targets: list[str]
) -> tuple[Branch, ...]:
    """One cell after the other: labels, then perhaps what else the step can say, then perhaps
    attempts, audience or an earlier step; each cut in two halves that cover all."""
    labels = [*here.labels, "cannot"]
    rng.shuffle(labels)
    cells: list[list[str]] = []
    while labels:
        take = rng.randint(1, len(labels))
        cells.append(labels[:take])
        labels = labels[take:]
    branches: list[Branch] = []
    for cell in cells:
        for own in _halves(rng, here, cell):
            branches += _more(rng, own, here, steps, targets)
    rng.shuffle(branches)
    return tuple(branches)


def _halves(rng: random.Random, here: Step, cell: list[str]) -> list[Look]:
    if here.kind == "reading" and cell == ["taken"] and rng.random() < 0.7:
        return [look("taken", value=(None, 700)), look("taken", value=(700, None))]
    if here.kind == "card" and cell == ["exceptions"] and rng.random() < 0.7:
        return [look("exceptions", wrong=["seal"]), look("exceptions", fine=["seal"])]
    if here.kind == "record" and cell == ["fail"] and rng.random() < 0.7:
        high, low = {"idle-speed": ["too-high"]}, {"idle-speed": ["too-low"]}
        return [look("fail", findings=high), look("fail", findings=low)]
    return [look(cell)]


def _more(
    rng: random.Random, own: Look, here: Step, steps: Mapping[str, Step], targets: list[str]
) -> list[Branch]:
    def to() -> str:
        return rng.choice(targets)

    kind = rng.choice(["", "", "attempts", "attempts", "audience", "earlier", "earlier-attempts"])
    if kind == "attempts":
        cut = rng.randint(2, 4)
        return [
            Branch(Condition(replace(own, attempts=(1, cut))), to()),
            Branch(Condition(replace(own, attempts=(cut, None))), to()),
        ]
    if kind == "audience":
        return [Branch(Condition(own, audience), to()) for audience in Audience]
    if kind == "earlier":
        other = steps[rng.choice(list(steps))]
        known = [*other.labels, "cannot", "not-visited"]
        some = rng.sample(known, rng.randint(1, len(known) - 1))
        rest = [label for label in known if label not in some]
        return [
            Branch(Condition(own, None, ((other.name, look(part)),)), to()) for part in (some, rest)
        ]
    if kind == "earlier-attempts":
        other = steps[rng.choice(list(steps))]
        cut = rng.randint(1, 3)
        parts = (look(attempts=(0, cut)), look(attempts=(cut, None)))
        return [Branch(Condition(own, None, ((other.name, part),)), to()) for part in parts]
    return [Branch(Condition(own), to())]


def random_outcome(rng: random.Random, here: Step) -> dict[str, Any]:
    """An outcome this step can have, as it is stored. Rarely `stop`."""
    draw = rng.random()
    if draw < 0.01:
        return {"label": "stop", "grade": "told"}
    if draw < 0.08:
        return {"label": "cannot", "grade": "told"}
    label = rng.choice(here.labels)
    good = [word for word in here.labels if word in here.passes]
    if rng.random() < 0.4 and good:
        label = rng.choice(good)
    body: dict[str, Any] = {"label": label, "grade": GRADES.get(here.kind, "told")}
    if label.startswith("told-"):
        body["grade"] = "told"
    elif here.kind == "record":
        body["checks"] = _checks(rng, here, label)
    elif here.kind == "reading" and label == "taken":
        value = Fraction(rng.choice([1, 6999, 7000, 7001, 99999]), 10)
        body["value"] = f"{value.numerator}/{value.denominator}"
    elif here.kind == "card" and label == "exceptions":
        items = list(here.detail["items"])
        body["items"] = sorted(rng.sample(items, rng.randint(1, len(items))))
    if rng.random() < 0.02:
        body["grade"] = rng.choice(["told", "read", "recorded"])
    if rng.random() < 0.02:
        body.pop(rng.choice(["checks", "items", "value"]), None)
    if "items" in body and rng.random() < 0.02:
        body["items"] = ["bonnet"]
    return body


def _checks(rng: random.Random, here: Step, label: str) -> dict[str, Any]:
    """Findings that make the label: at least one check says so, the others say no worse."""
    better = {"pass": ["pass"], "undecided": ["pass", "undecided"]}
    names = list(here.detail["checks"])
    decides = rng.choice(names)
    found = {}
    for name in names:
        allowed = [label] if name == decides else better.get(label, ["pass", "undecided", "fail"])
        finding, verdict = rng.choice(
            [(f, v.value) for f, v in CATALOGUE.checks[name].items() if v.value in allowed]
        )
        found[name] = {"finding": finding, "verdict": verdict}
    for name in here.detail.get("also", ()):
        allowed = ["pass", "undecided", *(["fail"] if label == "fail" else [])]
        finding, verdict = rng.choice(
            [(f, v.value) for f, v in CATALOGUE.checks[name].items() if v.value in allowed]
        )
        found[name] = {"finding": finding, "verdict": verdict}
    return found
