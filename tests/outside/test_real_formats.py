"""Real recordings in other formats than CSV, against facts and readers that are not ours.

The facts (samples, seconds, means, correlations) come from the README that lies beside the
recordings, computed there with pandas by somebody else. Beyond it python-can and asammdf read the
frames in the test, and Python's own json module the events. The bus logs as text and as BLF
were written by python-can from the frames of the measurement file. Files are named by SHA-256.
"""

from __future__ import annotations

import io
import json
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from tests.conftest import real_recording
from tests.contracts.importer import assert_promises_kept
from verify.car.parameters import by_key
from verify.errors import UserError
from verify.evidence.importers.port import look, read_recording
from verify.evidence.recording import Channel, Recording

MDF_FIRST = "b0f49250a15c1aa597b2469689959615787f1e324e4a6c9fed7e2705de5f71c0"
MDF_LAST = "5270bad4ffca828e4f24806fd0e71ae6b12af6fb3f7e72291fea42cfbd714989"
MDF_ELECTRIC = "01a5a7457d552f368b8326b6c1d236644a559614da0efb80a8ab7eb93a4a967a"
CANDUMP = "ca08225eb083727e67b4703c0395bc66c644902f3f8cd5546c805a304ba9f02b"
FIRST_MINUTE = {
    "asc": "99ce42071aaa45b3311de6cdd5463d6b1484385b7e6019a1cb8a30c59a898dfc",
    "blf": "c2eb25fdc4bc8e2f6fb45125ba84775166e15910ba2f6732671087a42efb4adc",
    "trc": "c25ee5d4f3af4baa999bc00625ee6204e641d54a0802ff3dce4af60989a8bff7",
    "csv": "6befbafa6593e810876f75f1a430c4bf26f1d747740ef82324a15301ddbcac0a",
}
EVENTS = "c250dd9da44026c52d90b660e415db60d5891f50c6b19d6f3c4e7f0b9d6276e1"
ROUND_ROBIN = "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f"

# README "Channels and units": the interval of each parameter in the measurement files.
INTERVALS = {
    "map": 0.5, "engine_speed": 0.5, "vehicle_speed": 0.5, "throttle": 0.5, "coolant": 1.0,
    "module_voltage": 3.0, "baro": 3.0, "load": 3.0,
}  # fmt: skip


def raw_bytes(sha256: str) -> bytes:
    return real_recording(sha256).read_bytes()


def read(sha256: str, **options: object) -> Recording:
    raw = raw_bytes(sha256)
    recording = read_recording(io.BytesIO(raw), "real", **options)  # type: ignore[arg-type]
    assert_promises_kept(recording, raw)
    assert recording.sha256 == sha256
    return recording


def held_on(slow: Channel, fast: Channel) -> pd.Series:
    """The slow channel held onto the times of the fast one, as the README's facts were computed."""
    left = pd.DataFrame({"t": fast.time_s})
    right = pd.DataFrame({"t": slow.time_s, "v": slow.values})
    return pd.merge_asof(left, right, on="t")["v"]


def together(slow: Channel, fast: Channel) -> float:
    """Pearson's correlation, the one held onto the times of the other."""
    held = held_on(slow, fast)
    return float(np.corrcoef(held[held.notna()], fast.values[held.notna()])[0, 1])


def idle_facts(recording: Recording) -> tuple[float, float, float]:
    """(seconds, mean, deviation) of the README's idle: speed 0 and at least 400 rpm."""
    rpm = recording.channels["engine_speed"]
    speed = held_on(recording.channels["vehicle_speed"], rpm)
    idle = (speed == 0) & (rpm.values >= 400)
    steps = np.append(np.diff(rpm.time_s), np.nan)
    counted = idle & (steps > 0) & (steps <= max(2.0, 5 * np.nanmedian(steps)))
    values = pd.Series(rpm.values)[idle]
    return float(steps[counted].sum()), float(values.mean()), float(values.std())


@pytest.mark.parametrize("sha256", [MDF_FIRST, CANDUMP], ids=["mdf", "candump"])
def test_the_first_file_of_the_session_agrees_with_the_facts(sha256: str) -> None:
    recording = read(sha256)
    assert recording.rows == 4610
    assert recording.seconds == pytest.approx(380.7, abs=0.05)
    assert recording.gaps == ()
    channels = recording.channels
    assert len(channels["engine_speed"].values) == 762
    for name, channel in channels.items():
        assert channel.interval_s == pytest.approx(INTERVALS[name], abs=0.001)
        assert channel.skew_s == 0
    assert channels.keys() == INTERVALS.keys()
    seconds, mean, deviation = idle_facts(recording)
    assert seconds == pytest.approx(116.0, abs=0.06)
    assert mean == pytest.approx(1009.8, abs=0.05)
    assert deviation == pytest.approx(180.8, abs=0.05)
    assert channels["vehicle_speed"].values.max() == 57
    throttle = channels["throttle"]
    assert (round(throttle.values.min(), 2), round(throttle.values.max(), 2)) == (12.55, 88.24)
    coolant, volts = channels["coolant"].values, channels["module_voltage"].values
    assert (coolant.min(), coolant.max()) == (29, 91)
    assert (round(volts.min(), 2), round(volts.max(), 2)) == (11.30, 14.44)
    assert together(throttle, channels["map"]) == pytest.approx(0.7746, abs=5e-5)
    # Quirk 12: key on with the engine off, cranking, running.
    assert channels["engine_speed"].values[0] == 0


def test_the_last_file_begins_anew_and_agrees_with_the_facts() -> None:
    """Quirk 9: its first sample is at 2781.96 s of the session."""
    recording = read(MDF_LAST)
    assert recording.rows == 747
    assert recording.seconds == pytest.approx(61.5, abs=0.05)
    rpm = recording.channels["engine_speed"]
    assert len(rpm.values) == 123
    assert 0 <= rpm.time_s[0] < 0.5
    seconds, mean, deviation = idle_facts(recording)
    assert seconds == pytest.approx(1.0, abs=0.05)
    assert mean == pytest.approx(951.7, abs=0.05)
    assert deviation == pytest.approx(1.3, abs=0.05)
    assert recording.channels["vehicle_speed"].values.max() == 28
    channels = recording.channels
    assert together(channels["throttle"], channels["map"]) == pytest.approx(0.6336, abs=5e-5)
    coolant, volts = channels["coolant"].values, channels["module_voltage"].values
    assert (coolant.min(), coolant.max()) == (92, 96)
    assert (round(volts.min(), 2), round(volts.max(), 2)) == (13.32, 13.36)


def test_the_measurement_file_as_its_own_library_reads_it() -> None:
    """asammdf gives the bytes; the scalings are those of J1979 as the README says, written here."""
    asammdf = pytest.importorskip("asammdf")
    recording = read(MDF_FIRST)
    with asammdf.MDF(io.BytesIO(raw_bytes(MDF_FIRST))) as mdf:
        ident = mdf.get("CAN_DataFrame.ID", group=0)
        data = mdf.get("CAN_DataFrame.DataBytes", group=0).samples
    of_engine = np.asarray(ident.samples) == 0x7E8
    table = pd.DataFrame(np.asarray(data)[of_engine]).astype(float)
    table["t"] = ident.timestamps[of_engine]
    table["t"] -= table["t"].iloc[0]
    a, b = table[3], table[4]
    wanted = {
        "engine_speed": (0x0C, (256 * a + b) / 4),
        "vehicle_speed": (0x0D, a),
        "throttle": (0x11, a * 100 / 255),
        "load": (0x04, a * 100 / 255),
        "coolant": (0x05, a - 40),
        "map": (0x0B, a),
        "baro": (0x33, a),
        "module_voltage": (0x42, (256 * a + b) / 1000),
    }
    for name, (pid, value) in wanted.items():
        rows = (table[1] == 0x41) & (table[2] == pid)
        np.testing.assert_allclose(recording.channels[name].values, value[rows], rtol=1e-12)
        np.testing.assert_allclose(recording.channels[name].time_s, table["t"][rows], atol=1e-9)


def test_the_bus_log_as_text_equals_the_measurement_file_channel_by_channel() -> None:
    """The text was written from the frames of the file; it keeps microseconds."""
    one, other = read(MDF_FIRST), read(CANDUMP)
    assert one.channels.keys() == other.channels.keys()
    assert one.unmapped == other.unmapped
    for name, channel in one.channels.items():
        np.testing.assert_array_equal(channel.values, other.channels[name].values)
        np.testing.assert_allclose(channel.time_s, other.channels[name].time_s, atol=2e-6)
        assert channel.resolution == other.channels[name].resolution


@pytest.mark.parametrize("kind", sorted(FIRST_MINUTE))
def test_every_form_of_the_bus_log_holds_the_first_minute(kind: str) -> None:
    if kind == "blf":
        pytest.importorskip("can")
    whole, part = read(CANDUMP), read(FIRST_MINUTE[kind])
    assert part.rows == 726
    for name, channel in part.channels.items():
        n = len(channel.values)
        assert n == np.count_nonzero(whole.channels[name].time_s <= part.seconds + 1e-5)
        np.testing.assert_array_equal(channel.values, whole.channels[name].values[:n])
        np.testing.assert_allclose(channel.time_s, whole.channels[name].time_s[:n], atol=2e-5)


@pytest.mark.parametrize("sha256", [CANDUMP, *FIRST_MINUTE.values()], ids=lambda s: s[:8])
def test_frames_as_another_library_reads_them(sha256: str) -> None:
    """python-can's readers, frame by frame, decoded with the exact fractions of the table."""
    can = pytest.importorskip("can")
    path = real_recording(sha256)
    with can.LogReader(path) as reader:
        frames = [m for m in reader if m.arbitration_id == 0x7E8]
    recording = read(sha256)
    assert recording.rows == len(frames)
    start = frames[0].timestamp
    for name, pid in (("engine_speed", 0x0C), ("throttle", 0x11), ("module_voltage", 0x42)):
        parameter = by_key(name)
        asked = [m for m in frames if m.data[1] == 0x41 and m.data[2] == pid]
        size = parameter.size
        raw = [int.from_bytes(m.data[3 : 3 + size], "big") for m in asked]
        exact = [float(Fraction(r) * (parameter.scale or 1) + parameter.offset) for r in raw]
        channel = recording.channels[name]
        assert channel.values.tolist() == exact
        times = [m.timestamp - start for m in asked]
        np.testing.assert_allclose(channel.time_s, times, atol=2e-6)


def test_an_electric_car_without_standard_answers_is_refused() -> None:
    """Quirk 10, and a file that its logger never finished: it stays as it was."""
    pytest.importorskip("asammdf")
    before = raw_bytes(MDF_ELECTRIC)
    with real_recording(MDF_ELECTRIC).open("rb") as stream:
        with pytest.raises(UserError, match=r"without answers to the standard questions") as error:
            read_recording(stream, "electric.mf4")
        assert not stream.closed
    assert error.value.problems[0].next.startswith("log again while a reader asks")
    assert raw_bytes(MDF_ELECTRIC) == before


def test_a_file_that_was_never_finished_gives_what_it_holds() -> None:
    """The finished file with the mark of an unfinished one."""
    pytest.importorskip("asammdf")
    raw = b"UnFinMF " + raw_bytes(MDF_FIRST)[8:]
    recording = read_recording(io.BytesIO(raw), "cut.mf4")
    assert recording.rows == 4610
    assert recording.repairs[0].startswith("the logger never finished this file")


def test_events_agree_with_the_facts_and_with_another_reader() -> None:
    raw = raw_bytes(EVENTS)
    recording = read(EVENTS, mapping={"vehicle_speed": "vehicle_speed km/h"})
    assert recording.rows == 1000
    assert recording.seconds == pytest.approx(2.3, abs=0.05)
    table = pd.DataFrame([json.loads(line) for line in raw.decode().splitlines()])
    assert {"latitude", "longitude"} <= set(recording.unmapped)
    steps = np.diff(table["timestamp"])
    # Quirk 13.
    assert (np.count_nonzero(steps < 0), np.count_nonzero(steps == 0)) == (27, 335)
    assert any(r.startswith("27 rows out of order") for r in recording.repairs)
    start = table["timestamp"].min()
    for name, channel in recording.channels.items():
        signal = "accelerator_pedal_position" if name == "pedal" else name
        own = table[table["name"] == signal].sort_values("timestamp", kind="stable")
        again = (own["timestamp"].diff() == 0) & (own["value"].diff() == 0)
        own = own[~again]
        np.testing.assert_array_equal(channel.values, own["value"].astype(float))
        # Equal times are spread up to the next; no reading leaves its place.
        np.testing.assert_allclose(channel.time_s, own["timestamp"] - start, atol=0.011)
        assert channel.skew_s == 0
    rpm = recording.channels["engine_speed"]
    assert np.count_nonzero(table["name"] == "engine_speed") == 230
    assert len(rpm.values) == 229  # one of them stands there twice
    assert rpm.interval_s == pytest.approx(0.009, abs=0.0011)
    values = table[table["name"] == "engine_speed"]["value"]
    assert values.mean() == pytest.approx(775.2, abs=0.05)
    assert rpm.values.mean() == pytest.approx(775.2, abs=0.05)
    assert rpm.values.std(ddof=1) == pytest.approx(4.1, abs=0.05)
    for name in ("vehicle_speed", "pedal"):
        assert set(recording.channels[name].values) == {0.0}


def test_the_speed_of_events_waits_for_its_unit() -> None:
    layout = look(io.BytesIO(raw_bytes(EVENTS)), "real")
    assert layout.has_time
    offered = {p.header: (p.channel, p.sure) for p in layout.proposals}
    assert offered["vehicle_speed"] == ("vehicle_speed", False)
    assert offered["engine_speed"] == ("engine_speed", True)
    assert "vehicle_speed" not in read(EVENTS).channels


def test_a_table_says_the_same_as_parquet() -> None:
    """pandas reads the CSV and writes Parquet, with times as text and as a duration."""
    raw = raw_bytes(ROUND_ROBIN)
    plain = read(ROUND_ROBIN)
    table = pd.read_csv(io.BytesIO(raw))
    table.columns = [c.replace("Â°", "°") for c in table.columns]
    for convert in (str, pd.to_timedelta):
        other = table.copy()
        other["Time"] = other["Time"].map(convert) if convert is str else convert(other["Time"])
        stream = io.BytesIO()
        other.to_parquet(stream, index=False)
        recording = read_recording(io.BytesIO(stream.getvalue()), "real")
        assert recording.importer == "parquet"
        assert recording.rows == plain.rows
        assert list(recording.channels) == list(plain.channels)
        for name, channel in recording.channels.items():
            np.testing.assert_array_equal(channel.values, plain.channels[name].values)
            np.testing.assert_allclose(channel.time_s, plain.channels[name].time_s, atol=1e-6)
            assert channel.skew_s == pytest.approx(plain.channels[name].skew_s)
