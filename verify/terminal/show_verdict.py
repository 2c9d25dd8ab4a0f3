"""A check's result and a recording's trace as rich shows them: for `judge` and for the runner.

Pure: makes renderables, prints nothing. The words carry the meaning; colour only repeats it, from
a palette that colour-blind eyes keep apart: blue pass, orange fail, grey undecided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from verify.evidence.recording import Array, Recording
from verify.evidence.verdict import CheckResult, Limits, Window
from verify.quantity import convert_span, float_factors, is_unit, shown_unit
from verify.terminal.marks import MARKS, STYLES, WORDS
from verify.terminal.tongue import check_name, finding, mark, said, tr, why
from verify.words import Verdict

LABEL_WIDTH = 11
# What the number of a check is, by its unit; the whole definition stands in the list of checks.
QUANTITIES = {
    ("idle-speed", "rpm"): mark("mean engine speed of the warm idle"),
    ("idle-steady", "rpm"): mark("swing to each side within 20 s, whatever its rhythm"),
    ("pedal-response", "s"): mark("from the pedal half way to the plate half way"),
    ("throttle-return", "s"): mark("from the pedal at rest to the plate at rest, slowest release"),
    ("throttle-pair", "%"): mark("largest distance between what the two signals say"),
    ("pedal-pair", "%"): mark("largest distance between what the two signals say"),
    ("key-on-rest", "s"): mark("from the key coming on to the plate's last movement"),
    ("surge", "%"): mark("strongest slow swing of engine speed, in shares of its mean"),
    ("hesitation", "s"): mark("mean delay from the pedal to the engine's answer"),
    ("same-conditions", "s"): mark("time in the conditions of the freeze frame"),
}
HUNTING = mark("swing to each side of a slow, regular beat (hunting)")
# The two sensors of a pedal as the standard letters them; the other channels are named by words.
SENSORS = {"pedal_d": mark("pedal, sensor D"), "pedal_e": mark("pedal, sensor E")}


def verdict_block(result: CheckResult, *, system: str = "metric") -> RenderableType:
    """One check's result: mark and word, number with its doubt, limits with source, why, what
    settles it.

    system: "metric" or "us", for the number and the limits; sentences stay as they were stored.
    """
    rows: list[RenderableType] = [head_line(result)]
    for label, text in (
        ("measured", with_quantity(result, measured(result, system))),
        ("limits", limits_text(result.limits, system)),
        ("", why(result.check, result.finding, sentence(result.why))),
        ("settles it", said(sentence(result.settle))),
        *(("note", said(sentence(note))) for note in result.notes),
    ):
        if text:
            rows.append(labelled(tr(label), text, dim=label == "note"))
    return Group(*rows)


def head_line(result: CheckResult, names: str = "") -> Text:
    """Mark and word, the check, and its finding. names: of several that found the same."""
    head = Text()
    head.append(
        f"{MARKS[result.verdict]} {tr(WORDS[result.verdict])}", style=STYLES[result.verdict]
    )
    head.append(f"  {names or check_name(result.check)}", style="bold")
    if not finding(result.check, result.finding):
        # Where there are words for it they follow, in the language that is spoken.
        head.append(f"  {result.finding}", style="dim")
    return head


def summary_line(results: Sequence[CheckResult]) -> Text | None:
    """All verdicts in one line, for the foot of a screen whose blocks may have run off its top;
    None where there is but one."""
    if len(results) < 2:
        return None
    line = Text(tr("In short: "), style="bold")
    for number, result in enumerate(results):
        verdict = tr(WORDS[result.verdict]).lower()
        words = f"{MARKS[result.verdict]} {check_name(result.check)} {verdict}"
        line.append(" · " if number else "", style="not bold")
        line.append(words, style=STYLES[result.verdict])
    return line


def labelled(label: str, text: str, *, dim: bool = False) -> RenderableType:
    """A hanging indent: the label stands in the margin of the first line."""
    from rich.table import Table

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=LABEL_WIDTH, style="dim")
    grid.add_column(ratio=1, style="dim" if dim else "")
    grid.add_row(Text(label), Text(text))
    return Padding(grid, (0, 0, 0, 2))


def sentence(text: str) -> str:
    """With a capital first and a full stop last."""
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".!?" else text + "."


def measured(result: CheckResult, system: str = "metric", *, coverage: bool = True) -> str:
    """The number with its expanded uncertainty, in the units the person chose; "" where none.

    coverage: whether "(k = 2)" stands behind it; without, the screen must say it once elsewhere.
    """
    if result.value is None:
        return ""
    unit = shown_unit(result.unit, system)
    value = _converted(result.value, result.unit, unit)
    name = "" if unit == "1" else f" {unit}"
    if result.uncertainty is None:
        return f"{value:.4g}{name}"
    doubt = abs(2.0 * result.uncertainty * scale_of(result.unit, unit))
    return with_doubt(value, doubt, name) + (" (k = 2)" if coverage else "")


def with_quantity(result: CheckResult, number: str) -> str:
    """A number with what it is the number of, in a few words, where they are known."""
    words = QUANTITIES.get((result.check, result.unit), "")
    if result.check == "idle-steady" and result.limits is not None:
        # The one check with two numbers, each with a limit of its own: which of them this is.
        words = HUNTING if "hunting" in result.finding else words
    return f"{number}: {tr(words)}" if number and words else number


def with_doubt(value: float, doubt: float, name: str, *, sign: bool = False) -> str:
    """A number and its doubt to the same place. name: the unit with a blank before it."""
    digits = max(0, 1 - math.floor(math.log10(doubt))) if 0.0 < doubt < 10.0 else 0
    digits = min(digits, 3)
    number = f"{value:{'+' if sign else ''}.{digits}f}"
    if float(number) == 0.0:
        number = number.lstrip("+-")
    return f"{number.replace('-', '−') if sign else number} ± {doubt:.{digits}f}{name}"


def limits_text(limits: Limits | None, system: str = "metric") -> str:
    """The band with its source; "" where there are no limits."""
    return "" if limits is None else f"{band_text(limits, system)} ({source_words(limits.source)})"


def source_words(source: str) -> str:
    """Where limits are from: that of the figure first, then the rule of the step, which may have
    wanted another one."""
    rule, stands, figure = source.partition("; figure: ")
    if not stands:
        return said(source)
    if figure == "common practice" and figure not in rule.split("; "):
        return tr("{figure}, in place of: {rule}", figure=said(figure), rule=said(rule))
    return tr("figure: {figure}; rule: {rule}", figure=said(figure), rule=said(rule))


def band_text(limits: Limits | None, system: str = "metric") -> str:
    """The band alone."""
    if limits is None:
        return ""
    unit = shown_unit(limits.unit, system)
    ends = [
        None if end is None else f"{_converted(end, limits.unit, unit):.4g}"
        for end in (limits.lower, limits.upper)
    ]
    name = "" if unit == "1" else f" {unit}"
    if ends[0] is None:
        return tr("at most {end}", end=f"{ends[1]}{name}")
    if ends[1] is None:
        return tr("at least {end}", end=f"{ends[0]}{name}")
    return tr("{low} to {high}", low=ends[0], high=f"{ends[1]}{name}")


def _converted(value: float, source: str, target: str) -> float:
    if source == target or not is_unit(source):
        return value
    scale, offset = float_factors(source, target)
    return value * scale + offset


def scale_of(source: str, target: str) -> float:
    from fractions import Fraction

    if source == target or not is_unit(source):
        return 1.0
    return float(convert_span(Fraction(1), source, target))


def trace_plot(
    recording: Recording,
    results: Sequence[CheckResult] = (),
    *,
    place: int = 0,
    width: int = 76,
    height: int = 7,
) -> RenderableType | None:
    """What was judged over its longest window, or engine speed over the whole recording.

    The channel follows the checks: engine speed where an idle was judged, else that of the first
    result that has one (`PLOTTED`), fails before the rest. None where there is nothing to draw.
    place: which of the recordings that were judged together this one is (`Window.recording`).
    Each column shows the span from the lowest to the highest reading in it; `─` are the limits.
    """
    name, window = _what_to_plot(recording, results, place)
    channel = recording.channels.get(name)
    if channel is None or len(channel.values) < 2:
        return None
    times, values = channel.time_s, channel.values
    words = tr(SENSORS.get(name, name.replace("_", " ")))
    title = tr("{channel}, whole recording", channel=words)
    limits: Limits | None = None
    if window is not None:
        inside = (times >= window.start_s) & (times <= window.end_s)
        if int(inside.sum()) >= 2:
            times, values = times[inside], values[inside]
            title = tr("{channel}, longest stretch judged", channel=words)
            limits = next((r.limits for r in results if r.check == "idle-speed"), None)
            if name != "engine_speed":
                limits = None
    ends = [e for e in ((limits.lower, limits.upper) if limits else ()) if e is not None]
    rows = _rows(times, values, ends, max(20, width - 7), height)
    low, high = _range(values, ends)
    begin, end = float(times[0]), float(times[-1])
    lines = [Text(f"{title} ({channel.unit})", style="dim")]
    for number, row in enumerate(rows):
        label = f"{high:.4g}" if number == 0 else f"{low:.4g}" if number == height - 1 else ""
        lines.append(Text(f"{label:>6} {row}"))
    foot = f"{begin:.0f} s"
    tail = f"{end:.0f} s"
    gap = max(1, len(rows[0]) - len(foot) - len(tail))
    lines.append(Text(" " * 7 + foot + " " * gap + tail, style="dim"))
    return Group(*lines)


# Which channel shows what a check looked at, by the beginning of the check's name.
PLOTTED = (
    ("idle-", "engine_speed"),
    ("throttle-", "throttle"),
    ("key-on", "throttle"),
    ("pedal-", "pedal"),
    ("no-response", "throttle"),
    ("warm-up", "coolant"),
    ("charging", "module_voltage"),
)


def _what_to_plot(
    recording: Recording, results: Sequence[CheckResult], place: int
) -> tuple[str, Window | None]:
    """(channel, the longest window judged): of the idle where one was judged."""
    order = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)
    ranked = sorted(results, key=lambda r: order.index(r.verdict))
    for begins, name in (PLOTTED[0], *((r.check, "") for r in ranked)):
        own = [
            w
            for r in results
            if r.check.startswith(begins)
            for w in r.windows
            if w.recording == place
        ]
        name = name or next((c for b, c in PLOTTED if begins.startswith(b)), "")
        if own and name in recording.channels:
            return name, max(own, key=lambda w: w.seconds)
    return "engine_speed", None


def _range(values: Array, ends: Sequence[float]) -> tuple[float, float]:
    low = min(float(values.min()), *ends) if ends else float(values.min())
    high = max(float(values.max()), *ends) if ends else float(values.max())
    # A steady line is no flat nothing: show at least a little room around it.
    least = min(10.0, 0.1 * max(abs(high), 1.0))
    room = max(least - (high - low), 0.0) / 2.0
    return low - room, high + room


def _rows(
    times: Array, values: Array, ends: Sequence[float], columns: int, height: int
) -> list[str]:
    low, high = _range(values, ends)
    scale = (height - 1) / (high - low)
    where = ((times - times[0]) / (times[-1] - times[0]) * columns).astype(np.int64)
    where = np.minimum(where, columns - 1)
    lowest = np.full(columns, np.inf)
    highest = np.full(columns, -np.inf)
    np.minimum.at(lowest, where, values)
    np.maximum.at(highest, where, values)
    grid = [[" "] * columns for _ in range(height)]
    for end in ends:
        grid[height - 1 - round((end - low) * scale)] = ["─"] * columns
    for column in range(columns):
        if not math.isfinite(lowest[column]):
            continue
        bottom = round((float(lowest[column]) - low) * scale)
        top = round((float(highest[column]) - low) * scale)
        for level in range(bottom, top + 1):
            grid[height - 1 - level][column] = "•" if bottom == top else "│"
    return ["".join(row) for row in grid]
