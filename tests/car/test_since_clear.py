"""Counters since the clear against the drive: covers, does not cover, or too close to tell."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.since_clear import (
    FINDINGS,
    Counters,
    Drive,
    between_odometers,
    cleared_since,
    covers_drive,
)
from verify.car.whole_counts import Span, counter_span
from verify.errors import UserError
from verify.quantity import Quantity, parse
from verify.words import Verdict


def km(text: str) -> Quantity:
    return parse(text, expect="km")


@pytest.mark.parametrize(
    ("counters", "drive", "finding"),
    [
        (Counters(distance_km=40), Drive(Span(24, 26)), "covers"),
        (Counters(distance_km=27), Drive(Span(24, 26)), "covers"),
        (Counters(distance_km=26), Drive(Span(24, 26)), "too-close"),
        (Counters(distance_km=23), Drive(Span(24, 26)), "too-close"),
        (Counters(distance_km=22), Drive(Span(24, 26)), "does-not-cover"),
        (Counters(distance_km=0), Drive(Span(24, 26)), "does-not-cover"),
        (Counters(minutes=45), Drive(minutes=Span(30, 30)), "covers"),
        (Counters(minutes=30), Drive(minutes=Span(30, 30)), "too-close"),
        (Counters(minutes=3), Drive(minutes=Span(30, 30)), "does-not-cover"),
        # Time, which counts the idle before the drive, settles a distance that is too close.
        (Counters(25, 45), Drive(Span(24, 26), Span(30, 30)), "covers"),
        # Cleared after the drive, then left idling: time alone would have covered it.
        (Counters(2, 45), Drive(Span(24, 26), Span(30, 30)), "does-not-cover"),
        # From cold: without a warm-up since the clear, the clear came later.
        (Counters(40, warm_ups=0), Drive(Span(24, 26), warm_ups=1), "does-not-cover"),
        (Counters(40, warm_ups=1), Drive(Span(24, 26), warm_ups=1), "covers"),
        # Warm-ups alone prove nothing.
        (Counters(warm_ups=5), Drive(Span(24, 26), warm_ups=1), "nothing-to-compare"),
        (Counters(warm_ups=0), Drive(warm_ups=1), "does-not-cover"),
        (Counters(warm_ups=1), Drive(warm_ups=1), "nothing-to-compare"),
        (Counters(warm_ups=255), Drive(warm_ups=1), "nothing-to-compare"),
        (Counters(warm_ups=0), Drive(), "nothing-to-compare"),
        (Counters(40, warm_ups=0), Drive(Span(24, 26)), "covers"),
        # Part of the drive was not seen: it can only contradict.
        (Counters(40), Drive(Span(24, float("inf"))), "too-close"),
        (Counters(22), Drive(Span(24, float("inf"))), "does-not-cover"),
        (Counters(65535), Drive(Span(24, float("inf"))), "too-close"),
        (Counters(), Drive(Span(24, 26), Span(30, 30)), "nothing-to-compare"),
        (Counters(40, 45, 3), Drive(), "nothing-to-compare"),
        # At their ends the counters say "at least".
        (Counters(65535), Drive(Span(70000, 70000)), "too-close"),
        (Counters(65535), Drive(Span(65000, 65535)), "covers"),
    ],
)
def test_counters_cover_the_drive_or_do_not_or_nobody_can_tell(
    counters: Counters, drive: Drive, finding: str
) -> None:
    found = covers_drive(counters, drive)
    assert found.finding == finding
    assert found.verdict is FINDINGS[finding]
    assert bool(found.settle) is (found.verdict is Verdict.UNDECIDED)


def test_every_finding_belongs_to_a_verdict_and_all_three_are_there() -> None:
    assert set(FINDINGS.values()) == set(Verdict)


def test_a_saturated_counter_is_said_to_be_one() -> None:
    (why, _) = covers_drive(Counters(65535), Drive(Span(10, 12))).why
    assert why.startswith("at least 65535 km")
    assert "at its end" in why
    said = covers_drive(Counters(100, warm_ups=255), Drive(Span(10, 12), warm_ups=1)).why[-1]
    assert said.startswith("at least 255")


def test_warm_ups_say_what_they_are_worth() -> None:
    def said(count: int, shown: int) -> str:
        return covers_drive(Counters(100, warm_ups=count), Drive(Span(9, 9), warm_ups=shown)).why[2]

    assert said(0, 1).endswith("does not cover")
    assert said(1, 1).endswith("agrees, which alone proves nothing")
    for count in (0, 1, 255):
        assert "decide nothing: no complete warm-up is known" in said(count, 0)
    assert said(255, 0).startswith("at least 255")


def test_a_drive_that_was_not_all_seen_is_said_to_be_at_least_so_long() -> None:
    (why, _) = covers_drive(Counters(40), Drive(Span(24, float("inf")))).why
    assert "a drive of at least 24 km" in why
    assert "at most is not known" in why


def test_what_would_not_show_is_said() -> None:
    why = covers_drive(Counters(25), Drive(Span(24, 26))).why[0]
    assert "a clear in its first 2 km would not show" in why


@given(st.floats(0, 200), st.floats(0, 200), st.integers(0, 1), st.floats(0, 1))
def test_no_clear_is_missed_and_no_drive_is_blamed_beyond_the_whole_kilometres(
    clear_at: float, length: float, rounding: int, offset: float
) -> None:
    """The clear simulated: a counter cut off or rounded, odometers cut off, from any start."""
    driven_since = max(length - clear_at, 0.0) if clear_at > 0 else length + offset
    counter = int(driven_since + 0.5) if rounding else int(driven_since)
    start = 12345 + offset
    drive = between_odometers(km(f"{int(start)} km"), km(f"{int(start + length)} km"))
    assert drive.low <= length <= drive.high
    found = covers_drive(Counters(counter), Drive(drive)).verdict
    if clear_at > 0 and clear_at <= length:
        assert found is not Verdict.PASS or driven_since >= length - 1e-9
    if clear_at <= 0:
        assert found is not Verdict.FAIL


def test_odometers_in_miles_and_backwards() -> None:
    span = between_odometers(km("12345.0 mi"), km("12360.5 mi"))
    assert span.low == pytest.approx(15.4 * 1.609344)
    assert span.high == pytest.approx(15.6 * 1.609344)
    with pytest.raises(UserError, match="backwards"):
        between_odometers(km("12360 km"), km("12345 km"))
    with pytest.raises(UserError):
        between_odometers(parse("12 min", expect="min"), km("12345 km"))


def test_a_clear_that_was_only_told_of_is_found_out() -> None:
    since = Span(4, 6)
    assert cleared_since(Counters(5), since) is True
    assert cleared_since(Counters(7), since) is True, "within the whole kilometre"
    assert cleared_since(Counters(8), since) is False
    assert cleared_since(Counters(65535), since) is False
    assert cleared_since(Counters(), since) is None


@pytest.mark.parametrize("values", [(-1, None, None), (65536, None, None), (None, None, 256)])
def test_what_no_counter_carries_is_refused(values: tuple[int | None, ...]) -> None:
    with pytest.raises(ValueError, match="between 0"):
        Counters(*values)


def test_counters_are_open_by_their_last_place() -> None:
    for value, full in itertools.product((0, 1, 254), (255,)):
        span = counter_span(value, full)
        assert span.low == max(value - 1, 0)
        assert span.high == value + 1
