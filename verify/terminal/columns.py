"""Asks a person which column of a recording is which, where the file's own words leave it open."""

from __future__ import annotations

from collections.abc import Mapping

from verify.evidence.importers.port import Layout
from verify.terminal.tongue import mark, said, tr
from verify.terminal.ui import Option, Ui

# The channels a person is asked about where the file's own words leave them open.
WORTH_ASKING = {
    "engine_speed": mark("engine speed"),
    "vehicle_speed": mark("vehicle speed"),
    "coolant": mark("coolant temperature"),
    "pedal": mark("accelerator pedal"),
    "throttle": mark("throttle position"),
}


def ask_columns(ui: Ui, layout: Layout) -> Mapping[str, str]:
    """Header → channel, with its unit where the file does not say it. Raises Wish."""
    known = {p.channel for p in layout.proposals if p.sure}
    left = [p for p in layout.proposals if not p.sure]
    found: dict[str, str] = {}
    for channel, words in WORTH_ASKING.items():
        free = [p for p in left if p.header not in found]
        if channel in known or not free:
            continue
        likely = sorted(free, key=lambda p: p.channel != channel)[:12]
        options = [
            Option(p.header, p.header + (f"  ({said(p.why)})" if p.channel == channel else ""))
            for p in likely
        ]
        options.append(Option("", tr("It is not in this file, or I do not know")))
        header = ui.choose(tr("Which column is the {channel}?", channel=tr(words)), options)
        if not header:
            continue
        proposal = next(p for p in left if p.header == header)
        unit = proposal.unit
        if not unit and channel in ("vehicle_speed", "coolant"):
            units = ["km/h", "mph"] if channel == "vehicle_speed" else ["°C", "°F"]
            unit = ui.choose(tr("In which unit?"), [Option(u, u) for u in units])
        found[header] = f"{channel} {unit}".strip()
    return found
