"""The clock, gaps, repeats and resolution: named nasty recordings and properties."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from verify.errors import UserError
from verify.evidence.genuine import changes, genuine_rows
from verify.evidence.importers.port import read_recording
from verify.evidence.prepare import (
    age_in_a_row,
    gap_limit,
    interval_of,
    make_channel,
    mend_clock,
    resolution_of,
    spread,
)
from verify.evidence.recording import Recording

NO_GAPS = np.empty(0, dtype=np.int64)


def clock(*times: float, **options: object) -> tuple[list[float], tuple[str, ...]]:
    mended = mend_clock(np.array(times, dtype=float), **options)  # type: ignore[arg-type]
    return [round(t, 6) for t in mended.time_s.tolist()], mended.repairs


def test_a_clean_clock_is_left_alone() -> None:
    assert clock(5.0, 5.5, 6.0, 6.5) == ([0.0, 0.5, 1.0, 1.5], ())


def test_a_small_step_back_keeps_the_order_of_writing_and_the_times_after_it() -> None:
    times, repairs = clock(0.0, 0.1, 0.2, 0.3, 0.1, 0.2, 0.3, 0.4, 0.5)
    assert times[:4] == [0.0, 0.1, 0.2, 0.3]
    assert times[-2:] == [0.4, 0.5]
    assert times == sorted(set(times))
    assert len(repairs) == 1
    assert "stepped back 1 time by up to 0.2 s (first at data row 5)" in repairs[0]


def test_a_misplaced_row_is_sorted_in() -> None:
    mended = mend_clock(np.array([0.0, 0.5, 1.5, 1.0, 2.0, 2.5]))
    assert mended.time_s.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0, 2.5]
    assert mended.rows is not None
    assert mended.rows.tolist() == [0, 1, 3, 2, 4, 5]
    assert "1 row out of order" in mended.repairs[0]


def test_a_row_with_an_absurd_time_is_left_out() -> None:
    times, repairs = clock(100.0, 100.5, 0.0, 101.0, 101.5)
    assert times == [0.0, 0.5, 1.0, 1.5]
    assert "far from those of the neighbours" in repairs[0]


def test_a_clock_set_back_far_makes_a_gap_of_unknown_length() -> None:
    times = [*np.arange(0, 10, 0.5), *np.arange(0, 10, 0.5)]
    mended = mend_clock(np.array(times))
    assert "set back 1 time" in mended.repairs[0]
    assert len(mended.gaps) == 1
    assert mended.gap_rows.tolist() == [20]
    assert np.all(np.diff(mended.time_s) > 0)


def ten_seconds(start_s: float = 0.0, seed: int = 1, seconds: float = 10.0) -> str:
    rng = np.random.default_rng(seed)
    times = np.arange(start_s, start_s + seconds, 0.5)
    rows = (f"{t:.1f},{v:.1f}" for t, v in zip(times, rng.normal(750, 9, len(times)), strict=True))
    return "\n".join(rows) + "\n"


HEAD_LINE = "time [s],engine speed [rpm]\n"


def read_rows(text: str) -> Recording:
    return read_recording(io.BytesIO((HEAD_LINE + text).encode()), "made.csv")


def test_what_stands_in_a_file_twice_counts_once() -> None:
    """Exports are often added to the file of the one before."""
    once = read_rows(ten_seconds())
    for text in (2 * ten_seconds(), 3 * ten_seconds()):
        twice = read_rows(text)
        assert twice.channels["engine_speed"].values.tolist() == (
            once.channels["engine_speed"].values.tolist()
        )
        assert twice.gaps == ()
        assert any("stand in the file a second time" in r for r in twice.repairs)
    # The second export begins with the first one, or with its end.
    long = ten_seconds(seconds=20.0)
    lines = long.splitlines(keepends=True)
    grown = "".join(lines[:20]) + long
    assert np.array_equal(
        read_rows(grown).channels["engine_speed"].values,
        read_rows(long).channels["engine_speed"].values,
    )
    assert read_rows("".join(lines[:30]) + "".join(lines[18:])).seconds == 19.5


def test_two_drives_whose_clocks_begin_alike_are_two() -> None:
    both = read_rows(ten_seconds(seed=1) + ten_seconds(seed=2))
    assert len(both.channels["engine_speed"].values) == 40
    assert len(both.gaps) == 1


def test_a_coarse_clock_is_spread_and_equal_rows_are_dropped() -> None:
    times, repairs = clock(0, 0, 1, 1, 2, 2)
    assert times == [0, 0.5, 1, 1.5, 2, 2.5]
    assert "steps of 1 s only" in repairs[0]
    ticks = [0.0, 0.5, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    kept, told = clock(*ticks, repeated=lambda rows, _: np.ones(len(rows), dtype=bool))
    assert kept == [0, 0.5, 1, 1.5, 2, 2.5, 3]
    assert told == ("1 row repeats the row before with the same time: left out",)
    moved, told = clock(*ticks, repeated=lambda rows, _: np.zeros(len(rows), dtype=bool))
    assert moved == [0, 0.5, 0.75, 1, 1.5, 2, 2.5, 3]
    assert told == ("1 row has the time of the row before: spread evenly up to the next",)


def test_midnight_is_passed_once() -> None:
    times, repairs = clock(86399.0, 86399.5, 0.0, 0.5, wrap_s=86400.0)
    assert times == [0.0, 0.5, 1.0, 1.5]
    assert repairs == ("the clock passed midnight 1 time",)


def test_gaps_are_the_larger_of_two_seconds_and_five_steps() -> None:
    assert gap_limit(0.1) == 2.0
    assert gap_limit(1.0) == 5.0
    mended = mend_clock(np.array([0, 0.1, 0.2, 2.1, 2.2, 4.3, 4.4]))
    assert [(round(a, 3), round(b, 3)) for a, b in mended.gaps] == [(2.2, 4.3)]
    slow = mend_clock(np.array([0.0, 1, 2, 7, 8, 13.1, 14]))
    assert [(round(a, 3), round(b, 3)) for a, b in slow.gaps] == [(8, 13.1)]


@pytest.mark.parametrize(
    "times",
    [[], [1.0], [np.nan] * 5, [1.0, np.nan, np.nan], [3.0] * 5, [3.0, 2.0, 1.0, 0.0],
     [0, 1, 2, 3, 1, 2, 1, 2, 3, 1, 2]],
    ids=["none", "one", "nan", "mostly nan", "stopped", "backwards", "to and fro"],
)  # fmt: skip
def test_what_is_no_clock_is_refused(times: list[float]) -> None:
    with pytest.raises(UserError):
        mend_clock(np.array(times, dtype=float))


@settings(deadline=None, max_examples=200)
@given(
    raw=hnp.arrays(
        np.float64, st.integers(2, 80), elements=st.floats(-1e6, 1e6) | st.just(float("nan"))
    ),
    sort=st.booleans(),
)
def test_whatever_the_clock_said_the_mended_one_runs_forwards(raw: np.ndarray, sort: bool) -> None:
    """Times of any shape, at first in their own order and then made nearly regular."""
    for times in (raw, np.sort(raw), np.arange(len(raw)) * 0.5 + np.nan_to_num(raw) / 1e6):
        try:
            mended = mend_clock(times, events=sort)
        except UserError:
            continue
        steps = np.diff(mended.time_s)
        assert np.all(steps >= 0) if sort else np.all(steps > 0)
        assert mended.time_s[0] == 0
        assert len(mended.time_s) == (len(times) if mended.rows is None else len(mended.rows))
        assert len(mended.gaps) == len(mended.gap_rows)


@settings(deadline=None)
@given(
    start=st.floats(0, 1e5),
    steps=st.lists(st.sampled_from([0.1, 0.1, 0.1, 0.0, -0.1, 3.0]), min_size=4, max_size=60),
)
def test_shifting_the_clock_changes_nothing(start: float, steps: list[float]) -> None:
    times = np.concatenate(([0.0], np.cumsum(steps)))
    times = np.round(times, 3)
    try:
        plain = mend_clock(times)
    except UserError:
        with pytest.raises(UserError):
            mend_clock(times + round(start))
        return
    moved = mend_clock(times + round(start))
    np.testing.assert_allclose(moved.time_s, plain.time_s, atol=1e-6)
    assert (moved.rows is None) == (plain.rows is None)


@given(hnp.arrays(np.float64, st.integers(1, 50), elements=st.integers(0, 8).map(float)))
def test_spread_times_increase_and_stay_within_a_step(times: np.ndarray) -> None:
    t = np.sort(times)
    moved, kept = spread(t)
    assert np.all(kept)
    assert np.all(np.diff(moved) > 0)
    assert np.all(moved - t >= 0)
    assert np.all(moved - t < 8)


# --- genuine readings ---------------------------------------------------------------------


def polled(
    truth: np.ndarray, order: list[int], skip: set[int] = frozenset()
) -> tuple[  # type: ignore[assignment]
    list[np.ndarray], list[list[int]]
]:
    """A logger that asks one channel a row: the table it writes, and the rows it really read.

    truth: shape (rows, channels). order: the round. skip: rows at which an answer was missed, so
    that the next row asks the following channel.
    """
    n, k = truth.shape
    table = np.full((n, k), np.nan)
    read: list[list[int]] = [[] for _ in range(k)]
    last = np.full(k, np.nan)
    place = 0
    for row in range(n):
        if row in skip:
            place += 1
        channel = order[place % len(order)]
        last[channel] = truth[row, channel]
        read[channel].append(row)
        table[row] = last
        place += 1
    return [table[:, i].copy() for i in range(k)], read


def walk(rows: int, channels: int, seed: int) -> np.ndarray:
    chance = np.random.default_rng(seed)
    return np.round(800 + np.cumsum(chance.normal(0, 5, (rows, channels)), axis=0))


@settings(deadline=None, max_examples=40)
@given(channels=st.integers(2, 12), seed=st.integers(0, 10_000), data=st.data())
def test_a_round_robin_is_found_and_its_readings_are_exactly_those(
    channels: int, seed: int, data: st.DataObject
) -> None:
    order = data.draw(st.permutations(range(channels)))
    columns, read = polled(walk(60 * channels, channels, seed), list(order))
    found = genuine_rows(columns, NO_GAPS)
    assert found.cycle == channels
    for i, mask in enumerate(found.masks):
        assert mask is not None
        assert np.flatnonzero(mask).tolist() == read[i]


def test_missed_answers_cost_readings_and_never_invent_one() -> None:
    chance = np.random.default_rng(3)
    skip = set(chance.choice(3000, 40, replace=False).tolist())
    columns, read = polled(walk(3000, 6, 3), [0, 1, 2, 3, 4, 5], skip)
    found = genuine_rows(columns, NO_GAPS)
    assert found.cycle == 6
    for i, mask in enumerate(found.masks):
        assert mask is not None
        kept = set(np.flatnonzero(mask).tolist())
        assert kept <= set(read[i])
        assert len(kept) > 0.8 * len(read[i])


def test_stale_values_after_a_gap_are_dropped_until_the_channel_is_read_again() -> None:
    columns, read = polled(walk(1000, 5, 5), [0, 1, 2, 3, 4], {500})
    found = genuine_rows(columns, np.array([500]))
    for i, mask in enumerate(found.masks):
        assert mask is not None
        after = np.flatnonzero(mask)[np.flatnonzero(mask) >= 500]
        assert set(after.tolist()) <= set(read[i])
        assert after[0] == min(r for r in read[i] if r >= 500) or after[0] > 500


def test_after_a_last_gap_in_which_nothing_changes_nothing_is_believed() -> None:
    columns, _ = polled(walk(1000, 5, 5), [0, 1, 2, 3, 4])
    for column in columns:
        column[980:] = column[979]
    found = genuine_rows(columns, np.array([980]))
    for mask in found.masks:
        assert mask is not None
        assert not np.any(mask[980:])


def test_a_constant_channel_of_a_round_keeps_one_reading_a_round() -> None:
    truth = walk(600, 5, 8)
    truth[:, 2] = 40.0
    columns, read = polled(truth, [0, 1, 2, 3, 4])
    found = genuine_rows(columns, NO_GAPS)
    assert found.masks[2] is not None
    assert np.flatnonzero(found.masks[2]).tolist() == read[2]  # the blank start shows its place
    late = genuine_rows([c[20:] for c in columns], NO_GAPS)
    assert late.masks[2] is not None
    assert np.count_nonzero(late.masks[2]) == 580 // 5


def test_a_plain_table_and_a_constant_value_are_left_alone() -> None:
    truth = walk(2000, 4, 1)
    truth[:, 3] = 90.0
    found = genuine_rows([truth[:, i].copy() for i in range(4)], NO_GAPS)
    assert (found.cycle, found.held, found.repairs) == (0, 0, ())
    assert found.masks == (None, None, None, None)


def test_too_few_changes_prove_nothing() -> None:
    columns, _ = polled(walk(30, 5, 5), [0, 1, 2, 3, 4])
    assert genuine_rows(columns, NO_GAPS).cycle == 0


def test_a_slow_channel_beside_a_fast_one_is_held() -> None:
    truth = walk(2000, 2, 2)
    slow = truth[:, 1][(np.arange(2000) // 10) * 10]
    found = genuine_rows([truth[:, 0].copy(), slow], NO_GAPS)
    assert found.held == 1
    assert found.masks[0] is None
    assert found.masks[1] is not None
    assert set(np.flatnonzero(found.masks[1]).tolist()) <= set(range(0, 2000, 10))


def test_a_pedal_pressed_and_let_go_in_strict_time_is_read_in_every_row() -> None:
    rows = 40 * 80  # ten rows a second, 8 s on and 8 s off
    pedal = np.where(np.arange(rows) // 80 % 2 == 1, 20.0, 0.0)
    found = genuine_rows([walk(rows, 1, 6)[:, 0].copy(), pedal], NO_GAPS)
    assert (found.held, found.masks) == (0, (None, None))


def test_a_value_that_jitters_between_two_and_is_read_once_in_ten_rows_is_held() -> None:
    coolant = np.repeat(90.0 + np.random.default_rng(8).integers(0, 2, 200), 10)
    found = genuine_rows([walk(2000, 1, 6)[:, 0].copy(), coolant], NO_GAPS)
    assert found.held == 1
    assert found.masks[1] is not None
    assert set(np.flatnonzero(found.masks[1]).tolist()) <= set(range(0, 2000, 10))


def test_a_long_table_is_judged_by_its_middle_and_still_right() -> None:
    columns, read = polled(walk(60_000, 6, 4), [3, 1, 4, 0, 5, 2])
    found = genuine_rows(columns, NO_GAPS)
    assert found.cycle == 6
    assert found.masks[4] is not None
    assert np.flatnonzero(found.masks[4]).tolist() == read[4]


def test_changes_ignore_blanks_and_the_first_row() -> None:
    nan = float("nan")
    assert changes(np.array([1.0, 1, nan, nan, 2, 2, 1])).tolist() == [4, 6]
    assert changes(np.array([1.0])).tolist() == []


# --- resolution and interval --------------------------------------------------------------


@pytest.mark.parametrize(
    ("step", "places", "wanted"),
    [(1.0, 0, 1.0), (0.25, 2, 0.25), (0.78125, 5, 0.78125), (0.5, 1, 0.5), (0.01, 2, 0.01),
     (100 / 255, 1, 0.4)],
)  # fmt: skip
def test_the_resolution_is_the_step_of_the_raw_numbers(
    step: float, places: int, wanted: float
) -> None:
    """Steps are those of J1979 scalings: rpm/4, %/2.55, and others seen on buses."""
    counts = np.random.default_rng(1).integers(30, 200, 5000)
    assert resolution_of(np.round(counts * step, places)) == pytest.approx(wanted, rel=1e-6)


def test_where_no_step_shows_none_is_claimed() -> None:
    chance = np.random.default_rng(1)
    assert resolution_of(chance.normal(800, 20, 3000)) == 0.0
    assert resolution_of(np.full(10, 5.0)) == 0.0
    assert resolution_of(np.array([5.0])) == 0.0
    assert resolution_of(np.round(chance.normal(800, 90, 3000), 3)) == pytest.approx(0.001)


def test_interval_and_channel_units() -> None:
    assert np.isnan(interval_of(np.array([1.0])))
    t = np.array([0.0, 1.0, 3.0, 4.0])
    channel, repairs = make_channel("coolant", "ECT", "°F", t, np.array([32.0, 50, 212, np.nan]))
    assert channel is not None
    assert repairs == ()
    np.testing.assert_allclose(channel.values, [0, 10, 100])
    assert channel.interval_s == 1.5
    assert channel.resolution == pytest.approx(10.0)
    with pytest.raises(ValueError):
        make_channel("coolant", "ECT", "kPa", t, t)


# --- restarts and the age of readings -----------------------------------------------------


@settings(deadline=None, max_examples=200)
@given(
    parts=st.lists(
        st.tuples(st.integers(20, 60), st.sampled_from([0.05, 0.2, 0.5, 1.0])),
        min_size=2,
        max_size=4,
    ),
    start=st.sampled_from([0.0, 3.0]),
    events=st.booleans(),
    swaps=st.lists(st.integers(0, 200), max_size=3),
)
def test_nothing_ever_spans_the_place_where_a_clock_starts_anew(
    parts: list[tuple[int, float]], start: float, events: bool, swaps: list[int]
) -> None:
    """Whatever else is mended, each part lies between gaps, all of it, in its own order."""
    step = parts[0][1]
    times, part = [], []
    for number, (n, _) in enumerate(parts):
        times += [start + i * step for i in range(n)]
        part += [number] * n
    for at in swaps:  # rows out of order within a part
        i = at % (len(times) - 1)
        if part[i] == part[i + 1]:
            times[i], times[i + 1] = times[i + 1], times[i]
    if any((n - 1) * step <= gap_limit(step) + 2 * step for n, _ in parts):
        return  # parts shorter than a gap cannot be told from a step back
    try:
        mended = mend_clock(np.array(times), events=events)
    except UserError:
        return
    rows = mended.rows if mended.rows is not None else np.arange(len(times))
    of = np.array(part)[rows]
    assert np.all(np.diff(of) >= 0)
    edges = np.flatnonzero(np.diff(of) > 0)
    assert len(mended.gaps) >= len(parts) - 1
    for i in edges:
        assert any(
            mended.time_s[i] <= a + 1e-9 and b <= mended.time_s[i + 1] + 1e-9
            for a, b in mended.gaps
        )
    # The pause is not known, but it is never shorter than what counts as a gap.
    assert np.all(mended.time_s[edges + 1] - mended.time_s[edges] > 2.0)


def test_a_reading_in_a_row_may_be_as_old_as_the_row_is_long() -> None:
    even = mend_clock(np.arange(100) * 0.5)
    assert age_in_a_row(even) == 0.5
    uneven = mend_clock(np.cumsum(np.tile([0.1, 0.1, 0.1, 0.4], 50)))
    assert age_in_a_row(uneven) == pytest.approx(0.4)  # the slow rows, not the usual ones
    gap = mend_clock(np.concatenate((np.arange(50) * 0.5, 100 + np.arange(50) * 0.5)))
    assert age_in_a_row(gap) == 0.5
    assert age_in_a_row(mend_clock(np.array([0.0, 1.0]))) == 1.0


def test_a_long_clock_is_judged_by_a_sample_of_its_rows() -> None:
    steps = np.full(1_000_000, 0.1)
    assert age_in_a_row(mend_clock(np.cumsum(steps))) == pytest.approx(0.1)


def test_a_resolution_is_never_finer_than_the_coding() -> None:
    t = np.arange(10) * 0.5
    args = ("throttle", "7E8 11", "%", t, np.full(10, 12.549))
    made, _ = make_channel(*args)
    assert made is not None
    assert made.resolution == 0
    coded, _ = make_channel(*args, least_step=100 / 255, skew_s=0.25)
    assert coded is not None
    assert coded.resolution == pytest.approx(100 / 255)
    assert coded.skew_s == 0.25
