"""The failure type behind a code: kept with the reading, and said only as far as it is known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify import tables
from verify.car.codes import CodeReading
from verify.car.failure_type import OWN_TABLES, TABLE, failure_type_words
from verify.job.codes_answer import memory_of, reading_of

BYTES = [f"{n:02X}" for n in range(256)]


@pytest.mark.parametrize("byte", BYTES)
def test_every_byte_is_shown_with_its_number_and_no_more_than_its_group(byte: str) -> None:
    words = failure_type_words(byte)
    assert words.startswith(f"failure type {byte}: ")
    known = {row["group"]: row["meaning"] for row in tables.rows(TABLE)}
    if byte[0] not in known:
        assert "not known here" in words
    elif byte != "00":
        assert known[byte[0]] in words
        assert OWN_TABLES in words
    assert "second-hand" in words or "not known" in words


def test_what_is_no_byte_is_refused() -> None:
    for wrong in ("", "1", "1g", "111", "aa"):
        with pytest.raises(ValueError, match="no failure type"):
            failure_type_words(wrong)


def test_a_typed_failure_type_stays_with_its_code_in_the_stored_reading() -> None:
    stored, pending = memory_of("p2111-00, P0122, U0100-87"), memory_of("P2111-11")
    reading = reading_of(stored, pending, None, ["engine"])
    assert reading.present == ("P2111", "P0122", "U0100")
    assert reading.types_of("P2111") == ("00", "11")
    assert reading.types_of("P0122") == ()
    body = reading.to_json()
    assert body["failure_types"] == [["P2111", "00"], ["U0100", "87"], ["P2111", "11"]]
    assert CodeReading.from_json(body) == reading


def test_a_reading_of_before_it_was_kept_is_read_as_ever() -> None:
    old = {"stored": ["P2111"], "pending": [], "permanent": "not read", "modules": ["engine"]}
    reading = CodeReading.from_json(old)
    assert reading.types == ()
    assert reading.to_json() == old


@given(
    st.lists(
        st.tuples(st.sampled_from(["P2111", "P0507", "C0035", "U0100"]), st.sampled_from(BYTES)),
        max_size=6,
    )
)
def test_no_failure_type_is_dropped_and_none_changes_the_outcome(
    pairs: list[tuple[str, str]],
) -> None:
    text = " ".join(f"{code}-{byte}" for code, byte in pairs) or "none"
    plain = " ".join(code for code, _ in pairs) or "none"
    read = reading_of(memory_of(text), memory_of("none"), None, ["engine"])
    bare = reading_of(memory_of(plain), memory_of("none"), None, ["engine"])
    assert set(read.types) == set(pairs)
    assert read.label() == bare.label()
    assert CodeReading.from_json(read.to_json()) == read
