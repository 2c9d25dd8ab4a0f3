"""`fuel-trim`: cars whose mixture is known, look-alikes, and what must never pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.slow_cars import (
    gapped,
    less,
    made,
    moved,
    run,
    spoiled,
    told,
    turned,
)
from tests.evidence.slow_drives import mixture_car as car
from tests.nasty import channel, zoo
from verify.evidence.checks.fuel_trim import FUEL_TRIM
from verify.evidence.checks.trim_sums import STEP, drops_out
from verify.words import Verdict


@pytest.mark.parametrize(
    ("idle", "above", "finding"),
    [
        (2.0, 1.0, "within"),
        (-6.0, -5.0, "within"),
        (20.0, 3.0, "leak-likely"),
        (18.0, 16.0, "lean-everywhere"),
        (2.0, 16.0, "lean"),
        (-17.0, -16.0, "rich"),
        (0.0, -16.0, "rich"),
        (10.0, 2.0, "near-limit"),
    ],
)
def test_the_true_sums_decide(idle: float, above: float, finding: str) -> None:
    result = run(FUEL_TRIM, car(idle, above))
    assert result.finding == finding, result.why
    points = {p["at"]: p for p in result.to_json()["points"]}
    for name, true in (("idle", idle), ("2,500 rpm", above)):
        assert points[name]["sum"] == pytest.approx(true, abs=3 * points[name]["uncertainty"])


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0, 2.0])
def test_a_slow_logger_sees_the_same(every_s: float) -> None:
    assert run(FUEL_TRIM, car(every_s=every_s)).finding == "within"
    assert run(FUEL_TRIM, car(22.0, 4.0, every_s=every_s)).finding == "leak-likely"


def test_the_sum_holds_when_the_long_trim_was_just_cleared() -> None:
    result = run(FUEL_TRIM, car(4.0, 3.0, long_share=0.0))
    assert result.finding == "within"
    assert any("codes were cleared" in note for note in result.notes)
    assert run(FUEL_TRIM, car(18.0, 4.0, long_share=0.0)).finding == "leak-likely"


def test_the_second_bank_is_judged_too() -> None:
    assert run(FUEL_TRIM, car(second=(2.0, 2.0))).finding == "within"
    result = run(FUEL_TRIM, car(second=(19.0, 2.0)))
    assert result.finding == "leak-likely"
    assert "bank 2" in result.why
    half = less(car(second=(2.0, 2.0)), "fuel_trim_long_2")
    assert run(FUEL_TRIM, half).finding == "sum-unknown"


@pytest.mark.parametrize("empty", [0.0, 99.21875, -100.0])
def test_a_bank_that_is_not_there_is_left_out(empty: float) -> None:
    base = car(second=(2.0, 2.0))
    channels = {n: (c.time_s, c.values) for n, c in base.channels.items()}
    for name in ("fuel_trim_short_2", "fuel_trim_long_2"):
        channels[name] = (channels[name][0], np.full(len(channels[name][0]), empty))
    result = run(FUEL_TRIM, made(channels))
    assert result.finding == "within"
    assert any("left out" in note for note in result.notes)
    # Any other number that never moves is a stale one.
    channels["fuel_trim_short_2"] = (channels["fuel_trim_short_2"][0], 3.0)  # type: ignore[assignment]
    assert run(FUEL_TRIM, made(channels)).finding == "frozen"


def test_what_is_missing_is_said() -> None:
    assert run(FUEL_TRIM, car(held_s=10.0)).finding == "held-speed-missing"
    assert run(FUEL_TRIM, car(idle_s=12.0)).finding in ("too-short", "no-idle")
    assert run(FUEL_TRIM, car(status=1.0)).finding == "open-loop"
    assert run(FUEL_TRIM, car(status=16.0)).finding == "open-loop"
    assert run(FUEL_TRIM, less(car(), "fuel_trim_long")).finding == "sum-unknown"
    diesel = less(car(), "fuel_trim_short", "fuel_trim_long")
    assert run(FUEL_TRIM, diesel).finding == "channel-missing"
    assert run(FUEL_TRIM).finding == "channel-missing"


def test_a_lean_idle_fails_though_2500_rpm_was_not_held() -> None:
    assert run(FUEL_TRIM, car(20.0, 20.0, held_s=10.0)).finding == "lean"


@pytest.mark.parametrize("missing", ["engine_speed", "vehicle_speed", "coolant"])
def test_a_required_channel_missing_never_passes(missing: str) -> None:
    assert run(FUEL_TRIM, less(car(), missing)).verdict is not Verdict.PASS


def test_what_stands_in_is_said() -> None:
    result = run(FUEL_TRIM, less(car(), "fuel_status"))
    assert result.finding == "within"
    assert any("closed loop is taken from" in n for n in result.notes)
    result = run(FUEL_TRIM, less(car(), "pedal"))
    assert result.finding == "within"
    assert any("no more than 1100 rpm" in n for n in result.notes)


def test_coasting_at_2500_rpm_is_no_held_speed() -> None:
    """Rolling with the foot off, fuel is cut; without fuel status only the pedal tells."""
    rolling = car(held_kmh=80.0)
    assert run(FUEL_TRIM, less(rolling, "fuel_status")).finding == "within"
    pedal = rolling.channels["pedal"]
    foot_off = made(
        {n: (c.time_s, c.values) for n, c in rolling.channels.items() if n != "pedal"}
        | {"pedal": (pedal.time_s, 0.0 * pedal.values)}
    )
    assert run(FUEL_TRIM, less(foot_off, "fuel_status")).finding == "held-speed-missing"


def test_the_vehicles_own_limit_and_a_slip() -> None:
    assert run(FUEL_TRIM, car(11.0, 8.0), trim_limit="15 %").finding == "within"
    assert run(FUEL_TRIM, car(), trim_limit="90 %").finding == "spec-implausible"
    assert run(FUEL_TRIM, car(), warm_coolant="20 °C").finding == "spec-implausible"
    assert run(FUEL_TRIM, car(), warm_coolant="95 °C").finding == "not-warm"


def test_a_gap_in_the_held_speed_is_no_held_speed() -> None:
    assert run(FUEL_TRIM, gapped(car(), 70.0, 85.0)).verdict is Verdict.UNDECIDED


def test_two_recordings_make_up_for_each_other() -> None:
    assert run(FUEL_TRIM, car(held_s=10.0), car(seed=2)).finding == "within"
    assert run(FUEL_TRIM, car(), car(20.0, 3.0, seed=2)).verdict is not Verdict.PASS


@pytest.mark.parametrize("name", ["fuel_trim_short", "fuel_trim_long", "engine_speed", "coolant"])
def test_spoiled_readings_never_pass(name: str) -> None:
    for way, bad in spoiled(car(), name).items():
        if (name, way) not in STILL_SOUND:
            assert run(FUEL_TRIM, bad).verdict is not Verdict.PASS, way


# A long trim that has learned stands still, and one of a sound car is as good halved, as nothing
# or on the other side; small swings stay small; a warm engine may read one temperature.
STILL_SOUND = {
    ("fuel_trim_long", "constant"),
    ("fuel_trim_long", "zero"),
    ("fuel_trim_long", "negative"),
    ("fuel_trim_long", "flickering"),
    ("fuel_trim_short", "negative"),
    ("fuel_trim_short", "flickering"),
    ("coolant", "constant"),
}


def test_the_zoo_breaks_nothing_and_earns_no_pass() -> None:
    for name, made_ in zoo().items():
        assert run(FUEL_TRIM, made_).verdict is Verdict.UNDECIDED, name


@pytest.mark.parametrize("shift_s", [-13.7, 86_400.25])
def test_the_clock_and_the_order_of_channels_change_nothing(shift_s: float) -> None:
    for base in (car(), car(20.0, 3.0), car(10.0, 2.0)):
        assert told(run(FUEL_TRIM, moved(base, shift_s))) == told(run(FUEL_TRIM, base))
        assert run(FUEL_TRIM, turned(base)).to_json() == run(FUEL_TRIM, base).to_json()


@settings(max_examples=40, deadline=None)
@given(
    idle=st.floats(-24.0, 24.0),
    above=st.floats(-24.0, 24.0),
    seed=st.integers(0, 10_000),
    long_share=st.floats(0.0, 1.0),
)
def test_never_wrong_away_from_the_limit(
    idle: float, above: float, seed: int, long_share: float
) -> None:
    worst = max(abs(idle), abs(above))
    verdict = run(FUEL_TRIM, car(idle, above, seed=seed, long_share=long_share)).verdict
    if worst > 11.0:
        assert verdict is not Verdict.PASS
    if worst < 9.0:
        assert verdict is not Verdict.FAIL


def test_pinned() -> None:
    """What version 3 says of a car written out by plain arithmetic; a change is a new version."""
    t = np.arange(0.0, 160.0, 0.5)
    held = (t >= 60.0) & (t < 96.0)
    result = run(
        FUEL_TRIM,
        made(
            {
                "engine_speed": (t, np.where(held, 2480.0, 710.0) + 5.0 * np.sin(1.7 * t)),
                "vehicle_speed": (t, 0.0 * t),
                "pedal": (t, np.where(held, 14.0, 0.0)),
                "coolant": (t, 90.0 + np.sin(t / 11.0)),
                "fuel_trim_short": (t, np.where(held, -1.0, 2.0) + 2.0 * np.sin(2.1 * t)),
                "fuel_trim_long": (t, np.where(held, 2.3, 3.1)),
            }
        ),
    )
    assert FUEL_TRIM.version == 3
    assert told(result) == ("pass", "within")
    assert result.value == pytest.approx(PINNED[0], rel=1e-9)
    assert result.uncertainty == pytest.approx(PINNED[1], rel=1e-9)


PINNED = (5.115927419354839, 0.3588194089073456)


@pytest.mark.parametrize("name", ["fuel_trim_short", "fuel_trim_long"])
@pytest.mark.parametrize("every_s", [0.2, 0.5, 1.0])
def test_a_trim_that_drops_to_zero_is_not_averaged(name: str, every_s: float) -> None:
    """Half of 14 % would pass; the true sum is outside."""
    share = 0.3 if name == "fuel_trim_short" else 0.7
    base = car(14.0, 13.0, every_s=every_s, long_share=1.0 - share if share < 0.5 else share)
    result = run(FUEL_TRIM, spoiled(base, name)["flickering"])
    assert result.finding == "drops-out"
    assert "exactly 0" in result.why


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10_000),
    st.floats(-9.0, 9.0),
    st.floats(0.3, 6.0),
    st.sampled_from([0.2, 0.5, 1.0]),
    st.sampled_from([0.0, 0.5, 1.0]),
)
def test_a_trim_that_swings_through_zero_does_not_drop_out(
    seed: int, mean: float, swing: float, every_s: float, wander: float
) -> None:
    """Rounded to a byte's step, as cars give it: any healthy mean and swing."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 120.0, every_s)
    phase = (t / rng.uniform(1.0, 3.0)) % 1.0
    values = mean + swing * (4.0 * np.abs(phase - 0.5) - 1.0) + rng.normal(0.0, 0.6, len(t))
    values = values + wander * np.cumsum(rng.normal(0.0, np.sqrt(every_s / 30.0), len(t)))
    trim = channel("fuel_trim_short", t, np.round(values / STEP) * STEP, STEP)
    assert drops_out(trim, np.array([[0.0, 120.0]])) == 0.0


def test_a_trim_that_was_cleared_and_learns_does_not_drop_out() -> None:
    """0 at idle and 4 % above, and back: long runs of either are what it has learned."""
    t = np.arange(0.0, 240.0, 0.5)
    long = channel("fuel_trim_long", t, np.where(t // 30.0 % 2.0 == 0.0, 0.0, 5 * STEP), STEP)
    assert drops_out(long, np.array([[0.0, 240.0]])) == 0.0


@pytest.mark.parametrize("stale", ["held", "idle"])
def test_a_trim_that_stands_still_over_a_point_is_no_evidence_there(stale: str) -> None:
    """The logger goes on writing the last trim it had, whatever the mixture does meanwhile."""
    base = car(2.0, 16.0) if stale == "held" else car(16.0, 2.0)
    short = base.channels["fuel_trim_short"]
    held = (short.time_s >= 60.0) & (short.time_s < 94.0)
    own = held if stale == "held" else ~held
    values = np.where(own, 0.0, short.values)
    long = base.channels["fuel_trim_long"]
    quiet = replace(long, values=np.zeros(len(long.values)))
    result = run(
        FUEL_TRIM,
        replace(
            base,
            channels={
                **base.channels,
                "fuel_trim_short": replace(short, values=values),
                "fuel_trim_long": quiet,
            },
        ),
    )
    assert told(result) == ("undecided", "frozen")
    assert ("2,500 rpm" if stale == "held" else "at idle") in result.why
