"""What a flow file can say: the pydantic models behind the YAML, and so the published JSON Schema.

Comes after `load` has made a plain tree of the text and before `graph` inlines the parts. Models
hold data only; nothing in a flow is executed or formatted. What one field alone can say wrongly is
refused here; what needs the rest of the flow (names, totality, promises) in `load` and `proof`.
What each field means stands in `field_words`, with an example, for the reference and for editors.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from verify.errors import unknown
from verify.flow.fields import (
    Audience,
    EndingKind,
    Grade,
    Group,
    Name,
    Names,
    NumberText,
    Short,
    SomeNames,
    SpecName,
    StepRef,
    Strict,
    Text,
    Wrong,
    each_once,
)
from verify.words import EndingKind as _EndingKind

# Codes of these classes can never be what a required reading of codes passes on.
NEVER_FINE = ("wiring", "forbids")
CODE_CLASSES = ("none", "partly-read", "learn", "other", "wiring", "forbids")
# Outcomes that every step has, or that conditions on earlier steps know: no name for an answer.
RESERVED = ("cannot", "stop", "not-visited")
CodeClass = Literal["none", "partly-read", "learn", "other", "wiring", "forbids"]


class Range(Strict):
    """Whole numbers from `from` up to but not including `to`; an end left out is open."""

    from_: Annotated[int, Field(alias="from", ge=1)] = 1
    to: Annotated[int, Field(ge=2)] | None = None

    @model_validator(mode="after")
    def _not_empty(self) -> Range:
        if self.to is not None and self.to <= self.from_:
            raise Wrong(
                f"the empty range from {self.from_} to {self.to}",
                "`to` above `from`; it is the first number that no longer counts",
                "swap them, or move one end",
            )
        if not self.model_fields_set:
            raise Wrong("a range without ends", "`from`, `to` or both", "add one, or remove it")
        return self


class Interval(Strict):
    """Numbers with units from `from` up to but not including `to`; an end left out is open."""

    from_: Annotated[NumberText | None, Field(alias="from")] = None
    to: NumberText | None = None

    @model_validator(mode="after")
    def _not_open(self) -> Interval:
        if self.from_ is None and self.to is None:
            raise Wrong("an interval without ends", "`from`, `to` or both", "add one, or remove it")
        return self


class Look(Strict):
    """What is asked of one step's outcome; all that is named must hold."""

    outcome: SomeNames | None = None
    findings: dict[Name, SomeNames] | None = Field(
        default=None,
        min_length=1,
    )
    wrong: SomeNames | None = None
    fine: SomeNames | None = None
    value: Interval | None = None
    attempts: Range | None = None

    @model_validator(mode="after")
    def _asks_something(self) -> Look:
        # Without this, an empty condition would be an "else", and a typing slip a pass.
        if not any(
            getattr(self, name) is not None
            for name in self.__class__.model_fields
            if name != "step"
        ):
            raise Wrong(
                "a condition that asks nothing",
                "at least one of outcome, findings, wrong, fine, value, attempts"
                + (", audience, earlier" if isinstance(self, When) else ""),
                "say on what the branch depends",
            )
        return self


class Earlier(Look):
    """The same, put to the last outcome of an earlier step."""

    step: StepRef


class When(Look):
    audience: Audience | None = None
    earlier: list[Earlier] | None = Field(default=None, min_length=1)


def _form_of_when(value: object) -> str:
    return "word" if isinstance(value, str) else "words" if isinstance(value, list) else "form"


class Branch(Strict):
    """Where an outcome leads: to a step or an ending, or (in a part) to one of its results."""

    when: Annotated[
        Annotated[Name, Tag("word")]
        | Annotated[SomeNames, Tag("words")]
        | Annotated[When, Tag("form")],
        Discriminator(_form_of_when),
    ]
    to: Name | None = None
    result: Name | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Branch:
        if (self.to is None) == (self.result is None):
            raise Wrong(
                "a branch that leads nowhere"
                if self.to is None
                else f'a branch to "{self.to}" and to the result "{self.result}"',
                "exactly one of `to` (a step or ending) and `result` (in a part)",
                "add `to`" if self.to is None else "remove one of the two",
            )
        return self


class Later(Strict):
    """What is still to be proven after the keys went back, and by when."""

    settle: Text
    by: Short


class StepBase(Strict):
    title: Short
    say: Text
    why: Text | None = None
    owner: Text | None = None
    hazards: Names = Field(default_factory=list)
    does: Names = Field(default_factory=list)
    optional: Text | None = None
    group: Group | None = None
    least: Grade | None = None
    least_reason: Text | None = None
    later: Later | None = None
    branches: list[Branch] = Field(min_length=1)


class Do(StepBase):
    kind: Literal["do"]
    wait: NumberText | None = None


class Ask(StepBase):
    kind: Literal["ask"]
    answers: dict[Name, Short] | None = Field(default=None, min_length=2)
    passes: Names = Field(default_factory=list)
    unsure: Names = Field(default_factory=list)
    text: Literal[True] | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Ask:
        if (self.answers is None) == (self.text is None):
            raise Wrong(
                "a question without answers"
                if self.answers is None
                else "a question with answers and with free text",
                "exactly one of `answers` and `text: true`",
                "add `answers`" if self.answers is None else "remove one of the two",
            )
        known = self.answers or {}
        for name in known:
            if name in RESERVED:
                # It would be taken for the outcome that every step has, and might even pass.
                raise Wrong(
                    f'an answer called "{name}", which every step has anyway',
                    "answers of this question",
                    "take it out, or give it another name",
                    ("answers", name),
                )
        for key in ("passes", "unsure"):
            for index, name in enumerate(getattr(self, key)):
                if name not in known:
                    problem = unknown(name, known, "answer of this question")
                    raise Wrong(problem.found, problem.expected, problem.next, (key, index))
        for index, name in enumerate(self.passes):
            if name in self.unsure:
                raise Wrong(
                    f'the answer "{name}" in `passes` and in `unsure`',
                    "an answer that passes, is unsure, or is neither (a fail)",
                    "remove it from one of the two",
                    ("passes", index),
                )
        return self


class LimitsText(Strict):
    """A band around a spec, or literal ends; its source stands on every report."""

    spec: SpecName | None = None
    minus: NumberText | None = None
    plus: NumberText | None = None
    lower: NumberText | None = None
    upper: NumberText | None = None
    source: Short

    @model_validator(mode="after")
    def _one_form(self) -> LimitsText:
        if self.spec is not None:
            fits = bool(self.minus or self.plus) and not (self.lower or self.upper)
        else:
            fits = bool(self.lower or self.upper) and not (self.minus or self.plus)
        if not fits:
            given = [k for k in ("spec", "minus", "plus", "lower", "upper") if getattr(self, k)]
            raise Wrong(
                "limits with " + (" and ".join(f"`{k}`" for k in given) or "no number"),
                "`spec` with `minus` and/or `plus`, or `lower` and/or `upper`",
                'say how far from it is still good: add "minus", "plus" or both'
                if given == ["spec"]
                else "keep one of the two forms"
                if given
                else "say what is still good",
            )
        return self


class Reading(StepBase):
    kind: Literal["reading"]
    unit: Short
    accuracy: NumberText
    limits: LimitsText | None = None


class Codes(StepBase):
    kind: Literal["codes"]
    modules: Annotated[list[Short], AfterValidator(each_once)] = Field(min_length=1)
    passes: Annotated[list[CodeClass], AfterValidator(each_once)] = Field(default=["none"])
    # What a code is about may be asked at a later step; of wiring and throttle control it is known.
    unsure: Annotated[list[Literal["learn", "other"]], AfterValidator(each_once)] = Field(
        default=[]
    )
    since_clear: Literal[True] | None = None
    readiness: Literal[True] | None = None

    @model_validator(mode="after")
    def _passes_or_open(self) -> Codes:
        for index, label in enumerate(self.passes):
            if label in self.unsure:
                raise Wrong(
                    f'"{label}" in `passes` and in `unsure`',
                    "an outcome that passes, is unsure, or is neither (a fail)",
                    "remove it from one of the two",
                    ("passes", index),
                )
        return self


class Fasten(StepBase):
    kind: Literal["fasten"]
    spec: SpecName
    tolerance: NumberText
    order_spec: Text | None = None


class Told(Strict):
    """What may be told where no recording can be made. It is listed as told."""

    question: Text
    passes: Short
    fails: Short
    unsure: Short = "Not sure"


class Record(StepBase):
    kind: Literal["record"]
    checks: SomeNames
    also: list[Name] = Field(
        default=[],
    )
    told: Told | None = None


class Photo(StepBase):
    kind: Literal["photo"]


class Card(StepBase):
    kind: Literal["card"]
    items: dict[Name, Short] = Field(min_length=1)


class Part(Strict):
    """A piece used by several flows, put in here; each of its results leads on."""

    kind: Literal["part"]
    part: Name
    results: dict[Name, Name] = Field(min_length=1)


class Gate(Strict):
    """What the live walk has proven so far decides; nobody is asked.

    Its outcomes: `hand-back` when every required step passed at its least grade;
    `proof-to-follow` when only steps outside safe-to-drive are open; else `neither`.
    """

    kind: Literal["gate"]
    title: Short
    branches: list[Branch] = Field(min_length=1)


STEP_KINDS: dict[str, type[Strict]] = {
    "do": Do,
    "ask": Ask,
    "reading": Reading,
    "codes": Codes,
    "fasten": Fasten,
    "record": Record,
    "photo": Photo,
    "card": Card,
    "part": Part,
    "gate": Gate,
}
AnyStep = Annotated[
    Do | Ask | Reading | Codes | Fasten | Record | Photo | Card | Part | Gate,
    Field(discriminator="kind"),
]


class Spec(Strict):
    """A number that belongs to this vehicle, asked once, when it is first needed."""

    title: Short
    unit: Short
    say: Text | None = None
    default: NumberText | None = None
    accuracy: NumberText | None = None


class Ending(Strict):
    kind: EndingKind
    title: Short
    advice: Text
    owner: Text | None = None
    who: Text | None = None

    @model_validator(mode="after")
    def _who(self) -> Ending:
        if (self.kind is _EndingKind.RELEARN) != (self.who is not None):
            raise Wrong(
                f"`who` in an ending of kind {self.kind}"
                if self.who is not None
                else "a relearn ending without `who`",
                "`who` (who can do it, and where) in endings of kind relearn and in no other",
                "remove it" if self.who is not None else "add it",
                ("who",) if self.who is not None else (),
            )
        return self


class Order(Strict):
    """`then` is never reached before `first` has been."""

    first: StepRef
    then: StepRef


class Never(Strict):
    """`step` is never reached unless the last outcome of `unless` passed."""

    step: StepRef
    unless: StepRef


class Promise(Strict):
    before: Order | None = None
    never: Never | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Promise:
        if (self.before is None) == (self.never is None):
            raise Wrong(
                "an empty promise" if self.before is None else "two promises in one",
                "exactly one of `before` and `never`",
                "say what is promised" if self.before is None else "give each an item of its own",
            )
        return self


class Flow(Strict):
    keysback_flow: Literal[1]
    id: Name
    title: Short
    repair: Text
    audience: Annotated[list[Audience], AfterValidator(each_once)] = Field(min_length=1)
    start: Name
    on_stop: Name
    specs: dict[SpecName, Spec] = Field(default_factory=dict)
    steps: dict[Name, AnyStep] = Field(min_length=1)
    endings: dict[Name, Ending] = Field(min_length=1)
    promises: list[Promise] = Field(default_factory=list)
    second_look: dict[Name, Short] | None = Field(
        default=None,
        min_length=1,
    )


class PartFile(Strict):
    keysback_part: Literal[1]
    id: Name
    title: Short
    results: SomeNames
    start: Name
    specs: dict[SpecName, Spec] = Field(default_factory=dict)
    steps: dict[Name, AnyStep] = Field(min_length=1)
    promises: list[Promise] = Field(default_factory=list)
