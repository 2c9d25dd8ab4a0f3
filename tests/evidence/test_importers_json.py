"""JSON lines: spellings, lines that are none, values that are no numbers, and the plain pattern."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.contracts.importer import Columns, ImporterContract, assert_promises_kept
from verify.errors import UserError
from verify.evidence.importers.json_lines import JsonLinesImporter
from verify.evidence.importers.port import Importer, look, read_recording
from verify.evidence.recording import Recording


def read(text: str | bytes, **options: object) -> Recording:
    raw = text.encode() if isinstance(text, str) else text
    recording = read_recording(io.BytesIO(raw), "drive.json", **options)  # type: ignore[arg-type]
    assert_promises_kept(recording, raw)
    return recording


def refusal(text: str) -> UserError:
    with pytest.raises(UserError) as refused:
        read(text)
    return refused.value


def event(name: object, value: object, t: object, **more: object) -> str:
    return json.dumps({"name": name, "value": value, "timestamp": t, **more}) + "\n"


def idle(n: int = 20) -> str:
    return "".join(event("engine_speed", 800 + i % 5, 1700000000.5 + i / 4) for i in range(n))


class TestEvents(ImporterContract):
    events = True

    def importer(self) -> Importer:
        return JsonLinesImporter()

    def write(self, time_s: Sequence[float], columns: Columns) -> bytes:
        units = {"engine_speed": "rpm", "vehicle_speed": "km/h", "coolant": "°C"}
        lines = []
        for i, t in enumerate(time_s):
            for name, values in columns.items():
                if values[i] is not None:
                    about = {"name": name, "value": values[i], "unit": units[name], "time": t}
                    lines.append(json.dumps(about, ensure_ascii=i % 2 == 0) + "\n")
        return "".join(lines).encode()


@pytest.mark.parametrize(
    ("name", "value", "time"),
    [
        ("name", "value", "timestamp"),
        ("Name", "Value", "Timestamp"),
        ("signal", "value", "time"),
        ("channel", "value", "t"),
    ],
)
def test_keys_are_spelled_in_many_ways_and_stand_in_any_order(
    name: str, value: str, time: str
) -> None:
    lines = [
        json.dumps({value: 800 + i, "source": "a{b", time: 0.5 * i + 0.25, name: "rpm"})
        for i in range(5)
    ]
    recording = read("\n".join(lines))
    assert recording.channels["engine_speed"].values.tolist() == [800, 801, 802, 803, 804]
    assert recording.mapping[time] == "(time)"


def test_times_may_be_text_whole_or_nanoseconds() -> None:
    clocks = [
        ["2024-02-29T12:00:00.25Z", "2024-02-29T12:00:00.50Z", "2024-02-29T12:00:01.00Z"],
        [1700000000250, 1700000000500, 1700000001000],
        [1700000000250000001, 1700000000500000001, 1700000001000000001],
    ]
    for times in clocks:
        text = "".join(event("rpm", 800 + i, t) for i, t in enumerate(times))
        recording = read(text)
        np.testing.assert_allclose(
            recording.channels["engine_speed"].time_s, [0, 0.25, 0.75], atol=1e-6
        )


def test_values_that_are_no_numbers_are_left_out_and_counted() -> None:
    extra = [
        event("ignition", "run", 1700000001.0),
        event("headlamps", True, 1700000001.1),
        event("engine_speed", None, 1700000001.2),
        event("door", {"side": "left", "open": True}, 1700000001.3),
        event("button", "up", 1700000001.4, event="pressed \"twice\""),
    ]  # fmt: skip
    recording = read(idle() + "".join(extra))
    assert recording.rows == 20
    assert len(recording.channels["engine_speed"].values) == 20
    assert "5 events whose value is no number left out" in recording.repairs


def test_lines_that_a_pattern_cannot_read_go_through_a_parser() -> None:
    odd = r'{"name": "engine\u005fspeed", "value": 812, "timestamp": 1700000100.5}' + "\n"
    nested = event("engine_speed", 813, 1700000101.5, extras={"bus": 1})
    recording = read(idle() + odd + nested)
    assert recording.channels["engine_speed"].values[-2:].tolist() == [812, 813]


def test_a_few_bad_lines_are_named_and_many_are_refused() -> None:
    good = idle(100).splitlines(keepends=True)
    good[6] = '{"name": "engine_speed", "val\n'
    good[40] = "null\n"
    good[41] = '{"name": "engine_speed", "value": 800 "timestamp": 1700000000.5}\n'
    recording = read("".join(good))
    assert recording.rows == 97
    assert "3 lines that are no events left out (line 7, 41, 42)" in recording.repairs
    problem = refusal("".join(good[:6] + ["not json\n"] * 8 + good[6:])).problems[0]
    assert problem.found == "11 of 108 lines that are no events"
    assert problem.line == 7


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('[{"name": "rpm", "value": 1, "time": 2}]\n', "JSON data"),
        ('{\n "name": "rpm"\n}\n', "JSON data"),
        ('{"rpm": 800, "speed": 3, "time": 0.5}\n' * 5, "lines have no name and no value"),
        (event("rpm", "fast", 1.5) * 5, "JSON data without events"),
    ],
)
def test_other_json_is_refused(text: str, found: str) -> None:
    assert found in str(refusal(text))


def test_positions_are_no_channels_and_the_speed_waits_for_its_unit() -> None:
    more = [event("latitude", 48.1 + i, 1700000000.5 + i) for i in range(5)]
    more += [event("vehicle_speed", 30 + i, 1700000000.5 + i) for i in range(5)]
    text = idle() + "".join(more)
    recording = read(text)
    assert list(recording.channels) == ["engine_speed"]
    assert {"latitude", "vehicle_speed"} <= set(recording.unmapped)
    assert not any("48" in r for r in recording.repairs)
    with pytest.raises(UserError, match="positions are never read"):
        read(text, mapping={"latitude": "throttle"})
    told = read(text, mapping={"vehicle_speed": "vehicle_speed mph"})
    assert told.channels["vehicle_speed"].values[0] == pytest.approx(30 * 1.609344)


def test_a_clock_that_starts_anew_in_the_middle_leaves_a_gap() -> None:
    first = [event("engine_speed", 800 + i % 5, 100 + i / 2) for i in range(60)]
    again = [event("engine_speed", 700 + i % 5, 0.25 + i / 2) for i in range(60)]
    recording = read("".join(first + again))
    assert len(recording.gaps) == 1
    start, end = recording.gaps[0]
    rpm = recording.channels["engine_speed"]
    assert rpm.values[rpm.time_s <= start].min() == 800
    assert rpm.values[rpm.time_s >= end].max() == 704
    assert not np.any((rpm.time_s > start) & (rpm.time_s < end))


def test_readings_with_one_time_at_the_very_end_are_still_within_the_recording() -> None:
    last = [event("engine_speed", 900 + i, 1700000005.25) for i in range(4)]
    recording = read(idle() + "".join(last))
    assert recording.channels["engine_speed"].values[-4:].tolist() == [900, 901, 902, 903]
    assert recording.seconds == recording.channels["engine_speed"].time_s[-1]


JSON_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=2),
)


# A line ends at its line feed alone.
@example(lines=[{"name": "\x85"}], spaced=False, plain=False)
@settings(deadline=None, max_examples=150)
@given(
    lines=st.lists(
        st.one_of(
            st.dictionaries(
                st.sampled_from(["name", "value", "timestamp", "unit", "x"]), JSON_VALUES
            ),
            st.fixed_dictionaries(
                {
                    "name": st.sampled_from(["rpm", "speed", "ü"]),
                    "value": JSON_VALUES,
                    "timestamp": st.floats(0, 1e9),
                }
            ),
        ),
        min_size=1,
        max_size=12,
    ),
    spaced=st.booleans(),
    plain=st.booleans(),
)
def test_the_pattern_reads_what_a_parser_reads(
    lines: list[dict[str, object]], spaced: bool, plain: bool
) -> None:
    """Whatever is read is what Python's json module says of the same lines."""
    separators = (" , ", " : ") if spaced else (",", ":")
    text = idle() + "".join(
        json.dumps(x, ensure_ascii=plain, separators=separators) + "\n" for x in lines
    )
    try:
        layout = look(io.BytesIO(text.encode()), "drive.json")
        recording = read(text)
    except UserError:
        return
    events = [json.loads(line) for line in text.split("\n") if line.startswith("{")]
    whole = [
        e for e in events
        if {"name", "value", "timestamp"} <= e.keys() and isinstance(e["name"], str)
        and isinstance(e["timestamp"], (int, float, str)) and not isinstance(e["timestamp"], bool)
        and isinstance(e["value"], (int, float)) and not isinstance(e["value"], bool)
    ]  # fmt: skip
    assert recording.rows == len(whole)
    assert {p.header for p in layout.proposals} == {e["name"] for e in whole if e["name"]}
