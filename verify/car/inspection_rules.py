"""The rules of emissions inspections as data, and what each asks of a car.

Every row of seeds/inspection_rules.csv is one rule, with its jurisdiction, model years, source,
date and how sure we are of it; another programme is another row. `inspection` joins the answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from fractions import Fraction
from functools import cache

from verify import tables
from verify.car.readiness import Ignition, State, Status
from verify.car.whole_counts import Span
from verify.quantity import convert
from verify.values import dataclass

TABLE = "seeds/inspection_rules.csv"
# From the surest to the least sure, as the tables mark it.
SURE = ("text seen", "second-hand", "from memory")
FUELS = {"gasoline": Ignition.SPARK, "diesel": Ignition.COMPRESSION}


class Answer(StrEnum):
    """What an inspection would say, as far as the car's own data tell."""

    PASS = "would pass"
    TURNED_AWAY = "would be turned away"
    FAIL = "would fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the table.

    asks: which question (`ASKS` below). years: first and last model year, None where open.
    allowed: monitors that may be not complete; may_be_open: if any are named, only these.
    counts: "once" (monitors that run once per clear), or "unclear" where the source does not say
    whether the continuous ones count too. warm_ups, distance_mi, minutes: least since the clear.
    """

    name: str
    jurisdiction: str
    asks: str
    fuel: str
    first_year: int | None
    last_year: int | None
    allowed: int | None
    may_be_open: tuple[str, ...]
    counts: str
    warm_ups: int | None
    distance_mi: int | None
    minutes: int | None
    if_not: Answer
    says: str
    date: str
    sure: str
    source: str

    def applies(self, car: Car) -> bool:
        return (
            self.fuel in ("any", car.fuel)
            and (self.first_year is None or car.model_year >= self.first_year)
            and (self.last_year is None or car.model_year <= self.last_year)
        )


@dataclass(frozen=True, slots=True)
class Car:
    """What an inspection asks beside the monitors. None means not looked at or not read.

    permanent: permanent codes; () means read, and none there. lamp_seen: lit with the engine
    running. lamp_at_key_on: lit with the key on and the engine off. warm_ups, distance_km,
    minutes: since the codes were cleared.
    """

    model_year: int
    fuel: str
    permanent: tuple[str, ...] | None = None
    lamp_seen: bool | None = None
    lamp_at_key_on: bool | None = None
    connector_sound: bool | None = None
    warm_ups: Span | None = None
    distance_km: Span | None = None
    minutes: Span | None = None

    def __post_init__(self) -> None:
        if self.fuel not in FUELS:
            raise ValueError(f"fuel is one of {', '.join(FUELS)}")


@dataclass(frozen=True, slots=True)
class Finding:
    """What one rule says of this car. met: None where it cannot be told; by_eye: only a look at
    the car tells, and nobody has looked."""

    rule: Rule
    met: bool | None
    why: str
    by_eye: bool = False


@cache
def rules() -> tuple[Rule, ...]:
    """All rules of the table, in its order."""

    def number(text: str) -> int | None:
        return int(text) if text else None

    return tuple(
        Rule(
            row["rule"],
            row["jurisdiction"],
            row["asks"],
            row["fuel"],
            number(row["first_year"]),
            number(row["last_year"]),
            number(row["allowed"]),
            tuple(n for n in row["may_be_open"].split(";") if n),
            row["counts"],
            number(row["warm_ups"]),
            number(row["distance_mi"]),
            number(row["minutes"]),
            Answer.FAIL if row["if_not"] == "fail" else Answer.TURNED_AWAY,
            row["says"],
            row["date"],
            row["sure"],
            row["source"],
        )
        for row in tables.rows(TABLE)
    )


def jurisdictions(known: Sequence[Rule] | None = None) -> tuple[str, ...]:
    return tuple(dict.fromkeys(r.jurisdiction for r in (rules() if known is None else known)))


def ask(rule: Rule, status: Status, car: Car) -> Finding:
    return ASKS[rule.asks](rule, status, car)


def _readiness(rule: Rule, status: Status, car: Car) -> Finding:
    if status.cycle:
        return Finding(
            rule,
            None,
            "the reply tells of this driving cycle only; an inspection looks at the time since "
            "the clear (01 01)",
        )
    surely: list[str] = []
    perhaps: list[str] = []
    for name, state in status.states.items():
        kind = status.monitor(name).kind
        doubtful = kind == "reserved" or (kind == "continuous" and rule.counts == "unclear")
        if (kind == "continuous" and rule.counts == "once") or name in rule.may_be_open:
            continue
        if state is State.NOT_COMPLETE:
            (perhaps if doubtful else surely).append(name)
        elif state is State.NOT_READ:
            perhaps.append(name)
    allowed = 0 if rule.may_be_open else rule.allowed or 0
    if not any(
        state in (State.COMPLETE, State.NOT_COMPLETE, State.NOT_READ)
        for name, state in status.states.items()
        if status.monitor(name).kind == "once"
    ):
        return Finding(
            rule, None, "no monitor is supported: was it the engine's module that answered?"
        )
    if len(surely) > allowed:
        return Finding(rule, False, f"{rule.says}; not complete: {_titles(status, surely)}")
    if len(surely) + len(perhaps) > allowed:
        unread = [n for n in perhaps if status.states[n] is State.NOT_READ]
        unsure = [n for n in perhaps if n not in unread]
        parts = [f"{rule.says}"]
        if surely:
            parts.append(f"not complete: {_titles(status, surely)}")
        if unread:
            parts.append(f"not read, which is not complete: {_titles(status, unread)}")
        if unsure:
            parts.append(
                f"not complete, and the source does not say whether it counts: "
                f"{_titles(status, unsure)}"
            )
        return Finding(rule, None, "; ".join(parts))
    return Finding(rule, True, rule.says)


def _titles(status: Status, names: Sequence[str]) -> str:
    return ", ".join(status.monitor(n).title for n in names)


def _lamp_commanded(rule: Rule, status: Status, car: Car) -> Finding:
    if status.lamp_commanded is None:
        return Finding(rule, None, "whether the warning lamp is commanded on was not read")
    if not status.lamp_commanded:
        return Finding(rule, True, "the warning lamp is not commanded on")
    if rule.asks == "lamp-commanded-for-code" and not status.stored_codes:
        return Finding(
            rule, None, "the warning lamp is commanded on, but no stored code is counted with it"
        )
    return Finding(rule, False, "the warning lamp is commanded on")


def _lit_when_commanded(rule: Rule, status: Status, car: Car) -> Finding:
    if not status.lamp_commanded:
        # Not commanded, or not read: the rule on the command itself says what is missing.
        return Finding(rule, True, "the lamp is not known to be commanded on")
    if car.lamp_seen is None:
        return Finding(rule, None, "the lamp, commanded on, is really lit", by_eye=True)
    return Finding(
        rule, car.lamp_seen, "" if car.lamp_seen else "the lamp is commanded on, but dark"
    )


def _dark_running(rule: Rule, status: Status, car: Car) -> Finding:
    if car.lamp_seen is None:
        return Finding(rule, None, "the warning lamp is dark with the engine running", by_eye=True)
    return Finding(rule, not car.lamp_seen, "the warning lamp is lit with the engine running")


def _at_key_on(rule: Rule, status: Status, car: Car) -> Finding:
    if car.lamp_at_key_on is None:
        words = "the warning lamp lights with the key on and the engine off"
        return Finding(rule, None, words, by_eye=True)
    words = "the warning lamp stays dark with the key on and the engine off"
    return Finding(rule, car.lamp_at_key_on, words)


def _connector(rule: Rule, status: Status, car: Car) -> Finding:
    if car.connector_sound is None:
        words = "the diagnostic connector is there, untouched, and the car answers"
        return Finding(rule, None, words, by_eye=True)
    words = "the diagnostic connector is missing, tampered with or dead"
    return Finding(rule, car.connector_sound, words)


def _stored(rule: Rule, status: Status, car: Car) -> Finding:
    if status.stored_codes is None:
        return Finding(rule, None, "the number of stored codes was not read")
    count = status.stored_codes
    words = f"{count} stored code" + ("s" if count != 1 else "")
    return Finding(rule, count == 0, words)


def _permanent(rule: Rule, status: Status, car: Car) -> Finding:
    if car.permanent == ():
        return Finding(rule, True, "no permanent code")
    enough = _permanent_no_longer_counts(rule, car)
    if car.permanent is None:
        if enough:
            return Finding(rule, True, "a permanent code would no longer count")
        return Finding(rule, None, "permanent codes were not read, and one would fail the car")
    codes = ", ".join(car.permanent)
    if enough:
        return Finding(rule, True, f"permanent {codes}: no longer counted")
    least = f"{rule.warm_ups} warm-ups and {rule.distance_mi} miles since the clear"
    if enough is None:
        return Finding(rule, None, f"permanent {codes}: whether {least} have passed is not certain")
    return Finding(
        rule,
        False,
        f"permanent {codes}, and {least} have not both passed; the lamp does not matter",
    )


def _permanent_no_longer_counts(rule: Rule, car: Car) -> bool | None:
    parts = [
        None if span is None else span.at_least(float(bound))
        for span, bound in (
            (car.warm_ups, rule.warm_ups or 0),
            (car.distance_km, convert_mi(rule.distance_mi or 0)),
        )
    ]
    if False in parts:
        return False
    return None if None in parts else True


def convert_mi(miles: int) -> float:
    """Statute miles in km (exactly 1.609344 km each)."""
    return float(convert(Fraction(miles), "mi", "km"))


def _since_clear(rule: Rule, status: Status, car: Car) -> Finding:
    """The first counter that the car has decides: warm-ups, else distance, else time."""
    with_permanent = rule.asks == "since-clear-with-permanent"
    if (with_permanent and car.permanent == ()) or (not with_permanent and car.permanent):
        return Finding(rule, True, "not this case")
    found: bool | None = None
    said = "neither warm-ups nor distance nor time since the clear were read"
    for span, bound, name in (
        (car.warm_ups, float(rule.warm_ups or 0), "warm-ups"),
        (car.distance_km, convert_mi(rule.distance_mi or 0), "distance"),
        (car.minutes, float(rule.minutes or 0), "time"),
    ):
        if span is not None:
            found = span.at_least(bound)
            said = f"{rule.says} ({name} since the clear: {'enough' if found else 'not enough'})"
            if found is None:
                said = f"{rule.says} ({name} since the clear: too close to tell)"
            break
    if with_permanent and car.permanent is None and found is not True:
        return Finding(rule, None, f"permanent codes were not read; with one: {rule.says}")
    return Finding(rule, found, said)


ASKS = {
    "readiness": _readiness,
    "lamp-commanded": _lamp_commanded,
    "lamp-commanded-for-code": _lamp_commanded,
    "lamp-lit-when-commanded": _lit_when_commanded,
    "lamp-dark-running": _dark_running,
    "lamp-at-key-on": _at_key_on,
    "connector": _connector,
    "stored-codes": _stored,
    "permanent-codes": _permanent,
    "since-clear": _since_clear,
    "since-clear-with-permanent": _since_clear,
}
SETTLES = {
    "readiness": "read all monitors since the clear (01 01), drive those that are not complete",
    "lamp-commanded": "read the lamp's command (01 01)",
    "lamp-commanded-for-code": "read the lamp's command and the stored codes again (01 01, 03)",
    "lamp-lit-when-commanded": "look at the lamp",
    "lamp-dark-running": "look at the lamp with the engine running",
    "lamp-at-key-on": "look at the lamp with the key on and the engine off",
    "connector": "look at the connector",
    "stored-codes": "read the stored codes (01 01, 03)",
    "permanent-codes": "read the permanent codes (0A), and the warm-ups (30) and the distance (31) "
    "since the clear; a mile more settles a distance that is too close",
    "since-clear": "read warm-ups (30), distance (31) or time (4E) since the clear",
    "since-clear-with-permanent": "read the permanent codes (0A) and warm-ups (30) since the clear",
}
