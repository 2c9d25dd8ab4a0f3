"""Every finding of every check is reached by a recording made for it, with its own verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.evidence.every_case import CASES, SOUND, Specs
from tests.evidence.idle_cases import ROAD, loads_now_and_then
from tests.nasty import (
    PARKED_SCRIPT,
    SPECS,
    channel,
    drive,
    recording,
    spec,
    with_gap,
    with_values,
    without,
)
from verify.errors import UserError
from verify.evidence.checks import catalogue
from verify.evidence.checks.catalogue import CATALOGUE, COMMON, SPEC_UNITS, judge
from verify.evidence.checks.kind import COULD_NOT_RUN, Check
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, decide
from verify.quantity import unit
from verify.words import Verdict

# `keysback checks` shows a name and a question in a line of 80.
LONGEST_QUESTION = 63
# A pass or fail that rests on counted events may have no window: there is nothing to point at.
WITHOUT_WINDOW = {("no-stall", "none-seen")}


def one(check: str, made: Recording, specs: Specs) -> CheckResult:
    return judge([made], specs, [check])[0]


def after_a_stop(*what: tuple[str, float]) -> Recording:
    return drive((*PARKED_SCRIPT, *what, *PARKED_SCRIPT))


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_a_recording_made_for_a_finding_reaches_it(check: str, finding: str) -> None:
    make, specs = CASES[check, finding]
    result = one(check, make(), specs)
    assert result.finding == finding, result.why
    assert result.verdict is CATALOGUE[check].findings[finding]
    assert result.version == CATALOGUE[check].version
    assert result.why.endswith(".")
    assert bool(result.settle) == (result.verdict is Verdict.UNDECIDED)
    if result.verdict is Verdict.PASS and result.probability is not None:
        assert decide(result.probability) is Verdict.PASS
    if result.probability is not None:
        assert result.limits is not None
        assert result.limits_source
        assert result.uncertainty is not None or result.value is None
    if result.value is not None:
        assert result.unit
    if result.verdict is not Verdict.UNDECIDED:
        assert result.windows or (check, finding) in WITHOUT_WINDOW
    for window in result.windows:
        assert window.recording == 0
        assert window.end_s >= window.start_s
    assert CheckResult.from_json(result.to_json()).to_json() == result.to_json()


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_check_has_a_case_for_each_verdict_and_each_finding(name: str) -> None:
    cases = {finding for check, finding in CASES if check == name}
    assert cases == set(CATALOGUE[name].findings) - set(COMMON)
    verdicts = {CATALOGUE[name].findings[f] for f in cases}
    # A drive that did not come back to the frame, or was not enough, says nothing against the car.
    of_the_drive = name in ("same-conditions", "road-coverage")
    assert verdicts == set(Verdict) - ({Verdict.FAIL} if of_the_drive else set())


def test_no_case_is_left_of_a_check_that_is_gone() -> None:
    assert {check for check, _ in CASES} == set(CATALOGUE) == set(SOUND)


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_check_says_what_it_is(name: str) -> None:
    check = CATALOGUE[name]
    assert check.name == name
    assert check.version >= 1
    assert check.question.endswith("?")
    assert len(check.question) <= LONGEST_QUESTION
    assert check.quantity
    assert check.limits
    assert check.channels
    assert check.look_alikes
    assert check.blind_spots
    assert set(check.specs) <= set(check.uses)
    assert set(check.uses) <= set(SPEC_UNITS)
    assert set(check.settles) <= set(check.findings)
    for word in SPEC_UNITS.values():
        unit(word)


def test_every_number_of_the_vehicle_is_used_by_a_check() -> None:
    assert {use for check in CATALOGUE.values() for use in check.uses} == set(SPEC_UNITS)


def test_a_check_that_breaks_is_undecided_and_the_others_still_run(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def breaks(*_: object) -> CheckResult:
        raise ZeroDivisionError("by nothing")

    def endless(check: Check, *_: object) -> CheckResult:
        return CheckResult("no-stall", 1, Verdict.PASS, "none-seen", "w", value=float("nan"))

    broken = dict(CATALOGUE)
    broken["idle-speed"] = replace(CATALOGUE["idle-speed"], run=breaks)
    broken["no-stall"] = replace(CATALOGUE["no-stall"], run=endless)
    monkeypatch.setattr(catalogue, "CATALOGUE", broken)
    results = {r.check: r for r in judge([drive()], SPECS)}
    for name in ("idle-speed", "no-stall"):
        assert results[name].finding == COULD_NOT_RUN
        assert results[name].verdict is Verdict.UNDECIDED
        assert results[name].settle
    assert "ZeroDivisionError: by nothing" in results["idle-speed"].why
    assert results["idle-steady"].finding == "steady"


def test_an_unknown_check_is_refused_with_the_nearest() -> None:
    with pytest.raises(UserError, match=r'write "idle-speed"'):
        judge([drive()], SPECS, ["idle-sped"])


def test_a_spec_in_an_unlike_unit_is_refused() -> None:
    with pytest.raises(UserError, match="rotational speed"):
        judge([drive()], {"idle_speed": spec("70 °C")})


def test_bounds_looser_than_allowed_are_refused() -> None:
    with pytest.raises(ValueError):
        judge([drive()], SPECS, pass_at=0.8)


def test_a_tighter_bound_can_only_make_it_undecided() -> None:
    made = drive(idle_rpm=735.0, scatter_rpm=25.0)
    loose = judge([made], SPECS, ["idle-speed"], pass_at=0.90)[0]
    assert loose.verdict is Verdict.PASS
    assert judge([made], SPECS, ["idle-speed"], pass_at=1.0)[0].verdict is Verdict.UNDECIDED


def test_the_same_file_twice_is_no_more_evidence_than_once() -> None:
    made = drive((("idle", 35.0), ("press", 5.0), ("idle", 10.0)))
    assert [r.to_json() for r in judge([made, made, made], SPECS)] == [
        r.to_json() for r in judge([made], SPECS)
    ]


def test_evidence_after_undecided_is_judged_together_with_the_earlier() -> None:
    """Two recordings, each too short alone, decide together; and so for lift-offs."""
    half = (("idle", 28.0), ("press", 5.0), ("idle", 5.0), ("press", 5.0), ("idle", 6.0))
    first, second = drive(half, seed=1), drive(half, seed=2)
    for made in (first, second):
        assert one("idle-speed", made, SPECS).verdict is Verdict.UNDECIDED
        assert one("no-stall", made, SPECS).finding == "too-little-seen"
    both = {r.check: r for r in judge([first, second], SPECS)}
    assert both["idle-speed"].finding == "in-range"
    assert both["no-stall"].finding == "none-seen"
    assert {w.recording for w in both["idle-speed"].windows} == {0, 1}


def test_a_slow_recording_does_not_spoil_a_later_fast_one() -> None:
    slow, fast = drive(every_s=2.0), drive(every_s=0.5, seed=2)
    assert one("idle-steady", slow, {}).finding == "too-slow-to-tell"
    assert judge([slow, fast], {}, ["idle-steady"])[0].finding == "steady"
    assert judge([slow, fast], {}, ["no-stall"])[0].finding == "none-seen"


def test_slow_readings_can_show_that_an_idle_is_unsteady() -> None:
    made = drive((("idle", 150.0),), every_s=2.0, hunting_rpm=90.0, hunting_s=7.0)
    assert one("idle-steady", made, {}).finding == "unsteady"


def test_later_clean_idle_settles_one_spoiled_stretch() -> None:
    spoiled, clean = loads_now_and_then(), drive((("idle", 240.0),), every_s=0.2, seed=3)
    assert one("idle-steady", spoiled, {}).finding == "sometimes-unsteady"
    assert judge([spoiled, clean], {}, ["idle-steady"])[0].finding == "steady"


def test_hunting_in_one_place_is_hunting() -> None:
    calm = drive((("idle", 200.0),), seed=5)
    wild = drive((("idle", 60.0),), hunting_rpm=45.0, hunting_s=3.0, seed=6)
    result = judge([calm, wild], {}, ["idle-steady"])[0]
    assert result.finding == "hunting"
    hunting = result.to_json()["hunting"]
    assert hunting["recording"] == 1
    assert hunting["period_s"] == pytest.approx(3.0, rel=0.03)
    assert hunting["amplitude_rpm"] == pytest.approx(45.0, rel=0.1)
    assert hunting["false_alarm"] < 1e-6


def test_an_own_tolerance_of_the_vehicle_takes_the_place_of_the_usual_one() -> None:
    made = drive(idle_rpm=770.0)
    wide = {**SPECS, "idle_tolerance": spec("100 rpm")}
    assert one("idle-speed", made, SPECS).finding == "too-high"
    result = one("idle-speed", made, wide)
    assert result.finding == "in-range"
    assert result.limits is not None
    assert (result.limits.lower, result.limits.upper) == (600.0, 800.0)
    assert "service information" in result.limits_source


def test_a_long_excursion_is_a_fail_though_the_mean_is_fine() -> None:
    base = drive((("idle", 240.0),))
    times = base.channels["engine_speed"].time_s
    high = with_values(
        base, "engine_speed", lambda v: v + np.where((times > 100) & (times < 113), 260.0, 0.0)
    )
    result = one("idle-speed", high, SPECS)
    assert result.finding == "code-likely"
    assert 11.0 <= result.windows[0].seconds <= 13.0
    short = with_values(
        base, "engine_speed", lambda v: v + np.where((times > 100) & (times < 108), 260.0, 0.0)
    )
    assert one("idle-speed", short, SPECS).finding != "code-likely"


# --- stops ---------------------------------------------------------------------------------------

LIFT = (("press", 5.0), ("idle", 6.0))


def stops(made: Recording) -> list[str]:
    result = one("no-stall", made, {})
    return [e["kind"] for e in result.to_json()["events"]]


def test_the_key_at_the_end_is_no_stall() -> None:
    made = drive((*PARKED_SCRIPT, ("off", 10.0)))
    assert stops(made) == ["key-off"]
    assert one("no-stall", made, {}).finding == "none-seen"


def test_start_stop_that_shows_itself_twice_is_no_stall() -> None:
    light = (("town", 20.0), ("idle", 8.0), ("off", 12.0))
    made = drive((*PARKED_SCRIPT, *light, *light, *light, ("idle", 15.0)))
    assert stops(made) == ["start-stop"] * 3
    assert one("no-stall", made, {}).finding == "none-seen"


def test_one_stop_out_of_a_steady_idle_that_comes_back_stays_open() -> None:
    made = after_a_stop(("off", 12.0))
    assert stops(made) == ["open"]
    assert (
        "stopped and was started again without the car having moved"
        in one("no-stall", made, {}).why
    )


def test_a_stop_while_coming_to_rest_stays_open() -> None:
    made = drive((*PARKED_SCRIPT, ("town", 30.0), ("coast", 3.0), ("off", 12.0), ("idle", 30.0)))
    assert one("no-stall", made, {}).verdict is not Verdict.PASS


def test_an_engine_that_dies_when_the_pedal_is_let_go_has_stalled() -> None:
    made = drive((*PARKED_SCRIPT, ("press", 6.0), ("off", 6.0), ("crank", 1.5), ("idle", 20.0)))
    assert stops(made) == ["stall"]
    result = one("no-stall", made, {})
    assert (result.finding, result.value) == ("stalled", 1.0)


def test_a_stop_while_moving_is_a_stall_and_three_of_them_may_be_a_hybrid() -> None:
    died = (("town", 30.0), ("off-moving", 6.0))
    assert stops(drive((*PARKED_SCRIPT, *died, ("town", 20.0), ("idle", 10.0)))) == ["stall"]
    made = drive((*PARKED_SCRIPT, *died, *died, *died, ("town", 20.0), ("idle", 10.0)))
    assert stops(made) == ["open"] * 3


def test_a_single_reading_of_nothing_is_no_stall_and_no_pass() -> None:
    base = drive()
    hole = np.arange(len(base.channels["engine_speed"].values)) == 100
    made = with_values(base, "engine_speed", lambda v: np.where(hole, 0.0, v))
    result = one("no-stall", made, {})
    assert result.finding == "stop-unclear"
    assert "dropped out" in result.why


def test_an_engine_that_stopped_in_a_gap_stays_open() -> None:
    made = with_gap(drive((*PARKED_SCRIPT, ("idle", 30.0), ("off", 30.0))), 190.0, 215.0)
    result = one("no-stall", made, {})
    assert result.finding == "stop-unclear"
    assert "nothing was recorded" in result.why


def test_key_on_before_the_start_is_no_stop() -> None:
    made = drive((("off", 10.0), ("crank", 1.5), *PARKED_SCRIPT))
    assert stops(made) == []
    assert one("no-stall", made, {}).finding == "none-seen"


def test_an_engine_that_dies_right_after_the_start_is_no_pass() -> None:
    script = (("off", 5.0), ("crank", 1.5), ("idle", 5.0), ("off", 4.0), ("crank", 1.5))
    made = drive((*script, *PARKED_SCRIPT))
    assert one("no-stall", made, {}).finding == "stop-unclear"


def test_without_road_speed_nothing_tells_a_stall_from_the_key() -> None:
    made = without(drive((*PARKED_SCRIPT, ("off", 10.0))), "vehicle_speed")
    assert one("no-stall", made, {}).verdict is Verdict.UNDECIDED


def test_a_clean_recording_says_what_it_does_not_prove() -> None:
    result = one("no-stall", drive(), {})
    exposure = result.to_json()["exposure"]
    assert exposure["lift_offs"] == 4
    assert exposure["stall_share_below"] == pytest.approx(1 - 0.05**0.25)
    assert "53 of 100 lift-offs" in result.notes[0]


# --- the law's drive -----------------------------------------------------------------------------


def coverage(made: Recording) -> dict[str, object]:
    return one("road-coverage", made, {}).to_json()


def test_a_restart_begins_a_new_driving_cycle() -> None:
    script = (("idle", 45.0), ("road", 250.0), ("idle", 5.0), ("off", 200.0))
    made = drive((*script, ("road", 100.0), ("town", 300.0), ("idle", 40.0)), every_s=1.0)
    assert coverage(made)["met_at_s"] is None


def test_a_pause_of_start_stop_does_not() -> None:
    script = (("idle", 45.0), ("road", 250.0), ("idle", 5.0), ("off", 20.0))
    made = drive((*script, ("road", 100.0), ("town", 300.0), ("idle", 40.0)), every_s=1.0)
    value = coverage(made)
    assert value["met_at_s"] is not None
    assert any("start-stop" in text for text in value["assumed"])  # type: ignore[attr-defined]


def test_the_engine_clock_of_the_car_counts_from_before_the_recording() -> None:
    made = drive(ROAD, every_s=1.0)
    times = np.arange(0.0, 600.0)
    clock = recording([*made.channels.values(), channel("run_time", times, times + 300.0)])
    later, earlier = coverage(made)["met_at_s"], coverage(clock)["met_at_s"]
    assert isinstance(later, float)
    assert isinstance(earlier, float)
    assert later >= 600.0
    assert earlier < later


def test_time_at_speed_in_the_cold_or_on_the_mountain_does_not_count() -> None:
    made = drive(ROAD, every_s=1.0)
    times = np.arange(0.0, 620.0)
    cold = channel("ambient", times, np.where(times < 200, -10.0, 5.0))
    high = channel("altitude", times, np.where(times < 200, 3000.0, 500.0))
    thin = channel("baro", times, np.where(times < 200, 70.0, 95.0))
    full = coverage(made)["at_25_mph_s"]
    for extra in (cold, high, thin):
        value = coverage(recording([*made.channels.values(), extra]))
        assert value["at_25_mph_s"] < full  # type: ignore[operator]


def test_a_pressed_pedal_is_no_idle_of_the_law() -> None:
    made = with_values(drive(ROAD, every_s=1.0), "pedal", lambda v: np.where(v < 1.0, 10.0, v))
    assert coverage(made)["longest_idle_s"] == 0.0


def test_two_drives_are_not_added_up() -> None:
    script = (("idle", 45.0), ("road", 200.0), ("town", 100.0))
    first, second = drive(script, every_s=1.0, seed=1), drive(script, every_s=1.0, seed=2)
    assert judge([first, second], {}, ["road-coverage"])[0].finding == "not-yet"
    whole = drive(ROAD, every_s=1.0, seed=3)
    assert judge([first, whole], {}, ["road-coverage"])[0].finding == "met"
