"""The freeze frame: typed or decoded, the drive back to it, and what counts as similar.

Windows: 13 CCR 1968.2, 375 rpm and 20 % (from memory); 10 % in makers' texts of 2003 to 2006
(seen); warm at 160 °F (second-hand).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.freeze_frame import (
    NAMES,
    WARM_C,
    FreezeFrame,
    Proposal,
    Revisit,
    frame_from_parameters,
    frame_from_typed,
    propose,
    similar,
)
from verify.errors import UserError

CRUISE = FreezeFrame("P0171", speed_kmh=64, rpm=1912, load_pct=31, coolant_c=88)


def drive(frame: FreezeFrame, limit: float = 100, **more: object) -> Proposal:
    return propose(frame, speed_limit_kmh=limit, **more)  # type: ignore[arg-type]


def test_the_drive_in_plain_words() -> None:
    found = drive(CRUISE, for_code="p0171")
    assert found.kind is Revisit.DRIVE
    assert found.words == "steady 60–70 km/h in a high gear, about 1,900 rpm, light load, warm"
    assert found.window == "1537 to 2287 rpm, load 11 to 51 %, warm (coolant at least 71.1 °C)"
    assert found.cautions == ()
    assert drive(CRUISE, load_window_pct=10).window.startswith("1537 to 2287 rpm, load 21 to 41 %")


def test_the_drive_in_us_units() -> None:
    found = drive(CRUISE, system="us")
    assert found.words == "steady 35–45 mph in a high gear, about 1,900 rpm, light load, warm"
    assert found.window.endswith("(coolant at least 160 °F)")


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (FreezeFrame(speed_kmh=90, rpm=3600, load_pct=85, coolant_c=90), "in a middle gear"),
        (FreezeFrame(speed_kmh=90, rpm=3600, load_pct=85, coolant_c=90), "heavy load"),
        (FreezeFrame(speed_kmh=20, rpm=2500, load_pct=55, coolant_c=90), "in a low gear"),
        (FreezeFrame(speed_kmh=20, rpm=2500, load_pct=55, coolant_c=90), "medium load"),
        (FreezeFrame(speed_kmh=50, rpm=1500, load_pct=30, coolant_c=20), "cold, from a start"),
        (FreezeFrame(speed_kmh=6, rpm=1000, load_pct=30, coolant_c=80), "crawl at up to 10 km/h"),
    ],
)
def test_gears_loads_and_temperatures_have_words(frame: FreezeFrame, words: str) -> None:
    found = drive(frame)
    assert found.kind is Revisit.DRIVE
    assert words in found.words


@pytest.mark.parametrize(
    ("frame", "more", "kind", "words"),
    [
        (FreezeFrame(rpm=0, speed_kmh=0, load_pct=0, coolant_c=20), {}, "none", "was not running"),
        (FreezeFrame(rpm=0), {}, "none", "was not running"),
        (FreezeFrame(rpm=0, speed_kmh=80), {}, "none", "Do not try to repeat it"),
        (FreezeFrame(speed_kmh=0, rpm=720, load_pct=25, coolant_c=90), {}, "stand", "let it idle"),
        (FreezeFrame(speed_kmh=0, rpm=720, load_pct=60, coolant_c=90), {}, "stand", "blower on"),
        (FreezeFrame(speed_kmh=0, rpm=1400, load_pct=25, coolant_c=10), {}, "stand", "cold start"),
        (FreezeFrame(speed_kmh=0, rpm=2500, load_pct=25, coolant_c=90), {}, "stand", "2,500 rpm"),
        (FreezeFrame("P0300", 160, 4200, 60, 95), {"limit": 130}, "none", "No lawful drive"),
        (CRUISE, {"limit": 50}, "none", "No lawful drive"),
        (CRUISE, {"limit": 63.9}, "none", "No lawful drive"),
        (CRUISE, {"limit": 64}, "drive", "steady 59–64 km/h"),
        (CRUISE, {"for_code": "P2111"}, "none", "stored by P0171, not by P2111"),
        (FreezeFrame("0000"), {"for_code": "P0171"}, "none", "no freeze frame is stored"),
        (FreezeFrame("P0000"), {}, "none", "no freeze frame is stored"),
        (FreezeFrame(), {}, "none", "engine speed, road speed, load and coolant temperature are"),
        (FreezeFrame(speed_kmh=60, rpm=1900, load_pct=30), {}, "none", "coolant temperature is"),
        (FreezeFrame(speed_kmh=60, load_pct=30, coolant_c=90), {}, "none", "engine speed is"),
    ],
)
def test_where_no_drive_goes_back_it_is_said(
    frame: FreezeFrame, more: dict[str, object], kind: str, words: str
) -> None:
    found = drive(frame, **more)  # type: ignore[arg-type]
    assert found.kind == kind
    assert words in found.words


def test_a_frame_whose_code_was_not_read_is_offered_with_that_caution() -> None:
    unread = FreezeFrame("", 64, 1912, 31, 88)
    found = drive(unread, for_code="P0171")
    assert found.kind is Revisit.DRIVE
    assert "not read" in found.cautions[0]


@given(
    st.floats(0.5, 255),
    st.floats(1, 16000),
    st.floats(0, 100),
    st.floats(-40, 215),
    st.integers(5, 140),
    st.sampled_from(["metric", "us"]),
)
def test_no_proposal_is_faster_than_the_law(
    speed: float, rpm: float, load: float, coolant: float, limit: int, system: str
) -> None:
    found = drive(FreezeFrame("", speed, rpm, load, coolant), limit, system=system)
    if found.kind is Revisit.DRIVE:
        assert speed <= limit
        scale = 1.609344 if system == "us" else 1.0
        numbers = found.words.split(" km/h" if system == "metric" else " mph")[0]
        high = float(numbers.replace("–", " ").split()[-1])
        assert 0 < high * scale <= limit + 1e-9
    else:
        assert speed > limit


@pytest.mark.parametrize("more", [{"limit": 0}, {"limit": float("nan")}, {"load_window_pct": 0}])
def test_senseless_settings_are_refused(more: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        drive(CRUISE, **more)


def test_typed_values_with_units_and_those_not_read() -> None:
    frame = frame_from_typed(
        {
            "speed": "40 mph",
            "rpm": "1912",
            "load": "31 %",
            "coolant": "190 °F",
            "trim_short_1": "-3,1",
            "pressure": "-",
            "throttle": "not read",
        },
        " p0171 ",
    )
    assert frame.code == "P0171"
    assert frame.speed_kmh == pytest.approx(64.37376)
    assert frame.coolant_c == pytest.approx(87.7778, abs=1e-4)
    assert frame.trim_short_1_pct == -3.1
    assert frame.pressure_kpa is None
    assert frame.throttle_pct is None
    assert frame.warm is True
    assert frame.to_json()["code"] == "P0171"


def test_every_wrong_value_is_named_at_once() -> None:
    with pytest.raises(UserError) as error:
        frame_from_typed({"sped": "60", "rpm": "20000", "load": "31 km/h", "coolant": "warm"})
    text = str(error.value)
    assert len(error.value.problems) == 4
    assert 'write "speed"' in text
    assert "16383.8" in text or "16383" in text


def test_decoded_values_by_parameter_number() -> None:
    # SAE J1979 service 01 examples: 0C 1A F8 = 1726 rpm, 0D 28 = 40 km/h, 05 7B = 83 °C,
    # 04 40 = 25.098 %, 06 85 = +3.906 %, 0B 21 = 33 kPa. 0x42 is none of a frame's fields here.
    frame = frame_from_parameters(
        {0x0C: 1726, 0x0D: 40, 0x05: 83, 0x04: 25.098, 0x06: 3.906, 0x0B: 33, 0x42: 14.1}, "P2112"
    )
    assert frame == FreezeFrame(
        "P2112",
        40,
        1726,
        25.098,
        83,
        trim_short_1_pct=3.906,
        pressure_kpa=33,
    )
    assert {v.pid for v in NAMES.values()} == {4, 5, 6, 7, 8, 9, 0x0B, 0x0C, 0x0D, 0x11}
    with pytest.raises(ValueError, match="finite"):
        frame_from_parameters({0x0C: math.nan})


@pytest.mark.parametrize(
    ("rpm", "load", "coolant", "window", "want"),
    [
        (1912 + 375, 31 + 20, 72, 20, True),
        (1912 - 375, 31 - 20, 215, 20, True),
        (1912 + 376, 31, 88, 20, False),
        (1912, 51.1, 88, 20, False),
        (1912, 42, 88, 10, False),
        (1912, 41, 88, 10, True),
        (1912, 31, 71, 20, False),
        (None, 31, 88, 20, None),
        (1912, math.nan, 88, 20, None),
        (1912, 31, None, 20, None),
        (4000, None, None, 20, False),
    ],
)
def test_similar_conditions(
    rpm: float | None, load: float | None, coolant: float | None, window: float, want: bool | None
) -> None:
    assert similar(CRUISE, rpm, load, coolant, load_window_pct=window) is want


def test_warm_is_160_degrees_fahrenheit() -> None:
    assert pytest.approx(71.1, abs=0.05) == WARM_C
    assert similar(FreezeFrame(), 1900, 30, 90) is None
