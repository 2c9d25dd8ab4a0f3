"""The cycle of an engine between the multiples of its firing, and what is made of it."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from tests.engines_heard.engine import UNEVEN, Engine, hear
from tests.engines_heard.files import heard
from tests.engines_heard.others import OTHERS, RATE
from verify.evidence.sound.bands import Bands
from verify.evidence.sound.cycles import (
    MOST,
    SPACINGS,
    WORTH,
    phase_kept,
    spacing_evidence,
)
from verify.evidence.sound.cylinders import (
    LEAST_MARGIN,
    MOST_FOR_OCTAVE,
    SMOOTH_SHARE,
    cylinder_odds,
    margin,
    octave_weights,
    spacing_of_firing,
)
from verify.evidence.sound.firing import follow
from verify.evidence.sound.octaves import usual
from verify.evidence.sound.orders import CYLINDERS
from verify.evidence.sound.speed import EVEN_SHARE, speed_by_ear
from verify.evidence.sound.turns import Turns, in_turns

LOW = 2000.0


def turns_of(sound: np.ndarray, rate: int) -> Turns:
    bands = Bands(rate)
    low = np.concatenate([bands.feed(sound.astype(np.float32))[0], bands.finish()[0]])
    track = follow(low, bands.low_rate)
    assert track is not None
    turns = in_turns(low, bands.low_rate, track)
    assert turns is not None
    return turns


def even_turns(sound: np.ndarray, per_turn: int, hz: float) -> Turns:
    seconds = np.arange(len(sound)) / (per_turn * hz)
    return Turns(sound, per_turn, seconds, seconds * hz, hz)


# --- turns ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("snr_db", [0.0, 10.0, 20.0])
@pytest.mark.parametrize("cylinders", [3, 4, 8])
def test_turns_follow_the_crankshaft(snr_db: float, cylinders: int) -> None:
    """Against the true crankshaft: frequency within a fifth of a percent, and the phase of the
    firing within a tenth of a turn over all 20 s (but for a constant)."""
    engine = Engine(cylinders=cylinders, rpm=760.0, seconds=20.0, seed=cylinders, snr_db=snr_db,
                    hunting_rpm=15.0)  # fmt: skip
    made = hear(engine)
    turns = turns_of(made.sound, engine.rate)
    at = np.arange(1.0, 19.0, 0.1)
    true = np.interp(at, made.time_s, made.rpm) * cylinders / 120.0
    ratio = float(np.median(turns.hz(at) / true))
    assert np.std(turns.hz(at) / true / ratio) < 0.002
    fine = np.arange(0.0, 19.9, 0.005)
    wanted = np.cumsum(np.interp(fine, made.time_s, made.rpm)) * 0.005 * cylinders / 120.0
    gap = np.interp(at, turns.seconds, turns.turns) / ratio - np.interp(at, fine, wanted)
    assert np.std(signal.detrend(gap, type="constant")) < 0.1


@settings(max_examples=15, deadline=None)
@given(hz=st.floats(15.0, 60.0), seed=st.integers(0, 99))
def test_a_note_that_stands_is_heard_to_stand(hz: float, seed: int) -> None:
    """What `speed` calls too even rests on this: the loop adds less than a third of that."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(20 * LOW)) / LOW
    low = sum(np.cos(2 * np.pi * hz * k * t + k * k) / k for k in range(1, 15))
    low = np.asarray(low + 0.05 * rng.normal(size=len(t)), np.float32)
    track = follow(low, LOW)
    assert track is not None
    turns = in_turns(low, LOW, track)
    assert turns is not None
    own = turns.hz(np.arange(1.0, 19.0, 0.1))
    assert np.std(own) / np.mean(own) < EVEN_SHARE / 3.0


# --- phase that is kept --------------------------------------------------------------------------


def test_noise_keeps_its_phase_as_often_as_the_formula_says() -> None:
    """scipy's beta distribution: of F independent frames the share is Beta(1, F − 1); of frames
    that overlap by half, of as many as they are worth."""
    rng = np.random.default_rng(3)
    kept: list[float] = []
    frames = 0
    for _ in range(6):
        turns = even_turns(rng.normal(size=64 * 480), 64, 24.0)
        own, frames = phase_kept(turns, np.arange(2.0, 20.0, 0.25))
        kept += own.tolist()
    wanted = stats.beta(1.0, WORTH * frames - 1.0)
    assert stats.kstest(kept, wanted.cdf).statistic < 0.1
    assert np.mean(np.array(kept) > wanted.isf(0.01)) < 0.02


def test_a_locked_line_keeps_its_phase_and_one_beside_it_does_not() -> None:
    place = np.arange(64 * 480) / 64
    rng = np.random.default_rng(1)
    for line, least, most in ((5.25, 0.9, 1.0), (5.27, 0.0, 0.2), (5.31, 0.0, 0.2)):
        sound = np.sin(2 * np.pi * line * place) + 0.5 * rng.normal(size=len(place))
        own, _ = phase_kept(even_turns(sound, 64, 24.0), np.array([5.25]))
        assert least <= own[0] <= most, line


# --- the spacing ---------------------------------------------------------------------------------


@pytest.mark.parametrize("cylinders", [2, 3, 4, 5, 6, 8])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_spacing_that_is_heard_is_the_engines_cycle(cylinders: int, seed: int) -> None:
    """rpm / 120, or a multiple of it where by chance the cylinders repeat sooner; never another."""
    engine = Engine(cylinders=cylinders, rpm=760.0, seconds=20.0, seed=10 * cylinders + seed,
                    unlike=0.25)  # fmt: skip
    made = hear(engine)
    turns = turns_of(made.sound, engine.rate)
    found = spacing_evidence(turns)
    best = max(found, key=lambda s: found[s])
    per_cycle = float(best) * turns.note_hz / (made.mean_rpm / 120.0)
    assert per_cycle == pytest.approx(round(per_cycle), abs=0.02)
    assert cylinders % round(per_cycle) == 0


@pytest.mark.parametrize("name", list(UNEVEN)[1:])
def test_however_unevenly_it_fires_the_cycle_is_its_own(name: str) -> None:
    for seed in (1, 2, 3):
        angles = UNEVEN[name]
        engine = Engine(cylinders=len(angles), angles=angles, rpm=800.0, seed=seed, seconds=60.0)
        made = hear(engine)
        own = speed_by_ear(heard(made.sound, engine.rate), len(angles))
        if not own.lack and own.margin >= LEAST_MARGIN and own.sure >= 0.95:
            assert own.alternatives[0].rpm == pytest.approx(made.mean_rpm, rel=0.01)


@pytest.mark.parametrize("name", list(OTHERS)[1::3])
def test_what_is_no_engine_has_no_cycle_or_lacks_something_else(name: str) -> None:
    """A clock has one, of five ticks a second, and mains hum stands so still that a line may seem
    to belong to it by chance; both are too even, or not heard as a note at all."""
    recording = heard(OTHERS[name](5), RATE)
    for told in CYLINDERS:
        own = speed_by_ear(recording, told)
        assert own.lack or own.margin < LEAST_MARGIN, told


def test_one_whistle_on_a_line_is_no_cycle() -> None:
    t = np.arange(int(20 * LOW)) / LOW
    rng = np.random.default_rng(2)
    hz = 24.0 * (1.0 + 0.004 * np.sin(1.3 * t))
    phase = 2 * np.pi * np.cumsum(hz) / LOW
    low = sum(np.cos(k * phase + k * k) / np.sqrt(k) for k in range(1, 20))
    for extra, least in ((1, False), (6, True)):
        lines = sum(0.3 * np.cos((k + 0.25) * phase) for k in range(4, 4 + extra))
        sound = np.asarray(low + lines + 0.3 * rng.normal(size=len(t)), np.float32)
        track = follow(sound, LOW)
        assert track is not None
        turns = in_turns(sound, LOW, track)
        assert turns is not None
        assert (spacing_evidence(turns)[Fraction(1, 4)] > LEAST_MARGIN) is least


# --- what is made of it --------------------------------------------------------------------------


def evidence(
    best: Fraction, base: Fraction = Fraction(1), high: float = 30.0
) -> dict[Fraction, float]:
    row = {s: 0.0 if s == 1 else -3.0 for s in SPACINGS}
    row[best * base] = high
    return spacing_of_firing([row], [base])


def test_blocks_followed_at_different_multiples_speak_of_one_engine() -> None:
    """Four cylinders, the note once the firing and once half of it."""
    one, two = (dict.fromkeys(SPACINGS, -3.0) for _ in range(2))
    one[Fraction(1, 4)], two[Fraction(1, 2)] = 20.0, 25.0
    both = spacing_of_firing([one, two], [Fraction(1), Fraction(2)])
    assert both[Fraction(1, 4)] == 45.0
    assert margin(both, 4) > LEAST_MARGIN
    assert margin(both, 8) < 0.0


@pytest.mark.parametrize("told", CYLINDERS)
@pytest.mark.parametrize("true", CYLINDERS)
def test_only_the_number_that_fits_the_cycle_is_borne_out(true: int, told: int) -> None:
    found = evidence(Fraction(1, true))
    assert (margin(found, told) >= LEAST_MARGIN) is (told == true)
    level = 750.0 * true / told
    odds = cylinder_odds(
        found, told, {Fraction(1): 1.0}, lambda o, n: usual(level * float(o) * told / n)
    )
    assert sum(odds.values()) == pytest.approx(1.0)
    assert (odds[told] >= 0.95) is (told == true)


def test_a_number_that_is_not_weighed_is_never_borne_out() -> None:
    for told in (1, 7, 9, 12, 16):
        for true in CYLINDERS:
            assert margin(evidence(Fraction(1, true)), told) < LEAST_MARGIN


def test_no_spacing_leaves_octave_and_number_where_they_were() -> None:
    nothing = spacing_of_firing([{s: 0.0 if s == 1 else -2.0 for s in SPACINGS}], [Fraction(1)])
    assert set(octave_weights(nothing, 4).values()) == {1.0}
    assert cylinder_odds(nothing, 4, {Fraction(1): 1.0}, lambda o, n: 1.0)[4] == pytest.approx(0.99)
    assert margin(nothing, 4) < LEAST_MARGIN


def test_the_octave_that_fits_the_cycle_is_the_likelier_one_but_never_alone() -> None:
    weights = octave_weights(evidence(Fraction(1, 4)), 4)
    assert weights[Fraction(1)] == 1.0
    assert weights[Fraction(2)] == pytest.approx(math.exp(-MOST_FOR_OCTAVE))
    # Half of it would have a finer cycle, of which a smooth engine lets nothing be heard.
    assert weights[Fraction(1, 2)] == SMOOTH_SHARE


@settings(max_examples=50, deadline=None)
@given(
    values=st.lists(st.floats(-MOST, MOST), min_size=len(SPACINGS), max_size=len(SPACINGS)),
    told=st.integers(1, 16),
    base=st.sampled_from([Fraction(1, 2), Fraction(2, 3), Fraction(1), Fraction(2)]),
)
def test_odds_are_odds_whatever_the_evidence(
    values: list[float], told: int, base: Fraction
) -> None:
    found = spacing_of_firing([dict(zip(SPACINGS, values, strict=True))], [base])
    odds = cylinder_odds(found, told, {Fraction(1): 0.7, Fraction(2): 0.3}, lambda o, n: 1.0)
    assert sum(odds.values()) == pytest.approx(1.0)
    assert all(0.0 <= p <= 1.0 for p in odds.values())
    assert all(0.0 < w <= 1.0 for w in octave_weights(found, told).values())
    assert math.isfinite(margin(found, told))
