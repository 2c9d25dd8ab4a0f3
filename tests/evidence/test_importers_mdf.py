"""MDF 4: signals with times of their own, frames of a bus beside them, and damaged files.

Files are written by asammdf itself.
"""

from __future__ import annotations

import io
import struct
import sys
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.contracts.importer import Columns, ImporterContract, assert_promises_kept
from tests.evidence.test_importers_can import drive
from verify.errors import UserError
from verify.evidence.importers import mdf_child
from verify.evidence.importers.mdf import MdfImporter
from verify.evidence.importers.mdf_blocks import why_not_walked
from verify.evidence.importers.port import Importer, look, read_recording
from verify.evidence.recording import Recording

asammdf = pytest.importorskip("asammdf")

UNITS = {"engine_speed": "rpm", "vehicle_speed": "km/h", "coolant": "°C"}
Series = tuple[str, str, Sequence[float], Sequence[object]]


def written(
    groups: Sequence[Sequence[Series]], bus: Sequence[object] = (), **options: int
) -> bytes:
    """Channel groups of (name, unit, times, values); bus: frames for a bus logging group."""
    with asammdf.MDF(version="4.10") as mdf:
        for group in groups:
            mdf.append(
                [
                    asammdf.Signal(
                        samples=np.asarray(values),
                        timestamps=np.asarray(times, dtype=float),
                        name=name,
                        unit=unit,
                        encoding="utf-8" if np.asarray(values).dtype.kind == "S" else None,
                    )
                    for name, unit, times, values in group
                ],
                common_timebase=True,
            )
        if bus:
            mdf.append(_bus(bus), common_timebase=True, acq_source=_source())
            mdf.groups[-1].channel_group.flags |= 2 | 4
        stream = io.BytesIO()
        mdf.save(stream, overwrite=True, **options)
        return stream.getvalue()


def _source() -> object:
    from asammdf.blocks.source_utils import Source

    return Source("CAN", "CAN", "", Source.SOURCE_BUS, Source.BUS_TYPE_CAN)


def _bus(frames: Sequence[object]) -> object:
    t = np.array([f[0] for f in frames])  # type: ignore[index]
    fields = [
        ("CAN_DataFrame.BusChannel", "<u1"),
        ("CAN_DataFrame.ID", "<u4"),
        ("CAN_DataFrame.IDE", "<u1"),
        ("CAN_DataFrame.DLC", "<u1"),
        ("CAN_DataFrame.DataLength", "<u1"),
        ("CAN_DataFrame.DataBytes", "(8,)u1"),
    ]
    samples = np.zeros(len(t), dtype=fields)
    for i, (_, ident, data) in enumerate(frames):  # type: ignore[misc]
        padded = data.ljust(8, b"\xaa")
        samples[i] = (1, ident, ident > 0x7FF, 8, len(data), np.frombuffer(padded, np.uint8))
    return asammdf.Signal(samples=samples, timestamps=t, name="CAN_DataFrame")


_ONCE: dict[str, bytes] = {}


def once(key: str, *content: Sequence[object]) -> bytes:
    """The library writes the time of day into each file; the contract wants equal files equal."""
    if key not in _ONCE:
        _ONCE[key] = written(*content)  # type: ignore[arg-type]
    return _ONCE[key]


def read(raw: bytes, **options: object) -> Recording:
    recording = read_recording(io.BytesIO(raw), "drive.mf4", **options)  # type: ignore[arg-type]
    assert_promises_kept(recording, raw)
    return recording


class MdfContract(ImporterContract):
    """Each file that gets past the walk through its blocks is read in a process of its own, which
    takes a second: fewer examples of damage."""

    events = True

    def importer(self) -> Importer:
        return MdfImporter()

    @settings(deadline=None, max_examples=15, suppress_health_check=list(HealthCheck))
    @given(data=st.data())
    def test_damage_gives_a_recording_that_keeps_its_promises_or_a_clear_refusal(
        self, data: st.DataObject
    ) -> None:
        self.assert_damage_survived(data)


class TestSignals(MdfContract):
    """Each signal in a group of its own, blanks simply not there."""

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        groups = []
        for name, values in columns.items():
            there = [(t, v) for t, v in zip(time_s, values, strict=True) if v is not None]
            groups.append([(name, UNITS[name], [t for t, _ in there], [v for _, v in there])])
        return once(repr(groups), groups)


class TestBus(MdfContract):
    """Answers on the bus."""

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        frames = drive(time_s, columns)
        return once(repr(frames), [], frames)


T = [0.25 * i for i in range(20)]
RPM = [800.0 + i % 5 for i in range(20)]


def test_signals_of_every_type_and_rate() -> None:
    slow = [1.0 * i for i in range(6)]
    raw = written(
        [
            [("EngineSpeed", "1/min", T, np.array(RPM, dtype=np.float32)),
             ("VehicleSpeed", "mph", T, np.arange(20, dtype=np.uint8))],
            [("Coolant Temperature", "degC", slow, np.arange(80, 86, dtype=np.int16))],
            [("Latitude", "deg", slow, np.arange(6.0))],
            [("Gear", "", slow, np.array([b"one"] * 6))],
        ]
    )  # fmt: skip
    recording = read(raw)
    assert list(recording.channels) == ["engine_speed", "vehicle_speed", "coolant"]
    assert recording.channels["engine_speed"].values.tolist() == RPM
    assert recording.channels["vehicle_speed"].values[1] == pytest.approx(1.609344)
    assert recording.channels["coolant"].time_s.tolist() == slow
    assert recording.channels["coolant"].interval_s == 1
    assert {"Latitude", "Gear"} <= set(recording.unmapped)
    with pytest.raises(UserError, match="positions are never read"):
        read(raw, mapping={"Latitude": "throttle"})
    told = read(raw, mapping={"Gear": "load"})
    assert "Gear: text, or several numbers at a time, left out" in told.repairs
    assert "load" not in told.channels


def test_a_signal_without_a_known_unit_waits_for_it() -> None:
    raw = written([[("Vehicle Speed", "", T, np.arange(20.0))]])
    with pytest.raises(UserError, match="no signal is known by its name and unit"):
        read(raw)
    offered = look(io.BytesIO(raw), "x").proposals
    assert [(p.channel, p.sure) for p in offered] == [("vehicle_speed", False)]
    told = read(raw, mapping={"Vehicle Speed": "vehicle_speed m/s"})
    assert told.channels["vehicle_speed"].values[1] == pytest.approx(3.6)


def test_doubled_names_are_told_apart_and_neither_is_taken() -> None:
    raw = written([[("EngineSpeed", "rpm", T, RPM)], [("EngineSpeed", "rpm", T, RPM)]])
    with pytest.raises(UserError, match="no signal is known"):
        read(raw)
    assert read(raw, mapping={"EngineSpeed (2)": "engine_speed"}).channels["engine_speed"]


def test_answers_on_the_bus_win_over_signals_and_both_share_a_clock() -> None:
    frames = drive([0.5 + t for t in T], {"engine_speed": [900.0] * 20})
    pedal = np.arange(20.0)
    raw = written(
        [[("EngineSpeed", "rpm", T, RPM), ("Accelerator Pedal Position", "%", T, pedal)]], frames
    )
    recording = read(raw)
    assert set(recording.channels["engine_speed"].values) == {900}
    assert recording.channels["pedal"].values.tolist() == pedal.tolist()
    assert recording.channels["pedal"].time_s[0] == 0
    assert recording.channels["engine_speed"].time_s[0] == 0.5
    assert "EngineSpeed" in recording.unmapped
    said = {"7E8 0C engine speed": "-", "EngineSpeed": "engine_speed"}
    assert read(raw, mapping=said).channels["engine_speed"].values.tolist() == RPM


@pytest.mark.parametrize("compression", [0, 1, 2])
def test_packed_files_are_read_too(compression: int) -> None:
    t = [0.01 * i for i in range(20_000)]
    raw = written([[("EngineSpeed", "rpm", t, [800.0] * 20_000)]], compression=compression)
    assert len(read(raw).channels["engine_speed"].values) == 20_000


def test_without_the_library_the_file_is_refused_with_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(UserError, match=r"run: pip install keysback\[mdf\]"):
        read_recording(io.BytesIO(b"MDF     4.10    " + bytes(200)), "drive.mf4")


def test_the_stream_is_only_read(capfd: pytest.CaptureFixture[str]) -> None:
    """The library gets a copy, and what it says of a damaged file does not reach the screen."""
    raw = written([[("EngineSpeed", "rpm", T, RPM)]])

    class ReadOnly(io.BytesIO):
        def write(self, data: object) -> int:
            raise AssertionError("written to")

        truncate = write  # type: ignore[assignment]

    stream = ReadOnly(b"UnFinMF " + raw[8:])
    recording = read_recording(stream, "drive.mf4")
    assert recording.repairs[0].startswith("the logger never finished this file")
    with pytest.raises(UserError):
        read_recording(io.BytesIO(raw[: len(raw) // 2]), "drive.mf4")
    assert capfd.readouterr() == ("", "")


def test_a_library_that_comes_down_or_never_ends_costs_a_refusal_and_no_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    raw = written([[("EngineSpeed", "rpm", T, RPM)]])
    for start in ("import os; os.abort()", "while True: pass", "print('no answer')"):
        monkeypatch.setattr(mdf_child, "_START", start)
        monkeypatch.setattr(mdf_child, "_LEAST_S", 1.0)
        with pytest.raises(UserError, match="an MDF file that is damaged"):
            read(raw)


def test_chains_that_run_in_a_circle_or_into_nothing_are_refused_before_they_are_followed() -> None:
    raw = bytearray(written([[("EngineSpeed", "rpm", T, RPM)], [("Load", "%", T, RPM)]]))
    assert why_not_walked(bytes(raw)) == ""
    first = struct.unpack_from("<Q", raw, 64 + 24)[0]
    assert raw[first : first + 4] == b"##DG"
    circle, nowhere, wrong = bytearray(raw), bytearray(raw), bytearray(raw)
    struct.pack_into("<Q", circle, first + 24, first)
    struct.pack_into("<Q", nowhere, first + 24, len(raw) + 1000)
    struct.pack_into("<Q", wrong, first + 24, 64)
    huge = bytearray(raw)
    struct.pack_into("<Q", huge, first + 16, 1 << 60)
    for damaged, found in (
        (circle, "a chain of blocks that runs in a circle"),
        (nowhere, "names a block that is not there"),
        (wrong, "names a block of another kind"),
        (huge, "more links than the file has room for"),
        (b"MDF     3.30    " + bytes(200), "has version 3.30, not 4"),
    ):
        with pytest.raises(UserError, match=found):
            read(bytes(damaged))
