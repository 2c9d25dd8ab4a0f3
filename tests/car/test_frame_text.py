"""A freeze frame typed or decoded: the same frame, and nothing dropped silently.

The layout of a reply (42, parameter, frame, data) is that of SAE J1979 / ISO 15031-5 as
tests/outside/test_parameters_published.py has it from published examples.
"""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.frame_text import FrameRead, frame_from_text
from verify.car.freeze_frame import FreezeFrame, Revisit, propose
from verify.errors import UserError

REPLIES = ("42 02 00 05 07", "42 0D 00 3E", "42 0C 00 1D B0", "42 04 00 59", "42 05 00 80")
TYPED = "code P0507, speed 62 km/h, rpm 1900, load 34.902 %, coolant 88 °C"


def values(frame: FreezeFrame) -> tuple[object, ...]:
    load = round(frame.load_pct, 2) if frame.load_pct is not None else None
    return (frame.code, frame.speed_kmh, frame.rpm, load, frame.coolant_c)


@pytest.mark.parametrize("joint", ["; ", ";", "\n", " ;\n"])
@pytest.mark.parametrize("header", ["", "7E8 "])
def test_pasted_replies_are_the_frame_that_was_typed(joint: str, header: str) -> None:
    pasted = joint.join(header + reply for reply in REPLIES)
    assert values(frame_from_text(pasted).frame) == values(frame_from_text(TYPED).frame)
    proposal = propose(frame_from_text(pasted).frame, speed_limit_kmh=100)
    assert proposal.kind is Revisit.DRIVE
    assert proposal.words.startswith("steady 55–65 km/h in a high gear, about 1,900 rpm")


def test_the_code_of_the_published_example_stored_the_frame() -> None:
    """42 02 00 21 12 = a frame stored by P2112 (SAE J1979)."""
    assert frame_from_text("42 02 00 21 12").frame == FreezeFrame("P2112")


def test_two_zero_bytes_are_no_frame() -> None:
    frame = frame_from_text("42 02 00 00 00").frame
    words = propose(frame, speed_limit_kmh=100).words
    assert words == "No drive follows from it: no freeze frame is stored."


def test_what_a_frame_does_not_need_and_what_was_cut_off_is_said() -> None:
    found = frame_from_text("42 0C 00 1D B0; 42 42 00 37 DC; 42 0D 00")
    assert found.frame == FreezeFrame(rpm=1900)
    assert any("control module voltage" in note for note in found.notes)
    assert any("0 of 1 byte" in note for note in found.notes)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("42 0C 00 1D B0; 41 0D 3E", "not of a freeze frame"),
        ("42 0C 00 1D B0; 42 0C 01 0B B8", "several freeze frames"),
        ("7E8 04 42 0D 00 3E; 7E9 04 42 0D 00 3E", "several modules"),
        ("42 0C 00 1D B0; 42 0C 00 0B B8", "engine speed twice"),
        ("42 02 00 05 07; 42 02 00 21 12", "twice"),
        ("42 0C 00 1D B0; hello 99", "hello"),
        ("42 0C 00", "value of a freeze frame"),
        ("speed fast", "fast"),
        ("", "nothing"),
    ],
)
def test_what_is_not_one_frame_of_one_module_is_refused(text: str, says: str) -> None:
    if not text:
        assert frame_from_text(text) == FrameRead(FreezeFrame())
        return
    with pytest.raises(UserError, match=says):
        frame_from_text(text)


@given(st.integers(0, 0xFFFF), st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
def test_every_value_of_the_four_parameters_comes_back(
    rpm: int, speed: int, load: int, coolant: int
) -> None:
    """rpm = N/4, km/h = N, load = 100 N/255, °C = N − 40 (SAE J1979)."""
    text = f"42 0C 00 {rpm >> 8:02X} {rpm & 255:02X}; 42 0D 00 {speed:02X}; 42 04 00 {load:02X}; "
    frame = frame_from_text(text + f"42 05 00 {coolant:02X}").frame
    assert (frame.rpm, frame.speed_kmh) == (rpm / 4, speed)
    assert frame.load_pct == pytest.approx(100 * load / 255)
    assert frame.coolant_c == coolant - 40


@given(st.text(alphabet="0123456789ABCDEF42 ;:,codespm\n", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(UserError):
        assert isinstance(frame_from_text(text).frame, FreezeFrame)
