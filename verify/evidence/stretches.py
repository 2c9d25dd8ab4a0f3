"""Numbers of many stretches of one array: each is values[first:after], as places and not as masks.

A recording has a million readings and a few thousand holds, windows and presses. What is asked of
these is taken from their own readings, in one pass; nothing of full length is made for it. Oracle
in the tests: numpy's own answer for each stretch.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]

AT_ONCE = 1 << 14


def reduced(how: np.ufunc, values: Array, first: Places, after: Places) -> Array:
    """`how` (np.add, np.maximum …) over each stretch, shape (k,); no meaning where one is empty.

    values: shape (n,), n ≥ 1. first, after: shape (k,), in any order, 0 to n.
    """
    end = len(values) - 1
    # reduceat takes places in pairs, and every other answer is that of a stretch.
    edges = np.minimum(np.column_stack([first, after]).ravel(), end)
    found: Array = how.reduceat(values, edges)[::2] if len(first) else np.empty(0)
    # It cannot be told to go to the very end, so the last value is joined here.
    last = np.flatnonzero((after > end) & (first < end))
    found[last] = how(found[last], values[end])
    return found


def places_in(first: Places, after: Places) -> Places:
    """The places of all stretches, one behind the other."""
    sizes = np.maximum(after - first, 0)
    offset = np.cumsum(sizes) - sizes
    found: Places = np.arange(int(sizes.sum())) + np.repeat(first - offset, sizes)
    return found


def merged(first: Places, after: Places) -> tuple[Places, Places]:
    """Stretches that overlap or touch joined. first, after: neither ever falling."""
    if not len(first):
        return first, after
    apart = first[1:] > after[:-1]
    return first[np.append(True, apart)], after[np.append(apart, True)]


def blocks(length: int) -> Iterator[slice]:
    """A long array part by part: what is made on the way stays in the processor's cache."""
    for begin in range(0, length, AT_ONCE):
        yield slice(begin, min(begin + AT_ONCE, length))


def as_slice(places: Places) -> Places | slice:
    """The slice that takes the same, where each place is one more than the one before."""
    n = len(places)
    if n and int(places[-1]) - int(places[0]) == n - 1 and bool(np.all(np.diff(places) == 1)):
        return slice(int(places[0]), int(places[0]) + n)
    return places


def places_of(which: Places | slice) -> Places:
    """The inverse of `as_slice`."""
    return np.arange(which.start, which.stop) if isinstance(which, slice) else which
