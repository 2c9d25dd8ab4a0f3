"""Raw lines as people paste them → bytes, with what is known of where each came from.

Stands before `frames` and `decode` and gives bytes no meaning: headers, prompts, words, numbered
lines and bus logs are told apart here, so that the layers above see bytes only. Every line either
yields a piece or is left over with the reason; nothing is dropped silently, and nothing raises.

Where a line cannot be read for certain it is not read at all: a byte that lost a digit in the
middle would shift every one behind it into another value.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

_HEX = re.compile(r"[0-9A-Fa-f]+\Z")
_PAIR_WITH_O = re.compile(r"[0-9A-FOa-fo]{2}\Z")
_NUMBERED = re.compile(r"([0-9A-Fa-f]):(.*)\Z", re.DOTALL)
_JOINED = re.compile(r"[0-9A-Fa-f]{2}(?:[:.-][0-9A-Fa-f]{2})+\Z")
_LINE_END = re.compile(r"\r\n|\r|\n")
_LOG = re.compile(
    r"\((?P<time>[0-9]{1,12}(?:\.[0-9]{1,9})?)\)\s+\S+\s+"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?(?P<data>[0-9A-Fa-f]*)"
    r"(?:\s+[RT])?\s*\Z"
)
_LISTED = re.compile(
    r"(?:\((?P<time>[0-9]{1,12}(?:\.[0-9]{1,9})?)\)\s+)?(?:[A-Za-z]+[0-9]+\s+)?"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[\s*(?P<size>[0-9]{1,2})\]\s*(?P<data>[0-9A-Fa-f\s]*)\Z"
)
# Bus logs in columns: identifier, direction, sometimes a letter, number of bytes, bytes.
_COLUMNS = re.compile(
    r"(?:.*\s)?(?P<id>[0-9A-Fa-f]{3,8})(?P<long>x)?\s+(?:Rx|Tx)\s+(?:[d-]\s+)?"
    r"(?P<size>[0-9]{1,2})\s+(?P<data>[0-9A-Fa-f]{2}(?:\s+[0-9A-Fa-f]{2})*)(?P<time>)\Z"
)
_MOST_IN_FRAME = 64  # bytes, CAN FD
_LONGEST_LOGGED = 400  # characters; no bus log writes a longer line of one frame


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes of one line.

    kind: "frame" (a CAN frame with its identifier), "numbered" (part `number` of a message that
    was printed in numbered lines), "older" (a message of an older bus, header and checksum taken
    off), "bytes" (no header: may be a message or a frame), "break" (a prompt: nothing before it
    belongs to what follows).
    source: who sent it, as hexadecimal digits, or "".
    declared: length in bytes said by the line before numbered ones.
    cut: the line ends in half a byte.
    """

    line: int
    kind: str
    data: bytes = b""
    source: str = ""
    number: int = 0
    declared: int | None = None
    time_s: float | None = None
    cut: bool = False


class Leftover(NamedTuple):
    """Text that was not read: as it stood (it may hold a VIN), and why.

    words: it has no byte in it (an adapter's own words, a label).
    """

    line: int
    found: str
    why: str
    words: bool = False


class Note(NamedTuple):
    line: int
    text: str


class Pasted(NamedTuple):
    pieces: tuple[Piece, ...]
    leftovers: tuple[Leftover, ...]
    notes: tuple[Note, ...]


def is_request(source: str) -> bool:
    """Whether an identifier is one that a tester sends with.

    ISO 15765-4: 7DF and 7E0–7E7, 18DB33F1 and 18DAxxF1 ask; 7E8–7EF and 18DAF1xx answer.
    Older buses: the second header byte 6A asks, 6B answers (from memory).
    """
    if len(source) == 3:
        return source == "7DF" or "7E0" <= source <= "7E7"
    if len(source) == 8:
        return source.startswith("18DB") or source.endswith("F1")
    return len(source) == 6 and source[2:4] == "6A"


def is_diagnostic(source: str) -> bool:
    """Whether a CAN identifier belongs to the standard's diagnosis (ISO 15765-4)."""
    if len(source) == 3:
        return source == "7DF" or "7E0" <= source <= "7EF"
    return source.startswith(("18DA", "18DB"))


def text_to_pieces(text: str) -> Pasted:
    """Every line of a pasted text, each as pieces or as a leftover. Never raises."""
    reader = _Reader([], [], [])
    for line, whole in enumerate(_LINE_END.split(text), start=1):
        # Control characters come from the wire, not from a person; none of them is a digit.
        visible = "".join(c if c.isprintable() else " " for c in whole)
        for i, part in enumerate(visible.split(">")):
            if i:
                reader.pieces.append(Piece(line, "break"))
            if part.strip():
                reader.read(line, part.strip())
    reader.settle()
    return Pasted(tuple(reader.pieces), tuple(reader.leftovers), tuple(reader.notes))


@dataclass(slots=True)
class _Reader:
    pieces: list[Piece]
    leftovers: list[Leftover]
    notes: list[Note]
    length_line: tuple[int, str] | None = None
    length: int | None = None

    def read(self, line: int, text: str) -> None:
        numbered = _NUMBERED.match(text)
        if numbered is not None:
            self._numbered(line, text, int(numbered[1], 16), numbered[2].split())
            return
        self.settle()
        self.length = None
        log = None
        if len(text) <= _LONGEST_LOGGED:
            log = _LOG.match(text) or _LISTED.match(text) or _COLUMNS.match(text)
        if log is not None:
            self._logged(line, text, log)
            return
        if _JOINED.match(text):
            text = re.sub(r"[:.-]", " ", text)
        text = re.sub(r"(\.\.|…)(?=[0-9A-Fa-f])", r"\1 ", text)
        words = re.sub(r"\b0[xX](?=[0-9A-Fa-f])", "", re.sub(r"[,;|]", " ", text)).split()
        self._tokens(line, text, words)

    def settle(self) -> None:
        """A length line that no numbered line followed is none."""
        if self.length_line is not None:
            line, text = self.length_line
            self.length_line = None
            self._leave(line, text, "three digits alone: a length, or an identifier, without bytes")

    def _leave(self, line: int, text: str, why: str, *, words: bool = False) -> None:
        self.leftovers.append(Leftover(line, text, why, words))

    def _numbered(self, line: int, text: str, number: int, words: Sequence[str]) -> None:
        if self.length_line is not None:
            self.length, self.length_line = int(self.length_line[1], 16), None
        digits = "".join(words)
        if not _HEX.match(digits) or any(len(w) % 2 for w in words):
            self._leave(line, text, "not whole bytes behind the number of the line")
            return
        data = bytes.fromhex(digits)
        self.pieces.append(Piece(line, "numbered", data, number=number, declared=self.length))
        if number == 0:
            self.length = None

    def _logged(self, line: int, text: str, found: re.Match[str]) -> None:
        digits = "".join(found["data"].split())
        if len(digits) % 2:
            self._leave(line, text, "an odd number of digits: which one is missing cannot be known")
            return
        data = bytes.fromhex(digits)
        if "size" in found.re.groupindex and int(found["size"]) != len(data):
            self._leave(line, text, f"{found['size']} bytes said, {len(data)} there")
            return
        time_s = float(found["time"]) if found["time"] else None
        source = found["id"].upper()
        if found.re is _COLUMNS:
            source = f"{int(source, 16):0{8 if found['long'] or len(source) > 4 else 3}X}"
        self._frame(line, text, source, data, time_s)

    def _frame(
        self,
        line: int,
        text: str,
        source: str,
        data: bytes,
        time_s: float | None = None,
        *,
        cut: bool = False,
    ) -> None:
        if not is_diagnostic(source):
            self._leave(line, text, f"identifier {source} is none of the standard's diagnosis")
        elif len(data) > _MOST_IN_FRAME:
            self._leave(line, text, f"{len(data)} bytes behind one identifier: no frame is so long")
        else:
            self.pieces.append(Piece(line, "frame", data, source, time_s=time_s, cut=cut))

    def _tokens(self, line: int, text: str, words: list[str]) -> None:
        words = self._o_as_zero(line, words)
        bad = [i for i, word in enumerate(words) if not _HEX.match(word)]
        if len(bad) == len(words):
            self._leave(line, text, "no bytes", words=True)
            return
        if bad:
            label, rest = words[: bad[-1] + 1], words[bad[-1] + 1 :]
            if not rest:
                self._leave(line, text, "bytes with words behind them: the answer was broken off")
                return
            spoilt = label[-1]
            if bad[0] == 0 and not (len(spoilt) <= 2 and any(c.isdigit() for c in spoilt)):
                self._leave(line, " ".join(label), "no bytes", words=True)
                words = rest
            else:
                self._leave(
                    line, text, f'"{_short(spoilt)}" is no byte, so none of the line is read'
                )
                return
        if len(words) == 1:
            self._run(line, text, words[0].upper())
        else:
            self._bytes(line, text, [word.upper() for word in words])

    def _o_as_zero(self, line: int, words: list[str]) -> list[str]:
        """The letter O read as zero, where every word is a pair of digits but for it."""
        if len(words) < 3 or all(_HEX.match(w) for w in words):
            return words
        if not all(_PAIR_WITH_O.match(w) for w in words):
            return words
        self.notes.append(Note(line, "the letter O read as zero"))
        return [w.upper().replace("O", "0") for w in words]

    def _run(self, line: int, text: str, digits: str) -> None:
        """Digits without a space between them."""
        if len(digits) == 3:
            self.length_line = (line, digits)
        elif len(digits) % 2 and digits[0] == "7":
            self._frame(line, text, digits[:3], bytes.fromhex(digits[3:]))
        elif len(digits) % 2:
            self._leave(line, text, "an odd number of digits: which one is missing cannot be known")
        elif digits[:4] in ("18DA", "18DB") and len(digits) >= 10:
            self._frame(line, text, digits[:8], bytes.fromhex(digits[8:]))
        else:
            self._older_or_bytes(line, text, bytes.fromhex(digits), cut=False)

    def _bytes(self, line: int, text: str, words: list[str]) -> None:
        head = ""
        if len(words[0]) == 3 or (len(words[0]) == 8 and words[0][:4] in ("18DA", "18DB")):
            head, words = words[0], words[1:]
        elif words[0] == "18" and words[1] in ("DA", "DB") and len(words) > 4:
            head, words = "".join(words[:4]), words[4:]
        if head and len(words) > 1 and words[0] == str(len(words) - 1):
            words = words[1:]  # the number of bytes, as some logs print it behind the identifier
        cut = len(words[-1]) == 1 and len(words) > 1
        if cut:
            words = words[:-1]
        half = [word for word in words if len(word) % 2]
        if half:
            self._leave(
                line, text, f'"{_short(half[0])}" is no whole byte, so none of the line is read'
            )
            return
        if cut:
            self.notes.append(Note(line, "the last byte is cut in half: not read"))
        data = bytes.fromhex("".join(words))
        if head:
            self._frame(line, text, head, data, cut=cut)
        else:
            self._older_or_bytes(line, text, data, cut=cut)

    def _older_or_bytes(self, line: int, text: str, data: bytes, *, cut: bool) -> None:
        """Takes header and checksum of the buses before CAN off, where they are there.

        SAE J1850 and ISO 9141-2: 48 6B and the sender answer, 68 6A and the sender ask. ISO 14230:
        80–FF with the length in its low six bits, receiver, sender; F1 is the tester (from memory).
        """
        fixed = data[:2] in (b"\x48\x6b", b"\x68\x6a")
        keyword = len(data) >= 3 and data[0] >= 0x80 and 0xF1 in data[1:3]
        if not (fixed or keyword) or len(data) < 5:
            self.pieces.append(Piece(line, "bytes", data, cut=cut))
            return
        if cut:
            self._leave(line, text, "cut off before its checksum: not read")
            return
        said = data[0] & 0x3F
        if keyword and said != len(data) - 4:
            self._leave(line, text, f"{said} bytes said in the header, {len(data) - 4} there")
            return
        if data[-1] not in (sum(data[:-1]) & 0xFF, _j1850_checksum(data[:-1])):
            self._leave(line, text, "the checksum at its end does not fit: not read")
            return
        source = data[:3].hex().upper()
        if keyword:
            source = f"{data[0]:02X}{'6A' if data[2] == 0xF1 else '6B'}{data[2]:02X}"
        self.pieces.append(Piece(line, "older", data[3:-1], source))


def _short(word: str) -> str:
    """The beginning of a word: a whole one might be a VIN, and reasons are shown unmasked."""
    return word if len(word) <= 4 else f"{word[:3]}…"


def _j1850_checksum(data: bytes) -> int:
    """The checksum of SAE J1850: polynomial 1D, start FF, inverted (from memory)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF
