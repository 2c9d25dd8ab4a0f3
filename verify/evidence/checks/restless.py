"""Which windows of a long drive are worth a closer look: those that may spread the most.

Part of `surge`, which judges two hundred windows at most: those with the largest spread around a
parabola. Of a drive of many hours there are thousands; here their spread is reckoned for all
together, and those that are surely not among the largest are left out. Oracle in the tests: what
`surge` finds when it looks at every window by itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verify.evidence.ranks import medians_of
from verify.evidence.recording import Array, Channel
from verify.evidence.stretches import places_in

# Sums in another order differ in their last digits; what lies within this share of the least that
# counts is looked at as well.
SLACK = 1e-6


def restless(
    engine: Channel, windows_s: Array, *, most: int, least: int, finest_s: float
) -> NDArray[np.bool_]:
    """Which windows may be among the `most` with the largest spread, shape (k,).

    windows_s: shape (k, 2), start and end, of one length about. least: readings below which a
    window is none. finest_s: readings closer than half of it are averaged over it.
    """
    first = np.searchsorted(engine.time_s, windows_s[:, 0], side="left")
    after = np.searchsorted(engine.time_s, windows_s[:, 1], side="right")
    enough = np.flatnonzero(after - first >= max(least, 2))
    kept = np.zeros(len(windows_s), dtype=bool)
    kept[enough] = True
    if len(enough) <= most:
        return kept
    first, after = first[enough], after[enough]
    t, v, owner = _averaged(engine, first, after, finest_s)
    count = np.bincount(owner)
    mean = np.bincount(owner, v) / count
    share = 100.0 * (v / mean[owner] - 1.0)
    x = t - (np.bincount(owner, t) / count)[owner]
    x /= 0.5 * float(windows_s[0, 1] - windows_s[0, 0])
    curve = np.stack([np.ones_like(x), x, x * x])
    # The normal equations of all parabolas at once.
    left = np.array([[np.bincount(owner, a * b) for a in curve] for b in curve])
    right = np.array([np.bincount(owner, a * share) for a in curve])
    sound = count >= least
    left[:, :, ~sound] = np.eye(3)[:, :, None]
    factors = np.linalg.solve(left.transpose(2, 0, 1), right.T[:, :, None])[:, :, 0]
    off = share - np.sum(curve * factors[owner].T, axis=0)
    spread = np.sqrt(np.bincount(owner, off * off) / np.maximum(count - 3, 1))
    spread[~sound] = -1.0
    if np.count_nonzero(sound) > most:
        limit = float(np.partition(spread, len(spread) - most)[len(spread) - most])
        sound &= spread >= limit * (1.0 - SLACK) - SLACK
    kept[enough] = sound
    return kept


def _averaged(
    engine: Channel, first: NDArray[np.intp], after: NDArray[np.intp], finest_s: float
) -> tuple[Array, Array, NDArray[np.intp]]:
    """(times, values, window of each) of the windows' readings, as `surge` averages them."""
    place = places_in(first, after)
    sizes = after - first
    owner = np.repeat(np.arange(len(first)), sizes)
    t, v = engine.time_s[place], engine.values[place]
    offset = np.cumsum(sizes) - sizes
    inner = np.ones(len(place), dtype=bool)
    inner[offset + sizes - 1] = False  # the last of a window has no next one
    steps = engine.time_s[place[inner] + 1] - t[inner]
    usual = medians_of(steps, offset - np.arange(len(first)), sizes - 1)
    dense = usual < 0.5 * finest_s
    number = np.floor((t - t[offset][owner]) / finest_s).astype(np.intp)
    number = np.where(dense[owner], number, np.arange(len(place)))
    fresh = np.ones(len(place), dtype=bool)
    fresh[1:] = (number[1:] != number[:-1]) | (owner[1:] != owner[:-1])
    begins = np.flatnonzero(fresh)
    many = np.diff(begins, append=len(place))
    return np.add.reduceat(t, begins) / many, np.add.reduceat(v, begins) / many, owner[begins]
