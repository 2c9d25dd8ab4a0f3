"""The table of standard parameters: exact both ways, every row complete."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify import tables
from verify.car.parameters import (
    KINDS,
    TABLE,
    Parameter,
    by_key,
    by_pid,
    bytes_to_raw,
    parameters,
    pid_size,
    raw_to_bytes,
    raw_to_value,
    supported,
    supported_bits,
    value_text,
    value_to_raw,
)
from verify.quantity import UNITS

NUMBERS = tuple(p for p in parameters() if p.kind == "number")
# Parameters with the same bytes, sign, scale and offset are computed by the same numbers.
SCALINGS = {(p.size, p.signed, p.scale, p.offset): p for p in NUMBERS}


def test_every_row_is_complete_and_says_its_source_and_how_sure_it_is() -> None:
    rows = tables.rows(TABLE)
    assert len({row["key"] for row in rows}) == len(rows)
    for row in rows:
        assert row["kind"] in KINDS
        assert row["sure"] in ("S2", "M-hi", "M-mid"), row
        assert row["name"]
        assert "SAE J1979" in row["source"]
        assert ("from memory" in row["source"]) == (row["sure"] != "S2"), row
        assert not re.search(r"https?:|/(?:work|tmp|home|usr)/", " ".join(row.values()))
        scaled = {"unit", "scale", "offset", "signed", "low", "high"}
        assert all(bool(row[c]) == (row["kind"] == "number") for c in scaled), row
        assert bool(row["states"]) == (row["kind"] == "state"), row


def test_units_are_units_and_channels_are_channels() -> None:
    rows = tables.rows("seeds/channels.csv")
    units = {r["name"]: r["unit"] for r in rows if r["kind"] == "channel"}
    named = [p for p in parameters() if p.channel]
    assert len({p.channel for p in named}) == len(named) == 21
    for p in NUMBERS:
        assert p.unit in UNITS, p.key
    for p in named:
        assert units[p.channel] == p.unit, p.key


def test_bytes_of_a_parameter_are_all_used_once() -> None:
    for pid, rows in by_pid().items():
        used = [i for p in rows for i in range(p.at, p.at + p.size)]
        assert used == list(range(pid_size(pid) or 0)), f"{pid:02X}"


@pytest.mark.parametrize("p", NUMBERS, ids=lambda p: p.key)
def test_the_printed_range_is_what_the_scaling_gives(p: Parameter) -> None:
    row = next(r for r in tables.rows(TABLE) if r["key"] == p.key)
    for printed, value in ((row["low"], p.low), (row["high"], p.high)):
        places = -int(Decimal(printed).as_tuple().exponent)
        assert round(value, places) == Fraction(printed), p.key


def test_encoding_what_was_decoded_is_the_identity_over_the_whole_range() -> None:
    """Every raw number of every scaling there is."""
    for p in SCALINGS.values():
        for raw in range(p.raw_low, p.raw_high + 1):
            if value_to_raw(p, raw_to_value(p, raw)) != raw:
                pytest.fail(f"{p.key}: {raw}")


@pytest.mark.parametrize(
    "p",
    {(p.size, p.signed): p for p in parameters() if p.size <= 2}.values(),
    ids=lambda p: f"{p.size}{'-signed' if p.signed else ''}",
)
def test_bytes_and_raw_numbers_are_the_same_over_the_whole_range(p: Parameter) -> None:
    """Of each length and sign one: nothing else of a parameter enters here."""
    for n in range(1 << 8 * p.size):
        data = n.to_bytes(p.size, "big")
        assert raw_to_bytes(p, bytes_to_raw(p, data)) == data


@given(st.binary(min_size=4, max_size=4))
def test_four_bytes_come_back_too(data: bytes) -> None:
    p = by_key("status_since_clear")
    assert raw_to_bytes(p, bytes_to_raw(p, data)) == data
    assert supported_bits(0x40, supported(0x40, data)) == data


def test_no_two_raw_numbers_look_alike_on_the_screen() -> None:
    """Texts rise with the raw number, so neighbours are enough; of two bytes every 31st pair."""
    for p in SCALINGS.values():
        step = 1 if p.size == 1 else 31
        for raw in range(p.raw_low, p.raw_high, step):
            one, next_ = (value_text(p, raw_to_value(p, r)) for r in (raw, raw + 1))
            assert one != next_, (p.key, raw)


def test_values_are_shown_with_the_decimals_their_steps_are_worth() -> None:
    def shown(key: str, data: str) -> str:
        p = by_key(key)
        return value_text(p, raw_to_value(p, bytes_to_raw(p, bytes.fromhex(data))))

    assert shown("load", "40") == "25.1 %"
    assert shown("engine_speed", "0BBB") == "750.75 rpm"
    assert shown("module_voltage", "372D") == "14.125 V"
    assert shown("fuel_trim_long_1", "76") == "-7.8 %"
    assert shown("coolant", "27") == "-1 °C"
    assert shown("evap_pressure", "FFFF") == "-0.25 Pa"
    assert shown("warm_ups_since_clear", "03") == "3"


def test_a_value_between_two_steps_goes_to_the_nearest() -> None:
    speed = by_key("engine_speed")
    assert value_to_raw(speed, Fraction("750.1")) == 3000
    assert value_to_raw(speed, Fraction("750.2")) == 3001
    with pytest.raises(ValueError, match="carries"):
        value_to_raw(speed, Fraction(16384))
    with pytest.raises(ValueError, match="carries"):
        value_to_raw(speed, Fraction(-1))


def test_what_is_no_number_has_no_value() -> None:
    with pytest.raises(ValueError, match="is no number"):
        raw_to_value(by_key("fuel_type"), 1)
    with pytest.raises(ValueError, match="has 2 bytes"):
        bytes_to_raw(by_key("engine_speed"), b"\x00")
    with pytest.raises(ValueError, match="carries"):
        raw_to_bytes(by_key("coolant"), 256)
    with pytest.raises(KeyError):
        by_key("no-such")


def test_a_bitmap_is_refused_where_it_is_none() -> None:
    with pytest.raises(ValueError, match="four bytes"):
        supported(0x00, b"\x00\x00\x00")
    with pytest.raises(ValueError, match="four bytes"):
        supported(0x01, b"\x00\x00\x00\x00")
    with pytest.raises(ValueError, match="does not belong"):
        supported_bits(0x20, [0x20])
