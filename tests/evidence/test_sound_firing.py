"""The note that is followed, its octave, and the speed it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import heard
from verify.evidence.sound import speed as speed_module
from verify.evidence.sound.cycles import SPACINGS
from verify.evidence.sound.firing import follow
from verify.evidence.sound.listening import BLOCK_COLUMNS
from verify.evidence.sound.octaves import usual
from verify.evidence.sound.orders import RATIOS, hear_orders
from verify.evidence.sound.speed import firing_hz, speed_by_ear
from verify.evidence.sound.turns import in_turns
from verify.evidence.sound.varies import VARIES

RATE = 2000.0


def comb(
    hz: np.ndarray, *, noise: float = 0.1, only: range = range(1, 40), seed: int = 1
) -> np.ndarray:
    """Multiples of a note that may move, each softer than the one before; never without any
    noise, as no file of 16 bits is."""
    rng = np.random.default_rng(seed)
    phase = 2 * np.pi * np.cumsum(hz) / RATE
    made = sum(
        np.cos(k * phase + k * k) / np.sqrt(k) for k in only if k * float(hz.max()) < 0.45 * RATE
    )
    return np.asarray(made + noise * rng.normal(size=len(hz)), np.float32)


# --- the formula ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rpm", "cylinders", "hz"),
    [
        (600, 4, 20.0),
        (900, 4, 30.0),
        (720, 6, 36.0),
        (750, 8, 50.0),
        (800, 3, 20.0),
        (900, 2, 15.0),
    ],
)
def test_firings_of_a_four_stroke_engine(rpm: float, cylinders: int, hz: float) -> None:
    """Each cylinder fires once in two turns, so f = rpm · cylinders / 120 (handbooks; counted here:
    at 600 rpm, 10 turns a second, four cylinders, two of them in each turn)."""
    assert firing_hz(rpm, cylinders) == pytest.approx(hz)
    assert firing_hz(rpm, cylinders) == pytest.approx(rpm / 60.0 * cylinders / 2.0)


# --- following -----------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(hz=st.floats(14.0, 60.0), seed=st.integers(0, 99), noise=st.floats(0.01, 1.0))
def test_a_note_that_stands_is_found_or_a_simple_fraction_of_it(
    hz: float, seed: int, noise: float
) -> None:
    track = follow(comb(np.full(int(12 * RATE), hz), noise=noise, seed=seed), RATE)
    assert track is not None
    ratio = float(np.median(track.hz)) / hz
    nearest = min((1.0, 0.5, 1 / 3, 2.0, 3.0, 2 / 3, 1.5), key=lambda r: abs(ratio / r - 1.0))
    # Twice the standard uncertainty that the checks allow for it.
    assert ratio == pytest.approx(nearest, rel=2.0 * speed_module.SYSTEMATIC_SHARE)


def test_a_note_that_moves_is_followed() -> None:
    t = np.arange(0.0, 20.0, 1.0 / RATE)
    hz = 24.0 * (1.0 + 0.06 * np.sin(2 * np.pi * t / 4.0))
    track = follow(comb(hz), RATE)
    assert track is not None
    wanted = np.interp(track.time_s, t, hz)
    ratio = track.hz / wanted
    assert np.percentile(np.abs(ratio / np.median(ratio) - 1.0), 90) < 0.01


def test_a_block_shorter_than_a_frame_has_no_note() -> None:
    assert follow(np.zeros(100, np.float32), RATE) is None
    assert follow(np.zeros(0, np.float32), RATE) is None


def test_noise_hardly_ever_counts_as_a_note() -> None:
    """Ten minutes of noise without any period: frames that count as heard."""
    frames = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        recording = heard(rng.normal(0.0, 0.1, 8000 * 30), 8000)
        note = recording.channels.get("note")
        frames += 0 if note is None else len(note.values)
    assert frames <= 20 * 30 * 10 / 1000


# --- the octave ----------------------------------------------------------------------------------


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_the_octave_that_makes_the_note_is_the_likeliest(missing: int) -> None:
    """A note of which only every missing-th multiple sounds is missing times as high."""
    hz = 60.0 / missing
    if hz < 12.0:
        pytest.skip("below what is followed")
    low = comb(np.full(int(20 * RATE), hz), only=range(missing, 60, missing), noise=0.3)
    track = follow(low, RATE)
    assert track is not None
    turns = in_turns(low, RATE, track)
    assert turns is not None
    orders = hear_orders(turns)
    assert orders is not None
    assert float(orders.odds.sum()) == pytest.approx(1.0)
    a, b = RATIOS[int(orders.odds.argmax())]
    assert float(np.median(track.hz)) * a / b == pytest.approx(60.0, rel=0.01)


def test_every_block_with_a_note_has_its_odds() -> None:
    engine = hear(Engine(seconds=65.0))
    recording = heard(engine.sound)
    starts = recording.channels["note_lines"].time_s
    # The rest of 5 s is heard together with the third.
    np.testing.assert_allclose(starts, [0.0, 20.0, 40.0], atol=0.01)
    total = sum(recording.channels[f"note_odds_{a}_{b}"].values for a, b in RATIOS)
    np.testing.assert_allclose(total, 1.0, atol=1e-9)
    assert 3 + len(RATIOS) + len(SPACINGS) + len(VARIES) == BLOCK_COLUMNS


@pytest.mark.parametrize("seconds", [30.0, 33.0, 41.0, 58.0])
def test_frames_at_the_end_belong_to_their_own_block(seconds: float) -> None:
    """Blocks may follow another multiple of the same note: then each frame needs its own block's
    octave, or the mean is out by far more than its doubt."""
    for seed in (48, 70, 110):
        engine = hear(Engine(seconds=seconds, seed=seed, rpm=805.0, cylinders=4, jitter=0.015,
                             unlike=0.11, rate=8000))  # fmt: skip
        own = speed_by_ear(heard(engine.sound, 8000), 4)
        if own.lack or own.sure < 0.95:
            continue
        times, rpm = (np.concatenate(x) for x in zip(*own.pieces, strict=True))
        ratio = rpm / np.interp(times, engine.time_s, engine.rpm)
        assert np.percentile(np.abs(ratio - 1.0), 98) < 0.03


def test_another_octave_in_one_block_is_no_jump_of_the_engine() -> None:
    """The note of the second block is followed at half: the same engine all the same."""
    from dataclasses import replace

    from tests.evidence.sound_cases import idling

    base = idling(seconds=60.0)
    late = base.channels["note"].time_s >= 20.0
    channels = dict(base.channels)
    channels["note"] = replace(
        base.channels["note"], values=base.channels["note"].values * np.where(late, 0.5, 1.0)
    )
    one, two = channels["note_odds_1_1"], channels["note_odds_2_1"]
    block = np.arange(len(one.values)) >= 1
    channels["note_odds_1_1"] = replace(one, values=np.where(block, two.values, one.values))
    channels["note_odds_2_1"] = replace(two, values=np.where(block, one.values, two.values))
    own = speed_by_ear(replace(base, channels=channels), 4)
    plain = speed_by_ear(base, 4)
    assert own.lack == ""
    np.testing.assert_allclose(own.pieces[0][1], plain.pieces[0][1])


# --- what is made of it --------------------------------------------------------------------------


def test_usual_speeds_weigh_most_and_none_is_ruled_out() -> None:
    assert usual(750.0) == 1.0
    assert 0.0 < usual(375.0) < usual(500.0) < 1.0
    assert 0.0 < usual(6000.0) < usual(1500.0) < 1.0


def test_shown_as_a_channel_it_is_the_speed_that_was_heard() -> None:
    engine = hear(Engine(seconds=25.0))
    shown = speed_module.with_engine_speed(heard(engine.sound), 4)
    channel = shown.channels["engine_speed"]
    assert channel.unit == "rpm"
    assert float(channel.values.mean()) == pytest.approx(engine.mean_rpm, rel=0.005)
    nothing = heard(np.zeros(8000 * 5), 8000)
    assert speed_module.with_engine_speed(nothing, 4) is nothing
