"""The picture of a sound in a report: what it says agrees with what was made to sound."""

from __future__ import annotations

import io
import re
from functools import cache
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, finished, hear
from tests.engines_heard.files import TOLD, read, wav
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.engines_heard.others import RATE, hum, speech
from verify.evidence.sound.picture import SoundPicture, sound_picture
from verify.report.document import Figure
from verify.report.plot_sound import (
    COLUMNS,
    MOST_CLICKS,
    ROWS,
    runs_of,
    sound_figure,
    sound_figures,
)

ENGINE = Engine(seed=5, rpm=720.0, seconds=40.0, rate=16_000, hunting_rpm=60.0)
KEYS = KeyOn(ticking_s=4.0, only_first=True)


@cache
def raw(name: str) -> tuple[bytes, tuple[tuple[str, str], ...], int | None]:
    return {
        "idle": lambda: (wav(hear(ENGINE).sound, 16_000), tuple(TOLD.items()), 4),
        "idle of none": lambda: (wav(hear(ENGINE).sound, 16_000), tuple(TOLD.items()), None),
        "keys": lambda: (wav(key_ons(KEYS)), (("(key-on)", "3, 18"),), None),
        "hum": lambda: (wav(hum()), tuple(TOLD.items()), 4),
        "speech": lambda: (wav(speech(1)), tuple(TOLD.items()), 4),
        "silence": lambda: (wav(np.zeros(RATE * 5)), (), 4),
    }[name]()


@cache
def picture(name: str) -> SoundPicture:
    sound, said, cylinders = raw(name)
    recording = read(sound, dict(said))
    return sound_picture(io.BytesIO(sound), recording, cylinders, columns=COLUMNS, rows=ROWS)


def figure(name: str, prefix: str = "t-") -> Figure:
    made = sound_figure(picture(name), raw(name)[2], prefix)
    assert made is not None
    return made


NAMES = ("idle", "idle of none", "keys", "hum", "speech", "silence")


@pytest.mark.parametrize("name", NAMES)
def test_it_is_one_element_small_and_with_nothing_from_outside(name: str) -> None:
    svg = figure(name).svg
    assert ElementTree.fromstring(svg).tag == "{http://www.w3.org/2000/svg}svg"
    assert "<image" not in svg, "a raster would be no picture that a page can hold"
    assert "url(http" not in svg
    assert all(link.startswith("#t-") for link in re.findall(r'href="([^"]*)"', svg))
    assert len(svg) < 160_000


def test_the_speed_in_words_is_that_of_the_crankshaft() -> None:
    alt = figure("idle").alt
    found = re.search(r"as of 4 cylinders: (\d+) to (\d+) rpm", alt)
    assert found is not None, alt
    true = hear(ENGINE).rpm
    assert float(found[1]) == pytest.approx(true.min(), rel=0.03)
    assert float(found[2]) == pytest.approx(true.max(), rel=0.03)
    assert "engine speed by ear, rpm<" in figure("idle").svg
    assert "Line edged white: the firing" in figure("idle").note


@pytest.mark.parametrize("name", ["idle of none", "speech", "silence"])
def test_where_no_speed_is_heard_none_is_drawn_and_the_reason_said(name: str) -> None:
    made = figure(name)
    assert "engine speed by ear" not in made.svg
    assert f"No engine speed is drawn: {picture(name).lack}." in made.alt
    assert "rpm" not in made.note


def test_what_is_followed_and_not_taken_says_so_everywhere() -> None:
    made = figure("hum")
    assert picture("hum").speed, "the hum must be followed, or this shows nothing"
    assert "engine speed by ear, rpm, not taken" in made.svg
    assert "It is not taken as a speed" in made.alt
    assert made.note.endswith("Broken line: followed, but not taken as a speed.")
    assert "stroke-dasharray" in made.svg


def test_keys_and_clicks_are_counted_and_no_engine_is_spoken_of() -> None:
    made = figure("keys")
    clicks = len(picture("keys").clicks_s)
    # 44 ticks, and at each key the relay and nine of the chirp; some fall within one another.
    assert 40 <= clicks <= 66
    assert f"Key turned on at 3.0 and 18.0 s; {clicks} clicks in the file." in made.alt
    assert "engine" not in made.alt
    assert made.note.endswith("▼ key on. Strokes: clicks.")


def test_more_clicks_than_can_be_seen_are_told_not_drawn() -> None:
    from dataclasses import replace

    many = replace(picture("keys"), clicks_s=np.linspace(0.1, 30.0, MOST_CLICKS + 1))
    made = sound_figure(many, None, "t-")
    assert made is not None
    assert "too many to draw" in made.alt
    assert "Strokes" not in made.note


def test_cells_are_joined_into_runs_as_they_lie() -> None:
    on = np.array([[1, 1, 0, 1], [0, 0, 0, 0], [0, 1, 1, 1]], dtype=np.bool_)
    rows, starts, ends = runs_of(on)
    assert list(zip(rows, starts, ends, strict=True)) == [(0, 0, 2), (0, 3, 4), (2, 1, 4)]
    back = np.zeros_like(on)
    for row, start, end in zip(rows, starts, ends, strict=True):
        back[row, start:end] = True
    assert (back == on).all()


def test_darker_is_louder() -> None:
    """A note that is on for the first half alone: the darkest grey lies on its left."""
    t = np.arange(RATE * 6) / RATE
    sound = wav(finished(np.sin(2 * np.pi * 500.0 * t) * (t < 3.0)))
    seen = sound_picture(io.BytesIO(sound), read(sound), None, columns=COLUMNS, rows=ROWS)
    made = sound_figure(seen, None, "t-")
    assert made is not None
    dark = re.search(r'<path d="([^"]+)"[^>]*#565e67', made.svg)
    assert dark is not None
    x = [float(v) for v in re.findall(r"[ML] ([\d.]+) ", dark[1])]
    width = float(re.search(r'viewBox="0 0 ([\d.]+)', made.svg)[1])  # type: ignore[index]
    assert max(x) < 0.6 * width


def test_the_same_sound_gives_the_same_bytes() -> None:
    assert figure("keys").svg == figure("keys").svg


def test_of_a_step_each_sound_is_drawn_once_and_a_table_never() -> None:
    from dataclasses import replace

    recording = read(raw("keys")[0], {"(key-on)": "3, 18"})
    other = replace(recording, sha256="b" * 64)
    table = replace(recording, sha256="c" * 64, importer="csv")
    found = sound_figures(
        [recording, recording, other, table], lambda _: (picture("keys"), None), "e7"
    )
    assert len(found) == 2
    assert [f.title.rsplit(" (", 1)[1] for f in found] == ["sound 1 of 2)", "sound 2 of 2)"]
    assert sound_figures([table], lambda _: None, "e7") == ()


def test_a_sound_from_before_says_so() -> None:
    before = read(raw("keys")[0], {"(key-on)": "3, 18", "(told)": "before"})
    (made,) = sound_figures([before], lambda _: (picture("keys"), None), "e7")
    assert made.title == "What the telephone heard, before the repair"
