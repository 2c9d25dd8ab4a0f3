"""The standard parameters of service 01: bytes → raw number → value with unit, and back.

Raw and physical meet here and nowhere else, in both directions, with names that differ
(`raw_to_value`, `value_to_raw`). Scalings are exact rationals from seeds/parameters.csv, where each
row names its source and how sure it is; so encoding what was decoded gives the same bytes, always.
`decode` stands above: it cuts answers into parameters, this file says what one parameter holds.

Source of every scaling: SAE J1979 Appendix B / ISO 15031-5 Annex B, as the table's rows say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import cache

from verify import tables
from verify.values import dataclass

TABLE = "seeds/parameters.csv"

# number: scaled · state: one value of a list · code: two bytes of a fault code · bitmap: which
# parameters are supported · status: readiness, read elsewhere · raw: length known, not converted.
KINDS = ("number", "state", "code", "bitmap", "status", "raw")


@dataclass(frozen=True, slots=True)
class Parameter:
    """One value inside a parameter's data bytes; a PID with two values has two of these.

    at, size: place of the first byte within the PID's data, and number of bytes, high byte first.
    scale, offset, unit: value = raw · scale + offset; None and "" where nothing is scaled.
    channel: the canonical channel of seeds/channels.csv, or "".
    states: meaning of each raw value, for kind `state`.
    sure: S2 (seen in a copy of the standard's list), M-hi or M-mid (from memory).
    """

    key: str
    pid: int
    at: int
    size: int
    kind: str
    name: str
    unit: str
    scale: Fraction | None
    offset: Fraction
    signed: bool
    channel: str
    states: Mapping[int, str]
    sure: str
    source: str

    @property
    def raw_low(self) -> int:
        return -(1 << (8 * self.size - 1)) if self.signed else 0

    @property
    def raw_high(self) -> int:
        return (1 << (8 * self.size - (1 if self.signed else 0))) - 1

    @property
    def resolution(self) -> Fraction:
        """What one raw step is worth, in `unit`. Raises ValueError where nothing is scaled."""
        return _scale(self)

    @property
    def low(self) -> Fraction:
        return raw_to_value(self, self.raw_low)

    @property
    def high(self) -> Fraction:
        return raw_to_value(self, self.raw_high)


def _scale(parameter: Parameter) -> Fraction:
    if parameter.scale is None:
        raise ValueError(f"{parameter.key} is no number: its kind is {parameter.kind}")
    return parameter.scale


def bytes_to_raw(parameter: Parameter, data: bytes) -> int:
    """The raw number in exactly `size` bytes, high byte first. Raises ValueError otherwise."""
    if len(data) != parameter.size:
        raise ValueError(f"{parameter.key} has {parameter.size} bytes, not {len(data)}")
    return int.from_bytes(data, "big", signed=parameter.signed)


def raw_to_bytes(parameter: Parameter, raw: int) -> bytes:
    """The `size` bytes of a raw number. Raises ValueError outside [raw_low, raw_high]."""
    if not parameter.raw_low <= raw <= parameter.raw_high:
        raise ValueError(f"{parameter.key} carries {parameter.raw_low} to {parameter.raw_high}")
    return raw.to_bytes(parameter.size, "big", signed=parameter.signed)


def raw_to_value(parameter: Parameter, raw: int) -> Fraction:
    """The exact value in `parameter.unit`. Raises ValueError where nothing is scaled."""
    return raw * _scale(parameter) + parameter.offset


def value_to_raw(parameter: Parameter, value: Fraction) -> int:
    """The raw number nearest to a value in `parameter.unit`; half steps go to the even one.

    value_to_raw(p, raw_to_value(p, raw)) == raw over the whole range.
    Raises ValueError where nothing is scaled or no raw number is within half a step.
    """
    raw = round((value - parameter.offset) / _scale(parameter))
    if not parameter.raw_low <= raw <= parameter.raw_high:
        raise ValueError(f"{parameter.key} carries {parameter.low} to {parameter.high}")
    return raw


def value_text(parameter: Parameter, value: Fraction) -> str:
    """A value with its unit, with enough decimals that no two raw numbers look alike.

    Written out in full where that takes at most one decimal more ("0.25"), else rounded.
    """
    places = 0
    while Fraction(1, 10**places) > parameter.resolution:
        places += 1
    for more in (places, places + 1):
        if (parameter.resolution * 10**more).denominator == 1:
            places = more
            break
    scaled = round(value * 10**places)
    digits = f"{abs(scaled):0{places + 1}d}"
    text = digits if places == 0 else f"{digits[:-places]}.{digits[-places:]}"
    sign = "-" if scaled < 0 else ""
    return f"{sign}{text}" if parameter.unit == "1" else f"{sign}{text} {parameter.unit}"


def supported(base: int, bits: bytes) -> tuple[int, ...]:
    """The PIDs a supported-bitmap answer names, ascending.

    base: the PID asked for (00, 20, 40 …); bits: its four bytes. Bit A7 is base + 1, bit D0 is
    base + 20 hex (which says whether the next bitmap exists).
    Raises ValueError unless bits has four bytes and base is a multiple of 20 hex.
    """
    if len(bits) != 4 or base % 0x20:
        raise ValueError("a supported bitmap has four bytes, at 00, 20, 40 …")
    number = int.from_bytes(bits, "big")
    return tuple(base + i for i in range(1, 33) if number >> (32 - i) & 1)


def supported_bits(base: int, pids: Sequence[int]) -> bytes:
    """The four bytes that name these PIDs: the inverse of `supported`. Raises ValueError for a
    PID outside base + 1 … base + 20 hex."""
    number = 0
    for pid in pids:
        if not base < pid <= base + 32:
            raise ValueError(f"{pid:02X} does not belong to the bitmap at {base:02X}")
        number |= 1 << (32 - (pid - base))
    return number.to_bytes(4, "big")


@cache
def parameters() -> tuple[Parameter, ...]:
    """Every row of the table, in its order."""
    return tuple(_row(row) for row in tables.rows(TABLE))


@cache
def by_pid() -> Mapping[int, tuple[Parameter, ...]]:
    """The values of each known PID, in the order of their bytes."""
    found: dict[int, tuple[Parameter, ...]] = {}
    for parameter in parameters():
        found[parameter.pid] = (*found.get(parameter.pid, ()), parameter)
    return found


def pid_size(pid: int) -> int | None:
    """How many data bytes a PID has, or None where the table does not know it."""
    rows = by_pid().get(pid)
    return max(p.at + p.size for p in rows) if rows else None


def by_key(key: str) -> Parameter:
    """A parameter by its name in the table. Raises KeyError."""
    for parameter in parameters():
        if parameter.key == key:
            return parameter
    raise KeyError(key)


def _row(row: Mapping[str, str]) -> Parameter:
    kind = row["kind"]
    if kind not in KINDS:
        raise ValueError(f"{TABLE}: {row['key']}: kind {kind}")
    states = {}
    for item in row["states"].split("|"):
        if item.strip():
            raw, _, words = item.partition("=")
            states[int(raw, 16)] = words.strip()
    return Parameter(
        key=row["key"],
        pid=int(row["pid"], 16),
        at=int(row["at"]),
        size=int(row["bytes"]),
        kind=kind,
        name=row["name"],
        unit=row["unit"],
        scale=Fraction(row["scale"]) if kind == "number" else None,
        offset=Fraction(row["offset"]) if kind == "number" else Fraction(0),
        signed=row["signed"] == "yes",
        channel=row["channel"],
        states=states,
        sure=row["sure"],
        source=row["source"],
    )
