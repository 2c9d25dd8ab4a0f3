"""What must not matter to any check, and what must: order, clock, units; gaps and too little."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.evidence.every_case import CASES, SOUND, Specs, sound, sound_specs
from tests.evidence.slow_cars import gapped, moved, turned
from tests.nasty import drive, kept, spec, with_gap
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.quantity import SpecValue
from verify.words import Verdict


def one(check: str, *made: Recording, specs: Specs | None = None) -> CheckResult:
    return judge(made, sound_specs(check) if specs is None else specs, [check])[0]


def said(result: CheckResult) -> tuple[str, str]:
    return result.verdict.value, result.finding


def at_a_bound(result: CheckResult) -> bool:
    p = result.probability
    return p is not None and min(abs(p - 0.95), abs(p - 0.05)) <= 1e-6


# --- what must not matter ------------------------------------------------------------------------


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_the_order_of_channels_changes_nothing(check: str, finding: str) -> None:
    make, specs = CASES[check, finding]
    base = make()
    assert (
        one(check, turned(base), specs=specs).to_json() == one(check, base, specs=specs).to_json()
    )


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_another_start_of_the_clock_changes_no_verdict(check: str, finding: str) -> None:
    make, specs = CASES[check, finding]
    base = make()
    plain = one(check, base, specs=specs)
    for shift_s in (-3.7, 1000.0, 86_400.5):
        result = one(check, moved(base, shift_s), specs=specs)
        assert said(result) == said(plain) or at_a_bound(plain)


OTHER_UNITS = {"rpm": "U/min", "°C": "°F", "kg": "lb", "km/h": "mph"}


@pytest.mark.parametrize("check", [c for c in CATALOGUE if sound_specs(c)])
def test_the_unit_a_number_of_the_vehicle_is_typed_in_changes_nothing(check: str) -> None:
    typed: dict[str, SpecValue] = {}
    for name, value in sound_specs(check).items():
        own = value.quantity.unit
        typed[name] = SpecValue(value.quantity.to(OTHER_UNITS.get(own, own)), value.source)
    plain, other_ = one(check, sound(check)), one(check, sound(check), specs=typed)
    assert said(other_) == said(plain) or at_a_bound(plain)


def as_file(base: Recording, units: dict[str, tuple[str, float, float]]) -> bytes:
    """One table over the times of engine speed. units: channel → (unit, factor, offset)."""
    times = base.channels["engine_speed"].time_s
    head, columns = ["time [s]"], [times]
    words = {"engine_speed": "engine rpm", "vehicle_speed": "vehicle speed",
             "pedal": "accelerator pedal", "coolant": "coolant temperature"}  # fmt: skip
    for name, (unit, factor, offset) in units.items():
        c = base.channels[name]
        held = c.values[np.maximum(np.searchsorted(c.time_s, times, side="right") - 1, 0)]
        head.append(f"{words[name]} [{unit}]")
        columns.append(held * factor + offset)
    rows = (",".join(f"{v:.9g}" for v in row) for row in zip(*columns, strict=True))
    return "\n".join([",".join(head), *rows, ""]).encode()


@pytest.mark.parametrize("idle_rpm", [620.0, 700.0, 748.0, 800.0])
def test_the_units_of_a_file_change_no_verdict(idle_rpm: float) -> None:
    """Only checks of one table over the same times can be asked; these four are."""
    base = drive(idle_rpm=idle_rpm)
    metric = {"engine_speed": ("rpm", 1.0, 0.0), "vehicle_speed": ("km/h", 1.0, 0.0),
              "pedal": ("%", 1.0, 0.0), "coolant": ("°C", 1.0, 0.0)}  # fmt: skip
    other = {**metric, "vehicle_speed": ("mph", 1 / 1.609344, 0.0), "coolant": ("°F", 1.8, 32.0)}
    found = []
    for units in (metric, other):
        read = read_recording(io.BytesIO(as_file(base, units)), "table.csv")
        assert set(read.channels) == set(metric)
        found.append(judge([read], {"idle_speed": spec("700 rpm")}))
    for plain, same in zip(*found, strict=True):
        assert said(plain) == said(same) or at_a_bound(plain), plain.check


# Unit of the channel → another of its kind: factor and offset.
FILE_UNITS = {
    "km/h": ("mph", 1 / 1.609344, 0.0), "°C": ("°F", 1.8, 32.0), "V": ("mV", 1000.0, 0.0),
    "kPa": ("bar", 0.01, 0.0),
}  # fmt: skip


def as_events(base: Recording, units: dict[str, tuple[str, float, float]]) -> Recording:
    """The recording read from a table with one reading a row, its numbers in these units."""
    rows: list[tuple[float, str]] = []
    told: dict[str, str] = {}
    for name, c in base.channels.items():
        unit, factor, offset = units.get(c.unit, (c.unit, 1.0, 0.0))
        told[name] = name if unit == "1" else f"{name} {unit}"
        values = (c.values * factor + offset).tolist()
        rows += [
            (t, f"{t:.6f},{name},{v:.12g}") for t, v in zip(c.time_s.tolist(), values, strict=True)
        ]
    text = "\n".join(["time [s],signal,value", *(line for _, line in sorted(rows)), ""])
    return read_recording(io.BytesIO(text.encode()), "events.csv", mapping=told)


OF_TABLES = [
    c for c in CASES if not c[0].endswith("-pair") and c[0] not in (*ENGINE_CHECKS, KEY_CHECK)
]


@pytest.mark.parametrize(("check", "finding"), OF_TABLES)
def test_the_units_of_a_file_change_no_verdict_of_any_check(check: str, finding: str) -> None:
    """But of the pairs, whose tracks are read in % alone, and of sounds, which are no tables."""
    make, specs = CASES[check, finding]
    base = make()
    assert not base.channels or any(c.unit in FILE_UNITS for c in base.channels.values())
    plain = one(check, as_events(base, {}), specs=specs)
    assert said(one(check, as_events(base, FILE_UNITS), specs=specs)) == said(plain) or (
        at_a_bound(plain)
    )


# --- a gap is no exposure ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.floats(2.0, 75.0), st.floats(1.2, 60.0))
def test_a_gap_inside_the_only_idle_never_passes_no_stall(start: float, length: float) -> None:
    """Three lift-offs and one long idle: whatever a gap hides may have been a stall."""
    script = (*((("press", 5.0), ("idle", 5.0)) * 3), ("idle", 78.0))
    base = drive(tuple(script), every_s=0.4)
    assert judge([base], {}, ["no-stall"])[0].verdict is Verdict.PASS
    cut = with_gap(base, 28.0 + start, 28.0 + start + length)
    assert judge([cut], {}, ["no-stall"])[0].verdict is not Verdict.PASS


@pytest.mark.parametrize("check", ["no-stall", "key-on-rest"])
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_pass_points_at_no_stretch_with_a_gap_in_it(check: str, data: st.DataObject) -> None:
    base = sound(check)
    length = data.draw(st.floats(1.2, 20.0))
    start = data.draw(st.floats(0.0, max(0.0, _seconds(base) - length)))
    result = one(check, gapped(base, start, start + length))
    if result.verdict is Verdict.PASS:
        for window in result.windows:
            assert window.end_s <= start + 1e-9 or window.start_s >= start + length - 1e-9


@pytest.mark.parametrize("check", ["no-response", "throttle-return", "pedal-response"])
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_press_with_a_gap_in_it_is_not_counted(check: str, data: st.DataObject) -> None:
    """A press is watched from before the foot goes down; a release until after it is up."""
    base = sound(check)
    length = data.draw(st.floats(1.2, 12.0))
    start = data.draw(st.floats(5.0, _seconds(base) - length))
    details = one(check, gapped(base, start, start + length)).to_json()
    counted = details.get("exposure", details).get(COUNTED_AS[check], 0)
    foot = base.channels["pedal"]
    down = foot.values > 5.0
    begin, end = foot.time_s[1:][down[1:] & ~down[:-1]], foot.time_s[1:][~down[1:] & down[:-1]]
    assert len(begin) == 10
    moment = end if check == "throttle-return" else begin
    assert counted <= np.count_nonzero((moment < start) | (moment > start + length + 0.2))


COUNTED_AS = {"no-response": "presses", "throttle-return": "releases", "pedal-response": "presses"}


@pytest.mark.parametrize("check", ["throttle-pair", "pedal-pair"])
@settings(max_examples=30, deadline=None)
@given(start=st.floats(10.0, 120.0), length=st.floats(2.0, 30.0))
def test_readings_in_a_gap_are_not_counted_as_compared(
    check: str, start: float, length: float
) -> None:
    base = sound(check)
    cut = one(check, gapped(base, start, start + length))
    assert cut.samples < one(check, base).samples


@settings(max_examples=30, deadline=None)
@given(start=st.floats(60.0, 330.0), length=st.floats(5.0, 40.0))
def test_seconds_in_a_gap_are_not_counted_as_driven(start: float, length: float) -> None:
    base = sound("road-coverage")
    whole = one("road-coverage", base).to_json()["at_25_mph_s"]
    cut = one("road-coverage", gapped(base, start, start + length)).to_json()["at_25_mph_s"]
    assert cut <= whole - length + 2.0


def _seconds(base: Recording) -> float:
    return max(float(c.time_s[-1]) for c in base.channels.values())


# --- too little is never a pass ------------------------------------------------------------------

# Up to here the recording that passes cannot yet have shown what the check asks for.
TOO_SHORT_S = {
    "idle-speed": 30.0,  # 10 s of flare, 20 s of idle
    "idle-steady": 30.0,  # one stretch of 20 s
    "idle-settling": 560.0,  # one start of two
    "no-stall": 70.0,  # no lift-off yet
    "road-coverage": 600.0,  # by law
    "pedal-response": 16.0,  # one press
    "throttle-return": 55.0,  # five releases
    "throttle-follow": 23.0,  # nothing held twice
    "no-response": 95.0,  # nine presses
    "throttle-pair": 20.0,  # up to 40 % of the travel
    "pedal-pair": 20.0,
    "fuel-trim": 60.0,  # idle only
    "warm-up": 240.0,  # still cold
    "charging": 60.0,  # idle only
    "key-on-rest": 9.0,  # 5 s after the key
    "surge": 20.0,  # one hold
    "hesitation": 25.0,  # one tip-in
    "same-conditions": 20.0,  # less than 10 s at the frame's speed
    "idle-speed-by-ear": 20.0,  # 20 s of idle
    "idle-steady-by-ear": 20.0,  # one stretch of 20 s
    "no-stall-by-ear": 55.0,
    "key-on-ticking": 27.0,  # 6 s after the second key-on
}


def until(base: Recording, end_s: float) -> Recording:
    if base.importer == "sound":
        channels = {}
        for name, c in base.channels.items():
            keep = c.time_s < end_s
            if keep.any():
                channels[name] = replace(c, time_s=c.time_s[keep], values=c.values[keep])
        return replace(base, channels=channels, seconds=min(base.seconds, end_s))
    made = kept(base, lambda t: t < end_s)
    channels = {n: replace(c, skew_s=base.channels[n].skew_s) for n, c in made.channels.items()}
    return replace(made, channels=channels)


@pytest.mark.parametrize("check", CATALOGUE)
def test_windows_below_the_precondition_never_pass(check: str) -> None:
    for share in (0.05, 0.2, 0.5, 0.8, 1.0):
        result = one(check, until(sound(check), share * TOO_SHORT_S[check]))
        assert result.verdict is Verdict.UNDECIDED, (share, result.why)
        assert result.settle


@pytest.mark.parametrize("check", CATALOGUE)
def test_fewer_readings_never_turn_undecided_into_pass(check: str) -> None:
    """Cutting a sound recording shorter and shorter: once the pass is lost it stays lost."""
    base = sound(check)
    ends = np.linspace(0.0, _seconds(base) + 1.0, 30)[1:]
    passed = [one(check, until(base, float(end))).verdict is Verdict.PASS for end in ends]
    assert passed == sorted(passed)
    assert passed[-1]


def test_every_check_is_asked_here() -> None:
    assert set(TOO_SHORT_S) == set(CATALOGUE) == set(SOUND)
