"""`idle-settling` on drives with a known course of the idle, and what counts as a start."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.settling_drives import (
    UNIT,
    channel_of,
    outing,
    outings,
    settling,
    with_plate,
)
from tests.nasty import SPECS, changed, channel, drive, kept, recording, spec, with_values, without
from tests.nasty import zoo as nasty_zoo
from verify.evidence.checks.idle_readings import gather
from verify.evidence.checks.idle_settling import IDLE_SETTLING, run_idle_settling
from verify.evidence.checks.warm_idles import warm_idles
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule, decide
from verify.quantity import SpecValue
from verify.words import Verdict


def told(recordings: Sequence[Recording], specs: dict[str, SpecValue] | None = None) -> CheckResult:
    wanted = SPECS if specs is None else specs
    result = run_idle_settling(IDLE_SETTLING, recordings, wanted, Rule())
    assert CheckResult.from_json(result.to_json()).to_json() == result.to_json()
    assert result.verdict is IDLE_SETTLING.findings[result.finding]
    assert bool(result.settle) == (result.verdict is Verdict.UNDECIDED)
    assert result.why.endswith(".")
    if result.probability is not None:
        assert decide(result.probability) is result.verdict
    return result


CASES: dict[str, tuple[Callable[[], list[Recording]], dict[str, SpecValue]]] = {
    "settled": (lambda: outings(settling(705, 0, 1)), SPECS),
    "settles-outside": (lambda: outings(settling(790, 120, 4)), SPECS),
    "drifting": (lambda: outings(lambda m: 740 + 5.0 * m), SPECS),
    "will-settle": (lambda: outings(settling(700, 400, 9)), SPECS),
    "still-moving": (lambda: outings(settling(700, 130, 60)), SPECS),
    "near-limit": (lambda: outings(settling(749, 0, 1)), SPECS),
    "too-few-idles": (lambda: outings(settling(705, 0, 1), 1), SPECS),
    "no-spec": (lambda: outings(settling(705, 0, 1)), {}),
    "spec-implausible": (lambda: outings(settling(705, 0, 1)), {"idle_speed": spec("7 rpm")}),
    "channel-missing": (
        lambda: [without(r, "vehicle_speed") for r in outings(settling(705, 0, 1))],
        SPECS,
    ),
    "too-slow-to-tell": (
        lambda: [kept(r, lambda t: t % 20 < 0.5) for r in outings(settling(705, 0, 1))],
        SPECS,
    ),
    "not-warm": (lambda: outings(settling(705, 0, 1), coolant_c=60.0), SPECS),
    "frozen": (
        lambda: [
            with_values(r, "engine_speed", lambda v: np.full(len(v), 700.0))
            for r in outings(settling(705, 0, 1))
        ],
        SPECS,
    ),
    "no-idle": (lambda: [drive((("town", 200.0),))], SPECS),
    "adapting": (lambda: with_plate(outings(settling(705, 0, 1)), lambda m: 8 - 0.25 * m), SPECS),
}


@pytest.mark.parametrize("finding", CASES)
def test_a_course_made_for_a_finding_reaches_it(finding: str) -> None:
    make, specs = CASES[finding]
    assert told(make(), specs).finding == finding


def test_every_finding_has_its_case() -> None:
    assert set(CASES) == set(IDLE_SETTLING.findings)


def test_what_a_settled_car_is_told() -> None:
    result = told(outings(settling(705, 0, 1)))
    assert result.value == pytest.approx(705, abs=3)
    assert result.samples == 9
    value = result.to_json()
    assert value["trends"]["engine_speed"]["model"] == "constant"
    assert [i["engine_start"] for i in value["idles"]] == [1] * 3 + [2] * 3 + [3] * 3
    minutes = [i["minute"] for i in value["idles"]]
    assert minutes == sorted(minutes)
    # The middle of the last idle: two outings before, and 12 + 3 × 100 − 20 s of its own.
    assert minutes[-1] == pytest.approx(2 * UNIT + (12 + 300 - 20) / 60, abs=0.1)


def test_an_approach_that_is_over_is_settled() -> None:
    result = told(outings(settling(712, 150, 2)))
    assert result.finding == "settled"
    trend = result.to_json()["trends"]["engine_speed"]
    assert trend["model"] == "approach"
    assert trend["ends_at"] == pytest.approx(712, abs=4)
    assert trend["time_constant_min"] == pytest.approx(2, rel=0.3)


def test_a_forecast_never_passes() -> None:
    """On its way in as surely as can be, and not yet in."""
    made = outings(settling(700, 400, 9))
    result = told(made)
    assert result.finding == "will-settle"
    assert result.value == pytest.approx(700 + 400 * np.exp(-3 * UNIT / 9), abs=15)
    assert "drive on for" in result.settle
    more = [*made, *(outing(settling(700, 400, 9), i * UNIT, seed=9 + i) for i in range(3, 9))]
    assert told(more).finding == "settled"


def test_a_way_in_that_is_slow_is_no_drift() -> None:
    for seed in range(4):
        result = told(outings(settling(700, 130, 60), seed=10 * seed + 1))
        assert result.verdict is not Verdict.FAIL, result.why


def test_a_drift_of_a_step_or_two_does_not_fail_and_does_not_hide() -> None:
    result = told(outings(lambda m: 700 + 0.15 * m))
    assert result.verdict is Verdict.PASS
    assert result.finding == "settled"


@pytest.mark.parametrize("seed", range(12))
def test_a_good_car_is_not_failed_and_a_bad_one_does_not_pass(seed: int) -> None:
    rng = np.random.default_rng(seed)
    step, tau = float(rng.uniform(-150, 150)), float(rng.uniform(1, 15))
    good = settling(700 + float(rng.uniform(-40, 40)), step, tau)
    assert told(outings(good, seed=50 * seed + 1)).verdict is not Verdict.FAIL
    bad = settling(700 + float(rng.choice([-1, 1]) * rng.uniform(60, 100)), step, tau)
    assert told(outings(bad, seed=50 * seed + 9)).verdict is not Verdict.PASS


def test_one_idle_with_a_load_on_neither_fails_nor_bends_the_rest() -> None:
    """The last idle 60 rpm up, as with the air conditioning."""
    made = outings(settling(700, 0, 1))
    times = made[-1].channels["engine_speed"].time_s
    made[-1] = with_values(
        made[-1], "engine_speed", lambda v: v + np.where((times > 275) & (v < 1000), 60.0, 0.0)
    )
    result = told(made)
    assert result.verdict is not Verdict.FAIL


# --- starts, idles and time ------------------------------------------------------------------


def starts(made: list[Recording]) -> list[int]:
    return [i.start for i in warm_idles(made, gather(made, SPECS))]


def running_from_the_first_row(r: Recording) -> Recording:
    """The same without its first 8 s: neither off nor cranking is seen."""
    return kept(r, lambda t: t > 8.0)


def test_a_new_file_is_no_new_start() -> None:
    made = [running_from_the_first_row(r) for r in outings(settling(705, 0, 1))]
    assert starts(made) == [1] * 9
    assert told(made).finding == "too-few-idles"


def test_an_engine_that_was_off_at_the_end_was_started_again() -> None:
    made = outings(settling(705, 0, 1), 2)
    first = made[0]
    end = first.channels["engine_speed"].time_s[-1]
    off = with_values(
        first,
        "engine_speed",
        lambda v: np.where(first.channels["engine_speed"].time_s > end - 3.0, 0.0, v),
    )
    assert starts([off, running_from_the_first_row(made[1])]) == [1] * 3 + [2] * 3


def test_a_run_time_that_began_anew_is_a_start_and_tells_unseen_minutes() -> None:
    made = [running_from_the_first_row(r) for r in outings(settling(705, 0, 1), 3)]

    def with_clock(r: Recording, begins_s: float) -> Recording:
        times = np.arange(8.5, 310.0)
        clock = channel("run_time", times, times - 8.5 + begins_s, 1.0)
        return recording([*r.channels.values(), clock], name=r.source_name)

    anew = [with_clock(made[0], 100.0), with_clock(made[1], 60.0), with_clock(made[2], 1000.0)]
    found = warm_idles(anew, gather(anew, SPECS))
    assert [i.start for i in found] == [1] * 3 + [2] * 6
    plain = warm_idles(made, gather(made, SPECS))
    # A minute unseen before the second recording, and from 361 to 1000 s before the third.
    assert found[3].minute - plain[3].minute == pytest.approx(1.0, abs=0.05)
    assert found[6].minute - plain[6].minute == pytest.approx(1.0 + 638.5 / 60, abs=0.1)


def test_a_warm_engine_that_is_cold_had_been_off() -> None:
    made = [running_from_the_first_row(r) for r in outings(settling(705, 0, 1), 2)]
    times = made[1].channels["coolant"].time_s
    cold = with_values(made[1], "coolant", lambda v: np.where(times < 60.0, 40.0, v))
    assert starts([made[0], cold])[-1] == 2


def test_a_restart_of_a_parked_car_is_a_start_and_start_stop_is_none() -> None:
    parked = drive((("town", 30.0), ("idle", 60.0), ("off", 20.0), ("crank", 1.0), ("idle", 60.0)))
    assert starts([parked]) == [1, 2]
    # Start-stop acts within ten seconds of coming to rest.
    light = (("town", 30.0), ("idle", 8.0), ("off", 20.0))
    lights = drive((*light, *light, *light, ("idle", 40.0)))
    assert set(starts([lights])) == {1}


def test_a_blip_of_the_pedal_makes_no_new_idle() -> None:
    made = drive((("idle", 60.0), ("press", 5.0), ("idle", 30.0), ("press", 30.0), ("idle", 40.0)))
    found = warm_idles([made], gather([made], SPECS))
    assert [len(i.windows) for i in found] == [2, 1]


def test_six_short_runs_of_the_engine_are_six_idles() -> None:
    """Nothing but starts and idles: time is what the engine ran."""
    made = [drive((("off", 3.0), ("crank", 1.0), ("idle", 40.0)), seed=i + 1) for i in range(6)]
    found = warm_idles(made, gather(made, SPECS))
    assert len({round(i.minute, 3) for i in found}) == 6
    assert told(made).finding == "settled"


def test_a_plate_that_stands_open_is_no_idle_control() -> None:
    """The flap of a diesel, moving by itself: it holds nothing back."""
    made = with_plate(outings(settling(705, 0, 1)), lambda m: 84 - 0.3 * m)
    result = told(made)
    assert result.finding == "settled"
    assert "throttle" not in result.to_json()["trends"]


@pytest.mark.parametrize(("moves", "finding"), [(0.0, "settled"), (0.5, "adapting")])
def test_trims_that_still_move_keep_it_open(moves: float, finding: str) -> None:
    made = []
    for i, r in enumerate(outings(settling(705, 0, 1))):
        times = np.arange(0.0, 310.0)
        minute = i * UNIT + times / 60.0
        short = np.random.default_rng(i).normal(0, 2, len(times))
        made.append(
            recording(
                [
                    *r.channels.values(),
                    channel_of("fuel_trim_short", times, np.round(short / 0.78) * 0.78, 0.78),
                    channel_of("fuel_trim_long", times + 0.3, -8 + moves * minute, 0.78),
                ],
                name=r.source_name,
            )
        )
    assert told(made).finding == finding


# --- what must never be -----------------------------------------------------------------------


@pytest.mark.parametrize("name", nasty_zoo())
def test_the_zoo_earns_no_pass_and_breaks_nothing(name: str) -> None:
    bad = nasty_zoo()[name]
    assert told([bad]).verdict is Verdict.UNDECIDED
    told([*outings(settling(705, 0, 1)), bad])
    assert told([bad] * 8).verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("missing", ["engine_speed", "vehicle_speed", "pedal", "coolant"])
def test_without_a_required_channel_nothing_passes(missing: str) -> None:
    made = [without(r, missing) for r in outings(settling(705, 0, 1))]
    assert told(made).finding == "channel-missing"


def test_no_recording_is_undecided() -> None:
    assert told([]).finding == "no-idle"


@settings(max_examples=12, deadline=None)
@given(st.floats(0.2, 3.0), st.integers(0, 10**6), st.floats(-20000, 20000))
def test_clock_and_rate_do_not_decide(every_s: float, seed: int, shift_s: float) -> None:
    made = outings(settling(702, 0, 1), seed=seed, every_s=every_s)
    moved = [
        changed(r, lambda c: channel(c.name, c.time_s + shift_s, c.values, c.resolution))
        for r in made
    ]
    one, other = told(made), told(moved)
    assert one.finding == other.finding
    assert one.verdict is not Verdict.FAIL


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 2), max_size=3, unique=True))
def test_fewer_outings_never_turn_into_a_pass(kept_ones: list[int]) -> None:
    """Two outings of three idles are enough; one, however chosen, is not."""
    made = outings(settling(705, 0, 1))
    result = told([made[i] for i in sorted(kept_ones)])
    assert (result.verdict is Verdict.PASS) == (len(kept_ones) >= 2)


# --- what it said at its version -----------------------------------------------------------------

T = np.arange(0.0, 500.0, 0.5)


def written_out(outing: int) -> Recording:
    """Off, two minutes of road, idle, road, idle: by plain arithmetic, with a slow beat."""
    road = ((T >= 20) & (T < 140)) | ((T >= 200) & (T < 320))
    minute = 8.0 * outing + T / 60.0
    beat = 5.0 * np.sin(T * 1.9) + 3.0 * np.sin(T * 5.3 + outing)
    idle = 712.0 + 90.0 * np.exp(-minute / 6.0) + beat
    engine = np.round(np.where(T < 5, 0.0, np.where(road, 1900.0, idle)))
    return recording(
        [
            channel("engine_speed", T, engine),
            channel("vehicle_speed", T + 0.1, np.where(road, 50.0, 0.0)),
            channel("pedal", T + 0.2, np.where(road, 20.0, 0.0)),
            channel("coolant", T + 0.3, np.full(len(T), 91.0)),
        ],
        name=f"outing {outing}",
    )


def test_version_1_is_pinned() -> None:
    """A change here is a new version of the check."""
    result = told([written_out(i) for i in range(4)]).to_json()
    assert IDLE_SETTLING.version == 1
    trend = result["trends"]["engine_speed"]
    found = {
        "finding": result["finding"],
        "value": result["value"],
        "uncertainty": result["uncertainty"],
        "probability": result["probability"],
        "idles": len(result["idles"]),
        "minute": result["idles"][-1]["minute"],
        "ends_at": trend["ends_at"],
        "tau": trend["time_constant_min"],
        "approach": trend["aicc"]["approach"],
    }
    assert set(found) == set(PINNED)
    for name, value in PINNED.items():
        assert found[name] == (value if isinstance(value, str) else pytest.approx(value, rel=1e-7))


PINNED: dict[str, float | str] = {
    "finding": "settled",
    "value": 712.3264782719315,
    "uncertainty": 0.9503974377778018,
    "probability": 0.9999998912179966,
    "idles": 8,
    "minute": 31.538333333333334,
    "ends_at": 712.3264782719315,
    "tau": 6.154607288056972,
    "approach": 12.011598388863398,
}
