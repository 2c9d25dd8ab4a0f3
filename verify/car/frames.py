"""ISO 15765-2: frames of a CAN bus → whole messages, and a message → frames.

Stands between `pasted` (text → bytes) and `decode` (message → meaning), and knows nothing of
either. The length byte alone says how long a message is; what stands behind it is padding,
whatever its value. Frames that are missing, doubled or out of order are said, and nothing behind
a hole is handed on.

Source: ISO 15765-2:2016, 9.6 (protocol data units), from memory; an independent transport library
is the oracle in the tests.

    0L …            single: L bytes follow (00 LL … on frames longer than 8 bytes)
    1L LL …         first: 12-bit length (10 00 and 32 bits beyond 4095)
    2N …            consecutive, N = 1 … F, 0, 1 …
    3S BB TT        flow control, from the one who listens: carries nothing
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice
from typing import NamedTuple

_CLASSIC = 8  # bytes in a frame of the classic bus
_WINDOW = 8  # a number this far ahead is read as late frames, beyond it as a frame come late


class Single(NamedTuple):
    """declared: length said; payload: what came of it (shorter where the frame was cut off)."""

    declared: int
    payload: bytes


class First(NamedTuple):
    declared: int
    data: bytes
    full: bool


class Consecutive(NamedTuple):
    number: int
    data: bytes


class FlowControl(NamedTuple):
    status: int


class Unframed(NamedTuple):
    """Bytes that are no frame of this transport."""

    why: str


Frame = Single | First | Consecutive | FlowControl | Unframed


def bytes_to_frame(data: bytes) -> Frame:
    """What one frame says of itself. Never raises."""
    if not data:
        return Unframed("an empty frame")
    kind, low = data[0] >> 4, data[0] & 0x0F
    if kind == 0:
        if low == 0 and len(data) > _CLASSIC:
            if data[1] == 0:
                return Unframed("a single frame of length 0")
            return Single(data[1], data[2 : 2 + data[1]])
        if low == 0:
            return Unframed("a single frame of length 0")
        if low > 7:
            return Unframed(f"a single frame of length {low}; 7 is the most")
        return Single(low, data[1 : 1 + low])
    if kind == 1:
        if len(data) < 2:
            return Unframed("a first frame without its length")
        declared, start = low << 8 | data[1], 2
        if declared == 0:
            if len(data) < 6:
                return Unframed("a first frame without its length")
            declared, start = int.from_bytes(data[2:6], "big"), 6
        if declared < _CLASSIC:
            return Unframed(f"a first frame of length {declared}, which fits a single frame")
        return First(declared, data[start:], full=len(data) >= _CLASSIC)
    if kind == 2:
        return Consecutive(low, data[1:])
    if kind == 3:
        return FlowControl(low)
    return Unframed(f"a first byte {data[0]:02X}, which starts no frame")


def payload_to_frames(payload: bytes, *, pad: int | None = None) -> tuple[bytes, ...]:
    """A message as classic CAN frames; pad: the value that fills the last one to 8 bytes.

    Raises ValueError for an empty payload or one beyond 4095 bytes.
    """
    if not 1 <= len(payload) <= 0xFFF:
        raise ValueError("1 to 4095 bytes")
    if len(payload) <= 7:
        frames = [bytes([len(payload)]) + payload]
    else:
        frames = [bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:6]]
        for i, at in enumerate(range(6, len(payload), 7), start=1):
            frames.append(bytes([0x20 | i & 0x0F]) + payload[at : at + 7])
    if pad is not None:
        frames[-1] = frames[-1].ljust(_CLASSIC, bytes([pad]))
    return tuple(frames)


@dataclass(frozen=True, slots=True)
class Message:
    """One whole message, or what could be had of one.

    lines: where its frames stood, counted from 1; declared: the length said, None where nothing
    said it; complete: every declared byte is there. What is missing is named in the remarks.
    """

    source: str
    payload: bytes
    lines: tuple[int, ...]
    declared: int | None
    complete: bool
    time_s: float | None = None


class Remark(NamedTuple):
    """Something to know about a line: what was not understood, or was put right."""

    line: int
    text: str


@dataclass(slots=True)
class _Open:
    declared: int | None
    first_full: bool
    chunk: int
    parts: dict[int, bytes]
    lines: list[int]
    time_s: float | None
    spoiled: set[int] = field(default_factory=set)  # places whose frame cannot be known
    reached: int = 0
    latest: int = 0

    @property
    def needed(self) -> int | None:
        """Number of the last consecutive frame, or None where the length is unknown."""
        if self.declared is None:
            return None
        return -(-max(self.declared - len(self.parts[0]), 0) // self.chunk)


@dataclass(slots=True)
class Reassembly:
    """Frames of one sender, in the order they stand in the text → messages.

    source: "" where no header says who sends; then two senders may be mixed, and a message that
    begins inside another makes both unreadable behind their first frames.
    `add` and `add_numbered` return what became whole by this frame; `close` what is left over.
    remarks: filled as it goes. Nothing here raises.
    """

    source: str
    remarks: list[Remark] = field(default_factory=list)
    _open: _Open | None = None
    _done: _Open | None = None

    @property
    def waiting(self) -> bool:
        """Whether a message has begun and is not whole yet."""
        return self._open is not None

    def add(self, line: int, data: bytes, time_s: float | None = None) -> list[Message]:
        """One frame as it stood on the bus, its first byte saying what it is."""
        match bytes_to_frame(data):
            case Single(declared, payload):
                if declared > len(payload):
                    self._say(line, f"cut off: {declared} bytes said, {len(payload)} there")
                whole = declared == len(payload)
                message = Message(self.source, payload, (line,), declared, whole, time_s)
                return [*(self._abandon() if self.source else ()), message]
            case First(declared, part, full):
                # Longer frames (CAN FD) carry their consecutive frames in the same size.
                chunk = max(len(data), _CLASSIC) - 1
                return self._begin(line, declared, part, full, chunk, time_s)
            case Consecutive(number, part):
                return self._go_on(line, number, part)
            case FlowControl(status):
                words = {0: "go on", 1: "wait", 2: "too long for me"}
                self._say(line, f"flow control ({words.get(status, 'unknown')}): carries no data")
            case Unframed(why):
                self._say(line, f"{why}: not read")
        return []

    def add_numbered(
        self, line: int, number: int, part: bytes, declared: int | None
    ) -> list[Message]:
        """A line "0: …", "1: …" as some adapters print frames; declared: from the line before."""
        wraps = self._open is not None and (self._open.reached + 1) & 0x0F == 0
        if number == 0 and not wraps:
            if declared is None:
                self._say(line, "no line with the length before it: padding may be read too")
            full = len(part) >= min(declared if declared is not None else 6, 6)
            return self._begin(line, declared, part, full, _CLASSIC - 1, None)
        return self._go_on(line, number, part)

    def close(self) -> list[Message]:
        """The message still open, as far as it goes."""
        return self._abandon()

    def _say(self, line: int, text: str) -> None:
        self.remarks.append(Remark(line, text))

    def _begin(
        self,
        line: int,
        declared: int | None,
        part: bytes,
        full: bool,
        chunk: int,
        time_s: float | None,
    ) -> list[Message]:
        mixed = self._open is not None and not self.source and self._open.declared is not None
        if mixed and self._open is not None:
            self._say(line, "two messages run into each other, and no header tells them apart")
            self._open.spoiled.add(1)
        left = self._abandon()
        self._open = _Open(declared, full, chunk, {0: part}, [line], time_s)
        if mixed:
            self._open.spoiled.add(1)
        if not full:
            self._say(line, "the first frame is cut off: nothing behind it can be placed")
        return [*left, *self._if_whole()]

    def _go_on(self, line: int, number: int, part: bytes) -> list[Message]:
        now = self._open
        if now is None:
            done = self._done
            if done is not None and done.parts.get(_place(done, number)) == part:
                self._say(line, f"frame {number:X} again: the second one left out")
            else:
                self._say(line, f"frame {number:X} without a first frame: not read")
            return []
        place = _place(now, number)
        now.lines.append(line)
        if place in now.spoiled:
            self._say(line, f"frame {number:X}: not read, for it cannot be known whose it is")
            return []
        if place in now.parts:
            if now.parts[place] == part:
                self._say(line, f"frame {number:X} again: the second one left out")
            else:
                # Which of the two is right cannot be known, so neither is kept.
                self._say(line, f"two different frames {number:X}: nothing from there on is read")
                del now.parts[place]
                now.spoiled.add(place)
            return []
        if place < now.latest:
            self._say(line, f"frame {number:X} out of order: put where its number says")
        now.parts[place] = part
        now.latest = place
        now.reached = max(now.reached, place)
        return self._if_whole()

    def _if_whole(self) -> list[Message]:
        now = self._open
        if now is None or now.needed is None or len(now.parts) <= now.needed:
            return []
        if any(place not in now.parts for place in range(now.needed + 1)):
            return []
        return self._finish(now)

    def _abandon(self) -> list[Message]:
        return self._finish(self._open) if self._open is not None else []

    def _finish(self, now: _Open) -> list[Message]:
        self._open, self._done = None, now
        payload = bytearray()
        last = now.needed if now.needed is not None else now.reached
        whole = now.first_full
        for place in range(last + 1):
            part = now.parts.get(place)
            if part is None:
                if place not in now.spoiled:
                    self._say(now.lines[-1], _missing(now, last))
                whole = False
                break
            payload += part
            short = len(part) < now.chunk and 0 < place < last
            if short or (place == 0 and not now.first_full):
                if short:
                    self._say(now.lines[-1], f"frame {place & 0x0F:X} is cut off")
                whole = False
                break
        if now.declared is not None:
            if whole and len(payload) < now.declared:
                there = f"{now.declared} bytes said, {len(payload)} there"
                self._say(now.lines[-1], f"cut off: {there}")
                whole = False
            beyond = [p for p in now.parts if p > last]
            if beyond:
                self._say(now.lines[-1], f"{len(beyond)} frames beyond the length: not read")
            payload = payload[: now.declared]
        return [
            Message(self.source, bytes(payload), tuple(now.lines), now.declared, whole, now.time_s)
        ]


def _place(now: _Open, number: int) -> int:
    """The place in the message a number of four bits stands for, counted from the first frame.

    The nearest one to what is expected next: up to 7 places ahead, else behind.
    """
    expected = now.reached + 1
    ahead = (number - expected) & 0x0F
    place = expected + ahead if ahead < _WINDOW else expected + ahead - 16
    return place if place > 0 else place + 16


def _missing(now: _Open, last: int) -> str:
    holes = (p for p in range(1, last + 1) if p not in now.parts and p not in now.spoiled)
    shown = [f"{p & 0x0F:X}" for p in islice(holes, 8)]
    if next(holes, None) is not None:
        shown.append("…")
    if len(shown) == 1:
        return f"frame {shown[0]} is missing: nothing behind it is read"
    return f"frames {', '.join(shown)} are missing: nothing behind the first of them is read"
