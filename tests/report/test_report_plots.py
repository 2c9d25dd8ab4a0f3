"""The pictures: what they show agrees with the data, and they hold nothing from outside."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report import jobs
from verify.evidence.recording import Channel, Recording
from verify.evidence.verdict import CheckResult, Limits, Window
from verify.report.canvas import COLUMNS, thinned
from verify.report.document import Figure, Stage
from verify.report.plots import figures
from verify.report.strip import HEIGHT, WIDTH, strip_svg
from verify.words import Verdict


def van_figures() -> list[Figure]:
    made = jobs.van_report("workshop")
    stages = [b for s in made.sections for b in s.blocks if isinstance(b, Stage)]
    return [f for s in stages for f in s.figures]


def channel(name: str, unit: str, time_s: np.ndarray, values: np.ndarray) -> Channel:
    return Channel(name, unit, time_s, values, 0.0, float(np.median(np.diff(time_s))))


def recording(*channels: Channel, sha: str = "a" * 64) -> Recording:
    end = max(float(c.time_s[-1]) for c in channels)
    return Recording("made", sha, "csv", 1, len(channels[0].values), end,
                     {c.name: c for c in channels})  # fmt: skip


def idle_result(limits: Limits, *windows: Window) -> CheckResult:
    return CheckResult(
        "idle-speed", 3, Verdict.PASS, "in-range", "why", value=750.0, unit="rpm",
        uncertainty=2.0, limits=limits, probability=1.0, windows=windows, samples=10,
    )  # fmt: skip


def test_pictures_are_one_element_with_nothing_from_outside() -> None:
    found = van_figures()
    assert len(found) >= 4
    for figure in found:
        root = ElementTree.fromstring(figure.svg)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert "<style" not in figure.svg
        assert "<script" not in figure.svg
        links = re.findall(r'href="([^"]*)"', figure.svg)
        assert all(link.startswith("#") for link in links), links
        assert "url(http" not in figure.svg


def test_no_two_pictures_of_a_page_share_a_name() -> None:
    names = [n for f in van_figures() for n in set(re.findall(r' id="([^"]+)"', f.svg))]
    assert len(names) == len(set(names))
    for figure in van_figures():
        own = set(re.findall(r' id="([^"]+)"', figure.svg))
        used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', figure.svg))
        assert used <= own


def test_text_stays_text() -> None:
    assert any("engine speed, rpm" in f.svg for f in van_figures())


def test_the_idle_is_told_in_words_as_its_readings_are() -> None:
    """Two readings of ten outside 700 to 800: a fifth."""
    time_s = np.arange(10.0)
    values = np.array([750, 750, 690, 750, 750, 750, 812, 750, 750, 750.0])
    made = recording(channel("engine_speed", "rpm", time_s, values))
    limits = Limits(700.0, 800.0, "rpm", "common practice")
    (figure,) = figures([made], [idle_result(limits, Window(0, 0.0, 9.0))], "metric", "t")
    assert "from 690 to 812 rpm" in figure.alt
    assert "limits 700 to 800 rpm, 20% of readings outside" in figure.alt


def test_only_what_was_judged_is_told() -> None:
    time_s = np.arange(20.0)
    values = np.where(time_s < 10, 750.0, 2000.0)
    made = recording(channel("engine_speed", "rpm", time_s, values))
    limits = Limits(700.0, 800.0, "rpm", "common practice")
    (figure,) = figures([made], [idle_result(limits, Window(0, 0.0, 9.0))], "metric", "t")
    assert "from 750 to 750 rpm" in figure.alt


@pytest.mark.parametrize(("units", "told"), [("metric", "70 km/h"), ("us", "43 mph")])
def test_the_road_is_told_in_the_units_chosen_with_what_was_covered(units: str, told: str) -> None:
    time_s = np.arange(0.0, 600.0)
    made = recording(channel("vehicle_speed", "km/h", time_s, np.where(time_s < 300, 0.0, 70.0)))
    coverage = {"since_start_s": 599.0, "at_25_mph_s": 299.0, "longest_idle_s": 0.0}
    result = CheckResult("road-coverage", 2, Verdict.UNDECIDED, "not-yet", "why", details=coverage)
    (figure,) = figures([made], [result], units, "t")
    line = "≥ 25 mph" if units == "us" else "≥ 40 km/h"
    assert told in figure.alt
    assert f"{line.capitalize()}: 299 of 300 s." in figure.alt
    assert "Longest idle: 0 of 30 s." in figure.alt
    assert line in figure.svg


def test_two_recordings_judged_together_are_told_apart() -> None:
    time_s = np.arange(10.0)
    speed = channel("engine_speed", "rpm", time_s, np.full(10, 750.0))
    limits = Limits(700.0, 800.0, "rpm", "common practice")
    result = idle_result(limits, Window(0, 0.0, 9.0), Window(1, 0.0, 9.0))
    found = figures(
        [recording(speed, sha="a" * 64), recording(speed, sha="b" * 64)], [result], "metric", "t"
    )
    assert [f.title.split(" (")[1] for f in found] == ["recording 1 of 2)", "recording 2 of 2)"]


def test_the_freeze_frame_window_is_drawn_where_the_check_had_one() -> None:
    time_s = np.arange(0.0, 60.0, 0.5)
    made = recording(
        channel("engine_speed", "rpm", time_s, 1500 + 10 * time_s),
        channel("load", "%", time_s, 30 + 0.2 * time_s),
    )
    frame = {"engine_speed": 1900.0, "load": 38.0, "load_window": 10.0}
    result = CheckResult(
        "same-conditions", 1, Verdict.PASS, "met", "why",
        details={"frame": frame, "seconds": 22.0, "needed_s": 10.0},
    )  # fmt: skip
    (figure,) = figures([made], [result], "metric", "t")
    assert "1900 rpm and 38 % load" in figure.alt
    assert "22 s in the window around it, 10 s are needed" in figure.alt


def test_a_settling_idle_is_drawn_from_what_was_stored() -> None:
    idles = [
        {"minute": m, "levels": {"engine_speed": [900 - 2 * m, 3.0]}} for m in (0.0, 10.0, 20.0)
    ]
    trend = {"model": "drift", "last": 860.0, "slope_per_min": -2.0}
    limits = Limits(700.0, 800.0, "rpm", "common practice")
    result = CheckResult(
        "idle-settling", 1, Verdict.UNDECIDED, "adapting", "why", limits=limits, unit="rpm",
        details={"idles": idles, "trends": {"engine_speed": trend}},
    )  # fmt: skip
    speed = channel("engine_speed", "rpm", np.arange(3.0), np.full(3, 800.0))
    (figure,) = figures([recording(speed)], [result], "metric", "t")
    assert "3 warm idles over 20 minutes of running: first 900 rpm, last 860 rpm" in figure.alt


def test_the_same_data_give_the_same_picture() -> None:
    time_s = np.arange(0.0, 300.0, 0.1)
    made = recording(channel("engine_speed", "rpm", time_s, 750 + 20 * np.sin(time_s)))
    result = idle_result(Limits(700.0, 800.0, "rpm", "x"), Window(0, 0.0, 299.0))
    first, second = (figures([made], [result], "metric", "t")[0].svg for _ in range(2))
    assert first == second


@given(
    st.lists(st.floats(min_value=-1e6, max_value=1e6, allow_nan=False), min_size=2, max_size=3000)
)
def test_thinning_keeps_the_least_and_the_greatest_and_the_order(values: list[float]) -> None:
    time_s = np.arange(len(values), dtype=np.float64)
    times, kept = thinned(time_s, np.asarray(values))
    assert len(times) <= 2 * COLUMNS + 2
    assert kept.min() == min(values)
    assert kept.max() == max(values)
    assert all(a <= b for a, b in pairwise(times.tolist()))


def test_a_gap_breaks_the_line() -> None:
    times, kept = thinned(np.array([0.0, 1.0, 10.0]), np.array([1.0, 2.0, 3.0]), [5.0])
    assert times.tolist() == [0.0, 1.0, 5.0, 10.0]
    assert np.isnan(kept[2])


# ---- the strip -------------------------------------------------------------------------------


def result(value: float, doubt: float, limits: Limits, verdict: Verdict) -> CheckResult:
    return CheckResult("x", 1, verdict, "f", "w", value=value, unit=limits.unit,
                       uncertainty=doubt, limits=limits)  # fmt: skip


@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("limits", [(700.0, 800.0), (None, 800.0), (700.0, None)])
def test_a_number_lies_on_its_limits_as_it_does_in_truth(
    verdict: Verdict, limits: tuple[float | None, float | None]
) -> None:
    own = Limits(*limits, "rpm", "x")
    svg = strip_svg(result(650.0, 5.0, own, verdict))
    edges = [float(x) for x in re.findall(r'<line x1="([\d.]+)" x2="\1" y1="1"', svg)]
    dot = re.search(r'(?:cx="|<path d="M)([\d.]+)"?[ "]c?y?=?"?', svg.split("</line>")[-1])
    assert dot is not None
    assert edges == sorted(edges)
    marks = re.findall(r'<circle cx="([\d.]+)"|<path d="M([\d.]+) [\d.]+l', svg)
    at = float(next(n for pair in marks for n in pair if n))
    assert all(at < edge for edge in edges), "650 lies below 700 and 800"
    ElementTree.fromstring(svg)


@given(
    st.floats(min_value=-1e9, max_value=1e9),
    st.floats(min_value=1e-9, max_value=1e9),
    st.floats(min_value=-1e9, max_value=1e9),
)
def test_a_strip_stays_inside_its_frame(value: float, doubt: float, edge: float) -> None:
    svg = strip_svg(result(value, doubt, Limits(edge, None, "rpm", "x"), Verdict.UNDECIDED))
    root = ElementTree.fromstring(svg)
    for thing in root.iter():
        for name in ("x1", "x2", "cx", "x"):
            if name in thing.attrib:
                assert 0.0 <= float(thing.attrib[name]) <= WIDTH
        for name in ("y1", "y2", "cy"):
            if name in thing.attrib:
                assert 0.0 <= float(thing.attrib[name]) <= HEIGHT


def test_three_verdicts_have_three_shapes() -> None:
    own = Limits(700.0, 800.0, "rpm", "x")
    shapes = {re.sub(r"[\d.]+|#\w+", "", strip_svg(result(750, 5, own, v))) for v in Verdict}
    assert len(shapes) == 3
