"""Key-on sounds with known ticking: what is found, what passes, and why the rest stays open."""

from __future__ import annotations

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import heard
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import OTHERS, RATE
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.key_on_ticking import key_cycles, proposed_marks
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.words import Verdict


def of(case: KeyOn, *, told: str = "", keys: tuple[float, ...] | None = None) -> Recording:
    mapping = {"(key-on)": ", ".join(f"{k:g}" for k in (case.keys if keys is None else keys))}
    if told:
        mapping["(told)"] = told
    return heard(key_ons(case), case.rate, {n: t for n, t in mapping.items() if t})


def judged(*recordings: Recording) -> CheckResult:
    return judge(recordings, {}, ["key-on-ticking"])[0]


# --- quiet, and ticking --------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_a_healthy_throttle_passes_with_its_own_chirp(seed: int, rate: int) -> None:
    result = judged(of(KeyOn(seed=seed, rate=rate)))
    assert result.finding == "quiet", result.why
    assert result.value is not None
    assert result.value < 1.0
    assert len(result.details["key_ons"]) == 2


@pytest.mark.parametrize("hz", [5.0, 8.0, 11.0, 22.0, 40.0])
@pytest.mark.parametrize("noise", [0.003, 0.01, 0.05])
def test_ticking_fails_and_its_rate_and_length_are_said(hz: float, noise: float) -> None:
    case = KeyOn(ticking_s=5.0, ticks_hz=hz, noise=noise, seed=int(hz))
    result = judged(of(case))
    assert result.finding == "ticking", result.why
    longest = max(result.details["key_ons"], key=lambda k: k["train"]["seconds"])["train"]
    assert longest["rate_hz"] == pytest.approx(hz, rel=0.1)
    assert longest["seconds"] == pytest.approx(5.7, abs=0.7)
    assert "2 of 2 key-ons" in result.why


def test_ticking_at_one_of_two_key_ons_fails() -> None:
    result = judged(of(KeyOn(ticking_s=4.0, only_first=True)))
    assert result.finding == "ticking"
    assert "1 of 2 key-ons" in result.why


def test_talk_at_one_key_on_does_not_hide_ticking_at_the_other() -> None:
    case = KeyOn(ticking_s=4.0, only_first=True, keys=(3.0, 20.0), seconds=40.0)
    sound = key_ons(case)
    rng = np.random.default_rng(3)
    for at in 20.8 + np.cumsum(np.minimum(rng.exponential(0.12, 90), 0.38)):
        if at < 31.0:
            place = int(at * RATE)
            sound[place : place + 300] += 0.4 * rng.normal(size=300)
    recording = heard(finished(sound), RATE, {"(key-on)": "3, 20"})
    assert judged(recording).finding == "ticking"


@pytest.mark.parametrize("ticking_s", [0.1, 0.2])
def test_a_chirp_that_is_a_little_longer_never_fails(ticking_s: float) -> None:
    result = judged(of(KeyOn(ticking_s=ticking_s, ticks_hz=20.0)))
    assert result.verdict is not Verdict.FAIL


def test_the_loudness_of_the_file_changes_nothing() -> None:
    for case in (KeyOn(), KeyOn(ticking_s=4.0)):
        sound = key_ons(case)
        mapping = {"(key-on)": "3, 18"}
        plain, softer = (judged(heard(s * sound, RATE, dict(mapping))) for s in (1.0, 0.1))
        assert softer.finding == plain.finding
        assert softer.value == pytest.approx(plain.value, abs=0.02)


# --- not hearing is no proof ---------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("tick", [0.0, 0.02, 0.1])
def test_where_ticking_could_not_be_heard_nothing_passes(noise: float, tick: float) -> None:
    case = KeyOn(noise=noise, ticking_s=4.0 if tick else 0.0, tick=tick or 0.6)
    result = judged(of(case))
    assert result.verdict is not Verdict.PASS, result.why
    if result.finding == "would-not-be-heard":
        assert "dB above the noise" in result.why or "nothing of the car" in result.why
        assert "forearm" in result.settle


@pytest.mark.parametrize("softer_db", range(0, 12, 2))
def test_ticking_that_must_be_heard_is_heard_wherever_quiet_would_pass(softer_db: int) -> None:
    """The promise itself: wherever the healthy file passes, the same file with ticking up to 12 dB
    softer than the key's own sounds does not."""
    for noise in (0.005, 0.02, 0.04, 0.06, 0.08):
        case = KeyOn(noise=noise, chirp=0.5, relay=1.0, seed=softer_db)
        if judged(of(case)).verdict is not Verdict.PASS:
            continue
        ticking = case.but(ticking_s=5.0, tick=10.0 ** (-softer_db / 20.0))
        assert judged(of(ticking)).verdict is not Verdict.PASS, noise


def test_a_recorder_that_mutes_what_is_soft_proves_nothing() -> None:
    case = KeyOn()
    sound = key_ons(case)
    sound[np.abs(sound) < 0.05] = 0.0
    result = judged(heard(sound, RATE, {"(key-on)": "3, 18"}))
    assert result.finding == "would-not-be-heard"
    assert "the telephone takes out" in result.why


def test_key_ons_at_which_nothing_is_heard_prove_nothing() -> None:
    result = judged(of(KeyOn(keys=(3.0,)), keys=(3.0, 18.0)))
    assert result.verdict is Verdict.UNDECIDED


def test_a_door_shut_at_one_key_on_is_no_measure() -> None:
    """One loud bang beside one key-on; the relay at the other hardly stands out."""
    case = KeyOn(noise=0.08, relay=0.3, chirp=0.2)
    plain = judged(of(case))
    assert plain.finding == "would-not-be-heard"
    sound = key_ons(case)
    bang = int(3.5 * RATE)
    sound[bang : bang + 400] += 3.0 * np.hanning(400) * np.cos(np.arange(400) * 0.35)
    banged = judged(heard(finished(sound), RATE, {"(key-on)": "3, 18"}))
    assert banged.verdict is Verdict.UNDECIDED, banged.why


# --- the sound from before -----------------------------------------------------------------------


def test_the_sound_from_before_is_never_judged_itself() -> None:
    before = of(KeyOn(ticking_s=5.0, seed=7), told="before")
    assert judged(before).finding == "channel-missing"
    after = judged(of(KeyOn(seed=8)), before)
    assert after.finding == "quiet"
    assert after.details["ticked_before"] == 2
    assert "before, it ticked after 2 key-ons" in after.notes[0]
    assert {w.recording for w in after.windows} == {0}


def test_ticking_that_was_soft_before_must_be_heard_as_soft_after() -> None:
    """20 dB below the key then: a room in which that would drown proves nothing now."""
    before = of(KeyOn(ticking_s=5.0, tick=0.08, chirp=0.3, noise=0.002), told="before")
    (ticking, _) = key_cycles(before)
    assert ticking.ticking
    noisy = of(KeyOn(noise=0.05, seed=3))
    assert judged(noisy).finding == "quiet"
    assert judged(noisy, before).finding == "would-not-be-heard"
    assert judged(of(KeyOn(noise=0.002, seed=3)), before).finding == "quiet"


def test_a_sound_from_before_without_ticking_says_so_and_changes_nothing() -> None:
    before = of(KeyOn(seed=5), told="before")
    after = judged(of(KeyOn(seed=8)), before)
    assert after.finding == "quiet"
    assert "no ticking is found" in after.notes[0]
    assert after.details["must_be_heard_below_key_db"] == 12.0


# --- when the key was turned ---------------------------------------------------------------------


def test_without_a_told_key_on_nothing_is_judged_and_a_proposal_shown() -> None:
    for case in (KeyOn(), KeyOn(ticking_s=4.0)):
        result = judged(of(case, keys=()))
        assert result.finding == "no-key-on"
        assert "it may have been at 3 s, 18 s" in result.why


def test_a_proposal_is_when_the_relay_clicked() -> None:
    marks = proposed_marks(of(KeyOn(keys=(4.4, 19.2)), keys=()))
    np.testing.assert_allclose(marks[:2], [4.4, 19.2], atol=0.11)


def test_one_key_on_is_not_enough() -> None:
    assert judged(of(KeyOn(keys=(3.0,), seconds=20.0))).finding == "too-few-key-ons"


def test_a_file_that_ends_too_soon_is_too_short() -> None:
    assert judged(of(KeyOn(seconds=22.0))).finding == "too-short"


# --- what clicks besides -------------------------------------------------------------------------


def test_a_clock_beside_the_car_is_told_apart() -> None:
    sound = key_ons(KeyOn()) + 0.3 * np.resize(OTHERS["a clock"](1), 32 * RATE)
    assert judged(heard(finished(sound), RATE, {"(key-on)": "3, 18"})).finding == "clicks-anyway"


def test_rain_is_told_apart() -> None:
    for seed in range(4):
        sound = key_ons(KeyOn()) + 0.3 * np.resize(OTHERS["rain"](seed), 32 * RATE)
        result = judged(heard(finished(sound), RATE, {"(key-on)": "3, 18"}))
        assert result.verdict is Verdict.UNDECIDED, result.why


@pytest.mark.parametrize("seed", range(5))
def test_random_clicks_are_not_ticking(seed: int) -> None:
    result = judged(of(KeyOn(ticking_s=6.0, regular=False, seed=seed)))
    assert result.verdict is Verdict.UNDECIDED, result.why


def test_an_engine_that_is_started_is_not_ticking() -> None:
    """Its valves click as evenly; and what was quiet for a second before proves nothing."""
    case = KeyOn(keys=(3.0, 20.0), seconds=34.0)
    sound = key_ons(case)
    running = hear(Engine(seconds=7.0, rpm=800.0, clatter=0.6)).sound
    for at in (7.0, 25.0):
        place = int(at * RATE)
        sound[place : place + len(running)] += 0.5 * running
    result = judged(heard(finished(sound), RATE, {"(key-on)": "3, 20"}))
    assert result.finding == "too-short", result.why


@pytest.mark.parametrize("name", OTHERS)
def test_sounds_that_are_no_key_on_never_pass(name: str) -> None:
    for seed in (1, 2):
        recording = heard(OTHERS[name](seed=seed), RATE, {"(key-on)": "3, 16"})
        result = judged(recording)
        assert result.verdict is Verdict.UNDECIDED, result.why
        assert result.settle
