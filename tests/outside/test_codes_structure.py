"""The bits of a fault code. SAE J2012 / ISO 15031-6, from memory; the encodings were computed from
the definition: bits 15–14 P 00, C 01, B 10, U 11; bits 13–12 second character; three hex digits.
"""

from __future__ import annotations

import pytest

from verify.car.codes import Definer, code_to_word, parse_codes, who_defines, word_to_code

ENCODINGS = {
    "00 68": "P0068",
    "01 22": "P0122",
    "05 07": "P0507",
    "06 38": "P0638",
    "0A 7F": "P0A7F",
    "12 34": "P1234",
    "21 01": "P2101",
    "21 11": "P2111",
    "21 12": "P2112",
    "21 35": "P2135",
    "21 38": "P2138",
    "21 76": "P2176",
    "34 00": "P3400",
    "40 35": "C0035",
    "52 34": "C1234",
    "80 01": "B0001",
    "AA BC": "B2ABC",
    "C1 00": "U0100",
    "C1 07": "U0107",
    "FF FF": "U3FFF",
}


@pytest.mark.parametrize(("typed", "code"), ENCODINGS.items())
def test_two_bytes_are_the_code_and_the_code_is_its_two_bytes(typed: str, code: str) -> None:
    word = int(typed.replace(" ", ""), 16)
    assert word_to_code(word) == code
    assert code_to_word(code) == word
    for text in (typed, f"0x{word:04X}", f"0x{word:04x}", f"{word:04X}h"):
        parsed = parse_codes(text)
        assert parsed.codes == (code,), text
        assert parsed.rest == ()
        assert "two bytes in hexadecimal" in parsed.read[0].notes[0]


def test_two_zero_bytes_are_padding_and_no_code() -> None:
    assert word_to_code(0) == "P0000"
    for text in ("00 00", "0x0000", "P0000"):
        parsed = parse_codes(text)
        assert parsed.codes == ()
        assert "padding" in parsed.unread[0].reason
    assert parse_codes("21 11 01 22 00 00").codes == ("P2111", "P0122")


def test_encoding_what_was_decoded_gives_the_same_bytes_over_the_whole_range() -> None:
    codes = [word_to_code(word) for word in range(0x10000)]
    assert [code_to_word(code) for code in codes] == list(range(0x10000))
    assert len(set(codes)) == 0x10000


@pytest.mark.parametrize("word", [-1, 0x10000])
def test_what_is_no_two_bytes_is_refused(word: int) -> None:
    with pytest.raises(ValueError, match="two bytes"):
        word_to_code(word)


@pytest.mark.parametrize("code", ["", "p2111", "P2111-00", "P4000", "X0001", "P21111", "P211"])
def test_what_is_no_code_is_not_encoded(code: str) -> None:
    with pytest.raises(ValueError, match="no fault code"):
        code_to_word(code)


# Who defines what, from memory: P0, P2, P34–P39, U0, B0, C0 (U3 in part) the standard; P1, P30–P33,
# U1–U2, B1–B2, C1–C2 the maker; B3, C3 reserved.
RANGES = {
    "P0 P2 P34 P35 P36 P37 P38 P39 U0 B0 C0": Definer.STANDARD,
    "P1 P30 P31 P32 P33 U1 U2 B1 B2 C1 C2": Definer.MAKER,
    "U3": Definer.PARTLY,
    "B3 C3": Definer.RESERVED,
    "P3A P3B P3C P3D P3E P3F": Definer.UNKNOWN,
}


def test_who_defines_a_code_is_said_over_the_whole_range() -> None:
    by_start = {start: definer for starts, definer in RANGES.items() for start in starts.split()}
    for word in range(0x10000):
        code = word_to_code(word)
        wanted = [definer for start, definer in by_start.items() if code.startswith(start)]
        assert [who_defines(code)] == wanted, code
