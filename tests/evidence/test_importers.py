"""How CSV files are written, and what they mean: encodings, separators, headers, time, mapping."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence

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
from verify.errors import UserError
from verify.evidence.importers.csv_table import CsvImporter
from verify.evidence.importers.port import Importer, look, read_recording
from verify.evidence.recording import Recording

HEADERS = {
    "engine_speed": "Engine RPM [rpm]",
    "vehicle_speed": "Vehicle Speed [km/h]",
    "coolant": "Coolant Temperature [°C]",
}


def read(text: str | bytes, **options: object) -> Recording:
    raw = text.encode() if isinstance(text, str) else text
    return read_recording(io.BytesIO(raw), "drive.csv", **options)  # type: ignore[arg-type]


def refusal(text: str | bytes, **options: object) -> str:
    with pytest.raises(UserError) as refused:
        read(text, **options)
    return str(refused.value)


def series(recording: Recording, name: str = "engine_speed") -> list[tuple[float, float]]:
    channel = recording.channels[name]
    return [(round(t, 6), round(v, 6)) for t, v in zip(channel.time_s, channel.values, strict=True)]


def wide(time_s: Sequence[float], columns: Columns, delimiter: str = ",") -> bytes:
    lines = [delimiter.join(["Time [s]", *(HEADERS[name] for name in columns)])]
    for i, t in enumerate(time_s):
        cells = ["" if v[i] is None else repr(v[i]) for v in columns.values()]
        lines.append(delimiter.join([repr(t), *cells]))
    return ("\n".join(lines) + "\n").encode()


class TestWideTable(ImporterContract):
    def importer(self) -> Importer:
        return CsvImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        return wide(time_s, columns)


class TestGermanTable(ImporterContract):
    """Semicolons, decimal commas, Windows text, CRLF, and a units row."""

    def importer(self) -> Importer:
        return CsvImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        names = {
            "engine_speed": ("Motordrehzahl", "1/min"),
            "vehicle_speed": ("Geschwindigkeit", "km/h"),
            "coolant": ("Kühlmitteltemperatur", "°C"),
        }
        lines = [
            ";".join(["Zeit", *(names[n][0] for n in columns)]),
            ";".join(["s", *(names[n][1] for n in columns)]),
        ]
        for i, t in enumerate(time_s):
            cells = ["-" if v[i] is None else str(v[i]) for v in columns.values()]
            lines.append(";".join([str(t), *cells]).replace(".", ","))
        return ("\r\n".join(lines) + "\r\n").encode("cp1252")


class TestLongTable(ImporterContract):
    """One row a sample, naming its signal."""

    events = True

    def importer(self) -> Importer:
        return CsvImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        units = {"engine_speed": "rpm", "vehicle_speed": "km/h", "coolant": "°C"}
        names = {"engine_speed": "engine_rpm", "vehicle_speed": "vehicle_speed", "coolant": "ect"}
        lines = ["time_s,signal,value,unit"]
        for i, t in enumerate(time_s):
            for name, values in columns.items():
                if values[i] is not None:
                    lines.append(f"{t!r},{names[name]},{values[i]!r},{units[name]}")
        return ("\n".join(lines) + "\n").encode()


GERMAN = "Zeit [s];Drehzahl [1/min];Geschwindigkeit [km/h]\n0,0;800;0\n0,1;812,5;0\n0,2;-;3,5\n"
SPEEDS = [(0.0, 0.0), (0.1, 0.0), (0.2, 3.5)]


@pytest.mark.parametrize(
    "raw",
    [
        GERMAN.encode(),
        GERMAN.encode("utf-8-sig"),
        GERMAN.encode("utf-16"),
        GERMAN.encode("utf-16-le"),
        GERMAN.encode("utf-16-be"),
        GERMAN.encode("cp1252"),
        GERMAN.replace("\n", "\r\n").encode(),
        GERMAN.replace("\n", "\r").encode(),
        GERMAN.replace(";", "\t").encode(),
        ("sep=;\n" + GERMAN).encode(),
        ("# logger 7\n# drive 3; cold\n" + GERMAN).encode(),
        ("# " + GERMAN).encode(),
        ("Logger;7\nDrive;cold\n\n" + GERMAN).encode(),
        GERMAN.replace(";", '";"').replace("\n", '"\n"').removesuffix('"').join(['"', ""]).encode(),
        GERMAN.replace("\n0,0", "\n\n0,0").encode(),
        GERMAN.replace(" [s]", "").replace(" [1/min]", "").replace(" [km/h]", "").replace(
            "\n0,0", "\ns;1/min;km/h\n0,0"
        ).encode(),
    ],
    ids=["utf-8", "bom", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "crlf", "cr", "tab", "sep=",
         "comments", "hash before header", "preamble of as many cells", "quoted", "blank line",
         "units row"],
)  # fmt: skip
def test_the_same_table_however_it_is_written(raw: bytes) -> None:
    recording = read(raw)
    assert series(recording) == [(0.0, 800.0), (0.1, 812.5)]
    assert series(recording, "vehicle_speed") == SPEEDS


def test_windows_text_deep_in_the_file_is_found_although_the_start_is_plain() -> None:
    rows = "".join(f"{i / 10};{800 + i % 7};calm\n" for i in range(30_000))
    text = "time;rpm;note\n" + rows + "3000.0;807;öde\n"
    recording = read(text.encode("cp1252"))
    assert recording.rows == 30_001
    assert "the text is not UTF-8; read as Windows Western European" in recording.repairs


def test_bytes_that_are_no_text_are_refused_and_never_replaced() -> None:
    assert "neither UTF-8, UTF-16 nor Windows text" in refusal(b"time,rpm\n0.5,8\x8100\n1.0,801\n")


@pytest.mark.parametrize(
    ("raw", "found"),
    [
        (b"", "an empty file"),
        (b" \n\n", "nothing but blanks"),
        (b"%PDF-1.7 ...", "a PDF document"),
        (b"\x89PNG\r\n\x1a\n", "a picture"),
        (b"\xff\xd8\xff\xe0", "a picture"),
        (b"PK\x03\x04....", "a spreadsheet or another ZIP archive"),
        (b"MDF     4.11    ", "an MDF file that breaks off in its header"),
        (b'{"name": "rpm", "value": 800}\n', "JSON data in which lines have no time"),
        (b"<html><body>", "an XML or HTML page"),
        (b"(1627305219.0366) can0 7E8#0341", "a bus log without answers to the standard questions"),
        (bytes(range(256)), "binary data"),
        (b"hello\nworld\n", "lines of text in one column"),
        (b"hello", "a single line of text"),
        (b"Roses are red, violets\nare blue, so\nis this, no table\n", "lines of text"),
        (b"0.1,800\n0.2,801\n0.3,802\n", "numbers in the first line, and so no header"),
        (b"time,rpm\n", "a single line of text"),
        (b"time,rpm\n12,5,800\n12,6,801\n12,7,802\n", "2 names in the header but 3 cells"),
        (b"timestamp,arbitration_id,dlc,data\n1.5,7e8,8,A0\n1.6,7e8,8,A1\n", "without answers"),
        (b"speed,rpm\n0,800\n0,801\n", "no column with times"),
        (b"rpm," * 2100 + b"rpm\n" + b"1," * 2100 + b"1\n", "2101 columns"),
        (b"x" * 300_000, "a first line longer than 256 kB"),
    ],
)
def test_what_is_no_recording_is_refused_by_what_it_looks_like(raw: bytes, found: str) -> None:
    message = refusal(raw)
    assert message.startswith("drive.csv\n")
    assert found in message
    assert "expected" in message


def test_absurd_sizes_are_refused_without_reading_them() -> None:
    class Huge(io.BytesIO):
        def seek(self, offset: int, whence: int = 0) -> int:
            return 10**13 if whence == 2 else super().seek(offset, whence)

    with pytest.raises(UserError, match=r"a file of 10000\.0 GB"):
        read_recording(Huge(b"time,rpm\n"), "huge.csv")


# --- time ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "cells", "wanted"),
    [
        ("time [s]", ["0", "1", "2"], [0, 1, 2]),
        ("time_ms", ["1000", "1500", "2000"], [0, 0.5, 1]),
        ("Time (min)", ["0.0", "0.5", "1.0"], [0, 30, 60]),
        ("time", ["0.5", "1.0", "2.0"], [0, 0.5, 1.5]),
        ("timestamp", ["1700000000", "1700000001", "1700000003"], [0, 1, 3]),
        ("timestamp", ["1700000000.25", "1700000000.5", "1700000001"], [0, 0.25, 0.75]),
        ("timestamp", ["1700000000123", "1700000000623", "1700000001123"], [0, 0.5, 1]),
        ("timestamp", ["1700000000000000001", "1700000000500000001", "1700000001000000001"],
         [0, 0.5, 1]),
        ("Time", ["08:19:47", "08:19:48", "08:19:50"], [0, 1, 3]),
        ("Time", ["08:19:47.605", "08:19:47.696", "08:19:48.000"], [0, 0.091, 0.395]),
        ("Time", ["8:59:59.5 AM", "9:00:00.0 AM", "9:00:00.5 AM"], [0, 0.5, 1]),
        ("Time", ["11:59:59 AM", "12:00:00 PM", "12:00:01 PM"], [0, 1, 2]),
        ("Time", ["11:59:59 PM", "12:00:00 AM", "12:00:01 AM"], [0, 1, 2]),
        ("Time", ["23:59:59.5", "00:00:00.0", "00:00:00.5"], [0, 0.5, 1]),
        ("Time", ["59:59.5", "00:00.0", "00:00.5"], [0, 0.5, 1]),
        ("Time", ["30:00:00.5", "30:00:01.0", "30:00:01.5"], [0, 0.5, 1]),
        ("Time", ["2024-02-28 23:59:59", "2024-02-29 00:00:00", "2024-02-29 00:00:01"], [0, 1, 2]),
        ("Time", ["2024-02-29T12:00:00.250Z", "2024-02-29T12:00:00.5Z", "2024-02-29T12:00:01Z"],
         [0, 0.25, 0.75]),
        ("Time", ["2024-10-27T02:59:59+02:00", "2024-10-27T02:00:00+01:00",
                  "2024-10-27T02:00:01+01:00"], [0, 1, 2]),
        ("Zeit", ["31.12.2023 23:59:59", "01.01.2024 00:00:00", "01.01.2024 00:00:01"], [0, 1, 2]),
        ("Time", ["1/31/24 11:59:59 PM", "2/1/24 12:00:00 AM", "2/1/24 12:00:01 AM"], [0, 1, 2]),
        ("Whenever", ["08:19:47", "08:19:48", "08:19:50"], [0, 1, 3]),
    ],
)  # fmt: skip
def test_times_in_many_forms(header: str, cells: list[str], wanted: list[float]) -> None:
    rows = "".join(f"{cell},{800 + i}\n" for i, cell in enumerate(cells))
    recording = read(f"{header},rpm\n{rows}")
    np.testing.assert_allclose(recording.channels["engine_speed"].time_s, wanted, atol=1e-6)
    assert recording.mapping[header] == "(time)"


@pytest.mark.parametrize(
    ("header", "cells", "why"),
    [
        ("time", ["0", "10", "20"], "seconds or milliseconds"),
        ("time [km]", ["0", "10", "20"], 'the unit "km", which is none of time'),
        ("time", ["late", "later", "latest"], "does not hold times"),
        ("time [s]", ["5", "5", "5"], "does not run forwards"),
        ("Time", ["08:19", "08:20", "08:21"], "whole minutes only"),
        ("Time", ["2024-05-01 08:19", "2024-05-01 08:20", "2024-05-01 08:21"], "minutes only"),
        ("Time", ["1.5.2024 08:19", "1.5.2024 08:20", "1.5.2024 08:21"], "minutes only"),
    ],
)
def test_a_time_base_is_never_guessed(header: str, cells: list[str], why: str) -> None:
    rows = "".join(f"{cell},{800 + i}\n" for i, cell in enumerate(cells))
    assert why in refusal(f"{header},rpm\n{rows}")


def test_a_person_may_say_the_unit_of_the_time() -> None:
    text = "time,rpm\n0,800\n10,801\n20,802\n"
    assert series(read(text, mapping={"time": "(time) ms"})) == [(0, 800), (0.01, 801), (0.02, 802)]
    assert read(text, mapping={"time": "(time) s"}).seconds == 20


def test_without_time_nothing_is_read_until_somebody_says_the_interval() -> None:
    text = "speed,rpm\n10,800\n20,801\n30,802\n"
    assert "say the interval" in refusal(text)
    told = read(text, interval_s=0.5)
    assert series(told) == [(0, 800), (0.5, 801), (1, 802)]
    assert told.mapping["(time)"] == "every 0.5 s, told"
    assert "speed" in told.unmapped
    assert_same_channels(told, read(text, mapping=told.mapping))
    assert "leave the interval out" in refusal("time,rpm\n0.5,800\n1.0,801\n", interval_s=1.0)
    for wrong in (0.0, -1.0, float("nan"), 1e9):
        assert "an interval of" in refusal(text, interval_s=wrong)


# --- columns and mapping ------------------------------------------------------------------


def test_a_mapping_wins_and_a_speed_without_unit_waits_for_one() -> None:
    text = "time [s],speed,Engine RPM [rpm],tach\n0.0,60,1,800\n0.5,61,2,801\n1.0,62,3,802\n"
    bare = read(text)
    assert list(bare.channels) == ["engine_speed"]
    assert "speed" in bare.unmapped
    said = {"speed": "vehicle_speed mph", "tach": "engine_speed", "Engine RPM [rpm]": "-"}
    recording = read(text, mapping=said)
    assert series(recording)[0] == (0.0, 800.0)
    assert recording.channels["vehicle_speed"].values[0] == pytest.approx(96.56064)
    assert recording.channels["vehicle_speed"].resolution == pytest.approx(1.609344, rel=1e-5)
    assert recording.mapping == {"time [s]": "(time)", **said}
    assert recording.unmapped == ()


@pytest.mark.parametrize(
    ("mapping", "message"),
    [
        ({"sped": "vehicle_speed km/h"}, 'write "speed"'),
        ({"speed": "vehicle_speed"}, "no unit in the file"),
        ({"speed": "vehicle_sped km/h"}, 'write "vehicle_speed"'),
        ({"speed": "load", "rpm": "load"}, "one column for load"),
        ({"speed": "(time) s", "rpm": "(time) s"}, "one column for the time"),
        ({"(time)": "often"}, "every 0.5 s, told"),
    ],
)
def test_a_wrong_mapping_is_refused(mapping: dict[str, str], message: str) -> None:
    assert message in refusal("time [s],speed,rpm\n0.0,60,800\n0.5,61,801\n", mapping=mapping)


def test_look_offers_what_a_person_must_say() -> None:
    raw = b"time [s],speed,rpm\n0.0,60,800\n0.5,61,801\n"
    layout = look(io.BytesIO(raw), "drive.csv")
    assert layout.has_time
    assert [(p.header, p.channel, p.sure) for p in layout.proposals] == [
        ("time [s]", "(time)", True),
        ("speed", "vehicle_speed", False),
        ("rpm", "engine_speed", True),
    ]
    assert not look(io.BytesIO(b"speed,rpm\n60,800\n61,801\n"), "x").has_time
    long = look(io.BytesIO(b"time_s,signal,value\n0.1,rpm,800\n0.2,speed,60\n"), "x")
    assert [p.header for p in long.proposals] == ["rpm", "speed"]


@settings(deadline=None, max_examples=25)
@given(order=st.permutations(range(4)))
def test_the_order_of_the_columns_changes_nothing(order: list[int]) -> None:
    n = 200
    columns = {
        "Time [s]": [f"{i / 10}" for i in range(n)],
        "Engine RPM [rpm]": [f"{800 + (i // 4) % 9}" for i in range(n)],
        "Vehicle Speed [km/h]": ["" if i % 7 == 3 else f"{i % 50}" for i in range(n)],
        "Coolant Temperature [°C]": [f"{70 + i // 20}" for i in range(n)],
    }
    names = [list(columns)[i] for i in order]
    rows = [",".join(columns[h][i] for h in names) for i in range(n)]
    text = "\n".join([",".join(names), *rows]) + "\n"
    plain = "\n".join(
        [",".join(columns), *(",".join(c) for c in zip(*columns.values(), strict=True))]
    )
    assert_same_channels(read(text), read(plain + "\n"))


def test_cells_that_are_no_numbers_are_left_out_and_told() -> None:
    recording = read("time [s],rpm\n0.0,800\n0.5,n/a\n1.0,ERR7\n1.5,803\n2.0,NaN\n3.0,1e9\n")
    assert series(recording) == [(0, 800), (1.5, 803)]
    told = " | ".join(recording.repairs)
    assert "rpm: 1 unreadable as numbers, left out" in told
    boundless = read("time [s],rpm\n0.0,800\n0.5,inf\n1.0,-Inf\n1.5,803\n")
    assert series(boundless) == [(0, 800), (1.5, 803)]
    assert "rpm: 2 infinite values left out" in boundless.repairs
    assert "rpm: 1 value outside 0 to 12000 rpm left out" in told


def test_a_thousands_mark_is_not_taken_for_a_decimal_one() -> None:
    text = "time [s];rpm\n0,1;1.234\n0,2;812,5\n0,3;813,5\n0,4;814,5\n"
    assert series(read(text)) == [(0.1, 812.5), (0.2, 813.5), (0.3, 814.5)]


def test_no_sensor_wrong_units_and_shares_of_one_are_not_channels() -> None:
    rows = "".join(f"{i / 2},-40,900{i},{0.1 + i / 100}\n" for i in range(12))
    recording = read("time [s],Oil temperature [°C],Speed [km/h],Throttle\n" + rows)
    assert dict(recording.channels) == {}
    told = " | ".join(recording.repairs)
    assert "-40 °C throughout, which means no sensor" in told
    assert "outside 0 to 300 km/h, so the unit or the column is wrong" in told
    assert "may be a share of 1" in told
    fahrenheit = read("time [s],Oil temperature [°F]\n0.0,-40\n0.5,-40\n1.0,-40\n")
    assert dict(fahrenheit.channels) == {}


def test_a_cut_off_end_costs_only_what_may_be_wrong() -> None:
    whole = "time [s],rpm,Speed [km/h]\n0.0,800,10\n0.5,801,11\n1.0,802,12\n"
    in_row = read(whole + "1.5,80")
    assert series(in_row) == [(0, 800), (0.5, 801), (1, 802)]
    assert "the last line is cut off: left out" in in_row.repairs
    in_cell = read(whole + "1.5,803,1")
    assert series(in_cell)[-1] == (1.5, 803)
    assert series(in_cell, "vehicle_speed")[-1] == (1.0, 12.0)
    assert any("last cell may be cut off" in r for r in in_cell.repairs)


def test_a_table_broken_in_many_places_is_refused() -> None:
    rows = "".join(f"{i / 2},800" + (",9,9" if i % 3 == 0 else "") + "\n" for i in range(60))
    assert "20 rows with another number of cells" in refusal("time [s],rpm\n" + rows)


def test_lines_swallowed_by_an_open_quote_are_told() -> None:
    rows = [f"{i / 2},{800 + i % 5}\n" for i in range(200)]
    rows[100] = '50.0,"800\n'
    recording = read("time [s],rpm\n" + "".join(rows))
    lost = 200 - recording.rows
    assert lost > 0
    assert any(r.startswith(f"{lost} lines that are blank or inside") for r in recording.repairs)


def test_doubled_headers_are_told_apart_and_neither_is_taken() -> None:
    recording = read("time [s],rpm,rpm\n0.0,800,1\n0.5,801,2\n")
    assert dict(recording.channels) == {}
    assert recording.unmapped == ("rpm", "rpm (2)")
    chosen = read("time [s],rpm,rpm\n0.0,800,1\n0.5,801,2\n", mapping={"rpm (2)": "engine_speed"})
    assert series(chosen) == [(0, 1), (0.5, 2)]


def test_long_rows_out_of_order_are_sorted_and_units_that_disagree_are_not_taken() -> None:
    lines = ["time_s,signal,value,unit", "0.2,rpm,802,rpm", "0.1,rpm,801,rpm", "0.3,rpm,803,rpm",
             "0.3,rpm,803,rpm", "0.1,vehicle_speed,10,km/h", "0.2,vehicle_speed,10,mph",
             "0.4,rpm,804,rpm"]  # fmt: skip
    recording = read("\n".join(lines) + "\n")
    assert series(recording) == [(0.0, 801), (0.1, 802), (0.2, 803), (0.3, 804)]
    assert "vehicle_speed" in recording.unmapped
    assert any("out of order" in r for r in recording.repairs)
    assert "rpm: 1 repeats left out" in recording.repairs


def test_every_layout_of_the_zoo_keeps_the_promises() -> None:
    for delimiter, n in itertools.product(",;\t|", (2, 3, 50)):
        raw = wide(
            [i / 4 for i in range(n)], {"engine_speed": [800.0 + i for i in range(n)]}, delimiter
        )
        assert_promises_kept(read(raw), raw)


def test_positions_are_never_read_not_even_when_somebody_says_so() -> None:
    rows = "".join(f"{i / 2},{800 + i},48.{i},9.{i},{300 + i}\n" for i in range(9))
    text = "time [s],rpm,GPS Latitude [°],lon,altitude [m]\n" + rows
    recording = read(text)
    assert list(recording.channels) == ["engine_speed", "altitude"]
    assert {"GPS Latitude [°]", "lon"} <= set(recording.unmapped)
    assert "positions are never read" in refusal(text, mapping={"lon": "throttle"})
    assert read(text, mapping={"lon": "-"}).mapping["lon"] == "-"


def test_a_row_of_several_values_makes_each_as_old_as_the_row_may_be() -> None:
    several = read("time [s],rpm,ECT [°C]\n" + "".join(f"{i / 2},80{i},9{i}\n" for i in range(9)))
    assert {c.skew_s for c in several.channels.values()} == {0.5}
    alone = read("time [s],rpm\n" + "".join(f"{i / 2},80{i}\n" for i in range(9)))
    assert alone.channels["engine_speed"].skew_s == 0
    # A row for each reading, the other cells blank: the time is the reading's own.
    turns = "".join(f"{i / 2},{800 + i},\n{i / 2 + 0.2},,{60 + i}\n" for i in range(9))
    sparse = read("time [s],rpm,ECT [°C]\n" + turns)
    assert {c.skew_s for c in sparse.channels.values()} == {0.0}


NASTY_CELLS = (
    "", " ", "0", "-0", "1", "0.5", "0,5", "1.234", "1,234,567", "-40", "1e400", "-1e308", "nan",
    "inf", "NaN", "n/a", "-", "#", "850 rpm", "08:19:47", "08:19:47.605", "24:61:61", "99:99",
    "2024-02-30 25:00:00", "2024-02-29 12:00:00.5", "1700000000", "9" * 40, "ü", "−5", '"', '""',
    "true", "\x1b", "x" * 300,
)  # fmt: skip
NASTY_HEADERS = (
    "time", "Time [s]", "timestamp_ms", "rpm", "Speed [km/h]", "speed", "ECT [°F]", "signal",
    "value", "unit", "", "Throttle", "Oil temp [°C]", "time", "[", "()", "# rpm",
)  # fmt: skip


@settings(deadline=None, max_examples=300)
@given(data=st.data())
def test_tables_of_nasty_cells_are_read_or_refused(data: st.DataObject) -> None:
    width = data.draw(st.integers(1, 5))
    delimiter = data.draw(st.sampled_from([",", ";", "\t"]))
    headers = data.draw(st.lists(st.sampled_from(NASTY_HEADERS), min_size=width, max_size=width))
    kinds = data.draw(
        st.lists(st.sampled_from(["count", "clock", "nasty"]), min_size=width, max_size=width)
    )
    lines = [delimiter.join(headers)]
    for i in range(data.draw(st.integers(0, 12))):
        cells = {"count": f"{i * 0.25}", "clock": f"23:59:5{i % 10}.{i:03}"}
        row = [
            data.draw(st.sampled_from(NASTY_CELLS)) if kind == "nasty" else cells[kind]
            for kind in kinds
        ]
        lines.append(delimiter.join(row))
    raw = data.draw(st.sampled_from(["\n", "\r\n"])).join(lines).encode()
    TestWideTable().assert_read_or_refused(raw)


@given(st.lists(st.integers(0, 86_399_999), min_size=3, max_size=30, unique=True).map(sorted))
def test_clocks_of_even_and_uneven_length_give_the_same_times(milliseconds: list[int]) -> None:
    cells = [
        f"{m // 3_600_000:02}:{m // 60_000 % 60:02}:{m // 1000 % 60:02}.{m % 1000:03}"
        for m in milliseconds
    ]
    even = read("time,rpm\n" + "".join(f"{c},800\n" for c in cells))
    uneven = read("time,rpm\n" + "".join(f"{c},800\n" for c in [cells[0] + "0", *cells[1:]]))
    wanted = (np.array(milliseconds) - milliseconds[0]) / 1000
    for recording in (even, uneven):
        np.testing.assert_allclose(recording.channels["engine_speed"].time_s, wanted, atol=1e-6)
