"""What a flow file can say: the pydantic models behind the YAML, and so the published JSON Schema.

Comes after `load` has made a plain tree of the text and before `graph` inlines the parts. Models
hold data only; nothing in a flow is executed or formatted. What one field alone can say wrongly is
refused here; what needs the rest of the flow (names, totality, promises) in `load` and `proof`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    StringConstraints,
    Tag,
    model_validator,
)

from verify.words import Audience as _Audience
from verify.words import EndingKind as _EndingKind
from verify.words import Grade as _Grade
from verify.words import Group as _Group

# In a strict model a word of a closed list must still be allowed to arrive as text.
Audience = Annotated[_Audience, Field(strict=False)]
EndingKind = Annotated[_EndingKind, Field(strict=False)]
Grade = Annotated[_Grade, Field(strict=False)]
Group = Annotated[_Group, Field(strict=False)]

Name = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", min_length=1, max_length=60),
]
SpecName = Annotated[
    str, StringConstraints(pattern=r"^[a-z0-9]+(_[a-z0-9]+)*$", min_length=1, max_length=60)
]
StepRef = Annotated[
    str,
    StringConstraints(
        pattern=r"^[a-z0-9]+(-[a-z0-9]+)*(/[a-z0-9]+(-[a-z0-9]+)*)*$", max_length=200
    ),
]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]
Short = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
NumberText = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]

CODE_CLASSES = ("none", "partly-read", "learn", "other", "wiring", "forbids")
CodeClass = Literal["none", "partly-read", "learn", "other", "wiring", "forbids"]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Range(Strict):
    """Whole numbers from `from` up to but not including `to`; an end left out is open."""

    from_: Annotated[int, Field(alias="from", ge=1)] = 1
    to: Annotated[int, Field(ge=2)] | None = None

    @model_validator(mode="after")
    def _not_empty(self) -> Range:
        if self.to is not None and self.to <= self.from_:
            raise ValueError("an empty range: `to` must be above `from`")
        return self


class Interval(Strict):
    """Numbers with units from `from` up to but not including `to`; an end left out is open."""

    from_: Annotated[NumberText | None, Field(alias="from")] = None
    to: NumberText | None = None


class Look(Strict):
    """What is asked of one step's outcome; all that is named must hold."""

    outcome: list[Name] | None = Field(default=None, min_length=1)
    findings: dict[Name, list[Name]] | None = Field(
        default=None, description="check → findings or verdicts, one of which it must have reached"
    )
    wrong: list[Name] | None = Field(
        default=None, min_length=1, description="at least one of these items"
    )
    fine: list[Name] | None = Field(default=None, min_length=1, description="none of them is wrong")
    value: Interval | None = None
    attempts: Range | None = Field(
        default=None, description="times the step was entered, now included"
    )


class Earlier(Look):
    """The same, put to the last outcome of an earlier step."""

    step: StepRef


class When(Look):
    audience: Audience | None = None
    earlier: list[Earlier] | None = Field(default=None, min_length=1)


def _form_of_when(value: object) -> str:
    return {str: "word", list: "words"}.get(type(value), "form")


class Branch(Strict):
    """Where an outcome leads: to a step or an ending, or (in a part) to one of its results."""

    when: Annotated[
        Annotated[Name, Tag("word")]
        | Annotated[list[Name], Tag("words")]
        | Annotated[When, Tag("form")],
        Discriminator(_form_of_when),
    ]
    to: Name | None = None
    result: Name | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Branch:
        if (self.to is None) == (self.result is None):
            raise ValueError("exactly one of `to` and `result` must be given")
        return self


class Later(Strict):
    """What is still to be proven after the keys went back, and by when."""

    settle: Text
    by: Short


class StepBase(Strict):
    title: Short
    say: Text = Field(description="what to do or find out, in the words of the trade")
    why: Text | None = None
    owner: Text | None = Field(
        default=None, description="the same for an owner at home, where it differs"
    )
    hazards: list[Name] = Field(default_factory=list)
    does: list[Name] = Field(
        default_factory=list, description="activities of seeds/activities.csv this step means"
    )
    optional: Text | None = Field(
        default=None,
        description="the reason why this step need not pass; without it the step is required",
    )
    group: Group | None = Field(default=None, description="needed unless the step is optional")
    least: Grade | None = Field(
        default=None, description="the poorest evidence on which it can pass"
    )
    least_reason: Text | None = None
    later: Later | None = None
    branches: list[Branch] = Field(min_length=1)


class Do(StepBase):
    kind: Literal["do"]
    wait: NumberText | None = Field(default=None, description='a countdown, such as "10 min"')


class Ask(StepBase):
    kind: Literal["ask"]
    answers: dict[Name, Short] | None = Field(default=None, min_length=2)
    passes: list[Name] = Field(default_factory=list)
    unsure: list[Name] = Field(default_factory=list)
    text: Literal[True] | None = Field(
        default=None, description="a free answer in the person's words"
    )

    @model_validator(mode="after")
    def _one_form(self) -> Ask:
        if (self.answers is None) == (self.text is None):
            raise ValueError("exactly one of `answers` and `text: true` must be given")
        known = set(self.answers or {})
        for name in (*self.passes, *self.unsure):
            if name not in known:
                raise ValueError(f'"{name}" is not one of the answers ({", ".join(sorted(known))})')
        if set(self.passes) & set(self.unsure):
            raise ValueError("an answer cannot both pass and be unsure")
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
            if self.lower or self.upper:
                raise ValueError("with `spec`, give `minus` and/or `plus`, not `lower`, `upper`")
        elif not (self.lower or self.upper) or self.minus or self.plus:
            raise ValueError("give either `spec` with `minus`/`plus`, or `lower` and/or `upper`")
        return self


class Reading(StepBase):
    kind: Literal["reading"]
    unit: Short
    accuracy: NumberText = Field(description="of the instrument, as ± half width in its unit")
    limits: LimitsText | None = None


class Codes(StepBase):
    kind: Literal["codes"]
    modules: list[Short] = Field(min_length=1, description="modules that must have been read")
    passes: list[CodeClass] = Field(default=["none"])


class Fasten(StepBase):
    kind: Literal["fasten"]
    spec: SpecName = Field(description="the torque, from the service information")
    tolerance: NumberText = Field(description='half width as a share of the torque, such as "10 %"')
    order_spec: Text | None = Field(
        default=None, description="where the tightening order is to be found"
    )


class Told(Strict):
    """What may be told where no recording can be made. It is listed as told."""

    question: Text
    passes: Short = Field(description="the words of the good answer")
    fails: Short = Field(description="the words of the bad answer")
    unsure: Short = "Not sure"


class Record(StepBase):
    kind: Literal["record"]
    checks: list[Name] = Field(min_length=1)
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
    default: NumberText | None = Field(
        default=None, description="counts as common practice, and is marked so on every report"
    )
    accuracy: NumberText | None = None


class Ending(Strict):
    kind: EndingKind
    title: Short
    advice: Text
    owner: Text | None = None
    who: Text | None = Field(default=None, description="relearn: who can do it, and where")

    @model_validator(mode="after")
    def _who(self) -> Ending:
        if (self.kind is _EndingKind.RELEARN) != (self.who is not None):
            raise ValueError("`who` belongs to an ending of kind relearn, and there it is needed")
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
            raise ValueError("exactly one of `before` and `never` must be given")
        return self


class Flow(Strict):
    keysback_flow: Literal[1]
    id: Name
    title: Short
    repair: Text
    audience: list[Audience] = Field(min_length=1)
    start: Name
    on_stop: Name = Field(description="the do-not-drive ending that `stop: not safe` leads to")
    specs: dict[SpecName, Spec] = Field(default_factory=dict)
    steps: dict[Name, AnyStep] = Field(min_length=1)
    endings: dict[Name, Ending] = Field(min_length=1)
    promises: list[Promise] = Field(default_factory=list)


class PartFile(Strict):
    keysback_part: Literal[1]
    id: Name
    title: Short
    results: list[Name] = Field(min_length=1)
    start: Name
    specs: dict[SpecName, Spec] = Field(default_factory=dict)
    steps: dict[Name, AnyStep] = Field(min_length=1)
    promises: list[Promise] = Field(default_factory=list)
