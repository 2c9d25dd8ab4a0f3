"""Stretches of an array against numpy's own answer for each, one after the other."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from verify.evidence.holds import extremes, extremes_between
from verify.evidence.stretches import as_slice, merged, places_in, places_of, reduced

VALUES = st.lists(st.floats(-100, 100), min_size=1, max_size=40)
STRETCHES = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=12)


@given(VALUES, STRETCHES)
def test_each_stretch_is_reduced_by_itself(
    values: list[float], pairs: list[tuple[int, int]]
) -> None:
    v = np.array(values)
    own = [(a, b) for a, b in ((min(p), min(max(p), len(v))) for p in pairs) if a < b]
    first, after = (np.array([p[i] for p in own], dtype=np.intp) for i in (0, 1))
    assert reduced(np.maximum, v, first, after).tolist() == [v[a:b].max() for a, b in own]
    assert reduced(np.minimum, v, first, after).tolist() == [v[a:b].min() for a, b in own]
    sums = [v[a:b].sum() for a, b in own]
    assert np.allclose(reduced(np.add, v, first, after), sums, rtol=1e-12, atol=1e-10)


@given(STRETCHES)
def test_places_are_those_of_each_stretch_one_behind_the_other(
    pairs: list[tuple[int, int]],
) -> None:
    first, after = (np.array([p[i] for p in pairs], dtype=np.intp) for i in (0, 1))
    wanted = [i for a, b in pairs for i in range(a, b)]
    assert places_in(first, after).tolist() == wanted


@given(STRETCHES)
def test_merged_stretches_hold_the_same_places_once(pairs: list[tuple[int, int]]) -> None:
    first = np.sort(np.array([min(p) for p in pairs], dtype=np.intp))
    after = np.sort(np.array([max(p) + 1 for p in pairs], dtype=np.intp))
    wanted = {i for a, b in zip(first, after, strict=True) for i in range(a, b)}
    assert places_in(*merged(first, after)).tolist() == sorted(wanted)


@given(st.lists(st.integers(0, 9), max_size=8))
def test_a_slice_takes_what_its_places_take(places: list[int]) -> None:
    own = np.array(places, dtype=np.intp)
    which = as_slice(own)
    assert isinstance(which, slice) == (
        places == list(range(places[0], places[0] + len(places))) if places else False
    )
    assert np.arange(20)[which].tolist() == places
    assert places_of(which).tolist() == places


@given(VALUES, st.integers(0, 39), st.integers(0, 12))
def test_extremes_of_a_window_that_slides(values: list[float], first: int, wider: int) -> None:
    v = np.array(values)
    first, wider = min(first, len(v) - 1), min(wider, len(v) - 1 - min(first, len(v) - 1))
    n = len(v) - first - wider
    high, low = extremes_between(v, slice(first, first + n), slice(first + wider, len(v)))
    windows = [v[first + i : first + i + wider + 1] for i in range(n)]
    assert high.tolist() == [w.max() for w in windows]
    assert low.tolist() == [w.min() for w in windows]
    same = extremes(v, first + np.arange(n), np.full(n, wider + 1))
    assert same[0].tolist() == high.tolist()
    assert same[1].tolist() == low.tolist()
