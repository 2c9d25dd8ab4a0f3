"""What every importer must do, whatever its format. Inherit, and say how to write a small file.

The pictures of the world here are simple on purpose: a written file is compared with what was
written into it.
"""

from __future__ import annotations

import hashlib
import io
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verify.errors import Problem, UserError
from verify.evidence.channels import TIME, quantities
from verify.evidence.importers.port import Importer, look, read_recording
from verify.evidence.recording import Recording

Columns = Mapping[str, Sequence[float | None]]


def assert_same_channels(left: Recording, right: Recording, *, within: float = 0.0) -> None:
    """Same channels with the same readings; times to `within` seconds."""
    assert list(left.channels) == list(right.channels)
    for name, one in left.channels.items():
        other = right.channels[name]
        np.testing.assert_allclose(one.time_s, other.time_s, rtol=0, atol=within)
        np.testing.assert_array_equal(one.values, other.values)
        assert one.resolution == pytest.approx(other.resolution)
        assert one.interval_s == pytest.approx(other.interval_s, nan_ok=True, abs=within)


def assert_promises_kept(recording: Recording, raw: bytes) -> None:
    """All that `Channel` and `Recording` promise to the checks."""
    assert recording.sha256 == hashlib.sha256(raw).hexdigest()
    assert recording.seconds > 0
    assert recording.rows > 0
    for start, end in recording.gaps:
        assert 0 <= start < end <= recording.seconds
        assert end - start > 2.0
    for name, channel in recording.channels.items():
        quantity = quantities()[name]
        assert channel.name == name
        assert channel.unit == quantity.unit
        assert channel.time_s.dtype == channel.values.dtype == np.float64
        assert np.all(np.diff(channel.time_s) > 0)
        assert np.all(np.isfinite(channel.values))
        assert np.all(channel.values >= quantity.low)
        assert np.all(channel.values <= quantity.high)
        assert channel.time_s[0] >= 0
        assert channel.time_s[-1] <= recording.seconds + 1e-9
        assert channel.resolution >= 0
        assert not channel.values.flags.writeable
        assert not channel.time_s.flags.writeable


class ImporterContract(ABC):
    """Inherit, and give the two methods. events: each reading has a time of its own in the file."""

    events = False

    @abstractmethod
    def importer(self) -> Importer: ...

    @abstractmethod
    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        """A file of the format with these channels (canonical names and units; None is blank)."""

    def read(self, raw: bytes) -> Recording:
        return read_recording(io.BytesIO(raw), "drive")

    def sample(self, start: float = 0.0) -> bytes:
        n = 60
        return self.write(
            [round(start + 0.25 * i, 3) for i in range(n)],
            {
                "engine_speed": [800.0 + (i * 7) % 13 for i in range(n)],
                "vehicle_speed": [None if i % 9 == 4 else float((i * 5) % 50) for i in range(n)],
                "coolant": [round(80 + i / 10, 1) for i in range(n)],
            },
        )

    def test_a_written_file_comes_back_as_it_was(self) -> None:
        recording = self.read(self.sample())
        assert_promises_kept(recording, self.sample())
        assert recording.importer == self.importer().name
        assert recording.importer_version == self.importer().version
        assert list(recording.channels) == ["engine_speed", "vehicle_speed", "coolant"]
        readings = 60 + 60 + len([i for i in range(60) if i % 9 != 4])
        assert recording.rows == (readings if self.events else 60)
        assert {c.skew_s for c in recording.channels.values()} == {0.0 if self.events else 0.25}
        assert recording.gaps == ()
        speed = recording.channels["vehicle_speed"]
        wanted = [(0.25 * i, float((i * 5) % 50)) for i in range(60) if i % 9 != 4]
        np.testing.assert_allclose(speed.time_s, [t for t, _ in wanted], atol=1e-9)
        np.testing.assert_array_equal(speed.values, [v for _, v in wanted])
        assert recording.channels["engine_speed"].resolution == 1.0
        assert recording.channels["engine_speed"].interval_s == pytest.approx(0.25)

    def test_its_own_mapping_read_again_gives_the_same(self) -> None:
        raw = self.sample()
        first = self.read(raw)
        again = read_recording(io.BytesIO(raw), "drive", mapping=first.mapping)
        assert_same_channels(first, again)
        assert again.mapping == first.mapping

    def test_looking_offers_what_reading_takes(self) -> None:
        raw = self.sample()
        layout = look(io.BytesIO(raw), "drive")
        assert layout.has_time
        sure = {p.header: p.channel for p in layout.proposals if p.sure and p.channel != TIME}
        taken = self.read(raw).mapping
        assert sure == {h: c for h, c in taken.items() if c != TIME}
        assert sorted(sure.values()) == ["coolant", "engine_speed", "vehicle_speed"]

    def test_what_a_person_says_wins(self) -> None:
        raw = self.sample()
        first = self.read(raw)
        rpm, coolant = (first.channels[n].header for n in ("engine_speed", "coolant"))
        said = {rpm: "-", coolant: "oil °C"}
        told = read_recording(io.BytesIO(raw), "drive", mapping=said)
        assert list(told.channels) == ["vehicle_speed", "oil"]
        assert said.items() <= told.mapping.items()
        np.testing.assert_array_equal(told.channels["oil"].values, first.channels["coolant"].values)
        for wrong in ({"tachymeter": "engine_speed"}, {rpm: "engine_sped"}, {coolant: "load °C"}):
            with pytest.raises(UserError) as refused:
                read_recording(io.BytesIO(raw), "drive", mapping=wrong)
            assert refused.value.problems[0].field.startswith("mapping")
            assert refused.value.problems[0].file == "drive"

    def test_an_interval_told_of_a_file_with_times_is_refused(self) -> None:
        with pytest.raises(UserError, match="an interval that was told"):
            read_recording(io.BytesIO(self.sample()), "drive", interval_s=0.5)

    def test_a_file_cut_off_gives_what_stands_before_or_a_refusal(self) -> None:
        raw = self.sample()
        whole = self.read(raw)
        for at in range(0, len(raw), max(1, len(raw) // 60)):
            self.assert_read_or_refused(raw[:at])
        try:
            part = self.read(raw[: len(raw) * 3 // 4])
        except UserError:
            return  # a format whose index stands at its end
        for name, channel in part.channels.items():
            n = len(channel.values)
            np.testing.assert_array_equal(channel.values, whole.channels[name].values[:n])

    def test_another_start_of_the_clock_changes_nothing(self) -> None:
        assert_same_channels(self.read(self.sample()), self.read(self.sample(7200.0)), within=1e-6)

    def test_a_stream_that_cannot_seek_is_read_too(self) -> None:
        class Pipe(io.BytesIO):
            def seekable(self) -> bool:
                return False

        raw = self.sample()
        assert_same_channels(read_recording(Pipe(raw), "pipe"), self.read(raw))

    @settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
    @given(data=st.data())
    def test_damage_gives_a_recording_that_keeps_its_promises_or_a_clear_refusal(
        self, data: st.DataObject
    ) -> None:
        self.assert_damage_survived(data)

    def assert_damage_survived(self, data: st.DataObject) -> None:
        raw = bytearray(self.sample())
        for _ in range(data.draw(st.integers(1, 4), label="damages")):
            at = data.draw(st.integers(0, len(raw)), label="at")
            how = data.draw(st.sampled_from(["cut", "byte", "drop", "insert", "double"]))
            length = data.draw(st.integers(1, 40))
            if how == "cut":
                del raw[at:]
            elif how == "byte" and at < len(raw):
                raw[at] = data.draw(st.integers(0, 255))
            elif how == "drop":
                del raw[at : at + length]
            elif how == "insert":
                raw[at:at] = data.draw(st.binary(max_size=40))
            else:
                raw[at:at] = raw[at : at + length]
        self.assert_read_or_refused(bytes(raw))

    @settings(deadline=None, max_examples=100, suppress_health_check=list(HealthCheck))
    @given(raw=st.binary(max_size=400))
    def test_random_bytes_are_never_a_traceback(self, raw: bytes) -> None:
        self.assert_read_or_refused(raw)

    def assert_read_or_refused(self, raw: bytes) -> None:
        problems: tuple[Problem, ...] = ()
        try:
            recording = self.read(raw)
        except UserError as error:
            problems = error.problems
        else:
            assert_promises_kept(recording, raw)
        for problem in problems:
            assert problem.file == "drive"
            assert problem.found
            assert problem.next
