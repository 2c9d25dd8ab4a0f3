"""`keysback listen` on files that are no sound of a car: refused, or undecided; never more.

Exit code 2 and a problem with what to do next, or 0 and not one check that passes or fails.
"""

from __future__ import annotations

import io
import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import encoded, riff, wav
from tests.engines_heard.key_on import KeyOn, key_ons
from verify.__main__ import main
from verify.evidence.sound import stream as stream_module

ENGINE = ("--cylinders", "4", "--told", "warm,standing,released,left-on")
SPEED = ("--spec", "idle_speed=720 rpm")
KEYS = ("--key-on", "3,18")
RATE = 16_000


def listened(
    raw: bytes, name: str, folder: Path, capsys: pytest.CaptureFixture[str], *words: str
) -> tuple[int, str, str]:
    path = folder / name
    path.write_bytes(raw)
    code = main(["listen", str(path), *words])
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    return code, " ".join(out.out.split()), " ".join(out.err.split())


def silence(value: float = 0.0, seconds: float = 65.0) -> bytes:
    return wav(np.full(int(seconds * RATE), value), RATE)


def floats(values: np.ndarray, bits: int = 32) -> bytes:
    kind = "<f4" if bits == 32 else "<f8"
    return riff(values.astype(kind).tobytes(), tag=3, bits=bits, rate=RATE)


def nothing_but(value: float) -> bytes:
    return floats(np.full(65 * RATE, value))


def spoilt(sound: np.ndarray, value: float) -> bytes:
    """Every other tenth of a second is no number."""
    made = sound.copy()
    made.reshape(-1, RATE // 10)[::2] = value
    return floats(made)


def idle() -> np.ndarray:
    return hear(Engine(seed=6, rpm=720.0, seconds=62.0, rate=RATE, unlike=0.3)).sound


UNDECIDED: dict[str, Callable[[], bytes]] = {
    "silence": silence,
    "a constant": lambda: silence(0.4),
    "a constant at the end of the scale": lambda: silence(-1.0),
    "the lowest step, up and down": lambda: wav(np.tile([0.0, 1.0 / 32768.0], 33 * RATE), RATE),
    "not one number": lambda: nothing_but(np.nan),
    "infinities": lambda: nothing_but(np.inf),
    "far too large": lambda: nothing_but(1e30),
    "a second of silence": lambda: silence(seconds=1.5),
}


@pytest.mark.parametrize("words", [(*ENGINE, *SPEED), ("--key-on", "0.2")], ids=["idle", "key"])
@pytest.mark.parametrize("name", UNDECIDED)
def test_a_file_in_which_nothing_is_heard_is_undecided(
    name: str, words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = listened(UNDECIDED[name](), "a.wav", tmp_path, capsys, *words)
    assert (code, err) == (0, "")
    assert "PASS" not in out
    assert "FAIL" not in out
    assert "UNDECIDED" in out
    assert "Settles it" in out or "settles it" in out


@pytest.mark.parametrize("value", [np.nan, np.inf, -1e30])
def test_a_sound_with_some_that_is_no_number_says_so_and_key_ons_in_it_do_not_pass(
    value: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = spoilt(key_ons(KeyOn(rate=RATE)), value)
    code, out, _ = listened(raw, "key.wav", tmp_path, capsys, *KEYS)
    assert code == 0
    assert "samples are no sound (not a number, or far too large)" in out
    assert "PASS" not in out


@pytest.mark.parametrize("value", [np.nan, np.inf, -1e30, 0.0])
def test_an_idle_of_which_half_is_no_number_does_not_pass(
    value: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = spoilt(idle(), value)
    code, out, _ = listened(raw, "idle.wav", tmp_path, capsys, *ENGINE, *SPEED)
    assert code == 0
    assert "PASS" not in out
    assert "UNDECIDED" in out
    assert "samples of the file are no sound" in out or "parts of the sound are gone" in out


def film(sound: bool) -> bytes:
    """A clip as a telephone takes it: 2 s of pictures, with or without sound."""
    av = pytest.importorskip("av")
    if sound:
        return encoded(np.zeros(2 * 44_100), 44_100, container="mp4", codec="aac", film=True)
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as made:
        pictures = made.add_stream("mpeg4", rate=5)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        made.mux(pictures.encode(frame))
        made.mux(pictures.encode(None))
    return out.getvalue()


SHORT = (np.sin(np.arange(40_000)) * 9000).astype("<i2").tobytes()
# name of the file → (its bytes, what is found)
REFUSED: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty.wav": (lambda: b"", "found an empty file"),
    "one-sample.wav": (lambda: wav(np.array([0.5]), RATE), "found a sound of 6.3e-05 s"),
    "no-sample.wav": (lambda: riff(b""), "found a sound file without a single sample"),
    "head-of-20-bytes.wav": (lambda: wav(np.zeros(RATE), RATE)[:20], "a head"),
    "head-of-4-bytes.wav": (lambda: wav(np.zeros(RATE), RATE)[:4], "found "),
    "head-alone.wav": (lambda: wav(np.zeros(RATE), RATE)[:44], "without a single sample"),
    "hundred.wav": (lambda: riff(SHORT, channels=100), "found a sound of 100 channels"),
    "no-channel.wav": (lambda: riff(SHORT, channels=0), "no channels or no rate"),
    "no-rate.wav": (lambda: riff(SHORT, rate=0), "no channels or no rate"),
    "a-wild-rate.wav": (lambda: riff(SHORT, rate=2_000_000_000), "samples a second"),
    "a-wild-chunk.wav": (
        lambda: riff(SHORT, before=b"LIST" + struct.pack("<I", 0xFFFFFFF0)),
        "a head without samples behind it",
    ),
    "picture.wav": (lambda: b"\xff\xd8\xff\xe0" + bytes(300), "found a picture (JPEG)"),
    "text.wav": (lambda: b"the engine ran well\n" * 50, "found "),
    "table.m4a": (lambda: b"time_s,engine_speed_rpm\n0,700\n1,701\n2,702\n", "that is no sound"),
    "clip.avi": (lambda: b"RIFF\x10\0\0\0AVI LIST" + bytes(200), "found a sound or video file"),
    "clip.mp4": (lambda: film(sound=False), "found a film or container without sound"),
    "cut.mp4": (lambda: film(sound=True)[:400], "found a sound file that cannot be read"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_sound_is_refused_with_what_to_do(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made, found = REFUSED[name]
    code, out, err = listened(made(), name, tmp_path, capsys, *ENGINE)
    assert (code, out) == (2, "")
    assert found in err
    assert name in err
    assert "expected" in err


def test_a_folder_is_no_sound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", str(tmp_path)]) == 2
    assert "cannot be opened" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["idle.wav", "idle.txt", "idle.jpg", "idle"])
def test_the_name_of_a_file_says_nothing(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither does a sound become none by another ending, nor is one decoded by its ending."""
    pytest.importorskip("av")
    for raw in (
        wav(idle()[: 20 * RATE], RATE),
        encoded(idle()[: 20 * RATE], RATE, container="3gp", codec="aac"),
    ):
        code, out, _ = listened(raw, name, tmp_path, capsys, *ENGINE)
        assert code == 0
        assert "engine speed" in out


def test_a_small_file_that_swells_is_stopped_and_takes_no_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten minutes of silence, as samples 19 MB, in a file of 30 kB; three are allowed here."""
    pytest.importorskip("av")
    monkeypatch.setattr(stream_module, "MOST_SECONDS", 180.0)
    raw = encoded(np.zeros(600 * RATE), RATE, container="flac", codec="flac")
    assert len(raw) < 600 * RATE * 2 / 50
    tracemalloc.start()
    try:
        code, out, err = listened(raw, "bomb.flac", tmp_path, capsys, *ENGINE)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert (code, out) == (2, "")
    assert "found a sound of more than an hour" in err
    assert peak < 600 * RATE * 4 / 2
    # A head alone may promise any length: what lies there counts.
    lying = riff(SHORT, told=0xFFFFFFF0)
    assert listened(lying, "lying.wav", tmp_path, capsys, *ENGINE)[0] == 0
