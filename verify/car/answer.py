"""One thing the car said, and the words all answers are made of.

The value that `answers` (one message → what it says) and `decode` (a text → all of it) hand on;
front ends show it, and mask a VIN in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from verify.car.frames import Message, Remark
from verify.car.vin import mask_vin
from verify.values import dataclass

MEMORIES: Mapping[int, str] = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}
# Bytes a message can begin with that is an answer.
ANSWERS = frozenset({*range(0x41, 0x4B), 0x7F})
# Values that fill frames up; nothing is concluded from them but that bytes may be filling.
PADDING = frozenset({0x00, 0x55, 0xAA, 0xCC, 0xFF})


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a parameter.

    exact: the number in `unit` without rounding, None where it is none; text: as shown.
    """

    key: str
    name: str
    text: str
    raw: int
    unit: str
    exact: Fraction | None
    channel: str
    sure: str

    def to_json(self) -> dict[str, Any]:
        body: dict[str, Any] = {"name": self.name, "key": self.key, "text": self.text}
        body |= {"raw": self.raw, "sure": self.sure}
        if self.exact is not None:
            body |= {"value": float(self.exact), "exact": str(self.exact), "unit": self.unit}
        if self.channel:
            body["channel"] = self.channel
        return body


@dataclass(frozen=True, slots=True)
class Answer:
    """One thing the car said (or was asked).

    kind: "parameter", "supported", "status", "codes", "identity", "refused", "cleared", "asked",
    "other". pid: parameter or information type; freeze_frame: number, for service 42 only.
    codes: those of one message, in order; pids: those a bitmap names; readiness: the status
    bytes as `readiness` reads them. vin: the identity is a VIN, so `text` needs masking.
    complete: False where bytes the message announced are missing.
    """

    line: int
    source: str
    service: int
    kind: str
    title: str
    text: str
    pid: int | None = None
    freeze_frame: int | None = None
    values: tuple[Value, ...] = ()
    codes: tuple[str, ...] = ()
    pids: tuple[int, ...] = ()
    readiness: Mapping[str, object] | None = None
    vin: bool = False
    complete: bool = True
    time_s: float | None = None

    def shown(self, show_vin: bool = False) -> str:
        """`text`, with a VIN masked unless it may be shown."""
        return self.text if show_vin or not self.vin else mask_vin(self.text)

    def to_json(self, show_vin: bool = False) -> dict[str, Any]:
        body: dict[str, Any] = {"line": self.line, "source": self.source, "kind": self.kind}
        body |= {"service": f"{self.service:02X}", "title": self.title}
        body["text"] = self.shown(show_vin)
        if self.pid is not None:
            body["pid"] = f"{self.pid:02X}"
        if self.freeze_frame is not None:
            body["freeze_frame"] = self.freeze_frame
        if self.time_s is not None:
            body["time_s"] = self.time_s
        if self.values:
            body["values"] = [value.to_json() for value in self.values]
        if self.kind == "codes":
            body["memory"] = MEMORIES[self.service]
            body["codes"] = list(self.codes)
        if self.kind == "supported":
            body["supported"] = [f"{pid:02X}" for pid in self.pids]
        if self.readiness is not None:
            body["readiness"] = dict(self.readiness)
        body["complete"] = self.complete
        return body


def hexed(data: bytes, most: int = 16) -> str:
    """Bytes as people write them, cut where nobody would read on."""
    return data[:most].hex(" ").upper() + (f" … ({len(data)} bytes)" if len(data) > most else "")


def answer(message: Message, kind: str, title: str, text: str, **more: Any) -> Answer:
    """An answer that stands where its message stands, and is as complete, unless `more` says."""
    line = message.lines[0]
    more.setdefault("complete", message.complete)
    return Answer(
        line, message.source, message.payload[0], kind, title, text, time_s=message.time_s, **more
    )


def say(message: Message, remarks: list[Remark], text: str) -> None:
    """Adds a remark at the line where the message begins."""
    remarks.append(Remark(message.lines[0], text))


def beyond(message: Message, rest: bytes, remarks: list[Remark]) -> None:
    """Says that bytes stand behind an answer that have no meaning there."""
    if rest:
        count = f"{len(rest)} byte" + ("s" if len(rest) > 1 else "")
        say(message, remarks, f"{count} more than the answer has: not read ({hexed(rest)})")
