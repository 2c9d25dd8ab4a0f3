"""Whether cycles differ: known scatter found again, none in what repeats, imitations never pass."""

from __future__ import annotations

from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import heard
from tests.engines_heard.imitations import IMITATIONS, RATE, cylinders_and_rpm, loop
from tests.nasty import spec
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.ear import ENGINE_CHECKS
from verify.evidence.recording import Recording
from verify.evidence.sound.real import LEAST_SCATTER
from verify.evidence.sound.turns import Turns
from verify.evidence.sound.varies import MOST_VARIES, NOTHING, cycle_varies
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

PER_TURN, NOTE_HZ = 64, 24.0


def block(
    scatter: float, noise: float, *, cycle: int = 4, turns: int = 480, seed: int = 1
) -> Turns:
    """Turns of a note with blows of known scatter in white noise, written out."""
    rng = np.random.default_rng(seed)
    phase = np.arange(turns * PER_TURN) / PER_TURN
    own = 1.0 + 0.2 * np.cos(np.arange(turns) % cycle)
    loud = own * (1.0 + scatter * rng.normal(size=turns))
    blow = np.exp(-np.arange(PER_TURN) / 6.0) * np.sin(2 * np.pi * np.arange(PER_TURN) / 16.0)
    sound = (loud[:, None] * blow[None, :]).ravel() + noise * rng.normal(size=len(phase))
    return Turns(sound, PER_TURN, phase / NOTE_HZ, phase, NOTE_HZ)


@pytest.mark.parametrize("scatter", [0.0, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("noise", [0.01, 0.1, 0.2])
def test_a_known_scatter_is_found_again_whatever_the_noise(scatter: float, noise: float) -> None:
    found = [cycle_varies(block(scatter, noise, seed=s), Fraction(1, 4)) for s in range(8)]
    mean = float(np.mean([v.square for v in found]))
    doubt = float(np.sqrt(np.mean([v.error**2 for v in found]) / len(found)))
    # What belongs to a shifted phase is taken off, and with it a part of a scatter.
    assert mean <= 1.1 * scatter**2 + 4.0 * doubt
    assert mean >= 0.6 * scatter**2 - 4.0 * doubt


def test_the_stated_error_is_what_draws_scatter_by() -> None:
    found = [cycle_varies(block(0.0, 0.3, seed=s), Fraction(1, 4)) for s in range(60)]
    drawn = float(np.std([v.square for v in found]))
    assert drawn == pytest.approx(float(np.mean([v.error for v in found])), rel=0.35)


def test_a_slow_change_of_speed_or_loudness_is_no_scatter() -> None:
    made = block(0.0, 0.01)
    swelling = np.repeat(1.0 + 0.3 * np.sin(np.arange(480) / 40.0), PER_TURN)
    at = np.arange(len(made.sound))
    shifted = np.interp(at + 1.5 * np.sin(at / 3000.0), at, made.sound)
    for sound in (
        swelling * made.sound,
        np.interp(shifted, np.arange(len(made.sound)), made.sound),
    ):
        changed = Turns(sound, PER_TURN, made.seconds, made.turns, NOTE_HZ)
        assert cycle_varies(changed, Fraction(1, 4)).square < (0.5 * LEAST_SCATTER) ** 2


def test_too_few_cycles_say_nothing_and_silence_breaks_nothing() -> None:
    assert cycle_varies(block(0.2, 0.1, turns=70), Fraction(1, 4)) == NOTHING
    silent = Turns(np.zeros(480 * PER_TURN), PER_TURN, np.arange(480) / 24, np.arange(480.0), 24.0)
    found = cycle_varies(silent, Fraction(1, 4))
    assert abs(found.square) <= MOST_VARIES
    assert 0.0 <= found.repeats <= 1.0


def test_what_comes_again_is_found_with_its_round() -> None:
    rng = np.random.default_rng(3)
    once = rng.normal(size=48 * PER_TURN)
    made = block(0.0, 0.0)
    looped = Turns(made.sound + np.tile(once, 10), PER_TURN, made.seconds, made.turns, NOTE_HZ)
    found = cycle_varies(looped, Fraction(1, 4))
    assert found.repeats > 0.3
    # A whole number of rounds of 48 turns.
    rounds = found.round_s * NOTE_HZ / 48.0
    assert rounds == pytest.approx(round(rounds), abs=0.03)
    assert cycle_varies(block(0.1, 0.3), Fraction(1, 4)).repeats < 0.1


# --- whole sounds --------------------------------------------------------------------------------


def judged(recording: Recording, cylinders: int, rpm: float) -> dict[str, CheckResult]:
    specs = {"cylinders": spec(str(cylinders)), "idle_speed": spec(f"{rpm:.0f} rpm")}
    return {r.check: r for r in judge([recording], specs, ENGINE_CHECKS)}


# A share; benchmarks/sound.py draws many.
@pytest.mark.parametrize("name", IMITATIONS)
@pytest.mark.parametrize(("seed", "snr_db"), [(2, 10.0)])
def test_an_imitation_never_passes(name: str, seed: int, snr_db: float) -> None:
    """Even where all is told, and its speed and its cylinders are those that it pretends."""
    cylinders, rpm = cylinders_and_rpm(seed)
    recording = heard(IMITATIONS[name](seed, snr_db), RATE)
    for result in judged(recording, cylinders, rpm).values():
        assert result.verdict is Verdict.UNDECIDED, result.why
        assert result.settle


def test_a_loop_is_named_with_its_round() -> None:
    cylinders, rpm = cylinders_and_rpm(2)
    result = judged(heard(loop(2, 25.0, 2.0), RATE), cylinders, rpm)["idle-speed-by-ear"]
    assert result.finding == "too-even"
    assert "come again every 2.0 s" in result.why or "come again every 1.9 s" in result.why


@cache
def engine() -> np.ndarray:
    return hear(Engine(seed=6, rpm=720.0, seconds=61.0, rate=16_000, unlike=0.25)).sound


def test_an_engine_is_heard_to_differ_and_passes() -> None:
    results = judged(heard(engine(), 16_000), 4, 720.0)
    assert {r.verdict for r in results.values()} == {Verdict.PASS}


def test_where_noise_hides_it_or_it_is_cut_off_the_reason_says_so() -> None:
    louder = finished(engine(), clip=0.12)
    result = judged(heard(louder, 16_000), 4, 720.0)["idle-speed-by-ear"]
    assert result.verdict is Verdict.UNDECIDED
    assert "cut off: set too loud" in result.why
    assert "further away" in result.settle


# --- gaps ----------------------------------------------------------------------------------------


def chopped(on_s: float, off_s: float, left: float = 0.0) -> np.ndarray:
    """off_s of every on_s + off_s gone, but for `left` of the sound's level in noise."""
    sound = engine()
    at = np.mod(np.arange(len(sound)) / 16_000, on_s + off_s)
    noise = np.random.default_rng(1).normal(size=len(sound)) * np.std(sound)
    return np.asarray(np.where(at < on_s, sound, left * noise))


@pytest.mark.parametrize("left", [0.003])
@pytest.mark.parametrize("cut", [(0.1, 0.1), (0.02, 0.02), (1.0, 0.3), (5.0, 0.5)])
def test_an_idle_full_of_gaps_does_not_pass(cut: tuple[float, float], left: float) -> None:
    for result in judged(heard(chopped(*cut, left), 16_000), 4, 720.0).values():
        assert result.finding == "has-gaps", result.why
        assert "gone" in result.why
        assert "own recorder" in result.settle


def test_a_gap_is_not_heard_through() -> None:
    """One in 10 s is no reason to refuse the rest; but nothing is told of the time around it."""
    recording = heard(chopped(10.0, 0.06), 16_000)
    gaps = recording.channels["gap"]
    assert 5 <= len(gaps.values) <= 12
    assert float(gaps.values.sum()) == pytest.approx(6 * 0.06, abs=0.15)
    result = judged(recording, 4, 720.0)["idle-speed-by-ear"]
    assert result.finding == "in-range", result.why
    for window in result.windows:
        inside = (gaps.time_s > window.start_s - 0.3) & (gaps.time_s < window.end_s + 0.3)
        assert not inside.any()


def test_gaps_that_a_codec_fills_are_gaps() -> None:
    pytest.importorskip("av")
    from tests.engines_heard.files import TOLD, encoded, read

    for cut in ((0.1, 0.1), (1.0, 0.3)):
        raw = encoded(chopped(*cut), 16_000, container="ipod", codec="aac")
        for result in judged(read(raw, TOLD), 4, 720.0).values():
            assert result.verdict is Verdict.UNDECIDED, result.why


def test_between_two_blows_and_after_a_stall_there_is_no_gap() -> None:
    for cylinders, rpm in ((2, 760.0), (3, 700.0), (8, 600.0)):
        made = hear(Engine(cylinders=cylinders, rpm=rpm, seconds=22.0, snr_db=35.0, rate=16_000))
        assert "gap" not in heard(made.sound, 16_000).channels
    stalled = hear(Engine(seconds=60.0, stall_at_s=30.0, snr_db=40.0, rate=16_000, seed=4))
    for result in judged(heard(stalled.sound, 16_000), 4, 700.0).values():
        assert result.finding != "has-gaps"
