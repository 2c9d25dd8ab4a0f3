"""A clear that was told of, held against the car's counters: it only ever takes a pass away."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.since_clear import Counters, Drive, covers_drive
from verify.car.told_clear import EARLIER_MIN, MOST_KMH, ToldClear, beyond, most_since, with_clear
from verify.car.whole_counts import Span
from verify.words import Verdict

HOUR = ToldClear(60.0)
NONE = Drive()


@pytest.mark.parametrize(
    ("counters", "says"),
    [
        (Counters(), ()),
        (Counters(150, 80, 3), ()),
        (Counters(400), ("400 km",)),
        (Counters(minutes=92), ("92 min with the engine running",)),
        (Counters(minutes=91), ()),
        (Counters(warm_ups=6), ("6 warm-ups",)),
        (Counters(65535, 65535, 255), ("at least 65535 km", "at least 65535 min with the engine "
                                       "running", "255 warm-ups")),
    ],
)  # fmt: skip
def test_what_does_not_fit_into_an_hour(counters: Counters, says: tuple[str, ...]) -> None:
    assert beyond(counters, HOUR, NONE) == says


def test_a_recorded_drive_after_the_clear_says_better_how_far_it_can_have_been() -> None:
    drive = Drive(Span(9, 10), Span(40, 45))
    loose, tight = most_since(HOUR, drive), most_since(ToldClear(60.0, True), drive)
    assert isinstance(loose.distance_km, Span)
    assert isinstance(tight.distance_km, Span)
    assert loose.distance_km.high == pytest.approx(MOST_KMH * (60 + EARLIER_MIN) / 60)
    assert tight.distance_km.high == pytest.approx(10 + MOST_KMH * (90 - 40) / 60)
    unseen = most_since(ToldClear(60.0, True), Drive(Span(9, float("inf")), Span(40, 45)))
    assert unseen.distance_km == loose.distance_km


def test_a_clear_lies_in_the_past_and_comes_back_as_it_was_stored() -> None:
    for wrong in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="past"):
            ToldClear(wrong)
    assert ToldClear.from_json(HOUR.to_json()) == HOUR


COUNTERS = st.builds(
    Counters,
    st.none() | st.integers(0, 65535),
    st.none() | st.integers(0, 65535),
    st.none() | st.integers(0, 255),
)
SPANS = st.none() | st.tuples(st.floats(0, 500), st.floats(0, 50)).map(
    lambda p: Span(p[0], p[0] + p[1])
)


@given(COUNTERS, st.builds(Drive, SPANS, SPANS), st.floats(0, 1e6), st.booleans())
def test_it_never_makes_a_pass_and_never_excuses_a_fail(
    counters: Counters, drive: Drive, minutes: float, after: bool
) -> None:
    proof = covers_drive(counters, drive)
    clear = ToldClear(minutes, after)
    held = with_clear(proof, counters, clear, drive)
    if held.verdict is Verdict.PASS:
        assert proof.verdict is Verdict.PASS
        assert beyond(counters, clear, drive) == ()
    assert (held.verdict is Verdict.FAIL) is (proof.verdict is Verdict.FAIL)
    assert bool(held.settle) is (held.verdict is Verdict.UNDECIDED)


@given(
    st.floats(0, 600),
    st.floats(0, 30),
    st.floats(0, 1),
    st.floats(0, 120),
    st.integers(0, 1),
)
def test_a_clear_that_did_happen_is_never_doubted(
    since: float, earlier: float, running: float, speed: float, rounding: int
) -> None:
    """The car simulated: cleared up to half an hour before the question, driven since as fast as
    the law lets it, its counters cut off or rounded."""
    minutes = (since + earlier) * running
    km = speed * minutes / 60
    counted = [int(x + 0.5) if rounding else int(x) for x in (km, minutes)]
    counters = Counters(counted[0], counted[1], int(minutes // 35))
    assert beyond(counters, ToldClear(since), NONE) == ()
