"""The plate where it is told to stand: sound ones pass, play, offsets and stuck plates do not.

The plate is made here by plain arithmetic (play is a band in which it does not move), so how far
it is off is known.
"""

from __future__ import annotations

import hashlib
import io
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from tests.nasty import drive, spec, zoo
from tests.outside.test_real_judge import ROUND_ROBIN, WIDE, WIDE_MAP
from verify.evidence.checks.throttle_follow import THROTTLE_FOLLOW
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict

STEP = 100.0 / 255.0
UNITS = {"engine_speed": "rpm", "vehicle_speed": "km/h", "map": "kPa"}
STAIRS = (25.0, 50.0, 75.0, 50.0, 25.0, 0.0) * 2
PEDAL = ("pedal_d", "throttle")
COMMAND = ("throttle_commanded", "throttle")
SCALE = {"throttle_closed": "12 %", "throttle_open": "87 %"}
Wrong = Callable[[np.ndarray], np.ndarray]


def right(command: np.ndarray) -> np.ndarray:
    return 0.0 * command


def made(
    levels: Sequence[float] = STAIRS,
    *,
    hz: float = 2.0,
    seed: int = 0,
    wrong: Wrong = right,
    play: float = 0.0,
    stuck: float | None = None,
    zero: float = 12.0,
    gain: float = 0.75,
    names: Sequence[str] = PEDAL,
    speed_kmh: float = 0.0,
    engine: str = "follows",
    map_kpa: float | None = None,
    limiter_rpm: float = np.inf,
    idle_creep: float = 0.0,
    skew_s: float = 0.0,
    idle: float = 3.0,
) -> Recording:
    """The pedal held about 5 s at each level; the plate's reading is zero + gain · plate.

    play, wrong, stuck: in percent of plate travel. engine: "follows" the plate, "stays", "off", or
    "follows pedal". idle_creep: by how much idle control closes the plate over the file.
    """
    rng = np.random.default_rng(seed)
    now = 8.0 * rng.uniform(0.8, 1.2)
    seconds = now + 5.3 * len(levels) + 8.0
    fine = np.arange(0.0, seconds, 0.02)
    pedal = np.zeros(len(fine))
    for level in levels:
        pedal[fine >= now] = max(3.0, level + rng.normal(0, 2.0)) if level else 0.0
        now += 5.0 * rng.uniform(0.9, 1.15)
    pedal = np.convolve(np.pad(pedal, 12, "edge"), np.ones(15) / 15.0, "same")[12:-12]
    command = idle + (1.0 - idle / 100.0) * pedal**1.1 / 100.0**0.1
    command = command - idle_creep * (pedal < 1.0) * fine / seconds
    plate = np.empty(len(fine))
    at = float(command[0])
    for place, aim in enumerate((command + wrong(command)).tolist()):
        at = min(max(at, aim - play / 2.0), aim + play / 2.0)
        plate[place] = at
    if stuck is not None:
        plate[:] = stuck
    rpm = 800.0 + {"follows": 45.0 * plate, "follows pedal": 45.0 * pedal}.get(engine, 0.0 * plate)
    plate = np.where(rpm > limiter_rpm, 8.0, plate)
    rpm = np.minimum(rpm, limiter_rpm) + rng.normal(0, 5.0, len(fine))
    truth = {
        "pedal": pedal,
        "pedal_d": 15.0 + 0.72 * pedal,
        "throttle": zero + gain * np.concatenate([plate[:1].repeat(4), plate[:-4]]),
        "throttle_commanded": command,
        "engine_speed": 0.0 * rpm if engine == "off" else rpm,
        "vehicle_speed": 0.0 * pedal + speed_kmh,
        "map": 0.0 * pedal + (map_kpa or 0.0),
    }
    use = [*names, "engine_speed", "vehicle_speed", *(["map"] if map_kpa is not None else [])]
    channels = []
    for place, name in enumerate(use):
        count = int(seconds * hz) - 1
        t = (np.arange(count) + place / len(use) + rng.uniform(0, 0.1, count)) / hz
        step = 1.0 if name in UNITS else STEP
        values = np.clip(np.round(np.interp(t, fine, truth[name]) / step) * step, 0.0, 9999.0)
        channels.append(Channel(name, UNITS.get(name, "%"), t, values, step, 1.0 / hz, "", skew_s))
    return recorded(channels)


def recorded(channels: Sequence[Channel]) -> Recording:
    digest = hashlib.sha256()
    for c in channels:
        digest.update(c.name.encode() + c.time_s.tobytes() + c.values.tobytes())
    longest = max((len(c.time_s) for c in channels), default=0)
    return Recording(
        "made", digest.hexdigest(), "made", 1, longest, 90.0, {c.name: c for c in channels}
    )


def judged(*recordings: Recording, **specs: str) -> CheckResult:
    values = {name: spec(text) for name, text in specs.items()}
    result = THROTTLE_FOLLOW.run(THROTTLE_FOLLOW, list(recordings), values, Rule())
    result.to_json()
    return result


RATES = (1.0, 2.0, 10.0)


def on_own_scale(made_of: Recording) -> Recording:
    """With a command on the reading's own scale, which rests as high as the reading."""
    old = made_of.channels["throttle_commanded"]
    values = np.round((12.0 + 0.75 * old.values) / STEP) * STEP
    return recorded([replace(old, values=values) if c is old else c
                     for c in made_of.channels.values()])  # fmt: skip


@pytest.mark.parametrize("hz", RATES)
def test_a_command_that_idles_high_is_on_the_readings_own_scale(hz: float) -> None:
    """An offset or a gain that no scale in percent of travel could make is then seen."""
    for seed in range(3):
        for wrong, finding in (
            (lambda c: 0.0 * c + 9.5, "off-position"),
            (lambda c: 0.0 * c + 4.8, "follows"),
            (lambda c: -0.14 * (c - 3.0), "off-position"),
            (lambda c: -0.03 * (c - 3.0), "follows"),
        ):
            base = made(wrong=wrong, names=COMMAND, seed=seed, hz=hz)
            result = judged(on_own_scale(base))
            assert result.finding == finding, result.why


@settings(max_examples=60, deadline=None)
@given(
    st.floats(8.0, 20.0), st.floats(75.0, 96.0), st.floats(2.0, 15.0), st.integers(0, 9)
)  # fmt: skip
def test_no_scale_and_no_idle_makes_a_sound_plate_fail(
    closed: float, opened: float, idle: float, seed: int
) -> None:
    """Command in percent of travel, on every scale of the trade, from warm idle to a cold one."""
    gain = (opened - closed) / 100.0
    result = judged(made(names=COMMAND, zero=closed, gain=gain, idle=idle, seed=seed))
    assert result.verdict is not Verdict.FAIL, result.why


@pytest.mark.parametrize("hz", RATES)
def test_a_sound_plate_follows_the_pedal(hz: float) -> None:
    for seed in range(6):
        result = judged(made(hz=hz, seed=seed))
        assert result.finding == "follows", result.why
        assert result.value is not None
        assert result.value < 1.0


@pytest.mark.parametrize("hz", RATES)
@pytest.mark.parametrize("points", [1.0, 3.0])
def test_a_little_play_passes(hz: float, points: float) -> None:
    for seed in range(4):
        result = judged(made(hz=hz, seed=seed, play=points / 0.75))
        assert result.finding == "follows", result.why
        assert result.value == pytest.approx(points, abs=0.8)


@pytest.mark.parametrize("hz", RATES)
def test_play_beyond_the_limit_fails(hz: float) -> None:
    for seed in range(4):
        result = judged(made(hz=hz, seed=seed, play=7.0 / 0.75))
        assert result.finding == "hysteresis", result.why
        assert result.value == pytest.approx(7.0, abs=0.8)


def test_play_at_the_limit_is_undecided() -> None:
    assert "near-limit" in {judged(made(seed=s, play=5.0 / 0.75)).finding for s in range(6)}


def test_play_fails_against_the_command_too_whatever_the_scale() -> None:
    base = made(names=COMMAND, play=7.0 / 0.75)
    assert judged(base).finding == "hysteresis"
    assert judged(base, **SCALE).finding == "hysteresis"
    same_scale = made(names=COMMAND, play=7.0, zero=0.0, gain=1.0)
    assert judged(same_scale).verdict is Verdict.FAIL


@pytest.mark.parametrize("hz", RATES)
def test_with_the_scale_known_the_command_shows_offset_gain_and_a_wrong_place(hz: float) -> None:
    assert judged(made(hz=hz, names=COMMAND), **SCALE).finding == "follows"
    for wrong in (
        lambda c: 9.0 + 0.0 * c,
        lambda c: -0.13 * c,
        lambda c: -9.0 * np.exp(-(((c - 50.0) / 8.0) ** 2)),
    ):
        result = judged(made(hz=hz, names=COMMAND, wrong=wrong), **SCALE)
        assert result.finding == "off-position", result.why


def test_an_unknown_scale_hides_offset_and_gain_so_nothing_passes() -> None:
    for wrong in (right, lambda c: 9.0 + 0.0 * c, lambda c: -0.13 * c):
        result = judged(made(names=COMMAND, wrong=wrong))
        assert result.finding == "scale-unknown", result.why
        assert "throttle_closed" in result.settle


def test_an_unknown_scale_still_shows_a_crooked_plate() -> None:
    crooked = made(names=COMMAND, wrong=lambda c: -10.0 * np.exp(-(((c - 50.0) / 8.0) ** 2)))
    assert judged(crooked).finding == "off-position"


def test_scales_that_agree_are_compared_directly() -> None:
    how = {"names": COMMAND, "zero": 0.0, "gain": 1.0}
    assert judged(made(**how)).finding == "follows"  # type: ignore[arg-type]
    too_far = made(wrong=lambda c: 7.0 * (c > 20), **how)  # type: ignore[arg-type]
    assert judged(too_far).finding == "off-position"
    # A gain of 0.85 may be a reading that counts to 85 %: not told apart, so not decided.
    assert judged(made(names=COMMAND, zero=0.0, gain=0.85)).finding == "scale-unknown"


def test_one_level_is_not_enough_without_a_command() -> None:
    thirds = (33.0, 0.0) * 10
    result = judged(made(thirds))
    assert result.finding == "one-level-only"
    assert "three quarters" in result.settle
    same = made(thirds, names=COMMAND, zero=0.0, gain=1.0)
    assert judged(same).finding == "follows"


def test_levels_reached_from_below_only_do_not_show_play() -> None:
    for play in (0.0, 9.0):
        result = judged(made((25.0, 0.0, 50.0, 0.0, 75.0, 0.0) * 3, play=play))
        assert result.finding == "one-direction-only"


def test_a_plate_that_opens_to_different_places_fails() -> None:
    """Every third press stops 9 points short."""
    base = made((40.0, 0.0, 70.0, 0.0) * 6)
    throttle = base.channels["throttle"]
    short = (throttle.values > 30.0) & ((throttle.time_s // 31.0).astype(int) % 3 == 1)
    result = judged(_with(base, throttle, throttle.values - 9.0 * short))
    assert result.finding == "off-position"


def test_a_plate_lower_at_more_pedal_fails() -> None:
    base = made((30.0, 0.0, 70.0, 0.0) * 5, engine="off")
    throttle = base.channels["throttle"]
    turned = np.where(throttle.values > 45.0, 22.0, throttle.values)
    assert judged(_with(base, throttle, turned)).finding == "off-position"


def _with(base: Recording, channel: Channel, values: np.ndarray) -> Recording:
    changed = replace(channel, values=values)
    return recorded([changed if c is channel else c for c in base.channels.values()])


def test_a_pinned_plate_fails_where_the_engine_does_not_answer() -> None:
    result = judged(made(stuck=8.0))
    assert result.finding == "fixed-opening"
    assert result.windows


def test_a_pinned_plate_of_an_engine_that_answers_is_another_kind() -> None:
    """As a diesel's flap, or a sensor that is not the throttle's; intake pressure tells."""
    answers = {"stuck": 8.0, "engine": "follows pedal"}
    assert judged(made(**answers)).finding == "not-this-kind"  # type: ignore[arg-type]
    throttled = made(map_kpa=38.0, **answers)  # type: ignore[arg-type]
    assert judged(throttled).finding == "fixed-opening"
    open_intake = made(map_kpa=98.0, **answers)  # type: ignore[arg-type]
    assert judged(open_intake).finding == "not-this-kind"


def test_a_flap_that_rests_wide_open_is_another_kind() -> None:
    assert judged(made(stuck=95.0, engine="follows pedal")).finding == "not-this-kind"


def test_a_command_that_moves_a_plate_that_does_not_fails_with_the_engine_off_too() -> None:
    for engine in ("stays", "off"):
        result = judged(made(stuck=8.0, names=COMMAND, engine=engine))
        assert result.finding == "not-moving"
        assert result.verdict is Verdict.FAIL


def test_a_still_plate_with_the_engine_off_is_not_failed_by_the_pedal() -> None:
    assert judged(made(stuck=8.0, engine="off")).verdict is not Verdict.FAIL


def test_a_sound_plate_passes_with_key_on_and_engine_off() -> None:
    assert judged(made(engine="off")).finding == "follows"


@pytest.mark.parametrize("names", [PEDAL, COMMAND])
def test_nothing_is_judged_on_the_road(names: Sequence[str]) -> None:
    for play in (0.0, 12.0):
        assert judged(made(names=names, speed_kmh=50.0, play=play)).finding == "not-parked"


def test_a_parked_limiter_does_not_fail_a_sound_plate() -> None:
    for seed in range(4):
        result = judged(made(seed=seed, limiter_rpm=3600.0))
        assert result.verdict is not Verdict.FAIL, result.why
        assert any("limiter" in note for note in result.notes)


def test_an_idle_that_closes_while_it_warms_up_is_no_fault() -> None:
    for seed in range(4):
        assert judged(made(seed=seed, idle_creep=2.5)).finding == "follows"


def test_a_pedal_that_was_never_held_is_undecided() -> None:
    assert judged(made(())).finding == "nothing-held"


@pytest.mark.parametrize("hz", RATES)
def test_ages_of_readings_do_not_fail_a_sound_plate(hz: float) -> None:
    result = judged(made(hz=hz, skew_s=min(0.8, 0.9 / hz)))
    assert result.verdict is not Verdict.FAIL, result.why


def test_slow_readings_are_undecided() -> None:
    assert judged(made(hz=0.5)).finding == "too-slow-to-tell"
    assert judged(made(hz=0.2)).finding == "too-slow-to-tell"


@pytest.mark.parametrize("missing", ["throttle", "pedal_d", "engine_speed", "vehicle_speed"])
def test_without_a_required_channel_nothing_passes(missing: str) -> None:
    base = made()
    less = recorded([c for n, c in base.channels.items() if n != missing])
    result = judged(less)
    assert result.finding == "channel-missing"
    assert missing.split("_")[0] in result.why


def test_a_scale_that_cannot_be_meant_is_refused() -> None:
    result = judged(made(names=COMMAND), throttle_closed="60 %", throttle_open="87 %")
    assert result.finding == "spec-implausible"


def test_two_recordings_are_judged_together() -> None:
    half = (25.0, 50.0, 75.0, 0.0)
    up, down = made(half), made((75.0, 50.0, 25.0, 0.0), seed=4)
    assert judged(up).verdict is Verdict.UNDECIDED
    assert judged(up, up, down, made(half, seed=6)).finding == "follows"


@pytest.mark.parametrize("sha256", ROUND_ROBIN)
def test_the_flap_of_a_real_diesel_is_not_judged(sha256: str) -> None:
    result = judged(read_recording(io.BytesIO(real_recording(sha256).read_bytes()), sha256[:12]))
    assert result.finding == "not-this-kind"


def test_a_real_drive_of_averages_is_not_judged() -> None:
    data = real_recording(WIDE).read_bytes()
    result = judged(read_recording(io.BytesIO(data), "wide", mapping=WIDE_MAP))
    assert result.verdict is Verdict.UNDECIDED


ZOO = zoo()


@pytest.mark.parametrize("name", ZOO)
def test_the_zoo_breaks_nothing_and_earns_no_pass(name: str) -> None:
    assert judged(ZOO[name]).verdict is Verdict.UNDECIDED
    assert judged(ZOO[name], drive()).verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("name", ["throttle", "pedal_d", "engine_speed", "vehicle_speed"])
@pytest.mark.parametrize("how", ["empty", "one", "constant", "huge", "noise", "negative"])
def test_one_channel_gone_wrong_breaks_nothing_and_earns_no_pass(name: str, how: str) -> None:
    base = made()
    channel = base.channels[name]
    t, v = channel.time_s, channel.values
    nan = float("nan")
    change = {
        "empty": lambda: replace(channel, time_s=t[:0], values=v[:0], interval_s=nan),
        "one": lambda: replace(channel, time_s=t[:1], values=v[:1], interval_s=nan),
        "constant": lambda: replace(channel, values=np.full(len(v), 55.0)),
        "huge": lambda: replace(channel, values=v * 1e9 + 1e9),
        "noise": lambda: replace(channel, values=np.random.default_rng(1).uniform(0, 99, len(v))),
        "negative": lambda: replace(channel, values=-v - 1.0),
    }[how]()
    wrong = recorded([change if c is channel else c for c in base.channels.values()])
    verdict = judged(wrong).verdict
    if name == "engine_speed":
        # Whether the engine runs decides what a fault may be called, and no pass rests on it.
        assert verdict is not Verdict.FAIL
    else:
        assert verdict is not Verdict.PASS


def test_a_level_at_which_the_plate_was_not_read_earns_no_pass() -> None:
    """The plate is wrong at three quarters, and no reading of it is there."""
    base = made(names=COMMAND, wrong=lambda c: -0.13 * c)
    throttle = base.channels["throttle"]
    low = throttle.values < 48.0
    less = replace(throttle, time_s=throttle.time_s[low], values=throttle.values[low])
    left = recorded([less if c is throttle else c for c in base.channels.values()])
    result = judged(left, **SCALE)
    assert result.finding == "too-few-holds", result.why


def test_gaps_in_every_hold_earn_no_pass() -> None:
    gaps = tuple((float(t), t + 0.1) for t in np.arange(0.3, 200.0, 1.0))
    assert judged(replace(made(), gaps=gaps)).verdict is Verdict.UNDECIDED


@given(st.integers(0, 60), st.floats(-1e5, 1e5), st.floats(0.0, 10.0))
@settings(max_examples=15, deadline=None)
def test_the_clock_and_the_order_of_channels_change_nothing(
    seed: int, shift: float, play: float
) -> None:
    base = made(seed=seed, play=play)
    shift = float(np.round(shift * 8) / 8)
    moved = recorded(
        [replace(c, time_s=c.time_s + shift) for c in reversed(list(base.channels.values()))]
    )
    one, other = judged(base), judged(moved)
    assert (one.verdict, one.finding) == (other.verdict, other.finding)


@given(st.integers(0, 300), st.sampled_from([1.0, 2.0, 5.0]), st.floats(6.0, 10.0))
@settings(max_examples=30, deadline=None)
def test_play_well_beyond_the_limit_never_passes(seed: int, hz: float, points: float) -> None:
    assert judged(made(hz=hz, seed=seed, play=points / 0.75)).verdict is not Verdict.PASS


def test_the_stated_interval_covers_the_true_play() -> None:
    """Play of 4 points over many staircases; the resolution rules, so 93 % or more."""
    inside = []
    for seed in range(80):
        result = judged(made(seed=seed, play=4.0 / 0.75))
        assert result.value is not None
        assert result.uncertainty is not None
        inside.append(abs(result.value - 4.0) <= 1.96 * result.uncertainty)
    assert np.mean(inside) >= 0.93


def test_a_day_of_holds_is_judged_in_a_moment() -> None:
    """37,000 seconds at 10 Hz, by repeating a staircase."""
    base = made(hz=10.0)
    seconds = float(np.ceil(max(c.time_s[-1] for c in base.channels.values())) + 1.0)
    times = np.arange(500)[:, None] * seconds
    long = recorded(
        [
            replace(c, time_s=(times + c.time_s).ravel(), values=np.tile(c.values, 500))
            for c in base.channels.values()
        ]
    )
    began = time.perf_counter()
    result = judged(long)
    assert time.perf_counter() - began < 6.0
    assert result.finding == "follows"
    assert any("evenly" in note for note in result.notes)


def test_the_check_says_what_it_said() -> None:
    """Pinned at version 3: plain arithmetic, no random numbers."""
    t = np.arange(0.0, 140.0, 0.5)
    level = np.array([0.0, 25.0, 50.0, 75.0, 50.0, 25.0])[(t // 5).astype(int) % 6]
    rises = np.isin((t // 5).astype(int) % 6, (1, 2, 3))
    plate = 12.0 + 0.7 * level - np.where(rises, 1.5, 0.0)
    pinned = recorded(
        [
            Channel("pedal", "%", t, level, 0.4, 0.5),
            Channel("throttle", "%", t + 0.1, np.round(plate / STEP) * STEP, STEP, 0.5),
            Channel("engine_speed", "rpm", t + 0.2, 800.0 + 30.0 * level, 1.0, 0.5),
            Channel("vehicle_speed", "km/h", t + 0.3, 0.0 * t, 1.0, 0.5),
        ]
    )
    result = judged(pinned)
    assert THROTTLE_FOLLOW.version == 3
    assert (result.finding, result.samples) == PINNED[:2]
    assert result.value == pytest.approx(PINNED[2], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[3], rel=1e-9)


PINNED = ("follows", 63, 1.5686274509804012, 0.2286871972077941)
