"""Answers with published readings: the standard's tables, unit tests of others, a real car.

Marks of the rows, carried over: S2 = seen in a secondary text; M-hi = from memory, high confidence;
C = computed from the stated definition. The scalings themselves are S2 (SAE J1979 Appendix B /
ISO 15031-5 Annex B in a public copy); the standard was not seen.
"""

from __future__ import annotations

import csv
import io
from fractions import Fraction

import pytest

from tests.conftest import real_recording
from verify.car.answer import Answer
from verify.car.decode import decode

VECTORS = "a5bbfb16d31f5df0c13d9f42090c5d128ede5573c4adc1e7785201c0d703c5ee"
BUS_LOG = "ca08225eb083727e67b4703c0395bc66c644902f3f8cd5546c805a304ba9f02b"


def only(text: str) -> Answer:
    """The one answer of a text that leaves nothing open."""
    decoded = decode(text)
    assert decoded.remarks == ()
    assert decoded.leftovers == ()
    assert len(decoded.answers) == 1
    assert decoded.answers[0].complete
    return decoded.answers[0]


def close(value: Fraction | None, printed: str) -> bool:
    """Whether a value is the printed one, to the printed number of decimals."""
    places = len(printed.partition(".")[2])
    return value is not None and abs(value - Fraction(printed)) <= Fraction(1, 2 * 10**places)


# All C, from the S2 scalings: parameter and data, value, unit.
ROWS = [
    ("04 40", "25.098", "%"),
    ("05 28", "0", "°C"),
    ("05 7B", "83", "°C"),
    ("06 80", "0", "%"),
    ("06 85", "3.906", "%"),
    ("07 76", "-7.8125", "%"),
    ("0B 21", "33", "kPa"),
    ("0C 0B B8", "750", "rpm"),
    ("0C 1A F8", "1726", "rpm"),
    ("0D 28", "40", "km/h"),
    ("0D 29", "41", "km/h"),
    ("0E 94", "10.0", "°"),
    ("0F 3C", "20", "°C"),
    ("10 00 FA", "2.50", "g/s"),
    ("11 26", "14.902", "%"),
    ("11 33", "20.0", "%"),
    ("1F 02 58", "600", "s"),
    ("2F 80", "50.196", "%"),
    ("30 03", "3", "1"),
    ("31 00 19", "25", "km"),
    ("33 65", "101", "kPa"),
    ("42 2E E0", "12.000", "V"),
    ("42 37 2D", "14.125", "V"),
    ("43 00 2B", "16.863", "%"),
    ("44 80 00", "1.000", "1"),
    ("44 7D 70", "0.97998", "1"),
    ("45 00", "0", "%"),
    ("46 3E", "22", "°C"),
    ("49 20", "12.549", "%"),
    ("4A 10", "6.275", "%"),
    ("4C 26", "14.902", "%"),
    ("4D 00 0A", "10", "min"),
    ("4E 00 2D", "45", "min"),
    ("5A 40", "25.098", "%"),
    ("5C 7D", "85", "°C"),
]


def test_the_published_table_is_here_in_full() -> None:
    assert len(ROWS) == 35
    assert len({row[0] for row in ROWS}) == 35


@pytest.mark.parametrize(("data", "printed", "unit"), ROWS)
@pytest.mark.parametrize("form", ["bare", "frame", "freeze"])
def test_bytes_have_the_published_value(data: str, printed: str, unit: str, form: str) -> None:
    pid, _, rest = data.partition(" ")
    if form == "frame":
        answer = only(f"7E8 {1 + len(data.split()):02X} 41 {data} AA")
    elif form == "freeze":
        answer = only(f"42 {pid} 00 {rest}")
        assert answer.freeze_frame == 0
    else:
        answer = only(f"41 {data}")
    assert (answer.kind, answer.pid) == ("parameter", int(pid, 16))
    (value,) = answer.values
    assert value.unit == unit
    assert close(value.exact, printed), value


# The first is C and widely printed (M-hi), the second C.
BITMAPS = [
    ("41 00 BE 1F A8 13", "01 03 04 05 06 07 0C 0D 0E 0F 10 11 13 15 1C 1F 20"),
    ("41 40 FE DC 00 50", "41 42 43 44 45 46 47 49 4A 4C 4D 4E 5A 5C"),
]


@pytest.mark.parametrize(("line", "pids"), BITMAPS)
def test_bitmaps_name_the_published_parameters(line: str, pids: str) -> None:
    answer = only(line)
    assert answer.kind == "supported"
    assert " ".join(f"{p:02X}" for p in answer.pids) == pids


# Readings C; the bits S2 for 01: line, lamp, codes, ignition, supported, not complete.
STATUS = [
    ("41 01 00 07 E5 00", False, 0, "spark", 8, 0),
    ("41 01 81 07 E5 E5", True, 1, "spark", 8, 5),
    ("41 01 00 07 65 04", False, 0, "spark", 7, 1),
    ("41 01 00 07 65 05", False, 0, "spark", 7, 2),
    ("41 01 00 0F EB 00", False, 0, "compression", None, 0),
    ("41 01 00 77 65 65", False, 0, "spark", 7, 7),
]


@pytest.mark.parametrize(("line", "lamp", "count", "ignition", "supported", "open_"), STATUS)
def test_status_bytes_read_as_published(
    line: str, lamp: bool, count: int, ignition: str, supported: int | None, open_: int
) -> None:
    answer = only(line)
    assert answer.kind == "status"
    assert answer.readiness is not None
    assert answer.readiness["lamp_commanded"] is lamp
    assert answer.readiness["stored_codes"] == count
    assert answer.readiness["ignition"] == ignition
    monitors = answer.readiness["monitors"]
    assert isinstance(monitors, dict)
    if supported is not None:
        assert sum(v != "not supported" for v in monitors.values()) == supported
    assert sum(v == "not complete" for v in monitors.values()) == open_
    assert ("all supported tests complete" in answer.text) == (open_ == 0)


# M-hi unless said.
FUEL_SYSTEM = [
    ("00", "off"),
    ("01", "open loop, not warm"),
    ("02", "closed loop"),
    ("04", "open loop because of how it is driven"),
    ("08", "open loop because of a fault"),
    ("10", "closed loop with a sensor fault"),
]


@pytest.mark.parametrize(("byte", "words"), FUEL_SYSTEM)
def test_fuel_system_states_are_those_of_the_standard(byte: str, words: str) -> None:
    answer = only(f"41 03 {byte} 00")
    assert answer.values[0].text.startswith(words)
    assert answer.values[1].text.startswith("off")


def test_two_bits_of_the_fuel_system_at_once_are_not_made_up() -> None:
    assert "not defined" in only("41 03 06 00").values[0].text


def test_the_freeze_frame_names_the_code_that_stored_it() -> None:
    answer = only("42 02 00 21 12")
    assert (answer.values[0].text, answer.freeze_frame) == ("P2112", 0)
    assert only("42 02 00 00 00").values[0].text == "none"


MEMORIES = [(0x43, "stored"), (0x47, "pending"), (0x4A, "permanent")]


@pytest.mark.parametrize(("service", "memory"), MEMORIES)
def test_codes_over_can_are_counted_and_before_can_come_in_threes(
    service: int, memory: str
) -> None:
    said = f"{service:02X}"
    counted, threes, none = f"{said} 02 21 11 01 22", f"{said} 21 11 01 22 00 00", f"{said} 00"
    for line in (counted, threes, f"7E8 06 {counted} AA"):
        answer = only(line)
        assert (answer.title, answer.codes) == (f"{memory} codes", ("P2111", "P0122"))
        assert decode(line).codes(memory) == ("P2111", "P0122")
    for line in (none, f"7E8 02 {none} 55 55 55 55 55", f"{said} 00 00 00 00 00 00"):
        assert only(line).codes == ()
        assert decode(line).codes(memory) == ()
    assert decode("41 05 7B").codes(memory) is None


def test_a_clear_is_answered() -> None:
    assert only("44").kind == "cleared"


VIN_FRAMES = "10 14 49 02 01 31 47 34\n21 41 48 35 39 48 34 35\n22 47 31 31 38 33 34 31"


def test_the_vin_comes_in_three_frames() -> None:  # C
    for text in (VIN_FRAMES, "\n".join("7E8 " + line for line in VIN_FRAMES.splitlines())):
        assert only(text).text == "1G4AH59H45G118341"
        assert only(text).shown() == "1G4************41"


PAIRS = """
0068 P0068 2111 P2111 4035 C0035 0122 P0122 2112 P2112 5234 C1234 0507 P0507 2135 P2135 8001 B0001
0638 P0638 2138 P2138 AABC B2ABC 0A7F P0A7F 2176 P2176 C100 U0100 1234 P1234 3400 P3400 C107 U0107
2101 P2101 FFFF U3FFF
""".split()  # noqa: SIM905


def test_the_codes_of_the_published_table_of_pairs() -> None:  # encodings C, structure M-hi
    for pair, code in zip(PAIRS[::2], PAIRS[1::2], strict=True):
        assert only(f"43 01 {pair}").codes == (code,)
    assert only("43 00 00 00 00 00 00").codes == ()


# --- real frames, and the unit tests of an independent decoder ------------------------------------


# Printed from a 32-bit number: near 58 its steps are 2**-18, wider than the last digit shown.
SINGLE_PRECISION = {"D008"}


def vectors() -> list[dict[str, str]]:
    text = real_recording(VECTORS).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def test_all_service_vectors_read_as_expected() -> None:
    rows = vectors()
    assert len(rows) == 77
    for row in rows:
        lines = [line.strip() for line in row["response"].split("|")]
        if row["layer"].startswith("can-frame"):
            lines = [f"7E8 {line}" for line in lines]
        decoded = decode("\n".join(lines))
        quantity, expected = row["quantity"], row["expected"]
        if expected == "(none)":
            # Words behind a service byte: no answer at all, and above all no code.
            assert decoded.answers == (), row["id"]
            assert [left.found for left in decoded.leftovers] == lines
        elif quantity.endswith("dtcs"):
            assert decoded.codes(quantity.removesuffix("_dtcs")) == tuple(expected.split())
            assert decoded.leftovers == ()
        elif quantity == "vin":
            assert [a.text for a in decoded.answers] == [expected]
            assert expected not in str(decoded.to_json())
        elif quantity == "mil;dtc_count":
            # One byte of four: said, and not read as a status.
            assert decoded.answers == ()
            assert "1 of 4 bytes" in decoded.remarks[0].text
        elif quantity == "fuel_type":
            names = {"gasoline": "petrol", "diesel": "diesel"}
            assert decoded.answers[0].values[0].text == names[expected]
        else:
            (answer,) = decoded.answers
            (value,) = answer.values
            assert decoded.remarks == decoded.leftovers == (), row["id"]
            assert answer.pid == int(row["pid"], 16)
            if row["id"] in SINGLE_PRECISION:
                assert abs(float(value.exact or 0) - float(expected)) < 2**-18, row["id"]
            else:
                assert close(value.exact, expected), row["id"]
            assert value.unit.replace("°", "deg") == row["unit"]


def test_a_real_bus_log_gives_what_was_computed_independently() -> None:
    """4610 frames of a petrol car from key-on through warm-up; facts computed with another
    decoder and published with the file."""
    decoded = decode(real_recording(BUS_LOG).read_text(encoding="ascii"))
    assert decoded.remarks == decoded.leftovers == ()
    assert len(decoded.answers) == decoded.lines == 4610
    found: dict[str, list[Fraction]] = {}
    times: list[float] = []
    for answer in decoded.answers:
        assert answer.source == "7E8"
        assert answer.complete
        for value in answer.values:
            assert value.exact is not None
            found.setdefault(value.key, []).append(value.exact)
        assert answer.time_s is not None
        times.append(answer.time_s)
    assert len(found["engine_speed"]) == 762
    assert (min(found["coolant"]), max(found["coolant"])) == (29, 91)
    volts = found["module_voltage"]
    assert (min(volts), max(volts)) == (Fraction("11.30"), Fraction("14.44"))
    assert max(found["vehicle_speed"]) == 57
    assert close(min(found["throttle"]), "12.55")
    assert close(max(found["throttle"]), "88.24")
    assert round(times[-1] - times[0], 1) == 380.7
