"""Real recordings: idle numbers against pandas, and healthy cars that must not be failed.

The recordings are not part of the repository; they are named by the SHA-256 of their bytes and by
the kind of their logger. The idle means are computed here anew with pandas from the file's own
rows, by the same rule (standing, foot off, warm, the first 3 s and the last moments of a stop left
out) and nothing of the project's code.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.conftest import real_recording
from tests.nasty import spec, without
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

# Round-robin logger, one diesel car with start-stop; six drives.
ROUND_ROBIN = (
    "a5430dbfad877991546d2a23322386a123100a883fc21e5fb5c30953525c3020",
    "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f",
    "a3967da1cd5d681de87fabfb4d560f5dd9c29748bfbe959e583dbe58fea27b66",
    "203b4d365d31b71bfab2e9087297173f64a8a1cd5a050c93d9bd26366fd90e26",
    "779bafddce7f5e8716cbb8d6118cba49bf0bd90c6a4b3a76dc4d8993210c7c6c",
    "e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7",
)
# One table of 104 columns, averages over 2 s.
WIDE = "625c42248587751b40968296636af46f93069721d2be5ede16357af0a133135c"
WIDE_MAP = {
    "speed_average_driven_valid": "vehicle_speed km/h",
    "engine_coolant_temperature": "coolant °C",
}
# Three columns and no time.
NO_TIME = "f46bd6768602a764172fe08f69f031be3aa7edd3ef1591d349c16e0710bb8427"
# One row a sample ("long"), 30 to 43 readings a second, a minute of driving.
LONG = "f498d1a26cbc0de086a34b6ff1ddddef12a9040890567e59732ada87a5397380"
# Whole day of satellite speed in mph, several trips.
DAY = "d4e5ec0bb276476a3cc6853bd2f5cdeecbf10ce5436dcf1b6167e27bbe95c005"


def read(sha256: str, **how: object) -> Recording:
    data = real_recording(sha256).read_bytes()
    return read_recording(io.BytesIO(data), sha256[:12], **how)  # type: ignore[arg-type]


def results(made: Recording, idle_rpm: int = 770) -> dict[str, CheckResult]:
    return {r.check: r for r in judge([made], {"idle_speed": spec(f"{idle_rpm} rpm")})}


def stretches(time_s: pd.Series, holds: pd.Series, settled_s: float, leaving_s: float) -> pd.Series:
    """True on rows of unbroken stretches, without their first and last moments, of 5 s or more."""
    group = (holds != holds.shift()).cumsum()
    keep = pd.Series(False, index=time_s.index)
    for _, rows in time_s[holds].groupby(group[holds]):
        low, high = rows.iloc[0] + settled_s, rows.iloc[-1] - leaving_s
        if high - low >= 5.0:
            keep |= holds & (time_s >= low) & (time_s <= high) & (group == group[rows.index[0]])
    return keep


def clock_s(text: pd.Series) -> pd.Series:
    return pd.to_timedelta(text).dt.total_seconds()


def rows_of(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path)
    frame.columns = [c.split("[")[0].strip() for c in frame.columns]
    return frame


@pytest.mark.parametrize("sha256", [ROUND_ROBIN[1], ROUND_ROBIN[5]])
def test_idle_of_a_round_robin_logger(sha256: str) -> None:
    """Rows repeat each reading some ten times, so the row mean weighs readings a little unevenly:
    agreement within 3 rpm (the scatter of the readings is 1 to 25 rpm)."""
    frame = rows_of(real_recording(sha256)).dropna()
    t = clock_s(frame["Time"])
    t = t - t.iloc[0]
    pedal = frame["Accelerator Pedal Position D"]
    holds = (
        (frame["Vehicle Speed Sensor"] == 0)
        & (pedal <= pedal.min() + 0.2)
        & (frame["Engine RPM"] >= 300)
        & (frame["Engine Coolant Temperature"] >= 80)
    )
    idle = frame["Engine RPM"][stretches(t, holds, 3.0, 1.5)]
    result = results(read(sha256))["idle-speed"]
    assert result.value == pytest.approx(idle.mean(), abs=3.0)
    assert result.verdict is Verdict.UNDECIDED  # too little idle in a town with start-stop
    assert 5.0 < sum(w.seconds for w in result.windows) < 25.0


def test_idle_of_a_logger_that_writes_averages() -> None:
    frame = pd.read_csv(real_recording(WIDE))
    t = clock_s(frame["time"])
    holds = (
        (frame["speed_average_driven_valid"] == 0)
        & (frame["accelerator_actual_position"] == 0)
        & (frame["engine_speed"] >= 300)
        & (frame["engine_coolant_temperature"] >= 80)
    )
    idle = frame["engine_speed"][stretches(t, holds, 3.0, 2.0)]
    found = results(read(WIDE, mapping=WIDE_MAP), 600)
    result = found["idle-speed"]
    assert result.value == pytest.approx(idle.mean(), abs=0.5)
    assert result.samples == pytest.approx(len(idle), abs=2)
    assert result.finding == "in-range"
    # Averages over 2 s can hide both a swing and a stall.
    assert found["idle-steady"].finding == "too-slow-to-tell"
    assert found["no-stall"].finding == "too-slow-to-tell"


def test_idle_of_a_file_without_time_is_told_and_not_judged() -> None:
    """No pedal and no coolant: a number, and no verdict."""
    frame = pd.read_csv(real_recording(NO_TIME))
    t = pd.Series(np.arange(len(frame), dtype=float))
    holds = (frame["speed"] == 0) & (frame["rpm"] >= 300)
    running = frame["rpm"] >= 300
    started = t.where(running & ~running.shift(fill_value=False)).ffill()
    settled = stretches(t, holds, 3.0, 1.5) & ((t - started) >= 10.0)
    idle = frame["rpm"][settled]
    made = read(NO_TIME, mapping={"speed": "vehicle_speed km/h"}, interval_s=1.0)
    result = results(made)["idle-speed"]
    assert result.finding == "channel-missing"
    assert result.value == pytest.approx(idle.mean(), abs=3.0)


@pytest.mark.parametrize("sha256", [*ROUND_ROBIN, WIDE, LONG, DAY])
def test_no_healthy_car_is_failed(sha256: str) -> None:
    """Nothing was wrong with these cars; stops at lights, a turned key, a flap that ignores the
    pedal, gaps with stale values and a cold engine must not look like faults."""
    how = {"mapping": WIDE_MAP} if sha256 == WIDE else {}
    found = results(read(sha256, **how), 600 if sha256 == WIDE else 770)
    assert set(found) == set(CATALOGUE)
    for result in found.values():
        assert result.verdict is not Verdict.FAIL, result.why
        assert result.finding not in ("could-not-run", "impossible-readings"), result.why


def test_the_flap_of_a_diesel_does_not_stand_in_for_the_pedal() -> None:
    for sha256 in ROUND_ROBIN:
        made = without(read(sha256), "pedal_d", "pedal_e")
        result = results(made)["idle-speed"]
        assert result.finding == "channel-missing"
        assert "pedal" in result.why


@pytest.mark.parametrize("sha256", [ROUND_ROBIN[1], ROUND_ROBIN[2], ROUND_ROBIN[5]])
def test_start_stop_is_neither_a_stall_nor_a_pass(sha256: str) -> None:
    """This engine is switched off as the car comes to rest, where a stall would come too."""
    result = results(read(sha256))["no-stall"]
    assert result.finding == "stop-unclear"
    events = result.to_json()["events"]
    assert events
    assert {e["kind"] for e in events} <= {"open", "start-stop", "key-off"}


def test_a_state_that_changed_in_a_gap_stays_open() -> None:
    result = results(read(ROUND_ROBIN[4]))["no-stall"]
    assert result.finding == "stop-unclear"
    assert "nothing was recorded" in result.why


def test_the_laws_drive_on_real_ones_by_a_plain_count() -> None:
    """Seconds at 25 mph or more: pandas counts rows with the time to the row before them."""
    for sha256 in ROUND_ROBIN[1:3]:
        frame = rows_of(real_recording(sha256)).dropna()
        step = clock_s(frame["Time"]).diff().clip(lower=0.0, upper=2.25)
        seconds = step[frame["Vehicle Speed Sensor"] >= 25 * 1.609344].sum()
        value = results(read(sha256))["road-coverage"].to_json()
        assert value["at_25_mph_s"] == pytest.approx(seconds, rel=0.02)


def test_trips_of_a_day_are_not_one_drive() -> None:
    value = results(read(DAY))["road-coverage"].to_json()
    assert value["met_at_s"] is None
    assert value["since_start_s"] < 600.0
