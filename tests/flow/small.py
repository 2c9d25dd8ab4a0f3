"""Graphs written by hand, as short as the tests that read them allow.

A step has its name with a capital letter as its title, and passes with its natural grade, unless
the test says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from verify.flow.graph import (
    GATE_OUTCOMES,
    NATURAL_GRADE,
    Branch,
    Catalogue,
    Condition,
    Ending,
    Graph,
    Look,
    Promise,
    Step,
)
from verify.words import Audience, EndingKind, Grade, Group, Verdict

CATALOGUE = Catalogue(
    checks={
        "idle-speed": {
            "settled": Verdict.PASS,
            "too-high": Verdict.FAIL,
            "too-low": Verdict.FAIL,
            "adapting": Verdict.UNDECIDED,
        },
        "no-stall": {
            "none-seen": Verdict.PASS,
            "stalled": Verdict.FAIL,
            "too-short": Verdict.UNDECIDED,
        },
    },
    hazards={"traffic": "Look first.", "hot-parts": "Let it cool.", "moving-parts": "Hands off."},
    activities={
        "remedy": (),
        "saves-codes": (),
        "clears-codes": (),
        "road-test": ("traffic",),
        "engine-runs": ("moving-parts", "hot-parts"),
    },
)

ENDINGS = {
    "handed-back": (EndingKind.HAND_BACK, "Hand back"),
    "to-follow": (EndingKind.PROOF_TO_FOLLOW, "Proof to follow"),
    "diagnosis": (EndingKind.BACK_TO_DIAGNOSIS, "Back to diagnosis"),
    "relearn": (EndingKind.RELEARN, "Relearn elsewhere"),
    "tow": (EndingKind.DO_NOT_DRIVE, "Do not drive"),
}

JUDGED = ("pass", "fail", "undecided")


def look(
    outcome: str | Sequence[str] | None = None,
    *,
    findings: Mapping[str, Sequence[str]] | None = None,
    wrong: Sequence[str] | None = None,
    fine: Sequence[str] | None = None,
    value: tuple[int | None, int | None] | None = None,
    attempts: tuple[int, int | None] | None = None,
) -> Look:
    labels = [outcome] if isinstance(outcome, str) else outcome
    ends = [None if end is None else Fraction(end) for end in value] if value else None
    return Look(
        outcome=frozenset(labels) if labels is not None else None,
        findings=tuple((check, frozenset(words)) for check, words in (findings or {}).items()),
        wrong=frozenset(wrong) if wrong is not None else None,
        fine=frozenset(fine) if fine is not None else None,
        value=(ends[0], ends[1]) if ends else None,
        attempts=attempts,
    )


def go(
    when: str | Sequence[str] | Look | None,
    to: str,
    *,
    earlier: Mapping[str, Look] | None = None,
    audience: Audience | None = None,
) -> Branch:
    own = when if isinstance(when, Look) else look(when)
    return Branch(Condition(own, audience, tuple((earlier or {}).items())), to)


def step(kind: str, name: str, *branches: Branch, **over: Any) -> Step:
    """A required step of safe-to-drive; `optional=True` for one that is neither."""
    labels: tuple[str, ...]
    passes: frozenset[str]
    detail: dict[str, Any] = {}
    unsure = frozenset({"undecided", "told-undecided", "partly-read"})
    match kind:
        case "do":
            labels, passes = ("done",), frozenset({"done"})
        case "ask":
            answers = over.pop("answers", {"yes": "Yes", "no": "No"})
            labels, passes = tuple(answers), frozenset(over.pop("passes", ["yes"]))
            detail = {"answers": answers}
            unsure = frozenset(over.pop("unsure", ()))
        case "codes":
            labels, passes = ("none", "partly-read", "learn", "other"), frozenset({"none"})
        case "card":
            labels, passes = ("ok", "exceptions"), frozenset({"ok"})
            detail = {"items": over.pop("items", {"seal": "Seal", "clips": "Clips"})}
        case "reading":
            detail = {"unit": "rpm"}
            if over.pop("limits", False):
                detail["limits"] = {"source": "test"}
            labels = JUDGED if "limits" in detail else ("taken",)
            passes = frozenset({"pass", "taken"})
        case "record":
            labels = JUDGED
            detail = {"checks": over.pop("checks", ("idle-speed",))}
            if beside := over.pop("also", ()):
                detail["also"] = beside
            passes = frozenset({"pass", "told-pass"})
            if over.pop("told", False):
                detail["told"] = {"question": "?", "passes": "good", "fails": "bad"}
                labels = (*labels, "told-pass", "told-fail", "told-undecided")
        case "fasten":
            labels, passes = JUDGED, frozenset({"pass"})
        case "gate":
            labels, passes = GATE_OUTCOMES, frozenset(GATE_OUTCOMES)
            over["optional"] = True
        case _:
            labels, passes = ("taken",), frozenset({"taken"})
    optional = over.pop("optional", False)
    over.setdefault("group", None if optional else Group.SAFE)
    over.setdefault("least", NATURAL_GRADE.get(kind, Grade.TOLD))
    over["does"] = frozenset(over.get("does", ()))
    return Step(
        name=name,
        kind=kind,
        title=over.pop("title", name.replace("-", " ").capitalize()),
        say="",
        branches=branches,
        labels=labels,
        passes=passes,
        unsure=unsure,
        required=not optional,
        optional_reason="not needed here" if optional else "",
        detail=detail,
        **over,
    )


def flow(
    *steps: Step,
    endings: Sequence[str] = ("diagnosis", "tow"),
    promises: Sequence[tuple[str, str, str]] = (),
    audiences: Sequence[Audience] = (Audience.TECHNICIAN,),
    start: str = "",
) -> Graph:
    """Starts at the first step. `stop` leads to "tow"."""
    numbered = {s.name: s for s in steps}
    return Graph(
        flow_id="test",
        title="Test",
        repair="A test.",
        audiences=tuple(audiences),
        start=start or steps[0].name,
        on_stop="tow",
        steps=numbered,
        endings={n: Ending(n, ENDINGS[n][0], ENDINGS[n][1], "…") for n in endings},
        specs={},
        promises=tuple(Promise(kind, first, then) for kind, first, then in promises),
    )


def closing(*steps: Step, **over: Any) -> Graph:
    """As `flow`; but before the keys go back, a last step "gone" asks whether the complaint is."""
    ways = [replace(s, branches=tuple(_last_asked(branch) for branch in s.branches)) for s in steps]
    gone = step(
        "ask",
        "gone",
        go("yes", "handed-back"),
        go(["no", "cannot"], "tow"),
        group=Group.COMPLAINT,
        later=("Drive on as the complaint used to come.", "4 weeks"),
    )
    return flow(*ways, gone, **over)


def _last_asked(branch: Branch) -> Branch:
    return replace(branch, to="gone") if branch.to == "handed-back" else branch
