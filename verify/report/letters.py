"""What people typed may hold any letter; what a page can show is less.

report ─sound→ no control characters, nothing that is no letter      (HTML)
       ─printable→ and nothing that our fonts cannot show            (PDF)
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import fields, is_dataclass, replace
from functools import cache
from importlib.resources import as_file, files
from importlib.util import find_spec
from typing import Any, TypeVar

T = TypeVar("T")

# What stands for a letter that none of our fonts has, or that is none.
NO_LETTER = "\u25a1"
# Latin, and the punctuation of texts: surely in our fonts, and nearly all there is to set.
_PLAIN = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA1, 0x100), 0x2013, 0x2014, 0x2026)))


def mapped(thing: T, change: Callable[[str], str]) -> T:
    """The same frozen data with every text in it changed."""
    done: Any = thing
    if type(thing) is str:
        done = change(str(thing))
    elif isinstance(thing, tuple):
        done = tuple(mapped(item, change) for item in thing)
    elif is_dataclass(thing) and not isinstance(thing, type):
        own = {f.name: mapped(getattr(thing, f.name), change) for f in fields(thing)}
        done = replace(thing, **own)
    result: T = done
    return result


def sound(text: str) -> str:
    """Control characters become blanks, halves of letters and non-characters the sign for none.

    Source of what is no character: Unicode Standard, 23.7 (noncharacters).
    """
    odd = set(text) - _PLAIN - {"\n"}
    lost = {ord(c): put for c in odd if (put := _instead(c)) is not None}
    return text.translate(lost) if lost else text


def _instead(letter: str) -> str | None:
    kind = unicodedata.category(letter)
    if kind in ("Cc", "Zl", "Zp"):
        return " "
    if kind == "Cs" or ord(letter) & 0xFFFE == 0xFFFE or 0xFDD0 <= ord(letter) <= 0xFDEF:
        return NO_LETTER
    return None


def printable(text: str) -> str:
    """Sound, and without what no font of ours can show: PDF/A refuses a missing letter."""
    text = sound(text)
    odd = set(text) - _PLAIN - {"\n"}
    if not odd:
        return text
    known = _letters()
    lost = {
        ord(c): "" if unicodedata.category(c) in ("Cf", "Mn", "Me") else NO_LETTER
        for c in odd
        if ord(c) not in known
    }
    return text.translate(lost)


@cache
def _letters() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(letter for path in _font_files() for letter in FT2Font(path).get_charmap())


def _font_files() -> Iterable[str]:
    with as_file(files("verify.report") / "fonts") as folder:
        yield str(folder / "IBMPlexSans-Regular.ttf")
    for root in fallback_folder():
        yield f"{root}/DejaVuSans.ttf"


def fallback_folder() -> list[str]:
    """DejaVu Sans, which comes with matplotlib, for letters that our own fonts lack."""
    found = find_spec("matplotlib")
    if found is None or found.submodule_search_locations is None:
        return []
    root = next(iter(found.submodule_search_locations))
    return [f"{root}/mpl-data/fonts/ttf"]
