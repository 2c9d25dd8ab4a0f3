"""Codes with the module they were read in: "C1234@brakes, P0507". Text → codes and their places.

A code says what is wrong; the module it was read in says how much that weighs: any fault read in
the brake module forbids driving, the maker's own codes too (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import replace

from verify.car.code_text import Parsed, Unread, parse_codes

# The names people and readers give the module that brakes or steers the brakes. Common practice.
BRAKE_WORDS = frozenset(
    {"abs", "ebs", "esp", "esc", "dsc", "vsc", "vsa", "ebcm", "hcu", "booster", "epb"}
)
_AT = re.compile(r"@\s*([^\s,;@]+)")


def is_brake_module(module: str) -> bool:
    """Whether a module, by the name it was given, is one of the brakes."""
    words = re.split(r"[^a-z]+", module.casefold())
    return any(w in BRAKE_WORDS or w.startswith("brake") or w == "braking" for w in words)


def parse_placed(text: str) -> tuple[Parsed, tuple[tuple[str, str], ...]]:
    """As `parse_codes`, and (code, module) for each code that has "@module" behind it.

    An @ behind no code is kept among what was not understood. Never raises.
    """
    if "@" not in text:
        return parse_codes(text), ()
    pieces = _AT.split(text)
    parts: list[Parsed] = []
    places: list[tuple[str, str]] = []
    for index in range(0, len(pieces), 2):
        found = parse_codes(pieces[index])
        if index + 1 < len(pieces):
            last = found.read[-1] if found.read else None
            if last is not None and pieces[index].rstrip(" -.").endswith(last.typed):
                places.append((last.code, pieces[index + 1].strip(".")))
            else:
                lost = Unread(f"@{pieces[index + 1]}", "no code stands before it", True)
                found = replace(found, rest=(*found.rest, lost.typed), unread=(*found.unread, lost))
        elif "@" in pieces[index]:
            lost = Unread("@", "no module stands behind it", True)
            found = replace(found, rest=(*found.rest, "@"), unread=(*found.unread, lost))
        parts.append(found)
    return (
        Parsed(
            tuple(dict.fromkeys(code for p in parts for code in p.codes)),
            tuple(word for p in parts for word in p.rest),
            tuple(read for p in parts for read in p.read),
            tuple(word for p in parts for word in p.unread),
        ),
        tuple(dict.fromkeys(places)),
    )
