"""What each kind of step means in the graph: its labels, what passes, what it needs to know.

The one place to touch, beside the model, when a kind is added.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from verify.errors import Problem, UserError, unknown
from verify.flow import model as m
from verify.flow.earned import Complain, empty_remedy, told_for_recorded, unjudged
from verify.flow.graph import GATE_OUTCOMES, NATURAL_GRADE, Catalogue, Spec, Step
from verify.flow.inline import negative_width
from verify.quantity import convert_span, parse, unit
from verify.words import Grade, Group

JUDGED = ("pass", "fail", "undecided")
TOLD = ("told-pass", "told-fail", "told-undecided")
# A wider band around a torque is a slip of the pen: it would pass a fastener turned by hand.
WIDEST_TORQUE_BAND = Fraction(50)


def labels_of(step: m.AnyStep) -> tuple[str, ...]:
    """The labels an outcome of this step can have, besides `cannot` and `stop`."""
    match step:
        case m.Do():
            return ("done",)
        case m.Ask():
            return tuple(step.answers) if step.answers else ("answered",)
        case m.Reading():
            return JUDGED if step.limits else ("taken",)
        case m.Codes():
            cleared = ("cleared",) if step.since_clear else ()
            return (*m.CODE_CLASSES, *cleared, *(("not-ready",) if step.readiness else ()))
        case m.Fasten():
            return JUDGED
        case m.Record():
            return JUDGED + (TOLD if step.told else ())
        case m.Photo():
            return ("taken",)
        case m.Card():
            return ("ok", "exceptions")
        case m.Gate():
            return GATE_OUTCOMES
    return ()


def _passes(step: m.AnyStep) -> tuple[frozenset[str], frozenset[str]]:
    """(labels that pass, labels that leave it open)."""
    match step:
        case m.Ask():
            passes = step.passes if step.answers else ["answered"]
            return frozenset(passes), frozenset(step.unsure)
        case m.Codes():
            unsure = {"partly-read", "not-ready", *step.unsure} & set(labels_of(step))
            return frozenset(step.passes), frozenset(unsure - set(step.passes))
        case m.Card():
            return frozenset({"ok"}), frozenset()
        case m.Gate():
            return frozenset(GATE_OUTCOMES), frozenset()
        case _:
            passing = {"done", "taken", "pass", "told-pass"} & set(labels_of(step))
            return frozenset(passing), frozenset({"undecided", "told-undecided"})


class _Resolve:
    """Texts of one step made exact; complains with a path below the step."""

    def __init__(self, catalogue: Catalogue, specs: Mapping[str, Spec], say: Complain) -> None:
        self.catalogue, self.specs, self.say = catalogue, specs, say

    def known(self, path: tuple[str | int, ...], name: str, among: Any, what: str) -> bool:
        if name in among:
            return True
        self.say(path, unknown(name, among, what))
        return False

    def number(self, path: tuple[str | int, ...], text: str | None, expect: str) -> Fraction | None:
        if text is None:
            return None
        try:
            return parse(text, expect=expect).to(expect).value
        except UserError as error:
            self.say(path, error.problems[0])
            return None

    def span(self, path: tuple[str | int, ...], text: str | None, expect: str) -> Fraction | None:
        """As `number` for a width: 5 °F wide is 2.8 °C wide."""
        if text is None:
            return None
        try:
            quantity = parse(text, expect=expect)
        except UserError as error:
            self.say(path, error.problems[0])
            return None
        if quantity.value < 0:
            self.say(path, negative_width(text))
        return convert_span(quantity.value, quantity.unit, expect)

    def unit(self, path: tuple[str | int, ...], text: str) -> str | None:
        try:
            return unit(text).name
        except UserError as error:
            self.say(path, error.problems[0])
            return None

    def spec(self, path: tuple[str | int, ...], name: str, fits: str, why: str) -> None:
        """Complains about a spec that is not there, or in a unit unlike `fits`."""
        if not self.known(path, name, self.specs, "spec"):
            return
        spec_unit = self.specs[name].unit
        if spec_unit and unit(spec_unit).dimension != unit(fits).dimension:
            self.say(
                path,
                Problem(
                    f'the spec "{name}" in {spec_unit}',
                    f"a spec of {unit(fits).dimension}, as {why}",
                    "use another spec or another unit",
                ),
            )

    def limits(self, limits: m.LimitsText, unit_name: str) -> dict[str, Any]:
        if limits.spec is not None:
            why = f"this reading is in {unit_name}"
            self.spec(("limits", "spec"), limits.spec, unit_name, why)
        low = self.number(("limits", "lower"), limits.lower, unit_name)
        high = self.number(("limits", "upper"), limits.upper, unit_name)
        if low is not None and high is not None and high <= low:
            self.say(
                ("limits",),
                Problem(
                    f"limits from {limits.lower} to {limits.upper}",
                    "`upper` above `lower`",
                    "swap them, or move one end",
                ),
            )
        minus = self.span(("limits", "minus"), limits.minus, unit_name)
        plus = self.span(("limits", "plus"), limits.plus, unit_name)
        if minus == 0 and plus == 0:
            self.say(
                ("limits",),
                Problem(
                    "limits without any width",
                    "a band that a measured number can lie in",
                    "say how far from the figure is still good",
                ),
            )
        return {
            "spec": limits.spec,
            "minus": minus,
            "plus": plus,
            "lower": low,
            "upper": high,
            "source": limits.source,
        }

    def detail(self, step: m.AnyStep) -> dict[str, Any]:
        """What the kind needs, as plain data; `specs` are those asked for before the step."""
        match step:
            case m.Do():
                if step.wait is not None and step.wait[-1:].isdigit():
                    # Taken as seconds, "10" for ten minutes would be a wait in name only.
                    self.say(
                        ("wait",),
                        Problem(
                            f'"{step.wait}" without a unit',
                            "a time with its unit",
                            f'write "{step.wait} min" or "{step.wait} s"',
                        ),
                    )
                    return {}
                wait = self.span(("wait",), step.wait, "s")
                return {"wait_s": float(wait)} if wait is not None else {}
            case m.Ask():
                return {"answers": dict(step.answers)} if step.answers else {"text": True}
            case m.Reading():
                name = self.unit(("unit",), step.unit)
                if name is None:
                    return {}
                accuracy = self.span(("accuracy",), step.accuracy, name)
                if accuracy == 0 and unit(name).dimension != "number":
                    self.say(
                        ("accuracy",),
                        Problem(
                            f"an instrument that is exact ({step.accuracy})",
                            "how far it may be off",
                            "write the accuracy the instrument's maker gives",
                        ),
                    )
                detail: dict[str, Any] = {"unit": name, "accuracy": accuracy}
                if step.limits:
                    detail["limits"] = self.limits(step.limits, name)
                    if step.limits.spec:
                        detail["specs"] = (step.limits.spec,)
                return detail
            case m.Codes():
                asked = {"since_clear": step.since_clear, "readiness": step.readiness}
                return {"modules": tuple(step.modules), **{k: True for k, v in asked.items() if v}}
            case m.Fasten():
                self.spec(("spec",), step.spec, "N·m", "fasteners are tightened to a torque")
                tolerance = self.span(("tolerance",), step.tolerance, "%")
                if tolerance is not None and not 0 < tolerance <= WIDEST_TORQUE_BAND:
                    self.say(
                        ("tolerance",),
                        Problem(
                            f"a tolerance of {step.tolerance}",
                            f"more than 0 % and at most {WIDEST_TORQUE_BAND} %",
                            'write "10 %", or what the service information gives',
                        ),
                    )
                return {
                    "spec": step.spec,
                    "specs": (step.spec,),
                    "tolerance": tolerance,
                    "order_spec": step.order_spec or "",
                    "unit": "N·m",
                }
            case m.Record():
                return self.record(step)
            case m.Card():
                return {"items": dict(step.items)}
        return {}

    def record(self, step: m.Record) -> dict[str, Any]:
        needed: list[str] = []
        places = [("checks", i) for i in range(len(step.checks))]
        places += [("also", i) for i in range(len(step.also))]
        for place, check in zip(places, (*step.checks, *step.also), strict=True):
            if not self.known(place, check, self.catalogue.checks, "check"):
                continue
            if place[0] == "also" and (check in step.checks or check in step.also[: place[1]]):
                self.say(
                    place,
                    Problem(
                        f'the check "{check}" twice',
                        "each check once",
                        "a check that must pass stands under checks alone",
                    ),
                )
            for spec in self.catalogue.check_specs.get(check, ()):
                if spec not in self.specs:
                    self.say(
                        place,
                        Problem(
                            f'the check "{check}" without the spec "{spec}"',
                            f'"{spec}" among the specs of the flow',
                            "add it under specs, with title and unit",
                        ),
                    )
                elif spec not in needed:
                    needed.append(spec)
        detail: dict[str, Any] = {"checks": tuple(step.checks), "specs": tuple(needed)}
        if step.also:
            detail["also"] = tuple(step.also)
        if step.told:
            detail["told"] = {
                "question": step.told.question,
                "passes": step.told.passes,
                "fails": step.told.fails,
                "unsure": step.told.unsure,
            }
        return detail


def resolve(
    step: m.AnyStep, full: str, catalogue: Catalogue, specs: Mapping[str, Spec], say: Complain
) -> Step:
    """A model step as a graph step, without branches. Complains through `say(path, problem)`."""
    r = _Resolve(catalogue, specs, say)
    passes, unsure = _passes(step)
    if isinstance(step, m.Gate):
        return Step(
            name=full,
            kind="gate",
            title=step.title,
            say="",
            branches=(),
            labels=labels_of(step),
            passes=passes,
            required=False,
            optional_reason="decides by what was proven; nobody is asked",
        )
    assert not isinstance(step, m.Part)
    required = step.optional is None
    for index, hazard in enumerate(step.hazards):
        r.known(("hazards", index), hazard, catalogue.hazards, "hazard")
    for index, activity in enumerate(step.does):
        r.known(("does", index), activity, catalogue.activities, "activity")
    if required and step.group is None:
        say(
            (),
            Problem(
                "a required step without a group",
                "group: " + ", ".join(g.value for g in Group),
                'say which question it answers, or give the reason why it is "optional:"',
            ),
        )
    if required and isinstance(step, m.Ask) and step.answers and not step.passes:
        say(
            (),
            Problem(
                "a required question that nothing passes",
                "passes: [answer, …]",
                "name the good answers, or give the reason why it is optional",
            ),
        )
    if required:
        unjudged(step, say)
    empty_remedy(step, say)
    if required and step.group not in (None, Group.SAFE) and step.later is None:
        say(
            (),
            Problem(
                f"a step of the group {step.group} without `later`",
                "later: {settle: what would settle it, by: when}",
                "say how the proof can follow after the keys went back",
            ),
        )
    natural = NATURAL_GRADE[step.kind]
    least = Grade(step.least) if step.least is not None else natural
    if required and told_for_recorded(step, say):
        pass
    elif least.rank < natural.rank and not step.least_reason:
        say(
            ("least",),
            Problem(
                f"the grade {least} for a step that can be {natural}",
                f"{natural}, or a least_reason",
                "give the reason, which is printed on the record",
            ),
        )
    if least.rank > natural.rank:
        say(
            ("least",),
            Problem(
                f"the grade {least}",
                f"at most {natural} for a step of kind {step.kind}",
                "lower it, or use a kind that yields better evidence",
            ),
        )
    return Step(
        name=full,
        kind=step.kind,
        title=step.title,
        say=step.say,
        branches=(),
        labels=labels_of(step),
        passes=passes,
        unsure=unsure,
        why=step.why or "",
        owner=step.owner or "",
        hazards=tuple(step.hazards),
        does=frozenset(step.does),
        required=required,
        optional_reason=step.optional or "",
        group=Group(step.group) if step.group is not None else None,
        least=least,
        least_reason=step.least_reason or "",
        later=(step.later.settle, step.later.by) if step.later else None,
        detail=r.detail(step),
    )
