"""What an inspection makes of a car: each answer reached, each unknown undecided."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.inspection import inspect, left_open
from verify.car.inspection_rules import (
    ASKS,
    FUELS,
    SETTLES,
    SURE,
    Answer,
    Car,
    jurisdictions,
    rules,
)
from verify.car.readiness import (
    Ignition,
    State,
    monitors,
    status_from_boxes,
    status_from_bytes,
    status_from_text,
)
from verify.car.whole_counts import Span
from verify.words import EndingKind

READY = status_from_text("41 01 00 07 E5 00")
DIESEL = status_from_text("41 01 00 0F EB 00")
CAR = Car(2005, "gasoline", permanent=())


def test_where_the_table_says_nothing_the_answer_is_to_ask() -> None:
    for where in ("ontario", "", "a place that is not there"):
        found = inspect(READY, CAR, where)
        assert found.answer is Answer.UNDECIDED
        assert found.settle == ("ask your local programme",)
    assert inspect(READY, CAR, " California ").answer is Answer.PASS


@pytest.mark.parametrize(
    ("where", "fuel", "year"),
    [
        ("federal", "gasoline", 1995),
        ("california", "gasoline", 1995),
        ("california", "diesel", 1997),
        ("california-heavy", "diesel", 2015),
    ],
)
def test_a_car_without_a_rule_for_its_monitors_is_undecided(
    where: str, fuel: str, year: int
) -> None:
    status = DIESEL if fuel == "diesel" else READY
    enough = Span(100, 100)
    found = inspect(status, Car(year, fuel, (), warm_ups=enough), where)
    assert found.answer is Answer.UNDECIDED
    assert any("no rule on monitors" in why for why in found.why)


def test_not_read_is_never_ready() -> None:
    boxes = {m: "complete" for m, row in monitors(Ignition.SPARK).items() if row.kind == "once"}
    full = status_from_boxes(boxes, Ignition.SPARK, lamp_commanded=False, stored_codes=0)
    assert inspect(full, CAR, "california").answer is Answer.PASS
    for name in boxes:
        status = status_from_boxes(
            {k: v for k, v in boxes.items() if k != name},
            Ignition.SPARK,
            lamp_commanded=False,
            stored_codes=0,
        )
        # Only the evaporative system may be open in California, so only it may be unread.
        want = Answer.PASS if name == "evaporative" else Answer.UNDECIDED
        assert inspect(status, CAR, "california").answer is want, name


@given(
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 255),
    st.sampled_from(["federal", "california"]),
    st.integers(1996, 2030),
)
def test_forgetting_what_was_read_never_makes_a_pass(
    a: int, b: int, c: int, d: int, where: str, year: int
) -> None:  # fmt: skip
    """An answer from less evidence passes only where the answer from all of it does."""
    status = status_from_bytes(a, b, c, d)
    fuel = next(f for f, i in FUELS.items() if i is status.ignition)
    car = Car(year, fuel, permanent=())
    full = inspect(status, car, where).answer
    less = [
        inspect(replace(status, lamp_commanded=None), car, where).answer,
        inspect(replace(status, stored_codes=None), car, where).answer,
        inspect(status, replace(car, permanent=None), where).answer,
        inspect(replace(status, cycle=True), car, where).answer,
    ] + [
        inspect(replace(status, states={**status.states, name: State.NOT_READ}), car, where).answer
        for name in status.states
        if status.states[name] is not State.NOT_SUPPORTED
    ]
    if full is not Answer.PASS:
        assert Answer.PASS not in less


def test_a_monitor_more_left_open_never_helps() -> None:
    names = [n for n, m in monitors(Ignition.SPARK).items() if m.kind == "once"]
    order = [Answer.PASS, Answer.UNDECIDED, Answer.TURNED_AWAY, Answer.FAIL]
    for where in ("federal", "california"):
        for year in (1998, 2005):
            for bits in range(256):
                states = {
                    n: State.NOT_COMPLETE if bits >> i & 1 else State.COMPLETE
                    for i, n in enumerate(names)
                }
                here = inspect(replace(READY, states=states), replace(CAR, model_year=year), where)
                for i, n in enumerate(names):
                    if bits >> i & 1:
                        continue
                    more = replace(READY, states={**states, n: State.NOT_COMPLETE})
                    worse = inspect(more, replace(CAR, model_year=year), where)
                    assert order.index(worse.answer) >= order.index(here.answer)


def test_whether_continuous_monitors_count_decides_only_where_the_source_says_so() -> None:
    # One that runs once and one continuous are open: two, or one, by federal guidance for 2005.
    status = status_from_text("41 01 00 17 65 01")
    federal = inspect(status, CAR, "federal")
    assert federal.answer is Answer.UNDECIDED
    assert any("does not say whether it counts" in why for why in federal.why)
    only_continuous = status_from_text("41 01 00 77 65 00")
    assert inspect(only_continuous, CAR, "california").answer is Answer.PASS


def test_a_reply_of_this_cycle_decides_nothing() -> None:
    status = status_from_text("41 41 00 07 E5 00")
    assert inspect(status, CAR, "federal").answer is Answer.UNDECIDED
    # Nor is a car turned away for what this cycle has not run yet.
    open_now = status_from_text("41 41 00 07 E5 E5")
    assert inspect(open_now, CAR, "federal").answer is Answer.UNDECIDED
    assert left_open(status, ()).ending is EndingKind.PROOF_TO_FOLLOW


def test_a_module_without_monitors_is_no_ready_car() -> None:
    status = status_from_text("41 01 00 00 00 00")
    found = inspect(status, CAR, "federal")
    assert found.answer is Answer.UNDECIDED
    assert any("no monitor is supported" in why for why in found.why)


def test_a_fuel_that_does_not_fit_the_engine_is_undecided() -> None:
    found = inspect(DIESEL, CAR, "california")
    assert found.answer is Answer.UNDECIDED
    assert any("does not fit gasoline" in why for why in found.why)


def test_a_lit_lamp_that_is_not_commanded_is_no_pass() -> None:
    lit = replace(CAR, lamp_seen=True)
    assert inspect(READY, lit, "federal").answer is Answer.UNDECIDED
    assert inspect(READY, lit, "california").answer is Answer.FAIL


def test_what_only_eyes_can_see_is_named_and_held_against_the_car_when_seen() -> None:
    found = inspect(READY, CAR, "california")
    assert found.answer is Answer.PASS
    assert len(found.provided) == 3
    seen = replace(CAR, lamp_seen=False, lamp_at_key_on=True, connector_sound=True)
    assert inspect(READY, seen, "california").provided == ()
    assert inspect(READY, replace(seen, lamp_at_key_on=False), "california").answer is Answer.FAIL
    assert inspect(READY, replace(seen, lamp_at_key_on=False), "federal").answer is Answer.PASS
    assert inspect(READY, replace(seen, connector_sound=False), "federal").answer is Answer.FAIL


def test_what_is_surely_broken_decides_over_what_is_open() -> None:
    status = status_from_text("41 01 81 07 E5 E5")
    found = inspect(status, Car(2015, "gasoline"), "california")
    assert found.answer is Answer.FAIL
    assert found.settle == ()
    # Federal guidance would turn it away, federal law fails it.
    both = inspect(status, CAR, "federal")
    assert {f.rule.if_not for f in both.findings if f.met is False} == {
        Answer.FAIL,
        Answer.TURNED_AWAY,
    }
    assert both.answer is Answer.FAIL


def test_a_rule_is_a_row_and_another_programme_is_another_row() -> None:
    row = next(r for r in rules() if r.name == "california-ready-diesel-1998")
    own = replace(
        row, name="elsewhere", jurisdiction="elsewhere", first_year=2010, last_year=None, allowed=3
    )
    three = status_from_text("41 01 00 0F EB 23")
    assert len(three.named(State.NOT_COMPLETE)) == 3
    car = Car(2012, "diesel", ())
    assert inspect(three, car, "elsewhere", [*rules(), own]).answer is Answer.PASS
    stricter = replace(own, allowed=2)
    assert inspect(three, car, "elsewhere", [*rules(), stricter]).answer is Answer.FAIL
    assert inspect(three, car, "elsewhere").answer is Answer.UNDECIDED
    assert "elsewhere" in jurisdictions([*rules(), own])


def test_the_answer_says_how_sure_the_rules_are() -> None:
    assert inspect(READY, CAR, "california").sure == "second-hand"
    marked = [replace(r, sure="from memory") for r in rules()]
    assert inspect(READY, CAR, "california", marked).sure == "from memory"
    assert inspect(READY, CAR, "nowhere").sure == ""


def test_every_row_asks_a_question_that_is_answered_and_can_be_settled() -> None:
    assert set(SETTLES) == set(ASKS)
    assert {r.asks for r in rules()} <= set(ASKS)
    known = {n for i in Ignition for n in monitors(i)}
    for rule in rules():
        assert rule.sure in SURE
        assert set(rule.may_be_open) <= known, rule.name
        assert rule.if_not in (Answer.FAIL, Answer.TURNED_AWAY)
        assert rule.counts in (("once", "unclear") if rule.asks == "readiness" else ("",))


@pytest.mark.parametrize("fuel", FUELS)
@pytest.mark.parametrize("where", ["federal", "california"])
@pytest.mark.parametrize("year", range(1990, 2035))
def test_no_year_has_two_rules_for_its_monitors(where: str, fuel: str, year: int) -> None:
    car = Car(year, fuel)
    applying = [
        r for r in rules() if r.asks == "readiness" and r.jurisdiction == where and r.applies(car)
    ]
    assert len(applying) <= 1


def test_only_known_fuels() -> None:
    with pytest.raises(ValueError, match="gasoline"):
        Car(2005, "hydrogen")


def test_readiness_never_bars_hand_back() -> None:
    assert left_open(READY, ()).ending is EndingKind.HAND_BACK
    just_cleared = status_from_text("41 01 00 77 65 65")
    for status, permanent in (
        (just_cleared, ()),
        (READY, ("P0420",)),
        (READY, None),
        (None, None),
        (status_from_boxes({}, Ignition.SPARK), ()),
    ):
        found = left_open(status, permanent)
        assert found.ending is EndingKind.PROOF_TO_FOLLOW
        assert found.ending.lets_go
        assert all(what and settles for what, settles in found.items)
    assert len(left_open(just_cleared, ("P0420",)).items) == 8
    assert left_open(status_from_text("41 01 81 07 E5 00"), ()).lamp_on is True


@given(
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 255),
    st.one_of(st.none(), st.lists(st.sampled_from(["P0420", "P2111"]), max_size=2)),
)
def test_whatever_is_open_the_car_may_go_as_far_as_readiness_goes(
    a: int, b: int, c: int, d: int, permanent: list[str] | None
) -> None:  # fmt: skip
    status = status_from_bytes(a, b, c, d)
    found = left_open(status, permanent)
    assert found.ending.lets_go
    nothing_open = not status.named(State.NOT_COMPLETE) and permanent == []
    assert (found.ending is EndingKind.HAND_BACK) is nothing_open


def test_spans_compare_only_what_is_certain() -> None:
    assert Span(3, 5).at_least(3) is True
    assert Span(3, 5).at_least(5.1) is False
    assert Span(3, 5).at_least(4) is None
    assert Span(5, math.inf).covers(Span(1, 5)) is True
    with pytest.raises(ValueError, match="low"):
        Span(2, 1)
