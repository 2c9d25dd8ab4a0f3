"""What a person reads of a sound, in every language: whole sentences, none left in English."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import wav
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import hum
from tests.evidence.sound_cases import keyed, made
from verify.__main__ import main
from verify.evidence.checks.catalogue import judge
from verify.evidence.recording import Array, Recording
from verify.terminal.show_verdict import sentence
from verify.terminal.tongue import UNTRANSLATED, said, speaking
from verify.words import LANGUAGES


@pytest.fixture(params=sorted(LANGUAGES))
def language(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def but(recording: Recording, channel: str, time_s: Array, values: Array) -> Recording:
    """With another channel of this name, and what was told of it."""
    parts = {n: (c.time_s, c.values) for n, c in recording.channels.items()}
    again = made({**parts, channel: (time_s, values)}, recording.seconds, recording.mapping)
    return replace(again, source_name=recording.source_name)


def louder(channel: str, by_db: float, from_s: float, to_s: float) -> Recording:
    whole = keyed()
    c = whole.channels[channel]
    within = (c.time_s > from_s) & (c.time_s < to_s)
    return but(whole, channel, c.time_s, c.values + by_db * within)


def clicks(times_s: list[float], levels_db: list[float]) -> Recording:
    return but(keyed(), "click", np.array(times_s), np.array(levels_db))


RELAYS = clicks([3.0, 22.0], [-20.0, -20.0])
SOFTER = louder("click", -15.0, 20.0, 30.0)
CHIRP = [3.0, *(3.25 + 0.05 * np.arange(8)), 22.0, *(22.25 + 0.05 * np.arange(8))]
EARLIER = clicks(sorted([*CHIRP, 1.0, 1.3, 1.6, 1.9, 2.2]), [-20.0] * 23)
RUNNING = but(
    but(keyed(), "note", np.arange(30.0, 34.0, 0.1), np.full(40, 25.0)),
    "sound_level",
    np.arange(0.25, 40.0, 0.5),
    np.where(np.arange(0.25, 40.0, 0.5) > 29.0, -10.0, -50.0),
)

# Each way in which `key-on-ticking` leaves something open, and words of it.
OPEN: dict[str, Recording] = {
    "it may have been at 3 s, 22 s": but(
        keyed(()), "click", np.array([3.0, 22.0]), np.full(2, -20.0)
    ),
    "stand only": keyed(floor_db=-30.0),
    "nothing of the car is heard": clicks([10.0], [-20.0]),
    "own short test is not heard": RELAYS,
    "dB louder than at another": SOFTER,
    "clicks in the 2 s before": EARLIER,
    "it goes on clicking": keyed(later=(3.0, 4.5, 6.0, 7.5)),
    "a sound goes on for": louder("click_floor", 9.0, 3.5, 12.0),
    "before an engine": RUNNING,
    "silent or exactly even": but(
        keyed(), "click_floor", np.arange(0.25, 40.0, 0.5), np.full(80, -55.0)
    ),
    "too near 1 s": keyed(ticking_s=0.3, ticks_hz=24.0),
    "as unevenly as rain": keyed(ticking_s=4.0, uneven=True),
    "clicks before the key-on too": keyed(before=True),
}


@pytest.mark.parametrize("words", OPEN)
def test_whatever_a_key_on_leaves_open_is_said_whole(words: str, language: str) -> None:
    (result,) = judge([OPEN[words]], {}, ["key-on-ticking"])
    assert words in result.why
    with speaking(language):
        for text in (result.why, result.settle):
            assert not said(sentence(text)).startswith(UNTRANSLATED), text


REPAIRS = (
    "the file is cut off: 2.0 s that its head tells are gone",
    "the file is damaged after 3.1 s: what stood behind is gone",
    "12 of 1600 samples are no sound (not a number, or far too large) and count as silence",
    "4.0 of 100 samples are cut off at the file's loudest number: the telephone was too near or "
    "set too loud",
)


@pytest.mark.parametrize("text", REPAIRS)
def test_what_was_mended_in_a_file_is_said_whole(text: str, language: str) -> None:
    with speaking(language):
        assert not said(sentence(text)).startswith(UNTRANSLATED)


# What the sound's own screens hold in German though it is English as well: names, units, options.
KEPT = re.compile(
    r"o{4,}|rpm|kHz|SHA-256|[0-9a-f]{12}…|\S+\.wav|warm, standing, released|idle_speed"
)


@pytest.mark.parametrize("name", ["idle", "hum", "quiet", "ticking", "short", "unknown"])
def test_listen_speaks_the_language_that_is_asked_for(
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    language: str,
) -> None:
    """Each line of it differs from the English one, but for those that hold no words."""
    made, words = sounds()[name]
    monkeypatch.chdir(tmp_path)
    Path(f"{name}.wav").write_bytes(wav(made, 16_000))
    shown = {}
    for spoken in ("en", language):
        assert main(["listen", f"{name}.wav", *words, "--language", spoken]) == 0
        shown[spoken] = capsys.readouterr().out
    assert UNTRANSLATED not in shown[language]
    alike = set(shown["en"].splitlines()) & set(shown[language].splitlines())
    assert [line for line in alike if re.search(r"[A-Za-z]{4,}", KEPT.sub("", line))] == []


@cache
def sounds() -> dict[str, tuple[Array, tuple[str, ...]]]:
    idle = hear(Engine(seed=6, rpm=720.0, seconds=62.0, rate=16_000, unlike=0.3)).sound
    keys = KeyOn(rate=16_000)
    told = ("--cylinders", "4", "--told", "warm,standing,released", "--spec", "idle_speed=720 rpm")
    return {
        "idle": (idle, told),
        "hum": (np.resize(signal.resample_poly(hum(), 160, 441), 16_000 * 30), told),
        "quiet": (key_ons(keys), ("--key-on", "3,18")),
        "ticking": (key_ons(keys.but(ticking_s=4.0)), ("--key-on", "3,18", "--all")),
        "short": (idle[: 16_000 * 5], told),
        "unknown": (key_ons(keys), ()),
    }
