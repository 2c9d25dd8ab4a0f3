"""Text as people type and paste it: what is read, what is not, and that nothing is dropped."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.codes import Parsed, parse_codes, word_to_code


def notes(parsed: Parsed) -> str:
    return "; ".join(note for read in parsed.read for note in read.notes)


@pytest.mark.parametrize(
    "text",
    [
        "P2111 P0122",
        "p2111,p0122",
        "P2111;P0122.",
        "P2111/P0122",
        "P2111 | P0122",
        "P2111\tP0122",
        "P2111\r\nP0122\n",
        "[P2111] (P0122)",
        "P2111+P0122",
        "P2111-P0122",
        "P2111–P0122",
        "P2111_P0122",
        "P2111.P0122",
        "P2111P0122",
        "• P2111 • P0122",
        "P 2111, P-0122",
        "{'P2111': 'P0122'}",
        "P2111 and P0122, P2111",
    ],
)
def test_any_separator_will_do(text: str) -> None:
    parsed = parse_codes(text)
    assert parsed.codes == ("P2111", "P0122")
    assert parsed.rest == ()


@pytest.mark.parametrize("text", ["P2111-00", "p2111-00", "P2111–00", "0x211100", "P2111-00-P0122"])
def test_a_failure_type_is_kept_apart(text: str) -> None:
    read = parse_codes(text).read[0]
    assert (read.code, read.failure_type) == ("P2111", "00")


def test_a_pasted_screen_gives_its_codes_and_every_other_word() -> None:
    screen = """
        Engine module     Confirmed codes: 2
          P2111-00  Throttle actuator   MIL on
          pO122     Sensor A low        Freeze frame 1200 rpm
        Brake module      U0415 (pending)
        VIN *****2345
    """
    parsed = parse_codes(screen)
    assert parsed.codes == ("P2111", "P0122", "U0415")
    assert [read.typed for read in parsed.read] == ["P2111-00", "pO122", "U0415"]
    codelike = [u.typed for u in parsed.unread if u.codelike]
    assert codelike == ["1200", "2345"]
    words = [u.typed for u in parsed.unread if not u.codelike]
    assert {"Engine", "module", "Confirmed", "Throttle", "rpm", "VIN"} <= set(words)


@pytest.mark.parametrize(
    ("text", "code", "note"),
    [
        ("PO122", "P0122", "the letter O was read as 0"),
        ("P2I11", "P2111", "the letter I was read as 1"),
        ("P21l1", "P2111", "the letter l was read as 1"),
        ("\u0420\u0032111", "P2111", "(Cyrillic) was read as P"),
        ("\u03a1\u0032111", "P2111", "(Greek) was read as P"),
        ("\u0421\u0030035", "C0035", "(Cyrillic) was read as C"),
        ("\uff30\uff12\uff11\uff11\uff11", "P2111", "(full-width) was read as P"),
        ("P\u0662111", "P2111", "was read as 2"),
        ("P21\u200b11", "P2111", "an invisible character was left out"),
        ("P 2111", "P2111", "a space inside was left out"),
        ("P-2111", "P2111", "a hyphen inside was left out"),
        ("P0300-P0304", "P0300", "not as a range"),
        ("C0035C0040", "C0035", "taken apart"),
    ],
)
def test_a_lookalike_is_read_and_shown_as_such(text: str, code: str, note: str) -> None:
    parsed = parse_codes(text)
    assert parsed.codes[0] == code
    assert note in notes(parsed)
    assert parsed.read[0].typed in text


@pytest.mark.parametrize("text", ["P2111", "p2111", "P2111-00", "U0100, C0035"])
def test_a_plain_code_needs_no_note(text: str) -> None:
    assert notes(parse_codes(text)) == ""


@pytest.mark.parametrize("text", ["piece", "Bible", "cooled", "bolide", "POLICE", "CIOLE"])
def test_a_word_without_a_digit_is_never_a_code(text: str) -> None:
    parsed = parse_codes(text)
    assert parsed.codes == ()
    assert [u.codelike for u in parsed.unread] == [False]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2111", "four digits alone: as bytes in hexadecimal P2111"),
        ("4035", "as bytes in hexadecimal C0035 (write 0x4035)"),
        ("C100", "a code with one character missing"),
        ("P4000", "4 after the letter: only 0 to 3"),
        ("P05071", "too long"),
        ("P050", "too short"),
        ("P05G7", "G is no hexadecimal digit (6?)"),
        ("P05S7", "S is no hexadecimal digit (5?)"),
        ("P05é7", "É is no hexadecimal digit"),
        ("X0507", "begins with X"),
        ("P2111-0", "no failure type"),
        ("P2111-P01", "no failure type"),
        ("0x21", "two bytes"),
        ("0x21110028", "two bytes"),
        ("21 11 00", "odd number of bytes"),
        ("43 02 21 11 01 22", "whole reply to service 03"),
        ("P0000", "stands for no code"),
        ("0x0000", "padding"),
    ],
)
def test_what_was_not_read_has_its_reason(text: str, reason: str) -> None:
    parsed = parse_codes(text)
    assert parsed.codes == ()
    assert len(parsed.unread) == 1
    assert reason in parsed.unread[0].reason


def test_a_unit_before_a_number_is_no_code() -> None:
    parsed = parse_codes("Coolant 95 C 1200 rpm, 14 U 0100 P 0507")
    assert parsed.codes == ("P0507",)
    assert parse_codes("C 0035 U 0100 code: B 0001").codes == ("C0035", "U0100", "B0001")


def test_bytes_are_read_only_where_all_is_bytes() -> None:
    assert parse_codes("21 11\n01 22").codes == ("P2111", "P0122")
    among = parse_codes("Idle 750\n21 11\nP0122")
    assert among.codes == ("P0122",)
    assert "21 11" in among.rest
    for clock in ("21:11", "21/11", "21.11", "at 21 11"):
        assert parse_codes(clock).codes == (), clock


@given(st.text())
def test_parsing_never_raises_and_yields_only_codes(text: str) -> None:
    parsed = parse_codes(text)
    for read in parsed.read:
        assert re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", read.code)
        assert re.fullmatch(r"[0-9A-F]{2}|", read.failure_type)
    assert parsed.codes == tuple(dict.fromkeys(r.code for r in parsed.read))
    assert parsed.rest == tuple(u.typed for u in parsed.unread)


NEAR = st.text(alphabet="PCBUpcbu0123456789ABCDEFabcdefOoIl-–. ,;:/\n\u0420\uff30xhG", max_size=40)


@given(NEAR)
def test_near_misses_never_raise_and_every_letter_or_digit_is_accounted_for(text: str) -> None:
    """Each run of letters and digits stands in what was read or in what was not."""
    parsed = parse_codes(text)
    shown = " ".join([*(r.typed for r in parsed.read), *parsed.rest]).casefold()
    for word in re.findall(r"\w+", text):
        if word.casefold() in ("no", "none", "code", "codes", "and", "dtc"):
            continue
        fives = [word[i : i + 5] for i in range(0, len(word), 5)]
        pieces = [word] if word.casefold() in shown else fives
        assert all(piece.casefold() in shown for piece in pieces), (text, shown)


@given(st.integers(1, 0xFFFF), st.sampled_from(["{}", "{}-1A", "({}),", " {} \n", "x {}"]))
def test_every_code_is_read_from_its_own_text(word: int, frame: str) -> None:
    code = word_to_code(word)
    assert parse_codes(frame.format(code)).codes == (code,)
    assert parse_codes(frame.format(code.lower())).codes == (code,)
