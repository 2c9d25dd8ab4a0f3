"""Raw lines as people paste them: read where that is certain, said where it is not."""

from __future__ import annotations

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from verify.car.decode import Decoded, decode, without_vins
from verify.car.frames import payload_to_frames
from verify.car.vin import mask_vin

VIN = "1G4AH59H45G118341"
VIN_BYTES = b"\x49\x02\x01" + VIN.encode()


def told(decoded: Decoded) -> list[str]:
    """Everything found, a line each: answers, then remarks (!), then what was not read (?)."""
    answers = [
        f"{a.line} {a.source or '-'} {a.title}: {a.shown()}" + ("" if a.complete else " (part)")
        for a in decoded.answers
    ]
    remarks = [f"! {r.line} {r.text}" for r in decoded.remarks]
    return answers + remarks + [f"? {x.line} {x.found}: {x.why}" for x in decoded.leftovers]


def hexed(data: bytes) -> str:
    return data.hex(" ").upper()


# --- the forms a line may have --------------------------------------------------------------------

SAME = [
    "41 0C 1A F8",
    "410C1AF8",
    "41 0c 1a f8",
    "41,0C,1A,F8",
    "41:0C:1A:F8",
    "41-0C-1A-F8",
    "0x41 0x0C 0x1A 0xF8",
    "  41\t0C  1A F8 \x00",
    ">41 0C 1A F8",
    "04 41 0C 1A F8",
    "04 41 0C 1A F8 AA AA AA",
    "7E8 04 41 0C 1A F8 00 00 00",
    "7E8 8 04 41 0C 1A F8 00 00 00",
    "7E804410C1AF8000000",
    "18 DA F1 10 04 41 0C 1A F8 00 00 00",
    "18DAF110 04 41 0C 1A F8 55 55 55",
    "18DAF11004410C1AF8555555",
    "(1627305219.036600) can1 7E8#04410C1AF8000000",
    "can0  7E8   [8]  04 41 0C 1A F8 00 00 00",
    " 0.060100 2  7E8             Rx   d 8 04 41 0C 1A F8 00 00 00",
    "      19         0.000 DT  2     07E8 Rx -  8    04 41 0C 1A F8 00 00 00",
    "48 6B 10 41 0C 1A F8 22",  # sum of the bytes before, ISO 9141-2
    "84 F1 11 41 0C 1A F8 E5",  # ISO 14230: length in the first byte, sum at the end
]


@pytest.mark.parametrize("line", SAME)
def test_one_answer_in_many_forms_is_one_answer(line: str) -> None:
    decoded = decode(line)
    assert [(a.title, a.text) for a in decoded.answers] == [("engine speed", "1726.00 rpm")]
    assert decoded.leftovers == ()
    assert decoded.remarks == ()


def test_a_whole_pasted_session_is_told_line_by_line() -> None:
    text = ">010C\r\nSEARCHING...\r\n41 0C 0B B8\r\n\r\n>03\r\nNO DATA\r\n>0902\r\n" + "\r\n".join(
        hexed(frame) for frame in payload_to_frames(VIN_BYTES, pad=0)
    )
    assert told(decode(text)) == [
        "1 - asked: service 01, 0C",
        "3 - engine speed: 750.00 rpm",
        "5 - asked: service 03",
        "7 - asked: service 09, 02",
        "8 - vehicle identification number: 1G4************41",
        "? 2 SEARCHING...: no bytes",
        "? 6 NO DATA: no bytes",
    ]


def test_words_before_an_answer_on_its_line_are_left_over_and_the_answer_is_read() -> None:
    for line in ("SEARCHING... 41 05 7B", "SEARCHING...41 05 7B", "SEARCHING...41057B"):
        assert told(decode(line)) == [
            "1 - coolant temperature: 83 °C",
            "? 1 SEARCHING...: no bytes",
        ]


def test_a_request_and_its_answer_on_one_line_are_two_things() -> None:
    assert told(decode("01 0C 41 0C 0B B8")) == [
        "1 - asked: service 01, 0C",
        "1 - engine speed: 750.00 rpm",
    ]
    assert told(decode("03 43 01 01 22")) == ["1 - asked: service 03", "1 - stored codes: P0122"]
    assert told(decode("02 05 00 42 05 00 7B"))[1] == "1 - coolant temperature: 83 °C"


def test_requests_on_the_bus_are_requests() -> None:
    assert told(decode("7DF 02 01 0C 00 00 00 00 00\n7E8 04 41 0C 0B B8 00 00 00")) == [
        "1 7DF asked: service 01, 0C",
        "2 7E8 engine speed: 750.00 rpm",
    ]


def test_several_parameters_in_one_answer_are_all_read() -> None:
    line = "7E8 10 0B 41 05 7B 0C 0B B8\n7E8 21 0D 28 11 26 2F AA AA"
    assert [f"{a.pid:02X} {a.text}" for a in decode(line).answers] == [
        "05 83 °C", "0C 750.00 rpm", "0D 40 km/h", "11 14.9 %",
    ]  # fmt: skip
    assert told(decode(line))[-1] == "! 1 fuel level (2F): 0 of 1 bytes, so not read"


def test_two_senders_are_kept_apart() -> None:
    ours = [f"7E8 {hexed(f)}" for f in payload_to_frames(VIN_BYTES)]
    other = [f"7E9 {hexed(f)}" for f in payload_to_frames(b"\x43\x04" + bytes.fromhex("0122" * 4))]
    mixed = [line for pair in zip(ours, [*other, ""], strict=True) for line in pair]
    assert told(decode("\n".join(mixed))) == [
        "1 7E8 vehicle identification number: 1G4************41",
        "2 7E9 stored codes: P0122, P0122, P0122, P0122",
    ]


# --- what cannot be read --------------------------------------------------------------------------

UNREAD = [
    ("41 0C 1G F8", '"1G" is no byte, so none of the line is read'),
    ("410C1AF", "an odd number of digits: which one is missing cannot be known"),
    ("41 0 0C 1A F8", '"0" is no whole byte, so none of the line is read'),
    ("43 NO DATA", "bytes with words behind them: the answer was broken off"),
    ("41 05 7B <DATA ERROR", "bytes with words behind them: the answer was broken off"),
    ("F8", "begins with F8: neither an answer nor a request read here"),
    ("123 41 05 7B", "identifier 123 is none of the standard's diagnosis"),
    ("0B4#0011", "no bytes"),
    ("48 6B 10 41 05 7B 85", "the checksum at its end does not fit: not read"),
    ("84 F1 11 41 05 7B 9C", "4 bytes said in the header, 3 there"),
    ("02 43 00", "asks for a freeze frame, or says no codes with its length byte: two readings"),
    ("00A", "three digits alone: a length, or an identifier, without bytes"),
    ("can0  7E8   [8]  04 41 0C 1A F8", "8 bytes said, 5 there"),
    ("٤١ ٠٥ ٧ب", "no bytes"),
    ("4１ ０5", "no bytes"),
]


@pytest.mark.parametrize(("line", "why"), UNREAD)
def test_what_is_not_certain_is_not_read_and_the_reason_is_said(line: str, why: str) -> None:
    decoded = decode(line)
    assert decoded.answers == ()
    assert [(x.found, x.why) for x in decoded.leftovers] == [(line, why)]


REMARKED = [
    ("41 0C 1A", "engine speed (0C): 1 of 2 bytes, so not read"),
    ("41 0C 1A F", "engine speed (0C): 1 of 2 bytes, so not read"),
    ("41", "cut off: an answer without its parameter"),
    ("42 0C", "cut off: an answer without its parameter"),
    ("43", "stored codes: cut off behind the service"),
    ("49", "cut off: an answer without its information type"),
    ("7F 01", "cut off: a refusal without what it refuses, or why"),
    ("7E8 62 00 01", "a first byte 62, which starts no frame: not read"),
    ("7E8 03 62 00 01", "begins with 62, which is no answer of these services"),
    ("7E8 21 41 42", "frame 1 without a first frame: not read"),
    ("22 47 31 31 38 33 34 31", "frame 2 without a first frame: not read"),
    ("7E8 00 00", "a single frame of length 0: not read"),
    ("43 01 22 01 23", "stored codes: neither a count with as many codes behind it nor three "
     "pairs, so no code is read (01 22 01 23)"),
    ("43 03 51 04", "stored codes: neither a count with as many codes behind it nor three pairs, "
     "so no code is read (03 51 04)"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "text"), REMARKED)
def test_what_is_cut_off_gives_no_answer(line: str, text: str) -> None:
    decoded = decode(line)
    assert decoded.answers == ()
    assert text in [r.text for r in decoded.remarks]


def test_a_first_frame_alone_gives_what_it_holds_and_says_what_is_missing() -> None:
    assert told(decode("7E8 10 08 43 03 21 11 01 22")) == [
        "1 7E8 stored codes: P2111, P0122; 1 more not read (part)",
        "! 1 stored codes: 3 said, 2 there: the others are not known",
        "! 1 frame 1 is missing: nothing behind it is read",
    ]


def test_padding_is_never_read_where_a_length_says_where_it_begins() -> None:
    for pad in ("00", "21", "AA", "FF"):
        line = f"7E8 04 43 01 01 22 {pad} {pad} {pad}"
        assert told(decode(line)) == ["1 7E8 stored codes: P0122"]
        line = f"7E8 03 41 05 7B {pad} {pad} {pad} {pad}"
        assert told(decode(line)) == ["1 7E8 coolant temperature: 83 °C"]


def test_without_a_length_what_may_be_padding_is_said_and_not_read() -> None:
    assert told(decode("41 05 7B 00 00 00 00")) == [
        "1 - coolant temperature: 83 °C",
        "! 1 4 bytes more than the answer has: not read (00 00 00 00)",
    ]
    assert told(decode("7E8 41 05 7B 00"))[1:] == [
        "! 1 no length byte behind the identifier: padding may be read too",
        "! 1 1 byte more than the answer has: not read (00)",
    ]
    # Three pairs of an older bus, or one code and filling: the first is read, the second said.
    older = told(decode("43 01 33 00 00 00 00"))
    assert older[0] == "1 - stored codes: P0133"
    assert "it says P3300" in older[1]


def test_a_length_behind_codes_that_disagrees_with_their_count_is_no_length() -> None:
    assert told(decode("04 43 01 01 22 00 00 00")) == ["1 - stored codes: P0122"]
    assert decode("04 43 02 01 22").answers == ()


def test_parts_of_an_older_bus_are_joined_by_their_numbers() -> None:
    filled = b"\0\0\0" + VIN.encode()
    parts = [f"49 02 0{n} {hexed(filled[4 * n - 4 : 4 * n])}" for n in range(1, 6)]
    whole = "vehicle identification number: 1G4************41"
    assert told(decode("\n".join(parts))) == [f"1 - {whole}"]
    swapped = [parts[0], parts[2], parts[1], *parts[3:]]
    assert told(decode("\n".join(swapped)))[0] == f"1 - {whole}"
    assert "! 3 part 2 out of order: put where its number says" in told(decode("\n".join(swapped)))
    lost = [*parts[:2], *parts[3:]]
    assert told(decode("\n".join(lost))) == [
        "1 - vehicle identification number: ***** (part)",
        "! 1 part 3 is missing: nothing behind it is read",
    ]
    different = [*parts, "49 02 05 58 58 58 58"]
    assert not decode("\n".join(different)).answers[0].complete


def test_a_line_longer_than_any_answer_is_said_to_be_one() -> None:
    line = "41 " + "05 7B " * 50_000
    assert told(decode(line)) == ["! 1 100001 bytes: longer than any answer of these services"]


def test_a_refusal_says_why() -> None:
    assert told(decode("7E8 03 7F 0A 11 00 00 00 00")) == [
        "1 7E8 service 0A refused: this service is not supported"
    ]
    assert "not known here" in told(decode("7F 01 99"))[0]
    assert "reason not read" in told(decode("7F 01 0C 00 00 11"))[0]


def test_what_the_table_does_not_know_is_shown_as_bytes() -> None:
    assert told(decode("41 A6 00 01 02 03")) == ["1 - parameter A6: not in the table: 00 01 02 03"]
    assert told(decode("46 01 02 03"))[0].startswith("1 - answer of service 06:")


# --- a VIN is not shown ---------------------------------------------------------------------------

CARRIERS = [
    hexed(VIN_BYTES),
    VIN_BYTES.hex(),
    "\n".join("7E8 " + hexed(f) for f in payload_to_frames(VIN_BYTES)),
    "\n".join("7E8 " + hexed(f) for f in payload_to_frames(VIN_BYTES)[1:]),
    "\n".join("7E8 " + hexed(f) for f in payload_to_frames(VIN_BYTES)[:2]),
    f"VIN: {VIN}",
    f"the car is {VIN.lower()}, thanks",
    "7E8 " + hexed(VIN_BYTES) + " NO DATA",
    hexed(VIN_BYTES)[:-1],
    VIN_BYTES.hex()[1:],
    f"41 05 {VIN} 41",
    f"41 {VIN.encode().hex()}5 41",
    "can0 123#" + VIN.encode()[-8:].hex(),
    "(1.0) can0 123#" + VIN.encode()[-8:].hex(),
    "62 F1 90 " + hexed(VIN.encode()),
]


@pytest.mark.parametrize("text", CARRIERS)
def test_the_end_of_a_vin_is_in_nothing_that_is_shown(text: str) -> None:
    decoded = decode(text)
    shown = json.dumps(decoded.to_json()) + str(told(decoded)[: len(decoded.answers)])
    shown += "".join(without_vins(x.found) for x in decoded.leftovers)
    shown += "".join(r.text for r in decoded.remarks)
    bare = shown.replace(" ", "").casefold()
    assert VIN[-6:] not in bare
    assert VIN.encode()[-6:].hex() not in bare


@pytest.mark.parametrize("text", CARRIERS)
def test_what_is_shown_of_a_vin_is_the_one_mask_of_the_house(text: str) -> None:
    """Two masks that hide different ends would together give the number away."""
    decoded = decode(text)
    shown = [a.shown() for a in decoded.answers if a.vin]
    shown += [without_vins(x.found) for x in decoded.leftovers if VIN in x.found.upper()]
    for words in shown:
        seen = words.upper()
        assert mask_vin(VIN) in seen or VIN[:4] not in seen
        assert VIN[3:15] not in seen
        assert not any(VIN[i : i + 4] in seen for i in range(3, 12))


def test_a_vin_is_shown_where_it_is_asked_for() -> None:
    decoded = decode(hexed(VIN_BYTES) + f"\nVIN {VIN}")
    assert decoded.to_json(show_vin=True)["answers"][0]["text"] == VIN
    assert decoded.to_json(show_vin=True)["not_read"][0]["found"] == f"VIN {VIN}"


def test_a_vin_of_wrong_signs_is_said_to_be_one() -> None:
    decoded = decode(hexed(b"\x49\x02\x01" + b"1G4AH59H45G11834I"))
    assert not decoded.answers[0].complete
    assert "signs that no VIN has" in decoded.remarks[0].text


# --- whatever is pasted ---------------------------------------------------------------------------

_BITS = """
41 42 43 44 47 49 4A 7F 01 02 03 09 0A 7E8 7E9 7DF 18DAF110 18 DA F1 10 48 6B 68 6A 0: 1: 2: F: 00A
014 > < NO DATA 1G O5 OC ... # [8] (1.5) can0 10 21 22 30 00 FF : 0x41
""".split()  # noqa: SIM905
_TOKENS = st.one_of(
    st.binary(min_size=1, max_size=9).map(hexed),
    st.binary(min_size=1, max_size=9).map(bytes.hex),
    st.sampled_from(_BITS),
    st.text(max_size=6),
)
_LINES = st.lists(_TOKENS, max_size=8).map(" ".join)
_TEXTS = st.one_of(st.text(), st.lists(_LINES, max_size=10).map("\n".join))


@given(_TEXTS)
@example("7E8")
@example(":" * 50)
@example("0:\n" * 50)
def test_nothing_that_is_pasted_raises(text: str) -> None:
    decoded = decode(text)
    json.dumps(decoded.to_json(), allow_nan=False)
    told(decoded)


@given(_LINES)
def test_no_line_is_dropped_silently(line: str) -> None:
    """Each line alone comes out as something, unless there is nothing on it but prompts."""
    decoded = decode(line)
    visible = "".join(c for c in line if c.isprintable() and c not in "\r\n")
    if visible.replace(">", "").strip():
        assert decoded.answers or decoded.remarks or decoded.leftovers, line


@given(st.binary(min_size=1, max_size=120))
def test_messages_over_frames_and_alone_say_the_same_of_what_both_can_know(payload: bytes) -> None:
    """With a length nothing is in doubt; without one less may be read, but never another value."""
    framed = decode("\n".join(f"7E8 {hexed(f)}" for f in payload_to_frames(payload, pad=0xAA)))
    bare = decode(hexed(payload))
    if payload[0] in (0x41, 0x42):
        values = [(a.pid, a.text) for a in framed.answers]
        assert [(a.pid, a.text) for a in bare.answers] == values[: len(bare.answers)]


DAMAGED = [
    *SAME,
    "7E8 06 43 02 21 11 01 22 AA",
    "43 21 11 01 22 00 00",
    "7E8 06 41 01 81 07 E5 E5 AA",
    "42 05 00 7B 0C 00 0B B8",
    "7E8 07 41 05 7B 0C 0B B8 AA",
]


def values(text: str) -> set[tuple[str, str]]:
    found = {(v.key, v.text) for a in decode(text).answers for v in a.values}
    return found | {("code", c) for a in decode(text).answers for c in a.codes}


@pytest.mark.parametrize("line", DAMAGED)
def test_a_line_that_lost_a_digit_or_its_end_never_gives_another_value(line: str) -> None:
    whole = values(line)
    assert whole
    for i, sign in enumerate(line):
        assert values(line[:i]) <= whole, line[:i]
        if sign in "0123456789abcdefABCDEF" and not line.startswith((" ", "(")):
            assert values(line[:i] + line[i + 1 :]) <= whole, line[:i] + line[i + 1 :]
