"""Clicks and trains of them, with times that are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engines_heard.engine import noise_of
from tests.engines_heard.files import heard
from tests.engines_heard.key_on import click
from verify.evidence.sound.ticks import PAUSE_S, floor_of, onsets, trains


def clicking(
    times: np.ndarray, *, seconds: float, rate: int = 44_100, noise: float = 0.01, seed: int = 1
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    made = noise * noise_of("pink", rng, int(seconds * rate), rate)
    for at in times:
        one = 0.5 * click(rng, rate, 2600.0)
        place = int(at * rate)
        made[place : place + len(one)] += one
    return made


@pytest.mark.parametrize("rate", [8000, 16_000, 44_100, 48_000])
def test_clicks_are_heard_when_they_are(rate: int) -> None:
    wanted = np.array([1.0, 1.35, 2.2, 2.3, 4.05, 7.77])
    found = heard(clicking(wanted, seconds=9.0, rate=rate), rate).channels["click"]
    np.testing.assert_allclose(found.time_s, wanted, atol=0.005)


def test_clicks_at_the_seam_of_two_blocks_are_heard_once() -> None:
    wanted = np.arange(19.5, 20.5, 0.1) + 0.013
    found = heard(clicking(wanted, seconds=45.0)).channels["click"]
    np.testing.assert_allclose(found.time_s, wanted, atol=0.005)


def test_noise_alone_makes_no_train_that_could_be_ticking() -> None:
    """It has loud moments; wind has, above 1 kHz, little more than the steps of the file."""
    rng = np.random.default_rng(3)
    for kind in ("white", "pink", "wind"):
        recording = heard(0.1 * noise_of(kind, rng, 44_100 * 30, 44_100))
        clicks = recording.channels.get("click")
        times = np.zeros(0) if clicks is None else clicks.time_s
        for train in trains(times):
            assert train.seconds < 1.0 or train.even < 0.6, kind


@settings(max_examples=50, deadline=None)
@given(
    hz=st.floats(4.0, 50.0),
    count=st.integers(3, 60),
    start=st.floats(0.0, 100.0),
)
def test_an_even_train_is_one_train_of_its_own_rate(hz: float, count: int, start: float) -> None:
    times = start + np.arange(count) / hz
    (train,) = trains(times)
    assert train.clicks == count
    assert train.rate_hz == pytest.approx(hz)
    assert train.even == 1.0
    assert train.seconds == pytest.approx((count - 1) / hz)


def test_a_pause_ends_a_train_and_a_missed_click_does_not_make_it_uneven() -> None:
    first = np.delete(np.arange(0.0, 2.0, 0.1), [4, 9, 15])
    second = np.arange(5.0, 6.0, 0.05)
    found = trains(np.concatenate([first, second]))
    assert [t.clicks for t in found] == [len(first), len(second)]
    assert found[0].even > 0.9
    assert found[1].start_s - found[0].end_s > PAUSE_S


def test_what_only_follows_close_is_no_core_of_a_train() -> None:
    """A relay before a run, another after it: the run itself is as long as it was."""
    run = 1.0 + np.arange(9) / 22.0
    (train,) = trains(np.concatenate([[0.7], run, [run[-1] + 0.35]]))
    assert train.seconds == pytest.approx(0.3 + 8 / 22 + 0.35)
    assert train.core_s == pytest.approx(8 / 22)
    (missed,) = trains(np.delete(run, [3, 6]))
    assert missed.core_s == missed.seconds, "a click that was missed does not end it"


def test_clicks_at_random_are_uneven() -> None:
    rng = np.random.default_rng(1)
    for seed in range(20):
        del seed
        times = np.cumsum(np.minimum(rng.exponential(0.08, 60), 0.35))
        (train,) = trains(times)
        assert train.even < 0.6


def test_hardly_any_clicks_are_no_train() -> None:
    assert trains(np.zeros(0)) == []
    assert trains(np.array([1.0])) == []
    assert trains(np.array([1.0, 9.0])) == []


def test_the_quiet_is_a_percentile_of_half_a_second() -> None:
    """numpy's own percentile of each half second."""
    rng = np.random.default_rng(2)
    loud = rng.normal(-50.0, 4.0, 5000)
    wanted = [np.percentile(loud[i : i + 250], 30.0) for i in range(0, 5000, 250)]
    np.testing.assert_allclose(floor_of(loud, 500.0), wanted)


def test_a_stretch_too_short_for_a_click_has_none() -> None:
    times, loud = onsets(np.zeros(3), np.zeros(3), 500.0)
    assert len(times) == len(loud) == 0
    assert len(floor_of(np.zeros(0), 500.0)) == 0
