"""What lets a car go more readily in one flow than in another.

Whoever reads a difference must see first what weakens it: an answer that failed and now passes is
one line among forty otherwise. Two graphs and which steps are the same → points; that the new
flow proves is no answer to this, for a proof holds a flow to its own words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from verify.flow.card_words import label_words
from verify.flow.graph import CANNOT, Graph, Outcome, Step
from verify.flow.phrases import promise_words
from verify.words import Group, Verdict

_RANK = {Verdict.FAIL: 0, Verdict.UNDECIDED: 1, Verdict.PASS: 2}
_COUNTS = {Verdict.FAIL: "fails", Verdict.UNDECIDED: "is open", Verdict.PASS: "passes"}


@dataclass(frozen=True, slots=True)
class Looser:
    """One way in which less is asked: title of the step, a sentence without its stop."""

    title: str
    words: str


def looser(before: Graph, after: Graph, same: Mapping[str, str]) -> tuple[Looser, ...]:
    """All that lets more through in `after`; same: old name → new name of the steps in both."""
    found: list[Looser] = []
    for old in before.steps.values():
        if not old.required:
            found += [Looser(old.title, w) for w in _cautions(old, _now(old, after, same))]
            continue
        new = _now(old, after, same)
        words = _gone() if new is None else _step(old, new)
        found += [Looser(old.title, w) for w in words]
    whole = _whole(before, after, same)
    return (*found, *(Looser(after.title, words) for words in whole))


def _whole(before: Graph, after: Graph, same: Mapping[str, str]) -> Iterator[str]:
    kept = {(p.kind, p.first, p.then) for p in after.promises}
    for p in before.promises:
        if not {p.first, p.then} <= {*same, *before.endings}:
            continue  # that its step is gone is said already
        if (p.kind, same.get(p.first, p.first), same.get(p.then, p.then)) not in kept:
            yield f"no longer promises: {promise_words(before, p)}"
    for name, words in before.look.items():
        if name not in after.look:
            yield f"who signs no longer looks at “{words}”"
    for name, ending in after.endings.items():
        was = before.endings.get(name)
        if was is not None and ending.kind.lets_go and not was.kind.lets_go:
            yield f"“{ending.title}” was {was.kind.value}, and is now {ending.kind.value}"


def _now(old: Step, after: Graph, same: Mapping[str, str]) -> Step | None:
    return after.steps[same[old.name]] if old.name in same else None


def _gone() -> Iterator[str]:
    yield "was required, and is no longer asked"


def _step(old: Step, new: Step) -> Iterator[str]:
    if not new.required:
        yield "was required, and may now be left out"
    elif old.group is Group.SAFE and new.group is not Group.SAFE:
        yield "had to pass before the car is driven, and may now stay open"
    elif old.later is None and new.later is not None:
        yield "may now stay open when the car leaves"
    if new.least.rank < old.least.rank:
        yield f"asked for {old.least.value} evidence, and is now satisfied with {new.least.value}"
    yield from _answers(old, new)
    yield from _details(old, new)
    yield from _cautions(old, new)


def _answers(old: Step, new: Step) -> Iterator[str]:
    for label in (*old.labels, CANNOT):
        if label not in (*new.labels, CANNOT) or old.kind != new.kind:
            continue
        was, now = (s.counts(Outcome(label, s.least)) for s in (old, new))
        if _RANK[now] > _RANK[was]:
            name = label_words(new, label)
            past = {"fails": "failed", "is open": "left it open"}[_COUNTS[was]]
            yield f"“{name}” {past}, and now {_COUNTS[now]}"
    for label in new.labels:
        if old.kind == new.kind and label not in old.labels and label in new.passes:
            yield f"“{label_words(new, label)}” is a new answer that passes"


def _details(old: Step, new: Step) -> Iterator[str]:
    for key, what in (("checks", "check"), ("modules", "module"), ("items", "line")):
        kept = new.detail.get(key, ())
        for name in old.detail.get(key, ()):
            if name not in kept:
                words = old.detail[key][name] if key == "items" else name
                yield f"the {what} “{words}” is no longer asked for"
    for key in ("since_clear", "readiness"):
        if old.detail.get(key) and not new.detail.get(key):
            yield f"no longer asks for {key.replace('_', ' ')}"
    if _beyond(old.detail.get("tolerance"), new.detail.get("tolerance"), 1):
        yield "is held against a wider tolerance"
    if not old.detail.get("told") and new.detail.get("told"):
        yield "can now be told where nothing is recorded"
    yield from _limits(old, new)


def _limits(old: Step, new: Step) -> Iterator[str]:
    was, now = old.detail.get("limits"), new.detail.get("limits")
    if was and not now:
        yield "has no limits any more"
    if not was or not now:
        return
    if old.detail.get("unit") != new.detail.get("unit") or was.get("spec") != now.get("spec"):
        yield "is held against other limits: compare them"
        return
    wider = [
        _beyond(was.get(key), now.get(key), sign)
        for key, sign in (("lower", -1), ("upper", 1), ("minus", 1), ("plus", 1))
    ]
    if any(wider):
        yield "is held against wider limits"


def _beyond(was: Fraction | None, now: Fraction | None, sign: int) -> bool:
    """Whether a limit lets more through; None: there is none."""
    if was is None or now is None:
        return was is not None and now is None
    return (now - was) * sign > 0


def _cautions(old: Step, new: Step | None) -> Iterator[str]:
    for hazard in old.hazards if new is not None else ():
        if new is not None and hazard not in new.hazards:
            yield f"no longer shows the caution “{hazard}”"
