"""Key-on sounds with known ticking: what is found, what passes, and why the rest stays open."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import encoded, heard, read
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import OTHERS, RATE
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.key_sounds import key_cycles, proposed_marks
from verify.evidence.recording import Recording
from verify.evidence.sound import listening
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


@pytest.mark.parametrize("hz", [5.0, 11.0, 40.0])
@pytest.mark.parametrize("noise", [0.003, 0.05])
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


@pytest.mark.parametrize("softer_db", [0, 4, 10])
def test_ticking_that_must_be_heard_is_heard_wherever_quiet_would_pass(softer_db: int) -> None:
    """The promise itself: wherever the healthy file passes, the same file with ticking up to 12 dB
    softer than the key's own sounds does not."""
    for noise in (0.005, 0.04, 0.08):
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


# --- what might be the throttle, though no run of clicks is long ----------------------------------

KEYS = (4.0, 24.0)


def after_each_key(
    rng: np.random.Generator, times: np.ndarray, loud: float, *, ring_hz: float = 2500.0
) -> Recording:
    """Healthy key-ons, with clicks at these seconds after each of them."""
    sound = key_ons(KeyOn(keys=KEYS, seconds=44.0, seed=int(rng.integers(1 << 30))))
    u = np.arange(int(0.04 * RATE)) / RATE
    one = loud * np.exp(-u / 0.003) * np.sin(2 * np.pi * ring_hz * u)
    for at in (times[None, :] + np.array(KEYS)[:, None]).ravel():
        place = int(at * RATE)
        sound[place : place + len(one)] += one
    return heard(finished(sound), RATE, {"(key-on)": "4, 24"})


@pytest.mark.parametrize("seed", range(4))
def test_bursts_of_clicks_are_left_open(seed: int) -> None:
    """Each burst is far shorter than a second; all of them together are not."""
    rng = np.random.default_rng([seed, 1])
    apart, many, hz = rng.uniform(0.6, 1.5), int(rng.integers(2, 7)), rng.uniform(10.0, 40.0)
    times = (np.arange(1.5, 9.0, apart)[:, None] + np.arange(many) / hz).ravel()
    result = judged(after_each_key(rng, times, 0.25))
    assert result.finding == "goes-on", result.why
    assert "throttle body" in result.settle


@pytest.mark.parametrize("hz", [0.6, 1.1, 1.9])
def test_clicks_too_slow_for_a_run_are_left_open(hz: float) -> None:
    result = judged(after_each_key(np.random.default_rng(2), np.arange(1.2, 9.0, 1.0 / hz), 0.25))
    assert result.finding == "goes-on", result.why


@pytest.mark.parametrize("hz", [180.0])
@pytest.mark.parametrize("below_db", [20.0])
def test_a_buzz_that_is_no_row_of_clicks_any_more_is_left_open(hz: float, below_db: float) -> None:
    case = KeyOn(keys=KEYS, seconds=44.0, noise=0.002)
    t = np.arange(int(case.seconds * RATE)) / RATE
    buzz = sum(np.sin(2 * np.pi * hz * k * t + k * k) for k in range(1, int(5000 / hz)))
    on = ((t > 4.6) & (t < 11.0)) | ((t > 24.6) & (t < 31.0))
    sound = key_ons(case) + 10 ** (-below_db / 20) * on * buzz / np.std(buzz)
    result = judged(heard(finished(sound), RATE, {"(key-on)": "4, 24"}))
    assert result.verdict is Verdict.UNDECIDED, result.why


def test_dull_knocks_below_the_band_of_clicks_are_left_open() -> None:
    times = np.arange(0.7, 9.0, 1.0 / 9.0)
    result = judged(after_each_key(np.random.default_rng(3), times, 0.8, ring_hz=350.0))
    assert result.verdict is Verdict.UNDECIDED, result.why


def test_a_mark_set_after_the_ticking_does_not_pass() -> None:
    """It ticked for 3 s, and the key is said to have been turned afterwards, at two bangs."""
    sound = key_ons(KeyOn(keys=KEYS, seconds=44.0, ticking_s=3.0))
    for at in (8.4, 28.4):
        sound[int(at * RATE) : int(at * RATE) + 200] += 0.9 * np.hanning(200)
    result = judged(heard(finished(sound), RATE, {"(key-on)": "8.4, 28.4"}))
    assert result.verdict is Verdict.UNDECIDED, result.why


def test_a_bang_alone_is_no_measure_of_what_would_be_heard() -> None:
    """One loud sound at each key may be a door: the throttle's own test is the measure, or ticking
    that was recorded before."""
    case = KeyOn(keys=KEYS, seconds=44.0, chirp=0.0)
    bangs = judged(of(case))
    assert bangs.finding == "would-not-be-heard", bangs.why
    assert "own short test is not heard" in bangs.why
    before = of(KeyOn(ticking_s=5.0, seed=7), told="before")
    assert judged(of(case), before).finding == "quiet"


def test_a_bang_and_a_test_that_drowns_do_not_pass() -> None:
    for seed in range(3):
        case = KeyOn(keys=KEYS, seconds=44.0, noise=0.3, seed=seed, ticking_s=4.0, tick=0.2)
        sound = key_ons(case)
        for at in KEYS:
            place = int((at + 0.3) * RATE)
            sound[place : place + 600] += 6.0 * np.hanning(600) * np.cos(np.arange(600) * 0.3)
        result = judged(heard(finished(sound), RATE, {"(key-on)": "4, 24"}))
        assert result.verdict is Verdict.UNDECIDED, result.why


def test_key_ons_unlike_each_other_are_no_measure() -> None:
    sound = key_ons(KeyOn(keys=KEYS, seconds=44.0, noise=0.001))
    sound[int(14.0 * RATE) :] *= 0.1
    result = judged(heard(finished(sound), RATE, {"(key-on)": "4, 24"}))
    assert result.finding == "would-not-be-heard", result.why
    assert "dB louder than at another" in result.why


@pytest.mark.parametrize(
    ("container", "codec", "rate"),
    [("ogg", "libopus", 48_000), ("ipod", "aac", 44_100), ("3gp", "libopencore_amrnb", 8_000)],
)
def test_what_a_telephone_packs_hides_no_ticking(container: str, codec: str, rate: int) -> None:
    """A codec for speech leaves less of it: then it stays open, and never passes."""
    pytest.importorskip("av")
    for ticking_s in (0.0, 4.0):
        sound = key_ons(KeyOn(rate=rate, ticking_s=ticking_s, tick=0.3))
        raw = encoded(sound, rate, container=container, codec=codec)
        result = judged(read(raw, {"(key-on)": "3, 18"}))
        if ticking_s:
            assert result.verdict is not Verdict.PASS, result.why
        else:
            assert result.verdict is not Verdict.FAIL, result.why


# --- what a healthy car does besides --------------------------------------------------------------


@pytest.mark.parametrize("hz", [160.0, 240.0, 390.0])
def test_a_fuel_pump_and_the_relay_that_ends_it_pass(hz: float) -> None:
    case = KeyOn(keys=KEYS, seconds=44.0)
    sound = key_ons(case)
    t = np.arange(len(sound)) / RATE
    hum = sum(np.sin(2 * np.pi * hz * k * t + k) / k for k in range(1, 8))
    u = np.arange(1000) / RATE
    for at in KEYS:
        sound += 0.01 * hum * ((t > at + 0.1) & (t < at + 2.3))
        place = int((at + 2.3) * RATE)
        sound[place : place + 1000] += 0.3 * np.exp(-u / 0.003) * np.sin(2 * np.pi * 1800.0 * u)
    result = judged(heard(finished(sound), RATE, {"(key-on)": "4, 24"}))
    assert result.finding == "quiet", result.why


def test_a_relay_close_behind_the_test_does_not_fail() -> None:
    """From the first relay to the last a second passes; the test between them is 0.4 s long."""
    times = np.array([1.0, 1.3])
    result = judged(after_each_key(np.random.default_rng(5), times, 0.4))
    assert result.verdict is Verdict.UNDECIDED, result.why
    assert result.finding == "near-limit"


def test_a_few_clicks_of_a_yard_pass() -> None:
    result = judged(after_each_key(np.random.default_rng(4), np.array([4.0, 8.5]), 0.1))
    assert result.finding == "quiet", result.why


@pytest.mark.parametrize("name", list(OTHERS)[1::2])
def test_sounds_that_are_no_key_on_never_pass(name: str) -> None:
    recording = heard(OTHERS[name](seed=2), RATE, {"(key-on)": "3, 16"})
    result = judged(recording)
    assert result.verdict is Verdict.UNDECIDED, result.why
    assert result.settle


# --- what of the sound is not known ---------------------------------------------------------------


def cut(recording: Recording, name: str, keep: Callable[[np.ndarray], np.ndarray]) -> Recording:
    """The same recording with those readings of one channel alone whose times `keep` says."""
    c = recording.channels[name]
    kept = keep(c.time_s)
    less = replace(c, time_s=c.time_s[kept], values=c.values[kept])
    return replace(recording, channels={**recording.channels, name: less})


@pytest.mark.parametrize("name", ["click_floor", "sound_level"])
def test_where_the_loudness_is_not_known_nothing_passes_or_fails(name: str) -> None:
    for ticking_s in (0.0, 4.0):
        base = of(KeyOn(ticking_s=ticking_s))
        for missing in (
            replace(base, channels={n: c for n, c in base.channels.items() if n != name}),
            cut(base, name, lambda t: np.zeros(len(t), bool)),
        ):
            result = judged(missing)
            assert result.finding == "channel-missing", result.why
            assert "how loud it was" in result.why
            assert result.settle


@pytest.mark.parametrize("name", ["click_floor", "sound_level"])
@pytest.mark.parametrize("hole", [(14.0, 17.0), (18.2, 22.0), (21.0, 60.0), (17.0, 60.0)])
def test_a_hole_in_what_is_known_ends_what_was_listened_to(
    name: str, hole: tuple[float, float]
) -> None:
    """Of the second key-on, at 18 s, less than 6 s are then heard, or not what was before it."""
    base = of(KeyOn())
    assert judged(base).finding == "quiet"
    result = judged(cut(base, name, lambda t: (t < hole[0]) | (t > hole[1])))
    assert result.finding == "too-short", result.why
    assert "key-on at 18 s" in result.why


def test_a_key_on_beyond_the_clicks_that_are_kept_is_never_judged_on_what_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Rattling for the first seconds uses up all that is kept of clicks; what follows is quiet in
    the one file and ticks in the other, and neither is heard any more."""
    monkeypatch.setattr(listening, "MOST_CLICKS", 150)
    for ticking_s in (0.0, 4.0):
        case = KeyOn(keys=(50.0, 70.0), seconds=90.0, ticking_s=ticking_s)
        sound = key_ons(case)
        for at in np.arange(1.0, 15.0, 0.05):
            place = int(at * RATE)
            sound[place : place + 300] += 0.5 * np.random.default_rng(1).normal(size=300)
        recording = heard(finished(sound), RATE, {"(key-on)": "50, 70"})
        assert any("not listened to for ticking" in r for r in recording.repairs)
        result = judged(recording)
        assert result.verdict is Verdict.UNDECIDED
        assert result.finding == "too-short", result.why
        assert "only 0.0 s are heard" in result.why
