"""The one way to write a JSON value down: RFC 8785 (JSON Canonicalization Scheme).

Our own, because it stands between a person's answer and the disk, and the library for it takes
longer than all else there but the disk itself; that library is what the tests compare it with.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from json.encoder import encode_basestring
from typing import Any

# RFC 8785 3.2.2.3 speaks of doubles; beyond this a whole number would not survive being one.
_LARGEST = 2**53 - 1


def canonical(value: object) -> bytes:
    """The RFC 8785 form of a JSON value: None, bool, int, float, str, list, tuple or dict.

    Raises ValueError on NaN, infinities, integers beyond 2^53 - 1, half a surrogate pair, names
    that are no text, and anything that is no JSON.
    """
    pieces: list[str] = []
    _write(value, pieces.append)
    return "".join(pieces).encode()


def parse(text: str | bytes) -> Any:
    """The value of an RFC 8785 text, such that `canonical(parse(t)) == t`.

    RFC 8785 writes the double 1e20 as a row of digits; a reader that makes a whole number of it
    could not write it back. Raises ValueError.
    """
    return json.loads(text, parse_int=_number)


def _number(digits: str) -> int | float:
    number = int(digits)
    return number if abs(number) <= _LARGEST else float(digits)


def _write(value: Any, put: Callable[[str], None]) -> None:
    if isinstance(value, str):
        # RFC 8785 3.2.2.2: what ECMAScript escapes, and encode_basestring escapes the same:
        # \b \t \n \f \r \" \\, other signs below U+0020 as \u00xx in small letters.
        put(encode_basestring(value))
    elif isinstance(value, dict):
        lead = "{"
        for name in _sorted(value):
            put(lead + encode_basestring(name) + ":")
            _write(value[name], put)
            lead = ","
        put("}" if value else "{}")
    elif isinstance(value, list | tuple):
        lead = "["
        for inner in value:
            put(lead)
            _write(inner, put)
            lead = ","
        put("]" if value else "[]")
    elif value is None:
        put("null")
    elif isinstance(value, bool):
        put("true" if value else "false")
    elif isinstance(value, float):
        put(_float(float(value)))
    elif isinstance(value, int):
        if abs(value) > _LARGEST:
            raise ValueError(f"{value} is beyond the whole numbers of JSON")
        put(int.__repr__(value))
    else:
        raise ValueError(f"a {type(value).__name__} is no JSON")


def _sorted(names: dict[Any, Any]) -> list[str]:
    """RFC 8785 3.2.3: names stand in the order of their UTF-16 code units."""
    try:
        plain = "".join(names).isascii()
    except TypeError:
        raise ValueError("names in JSON are texts") from None
    return sorted(names) if plain else sorted(names, key=lambda name: name.encode("utf-16-be"))


def _float(value: float) -> str:
    """RFC 8785 3.2.2.3, that is ECMAScript's Number::toString.

    Python's repr finds the same shortest digits; only their layout differs.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} is no JSON")
    if value == 0:
        return "0"  # also for -0
    text = repr(value)
    if "e" not in text:
        # repr keeps to plain digits from 1e-4 to 1e16, where ECMAScript does too.
        return text[:-2] if text.endswith(".0") else text
    mantissa, _, power = text.partition("e")
    sign = "-" if mantissa.startswith("-") else ""
    whole, _, rest = mantissa.removeprefix("-").partition(".")
    digits, exponent = whole + rest, int(power)  # d.ddd × 10^exponent
    if 0 <= exponent < 21:
        return sign + digits.ljust(exponent + 1, "0")
    if -7 < exponent < 0:
        return f"{sign}0.{'0' * (-exponent - 1)}{digits}"
    return f"{sign}{mantissa.removeprefix('-')}e{exponent:+d}"
