"""Bus logs: forms of text, answers in one and in several frames, and what is no answer.

Logs are written by python-can's own writers and messages cut into frames by can-isotp, so that no
form is only what we think it is; values come from the exact fractions of the table of parameters.
"""

from __future__ import annotations

import base64
import io
import tempfile
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.contracts.importer import (
    Columns,
    ImporterContract,
    assert_promises_kept,
    assert_same_channels,
)
from verify.car.frames import Reassembly, payload_to_frames
from verify.car.parameters import by_key, pid_size, raw_to_bytes, value_to_raw
from verify.errors import UserError
from verify.evidence.importers.can_frames import (
    base64_to_bytes,
    digits_to_bytes,
    identifiers,
)
from verify.evidence.importers.can_import import CanBlfImporter, CanTextImporter
from verify.evidence.importers.port import Importer, look, read_recording
from verify.evidence.recording import Recording

Frame = tuple[float, int, bytes]  # seconds, identifier (above 7FF: 29 bits), bytes


def answer(key: str, value: float) -> bytes:
    """PID and data of one parameter, the nearest raw number."""
    parameter = by_key(key)
    raw = value_to_raw(parameter, Fraction(value))
    return bytes([parameter.pid]) + raw_to_bytes(parameter, raw)


def frames_of(t: float, payload: bytes, ident: int = 0x7E8, pad: int | None = 0) -> list[Frame]:
    cut = payload_to_frames(payload, pad=pad)
    return [(t + 0.001 * i, ident, data) for i, data in enumerate(cut)]


def candump(frames: Iterable[Frame], bus: str = "can0") -> bytes:
    lines = []
    for t, ident, data in frames:
        digits = f"{ident:08X}" if ident > 0x7FF else f"{ident:03X}"
        lines.append(f"({t:.6f}) {bus} {digits}#{data.hex().upper()}\n")
    return "".join(lines).encode()


def read(raw: bytes, **options: object) -> Recording:
    recording = read_recording(io.BytesIO(raw), "drive.log", **options)  # type: ignore[arg-type]
    assert_promises_kept(recording, raw)
    return recording


def by_library(frames: Iterable[Frame], suffix: str) -> bytes:
    """The frames as python-can writes them."""
    can = pytest.importorskip("can")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{suffix}"
        with can.Logger(path) as log:
            for t, ident, data in frames:
                log(
                    can.Message(
                        timestamp=t,
                        arbitration_id=ident,
                        data=data,
                        is_extended_id=ident > 0x7FF,
                        channel=0,
                        is_rx=True,
                    )
                )
        return path.read_bytes()


def drive(time_s: Sequence[float], columns: Columns) -> list[Frame]:
    """Each value in a frame of its own, all at the time of the row."""
    return [
        (t, 0x7E8, data)
        for i, t in enumerate(time_s)
        for name, values in columns.items()
        if (value := values[i]) is not None
        for _, _, data in frames_of(t, b"\x41" + answer(name, value), pad=0xAA)
    ]


class TestCandump(ImporterContract):
    events = True

    def importer(self) -> Importer:
        return CanTextImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        return candump(drive(time_s, columns))


class TestOnTheScreen(TestCandump):
    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        return "".join(
            f" ({t:.6f})  can0  {ident:03X}   [{len(data)}]  {data.hex(' ').upper()}\n"
            for t, ident, data in drive(time_s, columns)
        ).encode()


class TestFrameTable(TestCandump):
    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        rows = [
            f"{t};1;{ident:X};0;8;8;0;0;0;{data.hex().upper()}"
            for t, ident, data in drive(time_s, columns)
        ]
        head = "TimestampEpoch;BusChannel;ID;IDE;DLC;DataLength;Dir;EDL;BRS;DataBytes"
        return "\r\n".join([head, *rows, ""]).encode()


@pytest.mark.parametrize("suffix", [".asc", ".trc", ".blf", ".csv", ".log"])
def test_every_form_that_another_library_writes_gives_the_same(suffix: str) -> None:
    times = [1700000000 + 0.05 * i for i in range(40)]
    frames = drive(times, {"engine_speed": [800 + i for i in range(40)]})
    frames += [(t + 0.01, 0x18DAF110, f[2]) for t, f in zip(times, frames, strict=True)]
    frames += [(t + 0.02, 0x123, bytes(range(8))) for t in times]
    frames += [(t + 0.03, 0x7DF, bytes.fromhex("02010C0000000000")) for t in times]
    frames.sort()
    wanted = read(candump(frames))
    assert wanted.rows == 80
    assert wanted.unmapped == ("18DAF110 0C engine speed",)
    raw = by_library(frames, suffix)
    importer = CanBlfImporter() if suffix == ".blf" else CanTextImporter()
    found = read_recording(io.BytesIO(raw), "log")
    assert found.importer == importer.name
    assert_same_channels(found, wanted, within=2e-5)
    assert found.unmapped == wanted.unmapped


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.3", "2.0", "2.1"])
def test_every_version_of_trc(version: str) -> None:
    """Rows as the versions' own descriptions give them; 2.x name their columns."""
    lines = {
        "1.0": "{n:6d})  {ms:10.1f}  07E8  8  {data}",
        "1.1": "{n:6d})  {ms:10.1f}  Rx         07E8  8  {data}",
        "1.3": "{n:6d})  {ms:10.1f} 1  Rx        07E8 -  8    {data}",
        "2.0": "{n:7d}  {ms:12.3f} DT     07E8 Rx 8  {data}",
        "2.1": "{n:7d}  {ms:12.3f} DT 1      07E8 Rx -  8    {data}",
    }
    head = [f";$FILEVERSION={version}", ";$STARTTIME=44403.5", ";  a comment"]
    columns = {"2.0": "N,O,T,I,d,L,D", "2.1": "N,O,T,B,I,d,R,L,D"}
    if version in columns:
        head.append(f";$COLUMNS={columns[version]}")
    body = [
        lines[version].format(n=i + 1, ms=500.0 * i, data=f"04 41 0C 0C {i:02X} 00 00 00")
        for i in range(10)
    ]
    recording = read("\n".join([*head, *body, ""]).encode())
    rpm = recording.channels["engine_speed"]
    assert rpm.time_s.tolist() == [0.5 * i for i in range(10)]
    assert rpm.values.tolist() == [(0x0C00 + i) / 4 for i in range(10)]
    can = pytest.importorskip("can")
    reader = can.TRCReader(io.StringIO("\n".join([*head, *body, ""])))
    theirs = [int.from_bytes(m.data[3:5], "big") / 4 for m in reader]
    assert theirs == rpm.values.tolist()


def test_asc_with_relative_times_long_frames_and_other_lines() -> None:
    text = """date Mon Jul 26 13:13:39.36 2021
base hex  timestamps relative
internal events logged
 0.000000 Start of measurement
 0.500000 1  7E8             Rx   d 8 04 41 0C 0C 80 00 00 00  Length = 228015 BitCount = 118
 0.250000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%
 0.250000 1  7E8             Rx   d 8 04 41 0C 0C 84 AA AA AA
 0.100000 1  ErrorFrame
 0.400000 CANFD   1 Rx        7E8                                   1 0 8  8 04 41 0C 0C 88 00 00 00
 0.500000 1  18DAF110x       Rx   d 8 03 41 05 5A 00 00 00 00
 0.500000 1  7E8             Rx   r
End TriggerBlock
"""
    recording = read(text.encode())
    rpm, coolant = recording.channels["engine_speed"], recording.channels["coolant"]
    assert rpm.values.tolist() == [800, 801, 802]
    np.testing.assert_allclose(rpm.time_s, [0, 0.5, 1.0], atol=1e-9)
    assert coolant.header == "18DAF110 05 coolant temperature"
    assert coolant.values.tolist() == [50]
    with pytest.raises(UserError, match="whose numbers are decimal"):
        read(text.replace("base hex", "base dec").encode())


# --- answers ------------------------------------------------------------------------------

SIX = {
    "engine_speed": 812.25, "vehicle_speed": 37.0, "throttle": 20.0, "coolant": 88.0,
    "map": 34.0, "maf": 3.21,
}  # fmt: skip


def test_six_parameters_in_one_answer_spread_over_frames() -> None:
    payload = b"\x41" + b"".join(answer(k, v) for k, v in SIX.items())
    frames = [f for i in range(5) for f in frames_of(0.5 * i, payload, pad=0xCC)]
    recording = read(candump(frames))
    assert recording.rows == 5
    assert set(recording.channels) == set(SIX)
    for name, channel in recording.channels.items():
        assert channel.time_s.tolist() == [0, 0.5, 1, 1.5, 2]  # of the first frame
        exact = by_key(name)
        raw = value_to_raw(exact, Fraction(SIX[name]))
        assert set(channel.values) == {float(raw * (exact.scale or 1) + exact.offset)}


def test_frames_cut_by_another_transport_library() -> None:
    isotp = pytest.importorskip("isotp")
    payload = b"\x41" + b"".join(answer(k, v) for k, v in SIX.items())
    sent: list[bytes] = []
    waiting = [isotp.CanMessage(arbitration_id=0x7E0, data=bytes([0x30, 0, 0]))]

    def receive(timeout: float = 0) -> object:
        return waiting.pop() if sent and waiting else None

    layer = isotp.TransportLayerLogic(
        rxfn=receive,
        txfn=lambda m: sent.append(bytes(m.data)),
        address=isotp.Address(rxid=0x7E0, txid=0x7E8),
        params={"tx_padding": 0x55},
    )
    layer.send(payload)
    for _ in range(20):
        layer.process()
    assert len(sent) > 2
    again = payload_to_frames(payload, pad=0x55)
    assert tuple(sent) == again
    frames = [(0.5 * k + 0.001 * i, 0x7E8, d) for k in range(3) for i, d in enumerate(sent)]
    assert read(candump(frames)).channels["engine_speed"].values.tolist() == [812.25] * 3


def test_two_control_units_that_answer_at_once_do_not_mix() -> None:
    payload = b"\x41" + b"".join(answer(k, v) for k, v in SIX.items())
    other = b"\x41" + answer("engine_speed", 2000) + answer("vehicle_speed", 99) + answer("maf", 1)
    frames = []
    for i in range(4):
        one = frames_of(0.5 * i, payload, 0x7EA)
        two = frames_of(0.5 * i + 0.0005, other, 0x7E9)
        frames += sorted([*one, *two])
    recording = read(candump(frames))
    assert set(recording.channels["engine_speed"].values) == {2000}  # 7E9 is the lower one
    assert set(recording.channels["vehicle_speed"].values) == {99}
    assert set(recording.channels["coolant"].values) == {88}  # that only 7EA knows
    assert "7EA 0C engine speed" in recording.unmapped
    assert any("another control unit answers it, too" in r for r in recording.repairs)
    layout = look(io.BytesIO(candump(frames)), "drive.log")
    assert [p.header for p in layout.proposals if p.channel == "engine_speed"] == [
        "7E9 0C engine speed",
        "7EA 0C engine speed",
    ]
    said = {"7EA 0C engine speed": "engine_speed", "7E9 0C engine speed": "-"}
    assert set(read(candump(frames), mapping=said).channels["engine_speed"].values) == {812.25}


def test_the_same_control_unit_heard_on_two_buses_counts_once() -> None:
    frames = drive([0.5 * i for i in range(9)], {"engine_speed": [800.0 + i for i in range(9)]})
    lines = b"".join(candump([f], "can0") + candump([f], "can1") for f in frames)
    recording = read(lines)
    assert len(recording.channels["engine_speed"].values) == 9
    assert recording.unmapped == ("7E8 bus 1 0C engine speed",)


def test_the_engine_is_who_answers_the_engine_speed() -> None:
    frames = []
    for i in range(5):
        frames += frames_of(0.5 * i, b"\x41" + answer("vehicle_speed", 10), 0x7E8)
        frames += frames_of(0.5 * i + 0.1, b"\x41" + answer("vehicle_speed", 11), 0x7E9)
        frames += frames_of(0.5 * i + 0.2, b"\x41" + answer("engine_speed", 900), 0x7E9)
    recording = read(candump(frames))
    assert set(recording.channels["vehicle_speed"].values) == {11}
    assert "7E8 0D vehicle speed" in recording.unmapped


def test_the_loop_state_is_a_number_and_a_relative_pedal_is_only_offered() -> None:
    frames = []
    for i in range(5):
        frames += frames_of(0.5 * i, bytes.fromhex("41030200"))
        frames += frames_of(0.5 * i + 0.1, b"\x41" + answer("pedal_relative", 12))
    raw = candump(frames)
    recording = read(raw)
    assert set(recording.channels["fuel_status"].values) == {2}
    assert list(recording.channels) == ["fuel_status"]
    offered = {p.header: p for p in look(io.BytesIO(raw), "x").proposals}
    assert offered["7E8 5A relative accelerator pedal position"].channel == "pedal"
    said = {"7E8 5A relative accelerator pedal position": "pedal"}
    assert "pedal" in read(raw, mapping=said).channels


def test_what_the_table_does_not_know_ends_the_reading_of_its_answer() -> None:
    unknown = next(p for p in range(0xA0, 0x100) if pid_size(p) is None)
    payload = b"\x41" + answer("coolant", 80) + bytes([unknown, 1, 2])
    frames = [f for i in range(5) for f in frames_of(0.5 * i, payload)]
    recording = read(candump(frames))
    assert set(recording.channels["coolant"].values) == {80}
    assert recording.unmapped == (f"7E8 {unknown:02X}",)


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda f: f[:-1], "1 answers in several frames that are not whole left out"),
        (lambda f: [f[0], f[2], f[1], *f[3:]], "1 answers in several frames"),
        (lambda f: [*f[:1], *f[2:]], "1 answers in several frames"),
        (lambda f: [(t, i, d[:4]) for t, i, d in f], "answers in several frames"),
    ],
    ids=["last missing", "swapped", "one missing", "cut off"],
)
def test_answers_that_are_not_whole_are_counted_and_left_out(damage, told: str) -> None:  # type: ignore[no-untyped-def]
    payload = b"\x41" + b"".join(answer(k, v) for k, v in SIX.items())
    good = [f for i in range(3) for f in frames_of(0.5 * i, b"\x41" + answer("coolant", 90))]
    damaged = damage(frames_of(9.0, payload))
    frames = [*good, *((9.0 + 0.01 * i, who, d) for i, (_, who, d) in enumerate(damaged))]
    recording = read(candump(frames))
    assert set(recording.channels) == {"coolant"}
    if told.startswith("1"):
        assert any(r.startswith(told) for r in recording.repairs)


def test_a_length_beyond_the_frame_and_data_shorter_than_the_parameter_are_left_out() -> None:
    good = [f for i in range(5) for f in frames_of(0.5 * i, b"\x41" + answer("coolant", 90))]
    bad = [
        (3.0, 0x7E8, bytes.fromhex("07410C0C80")),
        (3.5, 0x7E8, bytes.fromhex("03410C0C80000000")),
    ]
    recording = read(candump([*good, *bad]))
    assert set(recording.channels) == {"coolant"}
    assert "1 answers shorter than they say left out" in recording.repairs
    assert "1 answers with fewer bytes than the parameter has left out" in recording.repairs


@pytest.mark.parametrize(
    "payload",
    ["7F0112", "490201", "62F40C0C80", "4100BE3FA813", "4201020304"],
    ids=["refused", "service 09", "service 22", "bitmap", "freeze frame"],
)
def test_other_services_are_no_readings(payload: str) -> None:
    raw = candump([f for i in range(9) for f in frames_of(i / 2, bytes.fromhex(payload))])
    if payload.startswith("4100"):
        assert dict(read(raw).channels) == {}
        return
    with pytest.raises(UserError, match="without answers to the standard questions"):
        read(raw)


PAYLOADS = st.lists(
    st.sampled_from(
        ["engine_speed", "vehicle_speed", "coolant", "map", "maf", "throttle", "module_voltage"]
    ),
    min_size=1,
    max_size=6,
    unique=True,
)


@settings(deadline=None, max_examples=100)
@given(data=st.data(), messages=st.lists(PAYLOADS, min_size=1, max_size=8))
def test_whole_arrays_read_what_the_reader_of_pasted_lines_reads(
    data: st.DataObject, messages: list[list[str]]
) -> None:
    """`verify.car.frames` puts messages together one frame at a time; both must agree."""
    frames: list[Frame] = []
    for i, keys in enumerate(messages):
        parameters = [by_key(k) for k in keys]
        raws = [data.draw(st.integers(p.raw_low, p.raw_high)) for p in parameters]
        payload = b"\x41" + b"".join(
            bytes([p.pid]) + raw_to_bytes(p, r) for p, r in zip(parameters, raws, strict=True)
        )
        frames += frames_of(0.5 * i, payload, pad=data.draw(st.sampled_from([None, 0, 0x55, 0xFF])))
    drop = data.draw(st.none() | st.integers(0, len(frames) - 1))
    if drop is not None:
        del frames[drop]
    sender = Reassembly("7E8")
    whole = [m for i, (_, _, d) in enumerate(frames) for m in sender.add(i, d)]
    wanted = [m.payload for m in [*whole, *sender.close()] if m.complete]
    lines = candump([*frames, *frames_of(99.0, b"\x41" + answer("baro", 99)),
                     *frames_of(99.5, b"\x41" + answer("baro", 99))])  # fmt: skip
    recording = read(lines)
    assert recording.rows == len(wanted) + 2


# --- digits -------------------------------------------------------------------------------


@given(st.lists(st.none() | st.binary(max_size=20), max_size=10), st.sampled_from(["", " ", "."]))
def test_digits_become_the_bytes_that_they_are(cells: list[bytes | None], between: str) -> None:
    import pyarrow as pa

    text = [None if c is None else c.hex(between) if between else c.hex() for c in cells]
    data, size = digits_to_bytes(pa.array(text, pa.string()))
    for row, count, cell in zip(data, size, cells, strict=True):
        assert bytes(row[:count]) == (cell or b"")


@given(st.lists(st.none() | st.binary(max_size=20), max_size=10))
def test_base_64_is_read_as_the_standard_library_reads_it(cells: list[bytes | None]) -> None:
    import pyarrow as pa

    text = [None if c is None else base64.b64encode(c).decode() for c in cells]
    data, size = base64_to_bytes(pa.array(text, pa.string()))
    for row, count, cell in zip(data, size, cells, strict=True):
        assert bytes(row[:count]) == (cell or b"")


@given(st.lists(st.integers(0, 2**32 - 1), max_size=10))
def test_identifiers_are_whole_numbers(numbers: list[int]) -> None:
    import pyarrow as pa

    assert identifiers(pa.array([f"{n:x}" for n in numbers], pa.string())).tolist() == numbers
    assert identifiers(pa.array(["", "123456789", None], pa.string())).tolist() == [-1, -1, -1]


# --- lines --------------------------------------------------------------------------------


def test_lines_that_are_no_frames_are_named_and_too_many_refused() -> None:
    frames = drive([0.5 * i for i in range(30)], {"engine_speed": [800.0 + i for i in range(30)]})
    lines = candump(frames).splitlines(keepends=True)
    lines[10:10] = [b"(5.1) can0 7E8#0441\xff\n", b"\n", b"noise\n"]
    recording = read(b"".join(lines))
    assert recording.rows == 30
    assert "2 lines that are no frames left out (first: line 11)" in recording.repairs
    with pytest.raises(UserError, match="31 lines that are no frames, beside 30 that are"):
        read(b"".join(candump(frames).splitlines(keepends=True)) + b"noise\n" * 31)


def test_remote_requests_flow_control_and_long_frames_carry_nothing() -> None:
    frames = drive([0.5 * i for i in range(9)], {"engine_speed": [800.0 + i for i in range(9)]})
    extra = (
        b"(4.1) can0 7E8#R\n(4.2) can0 7E8#R8\n(4.3) can0 7E8#3000000000000000\n(4.4) can0 7E8#\n"
        b"(4.45) can0 7E8##1041 0C\n"
    )
    fast = b"(4.6) can0 7E8##10004410C0C80" + b"00" * 6 + b"\n"
    recording = read(candump(frames) + extra + fast)
    assert recording.channels["engine_speed"].values.tolist() == [
        *(800.0 + i for i in range(9)),
        800,
    ]


def test_a_logger_that_was_switched_off_leaves_a_gap_and_a_restart_another() -> None:
    times = [*(0.5 * i for i in range(40)), *(60 + 0.5 * i for i in range(40))]
    times += [1 + 0.5 * i for i in range(40)]
    speeds = [100.0 * (1 + i // 40) for i in range(120)]
    recording = read(candump(drive(times, {"engine_speed": speeds})))
    assert len(recording.gaps) == 2
    assert recording.gaps[0] == pytest.approx((19.5, 60.0))
    assert any("set back 1 time" in r for r in recording.repairs)
    rpm = recording.channels["engine_speed"]
    for start, end, speed in zip((0, 60, recording.gaps[1][1]), (20, 80, 1e9), (100, 200, 300),
                                 strict=True):  # fmt: skip
        part = rpm.values[(rpm.time_s >= start) & (rpm.time_s < end)]
        assert (len(part), set(part)) == (40, {speed})


def test_without_the_library_a_binary_log_is_refused_with_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import sys

    for module in ("can", "can.io", "can.io.blf"):
        monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(UserError, match=r"run: pip install keysback\[can\]"):
        read_recording(io.BytesIO(b"LOGG" + bytes(200)), "log.blf")


def test_a_damaged_binary_log_tells_nothing_to_the_screen(
    capfd: pytest.CaptureFixture[str],
) -> None:
    raw = bytearray(TestBinaryLog().sample())
    for at in range(144, len(raw), 7):
        damaged = bytearray(raw)
        damaged[at] ^= 0x55
        TestBinaryLog().assert_read_or_refused(bytes(damaged))
    assert capfd.readouterr() == ("", "")


class TestBinaryLog(TestCandump):
    def importer(self) -> Importer:
        return CanBlfImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        start = 1700000000.0
        return by_library([(start + t, i, d) for t, i, d in drive(time_s, columns)], ".blf")
