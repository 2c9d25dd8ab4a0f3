"""What each check said at its version. A change here is a new version of that check (invariant 4).

All cases of all checks are pinned in pinned.json (renewed by `python -m tests.evidence.pin CHECK`),
each with the digest of its recording, so that a random generator that changed is told from a check
that did. The checks of idle are pinned whole as well, on a drive written out by plain arithmetic.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.evidence.every_case import CASES
from tests.evidence.pin import pins, said
from tests.nasty import SPECS, channel, recording
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.recording import Recording

T = np.arange(0.0, 900.0, 0.5)


def pinned_drive() -> Recording:
    """100 s idle, four presses, 500 s at 60 km/h, idle again; a slow beat on the idle."""
    pressed = ((T >= 100) & (T < 140) & (T % 10 < 5)) | ((T >= 150) & (T < 650))
    speed = np.where((T >= 152) & (T < 652), 60.0, 0.0)
    beat = 9.0 * np.sin(T * 1.9) + 4.0 * np.sin(T * 5.3) + 3.0 * np.cos(T * 0.37)
    engine = np.round(np.where(pressed, 1900.0, 718.0 + beat))
    return recording(
        [
            channel("engine_speed", T, engine),
            channel("vehicle_speed", T + 0.1, speed),
            channel("pedal", T + 0.2, np.where(pressed, 20.0, 0.0)),
            channel("coolant", T + 0.3, np.full(len(T), 91.0)),
        ]
    )


PINNED: dict[tuple[str, int], dict[str, Any]] = {
    ("idle-speed", 4): {
        "verdict": "pass",
        "finding": "in-range",
        "value": 717.9615952732644,
        "unit": "rpm",
        "uncertainty": 0.5140262411522594,
        "probability": 1.0,
        "samples": 677,
        "limits": {"lower": 650.0, "upper": 750.0, "unit": "rpm"},
        "windows": [[10.0, 98.7], [138.2, 148.7], [659.5, 898.1]],
    },
    ("idle-steady", 5): {
        "verdict": "pass",
        "finding": "steady",
        "value": 17.226512181167266,
        "unit": "rpm",
        "uncertainty": 2.589261081004907,
        "probability": 1.0,
        "samples": 41,
        "hunting": {
            "amplitude_rpm": 9.051026702320563,
            "period_s": 3.3064733778000543,
            "false_alarm": 0.0,
            "recording": 0,
            "start_s": 838.5,
            "end_s": 898.0,
        },
        "limits": {"lower": None, "upper": 50.0, "unit": "rpm"},
        "windows": [[10.0, 98.7], [138.2, 148.7], [659.5, 898.1]],
    },
    ("idle-settling", 1): {
        "verdict": "undecided",
        "finding": "too-few-idles",
        "value": 718.0230125523012,
        "unit": "rpm",
        "uncertainty": 2.08338230772346,
        "probability": None,
        "samples": 3,
        "windows": [[10.0, 98.7], [138.2, 148.7], [659.5, 898.1]],
    },
    ("no-stall", 4): {
        "verdict": "pass",
        "finding": "none-seen",
        "value": 0.0,
        "unit": "1",
        "uncertainty": None,
        "probability": None,
        "samples": 1800,
        "exposure": {"idle_s": 374.9, "lift_offs": 5, "stall_share_below": 0.4507197283469412},
        "events": [],
        "limits": {"lower": None, "upper": 0.0, "unit": "1"},
        "windows": [
            [0.2, 99.7],
            [105.2, 109.7],
            [115.2, 119.7],
            [125.2, 129.7],
            [135.2, 149.7],
            [652.1, 899.5],
        ],
    },
    ("road-coverage", 4): {
        "verdict": "pass",
        "finding": "met",
        "value": 600.6,
        "unit": "s",
        "uncertainty": 0.14433756729740646,
        "probability": None,
        "samples": 1800,
        "met_at_s": 600.6,
        "since_start_s": 899.1,
        "at_25_mph_s": 500.0,
        "longest_idle_s": 248.0,
        "assumed": [
            "outside temperature of −6.7 °C (20 °F) or more",
            "altitude below 2,438 m (8,000 ft)",
        ],
        "limits": None,
        "windows": [[0.1, 899.6]],
    },
}


@pytest.mark.parametrize("check", CATALOGUE)
def test_every_check_is_pinned_at_its_version_with_all_its_cases(check: str) -> None:
    pin = pins()[check]
    assert pin["version"] == CATALOGUE[check].version
    assert set(pin["cases"]) == {finding for name, finding in CASES if name == check}


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_a_check_says_of_its_case_what_it_said(check: str, finding: str) -> None:
    pin, now = pins()[check]["cases"][finding], said(check, finding)
    if pin["of"] != now["of"]:
        pytest.fail("not the check, but the recording is another one", pytrace=False)
    assert_same(pin, now, f"{check}, {finding}")


def test_what_is_pinned_whole_is_of_the_present_versions() -> None:
    for name, version in PINNED:
        assert CATALOGUE[name].version == version


@pytest.mark.parametrize(("name", "version"), PINNED)
def test_a_check_says_what_it_said(name: str, version: int) -> None:
    result = judge([pinned_drive()], SPECS, [name])[0].to_json()
    result["windows"] = [[w["start_s"], w["end_s"]] for w in result["windows"]]
    assert_same(PINNED[name, version], result, name)


def assert_same(wanted: Any, found: Any, where: str) -> None:
    """Numbers within 1e-9 of each other, everything else equal; fields not pinned are free."""
    if isinstance(wanted, dict):
        for key, value in wanted.items():
            assert_same(value, found[key], f"{where}.{key}")
    elif isinstance(wanted, list):
        assert len(wanted) == len(found), where
        for place, (one, other) in enumerate(zip(wanted, found, strict=True)):
            assert_same(one, other, f"{where}.{place}")
    elif isinstance(wanted, float):
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12), where
    else:
        assert found == wanted, where
