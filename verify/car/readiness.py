"""Which of the car's own emission monitors have run: from status bytes or from typed boxes.

Reads the reply to service 01, parameters 01 (since the codes were cleared) and 41 (this driving
cycle), SAE J1979 / ISO 15031-5; which bit is which monitor stands in seeds/readiness_monitors.csv.
What an inspection makes of it is `inspection`'s business.

"Not read" is never "complete": a monitor that nobody looked at stays not read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from enum import StrEnum
from functools import cache

from verify import tables
from verify.errors import Problem, UserError, unknown
from verify.values import dataclass

TABLE = "seeds/readiness_monitors.csv"


class State(StrEnum):
    """What is known of one monitor."""

    COMPLETE = "complete"
    NOT_COMPLETE = "not complete"
    NOT_SUPPORTED = "not supported"
    NOT_READ = "not read"


class Ignition(StrEnum):
    """Byte B, bit 3: the two kinds of engine have different monitors behind the same bits."""

    SPARK = "spark"
    COMPRESSION = "compression"


@dataclass(frozen=True, slots=True)
class Monitor:
    """One row of the table. kind: "continuous", "once" (per clear) or "reserved"; settles: the
    drive that makes it run, in general words; sure: how well its bit is known."""

    name: str
    ignition: Ignition
    title: str
    byte: str
    bit: int
    kind: str
    other_names: tuple[str, ...]
    settles: str
    sure: str
    source: str


@cache
def monitors(ignition: Ignition) -> Mapping[str, Monitor]:
    """The monitors of one kind of engine by name, in the order of their bits."""
    found = {}
    for row in tables.rows(TABLE):
        if row["ignition"] != ignition:
            continue
        reserved = row["monitor"].startswith("reserved-")
        found[row["monitor"]] = Monitor(
            row["monitor"],
            ignition,
            row["title"],
            row["byte"],
            int(row["bit"]),
            "reserved" if reserved else row["kind"],
            tuple(n for n in row["other_names"].split(";") if n),
            row["settles"],
            row["sure"],
            row["source"],
        )
    return found


@dataclass(frozen=True, slots=True)
class Status:
    """What the car says of its monitors.

    states: every monitor of this kind of engine, in table order (reserved bits only where set).
    lamp_commanded, stored_codes: byte A; None where not read (and always for `cycle`).
    cycle: the reply tells of this driving cycle (parameter 41), not of the time since the clear.
    notes: what in the bytes does not fit together; nothing is dropped silently.
    """

    ignition: Ignition
    states: Mapping[str, State]
    lamp_commanded: bool | None
    stored_codes: int | None
    cycle: bool = False
    notes: tuple[str, ...] = ()

    def named(self, state: State) -> tuple[str, ...]:
        """The names of the monitors in this state, in table order."""
        return tuple(name for name, s in self.states.items() if s is state)

    def monitor(self, name: str) -> Monitor:
        return monitors(self.ignition)[name]

    def to_json(self) -> dict[str, object]:
        return {
            "ignition": self.ignition.value,
            "since": "this driving cycle" if self.cycle else "codes cleared",
            "lamp_commanded": self.lamp_commanded,
            "stored_codes": self.stored_codes,
            "monitors": {name: state.value for name, state in self.states.items()},
            "notes": list(self.notes),
        }


def status_from_bytes(a: int, b: int, c: int, d: int, *, cycle: bool = False) -> Status:
    """Reads the four data bytes of 01 01, or of 01 41 with `cycle`.

    Raises ValueError where a number is no byte. Source of the bits: SAE J1979 / ISO 15031-5.
    A monitor that is not supported but flagged as not complete counts as not supported, as the
    test procedure looks at supported monitors only (40 CFR 85.2222); a note says so.
    """
    if not all(0 <= byte <= 0xFF for byte in (a, b, c, d)):
        raise ValueError("status bytes lie between 0 and 255")
    ignition = Ignition.COMPRESSION if b & 0x08 else Ignition.SPARK
    states: dict[str, State] = {}
    notes: list[str] = []
    for name, monitor in monitors(ignition).items():
        if monitor.byte == "B":
            supported, open_ = bool(b >> monitor.bit & 1), bool(b >> (monitor.bit + 4) & 1)
        else:
            supported, open_ = bool(c >> monitor.bit & 1), bool(d >> monitor.bit & 1)
        if monitor.kind == "reserved" and not (supported or open_):
            continue
        if not supported:
            states[name] = State.NOT_SUPPORTED
            if open_:
                notes.append(f"{monitor.title}: flagged as not complete, but not supported")
        else:
            states[name] = State.NOT_COMPLETE if open_ else State.COMPLETE
    if b & 0x80:
        notes.append("byte B, bit 7 is set: reserved, not defined here")
    if cycle:
        if a:
            notes.append(f"byte A is {a:02X}: reserved in the reply for this driving cycle")
        return Status(ignition, states, None, None, True, tuple(notes))
    lamp, codes = bool(a & 0x80), a & 0x7F
    if lamp and not codes:
        notes.append("the lamp is commanded on, but no stored code is counted")
    return Status(ignition, states, lamp, codes, False, tuple(notes))


# Header and length byte as an interface may show them, then the reply, then padding.
_REPLY = re.compile(
    r"(?:[0-9A-F]{3}|[0-9A-F]{8})?(?:06)?41(01|41)([0-9A-F]{8})((?:00|55|AA|CC|FF)*)"
)


def status_from_text(text: str) -> Status:
    """Reads one reply as pasted: "41 01 00 07 65 04", with or without spaces and header.

    Raises UserError.
    """
    shown = text if len(text) <= 60 else text[:59] + "…"
    match = None
    if len(text) <= 200:
        match = _REPLY.fullmatch(re.sub(r"[\s,:]|0x", "", text, flags=re.I).upper())
    if match is None:
        raise UserError(
            Problem(
                found=f'"{shown}"',
                expected="the reply to 01 01 or 01 41: 41, the parameter, and four bytes",
                next='write for example "41 01 00 07 65 04"',
            )
        )
    a, b, c, d = bytes.fromhex(match[2])
    return status_from_bytes(a, b, c, d, cycle=match[1] == "41")


# The kind of engine in words.
_ENGINES: Mapping[str, Ignition] = {
    **dict.fromkeys(("spark", "spark ignition", "gasoline", "petrol"), Ignition.SPARK),
    **dict.fromkeys(("compression", "compression ignition", "diesel"), Ignition.COMPRESSION),
}


def ignition_of_boxes(names: Iterable[str]) -> Ignition:
    """The kind of engine that the monitors on a reader's screen belong to, by their names.

    Misfire, fuel system, components and EGR are those of both kinds. Raises UserError where no name
    decides, and where names of both kinds stand there: the two have different monitors, and which
    of them nobody read depends on it.
    """
    own: dict[Ignition, list[str]] = {i: [] for i in Ignition}
    foreign: list[Problem] = []
    for typed in names:
        kinds = [i for i in Ignition if _plain(typed) in _spelt(i)]
        if not kinds:
            foreign.append(unknown(typed, _names(*Ignition), "monitor"))
        if len(kinds) == 1:
            own[kinds[0]].append(typed)
    found = [i for i in Ignition if own[i]]
    if len(found) == 1:
        return found[0]
    if found:
        both = " and ".join(f'"{own[i][0]}" ({i.value} ignition)' for i in Ignition)
        raise UserError(
            Problem(
                found=f"{both} on one screen",
                expected="the monitors of one engine",
                next="say whether it is a diesel or a gasoline engine, and leave out the others",
            )
        )
    if foreign:
        raise UserError(*foreign)
    raise UserError(
        Problem(
            found="monitors that a diesel and a gasoline engine both have",
            expected="which of the two it is: their other monitors differ",
            next='write "diesel" or "gasoline" as well, or a monitor that only one of them has',
        )
    )


def _names(*kinds: Ignition) -> list[str]:
    found = (n for i in kinds for n, m in monitors(i).items() if m.kind != "reserved")
    return list(dict.fromkeys(found))


@cache
def _spelt(ignition: Ignition) -> Mapping[str, str]:
    """How monitors of this kind of engine are written → their names."""
    known = monitors(ignition)
    return {_plain(s): name for name, m in known.items() for s in (name, m.title, *m.other_names)}


def status_from_boxes(
    boxes: Mapping[str, str],
    ignition: Ignition,
    *,
    lamp_commanded: bool | None = None,
    stored_codes: int | None = None,
) -> Status:
    """As a reader's screen shows it: monitor → complete / not complete / not supported / not read.

    A monitor that is not listed is not read. Names are those of the table or its other names, in
    any case; states also as "ready", "incomplete", "n/a". Raises UserError with every problem.
    """
    known = monitors(ignition)
    spelt = _spelt(ignition)
    states = {name: State.NOT_READ for name, m in known.items() if m.kind != "reserved"}
    wrong: list[Problem] = []
    given: set[str] = set()
    for typed, value in boxes.items():
        name = spelt.get(_plain(typed))
        if name is None:
            what = f"monitor of a {ignition.value} ignition engine"
            wrong.append(unknown(typed, _names(ignition), what))
            continue
        state = _STATES.get(_plain(value))
        if state is None:
            problem = unknown(value, [s.value for s in State], "state of a monitor")
            wrong.append(problem.within(field=typed))
        elif name in given and states[name] is not state:
            wrong.append(
                Problem(
                    found=f'"{value}" after "{states[name].value}"',
                    expected="one state for a monitor",
                    next="give it once",
                    field=name,
                )
            )
        else:
            given.add(name)
            states[name] = state
    if stored_codes is not None and not 0 <= stored_codes <= 127:
        wrong.append(
            Problem(
                found=str(stored_codes),
                expected="a count of stored codes from 0 to 127",
                next="give the number the reader shows",
                field="stored codes",
            )
        )
    if wrong:
        raise UserError(*wrong)
    return Status(ignition, states, lamp_commanded, stored_codes)


def _plain(text: str) -> str:
    return re.sub(r"[\s_-]+", " ", text.strip().casefold())


_STATES = {
    **{_plain(state.value): state for state in State},
    "ready": State.COMPLETE,
    "ok": State.COMPLETE,
    "done": State.COMPLETE,
    "incomplete": State.NOT_COMPLETE,
    "not ready": State.NOT_COMPLETE,
    "inc": State.NOT_COMPLETE,
    "n/a": State.NOT_SUPPORTED,
    "unsupported": State.NOT_SUPPORTED,
    "not available": State.NOT_SUPPORTED,
    "unknown": State.NOT_READ,
    "?": State.NOT_READ,
}
# From the one that decides to the one that gives way, where several modules answer.
_WORST = (State.NOT_COMPLETE, State.NOT_READ, State.COMPLETE, State.NOT_SUPPORTED)


def combine(statuses: Iterable[Status]) -> Status:
    """What several modules say, as one: not complete in any is not complete; any lamp is a lamp.

    The kind of engine is that of the modules that support a monitor which runs once per clear; a
    module without such (a gearbox) often leaves that bit at 0. Raises ValueError for an empty
    list, UserError where two modules disagree on the kind of engine or tell of different times.
    """
    found = list(statuses)
    if not found:
        raise ValueError("no status to combine")
    if len({s.cycle for s in found}) > 1:
        raise UserError(
            Problem(
                found="a reply since the clear beside one of this driving cycle",
                expected="replies to the same request",
                next="give those to 01 01 together, and those to 01 41 apart",
            )
        )
    engine = {s.ignition for s in found if _has_own(s)}
    if len(engine) > 1:
        raise UserError(
            Problem(
                found="one module with spark and one with compression ignition",
                expected="replies of one car",
                next="read the car again",
            )
        )
    ignition = engine.pop() if engine else found[0].ignition
    states: dict[str, State] = {}
    notes = [note for s in found for note in s.notes]
    for name in monitors(ignition):
        seen = {s.states[name] for s in found if name in s.states}
        if seen:
            states[name] = next(state for state in _WORST if state in seen)
    lamps = [s.lamp_commanded for s in found]
    counts = [s.stored_codes for s in found]
    lamp = True if True in lamps else None if None in lamps else False
    return Status(
        ignition,
        states,
        lamp,
        None if None in counts else sum(c for c in counts if c is not None),
        found[0].cycle,
        tuple(dict.fromkeys(notes)),
    )


def _has_own(status: Status) -> bool:
    return any(
        state not in (State.NOT_SUPPORTED, State.NOT_READ) and status.monitor(name).kind == "once"
        for name, state in status.states.items()
    )


def status_from_typed(text: str, ignition: Ignition | None = None) -> Status:
    """One line as a person types it: replies to 01 01 ("41 01 00 07 65 04", several modules parted
    by semicolons), or boxes as the reader shows them ("catalyst: complete, evap: incomplete").

    ignition: for boxes, which kind of engine. Where it is not given, the text says it ("diesel,
    fuel system: complete") or the monitors' names do (`ignition_of_boxes`); it is never guessed.
    Raises UserError.
    """
    if ":" in text and re.search(r"[g-z]", text, flags=re.I):
        boxes: dict[str, str] = {}
        said = {ignition} - {None}
        for item in re.split(r"[;,]", text):
            name, _, state = item.partition(":")
            if not item.strip():
                continue
            engine = _ENGINES.get(_plain(item)) or (
                _ENGINES.get(_plain(state)) if _plain(name) in ("engine", "ignition") else None
            )
            if engine is not None:
                said.add(engine)
                continue
            if name.strip() in boxes:
                raise UserError(
                    Problem(f'"{name.strip()}" twice', "each monitor once", "give it once")
                )
            boxes[name.strip()] = state.strip()
        if len(said) > 1:
            raise UserError(
                Problem(
                    found="spark and compression ignition",
                    expected="one kind of engine",
                    next="say which of the two it is",
                )
            )
        kind = said.pop() if said else None
        return status_from_boxes(boxes, kind or ignition_of_boxes(boxes))
    parts = [part for part in text.split(";") if part.strip()] or [text]
    status = combine(status_from_text(part) for part in parts)
    if status.cycle:
        raise UserError(
            Problem(
                found="the reply to 01 41, which tells of this driving cycle only",
                expected="the reply to 01 01: the monitors since the codes were cleared",
                next="read 01 01",
            )
        )
    return status


def not_complete_words(status: Status) -> tuple[str, ...]:
    """A line for each monitor that has not shown itself complete, with the drive that makes it."""
    lines = []
    for name, state in status.states.items():
        monitor = status.monitor(name)
        if state is State.NOT_COMPLETE:
            lines.append(f"{monitor.title}: not complete. {monitor.settles}")
        elif state is State.NOT_READ:
            lines.append(f"{monitor.title}: not read")
    return tuple(lines)
