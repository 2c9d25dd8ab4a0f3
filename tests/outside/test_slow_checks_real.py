"""Mixture, warm-up, charging and the key on real recordings: numbers against pandas, no wrong fail.

The recordings are named by the SHA-256 of their bytes; the numbers are computed here anew with
pandas from the file's own rows (or from the answers of the bus log, decoded here by the published
scalings of SAE J1979) and nothing of the project's code.
"""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest

from tests.conftest import real_recording
from verify.evidence.checks.charging import CHARGING
from verify.evidence.checks.fuel_trim import FUEL_TRIM
from verify.evidence.checks.key_on_rest import KEY_ON_REST
from verify.evidence.checks.kind import Check
from verify.evidence.checks.warm_up import WARM_UP
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Rule
from verify.words import Verdict

CHECKS = (FUEL_TRIM, WARM_UP, CHARGING, KEY_ON_REST)
# Round-robin logger, one diesel car with start-stop; six drives.
COLD_2017, SUMMER_2017 = (
    "a5430dbfad877991546d2a23322386a123100a883fc21e5fb5c30953525c3020",
    "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f",
)
WARM_ROAD = (
    "a3967da1cd5d681de87fabfb4d560f5dd9c29748bfbe959e583dbe58fea27b66",
    "203b4d365d31b71bfab2e9087297173f64a8a1cd5a050c93d9bd26366fd90e26",
)
COLD_2018, SPRING_2018 = (
    "779bafddce7f5e8716cbb8d6118cba49bf0bd90c6a4b3a76dc4d8993210c7c6c",
    "e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7",
)
# One table of 104 columns, averages over 2 s.
WIDE = "625c42248587751b40968296636af46f93069721d2be5ede16357af0a133135c"
WIDE_MAP = {
    "speed_average_driven_valid": "vehicle_speed km/h",
    "engine_coolant_temperature": "coolant °C",
}
# The same drive as MDF 4 and as text of its answers; the car charges smartly.
MDF = "b0f49250a15c1aa597b2469689959615787f1e324e4a6c9fed7e2705de5f71c0"
MDF_LAST = "5270bad4ffca828e4f24806fd0e71ae6b12af6fb3f7e72291fea42cfbd714989"
CANDUMP = "ca08225eb083727e67b4703c0395bc66c644902f3f8cd5546c805a304ba9f02b"


def read(sha256: str) -> Recording:
    data = real_recording(sha256).read_bytes()
    how = {"mapping": WIDE_MAP} if sha256 == WIDE else {}
    return read_recording(io.BytesIO(data), sha256[:12], **how)  # type: ignore[arg-type]


def put(check: Check, *recordings: Recording) -> CheckResult:
    return check.run(check, recordings, {}, Rule())


def rows(sha256: str) -> pd.DataFrame:
    frame = pd.read_csv(real_recording(sha256))
    frame.columns = [c.split("[")[0].strip() for c in frame.columns]
    frame = frame.dropna().reset_index(drop=True)
    t = pd.to_timedelta(frame["Time"]).dt.total_seconds()
    frame["t"] = t - t.iloc[0]
    return frame


@pytest.mark.parametrize(
    "sha256",
    [COLD_2017, SUMMER_2017, *WARM_ROAD, COLD_2018, SPRING_2018, WIDE, MDF, MDF_LAST, CANDUMP],
)
@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.name)
def test_no_healthy_car_is_failed(check: Check, sha256: str) -> None:
    result = put(check, read(sha256))
    assert result.verdict is not Verdict.FAIL, result.why
    result.to_json()


@pytest.mark.parametrize("sha256", WARM_ROAD)
def test_a_warm_drive_regulates_at_what_pandas_says(sha256: str) -> None:
    """Rows repeat readings unevenly, so the row mean agrees within half a degree."""
    frame = rows(sha256)
    running = frame[frame["Engine RPM"] >= 300]
    result = put(WARM_UP, read(sha256))
    assert result.finding == "regulates", result.why
    assert result.value == pytest.approx(running["Engine Coolant Temperature"].mean(), abs=0.5)


def test_a_cold_start_on_a_frosty_day_is_still_warming() -> None:
    """11 to 84 °C in 19 min at −7 °C outside: not yet regulated, and far from a fault."""
    frame = rows(COLD_2018)
    assert frame["Engine Coolant Temperature"].agg(["min", "max"]).tolist() == [11.0, 84.0]
    result = put(WARM_UP, read(COLD_2018))
    assert result.finding == "still-warming"
    assert "84 °C" in result.why
    coldest = frame["Ambient Air Temperature"].min()
    assert any(f"outside {coldest:.0f} °C" in note for note in result.notes)


def test_how_long_a_cold_drive_has_to_go_is_what_a_line_says() -> None:
    """22 to 79 °C: the last minutes' line, by pandas, reaches 80 °C within about 3 min."""
    frame = rows(COLD_2017)
    last = frame[frame["t"] >= frame["t"].max() - 300.0]
    slope = np.polyfit(last["t"], last["Engine Coolant Temperature"], 1)[0]
    to_go_min = (80.0 - last["Engine Coolant Temperature"].iloc[-1]) / slope / 60.0
    result = put(WARM_UP, read(COLD_2017))
    assert result.finding == "still-warming"
    said = int(result.settle.split("about ")[1].split(" min")[0])
    assert to_go_min <= said <= to_go_min + 4.0  # said from the mean of the last 2 min, rounded up


@pytest.mark.parametrize("sha256", [SUMMER_2017, SPRING_2018])
def test_warm_in_town_at_the_end_is_not_yet_the_road(sha256: str) -> None:
    frame = rows(sha256)
    late = frame[(frame["t"] >= frame["t"].max() - 180.0) & (frame["Engine RPM"] >= 300)]
    result = put(WARM_UP, read(sha256))
    assert result.finding == "not-driven"
    assert result.value == pytest.approx(late["Engine Coolant Temperature"].mean(), abs=4.0)


def test_a_diesel_has_no_trims_and_its_flap_shows_no_key() -> None:
    for sha256 in (SUMMER_2017, *WARM_ROAD):
        assert put(FUEL_TRIM, read(sha256)).finding == "channel-missing"
        assert put(KEY_ON_REST, read(sha256)).finding == "no-key-on"


def answers(sha256: str) -> pd.DataFrame:
    """Answers of the text log to service 01, decoded by the published scalings: PID 0C is
    (256·A + B)/4 rpm, PID 42 (256·A + B)/1000 V."""
    found = []
    for line in real_recording(sha256).read_text().splitlines():
        stamp, _, frame = line.split()[:3]
        data = bytes.fromhex(frame.split("#")[1])
        if data[1] == 0x41 and data[2] in (0x0C, 0x42):
            word = 256 * data[3] + data[4]
            value = word / 4 if data[2] == 0x0C else word / 1000
            found.append((float(stamp.strip("()")), data[2], value))
    return pd.DataFrame(found, columns=["t", "pid", "value"])


def test_the_supply_of_a_real_car_with_smart_charging() -> None:
    """12.3 V at key-on, 11.3 cranking, then about 13.3 with 14.4 now and then: it charges, but no
    slow log can tell that from a weak generator, so a meter is asked for."""
    all_ = answers(CANDUMP)
    volts, rpm = (all_[all_.pid == pid].sort_values("t") for pid in (0x42, 0x0C))
    assert (volts.value.iloc[0], volts.value.iloc[1]) == pytest.approx((12.3, 11.3), abs=0.05)
    with_rpm = pd.merge_asof(volts, rpm, on="t", suffixes=("", "_rpm"))
    started = rpm.t[rpm.value >= 300].iloc[0]
    with_rpm = with_rpm[with_rpm.t >= started + 15.0]
    for sha256 in (CANDUMP, MDF):
        result = put(CHARGING, read(sha256))
        assert result.finding == "below-usual"
        value = result.to_json()
        for name, own in (
            ("idle", with_rpm[(with_rpm.value_rpm >= 300) & (with_rpm.value_rpm < 1300)]),
            ("raised", with_rpm[with_rpm.value_rpm >= 1500]),
        ):
            # A reading counts here where engine speed was in the band at both ends of its step.
            assert value[name]["volts"] == pytest.approx(own.value.mean(), abs=0.03)
    assert volts.value.max() == pytest.approx(14.44, abs=0.01)


def test_the_first_split_with_the_last_still_asks_for_a_meter() -> None:
    result = put(CHARGING, read(MDF), read(MDF_LAST))
    assert result.finding == "below-usual"
    assert put(CHARGING, read(MDF_LAST)).finding == "raised-speed-missing"
