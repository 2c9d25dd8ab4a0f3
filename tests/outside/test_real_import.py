"""Real recordings of several kinds of logger against facts that were not computed here.

The facts (rows, seconds, extremes, correlations) come from the README that lies beside the
recordings, computed there with pandas by somebody else; what it leaves open is computed with pandas
in the test. Files are named by the SHA-256 of their bytes and by their kind only.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from tests.conftest import real_recording
from tests.contracts.importer import assert_promises_kept, assert_same_channels
from verify.errors import UserError
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording


@dataclass(frozen=True)
class RoundRobin:
    """The README's column for one file of the logger that asks ten channels one after the other."""

    sha256: str
    rows: int
    seconds: float
    median_dt: float
    gaps: int
    backwards: int
    largest_gap: float
    max_speed: float
    throttle: tuple[float, float]
    pedal_d: tuple[float, float]
    coolant: tuple[float, float]


ROUND_ROBIN = [
    RoundRobin("a5430dbfad877991546d2a23322386a123100a883fc21e5fb5c30953525c3020", 6829, 731.3,
               0.090, 7, 0, 62.07, 100, (30.6, 89.0), (14.1, 68.6), (22, 79)),
    RoundRobin("fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f", 14510, 1239.2,
               0.090, 0, 1, 0.18, 103, (13.7, 89.0), (14.1, 60.8), (25, 94)),
    RoundRobin("a3967da1cd5d681de87fabfb4d560f5dd9c29748bfbe959e583dbe58fea27b66", 10176, 862.4,
               0.090, 0, 0, 0.21, 118, (13.7, 89.0), (14.1, 69.4), (88, 91)),
    RoundRobin("203b4d365d31b71bfab2e9087297173f64a8a1cd5a050c93d9bd26366fd90e26", 20413, 1853.6,
               0.090, 2, 0, 106.0, 107, (13.7, 83.5), (14.1, 63.5), (87, 91)),
    RoundRobin("779bafddce7f5e8716cbb8d6118cba49bf0bd90c6a4b3a76dc4d8993210c7c6c", 10980, 1227.5,
               0.091, 1, 0, 108.12, 92, (13.7, 89.0), (14.1, 63.5), (11, 84)),
    RoundRobin("e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7", 9701, 1127.1,
               0.119, 0, 0, 0.36, 86, (13.7, 88.6), (14.1, 62.4), (24, 95)),
]  # fmt: skip
GPS_DAY = "d4e5ec0bb276476a3cc6853bd2f5cdeecbf10ce5436dcf1b6167e27bbe95c005"
NO_TIME = "f46bd6768602a764172fe08f69f031be3aa7edd3ef1591d349c16e0710bb8427"
AVERAGED = "625c42248587751b40968296636af46f93069721d2be5ede16357af0a133135c"
LONG = "f498d1a26cbc0de086a34b6ff1ddddef12a9040890567e59732ada87a5397380"

by_file = pytest.mark.parametrize("facts", ROUND_ROBIN, ids=lambda f: f.sha256[:8])


def raw_bytes(sha256: str) -> bytes:
    return real_recording(sha256).read_bytes()


def read(
    raw: bytes, mapping: Mapping[str, str] | None = None, interval_s: float | None = None
) -> Recording:
    stream = io.BytesIO(raw)
    recording = read_recording(stream, "real", mapping=mapping, interval_s=interval_s)
    assert_promises_kept(recording, raw)
    return recording


def frame(raw: bytes) -> tuple[pd.DataFrame, np.ndarray]:
    """The file as pandas reads it, and its clock in seconds since the first row."""
    table = pd.read_csv(io.BytesIO(raw))
    clock = pd.to_timedelta(table.iloc[:, 0]).dt.total_seconds().to_numpy()
    return table.iloc[:, 1:], clock - clock[0]


def column_of(recording: Recording, name: str) -> int:
    """Place of a channel's column among the value columns of the file."""
    return list(recording.mapping).index(recording.channels[name].header) - 1


@by_file
def test_round_robin_agrees_with_the_facts(facts: RoundRobin) -> None:
    raw = raw_bytes(facts.sha256)
    recording = read(raw)
    _, clock = frame(raw)
    steps = np.diff(clock)
    assert recording.sha256 == facts.sha256
    assert recording.rows == facts.rows
    assert recording.seconds == pytest.approx(facts.seconds, abs=0.05)
    assert len(recording.channels) == 10
    assert recording.unmapped == ()
    # Here every pause above 1 s is also above 2 s, which is what counts as a gap.
    assert len(recording.gaps) == facts.gaps == np.count_nonzero(steps > 2)
    pauses = [end - start for start, end in recording.gaps]
    assert max(pauses, default=facts.largest_gap) == pytest.approx(facts.largest_gap, abs=0.01)
    assert facts.backwards == np.count_nonzero(steps < 0)
    assert facts.backwards == sum("stepped back 1 time" in r for r in recording.repairs)
    assert recording.channels["vehicle_speed"].values.max() == facts.max_speed
    for name, (low, high) in {
        "throttle": facts.throttle,
        "pedal_d": facts.pedal_d,
        "coolant": facts.coolant,
    }.items():
        values = recording.channels[name].values
        assert (values.min(), values.max()) == (low, high)


@by_file
def test_each_channel_is_only_as_fast_as_it_was_really_read(facts: RoundRobin) -> None:
    """README quirk 1: a row about every 0.09 s, a refresh about every 0.9 s."""
    raw = raw_bytes(facts.sha256)
    recording = read(raw)
    assert any("one value after the other, 10 in a round" in r for r in recording.repairs)
    total = 0
    for channel in recording.channels.values():
        # 0.119 s is a median of mixed steps; rows of that file take 0.116 s on average.
        assert channel.interval_s == pytest.approx(10 * facts.median_dt, rel=0.17)
        assert 0.85 < channel.interval_s < 1.2
        total += len(channel.values)
    assert 0.97 * facts.rows < total <= facts.rows


@by_file
def test_every_change_in_the_file_is_a_reading_and_readings_are_the_files_own(
    facts: RoundRobin,
) -> None:
    raw = raw_bytes(facts.sha256)
    recording = read(raw)
    values, clock = frame(raw)
    if facts.backwards:  # the mended clock differs at the two rows it ran through twice
        clock = None
    for name, channel in recording.channels.items():
        column = values.iloc[:, column_of(recording, name)]
        changed = np.flatnonzero(
            (column != column.shift()) & column.notna() & column.shift().notna()
        )
        runs = [column.dropna().iloc[0], *column.to_numpy()[changed]]
        kept = channel.values
        seen = kept[np.concatenate(([True], np.diff(kept) != 0))]
        assert seen.tolist() == runs
        if clock is not None:
            rows = np.searchsorted(clock, channel.time_s - 1e-6)
            np.testing.assert_allclose(clock[rows], channel.time_s, atol=1e-6)
            np.testing.assert_array_equal(column.to_numpy()[rows], kept)
            assert set(changed) <= set(rows.tolist())


@by_file
def test_the_two_pedal_sensors_are_read_one_row_apart(facts: RoundRobin) -> None:
    """README quirk 2; their rest positions are 14.1 and 14.5."""
    recording = read(raw_bytes(facts.sha256))
    d, e = recording.channels["pedal_d"], recording.channels["pedal_e"]
    at = np.searchsorted(e.time_s, d.time_s)
    behind = e.time_s[at[at < len(e.time_s)]] - d.time_s[at < len(e.time_s)]
    assert np.median(behind) == pytest.approx(facts.median_dt, abs=0.035)
    assert d.resolution == pytest.approx(100 / 255, abs=0.01)  # one count of J1979 PID 49


def test_stale_values_after_a_gap_are_not_readings() -> None:
    """README quirk 7: the rpm goes 353, gap, 353, then 768."""
    raw = raw_bytes(ROUND_ROBIN[3].sha256)
    recording = read(raw)
    values, clock = frame(raw)
    start, end = recording.gaps[-1]
    assert end - start == pytest.approx(106.0, abs=0.01)
    rpm = recording.channels["engine_speed"]
    before, after = rpm.values[rpm.time_s <= start], rpm.values[rpm.time_s >= end]
    assert before[-1] == 353
    assert after[0] == 768
    shown = values.iloc[:, column_of(recording, "engine_speed")].to_numpy()[clock >= end]
    assert shown[0] == 353


def test_after_the_polling_has_died_hardly_anything_is_believed() -> None:
    """The first file: seven gaps among the last dozen rows."""
    recording = read(raw_bytes(ROUND_ROBIN[0].sha256))
    last = recording.gaps[-1][1]
    late = {n: int(np.count_nonzero(c.time_s >= last)) for n, c in recording.channels.items()}
    assert sum(late.values()) == 1
    assert late["engine_speed"] == 1  # 1481 became 1535 in the very last row


@by_file
def test_order_of_columns_start_of_clock_and_line_ends_change_nothing(facts: RoundRobin) -> None:
    raw = raw_bytes(facts.sha256)
    plain = read(raw)
    rows = list(csv.reader(io.StringIO(raw.decode())))
    order = [7, 3, 0, 10, 5, 1, 9, 2, 4, 8, 6]
    text = "\r\n".join(";".join(row[i] for i in order) for row in rows) + "\r\n"
    assert_same_channels(read(text.encode("utf-16")), plain)
    # Fifteen hours and more on: every one of these drives then passes midnight.
    to_midnight = pd.Timedelta(hours=24) - pd.to_timedelta(rows[len(rows) // 2][0])
    for row in rows[1:]:
        moved = (pd.to_timedelta(row[0]) + to_midnight).total_seconds() % 86400
        hours, rest = divmod(round(moved * 1000), 3_600_000)
        row[0] = f"{hours:02}:{rest // 60000:02}:{rest % 60000 / 1000:06.3f}"
    shifted = read(("\n".join(",".join(row) for row in rows) + "\n").encode())
    assert_same_channels(shifted, plain, within=1e-6)
    assert "the clock passed midnight 1 time" in shifted.repairs


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_recording_cut_anywhere_is_read_up_to_there(cut: int) -> None:
    raw = raw_bytes(ROUND_ROBIN[1].sha256)
    plain = read(raw)
    shorter = read(raw[: len(raw) // 2 + 7 * cut])
    for name, channel in shorter.channels.items():
        # The round is judged from fewer rows; what is read is what the whole file shows.
        n = len(channel.values)
        assert n > 0.45 * len(plain.channels[name].values)
        np.testing.assert_array_equal(channel.values, plain.channels[name].values[:n])


def test_a_day_of_satellite_speed_in_mph() -> None:
    raw = raw_bytes(GPS_DAY)
    recording = read(raw)
    table = pd.read_csv(io.BytesIO(raw))
    speed = recording.channels["vehicle_speed"]
    assert recording.rows == len(speed.values) == 1853
    assert recording.seconds == 43281
    pauses = np.diff(table["cycle_sec"].to_numpy())
    assert np.count_nonzero(pauses > 1) == 13
    assert len(recording.gaps) == np.count_nonzero(pauses > 5)  # five usual steps of 1 s
    assert max(b - a for a, b in recording.gaps) == 22391
    assert speed.values.max() == pytest.approx(76.81, abs=0.005)
    assert np.count_nonzero(speed.values == 0) == 43
    steps = np.diff(speed.time_s)
    recorded = steps <= 1
    assert steps[recorded].sum() == 1839
    km = (speed.values[1:] * steps)[recorded].sum() / 3600
    assert km == pytest.approx(18.699, abs=0.02)
    assert speed.interval_s == 1.0


def test_no_time_column_is_refused_until_somebody_says_the_interval() -> None:
    raw = raw_bytes(NO_TIME)
    with pytest.raises(UserError, match="no column with times"):
        read(raw)
    bare = read(raw, interval_s=1.0)
    assert list(bare.channels) == ["engine_speed", "load"]
    assert bare.unmapped == ("speed",)  # the file says no unit, so nobody guesses one
    recording = read(raw, {"speed": "vehicle_speed km/h"}, interval_s=1.0)
    speed, rpm = recording.channels["vehicle_speed"], recording.channels["engine_speed"]
    assert recording.rows == 13726
    assert speed.values.max() == 200
    assert np.count_nonzero(speed.values == 200) == 1
    assert rpm.values.max() == 3290
    assert np.count_nonzero(rpm.values == 0) == 806
    # The published figures of its idle, over all rows: 1872, 805.2 and 124.8.
    frame = pd.read_csv(io.BytesIO(raw))
    idle = frame[(frame.speed == 0) & (frame.rpm >= 400)].rpm
    assert (len(idle), round(idle.mean(), 1), round(idle.std(), 1)) == (1872, 805.2, 124.8)


def test_a_logger_that_goes_on_writing_when_the_car_no_longer_answers() -> None:
    """Of the file without a time column: where the engine was switched off, or the link was lost,
    all three columns stand still to the last digit for 12 to 20 s, and then fall to zero. Nothing
    but the engine speed is looked at to find it; here all columns are, by pandas."""
    raw = raw_bytes(NO_TIME)
    rpm = read(raw, interval_s=1.0).channels["engine_speed"]
    frame = pd.read_csv(io.BytesIO(raw))
    run = (frame != frame.shift()).any(axis=1).cumsum()
    size = run.map(run.value_counts())
    frozen = (size >= 12) & (frame.rpm > 0) & (run == run.shift())
    assert np.count_nonzero(frozen) == 137
    assert set(np.flatnonzero(~frozen)) == set(np.round(rpm.time_s).astype(int))


def test_averaged_table_of_104_columns() -> None:
    raw = raw_bytes(AVERAGED)
    bare = read(raw)
    assert list(bare.channels) == ["engine_speed", "pedal", "throttle"]
    flags = [h for h in bare.unmapped if h.endswith(("_validity", "_valid"))]
    assert len(flags) == len([h for h in pd.read_csv(io.BytesIO(raw)) if "_valid" in h])
    # README "Channels and units": what these columns hold, and quirk 15: two are no sensor.
    recording = read(
        raw,
        {
            "speed_average_driven_valid": "vehicle_speed km/h",
            "engine_coolant_temperature": "coolant °C",
            "engine_intake_temperature": "intake_air °C",
            "engine_oil_temp": "oil °C",
        },
    )
    assert recording.rows == 421
    assert recording.seconds == pytest.approx(840.0)
    assert recording.gaps == ()
    assert "oil" not in recording.channels
    assert any("-40 °C throughout" in r for r in recording.repairs)
    pedal, throttle = recording.channels["pedal"], recording.channels["throttle"]
    rpm = recording.channels["engine_speed"]
    assert rpm.interval_s == pytest.approx(2.0)
    assert recording.channels["vehicle_speed"].values.max() == pytest.approx(126.7, abs=0.05)
    assert (pedal.values.min(), round(pedal.values.max(), 2)) == (0, 49.21)
    assert (round(throttle.values.min(), 2), round(throttle.values.max(), 2)) == (9.44, 41.28)
    coolant = recording.channels["coolant"].values
    assert (coolant.min(), coolant.max()) == (56, 91)
    assert np.corrcoef(pedal.values, throttle.values)[0, 1] == pytest.approx(0.8794, abs=5e-5)
    assert np.corrcoef(pedal.values, rpm.values)[0, 1] == pytest.approx(0.6645, abs=5e-5)
    slow = pd.read_csv(io.BytesIO(raw))["engine_intake_temperature"]
    assert len(recording.channels["intake_air"].values) == slow.notna().sum()


def test_long_table_of_fast_signals() -> None:
    raw = raw_bytes(LONG)
    recording = read(raw)
    assert recording.rows == 6924
    assert recording.seconds == pytest.approx(60.0, abs=0.05)
    rpm, speed = recording.channels["engine_speed"], recording.channels["vehicle_speed"]
    pedal = recording.channels["pedal"]
    assert len(rpm.values) == 2547
    assert rpm.interval_s == pytest.approx(0.0232, abs=5e-5)
    # README "Channels and units": the scalings of these three signals.
    assert rpm.resolution == pytest.approx(0.78125)
    assert speed.resolution == pytest.approx(0.01)
    assert pedal.resolution == pytest.approx(0.5)
    assert speed.values.max() == 73.05
    assert (pedal.values.min(), pedal.values.max()) == (0, 39)
    held = np.searchsorted(pedal.time_s, rpm.time_s, side="right") - 1
    known = held >= 0
    together = np.corrcoef(pedal.values[held[known]], rpm.values[known])[0, 1]
    assert together == pytest.approx(0.4681, abs=5e-5)


@pytest.mark.parametrize(
    ("sha256", "found"),
    [
        ("46922de53a07ba39a9b5cb92ece6f90f28b55853e08b10bf1f62e5fa55bd27e1", "without answers"),
        (
            "a5bbfb16d31f5df0c13d9f42090c5d128ede5573c4adc1e7785201c0d703c5ee",
            "no column with times",
        ),
        ("cfc7749b96f63bd31c3c42b5c471bf756814053e847c10f3eb003417bc523d30", "lines of text"),
    ],
    ids=lambda v: v[:8],
)
def test_real_files_of_other_kinds_are_refused_by_name(sha256: str, found: str) -> None:
    with pytest.raises(UserError, match=found):
        read(raw_bytes(sha256))


@by_file
def test_a_reading_of_a_row_may_be_as_old_as_the_row(facts: RoundRobin) -> None:
    """One time a row: the row of a reading is known, when within it the value was read is not."""
    raw = raw_bytes(facts.sha256)
    steps = np.diff(frame(raw)[1])
    for channel in read(raw).channels.values():
        assert facts.median_dt <= channel.skew_s + 0.002
        assert channel.skew_s < 2 * facts.median_dt
        # Rounded to milliseconds in the file, and 19 of 20 rows at least are no longer apart.
        assert np.mean(steps <= channel.skew_s + 1e-6) >= 0.94


def test_which_kinds_of_table_give_a_row_one_time() -> None:
    averaged = read(raw_bytes(AVERAGED)).channels["throttle"]
    assert averaged.skew_s == pytest.approx(2.0, abs=0.01)
    told = read(raw_bytes(NO_TIME), interval_s=0.5).channels["engine_speed"]
    assert told.skew_s == 0.5
    assert {c.skew_s for c in read(raw_bytes(LONG)).channels.values()} == {0.0}
