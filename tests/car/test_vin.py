"""The vehicle's number: form, what position 9 says, and masks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.vin import (
    CheckDigit,
    check_digit,
    mask_plate,
    mask_vin,
    mask_vins_in,
    products,
    read_vin,
)

ALPHABET = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
VINS = st.text(ALPHABET, min_size=17, max_size=17)


def test_typed_with_spaces_hyphens_and_small_letters() -> None:
    assert read_vin(" 1g4ah59h4-5g1 18341 ").text == "1G4AH59H45G118341"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "0 characters where a VIN has 17"),
        ("1G4AH59H45G11834", "16 characters"),
        ("1G4AH59H45G1183411", "18 characters"),
        ("1G4AH59H45GI18341", "position 12 is I, which no VIN holds: is it a 1?"),
        ("1G4AH59H45G1O8341", "position 13 is O, which no VIN holds: is it a 0?"),
        ("QG4AH59H45G118341", "position 1 is Q"),
        ("1G4AH59H45G11834é", "position 17 is É"),
        ("1G4AH59H45G11834\x07", "position 17 is U+0007"),
        ("1G4AH59HA5G118341", "position 9 is A, where a digit or X must stand"),
    ],
)
def test_a_form_that_cannot_be_is_named_by_position(typed: str, words: str) -> None:
    found = read_vin(typed)
    assert not found.well_formed
    assert any(words in problem for problem in found.problems)
    assert found.check is CheckDigit.NOT_READ
    assert found.years == ()


def test_the_digit_counts_only_where_it_is_required() -> None:
    wrong = "1G4AH59H55G118341"
    assert read_vin(wrong).check is CheckDigit.DOES_NOT_FIT
    assert "would have to be 4" in read_vin(wrong).notes[0]
    european = "W" + wrong[1:]
    assert read_vin(european).check is CheckDigit.FREE
    assert "free" in read_vin(european).notes[0]
    assert read_vin(european, north_american_market=True).check is CheckDigit.DOES_NOT_FIT
    assert read_vin(wrong, north_american_market=False).check is CheckDigit.FREE
    chinese = "L" + wrong[1:]
    assert read_vin(chinese).check is CheckDigit.DOES_NOT_FIT
    assert any("China" in note for note in read_vin(chinese).notes)
    # Free means free: any character may stand in position 9.
    assert read_vin("WG4AH59HZ5G118341").well_formed


def test_a_digit_that_fits_is_never_called_a_proof() -> None:
    for vin in ("1G4AH59H45G118341", "1M8GDM9AXKP042788", "11111111111111111"):
        found = read_vin(vin)
        assert found.check is CheckDigit.FITS
        assert any("no proof" in note and "eleven" in note for note in found.notes)


@given(VINS)
def test_a_wrong_number_passes_about_once_in_eleven(vin: str) -> None:
    """Exactly one of the eleven digits fits, whatever the rest is."""
    fitting = [d for d in "0123456789X" if check_digit(vin[:8] + d + vin[9:]) == d]
    assert fitting == [check_digit(vin)]


@given(VINS, st.integers(0, 16), st.sampled_from(ALPHABET))
def test_one_wrong_character_shows_unless_its_value_is_the_same(
    vin: str, place: int, other: str
) -> None:
    if place == 8:
        return
    before = products(vin)[place]
    changed = vin[:place] + other + vin[place + 1 :]
    same = products(changed)[place] == before
    assert (check_digit(changed) == check_digit(vin)) is same


@given(st.text(max_size=60))
def test_any_text_is_read_without_a_crash(text: str) -> None:
    found = read_vin(text)
    assert found.well_formed is (found.problems == ())
    assert mask_vin(mask_vin(text)) == mask_vin(text)
    assert mask_plate(mask_plate(text)) == mask_plate(text)
    assert mask_vins_in(mask_vins_in(text)) == mask_vins_in(text)


def test_products_refuse_what_is_no_vin() -> None:
    for wrong in ("", "1G4AH59H45G11834I", "1G4AH59H45G118341X"):
        with pytest.raises(ValueError, match="17 characters"):
            products(wrong)


def test_masks_show_the_maker_and_hardly_more() -> None:
    assert mask_vin("1G4AH59H45G118341") == "1G4************41"
    assert mask_vin("1g4 ah59h45g118341") == "1G4************41"
    assert mask_vin("118341") == "*****"
    assert mask_vin("") == ""
    assert read_vin("1G4AH59H45G118341").masked == "1G4************41"
    assert mask_plate("AB-12 CDE") == "*****E"
    assert mask_plate("B 1") == "*****"
    assert mask_plate("") == ""
    assert mask_plate("AB 123") == mask_plate("XYZ 9993"), "not even its length"


def test_vins_in_free_text_are_masked_and_words_are_not() -> None:
    text = "VIN 1G4AH59H45G118341, wrongly 1G4AH59H45GO18341; internationalised 0123456789"
    masked = "VIN 1G4************41, wrongly 1G4************41; internationalised 0123456789"
    assert mask_vins_in(text) == masked


def test_model_years_are_two_until_position_7_decides() -> None:
    old = read_vin("1G4AH59H45G118341")
    assert old.years == (2005, 2035)
    assert old.likely_year == 2005
    new = read_vin("1G4AH5BH45G118341")
    assert new.likely_year == 2035
    heavy = read_vin("1G4AH59H45G118341", light=False)
    assert heavy.years == (2005, 2035)
    assert heavy.likely_year is None
    assert read_vin("WG4AH59H45G118341").likely_year is None
    assert read_vin("WG4AH59H40G118341").years == ()
    assert any("from memory" in note for note in old.notes)
