"""Surging: a car of known swing, read as adapters read, and real cars that do not surge."""

from __future__ import annotations

import io
import itertools
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lombscargle

from tests.conftest import real_recording
from tests.evidence.road_cars import surging_car as car
from tests.nasty import changed, channel, drive, kept, recording, with_gap, without, zoo
from verify.evidence.checks.in_gear import driving
from verify.evidence.checks.surge import LIMIT_PCT, SLOWEST, SURGE, run_surge, steady_windows
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule, decide
from verify.words import Verdict

Array = np.ndarray[Any, np.dtype[np.float64]]


def judged(*made: Recording) -> CheckResult:
    result = run_surge(SURGE, made, {}, Rule())
    assert CheckResult.from_json(result.to_json()).to_json() == result.to_json()
    assert bool(result.settle) == (result.verdict is Verdict.UNDECIDED)
    if result.probability is not None:
        assert decide(result.probability) is result.verdict
    return result


def test_an_even_car_is_steady() -> None:
    result = judged(car(0.0))
    assert (result.verdict, result.finding) == (Verdict.PASS, "steady")
    assert result.value is not None
    assert result.value < 1.0


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
def test_a_surging_car_fails_with_its_amplitude_and_pace(every_s: float) -> None:
    result = judged(car(5.0, period_s=4.0, every_s=every_s))
    assert (result.verdict, result.finding) == (Verdict.FAIL, "surges")
    assert result.value == pytest.approx(5.0, abs=0.4)
    assert result.to_json()["largest"]["period_s"] == pytest.approx(4.0, abs=0.15)


@pytest.mark.parametrize("every_s", [0.2, 0.5, 1.0])
def test_the_verdict_is_that_of_the_true_amplitude(every_s: float) -> None:
    """Beyond 1.25 of the limit nearly all fail and none passes; below 0.8 the other way round."""
    told: Counter[tuple[bool, str]] = Counter()
    for seed in range(16):
        period = float(np.random.default_rng(seed).uniform(2.6, 7.4))
        for amplitude in (0.8 * LIMIT_PCT, 1.25 * LIMIT_PCT, 1.8 * LIMIT_PCT):
            result = judged(car(amplitude, period_s=period, every_s=every_s, seed=seed))
            told[amplitude > LIMIT_PCT, result.verdict.value] += 1
    assert told[True, "pass"] == 0
    assert told[False, "fail"] == 0
    assert told[True, "fail"] >= 30
    assert told[False, "pass"] >= 15


def test_at_the_limit_it_is_seldom_decided_and_hardly_ever_wrong() -> None:
    found = Counter(judged(car(LIMIT_PCT, seed=s, every_s=0.5)).verdict.value for s in range(30))
    assert found["undecided"] >= 24
    assert found["fail"] <= 3
    assert found["pass"] <= 3


def test_the_amplitude_is_that_of_scipy() -> None:
    """scipy's generalised periodogram of each window's readings, a constant fitted along."""
    made = car(4.0, every_s=0.2, noise_pct=0.2)
    result = judged(made)
    engine = made.channels["engine_speed"]
    found = []
    for window in result.windows:
        inside = (engine.time_s >= window.start_s) & (engine.time_s <= window.end_s)
        t, v = engine.time_s[inside], engine.values[inside]
        pace = 2 * np.pi * np.linspace(1 / 7.5, 1 / 2.5, 400)
        power = lombscargle(t - t[0], v - v.mean(), pace, floating_mean=True, normalize=True)
        share = power.max()
        found.append(100 * np.sqrt(2 * share * v.var()) / v.mean())
    assert result.value == pytest.approx(np.median(found), abs=0.1)


def test_an_open_converter_hides_nothing() -> None:
    assert judged(car(4.5, open_converter=True)).finding == "surges"
    assert judged(car(2.0, open_converter=True)).finding == "steady"


def test_a_pumping_foot_is_no_surge() -> None:
    assert judged(car(5.0, foot_points=1.5)).finding == "foot-moves-too"


def test_a_surge_at_one_hold_of_four_stays_open() -> None:
    result = judged(car(5.0, holds=4, only_hold=1))
    assert result.finding == "sometimes-surges"
    assert "2 of 8" in result.why


def test_near_the_limit_it_is_open() -> None:
    assert judged(car(3.0, every_s=1.0, noise_pct=0.8)).finding == "near-limit"


def test_wandering_without_a_pace_is_uneven_and_no_fail() -> None:
    result = judged(car(0.0, noise_pct=2.2, every_s=0.5))
    assert result.finding == "uneven"
    assert result.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    "made",
    [
        lambda: car(5.0, hold_s=12.0, holds=4),
        lambda: car(5.0, holds=1, hold_s=22.0),
        lambda: car(5.0, pedal=1.0),  # as with cruise control: the foot is off
        lambda: car(5.0, base_kmh=15.0),
        lambda: drive(),
    ],
)
def test_without_steady_driving_there_is_nothing_to_judge(made: Any) -> None:
    assert judged(made()).finding == "no-steady-drive"


def test_a_gearbox_without_steps_is_left_out() -> None:
    base = car(0.0)
    sliding = changed(
        base,
        lambda c: (
            channel(c.name, c.time_s, c.values * (1.0 + 0.3 * np.sin(c.time_s / 6)), 1.0)
            if c.name == "engine_speed"
            else c
        ),
    )
    assert judged(sliding).finding == "no-steady-drive"


@pytest.mark.parametrize("name", ["engine_speed", "vehicle_speed", "pedal"])
def test_without_a_channel_nothing_passes(name: str) -> None:
    result = judged(without(car(0.0), name))
    assert result.finding == "channel-missing"
    assert name.split("_")[0] in result.why


def test_slow_readings_cannot_tell() -> None:
    assert judged(car(0.0, every_s=1.3)).finding == "too-slow-to-tell"
    assert judged(car(6.0, every_s=2.0)).finding == "too-slow-to-tell"


def test_windows_of_several_drives_count_together() -> None:
    one, other = car(0.0, holds=1, hold_s=22.0, seed=1), car(0.0, holds=1, hold_s=22.0, seed=2)
    assert judged(one).finding == "no-steady-drive"
    result = judged(one, other)
    assert result.finding == "steady"
    assert {w.recording for w in result.windows} == {0, 1}


def test_no_window_spans_a_gap_and_none_overlap() -> None:
    made = with_gap(car(0.0, hold_s=90.0), 40.0, 43.0)
    found = driving(made, SLOWEST)
    windows = steady_windows(made, found)
    assert len(windows) >= 6
    assert all(not (start < 43.0 and end > 40.0) for start, end in windows)
    assert all(b[0] >= a[1] - 1e-9 for a, b in itertools.pairwise(windows))


@settings(max_examples=25, deadline=None)
@given(
    st.floats(3.6, 6.0), st.floats(2.6, 7.4), st.integers(0, 10_000),
    st.sampled_from([0.2, 0.5, 1.0]), st.sampled_from([0.0, 0.5]),
)  # fmt: skip
def test_a_car_that_surges_never_passes(
    amplitude: float, period: float, seed: int, every_s: float, skew_s: float
) -> None:
    made = car(amplitude, period_s=period, seed=seed, every_s=every_s, skew_s=skew_s, step_s=0.05)
    assert judged(made).verdict is not Verdict.PASS


@settings(max_examples=25, deadline=None)
@given(
    st.floats(0.0, 2.4), st.floats(2.6, 7.4), st.integers(0, 10_000),
    st.sampled_from([0.2, 0.5, 1.0]), st.floats(0.1, 0.8),
)  # fmt: skip
def test_a_good_car_never_fails(
    amplitude: float, period: float, seed: int, every_s: float, noise: float
) -> None:
    made = car(amplitude, period_s=period, seed=seed, every_s=every_s, noise_pct=noise, step_s=0.05)
    assert judged(made).verdict is not Verdict.FAIL


@pytest.mark.parametrize("name", zoo())
def test_nasty_recordings_earn_nothing(name: str) -> None:
    assert judged(zoo()[name]).verdict is Verdict.UNDECIDED


def test_clock_order_and_pieces_change_nothing() -> None:
    base = car(0.0)
    moved = changed(base, lambda c: channel(c.name, c.time_s + 4000.25, c.values, c.resolution))
    turned = replace(base, channels=dict(reversed(list(base.channels.items()))))
    assert judged(moved).finding == judged(base).finding
    assert judged(turned).to_json() == judged(base).to_json()
    assert judged().verdict is Verdict.UNDECIDED
    assert judged(kept(base, lambda t: t < 1.0)).verdict is Verdict.UNDECIDED


PINNED = (4.626929393688128, 0.205313643920696)


def test_pinned_at_version_1() -> None:
    """Written out by plain arithmetic: no random generator can change it."""
    t = np.arange(0.0, 90.0, 0.5)
    wave = np.sin(2 * np.pi * t / 4.1) + 0.2 * np.sin(1.9 * t) + 0.1 * np.cos(5.3 * t)
    engine = np.round(1980.0 * (1.0 + 0.045 * wave))
    made = recording(
        [
            channel("engine_speed", t, engine),
            channel("vehicle_speed", t + 0.1, np.full(len(t), 60.0)),
            channel("pedal", t + 0.2, np.where((t > 5) & (t < 80), 22.0, 0.0)),
        ]
    )
    result = judged(made).to_json()
    assert SURGE.version == 1
    assert (result["verdict"], result["finding"]) == ("fail", "surges")
    assert result["value"] == pytest.approx(PINNED[0], rel=1e-9)
    assert result["uncertainty"] == pytest.approx(PINNED[1], rel=1e-9)


# --- real cars -----------------------------------------------------------------------------------

# Round-robin logger, one diesel car: two drives with steady stretches, and what they are.
STEADY_DRIVES = (
    "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f",
    "779bafddce7f5e8716cbb8d6118cba49bf0bd90c6a4b3a76dc4d8993210c7c6c",
)
OTHERS = (
    "a5430dbfad877991546d2a23322386a123100a883fc21e5fb5c30953525c3020",
    "a3967da1cd5d681de87fabfb4d560f5dd9c29748bfbe959e583dbe58fea27b66",
    "203b4d365d31b71bfab2e9087297173f64a8a1cd5a050c93d9bd26366fd90e26",
    "e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7",
    "f498d1a26cbc0de086a34b6ff1ddddef12a9040890567e59732ada87a5397380",
)


def read(sha256: str) -> Recording:
    return read_recording(io.BytesIO(real_recording(sha256).read_bytes()), "drive")


@pytest.mark.parametrize("sha256", [*STEADY_DRIVES, *OTHERS])
def test_no_healthy_car_is_failed(sha256: str) -> None:
    assert judged(read(sha256)).verdict is not Verdict.FAIL


@pytest.mark.parametrize("sha256", STEADY_DRIVES)
def test_steady_stretches_of_a_real_car_are_as_even_as_pandas_says(sha256: str) -> None:
    """From the file's own rows: in each window the pedal is held, the ratio is kept, and the rest
    of a rolling line is small."""
    frame = pd.read_csv(real_recording(sha256))
    frame.columns = [c.split("[")[0].strip() for c in frame.columns]
    frame = frame.dropna()
    t = pd.to_timedelta(frame["Time"]).dt.total_seconds()
    first = pd.to_timedelta(pd.read_csv(real_recording(sha256)).iloc[0, 0]).total_seconds()
    t = (t - first).to_numpy()
    result = judged(read(sha256))
    assert result.finding == "steady"
    for window in result.windows:
        inside = (t >= window.start_s) & (t <= window.end_s)
        pedal = frame["Accelerator Pedal Position D"][inside]
        speed, engine = frame["Vehicle Speed Sensor"][inside], frame["Engine RPM"][inside]
        assert np.ptp(pedal) <= 4.0
        assert pedal.min() > frame["Accelerator Pedal Position D"].min() + 3.0
        assert speed.min() >= 20
        ratio = engine / speed
        assert ratio.max() / ratio.min() < 1.0 + 2 * 0.08 + 0.06
        x = t[inside]
        flat = engine - np.polyval(np.polyfit(x, engine, 2), x)
        assert 100 * np.sqrt(2) * flat.std() / engine.mean() <= LIMIT_PCT
