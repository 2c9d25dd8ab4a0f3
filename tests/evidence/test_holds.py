"""Held levels of a channel: where, how high, from which side."""

from __future__ import annotations

import time
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.evidence.holds import extremes, holds_of, inside_one, means_within, scatter_within
from verify.evidence.positions import Positions, early_positions, positions
from verify.evidence.recording import Channel, Recording


def channel(t: np.ndarray, v: np.ndarray, skew_s: float = 0.0) -> Channel:
    every = float(np.median(np.diff(t))) if len(t) > 1 else float("nan")
    return Channel("pedal", "%", t.astype(float), v.astype(float), 0.4, every, "", skew_s)


def stairs(hz: float, seconds: float = 60.0) -> Channel:
    """0, 33, 60, 33 %, five seconds each, over and over."""
    t = np.arange(0.07, seconds, 1.0 / hz)
    phase = t % 20.0
    level = np.select([phase < 5, phase < 10, phase < 15], [0.0, 33.0, 60.0], 33.0)
    return channel(t, level + 0.4 * np.sin(3.0 * t))


@pytest.mark.parametrize("hz", [0.5, 1.0, 2.0, 10.0, 50.0])
def test_every_step_of_the_stairs_is_one_hold(hz: float) -> None:
    found = holds_of(stairs(hz), (), within=3.0)
    assert np.round(found.level / 3.0).astype(int).tolist() == [0, 11, 20, 11] * 3
    assert found.came.tolist()[1:] == [1, 1, -1, *([-1, 1, 1, -1] * 2)]
    assert found.came[0] == 0  # nothing is known of what came before the file


def test_a_slow_drift_is_no_hold() -> None:
    t = np.arange(0.0, 60.0, 0.1)
    assert len(holds_of(channel(t, 1.2 * t), (), within=3.0)) == 0


def test_a_short_press_is_no_hold() -> None:
    t = np.arange(0.0, 30.0, 0.1)
    v = np.where((t > 10) & (t < 11.5), 40.0, 0.0)
    assert holds_of(channel(t, v), (), within=3.0).level.max() < 1.0


def test_no_hold_reaches_across_a_gap() -> None:
    t = np.concatenate([np.arange(0.0, 6.0, 0.5), np.arange(40.0, 46.0, 0.5)])
    for made, gaps in (
        (channel(t, np.full(len(t), 30.0)), ()),
        (channel(t, np.full(len(t), 30.0)), ((5.5, 40.0),)),
    ):
        found = holds_of(made, gaps, within=3.0)
        assert found.start_s.tolist() == [0.0, 40.0]
        assert found.end_s.tolist() == [5.5, 45.5]


def test_a_foot_that_overshot_came_from_no_known_side() -> None:
    t = np.arange(0.0, 20.0, 0.1)
    v = np.select([t < 8, t < 8.4], [0.0, 50.0], 30.0)
    found = holds_of(channel(t, v), (), within=3.0)
    assert found.came.tolist() == [0, 0, 0] or set(found.came.tolist()) == {0}


def test_long_stillness_comes_in_pieces_of_one_run() -> None:
    t = np.arange(0.0, 65.0, 0.5)
    found = holds_of(channel(t, np.zeros(len(t))), (), within=3.0)
    assert len(found) == 6
    assert set(found.run.tolist()) == {0}
    assert int(found.samples.sum()) == len(t)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_hardly_any_reading_gives_no_hold(n: int) -> None:
    t = np.arange(float(n))
    assert len(holds_of(channel(t, np.zeros(n)), (), within=3.0)) == 0


@given(
    st.lists(st.floats(0, 100), min_size=1, max_size=60),
    st.integers(0, 59),
    st.integers(1, 60),
)
def test_extremes_of_a_stretch_are_its_own(values: list[float], first: int, count: int) -> None:
    v = np.array(values)
    first = min(first, len(v) - 1)
    count = min(count, len(v) - first)
    high, low = extremes(v, np.array([first]), np.array([count]))
    assert high[0] == v[first : first + count].max()
    assert low[0] == v[first : first + count].min()


@given(st.integers(0, 1000), st.floats(-1000, 1000))
@settings(max_examples=20)
def test_another_start_of_the_clock_moves_the_holds_and_nothing_else(
    seed: int, shift: float
) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([0.25, 0.5, 1.0], 200))
    v = np.repeat(rng.uniform(0, 80, 20), 10) + rng.uniform(-1, 1, 200)
    shift = round(shift * 4) / 4  # exact in binary, so that no rounding decides
    one = holds_of(channel(t, v), (), within=3.0)
    other = holds_of(channel(t + shift, v), (), within=3.0)
    assert other.level == pytest.approx(one.level, abs=1e-9)
    assert other.start_s == pytest.approx(one.start_s + shift, abs=1e-9)
    assert np.all(one.spread <= 4.5)


def test_means_within_agree_with_numpy() -> None:
    rng = np.random.default_rng(3)
    t, v = np.arange(100.0), rng.normal(50, 5, 100)
    spans = np.array([3.0, 90.0, 98.5]), np.array([9.5, 80, 99.0])
    mean, count = means_within(channel(t, v), *spans)
    deviation = scatter_within(channel(t, v), *spans)
    assert mean[0] == pytest.approx(v[3:10].mean(), rel=1e-12)
    assert deviation[0] == pytest.approx(v[3:10].std(ddof=1), rel=1e-9)
    assert count.tolist() == [7, 0, 1]
    assert mean[2] == v[99]
    assert np.isnan(mean[1])
    assert np.isnan(deviation[1:]).all()


def test_inside_one_asks_for_the_whole_stretch() -> None:
    spans = np.array([[0.0, 10.0], [20.0, 30.0]])
    start, end = np.array([1.0, 8.0, 22.0, 40.0]), np.array([9.0, 21.0, 30.0, 41.0])
    assert inside_one(start, end, spans).tolist() == [True, False, True, False]


def test_a_million_readings_take_no_loop() -> None:
    t = np.arange(1_000_000) * 0.1
    v = np.where(t % 10 < 5, 0.0, 30.0)
    began = time.perf_counter()
    assert len(holds_of(channel(t, v), (), within=3.0)) > 19_000
    assert time.perf_counter() - began < 5.0


def test_extremes_of_many_stretches_are_found_part_by_part() -> None:
    rng = np.random.default_rng(3)
    v = rng.normal(0.0, 1.0, 60_000)
    first = np.sort(rng.integers(0, len(v) - 40, 40_000))
    count = rng.integers(1, 40, len(first))
    high, low = extremes(v, first, count)
    for i in range(0, len(first), 997):
        own = v[first[i] : first[i] + count[i]]
        assert (high[i], low[i]) == (own.max(), own.min())


@given(st.integers(0, 1000), st.integers(2, 420))
@settings(max_examples=60, deadline=None)
def test_what_the_first_readings_show_is_what_all_show(seed: int, early: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 200.0, 0.5)
    foot = np.repeat(rng.choice([0.0, 0.0, 20.0, 35.0, 60.0], 40), 10) + rng.uniform(-1, 1, 400)
    pedal, plate = channel(t, foot), channel(t + 0.1, 10.0 + 0.6 * foot)
    made = Recording("made", "", "made", 1, 400, 200.0, {"engine_speed": channel(t, 800 + foot)})
    standing = np.array([[3.0, 90.0], [110.0, 199.0]])

    def told(found: Positions) -> set[tuple[float, ...]]:
        return set(zip(*(getattr(found, f.name).tolist() for f in fields(found)), strict=True))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verify.evidence.positions.EARLY", early)
        some = told(early_positions(made, pedal, plate, standing))
    assert some <= told(positions(made, pedal, plate, standing))
    assert early < 300 or some
