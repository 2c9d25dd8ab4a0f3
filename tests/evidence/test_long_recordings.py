"""Arithmetic that was made for a million readings, against plain loops over a few."""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import threading
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nasty import SPECS, drive, zoo
from verify.evidence import series
from verify.evidence import spans as sp
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.checks.counted import Counted
from verify.evidence.columns import LONG_ROWS, of_each
from verify.evidence.genuine import _Track
from verify.evidence.importers.port import read_recording
from verify.evidence.series import _autocorrelation, mean_with_effective_size, spreads
from verify.evidence.sharing import shared, shared_answers
from verify.evidence.spans import states
from verify.evidence.verdict import Rule

TRUTHS = st.lists(st.booleans(), min_size=1, max_size=40)


def flags(values: list[bool]) -> np.ndarray:
    return np.array(values, dtype=np.bool_)


# --- runs and spans -----------------------------------------------------------------------


@given(TRUTHS)
def test_runs_are_the_unbroken_stretches(holds: list[bool]) -> None:
    starts, ends = sp.runs_of(flags(holds))
    wanted = []
    for i, own in enumerate(holds):
        if own and (i == 0 or not holds[i - 1]):
            wanted.append(i)
    assert starts.tolist() == wanted
    assert [all(holds[a:b]) and b > a for a, b in zip(starts, ends, strict=True)] == [True] * len(
        wanted
    )
    assert sum(ends - starts) == sum(holds)


@given(
    st.lists(st.integers(0, 30), min_size=2, max_size=12, unique=True),
    st.lists(st.integers(0, 60), max_size=30),
    st.booleans(),
)
def test_inside_is_true_from_the_start_to_the_end_of_a_span(
    edges: list[int], halves: list[int], touching: bool
) -> None:
    edges = sorted(edges)[: len(edges) // 2 * 2]
    pairs = (
        list(itertools.pairwise(edges))
        if touching
        else list(zip(edges[::2], edges[1::2], strict=True))
    )
    times = np.sort(np.array(halves, dtype=np.float64)) / 2.0
    spans = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    wanted = [any(a <= t <= b for a, b in pairs) for t in times.tolist()]
    assert sp.inside(times, spans).tolist() == wanted


@given(TRUTHS, TRUTHS)
def test_a_state_lasts_until_another_is_told(on: list[bool], off: list[bool]) -> None:
    count = min(len(on), len(off))
    told = [(a, b and not a) for a, b in zip(on[:count], off[:count], strict=True)]
    wanted, now = [], -1
    for is_on, is_off in told:
        now = 1 if is_on else 0 if is_off else now
        wanted.append(now)
    found = states(flags([a for a, _ in told]), flags([b for _, b in told]))
    assert found.tolist() == wanted


# --- seconds that count -------------------------------------------------------------------


@settings(max_examples=300)
@given(st.data(), st.integers(1, 40))
def test_counted_seconds_are_those_of_a_loop(data: st.DataObject, count: int) -> None:
    """The rule of counting of `road-coverage`, reading by reading."""
    holds = data.draw(st.lists(st.booleans(), min_size=count, max_size=count))
    unseen = data.draw(st.lists(st.booleans(), min_size=count, max_size=count))
    step = data.draw(
        st.lists(st.sampled_from([0.5, 1.0, 1.5, 4.0]), min_size=count, max_size=count)
    )
    total = run = longest = 0.0
    totals, runs = [], []
    for i in range(count):
        own = 0.0
        if holds[i] and not unseen[i]:
            own = step[i] if i and holds[i - 1] else min(step[i], 1.0)
        total += own
        run = run + own if own else 0.0
        longest = max(longest, run)
        totals.append(total)
        runs.append(run)
    counted = Counted.of(flags(holds), np.array(step), flags(unseen))
    assert counted.seconds == total
    for wanted in (0.25, 3.0, 11.0):
        first = next((i for i, t in enumerate(totals) if t >= wanted), None)
        lasted = next((i for i, t in enumerate(runs) if t >= wanted), None)
        assert counted.reached(wanted) == first
        assert counted.longest(wanted) == (longest, lasted)


# --- statistics ---------------------------------------------------------------------------


@pytest.mark.parametrize("ddof", [0, 1])
def test_pieces_taken_together_have_the_very_same_spread(ddof: int) -> None:
    chance = np.random.default_rng(5)
    pieces = [700.0 + chance.normal(0.0, 9.0, n) for n in (200, 4, 200, 201, 1000, 200, 4)]
    deviations, ranges = spreads(pieces, ddof=ddof)
    assert deviations == [float(p.std(ddof=ddof)) for p in pieces]
    assert ranges == [float(np.ptp(p)) for p in pieces]
    assert spreads([], ddof=ddof) == ([], [])


@settings(deadline=None, max_examples=200)
@given(st.lists(st.integers(1, 12), min_size=0, max_size=60), st.integers(2, 14), st.booleans())
def test_distances_between_changes_are_counted_as_a_loop_counts_them(
    distances: list[int], period: int, first: bool
) -> None:
    rows = np.cumsum([1, *distances])
    values = np.zeros(int(rows[-1]) + 3)
    for level, row in enumerate(rows.tolist()):
        values[row:] = level + 1.0
    track = _Track(values, first_row_shows=first)
    own = [1, *distances] if first else distances
    assert track.rows.tolist() == ([0] if first else []) + rows.tolist()
    assert track.count == len(own) + 1
    assert track.multiples(period) == sum(d % period == 0 for d in own)
    if track.restless and len(own):
        assert track.multiples(period) < 0.8 * len(own)
    candidates = range(min(100, int(np.median(own))), 1, -1) if len(own) >= 30 else range(0)
    held = next((p for p in candidates if sum(d % p == 0 for d in own) >= 0.97 * len(own)), 1)
    assert track.held() == held


@pytest.mark.parametrize("rows", [10, LONG_ROWS])
def test_work_on_columns_keeps_their_order_and_raises_what_the_work_raises(rows: int) -> None:
    assert of_each(lambda c: c * 2, iter(range(20)), rows) == list(range(0, 40, 2))
    with pytest.raises(ZeroDivisionError):
        of_each(lambda c: 1 // c, [2, 1, 0, 3], rows)


def test_a_long_table_reads_as_a_short_one_does() -> None:
    """Above LONG_ROWS columns are worked on side by side; what is read must not differ."""
    times = np.arange(LONG_ROWS + 7) * 0.1
    rpm = 700 + np.arange(len(times)) * 37 % 11
    body = "".join(f"{t:.1f},{r},50\n" for t, r in zip(times.tolist(), rpm.tolist(), strict=True))
    text = f"time [s],engine rpm [rpm],vehicle speed [km/h]\n{body}".encode()
    read = read_recording(io.BytesIO(text), "long.csv")
    assert np.array_equal(read.channels["engine_speed"].values, rpm)
    assert np.array_equal(read.channels["vehicle_speed"].values, np.full(len(times), 50.0))
    assert np.allclose(read.channels["engine_speed"].time_s, times, rtol=0, atol=1e-9)
    assert read.sha256 == hashlib.sha256(text).hexdigest()


# --- answers that are shared --------------------------------------------------------------


def counting() -> tuple[Callable[[np.ndarray, float], np.ndarray], list[float]]:
    asked: list[float] = []

    @shared
    def scaled(values: np.ndarray, factor: float) -> np.ndarray:
        asked.append(factor)
        return values * factor

    return scaled, asked


def test_an_answer_is_remembered_inside_the_block_and_forgotten_after_it() -> None:
    scaled, asked = counting()
    one, equal = np.ones(3), np.ones(3)
    scaled(one, 2.0)
    assert asked == [2.0]
    with shared_answers():
        first = scaled(one, 2.0)
        assert scaled(one, 2.0) is first
        assert not first.flags.writeable
        assert scaled(equal, 2.0) is not first  # told apart by where they live
        scaled(one, 3.0)
    assert asked == [2.0, 2.0, 2.0, 3.0]
    scaled(one, 2.0)
    assert asked[-1] == 2.0
    assert len(asked) == 5


def test_an_error_is_not_remembered() -> None:
    asked = []

    @shared
    def breaks(value: float) -> float:
        asked.append(value)
        raise ValueError("no")

    with shared_answers():
        for _ in range(2):
            with pytest.raises(ValueError, match="no"):
                breaks(1.0)
    assert len(asked) == 2


def test_each_check_says_the_same_alone_and_together_with_the_others() -> None:
    sound = drive()
    for made in ([sound], [sound, drive(seed=2, every_s=1.0)], *([r] for r in zoo().values())):
        together = [r.to_json() for r in judge(made, SPECS)]
        alone = [judge(made, SPECS, [name])[0].to_json() for name in CATALOGUE]
        bare = [c.run(c, made, SPECS, Rule()).to_json() for c in CATALOGUE.values()]
        assert together == alone == bare


def test_two_recordings_with_equal_readings_are_still_two() -> None:
    sound = drive()
    other = replace(sound, sha256="another", channels=dict(sound.channels))
    result = judge([sound, other], SPECS, ["idle-speed"])[0]
    assert {w.recording for w in result.windows} == {0, 1}
    assert math.isfinite(result.value or math.nan)


# --- long series --------------------------------------------------------------------------------


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.95, 0.999])
@pytest.mark.parametrize("parts", [1, 40, 1000])
def test_means_of_blocks_tell_what_all_readings_tell(
    phi: float, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An AR(1) process; the worth of all of it is n·(1 − φ)/(1 + φ) in closed form."""
    n = 200_000
    made = ar1(phi, n)
    pieces = np.split(made, parts)
    blocks = mean_with_effective_size(pieces)
    monkeypatch.setattr(series, "MANY_READINGS", 10**9)
    whole = mean_with_effective_size(pieces)
    assert blocks.samples == whole.samples == n
    assert blocks.mean == whole.mean
    assert blocks.deviation == pytest.approx(whole.deviation, rel=0.02)
    assert 0.85 * whole.effective <= blocks.effective <= 1.1 * whole.effective
    if phi < 0.99:
        assert blocks.effective <= min(n, 1.15 * n * (1.0 - phi) / (1.0 + phi))


@cache
def ar1(phi: float, n: int) -> np.ndarray:
    made, now = np.empty(n), 0.0
    for place, step in enumerate(np.random.default_rng(11).normal(0.0, 1.0, n).tolist()):
        now = phi * now + step
        made[place] = now
    return made


def test_pieces_of_many_lengths_give_the_correlation_of_each_alone() -> None:
    """They are transformed together; the sum over pieces is that of plain products."""
    chance = np.random.default_rng(12)
    pieces = [chance.normal(0.0, 1.0, n) for n in (5, 64, 65, 3, 64, 2, 40)]
    squares = float(sum(p @ p for p in pieces))
    wanted = np.zeros(65)
    for p in pieces:
        for lag in range(len(p)):
            wanted[lag] += p[: len(p) - lag] @ p[lag:]
    assert np.allclose(_autocorrelation(pieces, squares), wanted / squares, rtol=0, atol=1e-12)


def test_a_level_that_never_moves_is_worth_one_reading_however_long() -> None:
    found = mean_with_effective_size([np.full(50_000, 14.2)])
    assert found.mean == pytest.approx(14.2)
    assert found.deviation <= 1e-9


# --- side by side -------------------------------------------------------------------------


def test_checks_side_by_side_say_what_they_say_one_after_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sound = drive()
    many = ([sound], [sound, drive(seed=2, every_s=1.0)], *([r] for r in zoo().values()))
    alone = [[r.to_json() for r in judge(made, SPECS)] for made in many]
    monkeypatch.setattr("verify.evidence.columns.LONG_ROWS", 0)
    monkeypatch.setattr("verify.evidence.checks.catalogue.AT_ONCE", 5)
    assert [[r.to_json() for r in judge(made, SPECS)] for made in many] == alone


def test_a_question_that_is_just_being_answered_is_waited_for() -> None:
    asked: list[float] = []
    begun, may_end = threading.Event(), threading.Event()

    @shared
    def slow(value: float) -> float:
        asked.append(value)
        begun.set()
        assert may_end.wait(10.0)
        return 2.0 * value

    def second(value: float) -> float:
        assert begun.wait(10.0)
        may_end.set()
        return slow(value)

    with shared_answers():
        found = of_each(lambda work: work(3.0), [slow, second], LONG_ROWS, workers=2)
    assert found == [6.0, 6.0]
    assert asked == [3.0]
