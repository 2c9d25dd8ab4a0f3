"""Fault codes as people type them. Structure: SAE J2012 / ISO 15031-6 (from memory)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify import tables
from verify.car.codes import CodeReading, class_of, compare, is_maker_defined, meaning, parse_codes


def test_codes_are_read_however_they_are_typed() -> None:
    parsed = parse_codes("p2111, P0507-00; u0100 (PO122)\nnone")
    assert parsed.codes == ("P2111", "P0507", "U0100", "P0122")
    assert parsed.rest == ()


def test_what_is_no_code_is_named_and_not_dropped() -> None:
    assert parse_codes("P0507 lamp P4000 P05071").rest == ("lamp", "P4000", "P05071")


@given(st.text())
def test_reading_codes_never_raises_and_yields_only_codes(text: str) -> None:
    for code in parse_codes(text).codes:
        assert re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", code)


# check-values 2.2, rows seen in two public lists: the pinned rows against a list shifted by one.
@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("P0505", "idle"),
        ("P0506", "slower"),
        ("P0507", "faster"),
        ("P0220", "B"),
        ("P2111", "open"),
        ("P2112", "closed"),
        ("U0107", "throttle"),
    ],
)
def test_meanings_are_those_of_the_standard_and_not_of_the_row_beside(code: str, word: str) -> None:
    assert word.casefold() in meaning(code).casefold()


def test_each_class_is_reached_and_the_gravest_decides() -> None:
    classes = {row["class"] for row in tables.rows("seeds/codes.csv")}
    assert classes == {"forbids", "wiring", "learn", "other"}
    by_class = {row["class"]: row["code"] for row in tables.rows("seeds/codes.csv")}
    reading = CodeReading((by_class["learn"],), (by_class["wiring"],), None, ("engine",))
    assert reading.label() == "wiring"
    assert CodeReading((by_class["forbids"],), (), None, ()).label() == "forbids"


def test_not_read_is_never_none() -> None:
    assert CodeReading((), None, None, ("engine",)).label() == "partly-read"
    assert CodeReading((), (), None, ("engine",)).label() == "none"


def test_a_permanent_code_alone_decides_nothing() -> None:
    assert CodeReading((), (), ("P2111",), ("engine",)).label() == "none"


def test_a_maker_s_own_code_is_said_to_be_one() -> None:
    # SAE J2012 ranges, from memory.
    for code in ("P1234", "P3000", "U1000", "B2ABC", "C1234"):
        assert is_maker_defined(code)
        assert "maker" in meaning(code)
        assert class_of(code) == "other"
    for code in ("P0A7F", "P2111", "P3400", "U0100", "C0035"):
        assert not is_maker_defined(code)


def test_a_reading_survives_its_stored_form() -> None:
    reading = CodeReading(("P0507",), None, (), ("engine", "brakes"))
    assert CodeReading.from_json(reading.to_json()) == reading


def test_the_difference_in_plain_words() -> None:
    before = CodeReading(("P2111", "P0507"), ("P0171",), None, ())
    after = CodeReading(("P0507",), ("P0122",), None, ())
    assert compare(before, after) == {
        "gone": ("P0171", "P2111"),
        "still there": ("P0507",),
        "new": ("P0122",),
    }
