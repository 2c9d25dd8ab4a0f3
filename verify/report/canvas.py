"""Axes and lines → one small SVG that a page and a PDF can both hold. Knows nothing of cars.

Drawn by matplotlib, which is imported when the first picture is drawn. Text stays text, every name
inside the picture carries the picture's own prefix (several stand on one page), and the same data
give the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from typing import Any

import numpy as np

from verify.evidence.recording import Array

# Blue passes, orange fails, grey is open: the palette of the screens (Okabe and Ito, from memory).
INK, PASS, FAIL, OPEN, FAINT = "#1b1f24", "#0072b2", "#d55e00", "#6b6b6b", "#b9bec5"
BAND = "#d6e8f4"
SHADE = "#eceef0"
# Two stand side by side on a page, and one fills a phone: at both sizes the letters can be read.
WIDTH_IN = 3.4
TITLE_IN, FOOT_IN, BETWEEN_IN = 0.24, 0.36, 0.16
COLUMNS = 360
FONT = "IBM Plex Sans"

_SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "keysback",
    "font.family": [FONT, "DejaVu Sans"],
    "font.size": 7.0,
    "axes.edgecolor": "#8a9099",
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 7.0,
    "axes.titlelocation": "left",
    "axes.titlepad": 6.0,
    "axes.labelsize": 6.5,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "xtick.color": "#4a5058",
    "ytick.color": "#4a5058",
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "grid.color": "#e4e7ea",
    "grid.linewidth": 0.5,
    "path.simplify": True,
    "lines.linewidth": 0.9,
}


@dataclass(frozen=True, slots=True)
class Row:
    """One row of axes, in inches. left: room for its numbers; above: for its title, and for what
    stands below the row before."""

    height: float
    above: float = TITLE_IN
    left: float = 0.36
    right: float = 0.08


@cache
def _ready() -> Any:
    """matplotlib with our font known to it. Its settings are used inside a context only."""
    import matplotlib
    from matplotlib import font_manager

    with as_file(files("verify.report") / "fonts" / "IBMPlexSans-Regular.ttf") as path:
        font_manager.fontManager.addfont(str(path))
    return matplotlib


@contextmanager
def style() -> Iterator[None]:
    """Our settings, for as long as something is drawn; whoever else draws keeps their own."""
    with _ready().rc_context(_SETTINGS):
        yield


def new_axes(
    *rows: Row, shared: bool = True, across: int = 1, bottom: float = FOOT_IN
) -> tuple[Any, list[Any]]:
    """(figure, its axes from top to bottom, then from left to right).

    shared: one time below all rows; across: how many stand in a row, on one scale; bottom: room for
    what stands below the last row, in inches. Margins are fixed, not fitted: fitting them took as
    long as all the drawing. Within `style`.
    """
    from matplotlib.figure import Figure

    height = bottom + sum(row.height + row.above for row in rows)
    figure: Any = Figure(figsize=(WIDTH_IN, height))
    axes: list[Any] = []
    top = height
    for number, row in enumerate(rows, start=1):
        top -= row.above + row.height
        each = (WIDTH_IN - row.left - row.right - BETWEEN_IN * (across - 1)) / across
        for place in range(across):
            left = row.left + place * (each + BETWEEN_IN)
            beside = axes[-1] if place else None
            own = figure.add_axes(
                (left / WIDTH_IN, top / height, each / WIDTH_IN, row.height / height),
                sharex=axes[0] if shared and axes else None,
                sharey=beside,
            )
            own.grid(True, axis="y")
            own.set_axisbelow(True)
            own.margins(x=0)
            own.tick_params(labelleft=not place, labelbottom=not shared or number == len(rows))
            axes.append(own)
    return figure, axes


def to_svg(figure: Any, prefix: str) -> str:
    """The figure as one <svg> element without anything outside it. prefix: before every id.

    Within `style`.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.StringIO()
    FigureCanvasSVG(figure)
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    return _tidy(out.getvalue(), prefix)


def _tidy(text: str, prefix: str) -> str:
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    # What the file says for all elements it says for its own alone.
    text = re.sub(r"<style.*?</style>\s*", "", text, flags=re.S)
    text = text.replace("<svg ", '<svg stroke-linejoin="round" stroke-linecap="butt" ', 1)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.S)
    used = set(re.findall(r"(?:#)([\w.-]+)[\")]", text))
    text = re.sub(
        r' id="([\w.-]+)"', lambda m: f' id="{prefix}{m[1]}"' if m[1] in used else "", text
    )
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{prefix}", text)
    return re.sub(r">\s+<", "><", text).strip()


def thinned(time_s: Array, values: Array, breaks: Sequence[float] = ()) -> tuple[Array, Array]:
    """The least and the greatest reading of each column of the picture, in order of time.

    breaks: times across which no line is drawn. Returns times and values, NaN where it breaks.
    """
    order = np.argsort(time_s, kind="stable")
    times, readings = time_s[order], values[order]
    if len(times) > 2 * COLUMNS:
        edges = np.linspace(times[0], times[-1], COLUMNS + 1)
        column = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, COLUMNS - 1)
        starts = np.flatnonzero(np.diff(column, prepend=-1))
        by_value = np.lexsort((readings, column))
        ends = np.append(starts[1:], len(times)) - 1
        kept = np.unique(np.concatenate([by_value[starts], by_value[ends]]))
        times, readings = times[kept], readings[kept]
    if len(breaks):
        times = np.concatenate([times, np.asarray(breaks, dtype=np.float64)])
        readings = np.concatenate([readings, np.full(len(breaks), np.nan)])
        order = np.argsort(times, kind="stable")
        times, readings = times[order], readings[order]
    return times, readings
