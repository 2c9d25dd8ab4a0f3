"""Masks for a car's plate and VIN as they were typed. Pure, and light enough for a list of jobs.

Masking is careful rather than clever: what may be a plate is hidden as one.
"""

from __future__ import annotations

import re

from verify.car.vin import LENGTH, mask_plate, mask_vin, mask_vins_in

_JOINTS = r"[\s\-–·./]"
# Shorter than this it would be found in every other word.
_LEAST_KNOWN = 4
_TYPED_LENGTHS = (LENGTH - 1, LENGTH, LENGTH + 1)


def vin_in(text: str) -> str:
    """What of a car's description was meant as a VIN, a mistyped one too; "" where nothing was."""
    for piece in (text, *text.split()):
        compact = re.sub(_JOINTS, "", piece)
        digits = sum(c.isdigit() for c in compact)
        if not compact.isalnum() or digits < 3 or digits == len(compact):
            continue
        one_piece = not re.search(r"\s", piece.strip())
        if len(compact) == LENGTH or (one_piece and len(compact) in _TYPED_LENGTHS):
            return piece.strip()
    return ""


def mask_car(text: str) -> str:
    """A car's description as it may leave the shop. Masking twice changes nothing that matters."""
    typed = vin_in(text)
    if typed == text.strip() and typed:
        return mask_vin(re.sub(_JOINTS, "", typed))
    if _is_words(text):
        return " ".join(_mask_word(word) for word in text.split())
    return mask_plate(text) or "*" * 5


def _is_words(text: str) -> bool:
    """Whether it is a description rather than a plate: several words, one of them written small."""
    words = text.split()
    return len(words) > 1 and any(
        len(w) >= _LEAST_KNOWN - 1 and w.isalpha() and not w.isupper() for w in words
    )


def _mask_word(word: str) -> str:
    kept = [c for c in word if c.isalnum()]
    if len(kept) < 3 or not any(c.isdigit() for c in kept):
        return word
    return mask_vin(word) if vin_in(word) else mask_plate(word)


def known_marks(text: str) -> tuple[re.Pattern[str], ...]:
    """Patterns that find this car's own plate or VIN again in other texts, however joined."""
    pieces = [w for w in text.split() if _mask_word(w) != w] if _is_words(text) else [text]
    compact = [re.sub(r"[\W_]+", "", piece) for piece in pieces]
    return tuple(
        re.compile(
            r"(?<!\w)" + rf"{_JOINTS}*".join(map(re.escape, mark)) + r"(?!\w)", re.IGNORECASE
        )
        for mark in compact
        if len(mark) >= _LEAST_KNOWN
    )


def masked_text(text: str, marks: tuple[re.Pattern[str], ...]) -> str:
    """Any text, with a car's own marks and whatever is a VIN hidden in it."""
    for mark in marks:
        text = mark.sub(lambda found: mask_car(found[0]), text)
    return mask_vins_in(text)


def car_words(car: str, model: str) -> str:
    """Which car, for a list: plate, VIN or job card masked, and the model; "" where neither was
    said."""
    shown = masked_text(model, known_marks(car)) if car else mask_vins_in(model)
    return ", ".join(filter(None, (mask_car(car) if car else "", shown)))
