"""A pasted text of raw lines → all that the car said in it, and all that could not be read.

The top of the chain `pasted` (lines → bytes) → `frames` (bytes → messages) → `answers` (message →
what it says). Decides here, and only here, what bytes without a header are: an answer, a frame with
its length byte, or the echo of a request. Where two readings are possible neither is taken.

Nothing raises, whatever the text; every line that is not empty comes out as an answer, a remark or
a leftover.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from verify.car.answer import ANSWERS, MEMORIES, Answer, answer
from verify.car.answers import (
    codes_fit,
    information,
    information_size,
    message_to_answers,
    request_words,
)
from verify.car.frames import Message, Reassembly, Remark
from verify.car.pasted import Leftover, Piece, is_request, text_to_pieces
from verify.car.vin import mask_vin

_REQUESTS = range(0x01, 0x0B)
_ALONE = (0x03, 0x04, 0x07, 0x0A)  # services that are asked for without anything behind
_VIN_LIKE = re.compile(r"(?<![A-Za-z0-9])(?=[A-Za-z]*[0-9])[A-HJ-NPR-Za-hj-npr-z0-9]{17}(?!\w)")
_RUN = re.compile(r"[0-9A-Fa-f](?:[ :.-]?[0-9A-Fa-f]){7,}")
_SPELT = re.compile(r"[0-9A-HJ-NPR-Z]{4}")


@dataclass(frozen=True, slots=True)
class Decoded:
    """lines: how many lines held anything; answers, remarks, leftovers: in the text's order.

    remarks: what is doubtful, missing or was put right; leftovers: text that was not read.
    Remarks never hold the bytes of a VIN; leftovers may hold anything that was in the text.
    """

    lines: int
    answers: tuple[Answer, ...]
    remarks: tuple[Remark, ...]
    leftovers: tuple[Leftover, ...]

    def codes(self, memory: str) -> tuple[str, ...] | None:
        """Codes of one memory ("stored", "pending", "permanent"), each once; None: not answered."""
        found = [a for a in self.answers if a.kind == "codes" and MEMORIES[a.service] == memory]
        return tuple(dict.fromkeys(c for a in found for c in a.codes)) if found else None

    def to_json(self, show_vin: bool = False) -> dict[str, Any]:
        return {
            "lines": self.lines,
            "answers": [a.to_json(show_vin) for a in self.answers],
            "remarks": [{"line": r.line, "text": r.text} for r in self.remarks],
            "not_read": [
                {
                    "line": left.line,
                    "found": left.found if show_vin else without_vins(left.found),
                    "why": left.why,
                }
                for left in self.leftovers
            ],
        }


def without_vins(text: str) -> str:
    """A text with whatever looks like a VIN masked, in letters or in bytes.

    A run of bytes that spells four or more of a VIN's signs is hidden whole: a VIN in a line that
    could not be read is still a VIN, and half a byte too many only shifts it.
    """
    return _RUN.sub(_hidden_run, _VIN_LIKE.sub(lambda m: mask_vin(m[0]), text))


def _hidden_run(run: re.Match[str]) -> str:
    digits = re.sub(r"[^0-9A-Fa-f]", "", run[0])
    for start in (0, 1):
        signs = (int(digits[i : i + 2], 16) for i in range(start, len(digits) - 1, 2))
        if _SPELT.search("".join(chr(sign) for sign in signs)):
            return f"[{len(digits)} digits hidden: they may spell a VIN]"
    return run[0]


def decode(text: str) -> Decoded:
    """Reads raw lines of services 01, 02, 03, 04, 07, 09 and 0A. Never raises."""
    pasted = text_to_pieces(text)
    work = _Work()
    work.leftovers.extend(pasted.leftovers)
    work.remarks.extend(Remark(note.line, note.text) for note in pasted.notes)
    for piece in pasted.pieces:
        work.take(piece)
    work.close()
    lines = {p.line for p in pasted.pieces} | {left.line for left in pasted.leftovers}
    return Decoded(
        len(lines),
        tuple(sorted(work.answers, key=lambda a: a.line)),
        tuple(sorted(work.remarks, key=lambda r: r.line)),
        tuple(sorted(work.leftovers, key=lambda x: x.line)),
    )


@dataclass(slots=True)
class _Work:
    """One run over a text; senders by identifier, "" for lines that name none."""

    answers: list[Answer] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    leftovers: list[Leftover] = field(default_factory=list)
    senders: dict[str, Reassembly] = field(default_factory=dict)
    parts: dict[tuple[str, int], list[tuple[int, Message]]] = field(default_factory=dict)

    def take(self, piece: Piece) -> None:
        match piece.kind:
            case "break":
                self._close_bare()
            case "frame":
                self._frame(piece)
            case "numbered":
                sender = self._sender("")
                new = sender.add_numbered(piece.line, piece.number, piece.data, piece.declared)
                self._read_all(new, "can")
            case "older":
                whole = Message(piece.source, piece.data, (piece.line,), len(piece.data), True)
                self._read(whole, "older")
            case _:
                self._bare(piece)

    def close(self) -> None:
        for sender in self.senders.values():
            self._read_all(sender.close(), "can")
            self.remarks.extend(sender.remarks)
        for key in list(self.parts):
            self._join(key)

    def _sender(self, source: str) -> Reassembly:
        return self.senders.setdefault(source, Reassembly(source))

    def _close_bare(self) -> None:
        """What comes after a prompt or a request is no part of what came before."""
        if "" in self.senders:
            self._read_all(self.senders[""].close(), "can")
        for key in [key for key in self.parts if key[0] == ""]:
            self._join(key)

    def _say(self, line: int, text: str) -> None:
        self.remarks.append(Remark(line, text))

    def _frame(self, piece: Piece) -> None:
        if not piece.data:
            self._say(piece.line, "an identifier without bytes")
            return
        if piece.data[0] in ANSWERS:
            self._say(piece.line, "no length byte behind the identifier: padding may be read too")
            self._read(Message(piece.source, piece.data, (piece.line,), None, True), "")
            return
        sender = self._sender(piece.source)
        self._read_all(sender.add(piece.line, piece.data, piece.time_s), "can")

    def _bare(self, piece: Piece) -> None:
        """Bytes without any header: an answer, a frame, or the echo of a request."""
        data, first = piece.data, piece.data[0]
        if first in ANSWERS:
            self._read(Message("", data, (piece.line,), None, not piece.cut), "")
            return
        begins = first >> 4 == 1 and len(data) > 2 and data[2] in ANSWERS
        if begins or (first >> 4 in (2, 3) and self._sender("").waiting) or first >> 4 == 2:
            self._read_all(self._sender("").add(piece.line, data), "can")
            return
        if first in _REQUESTS:
            self._echo(piece)
            return
        self._leave(piece, f"begins with {first:02X}: neither an answer nor a request read here")

    def _leave(self, piece: Piece, why: str) -> None:
        self.leftovers.append(Leftover(piece.line, piece.data.hex(" ").upper(), why))

    def _echo(self, piece: Piece) -> None:
        """A first byte 01–0A: a request, a request with its answer behind it, or a length byte."""
        data = piece.data
        glued = _glued(data)
        framed = _is_framed(data)
        if glued and framed:
            self._leave(piece, "a request and its answer, or a frame with its length: two readings")
        elif framed:
            self._read_all(self._sender("").add(piece.line, data), "can")
        elif glued:
            self._asked(Message("", data[:glued], (piece.line,), None, True))
            self._read(Message("", data[glued:], (piece.line,), None, not piece.cut), "")
        elif data[0] == 0x02 and len(data) == 3 and data[1] in MEMORIES:
            why = "asks for a freeze frame, or says no codes with its length byte: two readings"
            self._leave(piece, why)
        elif _is_request_form(data):
            self._asked(Message("", data, (piece.line,), None, True))
        else:
            self._leave(piece, "neither a request nor a frame with its length byte")

    def _asked(self, message: Message) -> None:
        self._close_bare()
        words = request_words(message.payload)
        self.answers.append(answer(message, "asked", "asked", words))

    def _read_all(self, messages: Sequence[Message], bus: str) -> None:
        for message in messages:
            self._read(message, bus)

    def _read(self, message: Message, bus: str) -> None:
        payload = message.payload
        if not payload:
            return
        if is_request(message.source):
            words = request_words(payload)
            self.answers.append(answer(message, "asked", "asked", words))
            return
        # Before CAN an item of service 09 comes in several messages, each with its number and four
        # bytes; over CAN only a verification number has that form, and means the same.
        in_parts = bus != "can" and payload[0] == 0x49 and len(payload) == 7
        if in_parts and information_size(payload[1]) is not None:
            self._part(message)
            return
        self.answers.extend(message_to_answers(message, bus, self.remarks))

    def _part(self, message: Message) -> None:
        key, number = (message.source, message.payload[1]), message.payload[2]
        held = self.parts.get(key, [])
        again = any(n == 1 and m.payload == message.payload for n, m in held)
        if number == 1 and held and not again:
            self._join(key)
        self.parts.setdefault(key, []).append((number, message))

    def _join(self, key: tuple[str, int]) -> None:
        """The parts of one item, in the order of their numbers; a hole ends what is read."""
        held = self.parts.pop(key)
        kind, line = key[1], held[0][1].lines[0]
        found: dict[int, bytes] = {}
        spoiled: set[int] = set()
        for number, part in held:
            data = part.payload[3:]
            if number in found:
                same = found[number] == data
                why = "the second one left out" if same else "they differ, so neither is read"
                self._say(part.lines[0], f"part {number} twice: {why}")
                spoiled |= set() if same else {number}
            elif found and number < max(found):
                self._say(part.lines[0], f"part {number} out of order: put where its number says")
            found.setdefault(number, data)
        size = information_size(kind) or 4
        # 17 characters travel in five times four bytes, the first three of them filling.
        each = -(-size // 4)
        needed = max(each, -(-max(found) // each) * each)
        data, whole = b"", True
        for number in range(1, needed + 1):
            if number in spoiled or number not in found:
                if number not in spoiled:
                    self._say(line, f"part {number} is missing: nothing behind it is read")
                whole = False
                break
            data += found[number]
        first = held[0][1]
        step = each * 4
        for i in range(0, max(len(data), 1), step):
            item = data[i : i + step]
            if item or not whole:
                self.answers.append(
                    information(first, kind, item, self.remarks, whole=len(item) == step)
                )


def _glued(data: bytes) -> int:
    """Where the answer begins in a line that holds a request and its answer; 0 where it does not.

    An answer repeats what it answers: 01 0C 41 0C …; those asked for alone begin at once: 03 43 ….
    """
    first = data[0]
    if first in _ALONE:
        if len(data) < 2 or data[1] != first + 0x40:
            return 0
        rest = data[2:]
        return 1 if first == 0x04 or codes_fit(rest) or len(rest) == 6 else 0
    step = 3 if first == 0x02 else 2
    if len(data) > step + 1 and data[step] == first + 0x40 and data[step + 1] == data[1]:
        return step
    return 0


def _is_framed(data: bytes) -> bool:
    """Whether the first byte is a length that fits the answer behind it."""
    length = data[0]
    if not (1 <= length <= 7) or len(data) < 2 or data[1] not in ANSWERS or len(data) > 8:
        return False
    payload = data[1 : 1 + length]
    if data[1] in MEMORIES:
        # Over CAN codes are counted; a length that disagrees with the count is no length. Full
        # frames are padded to 8 bytes, so a bare 02 43 00 stays doubtful.
        exact = len(payload) == length and codes_fit(payload[1:])
        return exact and (len(data) == 8 or length > 2)
    if length <= 2:
        # 01 44 and 02 41 00 are requests as well; only the full width tells.
        return len(data) == 8
    return (length, data[1]) != (0x04, 0x44)


def _is_request_form(data: bytes) -> bool:
    """Whether bytes have the form of a request: up to six parameters, pairs for a freeze frame."""
    if data[0] in _ALONE:
        return len(data) == 1
    if data[0] == 0x02:
        return len(data) % 2 == 1 and len(data) <= 7
    return len(data) <= 7
