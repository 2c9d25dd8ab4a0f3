"""A sound as characters: what stands where, and what is said of it."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import TOLD, read, wav
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import RATE, hum, rain
from tests.nasty import spec
from verify.__main__ import main
from verify.evidence.sound.picture import sound_picture
from verify.terminal.show_sound import (
    CLICK,
    FIRING,
    KEY,
    LABELS,
    NOT_TAKEN,
    sound_lines,
    sound_plot,
)

FOUR = {"cylinders": spec("4")}


def drawn(sound: np.ndarray, said: dict[str, str], specs: dict, rate: int = RATE) -> list[str]:
    raw = wav(sound, rate)
    console = Console(file=io.StringIO(), width=80)
    console.print(sound_plot(io.BytesIO(raw), read(raw, said), specs))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


@pytest.mark.parametrize("width", [76, 50])
def test_it_keeps_within_its_width_and_about_ten_rows(width: int) -> None:
    raw = wav(hear(Engine(seed=4, rate=16_000)).sound, 16_000)
    console = Console(file=io.StringIO(), width=200)
    console.print(sound_plot(io.BytesIO(raw), read(raw, TOLD), FOUR, width=width))
    assert isinstance(console.file, io.StringIO)
    lines = console.file.getvalue().splitlines()
    assert max(len(line.rstrip()) for line in lines) <= width
    assert sum(len(line) > LABELS and line[LABELS] in "█▓▒░o" for line in lines) == 8


def test_the_firing_stands_in_the_row_of_its_frequency() -> None:
    """720 rpm of four cylinders: 24 firings a second; of the rows from 20 Hz the lowest."""
    lines = drawn(
        hear(Engine(seed=6, rpm=720.0, rate=16_000, unlike=0.3)).sound, TOLD, FOUR, 16_000
    )
    with_mark = [line for line in lines if FIRING * 20 in line]
    assert len(with_mark) == 1
    assert with_mark[0].split()[0] == "29"
    assert any("as of 4 cylinders, octave " in line for line in lines)


def test_without_cylinders_no_firing_is_drawn_and_it_says_why() -> None:
    lines = drawn(hear(Engine(seed=4, rate=16_000)).sound, TOLD, {}, 16_000)
    assert not any(FIRING * 5 in line for line in lines)
    assert "no engine speed is drawn: the number of cylinders is not known" in lines[-1]


def test_a_hum_is_marked_as_not_taken() -> None:
    lines = drawn(hum(), TOLD, FOUR)
    assert any(NOT_TAKEN * 20 in line for line in lines)
    assert not any(FIRING * 5 in line for line in lines)
    assert any("not taken as a speed" in line for line in lines)


def test_rain_has_no_speed() -> None:
    text = "\n".join(drawn(rain(1), TOLD, FOUR))
    assert "no engine speed is drawn" in text
    assert FIRING * 5 not in text
    assert NOT_TAKEN * 5 not in text


def test_keys_and_ticks_stand_at_their_times() -> None:
    """32 s over 69 columns; the key at 3 and 18 s, ticking for 4 s after the first alone."""
    lines = drawn(key_ons(KeyOn(ticking_s=4.0, only_first=True)), {"(key-on)": "3, 18"}, {})
    marks = next(line for line in lines if KEY in line)[LABELS:]
    assert [i for i, sign in enumerate(marks) if sign == KEY] == [int(k / 32 * 69) for k in (3, 18)]
    clicks = [i for i, sign in enumerate(marks) if sign == CLICK]
    assert clicks, marks
    assert max(i for i in clicks if i < 30) == pytest.approx((3 + 0.7 + 4.0) / 32 * 69, abs=2)
    assert all(i <= (18 + 1.0) / 32 * 69 + 1 for i in clicks)
    assert "K key on, as told" in "\n".join(lines)


def test_shades_are_the_decibels_they_say() -> None:
    """Half of it 30 dB softer: █ and ▒, by the 12 dB each that the head tells."""
    t = np.arange(RATE * 8) / RATE
    tone = np.sin(2 * np.pi * 500.0 * t) * np.where(t < 4.0, 1.0, 10 ** (-30 / 20))
    raw = wav(finished(tone))
    seen = sound_picture(io.BytesIO(raw), read(raw), None, columns=40, rows=8)
    lines = [text for text, _ in sound_lines(seen, None, 40)]
    row = next(line[LABELS:] for line in lines[1:] if "█" in line[LABELS:])
    assert set(row[2:18]) == {"█"}
    assert set(row[22:38]) == {"▒"}
    assert "12 dB" in lines[0]


def test_a_sound_from_before_says_so() -> None:
    sound = key_ons(KeyOn())
    assert "from before the repair" in drawn(sound, {"(told)": "before"}, {})[0]
    assert "before" not in drawn(sound, {}, {})[0]


def test_silence_and_one_second_are_drawn_without_an_error() -> None:
    assert drawn(np.zeros(RATE * 5), {}, FOUR)
    assert drawn(0.5 * np.ones(RATE * 5), {}, FOUR)
    assert drawn(hear(Engine(seconds=1.2)).sound, TOLD, FOUR)


def test_listen_draws_what_it_heard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "idle.wav"
    path.write_bytes(wav(hear(Engine(seed=6, rpm=720.0, rate=16_000, unlike=0.3)).sound, 16_000))
    assert main(["listen", str(path), "--cylinders", "4"]) == 0
    out = capsys.readouterr().out
    assert "sound, Hz: each shade 12 dB" in out
    assert FIRING * 20 in out
    assert main(["listen", str(path), "--cylinders", "4", "--json"]) == 0
    assert "each shade" not in capsys.readouterr().out
