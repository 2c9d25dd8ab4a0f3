"""Text as people type and paste it → fault codes, and everything that was not understood.

Nothing is dropped and nothing is guessed: whatever was read otherwise than it stands (a lookalike
letter, bytes in hexadecimal) carries a note, whatever was not read carries its reason. Structure of
a code: SAE J2012 / ISO 15031-6 (letter P, C, B, U; a digit 0–3; three hexadecimal digits).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from verify.values import dataclass

_LETTERS = "PCBU"
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_SUFFIX = re.compile(r"[0-9A-F]{2}")
# Where one word ends: whatever no code holds. A hyphen may belong to a code and is split later.
_WORD = re.compile(r"[^\s,;:/|()\[\]{}<>\"'`´’‘“”«»„+&*=#!?~\\_•·…→]+")
# A line of nothing but bytes. 21:11 is a time and 21/11 a date: only spaces part bytes.
_BYTES = re.compile(r"\s*[0-9A-F]{2}(?:[ \t]+[0-9A-F]{2})+\s*", re.IGNORECASE)
_LINES = re.compile(r"[\r\n,;]+")
_HYPHENS = dict.fromkeys(map(ord, "‐‑‒–—―−﹣-"), "-")
# Letters of other scripts that look like those a code holds.
_LOOK = dict(zip("АВСЕРОавсеро", "ABCEPOABCEPO", strict=True)) | dict(
    zip("ΑΒΕΡΟϹαβερο", "ABEPOCABEPO", strict=True)
)
# Letters that look like a digit, where only a digit can stand.
_DIGITS = {"O": "0", "o": "0", "I": "1", "i": "1", "l": "1"}
# Letters that are often a misread digit: never replaced, only asked about.
_ASKED = {"S": "5", "Z": "2", "G": "6", "Q": "0"}

# Words that say by themselves that a memory was read and held nothing.
_NONE = frozenset({"none", "no", "keine", "nothing"})
_NOTHING = _NONE | frozenset({"codes", "code", "-", "and", "dtc", "dtcs"})
# First bytes of a whole reply with codes (services 03, 07, 0A): SAE J1979, from memory.
_REPLIES = {"43": "03", "47": "07", "4A": "0A"}


@dataclass(frozen=True, slots=True)
class Read:
    """One code that was understood.

    typed: as it stood; failure_type: the two characters of a suffix ("00"), or "";
    notes: what was read otherwise than it stands, each a short sentence without a full stop.
    """

    code: str
    typed: str
    failure_type: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Unread:
    """One word that was not understood. codelike: it looks as if it was meant for a code."""

    typed: str
    reason: str
    codelike: bool


@dataclass(frozen=True, slots=True)
class Parsed:
    """codes: as the standard writes them, in the order given, each once; rest: words that are
    neither code nor filler, so that nothing is dropped silently; read and unread: the same with
    what is to be said about each."""

    codes: tuple[str, ...]
    rest: tuple[str, ...]
    read: tuple[Read, ...] = ()
    unread: tuple[Unread, ...] = ()


def parse_codes(text: str) -> Parsed:
    """Reads "p2111", "P2111-00, u0100", "0x2111", "21 11" or a pasted screen. Never raises.

    A failure-type suffix ("-00") is kept apart from the code, see `failure_type`.
    Hexadecimal is read only where it says that it is (0x…, …h) or where the whole text is nothing
    but pairs; four digits alone stay unread.
    """
    read: list[Read] = []
    unread: list[Unread] = []
    lines = [line for line in _LINES.split(text) if line.strip()]
    only_bytes = all(_BYTES.fullmatch(line) for line in lines)
    for line in lines:
        for found in _line(line, only_bytes):
            if isinstance(found, Unread):
                unread.append(found)
            else:
                read.append(found)
    codes = tuple(dict.fromkeys(r.code for r in read))
    return Parsed(codes, tuple(u.typed for u in unread), tuple(read), tuple(unread))


def says_none(text: str) -> bool:
    """Whether a text says in so many words that there is no code."""
    return any(word.strip(".").casefold() in _NONE for word in _WORD.findall(text))


def word_to_code(word: int) -> str:
    """The code of two bytes, the high one first. 0x0000 is P0000, which stands for padding.

    Bits 15–14 letter, 13–12 digit, then three hexadecimal digits: SAE J2012 / ISO 15031-6.
    Raises ValueError outside 0…65535: the caller has no two bytes.
    """
    if not 0 <= word <= 0xFFFF:
        raise ValueError(f"{word} is not a number of two bytes")
    return f"{_LETTERS[word >> 14]}{(word >> 12) & 3}{word & 0xFFF:03X}"


def code_to_word(code: str) -> int:
    """The two bytes of a code as the standard writes it, as one number, the high byte first.

    Raises ValueError for anything else: parse what people typed first.
    """
    if not _CODE.fullmatch(code):
        raise ValueError(f'"{code}" is no fault code')
    return _LETTERS.index(code[0]) << 14 | int(code[1:], 16)


def _line(line: str, only_bytes: bool) -> Iterator[Read | Unread]:
    if _BYTES.fullmatch(line):
        yield from _pairs(line.upper().split(), only_bytes)
        return
    words = _WORD.findall(line)
    index = 0
    # "C 1200" behind a number is more likely 95 °C and 1,200 rpm; P is no unit.
    open_to_split = True
    while index < len(words):
        word = words[index]
        after = words[index + 1] if index + 1 < len(words) else ""
        joined = _joined(word, after) if open_to_split or word in "Pp" else None
        if joined is not None:
            yield joined
            index += 2
            continue
        found = list(_word(word))
        yield from found
        index += 1
        open_to_split = not any(isinstance(f, Unread) for f in found)


def _pairs(pairs: list[str], only_bytes: bool) -> Iterator[Read | Unread]:
    """A line of nothing but two-digit words: bytes, two to a code, where all lines are such."""
    typed = " ".join(pairs)
    if not only_bytes:
        yield Unread(
            typed, "pairs among other words: if they are bytes, write 0x before them", True
        )
    elif pairs[0] in _REPLIES and len(pairs) > 2:
        yield Unread(
            typed,
            f"looks like a car's whole reply to service {_REPLIES[pairs[0]]}, or like codes from "
            "the first byte on: give the two bytes of each code alone",
            True,
        )
    elif len(pairs) % 2:
        yield Unread(typed, "an odd number of bytes: a code has two", True)
    else:
        for high, low in zip(pairs[::2], pairs[1::2], strict=True):
            yield _from_bytes(f"{high} {low}", int(high + low, 16), "")


def _from_bytes(typed: str, word: int, failure_type: str) -> Read | Unread:
    if word == 0:
        return Unread(typed, "two zero bytes are padding and no code", False)
    code = word_to_code(word)
    return Read(code, typed, failure_type, (f"read as two bytes in hexadecimal: {code}",))


def _joined(word: str, after: str) -> Read | None:
    """A letter alone with its four characters behind a space: "P 2111"."""
    plain, notes = _plain(word)
    if plain.upper() not in tuple(_LETTERS):
        return None
    found = next(_word(plain.upper() + after), None) if after else None
    if not isinstance(found, Read) or len(after) < 4:
        return None
    return Read(
        found.code,
        f"{word} {after}",
        found.failure_type,
        (*notes, *found.notes, "a space inside was left out"),
    )


def _word(word: str) -> Iterator[Read | Unread]:
    bare = word.strip(".")
    if not bare or bare.translate(_HYPHENS).casefold() in _NOTHING:
        return
    plain, notes = _plain(bare)
    plain = plain.strip("-.")
    found = _hexadecimal(bare, plain) or _one(bare, plain, notes)
    if isinstance(found, Read):
        yield found
        return
    chain = _chain(bare, plain, notes)
    if chain:
        yield from chain
    elif plain:
        yield found or _reason(word, plain)


def _plain(word: str) -> tuple[str, tuple[str, ...]]:
    """The word in plain letters and digits, and what was changed to get there."""
    out: list[str] = []
    notes: list[str] = []
    for char in word.translate(_HYPHENS):
        if unicodedata.category(char) == "Cf":
            notes.append("an invisible character was left out")
            continue
        if char.isascii():
            out.append(char)
            continue
        digit = unicodedata.decimal(char, None)
        like = (
            _LOOK.get(char)
            or (str(digit) if digit is not None else "")
            or unicodedata.normalize("NFKC", char)
        )
        if like.isascii() and like:
            out.append(like)
            notes.append(f"{char} ({_script(char)}) was read as {like}")
        else:
            out.append(char)
    return "".join(out), tuple(dict.fromkeys(notes))


def _script(char: str) -> str:
    name = unicodedata.name(char, "")
    for script in ("Cyrillic", "Greek", "full-width"):
        if name.startswith(script.upper().replace("-", "")):
            return script
    return f"U+{ord(char):04X}"


def _hexadecimal(typed: str, plain: str) -> Read | Unread | None:
    """0x2111, 2111h, 0x211100: two bytes, or three with the failure type last (ISO 14229)."""
    match = re.fullmatch(r"0[xX]([0-9A-Fa-f]+)|([0-9A-Fa-f]+)[hH]", plain)
    if match is None:
        return None
    digits = match[1] or match[2]
    if len(digits) not in (4, 6):
        return Unread(typed, "in hexadecimal, a code has two bytes: four digits", True)
    return _from_bytes(typed, int(digits[:4], 16), digits[4:].upper())


def _one(typed: str, plain: str, notes: tuple[str, ...]) -> Read | Unread | None:
    """One code, perhaps with a suffix, perhaps with lookalikes."""
    head, _, suffix = plain.partition("-")
    if head.upper() in tuple(_LETTERS) and len(suffix) >= 4:
        head, _, suffix = (head + suffix).partition("-")
        notes = (*notes, "a hyphen inside was left out")
    body, more = _digits(head)
    if not _CODE.fullmatch(body):
        return None
    if suffix and not _SUFFIX.fullmatch(suffix.upper()):
        return None
    if body == "P0000":
        return Unread(typed, "P0000 stands for no code: it is what padding reads as", True)
    return Read(body, typed, suffix.upper(), (*notes, *more))


def _digits(head: str) -> tuple[str, tuple[str, ...]]:
    """Letters that look like digits as digits, where only digits can stand. Words that hold no
    digit at all ("piece") are left alone."""
    upper = head.upper()
    if upper[:1] not in tuple(_LETTERS) or not any(c in "0123456789" for c in upper):
        return upper, ()
    body = head[0] + "".join(_DIGITS.get(c, c) for c in head[1:])
    notes = [f"the letter {c} was read as {_DIGITS[c]}" for c in head[1:] if c in _DIGITS]
    return body.upper(), tuple(dict.fromkeys(notes))


def _chain(typed: str, plain: str, notes: tuple[str, ...]) -> list[Read | Unread]:
    """Codes written without a space: P2111-P0122, P2111.P0122, P2111P0122. Empty where not every
    piece is a code: then the word is listed as it stands."""
    pieces = [p for p in re.split(r"[-.]", plain) if p]
    if len(pieces) == 1 and len(plain) > 5 and len(plain) % 5 == 0:
        pieces = [plain[i : i + 5] for i in range(0, len(plain), 5)]
        notes = (*notes, f"taken apart from {typed}")
    if len(pieces) < 2:
        return []
    if "-" in plain:
        notes = (*notes, "a hyphen between codes was read as a comma, not as a range")
    found: list[Read | Unread] = []
    for piece in pieces:
        one = _one(piece, piece, notes)
        if one is None and found and isinstance(found[-1], Read) and _SUFFIX.fullmatch(piece):
            # P2111-00-P0122: the suffix belongs to the code before it.
            last = found[-1]
            found[-1] = Read(last.code, f"{last.typed}-{piece}", piece, last.notes)
            continue
        if one is None:
            return []
        found.append(one)
    return found


def _reason(word: str, plain: str) -> Unread:
    """Why a word is no code, in words that say what to do."""
    upper = plain.upper()
    if re.fullmatch(r"[0-9A-F]{4}", upper) and any(c.isdigit() for c in upper):
        return Unread(word, _four(upper), True)
    digits = sum(c.isdigit() for c in upper)
    if not re.fullmatch(r"[^\W\d_][\w-]{3,8}", upper) or digits < 2:
        return Unread(word, "no code", False)
    head = upper.partition("-")[0]
    body, _ = _digits(head)
    if head[0] not in _LETTERS:
        if not re.fullmatch(r"[0-3][0-9A-F]{3}", head[1:]):
            return Unread(word, "no code", False)
        return Unread(word, f"begins with {head[0]}: a code begins with P, C, B or U", True)
    if len(head) != 5:
        size = "too short" if len(head) < 5 else "too long"
        return Unread(word, f"{size}: a code is a letter and four characters", True)
    if body[1] not in "0123":
        return Unread(word, f"{body[1]} after the letter: only 0 to 3 can stand there", True)
    for char in body[2:]:
        if char not in "0123456789ABCDEF":
            asked = f" ({_ASKED[char]}?)" if char in _ASKED else ""
            return Unread(word, f"{char} is no hexadecimal digit{asked}", True)
    return Unread(word, "what follows the code is no failure type of two digits", True)


def _four(upper: str) -> str:
    """Four hexadecimal digits alone: bytes, a code without its letter, or no code at all."""
    as_bytes = word_to_code(int(upper, 16))
    text = f"four digits alone: as bytes in hexadecimal {as_bytes} (write 0x{upper})"
    if upper[0] in "0123":
        if as_bytes == f"P{upper}":
            return f"{text}, as a code P, C, B or U{upper}: write its letter"
        return f"{text}, or a code without its letter"
    if upper[0] in _LETTERS:
        return f"{text}, or a code with one character missing"
    return f"{text}, or no code at all"
