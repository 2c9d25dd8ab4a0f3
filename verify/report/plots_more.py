"""The pictures that are no line over time: the freeze-frame window, and an idle that settles."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.report.canvas import BAND, FAIL, INK, OPEN, PASS, Row, new_axes, to_svg
from verify.report.document import Figure

RPM_WINDOW = 375.0
# Cells of the picture: more readings than this many places would only lie on each other.
CELLS = 60


def frame_figure(recording: Recording, result: CheckResult, prefix: str) -> Figure | None:
    """Engine speed and load of the drive, and the window around the freeze frame."""
    frame = result.details.get("frame")
    engine, load = (recording.channels.get(n) for n in ("engine_speed", "load"))
    if not isinstance(frame, Mapping) or engine is None or load is None:
        return None
    if len(engine.values) < 2 or len(load.values) < 2:
        return None
    # Drawing only: the check itself joins the two channels with their gaps and ages.
    at = np.interp(engine.time_s, load.time_s, load.values)
    cells = np.unique(
        np.column_stack([np.round(engine.values / 4000 * CELLS), np.round(at / 100 * CELLS)]),
        axis=0,
    )
    rpm, pct = float(frame["engine_speed"]), float(frame["load"])
    window = float(frame["load_window"])
    figure, (axes,) = new_axes(Row(1.7))
    low, high = max(pct - window, 0.0), min(pct + window, 100.0)
    left = max(rpm - RPM_WINDOW, 0.0)
    from matplotlib.patches import Rectangle

    axes.add_patch(
        Rectangle((left, low), rpm + RPM_WINDOW - left, high - low, facecolor=BAND,
                  edgecolor=PASS, lw=0.9, ls=(0, (4, 2)), zorder=1)
    )  # fmt: skip
    axes.plot(cells[:, 0] * 4000 / CELLS, cells[:, 1] * 100 / CELLS, ls="", marker="s", ms=2.0,
              color=INK, alpha=0.55, mew=0, zorder=2)  # fmt: skip
    axes.plot([rpm], [pct], ls="", marker="P", ms=6, color=FAIL, mec="white", mew=0.6, zorder=3)
    axes.set_title("load, %")
    axes.set_xlabel("engine speed, rpm")
    axes.set_ylim(0, 100)
    axes.set_xlim(0, max(float(engine.values.max()), rpm + RPM_WINDOW) * 1.05)
    seconds, needed = result.details.get("seconds", 0.0), result.details.get("needed_s", 10.0)
    alt = (
        f"Engine speed and load of the drive. The stored code's freeze frame stands at "
        f"{rpm:.0f} rpm and {pct:.0f} % load; the drive spent {seconds:.0f} s in the window "
        f"around it, {needed:.0f} s are needed."
    )
    note = "Dark: where the drive was. Dashed: the window around the freeze frame (orange cross)."
    return Figure("Back to the freeze frame", to_svg(figure, prefix), alt, note)


def settling_figure(result: CheckResult, units: str, prefix: str) -> Figure | None:
    """The warm idle of each start over the minutes of running, and how it moves."""
    idles = [i for i in result.details.get("idles", ()) if "engine_speed" in i.get("levels", {})]
    if len(idles) < 2:
        return None
    minutes = np.array([float(i["minute"]) for i in idles])
    levels = np.array([float(i["levels"]["engine_speed"][0]) for i in idles])
    doubts = np.array([2 * float(i["levels"]["engine_speed"][1]) for i in idles])
    figure, (axes,) = new_axes(Row(1.3))
    limits = result.limits
    ends = [e for e in ((limits.lower, limits.upper) if limits else ()) if e is not None]
    if len(ends) == 2:
        axes.axhspan(*ends, color=BAND, lw=0, zorder=0)
    for edge in ends:
        axes.axhline(edge, color=PASS, lw=0.7, ls=(0, (4, 2)))
    trend = result.details.get("trends", {}).get("engine_speed", {})
    if trend:
        at = np.linspace(float(minutes.min()), float(minutes.max()), 80)
        axes.plot(at, _curve(trend, at, float(minutes.max())), color=OPEN, lw=0.9)
    axes.errorbar(minutes, levels, yerr=doubts, ls="", marker="o", ms=3, color=INK, elinewidth=0.8)
    axes.margins(x=0.05, y=0.15)
    axes.set_title("warm idle, rpm")
    axes.set_xlabel("minutes of running")
    alt = (
        f"{len(idles)} warm idles over {minutes.max() - minutes.min():.0f} minutes of running: "
        f"first {levels[0]:.0f} rpm, last {levels[-1]:.0f} rpm"
        + (f", limits {ends[0]:.0f} to {ends[1]:.0f} rpm" if len(ends) == 2 else "")
        + "."
    )
    note = "Each point one idle with its doubt (k = 2). Grey: how it moves."
    return Figure("How the idle settles", to_svg(figure, prefix), alt, note)


def _curve(trend: Mapping[str, Any], at: Any, last_minute: float) -> Any:
    """The stored trend as a line, through its last level."""
    last = float(trend["last"])
    if trend.get("model") == "approach":
        ends_at, tau = float(trend["ends_at"]), float(trend["time_constant_min"])
        if tau > 0 and math.isfinite(tau):
            return ends_at + (last - ends_at) * np.exp(-(at - last_minute) / tau)
    if trend.get("model") == "drift":
        return last + float(trend["slope_per_min"]) * (at - last_minute)
    return np.full(len(at), last)
