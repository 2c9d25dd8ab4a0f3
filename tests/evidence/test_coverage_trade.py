"""The trade's road test in a drive, item by item: made drives, and real ones counted anew.

The real counts are made with pandas and plain Python from the file's own rows, by the words of the
items and nothing of the project's code.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from tests.nasty import changed, channel, recording, with_gap, with_values, without, zoo
from verify.evidence.checks import coverage_trade
from verify.evidence.checks.catalogue import judge
from verify.evidence.checks.coverage_trade import Item, State, complete, road_test
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

# (seconds, road speed at the end, pedal): straight lines between.
Leg = tuple[float, float, float]
TOWN: tuple[Leg, ...] = (
    (20, 0, 0), (8, 30, 20), (20, 30, 12), (10, 0, 0), (8, 0, 0),
) * 2  # fmt: skip
FULL: tuple[Leg, ...] = (
    *TOWN, (6, 35, 60), (12, 80, 60), (320, 80, 18), (15, 40, 0), (120, 40, 14), (12, 0, 0),
    (60, 0, 0),
)  # fmt: skip


def made(legs: Sequence[Leg], every_s: float = 0.5, coolant_c: float = 90.0) -> Recording:
    ends = np.cumsum([0.0, *(leg[0] for leg in legs)])
    speeds = [0.0, *(leg[1] for leg in legs)]
    times = np.arange(0.0, ends[-1], every_s)
    speed = np.interp(times, ends, speeds)
    leg = np.searchsorted(ends, times, side="right") - 1
    pedal = np.array([leg_[2] for leg_ in legs])[leg]
    engine = np.where(speed < 5.0, 750.0 + 4 * np.sin(times), 900.0 + 20.0 * speed)
    slow = np.arange(0.0, ends[-1], 2.0)
    return recording(
        [
            channel("engine_speed", times, np.round(engine)),
            channel("vehicle_speed", times + 0.1, np.round(speed)),
            channel("pedal", times + 0.2, pedal),
            channel("coolant", slow, np.full(len(slow), coolant_c)),
        ]
    )


def items(of: Recording) -> dict[str, Item]:
    return {i.name: i for i in road_test(of, 0.0, of.seconds + 1.0)}


def coverage(*of: Recording) -> CheckResult:
    return judge(of, {}, ["road-coverage"])[0]


def test_a_whole_road_test_is_seen_item_by_item() -> None:
    found = items(made(FULL))
    assert complete(tuple(found.values())), found
    assert found["take-offs"].amount == 3
    # 80 km/h from 12/45·25 s before to 15/40·20 s into the coast, minus what rounding takes.
    assert found["cruise"].amount == pytest.approx(320 + 12 * 20 / 45 + 15 * 20 / 40, abs=1.5)
    assert found["coast"].amount == pytest.approx(15.0, abs=1.0)
    assert found["hot-idle"].amount == pytest.approx(60.0, abs=2.0)
    result = coverage(made(FULL))
    assert (result.verdict, result.finding) == (Verdict.PASS, "met-in-full")
    assert "the trade's road test was in it" in result.why


def dropped(what: str) -> tuple[Leg, ...]:
    legs = list(FULL)
    if what == "take-offs":
        legs = legs[5:]
        legs[0:1] = [(148, 0, 0)]
    if what == "cruise":
        legs = [(200, 80, 18) if leg == (320, 80, 18) else leg for leg in legs]
        legs.insert(12, (150, 50, 14))
    if what == "coast":
        legs = [(a, b, 8.0) if c == 0.0 and b in (0, 40) and a in (10, 12, 15) else (a, b, c)
                for a, b, c in legs]  # fmt: skip
    if what == "firm-acceleration":
        legs = [(a, b, 30.0) if c == 60 else (a, b, c) for a, b, c in legs]
    if what == "hot-idle":
        legs[-1] = (20, 0, 0)
        legs.insert(0, (60, 0, 0))
    return tuple(legs)


@pytest.mark.parametrize("what", ["take-offs", "cruise", "coast", "firm-acceleration", "hot-idle"])
def test_what_is_left_out_is_named_and_the_laws_part_still_passes(what: str) -> None:
    result = coverage(made(dropped(what)))
    table = result.to_json()["road_test"]
    assert [row["item"] for row in table if row["state"] != "seen"] == [what]
    assert (result.verdict, result.finding) == (Verdict.PASS, "met")
    assert any(note.startswith("road test, not seen: ") for note in result.notes)


def test_gentle_speeding_up_is_not_firm_even_with_the_pedal_down() -> None:
    legs = tuple((30, 80, 60) if leg == (12, 80, 60) else leg for leg in FULL)
    legs = tuple((15, 35, 60) if leg == (6, 35, 60) else leg for leg in legs)
    assert items(made(legs))["firm-acceleration"].state is State.NOT_SEEN


def test_without_a_pedal_coast_and_firmness_are_assumed_not_seen() -> None:
    found = items(without(made(FULL), "pedal"))
    for name in ("coast", "firm-acceleration", "hot-idle"):
        assert found[name].state is State.ASSUMED, name
        assert "not read" in found[name].lack or "neither" in found[name].lack
    result = coverage(without(made(FULL), "pedal"))
    assert result.finding == "met"
    assert any(note.startswith("road test, assumed: ") for note in result.notes)


def test_load_shows_firmness_where_there_is_no_pedal() -> None:
    base = made(FULL)
    times = base.channels["pedal"].time_s
    load = np.where(base.channels["pedal"].values >= 50.0, 95.0, 40.0)
    with_load = recording([*without(base, "pedal").channels.values(), channel("load", times, load)])
    assert items(with_load)["firm-acceleration"].state is State.SEEN
    idle = recording(
        [*without(base, "pedal").channels.values(), channel("load", times, 0 * load + 40.0)]
    )
    assert items(idle)["firm-acceleration"].state is State.NOT_SEEN


def test_cruise_control_is_no_coast() -> None:
    """The foot is off the pedal, and the car holds its speed."""
    legs = tuple((a, b, 0.0) if (a, b) == (320, 80) else (a, b, max(c, 8.0) if b else c)
                 for a, b, c in FULL if (a, b) != (15, 40))  # fmt: skip
    legs = tuple((a, b, 8.0) if (a, b) in ((10, 0), (12, 0)) else (a, b, c) for a, b, c in legs)
    assert items(made(legs))["coast"].state is State.NOT_SEEN


def test_a_cold_idle_is_no_hot_one() -> None:
    assert items(made(FULL, coolant_c=60.0))["hot-idle"].state is State.NOT_SEEN
    found = items(without(made(FULL), "coolant"))["hot-idle"]
    assert found.state is State.ASSUMED
    assert "warm" in found.lack


def test_an_idle_before_the_drive_is_none_after_it() -> None:
    legs = ((90.0, 0.0, 0.0), *FULL[:-1], (12.0, 0.0, 0.0))
    assert items(made(legs))["hot-idle"].state is State.NOT_SEEN


def test_drop_outs_are_neither_take_offs_nor_acceleration() -> None:
    base = made(((20, 0, 0), (10, 30, 15), (400, 70, 18)))

    def drop(values: Any) -> Any:
        left = values.copy()
        for at in range(400, 800, 60):
            left[at : at + 6] = 0.0
        return left

    found = items(with_values(base, "vehicle_speed", drop))
    assert found["take-offs"].amount == 1
    # The take-off itself gathers 30 km/h in 10 s; coming back from 0 to 70 in one step is none.
    assert found["firm-acceleration"].amount == pytest.approx(24.0, abs=1.0)
    assert found["stop"].state is State.NOT_SEEN


def test_a_gap_in_each_thing_takes_it_away() -> None:
    base = made(FULL)
    idle_from = base.seconds - 58.0
    for start, name in ((idle_from, "hot-idle"), (idle_from + 15.0, "hot-idle")):
        cut = with_gap(base, start, start + 31.0)
        assert items(cut)[name].state is State.NOT_SEEN


def test_the_fullest_of_several_drives_is_told() -> None:
    poor, full = made(dropped("coast")), made(FULL, every_s=0.4)
    assert coverage(poor, full).finding == "met-in-full"
    assert coverage(full, poor).finding == "met-in-full"


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(3, 60), st.integers(0, 110), st.sampled_from([0.0, 12.0, 60.0])),
        min_size=2, max_size=12,
    ),
    st.sampled_from([0.2, 0.5, 1.0]),
)  # fmt: skip
@example([(3, 0, 0.0), (3, 0, 0.0), (35, 0, 0.0), (55, 23, 0.0), (60, 1, 0.0), *[(60, 0, 0.0)] * 2],
         0.2)  # fmt: skip
def test_less_recorded_is_never_more_seen(legs: list[Leg], every_s: float) -> None:
    base = made(legs, every_s)
    whole = items(base)
    half = {i.name: i for i in road_test(base, 0.0, base.seconds / 2)}
    for name, item in half.items():
        assert item.amount <= whole[name].amount + 1e-9 or name == "hot-idle"
        if item.state is State.SEEN and name != "hot-idle":
            assert whole[name].state is State.SEEN
    for lost in ("pedal", "coolant", "engine_speed"):
        for name, item in items(without(base, lost)).items():
            if item.state is State.SEEN:
                assert whole[name].state is State.SEEN, (lost, name)


@pytest.mark.parametrize("name", zoo())
def test_nasty_recordings_are_borne(name: str) -> None:
    result = coverage(zoo()[name])
    assert result.finding not in ("could-not-run", "met", "met-in-full")


def test_clock_and_order_change_nothing() -> None:
    base = made(FULL)
    moved = changed(base, lambda c: channel(c.name, c.time_s + 777.0, c.values, c.resolution))
    one, other = coverage(base).to_json(), coverage(moved).to_json()
    for row, other_row in zip(one["road_test"], other["road_test"], strict=True):
        assert row["state"] == other_row["state"]
        assert row["amount"] == pytest.approx(other_row["amount"], abs=1e-6)


# --- real drives ---------------------------------------------------------------------------------

# Round-robin logger, one diesel car; the two complete drives without gaps, and hard accelerations.
DRIVES = {
    "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f": None,
    "a3967da1cd5d681de87fabfb4d560f5dd9c29748bfbe959e583dbe58fea27b66": None,
    "e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7": None,
}


def rows(sha256: str) -> pd.DataFrame:
    frame = pd.read_csv(real_recording(sha256))
    frame.columns = [c.split("[")[0].strip() for c in frame.columns]
    frame = frame.dropna()
    t = pd.to_timedelta(frame["Time"]).dt.total_seconds()
    frame["t"] = (t - t.iloc[0]).cummax()
    return frame.reset_index(drop=True)


def lasting(t: pd.Series, holds: pd.Series) -> pd.Series:
    """Seconds of each unbroken stretch of rows."""
    group = (holds != holds.shift()).cumsum()
    return t[holds].groupby(group[holds]).agg(lambda x: x.iloc[-1] - x.iloc[0])


@pytest.mark.parametrize("sha256", DRIVES)
def test_items_of_a_real_drive_are_those_of_pandas(sha256: str) -> None:
    frame = rows(sha256)
    t, v = frame["t"], frame["Vehicle Speed Sensor"]
    pedal = frame["Accelerator Pedal Position D"]
    found = items(read_recording(io.BytesIO(real_recording(sha256).read_bytes()), "drive"))
    state = v.where((v == 0) | (v >= 10)).dropna() >= 10
    assert found["take-offs"].amount == int((state & ~state.shift(fill_value=True)).sum())
    assert found["stop"].amount == int((~state & state.shift(fill_value=False)).sum())

    # Rows repeat a reading until the next one: a stretch of rows is up to a round (1.2 s) longer.
    cruise = lasting(t, (v >= 60) & (v <= 100))
    cruise = cruise[cruise >= 30.0]
    assert found["cruise"].amount == pytest.approx(cruise.sum(), abs=1.2 * len(cruise))

    # Once in about 0.9 s a new reading: gained within 8 s, by a plain loop, with the pedal down.
    lowest = pd.Series(v.to_numpy(), index=pd.to_timedelta(t, unit="s")).rolling("8s").min()
    gained = v.to_numpy() - lowest.to_numpy()
    hard = (
        pd.Series((pedal >= pedal.min() + 35).to_numpy(float), index=lowest.index)
        .rolling("10s").max().to_numpy()
    )  # fmt: skip
    firm = bool(((gained >= 20) & (hard > 0)).any())
    assert (found["firm-acceleration"].state is State.SEEN) == firm
    assert found["firm-acceleration"].amount == pytest.approx(gained.max(), abs=6.0)

    # Foot off, above 20 km/h and never faster than before; this car's cruise control holds its
    # speed with the foot off, so stretches that lose less than 3 km/h or 0.3 km/h a second go.
    slowing = (pedal <= pedal.min() + 0.2) & (v >= 20) & (v.diff().fillna(0) <= 0)
    group = (slowing != slowing.shift()).cumsum()
    lost = v[slowing].groupby(group[slowing]).agg(lambda x: x.iloc[0] - x.iloc[-1])
    long = lasting(t, slowing)
    coast = long[(lost >= 3) & (lost >= 0.3 * long)].max()
    assert found["coast"].amount == pytest.approx(coast, abs=2.5)

    still = (v == 0) & (pedal <= pedal.min() + 0.2) & (frame["Engine RPM"] >= 300)
    first = t[state[state].index[0]]
    idle = lasting(t, still & (t > first)).max()
    assert found["hot-idle"].amount == pytest.approx(idle, abs=2.7)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from([0.1, 0.5, 1.0]), st.booleans())
def test_the_largest_gains_are_those_of_a_loop(seed: int, every_s: float, calm: bool) -> None:
    chance = np.random.default_rng(seed)
    n = int(chance.integers(2, 700))
    times = np.cumsum(chance.choice([every_s, 2.0 * every_s], n, p=[0.9, 0.1]))
    values = np.maximum(0.0, np.cumsum(chance.choice([-1.0, 0.0, 1.0], n) * (1 if calm else 3)))
    broken = np.cumsum(chance.random(n) < 0.01)
    run, t, v = coverage_trade._thinned(times, values, broken, coverage_trade.FINEST_S)
    wanted = {}
    for i in range(len(t)):
        back = [
            j
            for j in range(i + 1)
            if t[j] >= t[i] - coverage_trade.FIRM_S - 1e-9 and run[j] == run[i]
        ]
        lowest = min(back, key=lambda j: (v[j], -j))
        wanted[float(t[i])] = float(v[i] - v[lowest]), float(t[lowest])
    best, begun, ended = coverage_trade._gains(times, values, broken)
    assert best == max(gain for gain, _ in wanted.values())
    firm = {e: b for e, (gain, b) in wanted.items() if gain >= coverage_trade.FIRM_KMH}
    assert dict(zip(ended.tolist(), begun.tolist(), strict=True)) == firm
