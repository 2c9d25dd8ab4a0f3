"""Better, unchanged, worse, cannot tell: against scipy, and on recordings whose truth is known."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tests.nasty import PARKED_SCRIPT, SPECS, drive, with_values, without, zoo
from verify.errors import UserError
from verify.evidence.chances import (
    difference,
    margin_of,
    point_chances,
    rates_fell_and_rose,
    shared_rounding,
)
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.compare import OF_THE_DRIVE, Change, Side, compare, compare_sides, in_both
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Distribution, Limits, Measurement
from verify.words import Verdict

UPPER = Limits(None, 50.0, "rpm", "a source")
LOWER = Limits(50.0, None, "rpm", "a source")
BOTH = Limits(650.0, 750.0, "rpm", "a source")


def m(value: float, u: float, kind: Distribution = Distribution.NORMAL, **more: Any) -> Measurement:
    return Measurement(value, "rpm", u, kind, **more)


def student(value: float, u: float, dof: float) -> Measurement:
    return m(value, u, Distribution.STUDENT, dof=dof)


# --- the arithmetic, from outside -----------------------------------------------------------------


@given(
    st.floats(-20, 20), st.floats(0.5, 10), st.floats(0.5, 10), st.sampled_from([UPPER, LOWER])
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_normal_numbers_against_scipy(move: float, u: float, v: float, limits: Limits) -> None:
    found = point_chances(m(50, u), m(50 + move, v), limits)
    fell = stats.norm.cdf(-move / math.hypot(u, v))
    assert found.better == pytest.approx(fell if limits is UPPER else 1 - fell, abs=2e-4)
    margin = 12.5
    width = math.hypot(u, v)
    inside = stats.norm.cdf((margin - move) / width) - stats.norm.cdf((-margin - move) / width)
    assert found.unchanged == pytest.approx(inside, abs=2e-4)
    assert found.worse == 1 - found.better


@pytest.mark.parametrize(("u", "v"), [(4.0, 3.0), (30.0, 20.0), (5.0, 60.0)])
def test_nearer_the_middle_against_scipy_s_double_integral(u: float, v: float) -> None:
    before, after = m(790, u), m(700, v)
    old, new = stats.norm(790, u), stats.norm(700, v)

    def nearer(b: float) -> float:
        r = abs(b - 700.0)
        return float(old.pdf(b) * (new.cdf(700 + r) - new.cdf(700 - r)))

    expected, _ = integrate.quad(nearer, 790 - 10 * u, 790 + 10 * u, points=[700, 790], limit=500)
    assert point_chances(before, after, BOTH).better == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("dof", "own"), [(2.0, 2.5), (6.0, 9.0), (3.0, 25.0)])
def test_few_readings_against_scipy_s_student(dof: float, own: float) -> None:
    before, after = stats.t(dof, 50, 3.0), stats.t(own, 42, 4.0)
    expected, _ = integrate.quad(
        lambda b: float(before.pdf(b) * after.cdf(b)), -2000, 2000, points=[40, 50, 60], limit=2000
    )
    found = point_chances(student(50, 3.0, dof), student(42, 4.0, own), UPPER)
    assert found.better == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize("n", [7, 12, 25])
def test_never_surer_than_welch_s_test_and_near_it_with_many(n: int) -> None:
    """Two Students propagated as they are (Behrens and Fisher) are a little wider than Welch's."""
    rng = np.random.default_rng(n)
    old, new = rng.normal(50, 8, n), rng.normal(44, 5, n + 3)
    welch = stats.ttest_ind(new, old, equal_var=False, alternative="less")
    found = point_chances(
        student(float(old.mean()), float(stats.sem(old)), n - 1.0),
        student(float(new.mean()), float(stats.sem(new)), n + 2.0),
        UPPER,
    )
    assert welch.pvalue < 0.5, "the draw must show a fall, or surer means nothing"
    assert found.worse >= welch.pvalue - 5e-4
    assert found.worse == pytest.approx(welch.pvalue, abs=0.02)


def test_spreads_against_scipy_s_f() -> None:
    def spread(value: float, dof: float) -> Measurement:
        return m(value, value / 5, Distribution.CHI_SQUARE, dof=dof)

    for s, t, a, b in ((10, 8, 20, 25), (10, 4, 8, 12), (3, 5, 6, 40)):
        found = point_chances(spread(s, a), spread(t, b), UPPER)
        assert found.better == pytest.approx(stats.f.cdf((s / t) ** 2, a, b), abs=5e-4)


def test_times_between_samples_against_their_own_triangle() -> None:
    """Two uniform times of the same width differ by a triangle."""
    old, new = m(40, 2, Distribution.UNIFORM), m(36, 2, Distribution.UNIFORM)
    half = 2 * 2 * math.sqrt(3)
    expected = stats.triang.cdf(0, 0.5, loc=-4 - half, scale=2 * half)
    assert point_chances(old, new, UPPER).better == pytest.approx(expected, abs=2e-3)


@given(
    st.integers(0, 12), st.floats(1, 500), st.integers(0, 12), st.floats(1, 500)
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_event_rates_against_scipy_s_binomial(
    before: int, over: float, after: int, own: float
) -> None:
    few, many = rates_fell_and_rose(before, over, after, own)
    n, share = before + after, own / (own + over)
    if n == 0:
        assert (few, many) == (1.0, 1.0)
        return
    assert few == pytest.approx(stats.binomtest(after, n, share, "less").pvalue, abs=1e-9)
    assert many == pytest.approx(stats.binomtest(after, n, share, "greater").pvalue, abs=1e-9)


def test_event_rates_are_never_surer_than_scipy_s_test_of_two_poisson_means() -> None:
    for before, over, after, own in ((5, 60, 0, 120), (3, 100, 0, 100), (9, 60, 2, 200)):
        few, _ = rates_fell_and_rose(before, over, after, own)
        other = stats.poisson_means_test(after, own, before, over, alternative="less").pvalue
        assert few >= other - 1e-9


@pytest.mark.parametrize("wrong", [(-1, 1, 0, 1), (0, 0, 0, 1), (0, 1, -1, 1), (0, 1, 0, 0)])
def test_rates_of_nothing_are_refused(wrong: tuple[int, int, int, int]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        rates_fell_and_rose(*wrong)


def test_the_difference_is_in_quadrature_and_a_common_rounding_counts_once() -> None:
    assert difference(m(850, 3), m(700, 4)) == (-150, 5)
    q = 12 / math.sqrt(12)
    old, new = m(850, 5, resolution=12), m(700, 6, resolution=12)
    assert shared_rounding(old, new) == pytest.approx(q)
    assert difference(old, new)[1] == pytest.approx(math.sqrt(25 + 36 - q**2))
    bare = m(700, q, resolution=12)
    assert difference(bare, bare)[1] == pytest.approx(q), "never better than one step"
    assert difference(old, m(700, 6, resolution=4))[1] == pytest.approx(math.hypot(5, 6))
    still = m(700, q, Distribution.UNIFORM, resolution=12)
    assert difference(still, still)[1] == pytest.approx(q * math.sqrt(2)), "no average: both count"


def test_unlike_units_are_refused() -> None:
    other = Measurement(1.0, "km/h", 1.0)
    with pytest.raises(ValueError, match="km/h"):
        difference(m(1, 1), other)
    with pytest.raises(ValueError, match="km/h"):
        point_chances(m(1, 1), other, UPPER)


def test_margins() -> None:
    assert margin_of(BOTH) == 12.5
    assert margin_of(UPPER) == 12.5
    assert margin_of(Limits(-20.0, None, "rpm", "s")) == 5
    assert margin_of(Limits(None, 0.0, "rpm", "s")) is None


# --- the words ------------------------------------------------------------------------------------


def side(
    measurement: Measurement | None,
    verdict: Verdict,
    limits: Limits | None = BOTH,
    p: float | None = 0.5,
    check: str = "idle-speed",
    **more: Any,
) -> Side:
    result = CheckResult(
        check, 1, verdict, "f", "because.",
        "do it again" if verdict is Verdict.UNDECIDED else "",
        value=measurement.value if measurement else None,
        unit=measurement.unit if measurement else "",
        uncertainty=measurement.uncertainty if measurement else None,
        limits=limits, probability=p, **more,
    )  # fmt: skip
    return Side(result, measurement)


def word(
    before: Measurement, after: Measurement, limits: Limits = BOTH,
    verdicts: tuple[Verdict, Verdict] = (Verdict.PASS, Verdict.PASS),
) -> Change:  # fmt: skip
    old, new = (side(x, v, limits) for x, v in zip((before, after), verdicts, strict=True))
    return compare_sides(old, new).change


def test_words_of_two_sided_limits() -> None:
    assert word(m(850, 4), m(700, 3)) is Change.BETTER
    assert word(m(560, 4), m(690, 3)) is Change.BETTER
    assert word(m(700, 3), m(850, 4)) is Change.WORSE
    assert word(m(700, 3), m(745, 3)) is Change.WORSE, "still within, and on its way out"
    assert word(m(700, 3), m(704, 3)) is Change.UNCHANGED
    assert word(m(700, 6), m(706, 6)) is Change.CANNOT_TELL
    assert word(m(655, 1), m(745, 1)) is Change.CANNOT_TELL, "as far on the other side"
    assert word(m(850, 60), m(800, 60)) is Change.CANNOT_TELL


def test_a_vague_number_beside_a_sharp_one_is_not_worse() -> None:
    """861 ± 90 beside 770 ± 1 is nearly surely further from 770, and may be no higher at all."""
    band = Limits(720.0, 820.0, "rpm", "a source")
    vague, sharp = m(861, 90), m(770, 1)
    found = point_chances(vague, sharp, band)
    assert found.better > 0.95 > found.moved
    assert word(vague, sharp, band) is Change.CANNOT_TELL
    assert word(sharp, vague, band) is Change.CANNOT_TELL


def test_words_of_one_sided_limits() -> None:
    assert word(m(80, 4), m(40, 4), UPPER) is Change.BETTER
    assert word(m(40, 4), m(80, 4), UPPER) is Change.WORSE
    assert word(m(40, 4), m(80, 4), LOWER) is Change.BETTER
    assert word(m(80, 4), m(40, 4), LOWER) is Change.WORSE
    assert word(m(40, 2), m(41, 2), UPPER) is Change.UNCHANGED
    assert word(m(40, 12), m(41, 12), UPPER) is Change.CANNOT_TELL


def test_a_pass_that_became_a_fail_is_never_unchanged() -> None:
    turned = (Verdict.PASS, Verdict.FAIL)
    assert word(m(745, 1), m(755, 1), verdicts=turned) is Change.WORSE
    assert word(m(755, 1), m(745, 1), verdicts=turned[::-1]) is Change.BETTER


def test_what_would_settle_it_is_said_in_lengths_of_the_recording() -> None:
    said = compare_sides(side(m(700, 3), Verdict.PASS), side(m(704, 6), Verdict.PASS))
    assert said.change is Change.CANNOT_TELL
    assert "times as long" in said.settle
    hopeless = compare_sides(side(m(700, 80), Verdict.PASS), side(m(709, 6), Verdict.PASS))
    assert "will not settle" in hopeless.settle


def test_different_quantities_are_compared_by_their_verdicts() -> None:
    wide = Limits(600.0, 900.0, "rpm", "the law")
    fail = side(m(950, 4), Verdict.FAIL, wide, 0.001)
    good = side(m(700, 3), Verdict.PASS, BOTH, 0.999)
    there, back = compare_sides(fail, good), compare_sides(good, fail)
    assert (there.change, back.change) == (Change.BETTER, Change.WORSE)
    assert there.difference is None
    assert there.better == pytest.approx(0.999**2)
    barely = side(m(950, 4), Verdict.FAIL, wide, 0.045)
    assert compare_sides(barely, side(m(700, 3), Verdict.PASS, BOTH, 0.955)).change is (
        Change.CANNOT_TELL
    )


def test_undecided_without_a_number_tells_nothing() -> None:
    good = side(m(700, 3), Verdict.PASS, p=0.99)
    lost = side(None, Verdict.UNDECIDED, None, None)
    after = compare_sides(good, lost)
    assert after.change is Change.CANNOT_TELL
    assert after.settle == "do it again"
    assert after.why == "AFTER is undecided: because."
    assert "verdict of AFTER" in compare_sides(lost, good).settle


def test_nan_tells_nothing() -> None:
    """A number nobody foresaw cannot even be a measurement; probabilities of NaN say nothing."""
    old = side(m(950, 4), Verdict.FAIL, BOTH, math.nan)
    new = side(m(700, 3), Verdict.PASS, UPPER, math.nan)
    assert compare_sides(old, new).change is Change.CANNOT_TELL


def events(count: int, idle_s: float, lift_offs: int) -> Side:
    verdict = Verdict.FAIL if count else Verdict.PASS
    result = CheckResult(
        "no-stall", 1, verdict, "f", "w.", value=float(count), unit="1",
        limits=Limits(None, 0.0, "1", "s"),
        details={"exposure": {
            "idle_s": idle_s, "lift_offs": lift_offs, "stall_share_below": 0.2
        }},
    )  # fmt: skip
    return Side(result)


def test_words_of_events() -> None:
    assert compare_sides(events(5, 100, 10), events(0, 200, 20)).change is Change.BETTER
    assert compare_sides(events(0, 200, 20), events(5, 100, 10)).change is Change.WORSE
    once = compare_sides(events(1, 100, 10), events(0, 100, 10))
    assert once.change is Change.CANNOT_TELL
    assert set(once.rates) == {"idle_s", "lift_offs"}, "a bound is no exposure"
    assert "about 19 times" in once.settle
    assert compare_sides(events(1, 100, 10), events(0, 1900, 190)).change is Change.BETTER
    assert compare_sides(events(1, 100, 10), events(0, 1900, 10)).change is Change.CANNOT_TELL
    none = compare_sides(events(0, 100, 10), events(0, 100, 10))
    assert (none.change, "neither" in none.why) == (Change.CANNOT_TELL, True)
    assert compare_sides(events(3, 100, 0), events(0, 0, 5)).change is Change.CANNOT_TELL


def test_a_change_has_no_truth_value() -> None:
    with pytest.raises(TypeError):
        bool(Change.BETTER)


# --- on recordings --------------------------------------------------------------------------------


def car(idle_rpm: float, seed: int = 1) -> Recording:
    return drive(PARKED_SCRIPT, idle_rpm=idle_rpm, seed=seed)


def found(before: Recording, after: Recording, **more: Any) -> dict[str, Any]:
    return {c.check: c for c in compare([before], [after], SPECS, **more)}


def test_an_idle_that_was_put_right() -> None:
    c = found(car(850), car(702, seed=2))["idle-speed"]
    assert c.change is Change.BETTER
    assert (c.before.verdict, c.after.verdict) == (Verdict.FAIL, Verdict.PASS)
    assert c.difference == pytest.approx(-148, abs=5)
    assert found(car(702), car(850, seed=2))["idle-speed"].change is Change.WORSE
    assert found(car(700), car(703, seed=2))["idle-speed"].change is Change.UNCHANGED


def test_the_results_are_those_of_judge() -> None:
    before, after = car(850), car(702, seed=2)
    names = [n for n in CATALOGUE if n not in OF_THE_DRIVE]
    compared = compare([before], [after], SPECS)
    assert [c.check for c in compared] == names
    assert [c.before for c in compared] == list(judge([before], SPECS, names))
    assert [c.after for c in compared] == list(judge([after], SPECS, names))
    json.dumps([c.to_json() for c in compared], allow_nan=False)


def test_the_same_file_twice_is_said_and_tells_nothing() -> None:
    one = car(850)
    assert in_both([one], [one]) == (one,)
    for c in compare([one], [car(700, seed=2), one], SPECS):
        assert c.change is Change.CANNOT_TELL
        assert "same file" in c.why


def test_checks_of_the_drive_are_left_out_and_tell_nothing_when_asked() -> None:
    assert set(found(car(850), car(700, seed=2))).isdisjoint(OF_THE_DRIVE)
    (asked,) = compare([car(850)], [car(700, seed=2)], SPECS, ["road-coverage"])
    assert asked.change is Change.CANNOT_TELL


def test_without_the_vehicle_s_number_there_is_no_better() -> None:
    (c,) = compare([car(850)], [car(700, seed=2)], {}, ["idle-speed"])
    assert c.change is Change.CANNOT_TELL
    assert "idle_speed" in c.settle


def test_unknown_checks_and_loose_bounds_are_refused() -> None:
    with pytest.raises(UserError, match="idle-speed"):
        compare([car(700)], [car(700)], SPECS, ["idle-sped"])
    with pytest.raises(ValueError, match="sure"):
        compare([car(700)], [car(700)], SPECS, sure=0.8)


def test_a_missing_channel_never_makes_it_better() -> None:
    bad, good = car(850), car(700, seed=2)
    for name in good.channels:
        c = found(bad, without(good, name))["idle-speed"]
        if name in ("engine_speed", "vehicle_speed", "coolant"):
            assert c.change is Change.CANNOT_TELL, name


@pytest.mark.parametrize("name", sorted(zoo()))
def test_nasty_recordings_never_raise_and_are_never_better_unearned(name: str) -> None:
    strange = zoo()[name]
    for before, after in ((car(850), strange), (strange, car(700, seed=2)), (strange, strange)):
        for c in compare([before], [after], SPECS):
            json.dumps(c.to_json(), allow_nan=False)
            if c.change is not Change.CANNOT_TELL:
                assert Verdict.UNDECIDED not in (c.before.verdict, c.after.verdict) or (
                    c.before.probability is not None and c.after.probability is not None
                )


@given(st.floats(-60, 60), st.integers(2, 50))
@settings(max_examples=15, deadline=None)
def test_shifting_the_clock_and_swapping_sides(move: float, seed: int) -> None:
    """Swapped, better and worse change places; later by an hour, nothing changes."""
    a, b = car(700), car(700 + move, seed=seed)
    there, back = found(a, b)["idle-speed"], found(b, a)["idle-speed"]
    mirror = {Change.BETTER: Change.WORSE, Change.WORSE: Change.BETTER}
    assert back.change is mirror.get(there.change, there.change)
    later = replace(
        b, channels={n: replace(c, time_s=c.time_s + 3600.0) for n, c in b.channels.items()}
    )
    assert found(a, later)["idle-speed"].change is there.change


def test_a_broken_check_is_cannot_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    from verify.evidence.checks import catalogue

    def breaks(*_: Any) -> CheckResult:
        raise ZeroDivisionError

    broken = replace(catalogue.CATALOGUE["idle-speed"], run=breaks)
    monkeypatch.setattr(catalogue, "CATALOGUE", {**catalogue.CATALOGUE, "idle-speed": broken})
    both = found(car(850), with_values(car(700, seed=2), "coolant", lambda v: v + 1))
    assert both["idle-speed"].change is Change.CANNOT_TELL
    assert both["idle-speed"].after.finding == "could-not-run"
