"""Which column is which quantity: header wordings, units and plausible ranges.

Reads `seeds/channels.csv` and nothing else. Proposes; an importer takes only what is `sure`, and a
person may say the rest. A speed without a unit is never sure: km/h and mph differ by 1.6, and every
check that asks whether the car stands or drives rests on it. The same goes for temperatures,
pressures and flows; only where one unit is in use (rpm, %, V) does a bare name suffice.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache

from verify import tables
from verify.errors import Problem, UserError, unknown
from verify.quantity import float_factors, is_unit, unit
from verify.values import dataclass

TABLE = "seeds/channels.csv"
TIME = "(time)"
NONE = "-"
# Quantities for which loggers write one unit only, so that a header may leave it out.
_IMPLIED = ("rpm", "%", "V", "1")
# Words that make a header a flag about a quantity rather than the quantity.
_FLAG_WORDS = frozenset({
    "valid", "validity", "status", "source", "mask", "reset", "flag", "fault", "present", "active",
    "enabled", "quality",
})  # fmt: skip
# Where a car was is nobody's business here. Words: common practice, no source.
_POSITION_WORDS = frozenset({
    "latitude", "longitude", "lat", "lon", "lng", "breitengrad", "längengrad", "laengengrad",
    "breite", "länge", "latitud", "longitud", "latitudine", "longitudine", "szerokość", "długość",
    "position", "location", "coordinates",
})  # fmt: skip
_POSITION_NOISE = frozenset({"gps", "gnss", "deg", "degree", "degrees", "geographic", "geo", "in"})
_NOISE = frozenset({"obd", "obd2", "obdii", "ii", "sae", "pid", "ecm", "pcm", "ecu"})
_BRACKETS = re.compile(r"[\[({]([^\])}]*)[\])}]")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One canonical channel: its unit and the range outside which a value is none (inclusive)."""

    name: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Proposal:
    """What one column seems to be.

    channel: canonical name, "(time)", or "" where nothing fits.
    unit: as the header says it, in canonical spelling where known, else "".
    sure: whether it may be taken without asking; why: what is missing otherwise.
    unit_told: whether the file says the unit, rather than there being only one in use.
    """

    header: str
    channel: str
    unit: str
    sure: bool
    why: str = ""
    unit_told: bool = True


@cache
def quantities() -> Mapping[str, Quantity]:
    """The closed list of canonical channels, in the order of the table."""
    return {
        r["name"]: Quantity(r["name"], r["unit"], float(r["low"]), float(r["high"]))
        for r in tables.rows(TABLE)
        if r["kind"] == "channel"
    }


@cache
def _phrases() -> Mapping[str, tuple[str, bool, int]]:
    """Normalised wording → (channel or "(time)", sure, rank in the table)."""
    found: dict[str, tuple[str, bool, int]] = {}
    for row in tables.rows(TABLE):
        if row["kind"] not in ("header", "time"):
            continue
        name = TIME if row["kind"] == "time" else row["name"]
        for phrase in row["words"].split(" | "):
            found.setdefault(_joined(_words(phrase)), (name, row["sure"] == "yes", len(found)))
    return found


@cache
def _extra_units() -> Mapping[str, tuple[str, float]]:
    """Spelling → (unit known to `quantity`, factor) for what loggers write beside it."""
    found: dict[str, tuple[str, float]] = {}
    for row in tables.rows(TABLE):
        if row["kind"] == "unit":
            for spelling in row["words"].split(" | "):
                found[spelling] = (row["name"], float(row["scale"]))
    return found


def mended(text: str) -> str:
    """Header text with a doubly encoded degree or micro sign put right ("Â°C" → "°C")."""
    if "Â" not in text and "Ã" not in text:
        return text
    try:
        return text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return text.replace("Â°", "°").replace("Âµ", "µ")


def _words(header: str) -> tuple[str, ...]:
    text = unicodedata.normalize("NFC", header)
    text = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", text)
    text = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z]{2})", " ", text)
    words = re.findall(r"[^\W_]+", text.casefold())
    return tuple(w for w in words if w not in _NOISE)


def _joined(words: Iterable[str]) -> str:
    return " ".join(words)


def is_position(header: str) -> bool:
    """Whether a column says where on earth the car was: such a one is never read."""
    words = set(_words(_BRACKETS.sub(" ", mended(header)))) - _POSITION_NOISE
    return bool(words) and words <= _POSITION_WORDS


def known_unit(text: str) -> tuple[str, float] | None:
    """(unit of `quantity`, factor) behind what a logger wrote; None where it is no known unit."""
    key = " ".join(text.strip().casefold().replace("º", "°").split())
    if key in ("", "1", "gps"):  # "gps" is a satellite receiver far more often than grams a second
        return None
    extra = _extra_units().get(key)
    if extra is not None:
        return extra
    return (unit(key).name, 1.0) if is_unit(key) else None


def to_canonical(text: str, target: str) -> tuple[float, float] | None:
    """(scale, offset) from the unit written to `target`; None where unknown or of another kind."""
    if text == target == "1":  # a state has no unit, and no header writes one
        return 1.0, 0.0
    found = known_unit(text)
    if found is None or unit(found[0]).dimension != unit(target).dimension:
        return None
    scale, offset = float_factors(found[0], target)
    return scale * found[1], offset


def _split(header: str) -> tuple[tuple[str, ...], str]:
    """(words without the unit, unit text or ""), the unit being looked for in brackets only."""
    found = ""

    def take(match: re.Match[str]) -> str:
        nonlocal found
        inside = match.group(1).strip()
        if known_unit(inside) is not None:
            found = found or inside
            return " "
        return f" {inside} "

    text = _BRACKETS.sub(take, mended(header))
    head, comma, tail = text.rpartition(",")
    if comma and not found and known_unit(tail) is not None:
        text, found = head, tail.strip()
    return _words(text), found


def _lookup(words: tuple[str, ...], said: str) -> tuple[tuple[str, bool, int] | None, str]:
    """The entry for these words, and the unit that a name suffix says ("speed mph")."""
    phrases = _phrases()
    entry = phrases.get(_joined(words))
    if entry is not None:
        return entry, ""
    for length in (2, 1):
        if len(words) > length:
            tail = words[-length:]
            suffix = next((t for t in ("/".join(tail), _joined(tail)) if known_unit(t)), "")
            if tail == ("sec",):
                suffix = "s"
            rest = words[:-length]
            rest = rest[:-1] if rest[-1] == "in" else rest  # "Geschwindigkeit in km/h"
            entry = phrases.get(_joined(rest)) if suffix else None
            if entry is not None:
                return entry, suffix if not said else ""
    return None, ""


def _offer(words: tuple[str, ...]) -> str:
    """The channel whose longest wording stands inside these words, or ""; for a person to judge."""
    if not words or words[-1] in _FLAG_WORDS:
        return ""
    best, size = "", 0
    for phrase, (name, _, _) in _phrases().items():
        parts = phrase.split()
        if name != TIME and len(phrase) > max(size, 3) and set(parts) <= set(words):
            best, size = name, len(phrase)
    return best


def _propose(header: str, units_row: str) -> tuple[Proposal, int]:
    words, said = _split(header)
    row_unit = units_row.strip().strip("[](){}").strip()
    entry, suffix = _lookup(words, said)
    if entry is None:
        offered = _offer(words)
        why = "the name is not known" if not offered else "the name is only similar"
        return Proposal(header, offered, said or row_unit, False, why), 0
    name, sure, rank = entry
    written = said or row_unit or suffix
    known = known_unit(written) if written else None
    spelled = known[0] if known is not None and known[1] == 1.0 else written
    if name == TIME:
        return Proposal(header, TIME, spelled, True), rank
    target = quantities()[name].unit
    why = ""
    if written and to_canonical(written, target) is None:
        why = f'"{written}" is no unit of {unit(target).dimension}'
    elif said and row_unit and to_canonical(row_unit, target) != to_canonical(said, target):
        why = f'the header says "{said}" and the row below it "{row_unit}"'
    elif not written and target not in _IMPLIED:
        why = f"the file does not say the unit ({target} or another)"
    elif not sure:
        why = "the name may mean another sensor"
    implied = target if target in _IMPLIED and not spelled else ""
    return Proposal(header, name, spelled or implied, not why, why, not implied), rank


def recognise(headers: Sequence[str], units: Sequence[str] = ()) -> tuple[Proposal, ...]:
    """What each column seems to be, one proposal a header, in the order given.

    units: the cells of a units row, "" where there is none. Where two columns claim one channel,
    the wording that stands first in the table wins and the other is offered; where the wordings
    are equal neither is sure. The answer does not depend on the order of the columns.
    """
    rows = list(units) + [""] * (len(headers) - len(units))
    made = [_propose(h, u) for h, u in zip(headers, rows, strict=False)]
    best: dict[str, list[int]] = {}
    for proposal, rank in made:
        if proposal.sure and proposal.channel != TIME:
            best.setdefault(proposal.channel, []).append(rank)
    answer = []
    for proposal, rank in made:
        ranks = best.get(proposal.channel, [])
        if proposal.sure and len(ranks) > 1 and (rank > min(ranks) or ranks.count(rank) > 1):
            why = f"another column also reads as {proposal.channel}"
            proposal = replace(proposal, sure=False, why=why)
        answer.append(proposal)
    return tuple(answer)


def layout_key(headers: Iterable[str]) -> str:
    """SHA-256 under which a mapping is remembered for files with these headers, in any order."""
    text = "\x1f".join(sorted(mended(h).strip() for h in headers))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def told(header: str, said: str, written: str) -> tuple[str, str]:
    """(channel, unit) from what a person said of a column: "vehicle_speed mph", "throttle".

    written: the unit that the file itself gives, "" where none; what the person says wins.
    Raises UserError where the channel or unit does not exist, or no unit is known at all.
    """
    name, _, unit_text = said.strip().partition(" ")
    unit_text = unit_text.strip()
    quantity = quantities().get(name)
    if quantity is None:
        problem = unknown(name, (*quantities(), NONE, TIME), "channel")
        raise UserError(problem.within(field=f"mapping of {header}"))
    if unit_text and to_canonical(unit_text, quantity.unit) is None:
        raise UserError(
            Problem(
                found=f'"{unit_text}"',
                expected=f"a unit of {unit(quantity.unit).dimension}, such as {quantity.unit}",
                next=f'write "{name} {quantity.unit}" if that is what the numbers are',
                field=f"mapping of {header}",
            )
        )
    usable = written if written and to_canonical(written, quantity.unit) is not None else ""
    if not unit_text and not usable and quantity.unit not in _IMPLIED:
        raise UserError(
            Problem(
                found=f'"{said}", and no unit in the file',
                expected="the channel with the unit of its numbers",
                next=f'write "{name} {quantity.unit}" if that is what the numbers are',
                field=f"mapping of {header}",
            )
        )
    return name, unit_text or usable or quantity.unit
