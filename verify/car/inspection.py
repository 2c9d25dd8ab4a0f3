"""Would an emissions inspection turn the car away tomorrow, and what is left open at hand-back.

What is not in the table of rules is not guessed: ask the local programme. Nothing here lets a car
go or holds it back: see `left_open`.
"""

from __future__ import annotations

from collections.abc import Sequence

from verify.car.inspection_rules import (
    FUELS,
    SETTLES,
    SURE,
    Answer,
    Car,
    Finding,
    Rule,
    ask,
    jurisdictions,
    rules,
)
from verify.car.readiness import State, Status
from verify.values import dataclass
from verify.words import EndingKind

ASK = "ask your local programme"


@dataclass(frozen=True, slots=True)
class Inspection:
    """provided: what the answer takes for granted, because only eyes can see it. to_drive: monitor
    title → the drive that settles it. settle: what would settle an undecided answer."""

    answer: Answer
    where: str
    why: tuple[str, ...]
    findings: tuple[Finding, ...]
    provided: tuple[str, ...]
    to_drive: tuple[tuple[str, str], ...]
    settle: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def sure(self) -> str:
        """How sure the least sure of the rules is that were asked; "" where there is none."""
        marks = {f.rule.sure for f in self.findings}
        return next((mark for mark in reversed(SURE) if mark in marks), "")

    def to_json(self) -> dict[str, object]:
        return {
            "answer": self.answer.value,
            "where": self.where,
            "sure": self.sure,
            "why": list(self.why),
            "rules": [
                {
                    "rule": f.rule.name,
                    "met": f.met,
                    "by_eye": f.by_eye,
                    "why": f.why,
                    "says": f.rule.says,
                    "source": f.rule.source,
                    "date": f.rule.date,
                    "sure": f.rule.sure,
                }
                for f in self.findings
            ],
            "provided": list(self.provided),
            "to_drive": [{"monitor": m, "drive": drive} for m, drive in self.to_drive],
            "settle": list(self.settle),
            "notes": list(self.notes),
        }


def inspect(
    status: Status, car: Car, where: str, known: Sequence[Rule] | None = None
) -> Inspection:
    """What an inspection in `where` would say of this car.

    known: the rules (default: the table's). A rule surely broken decides, whatever else is open; a
    question that cannot be answered makes the answer undecided, never a pass. What only eyes can
    see and nobody has looked at is not held against the car but named in `provided`.
    """
    table = rules() if known is None else tuple(known)
    place = " ".join(where.split()).casefold()
    here = [r for r in table if r.jurisdiction == place]
    drives = _to_drive(status)
    if not here:
        names = ", ".join(jurisdictions(table))
        unknown = (f'there are no rules for "{where}" in the table (it has {names}): {ASK}',)
        return Inspection(
            Answer.UNDECIDED, place, unknown, (), (), drives, (ASK,), tuple(status.notes)
        )
    findings = tuple(ask(r, status, car) for r in here if r.applies(car))
    why = [f.why for f in findings if f.met is not True and not f.by_eye]
    settle = []
    answer = Answer.PASS
    broken = {f.rule.if_not for f in findings if f.met is False}
    if not any(f.rule.asks == "readiness" for f in findings):
        why.append(
            f"the table holds no rule on monitors for {car.fuel}, model year {car.model_year}, in "
            f"{place}"
        )
        settle.append(ASK)
        answer = Answer.UNDECIDED
    if any(f.met is None and not f.by_eye for f in findings):
        settle += [SETTLES[f.rule.asks] for f in findings if f.met is None and not f.by_eye]
        answer = Answer.UNDECIDED
    if FUELS[car.fuel] is not status.ignition:
        why.append(
            f"the car reports a {status.ignition.value} ignition engine, which does not fit "
            f"{car.fuel}"
        )
        settle.append("read the right car again, or give its fuel")
        answer = Answer.UNDECIDED
    # What is surely broken decides over what is open; a fail over being turned away.
    elif Answer.FAIL in broken:
        answer = Answer.FAIL
    elif Answer.TURNED_AWAY in broken:
        answer = Answer.TURNED_AWAY
    elif answer is Answer.PASS and car.lamp_seen and status.lamp_commanded is False:
        why.append("the warning lamp is lit, but the car does not report it as commanded on")
        settle.append("look at the lamp and read its command again (01 01)")
        answer = Answer.UNDECIDED
    if answer is Answer.PASS:
        why.append("what the car reports keeps every rule of the table for this model year")
    if answer is not Answer.UNDECIDED:
        settle = []
    return Inspection(
        answer,
        place,
        tuple(why),
        findings,
        tuple(f.why for f in findings if f.by_eye),
        drives,
        tuple(dict.fromkeys(settle)),
        tuple(status.notes),
    )


def _to_drive(status: Status) -> tuple[tuple[str, str], ...]:
    return tuple(
        (status.monitor(name).title, status.monitor(name).settles)
        for name, state in status.states.items()
        if state is State.NOT_COMPLETE
    )


@dataclass(frozen=True, slots=True)
class LeftOpen:
    """What readiness leaves open at hand-back: named proof to follow, never a bar.

    ending: hand-back where nothing is open, else proof-to-follow, as far as readiness goes; the
    other steps decide too. items: what is open, each with what settles it. lamp_on: the lamp is
    commanded on or was not read, and then the codes decide, not readiness.
    """

    ending: EndingKind
    items: tuple[tuple[str, str], ...]
    lamp_on: bool | None


def left_open(status: Status | None, permanent: Sequence[str] | None) -> LeftOpen:
    """What incomplete monitors and permanent codes with the lamp off leave to follow.

    Neither ever bars hand-back. status, permanent: None where not read, which is left open too.
    """
    items: list[tuple[str, str]] = []
    if status is None or status.cycle:
        items.append(("the monitors since the clear were not read", "read them (01 01)"))
    else:
        for name, state in status.states.items():
            monitor = status.monitor(name)
            if state is State.NOT_COMPLETE:
                items.append((f"{monitor.title}: not complete", monitor.settles))
            elif state is State.NOT_READ:
                items.append((f"{monitor.title}: not read", "read the monitors again (01 01)"))
    if permanent is None:
        items.append(("permanent codes were not read", "read them (0A), where the car has them"))
    drive_on = "drive on: the car clears it by itself when its test has run and passed"
    items += [(f"permanent {code}", drive_on) for code in permanent or ()]
    ending = EndingKind.PROOF_TO_FOLLOW if items else EndingKind.HAND_BACK
    return LeftOpen(ending, tuple(items), status.lamp_commanded if status else None)
