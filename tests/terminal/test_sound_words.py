"""What a person reads of a sound, in every language: whole sentences, none left in English."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.evidence.sound_cases import keyed, made
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
