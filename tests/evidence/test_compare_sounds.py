"""Before and after by ear: another telephone, or another place for it, is no change of the car."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import heard
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import RATE
from tests.nasty import spec
from verify.evidence.compare import Change, Comparison, compare
from verify.evidence.recording import Recording

SPECS = {"cylinders": spec("4"), "idle_speed": spec("720 rpm")}
KEYS = {"(key-on)": "3, 18"}


def changes(before: Recording, after: Recording) -> dict[str, Comparison]:
    names = ("idle-speed-by-ear", "idle-steady-by-ear", "key-on-ticking")
    return {c.check: c for c in compare([before], [after], SPECS, names)}


def other_telephone(sound: np.ndarray, loudness: float, low: float, high: float) -> np.ndarray:
    sos = signal.butter(2, [low, high], "band", fs=RATE, output="sos")
    return loudness * finished(np.asarray(signal.sosfilt(sos, sound)))


TELEPHONES = [
    (1.0, 100.0, 7000.0),
    (0.1, 100.0, 7000.0),
    (0.6, 250.0, 3600.0),
    (0.03, 60.0, 9000.0),
]


@pytest.mark.parametrize("telephone", TELEPHONES[1:2])
def test_an_idle_heard_by_two_telephones_is_unchanged(
    telephone: tuple[float, float, float],
) -> None:
    sound = hear(Engine(seed=6, rpm=720.0, seconds=60.0)).sound
    found = changes(heard(sound), heard(other_telephone(sound, *telephone)))
    for name in ("idle-speed-by-ear", "idle-steady-by-ear"):
        change = found[name].change
        # A telephone that hears less may leave it open, and must not make a change of it.
        assert change in (Change.UNCHANGED, Change.CANNOT_TELL), found[name].why
        assert change == Change.UNCHANGED or telephone[1] > 200.0


@pytest.mark.parametrize("telephone", TELEPHONES)
def test_a_quiet_key_on_heard_by_two_telephones_is_no_change(
    telephone: tuple[float, float, float],
) -> None:
    before = heard(key_ons(KeyOn(seed=1)), RATE, dict(KEYS))
    sound = other_telephone(key_ons(KeyOn(seed=1)), *telephone)
    after = heard(sound, RATE, dict(KEYS))
    found = changes(before, after)["key-on-ticking"]
    assert found.change in (Change.UNCHANGED, Change.CANNOT_TELL), found.why


@pytest.mark.parametrize("loudness", [1.0, 0.1])
def test_ticking_that_is_gone_is_better_and_one_that_came_is_worse(loudness: float) -> None:
    ticking = heard(key_ons(KeyOn(ticking_s=5.0, seed=1)), RATE, dict(KEYS))
    quiet = heard(loudness * key_ons(KeyOn(seed=2)), RATE, dict(KEYS))
    assert changes(ticking, quiet)["key-on-ticking"].change == Change.BETTER
    assert changes(quiet, ticking)["key-on-ticking"].change == Change.WORSE


@pytest.mark.parametrize("ticking_s", [0.0, 5.0])
def test_ticking_that_drowns_in_the_second_file_is_not_gone(ticking_s: float) -> None:
    before = heard(key_ons(KeyOn(ticking_s=5.0, seed=1)), RATE, dict(KEYS))
    noisy = KeyOn(ticking_s=ticking_s, tick=0.05, noise=0.4, seed=2)
    after = heard(key_ons(noisy), RATE, dict(KEYS))
    assert changes(before, after)["key-on-ticking"].change == Change.CANNOT_TELL


def test_an_idle_that_came_right_is_better() -> None:
    low = heard(hear(Engine(seed=8, rpm=630.0, seconds=60.0)).sound)
    right = heard(0.2 * hear(Engine(seed=6, rpm=720.0, seconds=60.0)).sound)
    found = changes(low, right)["idle-speed-by-ear"]
    assert found.change == Change.BETTER
    assert found.difference == pytest.approx(90.0, abs=8.0)
    assert changes(right, low)["idle-speed-by-ear"].change == Change.WORSE


def test_hunting_that_is_gone_is_better() -> None:
    hunting = Engine(seed=5, rpm=720.0, seconds=60.0, hunting_rpm=70.0)
    found = changes(heard(hear(hunting).sound),
                    heard(hear(Engine(seed=6, rpm=720.0, seconds=60.0)).sound))  # fmt: skip
    assert found["idle-steady-by-ear"].change == Change.BETTER
