"""Small flows by chance: every kind of step, loops with attempts, looks back, gates, audiences.

Most are nearly right, for a flow that is wrong everywhere tests only one rule; some are then
damaged once or twice.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from tests.flow.damages import damages
from tests.flow.small import CATALOGUE, flow, go, look, step
from verify.flow.graph import NOT_VISITED, Branch, Condition, Graph, Look, Step, recorded_checks
from verify.words import Audience, Grade, Group

KINDS = ("do", "ask", "ask", "codes", "card", "reading", "record", "record", "fasten", "photo")
ASKING = ("ask", "codes", "card", "record", "fasten")
ACTIVITIES = ("remedy", "saves-codes", "clears-codes", "road-test")


def random_flow(seed: int, *, gates: bool) -> Graph:
    """The flow of a seed; with `gates` it has at least one."""
    rng = random.Random(seed)
    count = rng.randint(3 if gates else 2, 4)
    names = [f"s{i}" for i in range(count)]
    kinds = {name: rng.choice(KINDS) for name in names}
    if gates:
        kinds[names[-1] if rng.random() < 0.8 else rng.choice(names[1:])] = "gate"
    # The two questions without which no car goes, so that the other rules are met too.
    roles = {}
    asking = [name for name in names if kinds[name] != "gate"]
    if len(asking) > 1 and rng.random() < 0.85:
        roles = dict(zip(rng.sample(asking, 2), (Group.SAFE, Group.COMPLAINT), strict=True))
        kinds |= {name: rng.choice(ASKING) for name in roles if kinds[name] not in ASKING}
    share = rng.choice((0.05, 0.12, 0.3)) if gates else 0.09
    steps = {name: _bare(rng, name, kinds[name], share) for name in names}
    for name, group in roles.items():
        steps[name] = _asking(steps[name], group)
    careful = bool(roles) and rng.random() < 0.35
    for index, name in enumerate(names):
        branches = _branches(rng, steps, index, careful)
        steps[name] = replace(steps[name], branches=tuple(branches))
    used = {b.to for s in steps.values() for b in s.branches}
    endings = [e for e in ("handed-back", "to-follow", "diagnosis", "relearn") if e in used]
    audiences = [Audience.TECHNICIAN, Audience.OWNER]
    if not any(b.when.audience for s in steps.values() for b in s.branches):
        audiences = audiences[:1]
    graph = flow(
        *steps.values(),
        endings=(*endings, "tow"),
        promises=_promises(rng, [*names, *endings]) if rng.random() < 0.4 else (),
        audiences=audiences,
    )
    for _ in range(rng.choice((0, 0, 1, 1, 2))):
        choice = list(damages(graph))
        if choice:
            graph = rng.choice(choice).graph
    return graph


def _bare(rng: random.Random, name: str, kind: str, share: float) -> Step:
    if kind == "gate":
        return step("gate", name)
    over: dict[str, object] = {"optional": rng.random() < 0.45}
    if not over["optional"] and rng.random() < 0.35:
        over["group"] = rng.choice((Group.COMPLAINT, Group.LEARNING))
        over["later"] = ("Drive on and measure again.", "1 week")
    if kind == "ask":
        over["unsure"] = ["no"] if rng.random() < 0.2 else []
        if rng.random() < 0.1:
            over["passes"] = ["yes", "no"]
            over["unsure"] = []
    if kind == "reading":
        over["limits"] = rng.random() < 0.3
    if kind == "record":
        over["told"] = rng.random() < 0.4
        over["checks"] = rng.choice((("idle-speed",), ("no-stall",), ("idle-speed", "no-stall")))
        other = "no-stall" if over["checks"] == ("idle-speed",) else "idle-speed"
        if len(over["checks"]) == 1 and rng.random() < 0.5:
            over["also"] = (other,)
        if rng.random() < 0.3:
            lowered = Grade.TOLD if over["optional"] or rng.random() < 0.1 else Grade.READ
            over["least"], over["least_reason"] = lowered, "no recording can be made here"
    does = [a for a in ACTIVITIES if rng.random() < (0.4 if a == "remedy" else share)]
    hazards = {h for a in does for h in CATALOGUE.activities[a]}
    return step(kind, name, does=does, hazards=tuple(sorted(hazards)), **over)


def _asking(own: Step, group: Group) -> Step:
    """The step as a required one of this group."""
    later = None if group is Group.SAFE else ("Drive on as it used to come.", "4 weeks")
    least = Grade.READ if own.kind == "record" and own.least is Grade.TOLD else own.least
    return replace(own, required=True, optional_reason="", group=group, later=later, least=least)


def _partition(rng: random.Random, own: Step) -> list[Look]:
    """Looks of which exactly one holds for each outcome of a step."""
    if own.kind == "gate":
        return [look(label) for label in own.labels]
    if own.kind == "reading" and "limits" not in own.detail:
        cuts = sorted(rng.sample((600, 700, 800), rng.randint(0, 2)))
        ends = [None, *cuts, None]
        found = [look(value=pair) for pair in pairwise(ends)]
        found = found if cuts else [look("taken")]
        return [*found, look("cannot")]
    if own.kind == "card" and rng.random() < 0.6:
        item = rng.choice(list(own.detail["items"]))
        return [
            look(["ok", "cannot"]),
            look("exceptions", wrong=[item]),
            look("exceptions", fine=[item]),
        ]
    if own.kind == "record" and rng.random() < 0.6:
        check = rng.choice(recorded_checks(own))
        some, rest = _halves(rng, list(CATALOGUE.checks[check]))
        told = [label for label in own.labels if label.startswith("told")]
        return [
            look(findings={check: some}),
            look(findings={check: rest}),
            look(["cannot", *told]),
        ]
    labels = [*own.labels, "cannot"]
    rng.shuffle(labels)
    size = rng.randint(1, min(3, len(labels)))
    groups = [labels[i::size] for i in range(size)]
    return [look(sorted(group)) for group in groups]


def _halves(rng: random.Random, words: list[str]) -> tuple[list[str], list[str]]:
    rng.shuffle(words)
    cut = rng.randint(1, len(words) - 1)
    return words[:cut], words[cut:]


def _branches(
    rng: random.Random, steps: dict[str, Step], index: int, careful: bool
) -> list[Branch]:
    """careful: mostly, whatever does not pass a required step ends the walk without keys."""
    names = list(steps)
    own = steps[names[index]]
    if careful and own.kind != "gate" and rng.random() < 0.9:
        onward = names[index + 1] if index + 1 < len(names) else "handed-back"
        good, rest = sorted(own.passes), [*sorted(set(own.labels) - own.passes), "cannot"]
        if own.later is not None and "gate" in {s.kind for s in steps.values()}:
            # What is only open goes on to where it is weighed; what failed does not.
            good, rest = (
                sorted({*good, *own.unsure, "cannot"}),
                sorted(set(own.labels) - own.passes - own.unsure),
            )
            if not rest:
                return [go(good, onward)]
        return [go(good, onward), go(rest, "diagnosis" if own.required else onward)]
    found: list[Branch] = []
    for part in _partition(rng, own):
        good = part.outcome is not None and bool(part.outcome & own.passes)
        way = rng.random()
        if own.kind == "gate" and way < 0.8:
            ending = {"hand-back": "handed-back"}
            if any(s.later for s in steps.values()):
                ending["proof-to-follow"] = "to-follow"
            neither = _onward(rng, names, index) if rng.random() < 0.5 else "diagnosis"
            found.append(go(part, ending.get(next(iter(part.outcome or ())), neither)))
        elif way < 0.15:
            # back or round, with the attempts counted
            back = rng.choice(names[: index + 1])
            limit = rng.randint(2, 3)
            found.append(go(replace(part, attempts=(1, limit)), back))
            found.append(go(replace(part, attempts=(limit, None)), _onward(rng, names, index)))
        elif way < 0.3 and index:
            found += _looking_back(rng, steps, part, index)
        elif way < 0.36:
            for audience in Audience:
                found.append(go(part, _onward(rng, names, index), audience=audience))
        elif way < 0.39:
            found.append(go(part, rng.choice(names)))
        else:
            found.append(go(part, _onward(rng, names, index, good=good)))
    return found


def _onward(rng: random.Random, names: Sequence[str], index: int, *, good: bool = True) -> str:
    if index + 1 < len(names) and (good or rng.random() < 0.3):
        return names[index + 1] if rng.random() < 0.85 else rng.choice(names[index + 1 :])
    if not good:
        return rng.choice(("diagnosis", "diagnosis", "relearn", "tow"))
    return rng.choice(("handed-back", "handed-back", "to-follow", "diagnosis"))


def _looking_back(
    rng: random.Random, steps: dict[str, Step], part: Look, index: int
) -> list[Branch]:
    """One look at an earlier (now and then a later) step and its opposite."""
    names = list(steps)
    others = [n for n in names[: index + 1] if n != names[index]]
    if rng.random() < 0.15:
        others = [n for n in names if n != names[index]]
    name = rng.choice(others)
    there = steps[name]
    if there.kind == "gate":
        return [go(part, _onward(rng, names, index))]
    way = rng.random()
    targets = [_onward(rng, names, index, good=rng.random() < 0.6) for _ in range(3)]
    if way < 0.2:
        looks = [look(attempts=(1, 2)), look(attempts=(2, None))]
        if rng.random() < 0.5:
            looks.append(look(NOT_VISITED))
    elif way < 0.4 and there.kind == "reading" and "limits" not in there.detail:
        looks = [look(value=(None, 650)), look(value=(650, None)), look([NOT_VISITED, "cannot"])]
    elif way < 0.6 and there.kind == "record":
        check = rng.choice(recorded_checks(there))
        some, rest = _halves(rng, list(CATALOGUE.checks[check]))
        told = [label for label in there.labels if label.startswith("told")]
        looks = [
            look(findings={check: some}),
            look(findings={check: rest}),
            look([NOT_VISITED, "cannot", *told]),
        ]
    else:
        some, rest = _halves(rng, [*there.labels, "cannot", NOT_VISITED])
        looks = [look(some), look(rest)]
    return [
        Branch(Condition(part, None, ((name, asked),)), target)
        for asked, target in zip(looks, targets, strict=False)
    ]


def _promises(rng: random.Random, names: Sequence[str]) -> list[tuple[str, str, str]]:
    steps = [n for n in names if n.startswith("s")]
    return [
        (rng.choice(("before", "never")), rng.choice(steps), rng.choice(list(names)))
        for _ in range(rng.randint(1, 2))
    ]
