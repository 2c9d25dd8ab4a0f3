"""Sound files as recordings: the note of an engine with the odds of its octave, and clicks.

Nothing here says what the engine speed is: that takes the number of cylinders, and a choice among
octaves which the check by ear makes openly. What a person says of the file comes as a mapping:
"(key-on)" → "3.2 s, 21.5 s", when the key was turned on; "(told)" → "warm, standing, released".
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from itertools import pairwise
from typing import BinaryIO

import numpy as np

from verify.errors import Problem, UserError
from verify.evidence.importers.port import Layout, is_text, refusal
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.cycles import MOST, SPACINGS, spacing_name
from verify.evidence.sound.listening import BLOCK_COLUMNS, MOST_CLICKS, Heard, listen, table
from verify.evidence.sound.orders import RATIOS
from verify.evidence.sound.stream import EXPECTED, container_of
from verify.evidence.sound.varies import MOST_VARIES, VARIES
from verify.words import BEFORE, TOLD

KEY_ON = "(key-on)"
# left-on: the key was left on, and start-stop switched off. before: recorded before the repair.
TOLD_WORDS = ("warm", "standing", "released", "left-on", BEFORE)
LEAST_S = 1.0
# No key is turned on, off, and on again sooner: common practice, no source.
LEAST_BETWEEN_S = 2.0


# The channels of a sound: unit, and the range outside which a value is none. What a microphone
# hears is no quantity of the car's own data, and no column of a table can be called by these names.
_LEVEL = ("dB", -130.0, 30.0)
CHANNELS: Mapping[str, tuple[str, float, float]] = {
    "sound_level": _LEVEL,
    "click_floor": _LEVEL,
    "click": _LEVEL,
    "sound_clipped": ("%", 0.0, 100.0),
    "sound_bad": ("%", 0.0, 100.0),
    "gap": ("s", 0.0, 1.0),
    "note": ("Hz", 5.0, 300.0),
    "note_strength": ("dB", -50.0, 100.0),
    **{f"note_odds_{a}_{b}": ("1", 0.0, 1.0) for a, b in RATIOS},
    "note_lines": ("1", 0.0, 1000.0),
    **{spacing_name(s): ("1", -MOST, MOST) for s in SPACINGS},
    "note_varies_square": ("1", -MOST_VARIES, MOST_VARIES),
    "note_varies_error": ("1", 0.0, MOST_VARIES),
    "note_varies_repeats": ("1", 0.0, 1.0),
    "note_varies_round_s": ("s", 0.0, 60.0),
    "note_swell": ("1", 0.0, 1.0),
    "key_on": ("1", 1.0, 1.0),
}


def odds_name(ratio: tuple[int, int]) -> str:
    """The channel that carries the odds that the firing is this multiple of the note."""
    return f"note_odds_{ratio[0]}_{ratio[1]}"


class SoundImporter:
    name = "sound"
    version = 3

    def accepts(self, head: bytes) -> bool:
        # The mark alone may begin a text.
        return bool(container_of(head)) and not is_text(head[:64])

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        """No columns to ask for. The key is the file's own: marks of one file are no other's."""
        return Layout(f"sound {_sha256(stream)}", (), True, sound=True)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        if interval_s is not None:
            raise refusal(
                "an interval that was told", source_name,
                expected="a sound, which has its own time", next="leave the interval out",
            )  # fmt: skip
        marks, said = _said(mapping or {}, source_name)
        digest = _sha256(stream)
        heard = listen(stream, source_name)
        if heard.seconds < LEAST_S:
            raise refusal(
                f"a sound of {heard.seconds:.2g} s", source_name, expected=EXPECTED,
                next="record 30 s or more",
            )  # fmt: skip
        beyond = [at for at in marks if at >= heard.seconds]
        if beyond:
            raise UserError(
                Problem(
                    found=f"a key-on at {beyond[0]:g} s in a sound of {heard.seconds:.1f} s",
                    expected="a time within the file",
                    next="say when in this file the key was turned on",
                    file=source_name,
                    field=f"mapping.{KEY_ON}",
                )
            )
        return Recording(
            source_name=source_name,
            sha256=digest,
            importer=self.name,
            importer_version=self.version,
            rows=max(1, round(heard.seconds * heard.rate)),
            seconds=heard.seconds,
            channels=_channels(heard, marks),
            repairs=tuple(_repairs(heard)),
            mapping=said,
        )


def _sha256(stream: BinaryIO) -> str:
    stream.seek(0)
    digest = hashlib.sha256()
    while part := stream.read(1 << 20):
        digest.update(part)
    stream.seek(0)
    return digest.hexdigest()


def _said(mapping: Mapping[str, str], source_name: str) -> tuple[list[float], dict[str, str]]:
    """(key-ons in seconds, the mapping in its own spelling). Raises UserError."""
    said: dict[str, str] = {}
    marks: list[float] = []
    for name, text in mapping.items():
        if name == KEY_ON:
            marks = key_on_marks(text, source_name)
            said[name] = ", ".join(f"{at:g} s" for at in marks)
        elif name == TOLD:
            said[name] = ", ".join(told_words(text, source_name))
        else:
            raise UserError(
                Problem(
                    found=f'"{name}"',
                    expected=f"{KEY_ON} or {TOLD}: a sound has no columns",
                    next="leave it out",
                    file=source_name,
                    field=f"mapping.{name}",
                )
            )
    return marks, {name: text for name, text in said.items() if text}


def key_on_marks(text: str, source_name: str = "") -> list[float]:
    """ "3.2 s, 21.5", or "3,2; 21,5" → seconds, in order. Raises UserError; so it does for times of
    which one stands right after the other, as those of a decimal comma taken for two."""
    marks = []
    if ";" in text:
        text = text.replace(",", ".")
    for part in re.split(r"[,;]\s*", text.strip()):
        if not part:
            continue
        found = re.fullmatch(r"(?:(\d{1,2}):)?(\d{1,5}(?:\.\d+)?)\s*s?", part.strip())
        if found is None:
            raise UserError(
                Problem(
                    found=f'"{part}"',
                    expected="seconds from the start of the file",
                    next="write for example 3.2s,21.5s",
                    file=source_name,
                    field=f"mapping.{KEY_ON}",
                )
            )
        marks.append(60.0 * float(found[1] or 0) + float(found[2]))
    marks = sorted(set(marks))
    close = [(a, b) for a, b in pairwise(marks) if b - a < LEAST_BETWEEN_S]
    if close:
        raise UserError(
            Problem(
                found=f"a key turned on at {close[0][0]:g} s and at {close[0][1]:g} s",
                expected="it to be off in between",
                next="write decimals with a point: 3.2s,21.5s",
                file=source_name,
                field=f"mapping.{KEY_ON}",
            )
        )
    return marks


def told_words(text: str, source_name: str = "") -> list[str]:
    """ "warm, standing" → the words in their own order. Raises UserError for another word."""
    words = [w for w in re.split(r"[,;\s]+", text.strip().lower()) if w]
    wrong = [w for w in words if w not in TOLD_WORDS]
    if wrong:
        raise UserError(
            Problem(
                found=f'"{wrong[0]}"',
                expected=f"some of: {', '.join(TOLD_WORDS)}",
                next="say only what was so while the sound was recorded",
                file=source_name,
                field=f"mapping.{TOLD}",
            )
        )
    return [w for w in TOLD_WORDS if w in words]


def _channels(heard: Heard, marks: list[float]) -> dict[str, Channel]:
    found: dict[str, Channel] = {}

    def put(name: str, time_s: Array, values: Array) -> None:
        unit, low, high = CHANNELS[name]
        inside = (time_s >= 0.0) & (time_s <= heard.seconds) & (values >= low) & (values <= high)
        time_s, values = time_s[inside], values[inside]
        fresh = np.diff(time_s, prepend=-1.0) > 0.0
        if not fresh.any():
            return
        time_s, values = time_s[fresh].copy(), values[fresh].copy()
        interval = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
        found[name] = Channel(name, unit, time_s, values, 0.0, interval, "sound")

    level, floor = table(heard.level, 2), table(heard.floor, 2)
    put("sound_level", level[:, 0], level[:, 1])
    put("click_floor", floor[:, 0], floor[:, 1])
    clicks = table(heard.clicks, 2)
    put("click", clicks[:, 0], clicks[:, 1])
    put("sound_clipped", np.array([0.0]), np.array([100.0 * heard.clipped]))
    put("sound_bad", np.array([0.0]), np.array([100.0 * heard.bad]))
    gaps = table(heard.gaps, 2)
    put("gap", gaps[:, 0], gaps[:, 1])
    note, blocks = heard.note.table(), table(heard.blocks, BLOCK_COLUMNS)
    put("note", note[:, 0], note[:, 1])
    put("note_strength", note[:, 0], note[:, 2])
    for place, ratio in enumerate(RATIOS):
        put(odds_name(ratio), blocks[:, 0], blocks[:, 1 + place])
    put("note_lines", blocks[:, 0], blocks[:, 1 + len(RATIOS)])
    for place, spacing in enumerate(SPACINGS):
        put(spacing_name(spacing), blocks[:, 0], blocks[:, 2 + len(RATIOS) + place])
    for place, name in enumerate(VARIES):
        put(f"note_varies_{name}", blocks[:, 0], blocks[:, place - 1 - len(VARIES)])
    put("note_swell", blocks[:, 0], blocks[:, -1])
    if marks:
        put("key_on", np.array(marks), np.ones(len(marks)))
    return found


def _repairs(heard: Heard) -> list[str]:
    said = list(heard.repairs)
    if heard.clicks_until_s is not None:
        said.append(
            f"more than {MOST_CLICKS:,} clicks in {heard.clicks_until_s:.0f} s: what follows is "
            "not listened to for ticking"
        )
    if heard.clipped > 0.001:
        said.append(
            f"{100.0 * heard.clipped:.1f} of 100 samples are cut off at the file's loudest number: "
            "the telephone was too near or set too loud"
        )
    return said
