"""How often a complaint came, as people type it, and what is said of a clean drive."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.nasty import channel, recording, with_gap, without, zoo
from verify.errors import UserError
from verify.evidence.exposure import (
    Basis,
    Complaint,
    clean_amount,
    exposure,
    parse_complaint,
    rate_bound,
    share_bound,
    tries_needed,
)
from verify.words import Verdict

TYPED = {
    "every 60 km": (1, 60, "km"),
    "Every 60km": (1, 60, "km"),
    "about every 60 km": (1, 60, "km"),
    "once every 40 miles": (1, 40, "mi"),
    "once per 100 km": (1, 100, "km"),
    "every 20 min": (1, 20, "min"),
    "every 1,5 h": (1, 1.5, "h"),
    "3 times an hour": (3, 1, "h"),
    "every 90 s": (1, 1.5, "min"),
    "twice a day": (2, 1, "day"),
    "2x per day": (2, 1, "day"),
    "daily": (1, 1, "day"),
    "every other day": (1, 2, "day"),
    "once a week": (1, 7, "day"),
    "3 times a month": (3, 30, "day"),
    "every 3 starts": (1, 3, "starts"),
    "every third start": (1, 3, "starts"),
    "1 in 20 presses": (1, 20, "presses"),
    "1/20 presses": (1, 20, "presses"),
    "three times in 20 starts": (3, 20, "starts"),
    "2 of 10 cold starts": (2, 10, "cold starts"),
    "every time": (1, 1, "times"),
    "always": (1, 1, "times"),
    "every press": (1, 1, "presses"),
}


@pytest.mark.parametrize("text", TYPED)
def test_what_people_type(text: str) -> None:
    found = parse_complaint(text)
    assert (found.times, found.per, found.unit) == TYPED[text]
    assert found.text == text


@pytest.mark.parametrize(
    "text",
    ["", "   ", "sometimes", "once in a while", "every", "60 km", "every 0 km", "every -3 km",
     "every 60 V", "every 5 m", "5 in 3 starts", "every 2.5 starts", "every nan km",
     "every 1e9 km", "every 99999999 km", "every km every km", "\x1b[31m", "every 3 bananas"],
)  # fmt: skip
def test_what_is_asked_back(text: str) -> None:
    with pytest.raises(UserError) as refused:
        parse_complaint(text)
    problem = refused.value.problems[0]
    assert "every 60 km" in problem.expected
    assert problem.next


@given(st.text(max_size=60))
def test_no_text_breaks_it(text: str) -> None:
    try:
        found = parse_complaint(text)
    except UserError:
        return
    assert 0.0 < found.every < math.inf


@given(st.sampled_from(["km", "mi", "min", "h"]), st.integers(1, 5000))
def test_every_so_much_is_taken_as_typed(unit: str, amount: int) -> None:
    assert parse_complaint(f"every {amount} {unit}").every == amount


def test_short_of_it_is_undecided_and_says_how_much_more() -> None:
    proof = exposure(parse_complaint("every 60 km"), 50.0)
    assert proof.verdict is Verdict.UNDECIDED
    assert "43 of 100" in proof.why
    assert proof.settle.startswith("130 more km without it, under the heat and load it came with")
    assert "180 km" in proof.settle


def test_enough_is_a_pass_under_the_same_conditions() -> None:
    proof = exposure(parse_complaint("1 in 20 presses"), 59)
    assert proof.verdict is Verdict.PASS
    assert proof.more == 0.0
    assert proof.settle == ""
    assert "under the heat and load it came with" in proof.why
    assert exposure(parse_complaint("1 in 20 presses"), 58).verdict is Verdict.UNDECIDED


def test_twenty_clean_presses_leave_14_of_100() -> None:
    proof = exposure(parse_complaint("every 3 presses"), 20)
    assert proof.bound == pytest.approx(0.139, abs=5e-4)
    assert "13.9 of 100 presses" in proof.why


def test_what_came_again_fails() -> None:
    proof = exposure(parse_complaint("every 60 km"), 500.0, seen=2)
    assert proof.verdict is Verdict.FAIL
    assert "came again: 2 times" in proof.why


def test_nothing_driven_proves_nothing() -> None:
    for text in ("every 60 km", "twice a day", "every time", "1 in 3 starts"):
        proof = exposure(parse_complaint(text), 0)
        assert proof.verdict is Verdict.UNDECIDED
        assert proof.more == proof.needed > 0.0
        assert json.loads(json.dumps(proof.to_json(), allow_nan=False))["verdict"] == "undecided"


def test_days_become_km_by_what_the_customer_drives() -> None:
    by_road = parse_complaint("twice a day").over_distance(40.0)
    assert (by_road.every, by_road.unit, by_road.basis) == (20.0, "km", Basis.DISTANCE)
    with pytest.raises(ValueError):
        parse_complaint("every 60 km").over_distance(40.0)
    with pytest.raises(ValueError):
        parse_complaint("twice a day").over_distance(0.0)


@given(st.floats(0.0, 1e4), st.floats(0.0, 1e4))
def test_more_clean_driving_never_proves_less(one: float, other: float) -> None:
    complaint = Complaint(1.0, 60.0, "km", Basis.DISTANCE)
    less, more = (exposure(complaint, x) for x in sorted((one, other)))
    assert more.by_luck <= less.by_luck
    assert more.bound <= less.bound
    assert more.more <= less.more
    assert less.verdict is not Verdict.PASS or more.verdict is Verdict.PASS


@given(st.floats(0.5, 5000.0))
def test_what_is_asked_for_is_enough(every: float) -> None:
    complaint = Complaint(1.0, every, "km", Basis.DISTANCE)
    needed = exposure(complaint, 0.0).needed
    assert exposure(complaint, needed).verdict is Verdict.PASS
    assert exposure(complaint, needed * 0.999).verdict is Verdict.UNDECIDED


def test_numbers_that_are_none_are_refused() -> None:
    complaint = parse_complaint("every 60 km")
    tries = parse_complaint("every 3 starts")
    for bad in (-1.0, math.nan, math.inf):
        with pytest.raises(ValueError):
            exposure(complaint, bad)
    for call in (
        lambda: exposure(tries, 2.5),
        lambda: exposure(tries, 2, seen=3),
        lambda: exposure(complaint, 1.0, sure=1.0),
        lambda: share_bound(3, 2),
        lambda: rate_bound(-1, 2.0),
        lambda: tries_needed(0.0),
        lambda: Complaint(0.0, 1.0, "km", Basis.DISTANCE),
        lambda: Complaint(3.0, 2.0, "starts", Basis.TRIES),
        lambda: Complaint(1.0, math.nan, "km", Basis.DISTANCE),
    ):
        with pytest.raises(ValueError):
            call()


def test_what_a_recording_shows_is_counted_in_the_complaints_unit() -> None:
    """10 min at 60 km/h are 10 km or 6.21 mi; a gap counts for nothing; the same file once."""
    times = np.arange(0.0, 601.0)
    made = recording(
        [
            channel("vehicle_speed", times, np.full(len(times), 60.0), 0.0),
            channel("engine_speed", times, np.where(times < 300.0, 2000.0, 0.0)),
        ]
    )
    assert clean_amount(parse_complaint("every 60 km"), [made]) == pytest.approx(10.0)
    assert clean_amount(parse_complaint("every 60 km"), [made, made]) == pytest.approx(10.0)
    assert clean_amount(parse_complaint("every 40 mi"), [made]) == pytest.approx(6.2137, abs=1e-4)
    assert clean_amount(parse_complaint("every 20 min"), [made]) == pytest.approx(299 / 60)
    assert clean_amount(parse_complaint("every 2 h"), [made]) == pytest.approx(299 / 3600)
    cut = with_gap(made, 100.0, 220.0)
    assert clean_amount(parse_complaint("every 60 km"), [cut]) == pytest.approx(8.0, abs=0.05)
    assert clean_amount(parse_complaint("twice a day"), [made]) is None
    assert clean_amount(parse_complaint("every 3 starts"), [made]) is None
    assert clean_amount(parse_complaint("every 60 km"), [without(made, "vehicle_speed")]) is None


@pytest.mark.parametrize("name", zoo())
def test_nasty_recordings_count_as_no_more_than_they_last(name: str) -> None:
    made = zoo()[name]
    for text, most in (
        ("every 60 km", 255.0 * made.seconds / 3600),
        ("every 20 min", made.seconds),
    ):
        found = clean_amount(parse_complaint(text), [made])
        assert found is None or 0.0 <= found <= most + 1e-9
