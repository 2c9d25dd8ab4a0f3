"""Who does the relearn: what safety rules out, expected costs, and where the choice flips.

The formulas are held against a hand-worked example, against enumeration of every way things can go
in exact fractions, and the flips against a search over a grid of chances.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.relearn_cost import (
    READERS_CANNOT,
    YOU_DECIDE,
    Advice,
    Offer,
    Situation,
    Way,
    advise,
    flip_at,
    ruled_out,
)

FINE = Situation(
    pedal_answers=True,
    stalls=False,
    red_brake_warning=False,
    limp_home=False,
    fast_road=True,
    revs_stay_up=False,
    relearn_required=False,
)
OFFERS = {
    Way.DRIVE_ON: Offer(price=0, hours=2, success=0.6),
    Way.SHOP: Offer(price=90, hours=2, success=0.95),
    Way.MOBILE: Offer(price=120, hours=0.5, success=0.9),
    Way.TOW: Offer(price=210, hours=1, success=0.95),
}


def advice(offers: dict[Way, Offer] = OFFERS, now: Situation = FINE) -> Advice:
    return advise(offers, now, hour_value=20, diagnosis=200)


def test_a_hand_worked_example() -> None:
    """An hour is worth 20, a diagnosis costs 200.

    shop    90 + 2·20   = 130, fails 1 in 20: 130 + 0.05·200 = 140
    mobile 120 + 0.5·20 = 130, fails 1 in 10: 130 + 0.10·200 = 150
    tow    210 + 1·20   = 230, fails 1 in 20: 230 + 0.05·200 = 240
    driving on 2·20     = 40, fails 2 in 5, then the shop: 40 + 0.4·140 = 96
    It flips to the shop where 40 + (1 - p)·140 = 140: p = 40/140 = 28.6 %.
    """
    found = advice()
    assert found.expected == pytest.approx(
        {Way.SHOP: 140, Way.MOBILE: 150, Way.TOW: 240, Way.DRIVE_ON: 96}
    )
    assert found.best is Way.DRIVE_ON
    flip = next(f for f in found.flips if (f.way, f.rival) == (Way.DRIVE_ON, Way.SHOP))
    assert flip.at == pytest.approx(2 / 7)
    assert "more than 29 %" in flip.sentence()
    # mobile against shop: 1 - (140 - 130)/200 = 95 %.
    other = next(f for f in found.flips if (f.way, f.rival) == (Way.MOBILE, Way.SHOP))
    assert other.at == pytest.approx(0.95)
    assert found.why[-1] == YOU_DECIDE


MONEY = st.integers(0, 500)
CHANCE = st.integers(0, 20).map(lambda n: Fraction(n, 20))
SOME = st.sampled_from([set(c) for n in range(1, 5) for c in itertools.combinations(Way, n)])


@given(
    SOME,
    st.fixed_dictionaries({w: st.tuples(MONEY, MONEY, CHANCE) for w in Way}),
    MONEY,
)
def test_expected_costs_and_the_choice_as_by_counting_every_way_it_can_go(
    ways: set[Way], numbers: dict[Way, tuple[int, int, Fraction]], diagnosis: int
) -> None:
    offers = {
        w: Offer(numbers[w][0], 0, float(numbers[w][2]), numbers[w][1]) for w in Way if w in ways
    }
    found = advise(offers, FINE, hour_value=0, diagnosis=diagnosis)

    def plan(first: Way, then: Way | None) -> Fraction:
        """Every course of one plan, each with its chance and its bill."""
        total = Fraction(0)
        for first_works, then_works in itertools.product((True, False), repeat=2):
            price, extra, chance = numbers[first]
            weight = chance if first_works else 1 - chance
            bill = Fraction(price)
            if then is not None:
                weight *= numbers[then][2] if then_works else 1 - numbers[then][2]
            elif then_works:
                continue  # no second way: one course only
            if not first_works:
                bill += extra
                if then is None:
                    bill += diagnosis
                else:
                    bill += numbers[then][0]
                    bill += 0 if then_works else numbers[then][1] + diagnosis
            total += weight * bill
        return total

    professional = [w for w in Way if w in ways and w is not Way.DRIVE_ON]
    costs = {w: plan(w, None) for w in professional}
    if Way.DRIVE_ON in ways:
        plans = [plan(Way.DRIVE_ON, w) for w in professional] or [plan(Way.DRIVE_ON, None)]
        costs[Way.DRIVE_ON] = min(plans)
    assert found.expected == pytest.approx({w: float(c) for w, c in costs.items()})
    assert found.best is not None
    assert float(costs[found.best]) == pytest.approx(float(min(costs.values())))


@given(MONEY, MONEY, MONEY)
def test_a_flip_is_where_a_grid_of_chances_flips(cost: int, on_failure: int, rival: int) -> None:
    at = flip_at(cost, on_failure, rival)
    grid = [Fraction(n, 1000) for n in range(1001)]
    cheaper = [p for p in grid if cost + (1 - p) * on_failure < rival]
    if not cheaper:
        assert at >= 1 - 1e-9
    elif len(cheaper) == len(grid):
        assert at < 1e-9
    else:
        assert float(cheaper[0]) - 0.001 - 1e-9 <= at <= float(cheaper[0]) + 1e-9


@pytest.mark.parametrize("way", list(Way))
def test_the_choice_really_turns_at_the_flip(way: Way) -> None:
    for flip in (f for f in advice().flips if f.way is way and 0 < f.at < 1):
        for step, cheaper in ((1e-6, True), (-1e-6, False)):
            offers = {**OFFERS, way: replace(OFFERS[way], success=flip.at + step)}
            found = advice(offers).expected
            rival = advice().expected[flip.rival]
            assert (found[way] < rival) is cheaper


def test_a_flip_outside_the_chances_is_said_in_words() -> None:
    assert flip_at(10, 100, 500) < 0
    assert flip_at(600, 100, 500) > 1
    assert flip_at(10, 0, 20) == 0.0
    assert flip_at(20, 0, 20) == math.inf
    cheap = advice({Way.SHOP: OFFERS[Way.SHOP], Way.TOW: Offer(900, success=1.0)})
    words = [f.sentence() for f in cheap.flips]
    assert any("whatever its chances" in w for w in words)
    assert any("however likely" in w for w in words)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pedal_answers": False}, "does not answer the pedal"),
        ({"pedal_answers": None}, "nobody has looked"),
        ({"stalls": True}, "stalls"),
        ({"stalls": None}, "nobody has looked"),
        (
            {"red_brake_warning": True},
            "a red brake warning is on or the brake pedal is hard: do not drive",
        ),
        (
            {"red_brake_warning": None},
            "nobody has looked whether a red brake warning is on or the brake pedal is hard",
        ),
        ({"revs_stay_up": True}, "revs stay up"),
        ({"revs_stay_up": None}, "nobody has looked"),
        ({"limp_home": True}, "limp-home on a fast road"),
        ({"limp_home": None}, "nobody has looked"),
        ({"limp_home": True, "fast_road": None}, "only slow roads"),
    ],
)
def test_safety_rules_out_every_way_on_own_wheels(change: dict[str, bool], words: str) -> None:
    now = replace(FINE, **change)
    for way in (Way.DRIVE_ON, Way.SHOP):
        assert any(words in reason for reason in ruled_out(way, now)), way
    assert ruled_out(Way.MOBILE, now) == ()
    assert ruled_out(Way.TOW, now) == ()
    found = advice(now=now)
    assert found.best is Way.MOBILE
    assert set(found.expected) == {Way.MOBILE, Way.TOW}
    assert set(found.ruled_out) == {Way.DRIVE_ON, Way.SHOP}


def test_limp_home_on_slow_roads_may_reach_a_shop() -> None:
    now = replace(FINE, limp_home=True, fast_road=False)
    assert ruled_out(Way.SHOP, now) == ()


@pytest.mark.parametrize("required", [True, None])
def test_driving_on_needs_a_car_that_learns_by_itself(required: bool | None) -> None:
    now = replace(FINE, relearn_required=required)
    assert ruled_out(Way.DRIVE_ON, now)
    assert ruled_out(Way.SHOP, now) == ()
    assert advice(now=now).best is Way.SHOP


def test_however_cheap_a_forbidden_way_is_never_the_best() -> None:
    free = {**OFFERS, Way.DRIVE_ON: Offer(0, success=1.0)}
    assert advice(free, replace(FINE, stalls=True)).best is Way.MOBILE


def test_with_nothing_left_it_says_so() -> None:
    found = advice({Way.DRIVE_ON: OFFERS[Way.DRIVE_ON]}, replace(FINE, stalls=True))
    assert found.best is None
    assert found.expected == {}
    assert "towed" in found.why[0]


def test_an_unknown_chance_leaves_it_open_with_the_flip() -> None:
    offers = {**OFFERS, Way.DRIVE_ON: replace(OFFERS[Way.DRIVE_ON], success=None)}
    found = advice(offers)
    assert found.best is None
    assert "undecided" in found.why[0]
    assert any("more than 29 %" in why for why in found.why)
    # A way that costs more than the best even if it is sure to work changes nothing.
    dear = {**OFFERS, Way.TOW: replace(OFFERS[Way.TOW], success=None)}
    assert advice(dear).best is Way.DRIVE_ON
    alone = advice({Way.DRIVE_ON: Offer(0, 2, None)})
    assert alone.best is None


def test_a_tie_does_not_depend_on_the_order_of_typing() -> None:
    same = {w: Offer(100, success=1.0) for w in Way}
    assert advice(same).best is advice(dict(reversed(same.items()))).best


@pytest.mark.parametrize(
    "wrong",
    [
        {"price": -1},
        {"price": math.nan},
        {"price": 1, "hours": math.inf},
        {"price": 1, "success": 1.1},
        {"price": 1, "success": math.nan},
        {"price": 1, "if_it_fails": -1},
    ],
)
def test_senseless_offers_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError):
        Offer(**wrong)
    with pytest.raises(ValueError):
        advise(OFFERS, FINE, hour_value=-1, diagnosis=0)
    with pytest.raises(ValueError):
        flip_at(math.nan, 1, 1)


def test_what_a_simple_reader_cannot_do_is_marked_as_common_practice() -> None:
    assert "usually cannot" in READERS_CANNOT
    assert "common practice, no source" in READERS_CANNOT
