"""A sound as rich shows it: what was read, what is told of it, and every speed it may be. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.padding import Padding
from rich.text import Text

from verify.evidence.importers.sound import KEY_ON, TOLD
from verify.evidence.recording import Recording
from verify.evidence.sound.speed import with_engine_speed
from verify.evidence.verdict import CheckResult
from verify.quantity import SpecValue
from verify.terminal.show_verdict import sentence

LEAST_SHOWN = 0.005


def heard_lines(recording: Recording, results: Sequence[CheckResult]) -> list[Any]:
    """Name, length and what is told; what was mended; the other speeds with their odds."""
    rate = recording.rows / recording.seconds
    lines: list[Any] = [
        Text(recording.source_name, style="bold", overflow="fold"),
        f"{recording.seconds:.1f} s at {rate / 1000.0:.3g} kHz, SHA-256 {recording.sha256[:12]}…",
    ]
    told = recording.mapping.get(TOLD, "")
    keys = recording.mapping.get(KEY_ON, "")
    if told or keys:
        parts = [f"told: {told}"] if told else []
        lines.append("; ".join(parts + ([f"key on at {keys}"] if keys else [])))
    dim = [sentence(repair) for repair in recording.repairs]
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
        f"{o['cylinders']} cylinders: {o['rpm']:.0f} rpm {_percent(o['probability'])}"
        for o in found["with_other_cylinders"]
        if o["probability"] >= LEAST_SHOWN
    ]
    said = [f"Heard as {found['cylinders']} cylinders: {', '.join(octaves)}."]
    if others:
        said.append(f"Were it {'; '.join(others)}.")
    return said


def _percent(p: float) -> str:
    return f"({100.0 * p:.0f} %)" if p >= 0.01 else "(under 1 %)"


def with_speed(recording: Recording, specs: Mapping[str, SpecValue]) -> Recording:
    """With the engine speed that was heard, for a plot, where the number of cylinders is known."""
    cylinders = specs.get("cylinders")
    if recording.importer != "sound" or cylinders is None:
        return recording
    count = float(cylinders.quantity.to("1").value)
    if not (count == round(count) and 1 <= count <= 16):
        return recording
    return with_engine_speed(recording, round(count))
