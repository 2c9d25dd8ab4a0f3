"""Two tracks of one position: sound ones of every slope pass, bent and jumping ones do not.

The tracks are made here by plain arithmetic; how far one is off is known.
"""

from __future__ import annotations

import hashlib
import io
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from tests.nasty import spec
from tests.outside.test_real_judge import ROUND_ROBIN
from verify.evidence.checks.pairs import PEDAL_PAIR, THROTTLE_PAIR
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict

STEP = 100.0 / 255.0
Fault = Callable[[np.ndarray, np.ndarray], np.ndarray]


def sound(p: np.ndarray, _t: np.ndarray) -> np.ndarray:
    return 0.0 * p


def bent(size: float, middle: float = 55.0, width: float = 9.0) -> Fault:
    """A worn spot of the track around one place."""
    return lambda p, t: size * np.exp(-(((p - middle) / width) ** 2))


def stepped(size: float) -> Fault:
    return lambda p, t: np.where(t > 80.0, size, 0.0)


def another_ratio(share: float) -> Fault:
    return lambda p, t: np.where(t > 80.0, share * (15.0 + 0.7 * p), 0.0)


def made(
    fault: Fault = sound,
    *,
    hz: float = 2.0,
    seed: int = 0,
    slope: float = 0.5,
    start: float = 1.0,
    seconds: float = 160.0,
    names: tuple[str, str] = ("pedal_d", "pedal_e"),
    highest: float = 100.0,
    apart: float = 0.5,
    skew_s: float = 0.0,
    wild: Sequence[int] = (),
) -> Recording:
    """Presses of 5 s to about 20, 40, 55, 70, 95 % over and over; the second track is read half a
    turn after the first, and `fault` is added to it in points of the first track's reading."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, seconds, 0.01)
    pedal = np.zeros(len(fine))
    levels = np.minimum(np.array([20.0, 40.0, 55.0, 70.0, 95.0] * 9), highest)
    for place, begin in enumerate(np.arange(5.0, seconds - 6.0, 10.0)):
        held = (fine >= begin) & (fine < begin + 5.0)
        pedal[held] = levels[place] + rng.normal(0, 2.0)
    pedal = np.convolve(pedal, np.ones(30) / 30.0, "same").clip(0.0, 100.0)
    count = int(seconds * hz) - 1
    first_t = (np.arange(count) + rng.uniform(0, 0.1, count)) / hz
    second_t = first_t + apart / hz
    first = 15.0 + 0.7 * np.interp(first_t, fine, pedal)
    place = np.interp(second_t, fine, pedal)
    second = start + slope * (15.0 + 0.7 * place + fault(place, second_t))
    second[list(wild)] = 0.0
    return recorded(
        [
            _channel(names[0], first_t, first, hz, skew_s),
            _channel(names[1], second_t if apart else first_t, second, hz, skew_s),
        ]
    )


def _channel(name: str, t: np.ndarray, v: np.ndarray, hz: float, skew_s: float) -> Channel:
    values = np.clip(np.round(v / STEP) * STEP, 0.0, 100.0)
    return Channel(name, "%", t, values, STEP, 1.0 / hz, "", skew_s)


def recorded(channels: Sequence[Channel], gaps: Any = ()) -> Recording:
    digest = hashlib.sha256()
    for c in channels:
        digest.update(c.name.encode() + c.time_s.tobytes() + c.values.tobytes())
    return Recording(
        "made", digest.hexdigest(), "made", 1, len(channels[0].time_s), 160.0,
        {c.name: c for c in channels}, tuple(gaps),
    )  # fmt: skip


def judged(*recordings: Recording, check: Any = PEDAL_PAIR, **specs: str) -> CheckResult:
    values = {name: spec(text) for name, text in specs.items()}
    result: CheckResult = check.run(check, list(recordings), values, Rule())
    result.to_json()
    return result


SLOPES = [(0.5, 1.0), (1.0, 0.4), (-0.95, 98.0), (0.8, 6.0)]


@pytest.mark.parametrize("hz", [1.0, 2.0, 10.0])
@pytest.mark.parametrize(("slope", "start"), SLOPES)
def test_sound_tracks_of_any_slope_agree(slope: float, start: float, hz: float) -> None:
    for seed in range(4):
        result = judged(made(slope=slope, start=start, hz=hz, seed=seed))
        assert result.finding == "agree", result.why
        assert result.value is not None
        assert result.value < 1.5


@pytest.mark.parametrize("hz", [1.0, 2.0, 10.0])
@pytest.mark.parametrize(("slope", "start"), SLOPES)
@pytest.mark.parametrize("fault", [bent(8.0), bent(-8.0), stepped(8.0), another_ratio(0.14)])
def test_a_track_that_is_off_fails(slope: float, start: float, hz: float, fault: Fault) -> None:
    result = judged(made(fault, slope=slope, start=start, hz=hz, seed=3))
    assert result.finding == "apart", result.why
    assert result.verdict is Verdict.FAIL


@pytest.mark.parametrize("size", [2.0, 3.5])
def test_a_small_bend_does_not_fail(size: float) -> None:
    for seed in range(4):
        result = judged(made(bent(size), seed=seed, slope=1.0))
        assert result.verdict is not Verdict.FAIL, result.why


def test_a_bend_at_the_limit_is_undecided() -> None:
    findings = {judged(made(bent(5.0), slope=1.0, seed=s)).finding for s in range(4)}
    assert "near-limit" in findings
    assert "no-relation" not in findings


def test_where_half_the_travel_is_off_nothing_passes_and_the_ratio_settles_it() -> None:
    """The levels alone cannot tell which half is the sound one."""
    half = made(lambda p, t: 7.5 * np.clip((p - 45.0) / 20.0, 0.0, 1.0), slope=0.5, start=0.0)
    assert judged(half).verdict is not Verdict.PASS
    assert judged(half, pedal_pair_ratio="2").finding == "apart"


def test_a_ratio_or_a_sum_that_is_kept_passes_and_one_that_is_not_fails() -> None:
    assert judged(made(slope=0.5, start=0.0), pedal_pair_ratio="2").finding == "agree"
    assert judged(made(slope=0.5, start=6.0), pedal_pair_ratio="2").finding == "apart"
    assert judged(made(slope=-1.0, start=100.0), pedal_pair_sum="100 %").finding == "agree"
    assert judged(made(slope=-1.0, start=92.0), pedal_pair_sum="100 %").finding == "apart"


@pytest.mark.parametrize(
    "specs",
    [
        {"pedal_pair_ratio": "40"},
        {"pedal_pair_sum": "3 %"},
        {"pedal_travel": "2 %"},
        {"pedal_pair_ratio": "2", "pedal_pair_sum": "100 %"},
    ],
)
def test_a_number_that_cannot_be_meant_is_refused(specs: dict[str, str]) -> None:
    assert judged(made(), **specs).finding == "spec-implausible"


def test_a_track_that_does_not_move_fails() -> None:
    result = judged(made(slope=1e-6, start=40.0))
    assert result.finding == "one-still"
    assert result.verdict is Verdict.FAIL


@pytest.mark.parametrize("hz", [1.0, 10.0])
def test_a_reading_below_the_rest_is_a_drop_out_with_its_time(hz: float) -> None:
    result = judged(made(hz=hz, wild=[30]))
    assert result.finding == "drop-out"
    assert result.windows[0].start_s == pytest.approx(30.5 / hz, abs=0.2 / hz)
    both = made(hz=hz)
    first = both.channels["pedal_d"]
    values = first.values.copy()
    values[30] = 0.0
    turned = recorded([replace(first, values=values), both.channels["pedal_e"]])
    assert judged(turned).finding == "drop-out"


def test_one_reading_far_up_between_steady_ones_is_no_pass() -> None:
    """At two readings a second a short press could hide there; at 10 a second none could."""
    for hz, finding in ((2.0, "single-readings"), (20.0, "drop-out")):
        base = made(hz=hz, slope=1.0)
        second = base.channels["pedal_e"]
        values = second.values.copy()
        values[int(3.0 * hz)] += 40.0
        result = judged(recorded([base.channels["pedal_d"], replace(second, values=values)]))
        assert result.finding == finding, result.why


def test_little_travel_is_undecided() -> None:
    assert judged(made(highest=25.0)).finding == "too-little-travel"


def test_movement_between_the_readings_is_no_fault() -> None:
    """A pedal that never rests: the two tracks differ by up to ten points at every reading."""
    t = np.arange(0.0, 200.0, 0.5)
    swing = 50.0 + 30.0 * np.sin(2 * np.pi * t / 7.0)
    later = 50.0 + 30.0 * np.sin(2 * np.pi * (t + 0.25) / 7.0)
    assert np.max(np.abs(swing - later)) > 6.0
    moving = recorded(
        [_channel("pedal_d", t, swing, 2.0, 0.0), _channel("pedal_e", t + 0.25, later, 2.0, 0.0)]
    )
    assert judged(moving).verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("hz", [1.0, 2.0, 10.0])
def test_rows_that_hide_when_they_were_read_do_not_fail_sound_tracks(hz: float) -> None:
    """Both tracks under one time, read up to a row apart: said by skew_s, and borne without."""
    for skew_s in (0.0, 1.0 / hz):
        base = made(hz=hz, slope=1.0)
        first, second = base.channels["pedal_d"], base.channels["pedal_e"]
        rows = recorded(
            [replace(first, skew_s=skew_s), replace(second, time_s=first.time_s, skew_s=skew_s)]
        )
        assert judged(rows).verdict is not Verdict.FAIL


@pytest.mark.parametrize("sha256", ROUND_ROBIN)
def test_no_real_pedal_is_failed(sha256: str) -> None:
    """A sound car whose two tracks correlate by 0.96 to 0.98 only, being read one row apart, and
    rest at 14.1 and 14.5 %."""
    made_of = read_recording(io.BytesIO(real_recording(sha256).read_bytes()), sha256[:12])
    result = judged(made_of)
    assert result.verdict is not Verdict.FAIL, result.why
    if result.finding == "agree":
        assert result.to_json()["slope"] == pytest.approx(1.0, abs=0.04)


def test_a_real_pedal_that_was_moved_enough_passes() -> None:
    data = real_recording(ROUND_ROBIN[1]).read_bytes()
    assert judged(read_recording(io.BytesIO(data), "real")).finding == "agree"


def test_the_throttles_tracks_are_judged_alike() -> None:
    names = ("throttle", "throttle_b")
    assert judged(made(names=names), check=THROTTLE_PAIR).finding == "agree"
    assert judged(made(bent(9.0), names=names), check=THROTTLE_PAIR).finding == "apart"
    assert judged(made(), check=THROTTLE_PAIR).finding == "channel-missing"


def test_recordings_are_judged_together() -> None:
    low, high = made(highest=42.0), made(bent(9.0), seed=5)
    assert judged(low).finding == "too-little-travel"
    assert judged(low, high).finding == "apart"
    assert judged(low, high).windows[0].recording == 1


def nasty() -> dict[str, list[Recording]]:
    base = made()
    first, second = base.channels["pedal_d"], base.channels["pedal_e"]
    empty = np.empty(0)
    return {
        "none": [],
        "no channels": [replace(base, channels={})],
        "one track": [recorded([first])],
        "empty": [
            recorded([replace(c, time_s=empty, values=empty, interval_s=float("nan"))
                      for c in (first, second)])
        ],
        "one reading": [
            recorded([replace(c, time_s=c.time_s[:1], values=c.values[:1], interval_s=float("nan"))
                      for c in (first, second)])
        ],
        "constant": [recorded([replace(c, values=0.0 * c.values + 15.0) for c in (first, second)])],
        "noise": [
            recorded([
                replace(c, values=np.random.default_rng(i).uniform(0, 100, len(c.values)))
                for i, c in enumerate((first, second))
            ])
        ],
        "apart in time": [recorded([first, replace(second, time_s=second.time_s + 1e4)])],
        "enormous": [recorded([replace(c, values=c.values * 1e200) for c in (first, second)])],
        "every 5 s": [
            recorded([replace(c, time_s=c.time_s * 10, interval_s=5.0) for c in (first, second)])
        ],
        "gaps everywhere": [
            replace(base, gaps=tuple((float(t), t + 0.1) for t in np.arange(0.3, 160.0, 0.5)))
        ],
    }  # fmt: skip


@pytest.mark.parametrize("name", nasty())
def test_nasty_recordings_break_nothing_and_pass_nothing(name: str) -> None:
    with np.errstate(all="ignore"):
        result = judged(*nasty()[name])
    assert result.verdict is not Verdict.PASS
    assert result.why


@given(st.integers(0, 50), st.floats(-1e5, 1e5))
@settings(max_examples=15, deadline=None)
def test_the_clock_and_the_order_of_channels_change_nothing(seed: int, shift: float) -> None:
    base = made(bent(4.0), seed=seed)
    shift = float(np.round(shift * 8) / 8)
    moved = recorded(
        [replace(c, time_s=c.time_s + shift) for c in reversed(list(base.channels.values()))]
    )
    one, other = judged(base), judged(moved)
    assert (one.verdict, one.finding) == (other.verdict, other.finding)


@given(st.integers(0, 200), st.sampled_from([0.5, 1.0, 2.0, 5.0]))
@settings(max_examples=30, deadline=None)
def test_a_bend_well_beyond_the_limit_never_passes(seed: int, hz: float) -> None:
    rng = np.random.default_rng(seed)
    fault = bent(float(rng.choice([-1, 1])) * rng.uniform(6.5, 10.0), rng.choice([20, 40, 55, 70]))
    slope, start = SLOPES[seed % 4]
    assert judged(made(fault, hz=hz, seed=seed, slope=slope, start=start)).verdict is not (
        Verdict.PASS
    )


def test_the_stated_interval_covers_the_true_bend() -> None:
    """Of a bend of 7 points: the resolution rules, so 93 % or more."""
    inside = []
    for seed in range(60):
        result = judged(made(bent(7.0), seed=seed, slope=1.0))
        assert result.value is not None
        assert result.uncertainty is not None
        # The bend as it was where the pedal really stood: the nearest level to its middle.
        reached = 7.0 * np.exp(-((_nearest(seed) / 9.0) ** 2))
        inside.append(abs(result.value - reached) <= 1.96 * result.uncertainty)
    assert np.mean(inside) >= 0.93


def _nearest(seed: int) -> float:
    """How near to 55 % any press came (the same draws as in `made`)."""
    rng = np.random.default_rng(seed)
    levels = np.array([20.0, 40.0, 55.0, 70.0, 95.0] * 9)
    count = len(np.arange(5.0, 154.0, 10.0))
    return float(np.min(np.abs(levels[:count] + rng.normal(0, 2.0, count) - 55.0)))


def passing_by(size: float, begin: float, seconds: float) -> Fault:
    return lambda p, t: np.where((t >= begin) & (t < begin + seconds), size, 0.0)


@pytest.mark.parametrize("hz", [2.0, 5.0, 20.0])
def test_an_offset_that_comes_or_goes_in_mid_hold_is_told_whole(hz: float) -> None:
    """Not averaged over the hold: the interval stated holds the true size."""
    rng = np.random.default_rng(8)
    within = told = 0
    for seed in range(24):
        size = float(rng.choice((-1.0, 1.0)) * rng.uniform(1.5, 3.5))
        # From 2 to 3.5 s into a hold of 5 s, or over its end.
        begin = 5.0 + 10.0 * int(rng.integers(2, 12)) + float(rng.uniform(1.3, 3.5))
        r = judged(made(passing_by(size, begin, float(rng.uniform(2.0, 7.0))), hz=hz, seed=seed))
        assert r.verdict is not Verdict.FAIL
        if r.value is not None and r.uncertainty is not None:
            told += 1
            within += abs(r.value - abs(size)) <= 2.5 * r.uncertainty
    assert told >= 20
    assert within >= 0.9 * told


def test_a_far_offset_of_two_seconds_in_a_hold_is_no_pass() -> None:
    for seed in range(6):
        r = judged(made(passing_by(9.0, 57.0, 2.0), hz=5.0, seed=seed))
        assert r.finding == "apart"


@pytest.mark.parametrize("slope", [-0.95, 0.5, 1.0])
def test_many_readings_at_rest_propose_no_line_of_their_own(slope: float) -> None:
    """An offset of half the limit over two levels of one short climb: rest, 25, 50, 75, 100."""
    t = np.arange(0.0, 45.0, 0.5)
    steps = np.select([t >= 31, t >= 26, t >= 21, t >= 16, t >= 10], [0, 100, 75, 50, 25], 0.0)
    # A rest that flickers by a step in both tracks, each in its own time.
    flicker = np.random.default_rng(3).uniform(-0.3, 0.3, (2, len(t)))
    first = 14.2 + 0.63 * steps + flicker[0]
    off = np.where((t >= 17.5) & (t < 25.5), 2.6, 0.0)
    second = (98.0 if slope < 0 else 2.0) + slope * (first + off + flicker[1])
    both = [_channel("pedal_d", t, first, 2.0, 0.0), _channel("pedal_e", t + 0.1, second, 2.0, 0.0)]
    result = judged(recorded(both))
    assert result.finding == "agree"
    assert result.value == pytest.approx(2.6, abs=0.6)


def test_hours_are_judged_in_a_moment() -> None:
    long = _long()
    began = time.perf_counter()
    assert judged(long).finding == "agree"
    assert time.perf_counter() - began < 6.0


def _long() -> Recording:
    t = np.arange(0.0, 50_000.0, 0.1)
    pedal = 15.0 + 0.7 * np.array([0.0, 20.0, 40.0, 60.0, 80.0])[(t // 5).astype(int) * 7 % 5]
    return recorded(
        [_channel("pedal_d", t, pedal, 10.0, 0.0), _channel("pedal_e", t + 0.05, pedal, 10.0, 0.0)]
    )


def test_the_check_says_what_it_said() -> None:
    """Pinned at version 2: plain arithmetic, no random numbers."""
    t = np.arange(0.0, 120.0, 0.5)
    pedal = 15.0 + 0.7 * np.array([0.0, 25.0, 50.0, 75.0, 100.0])[(t // 5).astype(int) * 3 % 5]
    second = 1.0 + 0.5 * (pedal + np.where(pedal == 50.0, 3.0, 0.0))
    made_of = recorded(
        [_channel("pedal_d", t, pedal, 2.0, 0.0), _channel("pedal_e", t + 0.2, second, 2.0, 0.0)]
    )
    result = judged(made_of)
    assert PEDAL_PAIR.version == 3
    assert (result.finding, result.samples) == PINNED[:2]
    assert result.value == pytest.approx(PINNED[2], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[3], rel=1e-9)


PINNED = ("agree", 216, 2.564441506939844, 0.2785437516074727)
