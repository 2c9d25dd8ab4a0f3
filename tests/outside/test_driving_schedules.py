"""The law's adequate drive on published driving schedules.

Oracle: counted here anew in plain Python from the rule (a sample t stands for the second that ends
at t; 25 mph or more; idle at 1 mph or less), and the published figures beside it. Temperature,
altitude and pedal are not in a schedule and are listed as assumed.
"""

from __future__ import annotations

import csv
import hashlib
import itertools
from pathlib import Path

import pytest

from tests.nasty import channel, recording
from verify.evidence.checks.catalogue import judge
from verify.evidence.driven import distance_km
from verify.evidence.verdict import CheckResult
from verify.words import Verdict

CYCLES = Path(__file__).parent / "data" / "cycles"
FILES = {
    "UDDS": "fc713d588e0e95eb81e6faa9edccc189b506fa696e216f118eef62550ec14b0d",
    "HWFET": "f6aaf6c98a535354c96ff0ae64bd44f5352372d3c458018b6b15866865c83f74",
    "US06": "ccf8abe7d481af7c0d7bdee660369f782178f5803fb2bdc6ed7dfc11b6d1b451",
    "WLTC_class3b": "8441ce84676e860f8c56b17795ca342b95724fd6e30e611fc8b8c8b0e85ba10f",
}
MPH = 1.609344


def trace(name: str) -> list[tuple[float, float]]:
    data = (CYCLES / f"{name}.csv").read_bytes()
    assert hashlib.sha256(data).hexdigest() == FILES[name]
    rows = csv.DictReader(data.decode("utf-8").splitlines())
    return [(float(r["time_s"]), float(r["speed_kmh"])) for r in rows]


def judged(points: list[tuple[float, float]], step: float = 0.0001) -> CheckResult:
    times, speeds = zip(*points, strict=True)
    made = recording([channel("vehicle_speed", times, speeds, step)])
    return judge([made], {}, ["road-coverage"])[0]


def counted(points: list[tuple[float, float]]) -> tuple[int, int, float | None]:
    """(seconds at 25 mph or more, longest idle, first met) straight from the rule."""
    fast = still = longest = 0
    met = None
    for t, v in points[1:]:
        fast += v >= 25 * MPH
        still = still + 1 if v <= MPH else 0
        longest = max(longest, still)
        if met is None and t >= 600 and fast >= 300 and longest >= 30:
            met = t
    return fast, longest, met


@pytest.mark.parametrize(
    ("name", "fast", "idle", "met"),
    [
        ("UDDS", 513, 39, 667.0),
        ("HWFET", 739, 4, None),
        ("US06", 467, 9, None),
        ("WLTC_class3b", 921, 70, 944.0),
    ],
)
def test_schedules(name: str, fast: int, idle: int, met: float | None) -> None:
    points = trace(name)
    assert counted(points) == (fast, idle, met)
    result = judged(points)
    value = result.to_json()
    assert value["met_at_s"] == met
    assert value["at_25_mph_s"] == pytest.approx(fast)
    assert value["longest_idle_s"] == pytest.approx(idle)
    assert result.verdict is (Verdict.UNDECIDED if met is None else Verdict.PASS)
    assert (result.settle == "") is (met is not None)
    assert len(value["assumed"]) == 4


def test_ftp_75_is_met_where_udds_is() -> None:
    """UDDS and then its first 505 s again; 785 s at 25 mph or more."""
    points = trace("UDDS")
    again = [(t + 1369.0, v) for t, v in points[1:506]]
    value = judged(points + again).to_json()
    assert (value["met_at_s"], value["at_25_mph_s"]) == (667.0, 785.0)


@pytest.mark.parametrize(("how", "seconds"), [(int, 465), (lambda v: int(v + 0.5), 479)])
def test_whole_numbers_of_speed_count_only_from_41(how, seconds: int) -> None:  # type: ignore[no-untyped-def]
    """Seconds counted on UDDS when the speed is cut or rounded to whole km/h: published pair."""
    points = [(t, float(how(v))) for t, v in trace("UDDS")]
    assert judged(points, 1.0).to_json()["at_25_mph_s"] == seconds


def test_a_schedule_at_half_the_rate_never_claims_more() -> None:
    for name in FILES:
        points = trace(name)
        full, half = judged(points).to_json(), judged(points[::2]).to_json()
        assert half["at_25_mph_s"] <= full["at_25_mph_s"] + 2
        assert half["longest_idle_s"] <= full["longest_idle_s"]


# The lengths published with the schedules: 40 CFR 86 app. I (UDDS 7.45 mi), 40 CFR 600 app. I
# (HWFET 10.26 mi), UN GTR 15 (WLTC class 3b 23 266 m).
LENGTHS_KM = {"UDDS": 11.990, "HWFET": 16.507, "WLTC_class3b": 23.266}


@pytest.mark.parametrize("name", LENGTHS_KM)
@pytest.mark.parametrize("how", [float, int, lambda v: int(v + 0.5)])
@pytest.mark.parametrize("every", [1, 2])
def test_the_distance_driven_holds_the_published_length(name: str, how, every: int) -> None:  # type: ignore[no-untyped-def]
    """Exact, cut off and rounded to whole km/h, at one and at half a reading a second."""
    times, speeds = zip(*trace(name)[::every], strict=True)
    step = 0.0001 if how is float else 1.0
    made = recording([channel("vehicle_speed", times, [float(how(v)) for v in speeds], step)])
    ends = distance_km(made)
    assert ends is not None
    low, high = ends
    assert low <= LENGTHS_KM[name] <= high
    # Sampling costs half the ups and downs (a second: 3 %), a step of 1 km/h half above, one below.
    hours = times[-1] / 3600
    assert high - low <= 0.05 * every * LENGTHS_KM[name] + (1.6 * hours if step == 1.0 else 0.001)
    if how is float:
        assert (low + high) / 2 == pytest.approx(LENGTHS_KM[name], abs=0.01)


def test_a_gap_makes_the_distance_a_lower_bound() -> None:
    points = [p for p in trace("UDDS") if not 200 < p[0] < 300]
    times, speeds = zip(*points, strict=True)
    ends = distance_km(recording([channel("vehicle_speed", times, speeds, 0.0001)]))
    assert ends is not None
    whole = sum((v + w) / 2 / 3600 for (s, v), (t, w) in itertools.pairwise(points) if t - s == 1)
    assert whole * 0.97 <= ends[0] <= whole < LENGTHS_KM["UDDS"]
    assert ends[1] == float("inf")
