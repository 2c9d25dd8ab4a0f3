"""Back to the freeze frame: seconds in its conditions, on made drives, real ones and by a loop."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from tests.evidence.road_cars import FRAME
from tests.evidence.road_cars import frame_drive as made
from tests.nasty import (
    changed,
    channel,
    drive,
    kept,
    recording,
    spec,
    with_gap,
    with_values,
    without,
    zoo,
)
from verify.car.freeze_frame import FreezeFrame, similar
from verify.errors import UserError
from verify.evidence.checks.kind import Check
from verify.evidence.checks.same_conditions import SAME_CONDITIONS, run_same_conditions
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.quantity import SpecValue
from verify.words import Verdict


def frame(**more: str) -> Mapping[str, SpecValue]:
    return {**FRAME, **{name: spec(text) for name, text in more.items()}}


def without_spec(name: str) -> Mapping[str, SpecValue]:
    return {k: v for k, v in FRAME.items() if k != name}


def judged(*made: Recording, specs: Mapping[str, SpecValue] = FRAME) -> CheckResult:
    result = run_same_conditions(SAME_CONDITIONS, made, specs, Rule())
    assert CheckResult.from_json(result.to_json()).to_json() == result.to_json()
    if result.verdict is Verdict.UNDECIDED:
        assert result.settle
    return result


def test_long_enough_in_the_conditions_is_met() -> None:
    result = judged(made())
    assert (result.verdict, result.finding) == (Verdict.PASS, "met")
    assert 28.0 <= result.to_json()["seconds"] <= 30.0
    assert result.windows
    assert "13 CCR 1968.2" in result.limits_source


def test_too_short_names_the_drive_that_would_do_it() -> None:
    result = judged(made(8.0))
    assert result.finding == "not-met"
    assert 6.5 <= result.to_json()["seconds"] <= 8.0
    assert result.settle.startswith("steady 55–65 km/h")
    assert "1,900 rpm" in result.settle


def test_seconds_of_several_drives_add_up() -> None:
    assert judged(made(8.0)).finding == "not-met"
    assert judged(made(8.0), made(7.5, every_s=0.4)).finding == "met"


def test_the_load_window_is_a_setting_and_never_wider_than_the_law() -> None:
    loads = frame(frame_load="22 %")  # 40 % is 18 points away
    assert judged(made(), specs=loads).finding == "met"
    narrow = {**loads, "frame_load_window": spec("10 %")}
    assert judged(made(), specs=narrow).finding == "not-met"
    wide = {**FRAME, "frame_load_window": spec("30 %")}
    assert judged(made(), specs=wide).finding == "spec-implausible"


def test_the_other_side_of_warm_is_not_the_same() -> None:
    assert judged(made(coolant_c=60.0)).finding == "not-met"
    cold = frame(frame_coolant="20 °C")
    assert judged(made(coolant_c=60.0), specs=cold).finding == "met"
    assert judged(made(), specs=cold).finding == "not-met"
    # 71 °C is below 160 °F (71.1 °C), 72 °C above.
    assert judged(made(coolant_c=71.0)).finding == "not-met"
    assert judged(made(coolant_c=72.0)).finding == "met"


def test_the_edges_are_included() -> None:
    assert judged(made(), specs=frame(frame_engine_speed="1577 rpm")).finding == "met"
    assert judged(made(), specs=frame(frame_engine_speed="1573 rpm")).finding == "not-met"
    assert judged(made(), specs=frame(frame_load="60 %")).finding == "met"
    assert judged(made(), specs=frame(frame_load="60.1 %")).finding == "not-met"


@pytest.mark.parametrize(
    ("specs", "words"),
    [
        (frame(frame_engine_speed="0 rpm"), "not running"),
        ({"frame_engine_speed": spec("0 rpm")}, "not running"),
        (frame(frame_engine_speed="750 rpm", frame_vehicle_speed="0 km/h"), "at idle"),
        ({**without_spec("frame_vehicle_speed"), "frame_engine_speed": spec("750 rpm")}, "at idle"),
        (frame(frame_other_code="1"), "another code"),
    ],
)
def test_where_no_drive_can(specs: Mapping[str, SpecValue], words: str) -> None:
    for one in (made(), drive()):
        result = judged(one, specs=specs)
        assert result.finding == "no-drive-can"
        assert result.verdict is Verdict.UNDECIDED
        assert words in result.why


def test_an_idle_frame_says_what_to_do_instead() -> None:
    specs = frame(frame_engine_speed="750 rpm", frame_vehicle_speed="0 km/h", frame_load="25 %")
    idle = with_values(drive(also={"load": 25.0}), "load", lambda v: v + np.arange(len(v)) % 2)
    result = judged(idle, specs=specs)
    assert "put that recording to idle-speed" in result.settle
    assert "s in those conditions" in result.why


def test_creeping_at_idle_speed_is_a_drive() -> None:
    crawl = frame(frame_engine_speed="900 rpm", frame_vehicle_speed="8 km/h")
    result = judged(made(), specs=crawl)
    assert result.finding == "not-met"
    assert "km/h" in result.settle


def test_a_frame_of_a_held_engine_speed_at_rest_is_met_standing() -> None:
    parked = frame(frame_engine_speed="2500 rpm", frame_vehicle_speed="0 km/h", frame_load="20 %")
    result = judged(made(), specs=parked)
    assert result.finding == "not-met"
    assert "stand in P or neutral" in result.settle


@pytest.mark.parametrize("name", ["frame_engine_speed", "frame_load", "frame_coolant"])
def test_an_incomplete_frame_is_none(name: str) -> None:
    result = judged(made(), specs=without_spec(name))
    assert result.finding == "no-frame"
    assert name in result.why


@pytest.mark.parametrize("name", ["engine_speed", "load", "coolant"])
def test_without_a_channel_nothing_is_met(name: str) -> None:
    result = judged(without(made(), name))
    assert result.finding == "channel-missing"
    assert name.replace("_", " ") in result.settle


def test_a_frame_in_unlike_units_is_refused_and_in_like_ones_converted() -> None:
    us = frame(frame_coolant="190 °F", frame_vehicle_speed="39 mph")
    assert judged(made(), specs=us).finding == "met"
    with pytest.raises(UserError):
        judged(made(), specs=frame(frame_coolant="190 rpm"))


def test_slow_load_is_too_slow() -> None:
    base = made(60.0)
    slow = changed(
        base,
        lambda c: channel(c.name, c.time_s[::6], c.values[::6]) if c.name == "load" else c,
    )
    assert judged(slow).finding == "too-slow-to-tell"


def test_a_stalled_or_frozen_engine_is_no_time() -> None:
    low = frame(frame_engine_speed="600 rpm", frame_vehicle_speed="5 km/h", frame_load="10 %")
    times = np.arange(0.0, 60.0, 0.5)
    parts = [channel("load", times, 5.0 + 0 * times), channel("coolant", times, 90.0 + 0 * times)]
    standing = recording([channel("engine_speed", times, 0 * times + 230.0 + times % 2), *parts])
    assert judged(standing, specs=low).to_json()["seconds"] == 0.0
    stuck = recording([channel("engine_speed", times, 0 * times + 600.0), *parts])
    assert judged(stuck, specs=low).to_json()["seconds"] == 0.0


def test_near_ten_seconds_the_doubt_decides() -> None:
    """Half-second steps: two borders of 0.5 s leave 0.2 s of doubt; old readings leave more."""
    base = made(11.0)
    result = judged(base)
    assert result.finding == "met"
    assert result.uncertainty == pytest.approx(0.5 / np.sqrt(6))
    assert result.probability is not None
    assert result.probability >= 0.95
    aged = replace(base, channels={n: replace(c, skew_s=1.5) for n, c in base.channels.items()})
    old = judged(aged)
    assert old.finding == "not-met"
    assert old.uncertainty == pytest.approx(np.sqrt((0.25 + 2.25) / 6))


@settings(max_examples=60, deadline=None)
@given(st.floats(31.0, 40.0), st.floats(2.1, 20.0))
def test_a_gap_counts_for_nothing(start: float, length: float) -> None:
    base = made(12.0)
    assert judged(base).finding == "met"
    assert judged(with_gap(base, start, start + length)).finding == "not-met"


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.2, 0.5, 1.0]), st.sampled_from([0.0, 0.4]))
def test_no_more_is_counted_than_a_slow_truth_holds(seed: int, every_s: float, skew: float) -> None:
    """Truth at full rate moves slowly (over 20 s and more): what is counted lies within it, and
    within three sampling steps of each border below it."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 240.0, 0.01)

    def wave(middle: float, width: float) -> np.ndarray:
        period, phase = rng.uniform(30.0, 90.0), rng.uniform(0, 6.3)
        return middle + width * np.sin(2 * np.pi * fine / period + phase)

    rpm, load = wave(1900.0, 700.0), wave(40.0, 35.0)
    true = (np.abs(rpm - 1900.0) <= 375.0) & (np.abs(load - 35.0) <= 20.0)
    truth = float(true.sum()) * 0.01
    channels = []
    for name, values in (("engine_speed", rpm), ("load", load), ("coolant", 0 * fine + 90.0)):
        times = np.arange(rng.uniform(0, every_s), 239.0, every_s)
        read = np.interp(times - skew * rng.uniform(0, 1, len(times)), fine, values)
        channels.append(replace(channel(name, times, read), skew_s=skew))
    result = judged(recording(channels))
    borders = int(np.count_nonzero(np.diff(true.astype(int))))
    seconds = result.to_json()["seconds"]
    assert seconds <= truth + 1e-6 + (0.02 + skew) * borders
    assert seconds >= truth - (2 * every_s + 2 * skew) * (borders + 1)
    if result.verdict is Verdict.PASS:
        assert truth >= 10.0


@settings(max_examples=100)
@given(
    st.floats(0, 4000), st.floats(0, 100), st.floats(-20, 120),
    st.floats(0, 4000), st.floats(0, 100), st.floats(-20, 120),
)  # fmt: skip
def test_the_conditions_are_those_of_the_freeze_frame_module(
    rpm: float, load: float, coolant: float, now: float, pull: float, heat: float
) -> None:
    times = np.arange(0.0, 30.0, 0.5)
    one = recording(
        [
            channel("engine_speed", times, now + 1e-9 * times),
            channel("load", times, pull + 1e-6 * times),
            channel("coolant", times, heat + 0 * times),
        ]
    )
    specs = {
        "frame_engine_speed": spec(f"{rpm + 1200:.3f} rpm"), "frame_load": spec(f"{load:.3f} %"),
        "frame_coolant": spec(f"{coolant:.3f} °C"), "frame_vehicle_speed": spec("50 km/h"),
    }  # fmt: skip
    stored = FreezeFrame("", 50.0, round(rpm + 1200, 3), round(load, 3), round(coolant, 3))
    wanted = similar(stored, now, pull, heat)
    result = judged(one, specs=specs)
    if abs(abs(now - rpm - 1200) - 375) > 0.01 and abs(abs(pull - load) - 20) > 0.01:
        assert (result.finding == "met") == (wanted is True)


@pytest.mark.parametrize("name", zoo())
def test_nasty_recordings_earn_nothing(name: str) -> None:
    assert judged(zoo()[name]).verdict is Verdict.UNDECIDED


def test_no_recording_is_undecided() -> None:
    assert judged().verdict is Verdict.UNDECIDED
    assert judged(kept(made(), lambda t: t < 0.6)).verdict is Verdict.UNDECIDED


def test_it_says_what_it_is() -> None:
    check: Check = SAME_CONDITIONS
    assert set(check.specs) <= set(check.uses)
    assert Verdict.FAIL not in check.findings.values(), "a drive that did not go there fails no car"


def test_pinned_at_version_2() -> None:
    value = judged(made(12.0)).to_json()
    assert SAME_CONDITIONS.version == 2
    assert (value["verdict"], value["finding"]) == ("pass", "met")
    assert value["seconds"] == pytest.approx(11.4, rel=1e-9)
    assert [[w["start_s"], w["end_s"]] for w in value["windows"]] == [[30.1, 41.5]]


# --- a real drive --------------------------------------------------------------------------------

# Three columns, load among them, and neither time nor coolant.
NO_TIME = "f46bd6768602a764172fe08f69f031be3aa7edd3ef1591d349c16e0710bb8427"
# Round-robin logger: no load.
NO_LOAD = "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f"


@pytest.mark.parametrize(
    ("rpm", "load", "window"), [(1500, 40, 20), (1500, 40, 10), (2100, 60, 20), (2600, 80, 20)]
)
def test_seconds_of_a_real_drive_are_those_of_pandas(rpm: int, load: int, window: int) -> None:
    """One row a second; a row and the next both inside are one second. The warm state is added."""
    table = pd.read_csv(real_recording(NO_TIME))
    inside = ((table["rpm"] - rpm).abs() <= 375) & ((table["load"] - load).abs() <= window)
    both = inside & inside.shift(-1, fill_value=False)
    # An engine that reads the same ten times in a row over 8 s is frozen and counts for nothing.
    run = (table["rpm"] != table["rpm"].shift()).cumsum()
    frozen = table.groupby(run)["rpm"].transform("size") >= 11
    stuck = frozen & (run == run.shift(-1)) & both
    data = real_recording(NO_TIME).read_bytes()
    read = read_recording(
        io.BytesIO(data), "drive", mapping={"speed": "vehicle_speed km/h"}, interval_s=1.0
    )
    times = read.channels["engine_speed"].time_s
    warm = recording(
        [*read.channels.values(), channel("coolant", times[::5], np.full(len(times[::5]), 88.0))]
    )
    specs = frame(
        frame_engine_speed=f"{rpm} rpm", frame_load=f"{load} %", frame_load_window=f"{window} %",
    )  # fmt: skip
    seconds = judged(warm, specs=specs).to_json()["seconds"]
    wanted = int(both.sum()) - int(stuck.sum())
    assert wanted > 10
    assert seconds == pytest.approx(wanted, rel=0.002, abs=2.0)
    assert judged(read, specs=specs).finding == "channel-missing"


def test_a_real_drive_without_load_is_undecided() -> None:
    data = real_recording(NO_LOAD).read_bytes()
    result = judged(read_recording(io.BytesIO(data), "drive"))
    assert result.finding == "channel-missing"
    assert "load" in result.why


def test_a_load_that_stands_still_is_no_time_in_the_conditions() -> None:
    """The logger writes its last load on and on while the engine turns faster and slower."""
    base = made(60.0)
    stale = with_values(base, "load", lambda v: 40.0 + 0.0 * v)
    assert judged(base).finding == "met"
    assert judged(stale).finding == "frozen"
    # From the middle of the drive on.
    times = base.channels["load"].time_s
    half = with_values(base, "load", lambda v: np.where(times > 32.0, 40.8, v))
    result = judged(half)
    assert (result.finding, result.value) == ("not-met", pytest.approx(1.9, abs=0.6))
    assert any("stood still" in note for note in result.notes)
    # A load told in whole steps of 4 points may well stay on one.
    coarse = changed(half, lambda c: replace(c, resolution=4.0) if c.name == "load" else c)
    assert judged(coarse).finding == "met"
