from __future__ import annotations

import random

import pytest

from verify import tables
from verify.errors import UserError
from verify.evidence.channels import (
    TABLE,
    known_unit,
    layout_key,
    mended,
    quantities,
    recognise,
    to_canonical,
    told,
)
from verify.quantity import is_unit

CANONICAL = {
    "engine_speed": "rpm", "vehicle_speed": "km/h", "pedal": "%", "pedal_d": "%", "pedal_e": "%",
    "throttle": "%", "throttle_commanded": "%", "coolant": "°C", "intake_air": "°C",
    "ambient": "°C", "oil": "°C", "map": "kPa", "baro": "kPa", "maf": "g/s", "load": "%",
    "module_voltage": "V", "fuel_trim_short": "%", "fuel_trim_long": "%", "throttle_b": "%",
    "fuel_trim_short_2": "%", "fuel_trim_long_2": "%", "fuel_status": "1", "altitude": "m",
    "run_time": "s",
}  # fmt: skip


def sure(*headers: str, units: tuple[str, ...] = ()) -> dict[str, tuple[str, str]]:
    return {p.header: (p.channel, p.unit) for p in recognise(headers, units) if p.sure}


def test_the_closed_list_of_channels_is_what_others_build_on() -> None:
    assert {q.name: q.unit for q in quantities().values()} == CANONICAL


def test_every_row_of_the_table_has_a_source_and_sense() -> None:
    seen: dict[str, str] = {}
    for row in tables.rows(TABLE):
        assert row["source"].strip()
        assert row["kind"] in ("channel", "header", "time", "unit")
        if row["kind"] == "channel":
            assert is_unit(row["unit"])
            assert float(row["low"]) < float(row["high"])
        elif row["kind"] == "unit":
            assert is_unit(row["name"])
            assert float(row["scale"]) > 0
        else:
            assert row["kind"] == "time" or row["name"] in CANONICAL
            for phrase in row["words"].split(" | "):
                assert phrase not in seen, f"{phrase} stands for {seen.get(phrase)} as well"
                seen[phrase] = row["name"]


@pytest.mark.parametrize(
    ("header", "channel", "unit"),
    [
        ("Engine RPM [RPM]", "engine_speed", "rpm"),
        ("rpm", "engine_speed", "rpm"),
        ("EngineSpeed", "engine_speed", "rpm"),
        ("Motordrehzahl (1/min)", "engine_speed", "rpm"),
        ("Drehzahl, U/min", "engine_speed", "rpm"),
        ("Régime moteur (tr/min)", "engine_speed", "rpm"),
        ("Vehicle Speed Sensor [km/h]", "vehicle_speed", "km/h"),
        ("speed_mph", "vehicle_speed", "mph"),
        ("Speed_kmh", "vehicle_speed", "km/h"),
        ("Geschwindigkeit in km/h", "vehicle_speed", "km/h"),
        ("Accelerator Pedal Position D [%]", "pedal_d", "%"),
        ("Accelerator Pedal Position E [%]", "pedal_e", "%"),
        ("accelerator_pedal", "pedal", "%"),
        ("Fahrpedalstellung (%)", "pedal", "%"),
        ("Absolute Throttle Position [%]", "throttle", "%"),
        ("Drosselklappenstellung [%]", "throttle", "%"),
        ("Commanded throttle actuator control (%)", "throttle_commanded", "%"),
        ("Engine Coolant Temperature [Â°C]", "coolant", "°C"),
        ("Engine Coolant Temperature (°F)", "coolant", "°F"),
        ("Kühlmitteltemperatur [°C]", "coolant", "°C"),
        ("coolant_temp_c", "coolant", "°C"),
        ("[SAE] Intake Manifold Absolute Pressure (inHg)", "map", "inHg"),
        ("MAF air flow rate (lb/min)", "maf", "lb/min"),
        ("Control module voltage", "module_voltage", "V"),
        ("Short term fuel trim - Bank 1 [%]", "fuel_trim_short", "%"),
        ("Calculated load value [%]", "load", "%"),
        ("Time (sec)", "(time)", "s"),
        ("timestamp_ms", "(time)", "ms"),
        ("Uhrzeit", "(time)", ""),
    ],
)
def test_wordings_of_many_loggers_are_recognised(header: str, channel: str, unit: str) -> None:
    assert sure(header).get(header) == (channel, unit)


@pytest.mark.parametrize(
    ("header", "why"),
    [
        ("speed", "the file does not say the unit"),
        ("Vehicle Speed", "the file does not say the unit"),
        ("Engine Coolant Temperature", "the file does not say the unit"),
        ("Speed (GPS) [mph]", "may mean another sensor"),
        ("Relative throttle position [%]", "may mean another sensor"),
        ("Engine RPM [kPa]", '"kPa" is no unit of rotational speed'),
        ("Coolant temp (furlongs)", "the name is only similar"),
    ],
)
def test_what_is_doubtful_is_offered_and_not_taken(header: str, why: str) -> None:
    proposal = recognise([header])[0]
    assert not proposal.sure
    assert proposal.channel
    assert why in proposal.why


@pytest.mark.parametrize(
    "header",
    ["engine_speed_status", "accelerator_pedal_validity", "speed_average_driven_valid",
     "engine_coolant_temp_validity", "Absolute throttle position C", "Unnamed: 3", ""],
)  # fmt: skip
def test_flags_and_strangers_are_never_sure(header: str) -> None:
    assert not recognise([header])[0].sure


def test_units_of_a_row_below_the_header_count_and_contradictions_do_not() -> None:
    found = sure("Speed", "Coolant temp", "RPM", units=("mph", "°F", "1/min"))
    assert found == {
        "Speed": ("vehicle_speed", "mph"),
        "Coolant temp": ("coolant", "°F"),
        "RPM": ("engine_speed", "rpm"),
    }
    contradiction = recognise(["Speed [km/h]"], ["mph"])[0]
    assert not contradiction.sure
    assert "km/h" in contradiction.why
    assert "mph" in contradiction.why


def test_of_two_columns_for_one_channel_the_standard_wording_wins_in_any_order() -> None:
    headers = ["Tachometer [rpm]", "Engine RPM [rpm]", "Speed [km/h]", "Geschwindigkeit [km/h]"]
    for _ in range(6):
        random.Random(1).shuffle(headers)
        taken = {channel: h for h, (channel, _) in sure(*headers).items()}
        assert taken == {"engine_speed": "Engine RPM [rpm]", "vehicle_speed": "Speed [km/h]"}
    assert sure("Speed [km/h]", "Speed [mph]") == {}


def test_doubly_encoded_signs_are_mended_and_others_left_alone() -> None:
    assert mended("[Â°C]") == "[°C]"
    assert mended("[°C]") == "[°C]"
    assert mended("Ângulo") == "Ângulo"


@pytest.mark.parametrize(
    ("written", "target", "value", "wanted"),
    [
        # NIST SP 811 App. B.8 and definitions, not our own table
        ("mph", "km/h", 60.0, 96.56064),
        ("°F", "°C", 212.0, 100.0),
        ("mbar", "kPa", 1013.25, 101.325),
        ("psi", "kPa", 1.0, 6.894757),
        ("inHg", "kPa", 29.92, 101.32075),
        ("lb/min", "g/s", 1.0, 7.559873),
        ("ft", "m", 1000.0, 304.8),
        ("mV", "V", 14100.0, 14.1),
        ("kg/h", "g/s", 36.0, 10.0),
    ],
)
def test_units_convert_to_the_canonical_one(
    written: str, target: str, value: float, wanted: float
) -> None:
    factors = to_canonical(written, target)
    assert factors is not None
    assert value * factors[0] + factors[1] == pytest.approx(wanted, rel=1e-5)


def test_gps_is_a_receiver_and_no_flow() -> None:
    assert known_unit("GPS") is None
    assert to_canonical("rpm", "km/h") is None


def test_the_layout_key_knows_the_columns_and_not_their_order() -> None:
    assert layout_key(["a", "b"]) == layout_key(["b", "a"])
    assert layout_key(["a", "b"]) != layout_key(["a", "c"])
    assert layout_key(["ab", "c"]) != layout_key(["a", "bc"])


def test_what_a_person_says_is_checked() -> None:
    assert told("v", "vehicle_speed mph", "") == ("vehicle_speed", "mph")
    assert told("v", "vehicle_speed mph", "km/h") == ("vehicle_speed", "mph")
    assert told("v", "vehicle_speed", "km/h") == ("vehicle_speed", "km/h")
    assert told("v", "throttle", "") == ("throttle", "%")
    for words, expected in [
        ("vehicle_speed", "no unit in the file"),
        ("vehicle_speed kPa", "a unit of speed"),
        ("vehicle_sped km/h", 'write "vehicle_speed"'),
    ]:
        with pytest.raises(UserError) as refused:
            told("v", words, "")
        assert expected in str(refused.value)
