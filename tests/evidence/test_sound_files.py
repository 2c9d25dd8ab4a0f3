"""Sound files: what comes out is what was written in, and what is no sound is refused in words."""

from __future__ import annotations

import io
import struct
import tracemalloc

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import TOLD, encoded, heard, read, riff, wav
from verify.errors import UserError
from verify.evidence.importers.port import importers, look, read_recording
from verify.evidence.importers.sound import CHANNELS, SoundImporter, key_on_marks
from verify.evidence.recording import Recording
from verify.evidence.sound import listening as listening_module
from verify.evidence.sound import stream as stream_module
from verify.evidence.sound.speed import speed_by_ear
from verify.evidence.sound.stream import container_of, open_sound
from verify.evidence.sound.wave import wave_layout


def samples(raw: bytes) -> tuple[np.ndarray, int, list[str]]:
    opened = open_sound(io.BytesIO(raw), "a sound")
    parts = list(opened.blocks)
    return np.concatenate(parts), opened.rate, opened.repairs


def refused(raw: bytes) -> str:
    """The problem in one line; every refusal names file, what was found, expected, and next."""
    with pytest.raises(UserError) as error:
        read(raw)
    (problem,) = error.value.problems
    assert problem.file == "a sound"
    assert problem.found
    assert problem.expected
    assert problem.next
    return problem.found


def noise(count: int = 20_000, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.9, 0.9, count)


# --- what comes out is what was written in -------------------------------------------------------


@pytest.mark.parametrize("rate", [8000, 11_025, 16_000, 44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_file_of_the_standard_library_comes_back(rate: int, channels: int) -> None:
    given_ = noise()
    found, found_rate, repairs = samples(wav(given_, rate, channels))
    assert found_rate == rate
    assert repairs == []
    # Half a step, and the scale of the two: 32767 steps are written, 32768 read.
    np.testing.assert_allclose(found, given_, atol=1.5 / 32768.0)


@pytest.mark.parametrize(
    ("kind", "scale", "within"),
    [
        (np.uint8, 127.0, 0.02),
        (np.int16, 32767.0, 1e-4),
        (np.int32, 2147483647.0, 1e-6),
        (np.float32, 1.0, 1e-7),
        (np.float64, 1.0, 1e-7),
    ],
)
def test_files_of_another_library_come_back(kind: type, scale: float, within: float) -> None:
    """scipy.io.wavfile writes them; integers of 8 bits are unsigned there as in the format."""
    given_ = noise()
    numbers = given_ * scale + (128.0 if kind is np.uint8 else 0.0)
    out = io.BytesIO()
    wavfile.write(out, 22_050, numbers.astype(kind))
    found, rate, _ = samples(out.getvalue())
    assert rate == 22_050
    np.testing.assert_allclose(found, given_, atol=within)


def test_three_bytes_a_sample_come_back_as_that_library_reads_them() -> None:
    raw = riff(np.random.default_rng(2).bytes(3 * 3000), bits=24)
    _, wanted = wavfile.read(io.BytesIO(raw))  # scaled to the upper bytes of 32 bits
    np.testing.assert_allclose(samples(raw)[0], wanted / 2147483648.0, atol=1e-7)


def test_chunks_before_the_samples_are_stepped_over() -> None:
    body = (noise(9000) * 32767).astype("<i2").tobytes()
    odd = b"LIST" + struct.pack("<I", 5) + b"INFOx" + b"\0"
    np.testing.assert_array_equal(samples(riff(body, before=odd))[0], samples(riff(body))[0])


def test_a_recorder_that_never_wrote_the_length_is_read_to_the_end() -> None:
    body = (noise(9000) * 32767).astype("<i2").tobytes()
    for told in (0, 0xFFFFFFFF):
        assert len(samples(riff(body, told=told))[0]) == 9000


def test_a_file_cut_off_gives_what_stands_before_and_says_so() -> None:
    raw = wav(noise(44_100 * 4))
    found, _, repairs = samples(raw[: len(raw) // 2])
    np.testing.assert_array_equal(found, samples(raw)[0][: len(found)])
    assert "cut off: 2.0 s" in repairs[0]


FORMATS = (
    ("ipod", "aac", 44_100),
    ("mp4", "aac", 48_000),
    ("3gp", "aac", 16_000),
    ("adts", "aac", 44_100),
    ("ogg", "libopus", 48_000),
    ("webm", "libopus", 48_000),
    ("mp3", "libmp3lame", 44_100),
    ("flac", "flac", 44_100),
    ("3gp", "libopencore_amrnb", 8_000),
    ("amr", "libopencore_amrnb", 8_000),
    ("aiff", "pcm_s16be", 44_100),
    ("caf", "pcm_s16be", 44_100),
    ("wav", "pcm_mulaw", 8_000),
)


@pytest.mark.parametrize(("container", "codec", "rate"), FORMATS)
def test_what_telephones_write_sounds_the_same(container: str, codec: str, rate: int) -> None:
    pytest.importorskip("av")
    engine = hear(Engine(seconds=12.0, rate=rate, snr_db=25.0))
    raw = encoded(engine.sound, rate, container=container, codec=codec)
    recording = read(raw, TOLD)
    assert recording.importer == "sound"
    assert recording.seconds == pytest.approx(12.0, abs=0.15)
    own = speed_by_ear(recording, 4)
    octaves = [engine.mean_rpm / a.rpm for a in own.alternatives]
    assert min(abs(o - 1.0) for o in octaves) < 0.005


@pytest.mark.parametrize("rate", [8_000, 11_025, 12_000, 16_000, 24_000, 44_100])
@pytest.mark.parametrize("tag", [True, False])
def test_mp3_of_any_rate_is_read_with_its_tag_and_without(rate: int, tag: bool) -> None:
    """ISO/IEC 13818-3 and its extension to lower rates: another mark at the head of each frame; and
    many recorders write no tag before the first."""
    pytest.importorskip("av")
    raw = encoded(noise(3 * rate), rate, container="mp3", codec="libmp3lame")
    assert raw[:3] == b"ID3"
    size = raw[6] << 21 | raw[7] << 14 | raw[8] << 7 | raw[9]
    recording = read(raw if tag else raw[10 + size :])
    assert recording.importer == "sound"
    assert recording.seconds == pytest.approx(3.0, abs=0.15)


def test_a_table_whose_first_header_begins_like_a_tag_is_no_sound() -> None:
    assert container_of(b"ID3") == container_of(b"ID3,time_s,engine_speed\n1,2,3\n") == ""
    assert container_of(b"ID3 time_s\n") == ""


def test_a_film_gives_its_sound() -> None:
    pytest.importorskip("av")
    engine = hear(Engine(seconds=12.0, snr_db=25.0))
    raw = encoded(engine.sound, 44_100, container="mp4", codec="aac", film=True)
    assert speed_by_ear(read(raw, TOLD), 4).alternatives[0].rpm == pytest.approx(
        engine.mean_rpm, rel=0.005
    )


def test_stereo_is_heard_with_both_ears() -> None:
    pytest.importorskip("av")
    raw = encoded(noise(44_100), 44_100, container="flac", codec="flac", stereo=True)
    found, _, _ = samples(raw)
    np.testing.assert_allclose(found, noise(44_100), atol=1e-3)


# --- what a recording promises -------------------------------------------------------------------


def assert_promises_kept(recording: Recording) -> None:
    assert recording.seconds > 0
    for name, channel in recording.channels.items():
        unit, low, high = CHANNELS[name]
        assert channel.name == name
        assert channel.unit == unit
        assert np.all(np.diff(channel.time_s) > 0)
        assert np.all(np.isfinite(channel.values))
        assert np.all((channel.values >= low) & (channel.values <= high))
        assert channel.time_s[0] >= 0
        assert channel.time_s[-1] <= recording.seconds
        assert not channel.values.flags.writeable


def test_a_recording_of_a_sound_keeps_its_promises() -> None:
    engine = hear(Engine(seconds=25.0))
    recording = heard(engine.sound, mapping={"(key-on)": "3.2s, 0:21.5", "(told)": "standing,warm"})
    assert_promises_kept(recording)
    assert set(recording.channels) == set(CHANNELS) - {"gap"}
    assert recording.mapping == {"(key-on)": "3.2 s, 21.5 s", "(told)": "warm, standing"}
    again = read(wav(engine.sound), dict(recording.mapping))
    assert again.mapping == recording.mapping
    for name, channel in recording.channels.items():
        np.testing.assert_array_equal(channel.values, again.channels[name].values)


def test_looking_asks_for_no_columns_and_remembers_nothing_for_other_files() -> None:
    one, other = (look(io.BytesIO(wav(noise(seed=s))), "a sound") for s in (1, 2))
    assert one.proposals == ()
    assert one.has_time
    assert one.key != other.key


@pytest.mark.parametrize(
    ("mapping", "field"),
    [
        ({"(key-on)": "soon"}, "mapping.(key-on)"),
        ({"(key-on)": "99"}, "mapping.(key-on)"),
        ({"(key-on)": "-3"}, "mapping.(key-on)"),
        ({"(told)": "lukewarm"}, "mapping.(told)"),
        ({"rpm": "engine_speed"}, "mapping.rpm"),
    ],
)
def test_what_cannot_be_told_of_a_sound_is_refused(mapping: dict[str, str], field: str) -> None:
    with pytest.raises(UserError) as error:
        read(wav(noise(44_100 * 2)), mapping)
    (problem,) = error.value.problems
    assert problem.field == field
    assert problem.file == "a sound"
    assert problem.next


def test_an_interval_told_of_a_sound_is_refused() -> None:
    with pytest.raises(UserError, match="an interval that was told"):
        read_recording(io.BytesIO(wav(noise())), "a sound", interval_s=0.5)


def test_levels_are_what_they_are_called() -> None:
    """A sine of full scale has, by the convention used, 0 dB; half of it −6.02."""
    t = np.arange(44_100 * 4) / 44_100
    for size, db in ((1.0, 0.0), (0.5, -6.02)):
        low = heard(size * 0.999 * np.sin(2 * np.pi * 200.0 * t)).channels["sound_level"]
        np.testing.assert_allclose(low.values[1:-1], db, atol=0.1)


# --- what is no sound ----------------------------------------------------------------------------


def test_what_is_no_sound_is_refused_in_words() -> None:
    short = (noise(4000) * 32767).astype("<i2").tobytes()
    assert refused(wav(noise(1))) == "a sound of 2.3e-05 s"
    assert refused(riff(b"")) == "a sound file without a single sample"
    assert refused(riff(short, channels=100, rate=8000)) == "a sound of 100 channels"
    assert refused(riff(short, rate=4000)) == "a sound of 4000 samples a second"
    assert refused(riff(short, rate=10_000_000)) == "a sound of 10000000 samples a second"
    assert refused(wav(noise())[:30]) == "a sound file with a head that is cut off"
    assert "no WAVE head" in refused(b"RIFF\0\0\0\0WAVE"[:11])
    assert refused(b"RIFF\x10\0\0\0AVI LIST" + bytes(200)) == "a sound or video file"
    assert refused(b"\xff\xd8\xff\xe0" + bytes(300)) == "a picture (JPEG)"
    assert refused(b"PK\x03\x04" + bytes(300)).startswith("a spreadsheet")
    assert refused(bytes(5000)) == "binary data"


def test_a_film_without_sound_is_refused() -> None:
    av = pytest.importorskip("av")
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as made:
        pictures = made.add_stream("mpeg4", rate=5)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        made.mux(pictures.encode(frame))
        made.mux(pictures.encode(None))
    assert refused(out.getvalue()) == "a film or container without sound"


def test_without_the_library_a_telephones_format_names_the_extra(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "av", None)
    raw = b"\0\0\0\x20ftypM4A " + bytes(500)
    with pytest.raises(UserError, match=r"pip install keysback\[sound\]"):
        read(raw)
    assert read(wav(noise(44_100 * 2))).seconds == pytest.approx(2.0)


@pytest.mark.parametrize("spoil", ["nan", "inf", "huge"])
def test_numbers_that_are_no_sound_count_as_silence_and_are_said(spoil: str) -> None:
    given_ = noise(16_000).astype("<f4")
    given_[::7] = {"nan": np.nan, "inf": -np.inf, "huge": 1e30}[spoil]
    recording = read(riff(given_.tobytes(), tag=3, bits=32))
    assert_promises_kept(recording)
    assert "2286 of 16000 samples are no sound" in recording.repairs[0]


@pytest.mark.parametrize("value", [0.0, 0.5, -1.0])
def test_silence_and_a_constant_are_heard_as_nothing(value: float) -> None:
    recording = heard(np.full(44_100 * 3, value))
    assert_promises_kept(recording)
    assert "note" not in recording.channels
    assert len(recording.channels.get("click", recording.channels["click_floor"]).values) <= 6


def test_more_than_an_hour_is_refused_before_it_is_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "MOST_SECONDS", 3.0)
    assert refused(wav(noise(44_100 * 5))) == "a sound of more than an hour"


def test_a_small_file_that_swells_is_stopped_at_an_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence packs a thousandfold: what counts is how much comes out, not how much lies there."""
    pytest.importorskip("av")
    monkeypatch.setattr(stream_module, "MOST_SECONDS", 30.0)
    raw = encoded(np.zeros(44_100 * 60), 44_100, container="flac", codec="flac")
    assert len(raw) < 60 * 44_100 * 2 / 50
    assert refused(raw) == "a sound of more than an hour"


def test_memory_does_not_grow_with_the_file() -> None:
    """Five minutes take hardly more than one: only what was heard is kept, about 5 kB a minute of
    an engine, and nothing of the sound."""
    one = hear(Engine(seconds=30.0, rate=8000)).sound

    def peak(minutes: int) -> int:
        raw = wav(np.tile(one, 2 * minutes), 8000)
        read(raw, TOLD)  # what is kept between files is there before it is measured
        tracemalloc.start()
        try:
            read(raw, TOLD)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert peak(5) < 1.15 * peak(1) + 2_000_000


def test_of_a_long_sound_fewer_readings_are_kept_and_none_of_them_is_moved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sound = hear(Engine(seconds=45.0, rate=8000, seed=4, unlike=0.25)).sound
    whole = heard(sound, 8000).channels["note"]
    monkeypatch.setattr(listening_module, "MOST_FRAMES", 150)
    fewer = heard(sound, 8000)
    note = fewer.channels["note"]
    assert 75 <= len(note.values) <= 150
    assert note.interval_s == pytest.approx(0.4, abs=0.01)
    places = np.searchsorted(whole.time_s, note.time_s - 1e-9)
    np.testing.assert_array_equal(whole.time_s[places], note.time_s)
    np.testing.assert_array_equal(whole.values[places], note.values)
    own = speed_by_ear(fewer, 4)
    assert own.lack == ""
    assert own.covered > 0.95


# --- whatever the bytes --------------------------------------------------------------------------

_SMALL = wav(hear(Engine(seconds=2.0, rate=8000)).sound, 8000)


def read_or_refused(raw: bytes) -> None:
    try:
        recording = read(raw)
    except UserError as error:
        for problem in error.problems:
            assert problem.file == "a sound"
            assert problem.found
            assert problem.next
    else:
        if recording.importer == "sound":
            assert_promises_kept(recording)


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 80), value=st.integers(0, 255))
def test_a_damaged_head_is_read_or_refused(at: int, value: int) -> None:
    raw = bytearray(_SMALL)
    raw[at] = value
    read_or_refused(bytes(raw))


@settings(max_examples=40, deadline=None)
@given(at=st.integers(0, len(_SMALL)))
def test_a_file_cut_anywhere_is_read_or_refused(at: int) -> None:
    read_or_refused(_SMALL[:at])


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    mark=st.sampled_from(
        [
            b"RIFF\0\0\0\0WAVE",
            b"fLaC",
            b"OggS",
            b"ID3",
            b"#!AMR\n",
            b"\xff\xfb",
            b"\0\0\0\x18ftypM4A ",
        ]
    ),
    rest=st.binary(max_size=300),
)
def test_random_bytes_behind_a_mark_are_never_a_traceback(mark: bytes, rest: bytes) -> None:
    read_or_refused(mark + rest)


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_damage_inside_a_telephones_file_is_read_or_refused(data: st.DataObject) -> None:
    pytest.importorskip("av")
    raw = bytearray(_PACKED())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        how = data.draw(st.sampled_from(["cut", "byte", "drop"]))
        if how == "cut":
            del raw[max(at, 1) :]
        elif how == "byte":
            raw[at] = data.draw(st.integers(0, 255))
        elif len(raw) > 60:
            del raw[at : at + 40]
        if not raw:
            return
    read_or_refused(bytes(raw))


_packed: list[bytes] = []


def _PACKED() -> bytes:
    if not _packed:
        sound = hear(Engine(seconds=3.0, rate=16_000)).sound
        _packed.append(encoded(sound, 16_000, container="ipod", codec="aac"))
    return _packed[0]


def test_the_importer_is_known_and_reads_nothing_of_the_name() -> None:
    assert any(isinstance(i, SoundImporter) for i in importers())
    raw = wav(noise(44_100 * 2))
    assert read(raw, name="drive.csv").importer == "sound"


def test_the_head_is_read_without_the_samples() -> None:
    layout = wave_layout(io.BytesIO(wav(noise(1000), 8000, 2)))
    assert (layout.rate, layout.channels, layout.bits, layout.frames) == (8000, 2, 16, 1000)


@pytest.mark.parametrize(
    ("text", "marks"),
    [
        ("3.2s,21.5s", [3.2, 21.5]),
        ("21.5, 3.2 s", [3.2, 21.5]),
        ("3,2; 21,5", [3.2, 21.5]),
        ("1:03.2", [63.2]),
        ("", []),
    ],
)
def test_times_of_a_key_are_read_as_people_write_them(text: str, marks: list[float]) -> None:
    assert key_on_marks(text) == marks


@pytest.mark.parametrize("text", ["3 28", "3,2", "3,2, 21,5", "about 3"])
def test_what_cannot_be_times_of_a_key_is_refused(text: str) -> None:
    """A decimal comma without semicolons would be two keys, a second apart."""
    with pytest.raises(UserError):
        key_on_marks(text)
