"""Recordings and their verdicts → the pictures of a report, each with words that say the same.

Which pictures a step gets follows from the checks it was put to. Nothing is judged here: limits,
windows and findings are those that were stored; a recording that is read again only gives the line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import count
from typing import Any

import numpy as np

from verify.evidence.presses import presses
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.verdict import CheckResult, Limits, Window
from verify.quantity import float_factors, shown_unit
from verify.report.canvas import (
    BAND,
    FAIL,
    FAINT,
    FOOT_IN,
    INK,
    OPEN,
    PASS,
    SHADE,
    Row,
    new_axes,
    style,
    thinned,
    to_svg,
)
from verify.report.document import Figure
from verify.report.plots_more import frame_figure, settling_figure
from verify.report.words import SENSORS

FOOT = (
    *("pedal-response", "throttle-return", "throttle-follow", "no-response", "no-stall"),
    "hesitation",
)
# Check → the channel it looks at, where that one line says most.
LINES = {"warm-up": "coolant", "charging": "module_voltage", "fuel-trim": "fuel_trim_short"}
AT_SPEED_KMH = 40.2
MOVING_KMH = 15.0
# Law's figures for a drive that counts, as the check `road-coverage` names them.
NEEDED = (
    ("since_start_s", "since start", 600.0),
    ("at_25_mph_s", "at speed", 300.0),
    ("longest_idle_s", "longest idle", 30.0),
)


def figures(
    recordings: Sequence[Recording], results: Sequence[CheckResult], units: str, prefix: str
) -> tuple[Figure, ...]:
    """The pictures of one step's recordings. prefix: makes the names inside them unique."""
    with style():
        return tuple(_all(recordings, results, units, prefix))


def _all(
    recordings: Sequence[Recording], results: Sequence[CheckResult], units: str, prefix: str
) -> Iterator[Figure]:
    once = list({r.sha256 or f"{i}": r for i, r in enumerate(recordings)}.values())
    numbers = count(1)
    for place, recording in enumerate(once):
        which = f" (recording {place + 1} of {len(once)})" if len(once) > 1 else ""
        for figure in _of(recording, place, results, units, prefix, numbers):
            yield replace(figure, title=figure.title + which)
    for result in results:
        if result.check == "idle-settling":
            yield from _maybe(settling_figure(result, units, f"{prefix}-{next(numbers)}-"))


def _of(
    recording: Recording,
    place: int,
    results: Sequence[CheckResult],
    units: str,
    prefix: str,
    numbers: Iterator[int],
) -> Iterator[Figure]:
    def own() -> str:
        return f"{prefix}-{next(numbers)}-"

    names = {r.check for r in results}
    if idle := _windows(results, place, "idle-"):
        yield from _maybe(
            idle_figure(recording, idle, _limits(results, "idle-speed"), units, own())
        )
    if names & set(FOOT):
        yield from _maybe(foot_figure(recording, own()))
    if "road-coverage" in names:
        yield from _maybe(road_figure(recording, results, units, own()))
    for result in results:
        if result.check == "same-conditions":
            yield from _maybe(frame_figure(recording, result, own()))
        name = LINES.get(result.check, "")
        if name in recording.channels:
            yield from _maybe(line_figure(recording.channels[name], result, place, units, own()))


def _maybe(figure: Figure | None) -> Iterator[Figure]:
    if figure is not None:
        yield figure


def _windows(results: Sequence[CheckResult], place: int, begins: str) -> list[Window]:
    """The stretches that were judged, sorted, doubles once."""
    found = {
        (w.start_s, w.end_s): w
        for r in results
        if r.check.startswith(begins)
        for w in r.windows
        if w.recording == place
    }
    return [found[key] for key in sorted(found)]


def _limits(results: Sequence[CheckResult], check: str) -> Limits | None:
    return next((r.limits for r in results if r.check == check and r.limits), None)


def _breaks(recording: Recording) -> list[float]:
    return [(start + end) / 2 for start, end in recording.gaps]


def _inside(channel: Channel, windows: Sequence[Window]) -> Array:
    inside = np.zeros(len(channel.time_s), dtype=np.bool_)
    for w in windows:
        inside |= (channel.time_s >= w.start_s) & (channel.time_s <= w.end_s)
    return np.where(inside, channel.values, np.nan)


# ---- one picture each ----------------------------------------------------------------------------


def idle_figure(
    recording: Recording, windows: Sequence[Window], limits: Limits | None, units: str, prefix: str
) -> Figure | None:
    """Engine speed over the idle that was judged, on the band it was held against."""
    channel = recording.channels.get("engine_speed")
    if channel is None:
        return None
    judged = _inside(channel, windows)
    if int(np.isfinite(judged).sum()) < 2:
        return None
    ends = [e for e in ((limits.lower, limits.upper) if limits else ()) if e is not None]
    least, most = float(np.nanmin(judged)), float(np.nanmax(judged))
    low, high = min(least, *ends, least), max(most, *ends, most)
    room = max(0.12 * (high - low), 10.0)
    figure, (axes,) = new_axes(Row(1.3, right=0.26))
    begin, end = windows[0].start_s, windows[-1].end_s
    if len(ends) == 2:
        axes.axhspan(ends[0], ends[1], color=BAND, lw=0, zorder=0)
    for edge in ends:
        axes.axhline(edge, color=PASS, lw=0.7, ls=(0, (4, 2)), zorder=1)
        axes.annotate(
            f"{edge:.0f}", (1, edge), xycoords=("axes fraction", "data"), xytext=(2, 0),
            textcoords="offset points", va="center", color=PASS, fontsize=6.5,
        )  # fmt: skip
    near = (channel.time_s >= begin - 2) & (channel.time_s <= end + 2)
    axes.plot(*thinned(channel.time_s[near], channel.values[near], _breaks(recording)),
              color=FAINT, lw=0.7, zorder=2)  # fmt: skip
    for w in windows:
        part = (channel.time_s >= w.start_s) & (channel.time_s <= w.end_s)
        times, values = thinned(channel.time_s[part], channel.values[part])
        axes.plot(times, values, color=INK, lw=0.9, zorder=3)
        if len(ends) == 2:
            out = (values < ends[0]) | (values > ends[1])
            axes.plot(times[out], values[out], ls="", marker="o", ms=1.7, color=FAIL, zorder=4)
    axes.set_ylim(low - room, high + room)
    axes.set_xlim(begin - 2, end + 2)
    axes.set_xlabel("seconds")
    axes.set_title("engine speed, rpm")
    outside = ""
    if len(ends) == 2:
        share = float(np.mean((judged < ends[0]) | (judged > ends[1]), where=np.isfinite(judged)))
        outside = f", limits {ends[0]:.0f} to {ends[1]:.0f} rpm, {share:.0%} of readings outside"
    seconds = sum(w.seconds for w in windows)
    alt = (
        f"Engine speed over {seconds:.0f} seconds of idle: from {least:.0f} to {most:.0f} rpm"
        f"{outside}."
    )
    note = "Dark: the stretches judged. Grey: the rest."
    if len(ends) == 2:
        note += " Blue band: the limits for its average. Orange dots: readings outside them."
    return Figure("The idle, and its band", to_svg(figure, prefix), alt, note)


def two_idles(
    pair: Sequence[tuple[Sequence[Recording], Sequence[CheckResult]]],
) -> Figure | None:
    """The idle before and after, side by side on one scale, as long as the shorter one."""
    traces = []
    for recordings, results in pair:
        windows = _windows(results, 0, "idle-") if recordings else []
        channel = recordings[0].channels.get("engine_speed") if recordings else None
        if channel is None or not windows:
            return None
        own = max(windows, key=lambda w: w.seconds)
        inside = (channel.time_s >= own.start_s) & (channel.time_s <= own.end_s)
        traces.append((channel.time_s[inside] - own.start_s, channel.values[inside]))
    if any(len(times) < 2 for times, _ in traces):
        return None
    limits = _limits(pair[-1][1], "idle-speed")
    ends = [e for e in ((limits.lower, limits.upper) if limits else ()) if e is not None]
    low = min(float(values.min()) for _, values in traces)
    high = max(float(values.max()) for _, values in traces)
    longest = min(60.0, *(float(times[-1]) for times, _ in traces))
    with style():
        figure, axes = new_axes(Row(0.95, left=0.5), across=2)
        for where, (times, values), title in zip(axes, traces, ("before", "after"), strict=True):
            if len(ends) == 2:
                where.axhspan(*ends, color=BAND, lw=0, zorder=0)
            part = times <= longest
            where.plot(*thinned(times[part], values[part]), color=INK)
            where.set_ylim(min(low, *ends, low) - 15, max(high, *ends, high) + 15)
            where.set_xlim(0, longest)
            where.set_title(title)
            where.set_xlabel("seconds")
        axes[0].set_ylabel("engine speed, rpm")
        svg = to_svg(figure, "two-")
    spans = [f"{float(v.min()):.0f} to {float(v.max()):.0f} rpm" for _, v in traces]
    alt = f"Engine speed at idle: before the repair was finished {spans[0]}, at the end {spans[1]}."
    note = "Blue: where the idle's average belongs." if len(ends) == 2 else ""
    return Figure("The idle, before and after", svg, alt, note)


def foot_figure(recording: Recording, prefix: str) -> Figure | None:
    """Pedal and plate while the car stood, with each press and each release."""
    foot = presses(recording)
    if foot.lack or not len(foot) or not bool(foot.parked.any()):
        return None
    own = foot.only(foot.parked)
    pedal = recording.channels[foot.channel]
    answer = next(
        (c for n in ("throttle", "engine_speed") if (c := recording.channels.get(n)) is not None),
        None,
    )
    begin = float(own.start[0, 0]) - 5.0
    last = float(own.back[-1, 0])
    end = (last if np.isfinite(last) else float(pedal.time_s[-1])) + 6.0
    shown = [(pedal, "pedal, %")]
    if answer is not None:
        name = "throttle plate, %" if answer.name == "throttle" else "engine speed, rpm"
        shown.append((answer, name))
    figure, axes = new_axes(*[Row(0.75, above=0.27)] * len(shown))
    for where, (channel, title) in zip(axes, shown, strict=True):
        near = (channel.time_s >= begin) & (channel.time_s <= end)
        if int(near.sum()) < 2:
            return None
        times, values = thinned(channel.time_s[near], channel.values[near], _breaks(recording))
        where.plot(times, values, color=INK, lw=0.9)
        where.set_title(title)
        for start, back in zip(own.start[:, 0].tolist(), own.back[:, 1].tolist(), strict=True):
            where.axvspan(start, back if np.isfinite(back) else end, color=SHADE, lw=0, zorder=0)
        where.margins(y=0.18)
        where.set_xlim(begin, end)
    top = axes[0].get_ylim()[1]
    axes[0].plot(own.start[:, 0], np.full(len(own), top), ls="", marker="v", ms=3.6, color=PASS,
                 clip_on=False)  # fmt: skip
    gone = own.ended & np.isfinite(own.let_go[:, 0])
    axes[0].plot(own.let_go[gone, 0], np.full(int(gone.sum()), top), ls="", marker="^", ms=3.6,
                 color=OPEN, clip_on=False)  # fmt: skip
    axes[0].set_ylim(top=top)
    axes[-1].set_xlabel("seconds")
    level = f"{float(own.level.min()):.0f} to {float(own.level.max()):.0f} %"
    alt = (
        f"{len(own)} presses of the pedal while standing, held at {level}, "
        f"{int(gone.sum())} releases seen"
        + (f"; below it the {shown[1][1].split(',')[0]}" if len(shown) > 1 else "")
        + "."
    )
    note = "▼ pressed, ▲ let go; shaded: from rest to rest."
    return Figure("Pedal and what followed it", to_svg(figure, prefix), alt, note)


def road_figure(
    recording: Recording, results: Sequence[CheckResult], units: str, prefix: str
) -> Figure | None:
    """Road speed and engine speed over time, and how much of the drive that counts was driven."""
    speed = recording.channels.get("vehicle_speed")
    if speed is None or len(speed.values) < 2 or float(speed.values.max()) < MOVING_KMH:
        return None
    coverage = next((r for r in results if r.check == "road-coverage"), None)
    told = coverage.details if coverage is not None else {}
    unit = shown_unit("km/h", units)
    scale, _ = float_factors("km/h", unit)
    line = AT_SPEED_KMH * scale
    bars = [
        (words.replace("at speed", f"≥ {line:.0f} {unit}"), float(told[name]), need)
        for name, words, need in NEEDED
        if told.get(name) is not None
    ]
    engine = recording.channels.get("engine_speed")
    rows = [Row(0.8), *([Row(0.65)] if engine is not None else [])]
    time_rows = len(rows)
    rows += [Row(0.44, above=0.44, left=0.72, right=0.0)] if bars else []
    figure, axes = new_axes(*rows, shared=False, bottom=0.04 if bars else FOOT_IN)
    times, values = thinned(speed.time_s, speed.values * scale, _breaks(recording))
    axes[0].plot(times / 60, values, color=INK)
    axes[0].fill_between(times / 60, line, values, where=values >= line, color=BAND, lw=0)
    axes[0].axhline(line, color=PASS, lw=0.7, ls=(0, (4, 2)))
    axes[0].set_ylim(bottom=0)
    axes[0].set_title(f"road speed, {unit}")
    if engine is not None and len(engine.values) > 1:
        times, values = thinned(engine.time_s, engine.values, _breaks(recording))
        axes[1].plot(times / 60, values, color=INK, lw=0.7)
        axes[1].set_title("engine speed, rpm")
        axes[1].set_ylim(bottom=0)
        axes[1].set_xlim(axes[0].get_xlim())
        axes[0].tick_params(labelbottom=False)
    axes[time_rows - 1].set_xlabel("minutes")
    if bars:
        _bars(axes[-1], bars)
    alt = (
        f"Road test of {recording.seconds / 60:.0f} minutes, up to "
        f"{float(speed.values.max()) * scale:.0f} {unit}."
    )
    alt += "".join(f" {w.capitalize()}: {have:.0f} of {need:.0f} s." for w, have, need in bars)
    note = f"Blue: at {line:.0f} {unit} or more, which is what counts."
    return Figure("The road test over time", to_svg(figure, prefix), alt, note)


def _bars(axes: Any, bars: Sequence[tuple[str, float, float]]) -> None:
    """Done against needed, each as a share of what is needed."""
    for place, (_, have, need) in enumerate(bars):
        full = have >= need
        axes.barh(place, 1.0, color=SHADE, height=0.62)
        axes.barh(place, min(have / need, 1.0), color=PASS if full else OPEN, height=0.62)
        axes.text(1.02, place, f"{have:.0f} of {need:.0f} s", va="center", fontsize=6.5, color=INK)
    axes.set_yticks(range(len(bars)), [words for words, _, _ in bars])
    axes.invert_yaxis()
    axes.set_xlim(0, 1.35)
    axes.set_xticks([])
    axes.grid(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.tick_params(left=False)


def line_figure(
    channel: Channel, result: CheckResult, place: int, units: str, prefix: str
) -> Figure | None:
    """One channel over the whole recording, the judged stretches shaded, on its limits."""
    if len(channel.values) < 2:
        return None
    unit = shown_unit(channel.unit, units)
    scale, offset = float_factors(channel.unit, unit)
    figure, (axes,) = new_axes(Row(1.15))
    for w in result.windows:
        if w.recording == place:
            axes.axvspan(w.start_s, w.end_s, color=SHADE, lw=0, zorder=0)
    axes.plot(*thinned(channel.time_s, channel.values * scale + offset), color=INK)
    limits = result.limits
    ends: list[float] = []
    if limits is not None and limits.unit == channel.unit:
        ends = [e * scale + offset for e in (limits.lower, limits.upper) if e is not None]
    for edge in ends:
        axes.axhline(edge, color=PASS, lw=0.7, ls=(0, (4, 2)))
    words = SENSORS.get(channel.name, channel.name.replace("_", " "))
    axes.margins(y=0.12)
    axes.set_title(f"{words}, {unit}")
    axes.set_xlabel("seconds")
    low, high = (float(v) * scale + offset for v in (channel.values.min(), channel.values.max()))
    seconds = channel.time_s[-1] - channel.time_s[0]
    title = words[:1].upper() + words[1:]
    alt = f"{title} over {seconds:.0f} seconds: from {low:.4g} to {high:.4g} {unit}."
    note = "Shaded: the stretches judged." + (" Dashed: the limits." if ends else "")
    return Figure(title, to_svg(figure, prefix), alt, note)
