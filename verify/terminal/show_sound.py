"""A sound as rich shows it: what was read, what is told of it, and every speed it may be. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any, BinaryIO

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from verify.evidence.checks.ear import told_of
from verify.evidence.importers.sound import KEY_ON
from verify.evidence.recording import Recording
from verify.evidence.sound.picture import SoundPicture, sound_picture
from verify.evidence.sound.speed import with_engine_speed
from verify.evidence.verdict import CheckResult
from verify.quantity import SpecValue
from verify.terminal.show_verdict import sentence
from verify.terminal.tongue import said, tr
from verify.words import BEFORE, TOLD

LEAST_SHOWN = 0.005


def heard_lines(recording: Recording, results: Sequence[CheckResult]) -> list[Any]:
    """Name, length and what is told; what was mended; the other speeds with their odds."""
    rate = recording.rows / recording.seconds / 1000.0
    lines: list[Any] = [
        Text(recording.source_name, style="bold", overflow="fold"),
        tr(
            "{seconds} s at {rate} kHz, SHA-256 {digest}…",
            seconds=f"{recording.seconds:.1f}",
            rate=f"{rate:.3g}",
            digest=recording.sha256[:12],
        ),
    ]
    told = recording.mapping.get(TOLD, "")
    keys = recording.mapping.get(KEY_ON, "")
    parts = [tr("told: {words}", words=told)] if told else []
    parts += [tr("key on at {times}", times=keys)] if keys else []
    if parts:
        lines.append("; ".join(parts))
    dim = [said(sentence(repair)) for repair in recording.repairs]
    dim += other_speeds(results)
    return lines + [Padding(Text(text, style="dim"), (0, 0, 0, 2)) for text in dim]


def other_speeds(results: Sequence[CheckResult]) -> list[str]:
    """What else the engine speed may be, each with its odds: sentences, [] where none is heard."""
    found = next((r.details["by_ear"] for r in results if "by_ear" in r.details), None)
    if found is None:
        return []
    octaves = [
        f"{a['rpm']:.0f} rpm {_percent(a['probability'])}"
        for a in found["alternatives"]
        if a["probability"] >= LEAST_SHOWN
    ]
    others = [
        tr("{count} cylinders: {rpm} rpm", count=o["cylinders"], rpm=f"{o['rpm']:.0f}")
        + f" {_percent(o['probability'])}"
        for o in found["with_other_cylinders"]
        if o["probability"] >= LEAST_SHOWN
    ]
    speeds = ", ".join(octaves)
    lines = [tr("Heard as {count} cylinders: {speeds}.", count=found["cylinders"], speeds=speeds)]
    if others:
        lines.append(tr("Were it {others}.", others="; ".join(others)))
    return lines


def _percent(p: float) -> str:
    return f"({100.0 * p:.0f} %)" if p >= 0.01 else tr("(under 1 %)")


def with_speed(recording: Recording, specs: Mapping[str, SpecValue]) -> Recording:
    """With the engine speed that was heard, for a plot, where the number of cylinders is known."""
    count = cylinders_of(specs)
    if recording.importer != "sound" or count is None:
        return recording
    return with_engine_speed(recording, count)


# ---- the sound as characters ---------------------------------------------------------------------

# dB below the loudest from which each shade holds; a blank is softer than all of them.
SHADES = ((-12.0, "█"), (-24.0, "▓"), (-36.0, "▒"), (-48.0, "░"))
FIRING, NOT_TAKEN, CLICK, KEY = "o", "?", "'", "K"
LABELS = 7


def picture_of(
    stream: BinaryIO,
    recording: Recording,
    specs: Mapping[str, SpecValue],
    *,
    columns: int,
    rows: int,
) -> SoundPicture:
    """The picture of a sound whose file is open. Raises UserError where it is none."""
    return sound_picture(stream, recording, cylinders_of(specs), columns=columns, rows=rows)


def cylinders_of(specs: Mapping[str, SpecValue]) -> int | None:
    """The number of cylinders that was told, where it is one."""
    told = specs.get("cylinders")
    if told is None:
        return None
    count = float(told.quantity.to("1").value)
    return round(count) if count == round(count) and 1 <= count <= 16 else None


def sound_plot(
    stream: BinaryIO,
    recording: Recording,
    specs: Mapping[str, SpecValue],
    *,
    width: int = 76,
    height: int = 8,
) -> RenderableType:
    """A spectrogram in characters, the firing that was followed in it, and clicks above it.

    stream: the sound's file, at its start. Raises UserError where it is no sound.
    """
    across = max(20, width - LABELS)
    picture = picture_of(stream, recording, specs, columns=across, rows=height)
    lines = sound_lines(picture, cylinders_of(specs), across)
    if BEFORE in told_of(recording):
        lines.insert(0, (tr("from before the repair"), "dim"))
    return Group(*[Text(line, style=style) for line, style in lines])


def sound_lines(picture: SoundPicture, cylinders: int | None, across: int) -> list[tuple[str, str]]:
    """(text, style) of each line; pure. Each character is the mean power of its cell, but where a
    mark stands: then the mark hides it."""
    height, count = picture.level_db.shape
    if not count:
        return [(tr("the sound is too short to draw"), "dim")]
    grid = [[_shade(level) for level in row] for row in picture.level_db.tolist()]
    half = 0.5 * float(picture.time_s[-1] - picture.time_s[0]) / max(1, count - 1)
    begin, end = float(picture.time_s[0]) - half, float(picture.time_s[-1]) + half
    edges = np.log(picture.hz)

    def column(at: float) -> int:
        share = (at - begin) / max(end - begin, 1e-9)
        return int(min(count - 1.0, max(0.0, share * count)))

    mark = NOT_TAKEN if picture.lack else FIRING
    for times, rpm in picture.speed if cylinders else ():
        for at, hz in zip(times.tolist(), (rpm * (cylinders or 0) / 120.0).tolist(), strict=True):
            grid[int(np.abs(edges - np.log(max(hz, 1.0))).argmin())][column(at)] = mark
    lines = [(tr("sound, Hz: each shade 12 dB, █ the loudest"), "dim")]
    if len(picture.key_on_s):
        over = [" "] * count
        for at in picture.clicks_s.tolist():
            over[column(at)] = CLICK
        for at in picture.key_on_s.tolist():
            over[column(at)] = KEY
        lines.append((" " * LABELS + "".join(over), ""))
    for number in range(height - 1, -1, -1):
        label = _hertz(float(picture.hz[number])) if number % 2 or number == 0 else ""
        lines.append((f"{label:>{LABELS - 1}} {''.join(grid[number])}", ""))
    head, tail = f"{max(begin, 0.0):.0f} s", f"{end:.0f} s"
    gap = max(1, count - len(head) - len(tail))
    lines.append((" " * LABELS + head + " " * gap + tail, "dim"))
    return lines + [(words, "dim") for words in _legend(picture, cylinders, across + LABELS)]


def _legend(picture: SoundPicture, cylinders: int | None, width: int) -> list[str]:
    lines = []
    if picture.speed and cylinders:
        rpm = np.concatenate([v for _, v in picture.speed])
        if picture.lack:
            lines.append(
                tr(
                    "{sign} a note that is not taken as a speed: {why}",
                    sign=NOT_TAKEN,
                    why=said(picture.lack),
                )
            )
        else:
            lines.append(
                tr(
                    "{sign} the firing that was followed, {low} to {high} rpm as of {count} "
                    "cylinders, octave {sure} % likely",
                    sign=FIRING,
                    low=f"{float(rpm.min()):.0f}",
                    high=f"{float(rpm.max()):.0f}",
                    count=cylinders,
                    sure=f"{100 * picture.sure:.0f}",
                )
            )
    elif picture.lack and not len(picture.key_on_s):
        lines.append(tr("no engine speed is drawn: {why}", why=said(picture.lack)))
    if len(picture.key_on_s):
        lines.append(
            tr(
                "{key} key on, as told; {click} clicks ({many}, several may share a column)",
                key=KEY,
                click=CLICK,
                many=len(picture.clicks_s),
            )
        )
    return [line for words in lines for line in wrap(words, width)]


def _shade(level_db: float) -> str:
    return next((sign for least, sign in SHADES if level_db >= least), " ")


def _hertz(hz: float) -> str:
    return f"{hz / 1000:.1f}k" if hz >= 1000 else f"{hz:.0f}"
