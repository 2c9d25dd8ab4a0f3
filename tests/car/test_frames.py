"""Frames of ISO 15765-2: whole messages from whole frames, and said what is missing."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.frames import (
    Consecutive,
    First,
    FlowControl,
    Message,
    Reassembly,
    Single,
    Unframed,
    bytes_to_frame,
    payload_to_frames,
)

# 20 bytes: a first frame and two consecutive ones.
VIN = tuple(
    bytes.fromhex(line) for line in ("1014490201314734", "2141483539483435", "2247313138333431")
)


def read(frames: list[bytes], source: str = "7E8") -> tuple[list[Message], list[str]]:
    work = Reassembly(source)
    found = [m for n, frame in enumerate(frames, start=1) for m in work.add(n, frame)]
    found += work.close()
    return found, [f"{r.line}: {r.text}" for r in work.remarks]


def test_each_frame_says_what_it_is() -> None:
    assert bytes_to_frame(bytes.fromhex("0341057B00000000")) == Single(3, b"\x41\x05\x7b")
    assert bytes_to_frame(VIN[0]) == First(20, VIN[0][2:], full=True)
    assert bytes_to_frame(VIN[1]) == Consecutive(1, VIN[1][1:])
    assert bytes_to_frame(bytes.fromhex("300000")) == FlowControl(0)
    assert bytes_to_frame(bytes.fromhex("000A") + bytes(range(10)) + b"\xcc" * 4) == Single(
        10, bytes(range(10))
    )
    escaped = bytes.fromhex("1000000010000102")
    assert bytes_to_frame(escaped) == First(4096, b"\x01\x02", full=True)
    for wrong in ("", "00", "0800", "10", "1007", "100000", "41057B", "000041057B0000000000"):
        assert isinstance(bytes_to_frame(bytes.fromhex(wrong)), Unframed), wrong


@given(st.binary(min_size=1, max_size=4095), st.sampled_from([None, 0x00, 0x55, 0xAA, 0xCC, 0xFF]))
def test_a_message_cut_into_frames_comes_back_whatever_fills_the_last(
    payload: bytes, pad: int | None
) -> None:
    messages, remarks = read(list(payload_to_frames(payload, pad=pad)))
    assert [(m.payload, m.complete, m.declared) for m in messages] == [
        (payload, True, len(payload))
    ]
    assert remarks == []


def test_a_message_has_a_length() -> None:
    for wrong in (b"", bytes(4096)):
        with pytest.raises(ValueError, match="4095"):
            payload_to_frames(wrong)


def test_frames_out_of_order_are_put_right_and_said() -> None:
    whole = VIN[0][2:] + VIN[1][1:] + VIN[2][1:]
    messages, remarks = read([VIN[0], VIN[2], VIN[1]])
    assert [(m.payload, m.complete) for m in messages] == [(whole, True)]
    assert remarks == [
        "3: frame 1 out of order: put where its number says",
    ]


def test_nothing_behind_a_missing_frame_is_handed_on() -> None:
    messages, remarks = read([VIN[0], VIN[2]])
    assert [(m.payload, m.complete) for m in messages] == [(VIN[0][2:], False)]
    assert remarks[-1] == "2: frame 1 is missing: nothing behind it is read"


def test_frames_that_never_came_are_named() -> None:
    messages, remarks = read([VIN[0]])
    assert not messages[0].complete
    assert remarks == ["1: frames 1, 2 are missing: nothing behind the first of them is read"]


def test_a_doubled_frame_counts_once_and_is_said() -> None:
    for frames in ([VIN[0], VIN[1], VIN[1], VIN[2]], [*VIN, VIN[2]]):
        messages, remarks = read(frames)
        assert [m.complete for m in messages] == [True]
        assert [r.partition(": ")[2] for r in remarks] in (
            ["frame 1 again: the second one left out"],
            ["frame 2 again: the second one left out"],
        )


def test_of_two_different_frames_with_one_number_neither_is_taken() -> None:
    other = b"\x21" + b"X" * 7
    messages, remarks = read([VIN[0], VIN[1], other, VIN[2]])
    assert [(m.payload, m.complete) for m in messages] == [(VIN[0][2:], False)]
    assert "3: two different frames 1: nothing from there on is read" in remarks
    # A third one does not make either of them right.
    messages, remarks = read([VIN[0], VIN[1], other, VIN[1], VIN[2]])
    assert [(m.payload, m.complete) for m in messages] == [(VIN[0][2:], False)]


def test_a_consecutive_frame_alone_is_not_read() -> None:
    assert read([VIN[1]]) == ([], ["1: frame 1 without a first frame: not read"])


def test_a_new_first_frame_of_the_same_sender_ends_the_message_before() -> None:
    messages, remarks = read([VIN[0], VIN[1], *VIN])
    assert [m.complete for m in messages] == [False, True]
    assert remarks == ["2: frame 2 is missing: nothing behind it is read"]


def test_without_headers_two_messages_that_run_into_each_other_are_not_mixed() -> None:
    """Two senders' frames in turn, no header: which frame belongs to whom cannot be known."""
    other = payload_to_frames(b"\x49\x02\x01" + b"B" * 17)
    frames = [frame for pair in zip(VIN, other, strict=True) for frame in pair]
    messages, remarks = read(frames, source="")
    assert {m.payload for m in messages} == {VIN[0][2:], other[0][2:]}
    assert not any(m.complete for m in messages)
    assert any("run into each other" in r for r in remarks)


def test_a_frame_that_was_cut_off_says_how_much_is_there() -> None:
    messages, remarks = read([bytes.fromhex("04410C1A")])
    assert [(m.payload, m.complete) for m in messages] == [(b"\x41\x0c\x1a", False)]
    assert remarks == ["1: cut off: 4 bytes said, 3 there"]
    messages, remarks = read([VIN[0], VIN[1], VIN[2][:5]])
    assert not messages[0].complete
    assert remarks == ["3: cut off: 20 bytes said, 17 there"]
    messages, remarks = read([VIN[0], VIN[1][:5], VIN[2]])
    assert (messages[0].payload, messages[0].complete) == (VIN[0][2:] + VIN[1][1:5], False)
    assert remarks == ["3: frame 1 is cut off"]


def test_a_huge_length_costs_nothing() -> None:
    messages, remarks = read([bytes.fromhex("1000FFFFFFFF0102")])
    assert [(m.payload, m.complete) for m in messages] == [(b"\x01\x02", False)]
    assert remarks[0].endswith("1, 2, 3, 4, 5, 6, 7, 8, … are missing: nothing behind the first "
                               "of them is read")  # fmt: skip


def test_flow_control_carries_nothing() -> None:
    messages, remarks = read([VIN[0], bytes.fromhex("300000"), *VIN[1:]])
    assert [m.complete for m in messages] == [True]
    assert remarks == ["2: flow control (go on): carries no data"]


@given(st.binary(min_size=8, max_size=60), st.randoms(use_true_random=False))
def test_any_order_of_a_message_s_frames_gives_the_message(payload: bytes, random: object) -> None:
    first, *rest = payload_to_frames(payload)
    random.shuffle(rest)  # type: ignore[attr-defined]
    messages, _ = read([first, *rest])
    assert [(m.payload, m.complete) for m in messages] == [(payload, True)]


@given(st.binary(min_size=8, max_size=110), st.data())
def test_a_message_is_whole_only_where_every_byte_is_its_own(
    payload: bytes, data: st.DataObject
) -> None:
    """Frames lost and doubled at will: what comes out is always a beginning of the message."""
    first, *rest = payload_to_frames(payload)
    kept = data.draw(st.lists(st.sampled_from(rest), max_size=2 * len(rest)))
    messages, _ = read([first, *kept])
    assert len(messages) == 1
    assert payload.startswith(messages[0].payload)
    assert messages[0].complete == (messages[0].payload == payload)


@given(st.lists(st.binary(max_size=70), max_size=12), st.sampled_from(["", "7E8"]))
def test_no_bytes_raise_and_each_frame_is_read_or_remarked(
    frames: list[bytes], source: str
) -> None:
    messages, remarks = read(frames, source)
    spoken = {n for m in messages for n in m.lines} | {int(r.partition(":")[0]) for r in remarks}
    assert spoken == set(range(1, len(frames) + 1))


def test_numbered_lines_wrap_after_fifteen() -> None:
    payload = bytes(range(6 + 7 * 20))
    parts = [payload[:6], *(payload[i : i + 7] for i in range(6, len(payload), 7))]
    work = Reassembly("")
    found = list(
        itertools.chain.from_iterable(
            work.add_numbered(n + 1, n % 16, part, len(payload) if n == 0 else None)
            for n, part in enumerate(parts)
        )
    )
    assert [(m.payload, m.complete) for m in found] == [(payload, True)]
    assert work.remarks == []
