"""How wide words are in a picture, and where they break.

Widths in thousandths of the size, of DejaVu Sans (from memory; held against the font in the tests).
Most other sans fonts are narrower, so what fits here fits there.
"""

from __future__ import annotations

import unicodedata

_NARROW = (
    dict.fromkeys("iIjl", 300) | dict.fromkeys(".,:;'!|‘’ ", 340) | dict.fromkeys("ft()[]/", 400)
)
_WIDE = dict.fromkeys("mMW@%…—→←↺", 1010) | dict.fromkeys("wQOGDHNUR&", 830)
_BOLD = 1.13


def width(text: str, size: float, *, bold: bool = False) -> float:
    """Of a line of text, in the unit of `size`; never less than it takes in DejaVu Sans."""
    total = 0
    for c in text:
        if c in _NARROW:
            total += _NARROW[c]
        elif c in _WIDE:
            total += _WIDE[c]
        elif unicodedata.combining(c):
            continue
        elif unicodedata.east_asian_width(c) in "WF" or ord(c) > 0xFFFF:
            total += 1100
        elif c.isupper():
            total += 760
        elif ord(c) < 0x500:
            total += 660
        else:
            total += 1000
    return total * size / 1000 * (_BOLD if bold else 1.0)


def lines(text: str, size: float, room: float, *, most: int = 9, bold: bool = False) -> list[str]:
    """Broken at spaces, words too long within; what is more than `most` lines ends with "…"."""
    words = text.split()
    found: list[str] = []
    here = ""
    for word in words:
        while width(word, size, bold=bold) > room and len(word) > 1:
            fits = _fitting(word, size, room, bold)
            if here:
                found.append(here)
                here = ""
            found.append(word[:fits])
            word = word[fits:]
        more = f"{here} {word}" if here else word
        if here and width(more, size, bold=bold) > room:
            found.append(here)
            here = word
        else:
            here = more
    if here or not found:
        found.append(here)
    if len(found) > most:
        found = found[:most]
        found[-1] = shortened(found[-1] + " ……", size, room, bold=bold)
    return found


def shortened(text: str, size: float, room: float, *, bold: bool = False) -> str:
    """As much as fits, with "…" where something was left out."""
    cut = text.endswith(" ……")
    text = text.removesuffix(" ……")
    if not cut and width(text, size, bold=bold) <= room:
        return text
    while text and width(text + "…", size, bold=bold) > room:
        text = text[:-1]
    return text.rstrip(" ,;:") + "…"


def _fitting(word: str, size: float, room: float, bold: bool) -> int:
    fits = 1
    while fits < len(word) and width(word[: fits + 1], size, bold=bold) <= room:
        fits += 1
    return fits
