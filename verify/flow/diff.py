"""What changes for the person at the car between two flows, or two editions of one.

Two graphs → a list of changes in the order of the new flow. Steps are matched by name; of those
left, by kind and title, so that a step moved into a part is not taken for another one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from verify.flow.card_words import label_words, when_words
from verify.flow.graph import Condition, Graph, Promise, Step
from verify.flow.looser import Looser, looser
from verify.flow.phrases import promise_words, title_of

NEW, GONE, OTHER = "in addition", "no longer", "otherwise"


@dataclass(frozen=True, slots=True)
class Point:
    """One thing that differs: what, as it was, as it is ("" where it was or is not there)."""

    what: str
    before: str = ""
    after: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """kind: NEW, GONE or OTHER. name: of the step or ending in the new flow (or the old, if gone).

    asks: whether somebody has something to do or to answer there. points: what differs.
    """

    kind: str
    name: str
    title: str
    asks: bool
    points: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Difference:
    """before, after: titles of the two flows. whole: points about the flow itself.

    renamed: name in the old flow → name in the new one, where they differ. looser: what of it lets
    a car go more readily; it stands among the steps too.
    """

    before: str
    after: str
    whole: tuple[Point, ...] = ()
    steps: tuple[Change, ...] = ()
    endings: tuple[Change, ...] = ()
    numbers: tuple[Point, ...] = ()
    promises: tuple[Point, ...] = ()
    renamed: Mapping[str, str] = field(default_factory=dict)
    looser: tuple[Looser, ...] = ()

    def __bool__(self) -> bool:
        return bool(
            self.whole or self.steps or self.endings or self.numbers or self.promises
            or self.renamed
        )  # fmt: skip


def difference(before: Graph, after: Graph) -> Difference:
    """Everything that the two graphs do not share; lines of files are not looked at."""
    same = matched(before, after)
    back = {new: old for old, new in same.items()}
    steps = [
        Change(NEW, s.name, s.title, s.kind != "gate", tuple(_new(s)))
        for s in after.steps.values()
        if s.name not in back
    ]
    for step in after.steps.values():
        if step.name in back:
            old = before.steps[back[step.name]]
            points = tuple(_step_points(before, old, after, step, same))
            if points:
                steps.append(Change(OTHER, step.name, step.title, step.kind != "gate", points))
    place = {name: i for i, name in enumerate(after.steps)}
    steps.sort(key=lambda change: place[change.name])
    steps += [
        Change(GONE, s.name, s.title, s.kind != "gate")
        for s in before.steps.values()
        if s.name not in same
    ]
    return Difference(
        before=before.title,
        after=after.title,
        whole=tuple(_whole(before, after, same)),
        steps=tuple(steps),
        endings=tuple(_endings(before, after)),
        numbers=tuple(_numbers(before, after)),
        promises=tuple(_promises(before, after, same)),
        renamed={old: new for old, new in same.items() if old != new},
        looser=looser(before, after, same),
    )


def matched(before: Graph, after: Graph) -> dict[str, str]:
    """Name of a step in the old flow → the same step in the new one.

    By name; else by kind and title where either flow has only one such step left.
    """
    same = {name: name for name in before.steps if name in after.steps}
    left = [s for s in before.steps.values() if s.name not in same]
    came = [s for s in after.steps.values() if s.name not in same]
    for old in left:
        alike = [s for s in came if (s.kind, s.title) == (old.kind, old.title)]
        twins = [s for s in left if (s.kind, s.title) == (old.kind, old.title)]
        if len(alike) == len(twins) == 1:
            same[old.name] = alike[0].name
    return same


def _new(step: Step) -> Iterator[Point]:
    if step.kind != "gate":
        yield Point("says", after=step.say)
        yield Point("must pass", after=_must(step))


def _must(step: Step) -> str:
    if not step.required:
        return "not required: " + (step.optional_reason or "no reason given")
    group = f" for {step.group.value}" if step.group is not None else ""
    later = f"; may stay open until {step.later[1]}: {step.later[0]}" if step.later else ""
    return f"required{group}{later}"


def _step_points(
    before: Graph, old: Step, after: Graph, new: Step, same: Mapping[str, str]
) -> Iterator[Point]:
    """The differences of one step, first those that decide."""
    plain = (
        ("kind", old.kind, new.kind),
        ("must pass", _must(old), _must(new)),
        ("least evidence", old.least.value, new.least.value),
        ("title", old.title, new.title),
        ("says", old.say, new.say),
        ("says to an owner", old.owner, new.owner),
        ("why", old.why, new.why),
    )
    yield from (Point(what, a, b) for what, a, b in plain if a != b)
    yield from _of_sets("caution", dict.fromkeys(old.hazards), dict.fromkeys(new.hazards))
    yield from _of_sets("means", dict.fromkeys(sorted(old.does)), dict.fromkeys(sorted(new.does)))
    for label in dict.fromkeys((*old.labels, *new.labels)):
        was, now = _answer(old, label), _answer(new, label)
        if was != now:
            yield Point("answer", was, now)
    yield from _details(old, new)
    yield from _branches(before, old, after, new, same)


def _answer(step: Step, label: str) -> str:
    """An answer with what it counts as; "" where the step has none such."""
    if label not in step.labels:
        return ""
    counts = "passes" if label in step.passes else "open" if label in step.unsure else "fails"
    return f"“{label_words(step, label)}” ({counts})"


_SHOWN_ELSEWHERE = frozenset({"answers"})
_WORDS = {
    "items": "line",
    "checks": "check",
    "also": "check beside",
    "told": "asked without a recording",
    "limits": "limits",
    "unit": "unit",
    "modules": "module",
}


def _details(old: Step, new: Step) -> Iterator[Point]:
    for key in dict.fromkeys((*old.detail, *new.detail)):
        a, b = old.detail.get(key), new.detail.get(key)
        if a == b or key in _SHOWN_ELSEWHERE:
            continue
        what = _WORDS.get(key, key.replace("_", " "))
        if isinstance(a or b, Mapping) and isinstance(b or a, Mapping):
            yield from _of_maps(what, a or {}, b or {})
        elif isinstance(a or b, list | tuple):
            yield from _of_sets(
                what, dict.fromkeys(map(str, a or ())), dict.fromkeys(map(str, b or ()))
            )
        else:
            yield Point(what, _plain(a), _plain(b))


def _plain(value: Any) -> str:
    return "" if value is None else str(value)


def _of_sets(what: str, a: Mapping[str, None], b: Mapping[str, None]) -> Iterator[Point]:
    yield from (Point(what, before=x) for x in a if x not in b)
    yield from (Point(what, after=x) for x in b if x not in a)


def _of_maps(what: str, a: Mapping[str, Any], b: Mapping[str, Any]) -> Iterator[Point]:
    for key in dict.fromkeys((*a, *b)):
        old, new = _plain(a.get(key)), _plain(b.get(key))
        if old != new:
            yield Point(what, old, new)


def _branches(
    before: Graph, old: Step, after: Graph, new: Step, same: Mapping[str, str]
) -> Iterator[Point]:
    """Where an answer leads now, and where it led; what leads to the same place is not named."""
    was = {_moved(b.when, same): b for b in old.branches}
    now = {b.when: b for b in new.branches}
    for when in dict.fromkeys((*now, *was)):
        a, b = was.get(when), now.get(when)
        if a is None or b is None or same.get(a.to, a.to) != b.to:
            words = (
                when_words(after, new, b) if b is not None else when_words(before, old, was[when])
            )
            yield Point(
                f"after {words}",
                f"to {title_of(before, a.to)}" if a else "",
                f"to {title_of(after, b.to)}" if b else "",
            )


def _moved(when: Condition, same: Mapping[str, str]) -> Condition:
    """The condition with the new flow's names of earlier steps."""
    return replace(when, earlier=tuple((same.get(n, n), look) for n, look in when.earlier))


def _whole(before: Graph, after: Graph, same: Mapping[str, str]) -> Iterator[Point]:
    start = same.get(before.start, before.start)
    pairs = [
        ("title", before.title, after.title),
        ("repair", before.repair, after.repair),
        (
            "for",
            " and ".join(a.value for a in before.audiences),
            " and ".join(a.value for a in after.audiences),
        ),
    ]
    if start != after.start:
        pairs.append(("begins with", title_of(before, before.start), title_of(after, after.start)))
    if before.on_stop != after.on_stop:
        pairs.append(
            ("STOP leads to", title_of(before, before.on_stop), title_of(after, after.on_stop))
        )
    yield from (Point(what, a, b) for what, a, b in pairs if a != b)
    yield from _of_maps("looked at before signing off", before.look, after.look)


def _endings(before: Graph, after: Graph) -> Iterator[Change]:
    for name, new in after.endings.items():
        old = before.endings.get(name)
        if old is None:
            points = (Point("kind", after=new.kind.value), Point("says", after=new.advice))
            yield Change(NEW, name, new.title, False, points)
            continue
        fields = (
            ("kind", old.kind.value, new.kind.value),
            ("title", old.title, new.title),
            ("says", old.advice, new.advice),
            ("says to an owner", old.owner, new.owner),
            ("who", old.who, new.who),
        )
        found = tuple(Point(what, a, b) for what, a, b in fields if a != b)
        if found:
            yield Change(OTHER, name, new.title, False, found)
    for name, gone in before.endings.items():
        if name not in after.endings:
            yield Change(GONE, name, gone.title, False)


def _numbers(before: Graph, after: Graph) -> Iterator[Point]:
    def words(graph: Graph, name: str) -> str:
        spec = graph.specs.get(name)
        if spec is None:
            return ""
        more = f", else {spec.default}" if spec.default else ""
        return f"{spec.title} in {spec.unit}{more}"

    for name in dict.fromkeys((*after.specs, *before.specs)):
        a, b = words(before, name), words(after, name)
        if a != b:
            yield Point(name, a, b)


def _promises(before: Graph, after: Graph, same: Mapping[str, str]) -> Iterator[Point]:
    def moved(p: Promise) -> Promise:
        return Promise(p.kind, same.get(p.first, p.first), same.get(p.then, p.then))

    was = {moved(p): promise_words(before, p) for p in before.promises}
    now = {p: promise_words(after, p) for p in after.promises}
    yield from (Point("promise", before=w) for p, w in was.items() if p not in now)
    yield from (Point("promise", after=w) for p, w in now.items() if p not in was)
