"""Parquet: types of columns, units in field notes, and what is no table of numbers."""

from __future__ import annotations

import datetime
import decimal
import io
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from tests.contracts.importer import Columns, ImporterContract, assert_promises_kept
from verify.errors import UserError
from verify.evidence.importers.parquet import ParquetImporter
from verify.evidence.importers.port import Importer, read_recording
from verify.evidence.recording import Recording

UNITS = {"engine_speed": "rpm", "vehicle_speed": "km/h", "coolant": "°C"}


def written(table: pa.Table, **options: Any) -> bytes:
    stream = io.BytesIO()
    parquet.write_table(table, stream, **options)
    return stream.getvalue()


def read(table: pa.Table | bytes, **options: object) -> Recording:
    raw = table if isinstance(table, bytes) else written(table)
    recording = read_recording(io.BytesIO(raw), "drive.parquet", **options)  # type: ignore[arg-type]
    assert_promises_kept(recording, raw)
    return recording


class TestWide(ImporterContract):
    """Units stand in the fields' notes."""

    def importer(self) -> Importer:
        return ParquetImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        fields = [pa.field("time", pa.float64(), metadata={"unit": "s"})]
        fields += [pa.field(n, pa.float64(), metadata={"unit": UNITS[n]}) for n in columns]
        arrays = [pa.array(time_s, pa.float64()), *(pa.array(v) for v in columns.values())]
        return written(pa.table(arrays, schema=pa.schema(fields)))


class TestLong(ImporterContract):
    """Rows name their signal, as text from a dictionary."""

    events = True

    def importer(self) -> Importer:
        return ParquetImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        rows = [
            (t, name, values[i], UNITS[name])
            for i, t in enumerate(time_s)
            for name, values in columns.items()
            if values[i] is not None
        ]
        t, name, value, unit = zip(*rows, strict=True)
        return written(
            pa.table(
                {
                    "time_s": pa.array(t, pa.float64()),
                    "signal": pa.array(name).dictionary_encode(),
                    "value": pa.array(value, pa.float64()),
                    "unit": pa.array(unit, pa.large_string()),
                }
            )
        )


RPM = [800, 801, 803]
START = datetime.datetime(2024, 2, 29, 12, 0, 0)


@pytest.mark.parametrize(
    "times",
    [
        pa.array([0.0, 0.5, 1.5], pa.float32()),
        pa.array([START + datetime.timedelta(seconds=s) for s in (0, 0.5, 1.5)],
                 pa.timestamp("us", tz="Europe/Berlin")),
        pa.array([START + datetime.timedelta(seconds=s) for s in (0, 0.5, 1.5)],
                 pa.timestamp("ns")),
        pa.array([datetime.timedelta(seconds=s) for s in (3, 3.5, 4.5)], pa.duration("ms")),
        pa.array([datetime.time(8, 0, 0), datetime.time(8, 0, 0, 500000),
                  datetime.time(8, 0, 1, 500000)], pa.time64("us")),
        pa.array(["08:00:00.0", "08:00:00.5", "08:00:01.5"], pa.string_view()),
        pa.array([1700000000000, 1700000000500, 1700000001500], pa.int64()),
        pa.array([decimal.Decimal(s) for s in ("0.0", "0.5", "1.5")], pa.decimal128(5, 1)),
    ],
    ids=str,
)  # fmt: skip
def test_times_of_every_type(times: pa.Array) -> None:
    recording = read(pa.table({"time": times, "rpm": RPM}))
    np.testing.assert_allclose(recording.channels["engine_speed"].time_s, [0, 0.5, 1.5], atol=1e-6)


@pytest.mark.parametrize(
    "values",
    [
        pa.array(RPM, pa.uint16()),
        pa.array(RPM, pa.int64()),
        pa.array(RPM, pa.float32()),
        pa.array(["800", "801", "803"]),
        pa.array([decimal.Decimal(v) for v in RPM], pa.decimal128(6, 2)),
        pa.array(RPM, pa.float64()).dictionary_encode(),
    ],
    ids=str,
)
def test_numbers_of_every_type(values: pa.Array) -> None:
    recording = read(pa.table({"time": [0.0, 0.5, 1.5], "rpm": values}))
    assert recording.channels["engine_speed"].values.tolist() == RPM


def test_single_precision_keeps_the_steps_that_were_written() -> None:
    levels = [14.1, 14.5, 14.9, 15.3, 15.7]
    values = pa.array([levels[i % 5] for i in range(50)], pa.float32())
    recording = read(pa.table({"time": [i / 4 for i in range(50)], "throttle": values}))
    assert recording.channels["throttle"].resolution == pytest.approx(0.4)
    assert recording.channels["throttle"].values[0] == 14.1


def test_blanks_nested_values_bytes_and_text_are_left_out_and_told() -> None:
    table = pa.table({
        "time": [0.0, 0.5, 1.0, 1.5],
        "rpm": [800, None, 802, 803],
        "gps": [{"lat": 1.0}] * 4,
        "raw": pa.array([b"\x01"] * 4),
        "samples": [[1, 2]] * 4,
        "note": ["a", "b", "c", "d"],
        "day": [datetime.date(2024, 1, 1)] * 4,
    })  # fmt: skip
    recording = read(table)
    assert recording.channels["engine_speed"].time_s.tolist() == [0, 1, 1.5]
    assert {"gps: nested values, left out", "samples: nested values, left out"} <= set(
        recording.repairs
    )
    assert "raw: values of type binary, left out" in recording.repairs
    assert {"note", "day"} & set(recording.unmapped) == {"note"}


def test_an_index_of_a_data_frame_is_its_time_and_doubled_names_are_told_apart() -> None:
    times = pa.array([START + datetime.timedelta(seconds=s) for s in range(3)])
    recording = read(pa.table({"rpm": RPM, "__index_level_0__": times}))
    assert recording.channels["engine_speed"].time_s.tolist() == [0, 1, 2]
    twice = pa.table([pa.array([0.0, 0.5, 1.0]), pa.array(RPM), pa.array(RPM)],
                     names=["time", "rpm", "rpm"])  # fmt: skip
    assert read(twice).unmapped == ("rpm", "rpm (2)")


def test_without_times_the_interval_can_be_told() -> None:
    table = pa.table({"rpm": RPM, "load": [20.0, 21.0, 22.5]})
    with pytest.raises(UserError, match="no column with times"):
        read(table)
    assert read(table, interval_s=0.5).channels["load"].time_s.tolist() == [0, 0.5, 1]


@pytest.mark.parametrize(
    ("table", "found"),
    [
        (pa.table({"time": pa.array([], pa.float64())}), "a table without data rows"),
        (pa.table({"a": [[1]], "b": [{"x": 1}]}), "without columns of numbers"),
        (pa.table({f"c{i}": [1] for i in range(2001)}), "1 rows of 2001 columns"),
    ],
)
def test_what_is_no_recording_is_refused(table: pa.Table, found: str) -> None:
    with pytest.raises(UserError, match=found):
        read(table)


def test_cut_off_files_are_named_as_such() -> None:
    raw = written(pa.table({"time": [0.0, 0.5, 1.5], "rpm": RPM}))
    for size in (5, len(raw) // 2, len(raw) - 1):
        with pytest.raises(UserError, match="a Parquet file that is cut off or damaged"):
            read(raw[:size])
