"""A sound as a picture of a report: its spectrogram, the engine speed that was followed, clicks.

The spectrogram is drawn in five greys, each a run of rectangles in one path: so it stays small,
holds nothing from outside, and reads the same printed without colour.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verify.evidence.checks.ear import told_of
from verify.evidence.recording import Recording
from verify.evidence.sound.picture import SoundPicture
from verify.report.canvas import FAIL, INK, PASS, Row, new_axes, style, thinned, to_svg
from verify.report.document import Figure
from verify.words import BEFORE

# The size of what is drawn, and the shades: dB below the loudest from which each one holds.
COLUMNS, ROWS = 120, 28
STEP_DB = 12.0
SHADES = ("#e3e6e9", "#bcc2c8", "#8d959e", "#565e67")
# More clicks than this lie on each other: then only that there are many is told.
MOST_CLICKS = 300
# Less than this about the middle would draw the tracker's own unrest as if it were the engine's.
LEAST_ROOM_RPM = 25.0


def sound_figure(picture: SoundPicture, cylinders: int | None, prefix: str) -> Figure | None:
    """The spectrogram with what was heard in it; None where nothing is to be drawn.

    picture: of at most COLUMNS × ROWS cells. cylinders: to place the firing (rpm · cylinders / 120
    a second) in the spectrogram. prefix: before every id.
    """
    if picture.level_db.shape[1] < 2:
        return None
    with style():
        return _drawn(picture, cylinders, prefix)


def sound_figures(
    recordings: Sequence[Recording],
    picture: Callable[[Recording], tuple[SoundPicture, int | None] | None],
    prefix: str,
) -> tuple[Figure, ...]:
    """One picture of each sound among the recordings of a step, doubles once."""
    once = {r.sha256: r for r in recordings if r.importer == "sound"}
    found = []
    for number, recording in enumerate(once.values(), start=1):
        seen = picture(recording)
        own = None if seen is None else sound_figure(*seen, f"{prefix}-s{number}-")
        if own is not None:
            which = f" (sound {number} of {len(once)})" if len(once) > 1 else ""
            which = ", before the repair" + which if BEFORE in told_of(recording) else which
            found.append(replace(own, title=own.title + which))
    return tuple(found)


def _drawn(picture: SoundPicture, cylinders: int | None, prefix: str) -> Figure:
    from matplotlib.ticker import FixedLocator, NullLocator

    followed = bool(picture.speed)
    keyed = len(picture.key_on_s) > 0
    figure, axes = new_axes(*[Row(1.15)] + [Row(0.6, above=0.27)] * followed)
    top = axes[0]
    times, hz = _edges(picture.time_s), _edges(np.log(picture.hz))
    for step, shade in enumerate(SHADES):
        least = -STEP_DB * (len(SHADES) - step)
        _cells(top, picture.level_db >= least, times, np.exp(hz), shade)
    top.set_yscale("log")
    top.set_xlim(times[0], times[-1])
    top.set_ylim(np.exp(hz[0]), np.exp(hz[-1]))
    ticks = [t for t in (20, 50, 100, 200, 500, 1000, 2000, 5000) if t <= np.exp(hz[-1])]
    top.yaxis.set_major_locator(FixedLocator(ticks))
    top.yaxis.set_minor_locator(NullLocator())
    top.set_yticklabels([f"{t / 1000:g}k" if t >= 1000 else f"{t}" for t in ticks])
    top.grid(False)
    top.set_title("sound, Hz")
    sure = not picture.lack
    for own_s, rpm in picture.speed:
        own_s, rpm = thinned(own_s, rpm)
        firing = rpm * (cylinders or 0) / 120.0
        if cylinders:
            top.plot(own_s, firing, color="white", lw=2.2, zorder=3)
            top.plot(own_s, firing, color=PASS, lw=0.9, ls="-" if sure else (0, (2, 2)), zorder=4)
        axes[-1].plot(own_s, rpm, color=INK, lw=0.8, ls="-" if sure else (0, (2, 2)))
    if followed:
        axes[-1].set_title("engine speed by ear, rpm" + ("" if sure else ", not taken"))
        every = np.concatenate([v for _, v in picture.speed])
        low, high = float(every.min()), float(every.max())
        room = max(0.15 * (high - low), LEAST_ROOM_RPM - 0.5 * (high - low))
        axes[-1].set_ylim(low - room, high + room)
    if keyed:
        _marks(top, picture, float(np.exp(hz[-1])))
    axes[-1].set_xlabel("seconds")
    title = "What the telephone heard"
    return Figure(title, to_svg(figure, prefix), _words(picture, cylinders), _note(picture))


def _marks(axes: Any, picture: SoundPicture, top_hz: float) -> None:
    """Clicks as strokes along the upper edge, key-ons as triangles above it."""
    if len(picture.clicks_s) <= MOST_CLICKS:
        axes.vlines(picture.clicks_s, top_hz * 0.62, top_hz, color=FAIL, lw=0.7, zorder=4)
    axes.plot(picture.key_on_s, np.full(len(picture.key_on_s), top_hz), ls="", marker="v", ms=4.5,
              color=INK, clip_on=False, zorder=5)  # fmt: skip


def _edges(middles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Between neighbours half way, at the ends as far out as in."""
    between = 0.5 * (middles[1:] + middles[:-1])
    first, last = 2 * middles[0] - between[0], 2 * middles[-1] - between[-1]
    edges: NDArray[np.float64] = np.concatenate([[first], between, [last]])
    return edges


def _cells(
    axes: Any,
    on: NDArray[np.bool_],
    times: NDArray[np.float64],
    hz: NDArray[np.float64],
    shade: str,
) -> None:
    """All cells that are on, each row's neighbours joined, as one path."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    rows, starts, ends = runs_of(on)
    if not len(rows):
        return
    left, right, low, high = times[starts], times[ends], hz[rows], hz[rows + 1]
    corners = np.stack(
        [
            np.stack([left, low], 1),
            np.stack([right, low], 1),
            np.stack([right, high], 1),
            np.stack([left, high], 1),
            np.stack([left, low], 1),
        ],
        axis=1,
    ).reshape(-1, 2)
    codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(rows))
    axes.add_patch(PathPatch(Path(corners, codes), facecolor=shade, edgecolor="none", lw=0))


def runs_of(
    on: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """(row, first column, column after the last) of every run of cells that are on."""
    padded = np.pad(on.astype(np.int8), ((0, 0), (1, 1)))
    steps = np.diff(padded, axis=1)
    rows, starts = np.nonzero(steps == 1)
    _, ends = np.nonzero(steps == -1)
    return rows.astype(np.int64), starts.astype(np.int64), ends.astype(np.int64)


def _words(picture: SoundPicture, cylinders: int | None) -> str:
    """All that the picture shows, in words, and only what was heard."""
    begin, end = float(picture.time_s[0]), float(picture.time_s[-1])
    span = float(picture.hz[0]), float(picture.hz[-1])
    said = [
        f"Spectrogram of {end - begin:.0f} seconds of sound, {span[0]:.0f} to {span[1]:.0f} Hz."
    ]
    if picture.speed:
        every = np.concatenate([v for _, v in picture.speed])
        seconds = sum(float(t[-1] - t[0]) for t, _ in picture.speed)
        said.append(
            f"Engine speed was followed for {seconds:.0f} seconds as of {cylinders} cylinders: "
            f"{float(every.min()):.0f} to {float(every.max()):.0f} rpm; that this is the right "
            f"octave is {100 * picture.sure:.0f} % likely."
        )
    if picture.lack and (picture.speed or not len(picture.key_on_s)):
        lead = "It is not taken as a speed" if picture.speed else "No engine speed is drawn"
        said.append(f"{lead}: {picture.lack}.")
    if len(picture.key_on_s):
        keys = _listed([f"{t:.1f}" for t in picture.key_on_s.tolist()])
        many = len(picture.clicks_s)
        drawn = "" if many <= MOST_CLICKS else ", too many to draw"
        said.append(f"Key turned on at {keys} s; {many} clicks in the file{drawn}.")
    return " ".join(said)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _note(picture: SoundPicture) -> str:
    said = [f"Darker is louder, {STEP_DB:.0f} dB a shade, below the loudest of this file."]
    if picture.speed:
        said.append("Line edged white: the firing that was followed." if not picture.lack
                    else "Broken line: followed, but not taken as a speed.")  # fmt: skip
    if len(picture.key_on_s):
        clicks = " Strokes: clicks." if len(picture.clicks_s) <= MOST_CLICKS else ""
        said.append(f"▼ key on.{clicks}")
    return " ".join(said)
