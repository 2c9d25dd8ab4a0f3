"""Drives and recordings that do not fit into the time between two entries."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.job.play import Job, judged, workshop_flow
from verify.flow.graph import ROAD_TEST
from verify.flow.machine import draft_machine
from verify.job.session import ReadOnlySession, fold
from verify.job.signoff import points
from verify.job.signoff_point import Weight


class Timed(Job):
    """seconds: between an entry and the one before it, for the entries still to come."""

    def __init__(self, **opened: Any) -> None:
        self.at, self.seconds = 0.0, 60.0
        graph = workshop_flow()
        road = replace(graph.steps["road"], does=frozenset({ROAD_TEST}))
        graph = replace(graph, steps={**graph.steps, "road": road})
        super().__init__(draft_machine(graph), **opened)

    def put(self, kind: str, body: dict[str, Any]) -> ReadOnlySession:
        from verify.job.entry import Draft

        number = len(self.journal.entries("j")) + 1
        self.at += self.seconds
        minutes, seconds = divmod(self.at, 60.0)
        time = f"2031-05-01T{8 + int(minutes) // 60:02}:{int(minutes) % 60:02}:{seconds:06.3f}Z"
        wish = Draft(kind, body, time, "p-1", str(number), {})
        self.journal.append("j", wish, expected_head=self.journal.head("j"))
        self.now = fold("j", self.journal.entries("j"), self.machine)
        return self.now


def recording(seconds: float | None) -> list[dict[str, Any]]:
    item: dict[str, Any] = {"kind": "recording", "sha256": "ab" * 32, "repairs": []}
    return [item if seconds is None else item | {"seconds": seconds}]


def played(
    *,
    drive_s: float = 600.0,
    recorded_s: float | None = 120.0,
    idle_s: float = 300.0,
    **opened: Any,
) -> ReadOnlySession:
    """A fail, the remedy, an idle given idle_s after it that lasts recorded_s, then the road."""
    job = Timed(**opened)
    job.answer("yes")
    job.answer("yes")
    job.idle("fail", evidence=recording(90.0))
    job.seconds = 400.0
    job.clean()
    job.seconds = idle_s
    job.answer(judged("pass"), evidence=recording(recorded_s))
    job.seconds = drive_s
    return job.answer("yes")


def named(session: ReadOnlySession) -> list[str]:
    wanted = ("drive-short", "recording-begun-before")
    return [p.name for p in points(session) if p.name in wanted]


def test_what_fits_into_its_time_is_no_point() -> None:
    assert named(played()) == []


def test_a_drive_that_nobody_can_have_made_in_the_time_is_looked_at() -> None:
    session = played(drive_s=9.0)
    (point,) = (p for p in points(session) if p.name == "drive-short")
    assert point.weight is Weight.LOOK
    assert point.words == (
        "“Road” was answered 9 s after “Idle”: the drive was made before that, or not at all."
    )
    assert point.entries == (8, 9)


def test_a_recording_longer_than_the_time_since_the_remedy_began_before_it() -> None:
    session = played(recorded_s=1500.0)
    (point,) = (p for p in points(session) if p.name == "recording-begun-before")
    assert point.weight is Weight.LOOK
    assert point.words == (
        "The recording at “Idle” lasts 25 min and was given 5 min after “Clean” was written down: "
        "it began before that entry. Ask what was done first."
    )
    assert point.entries == (7, 8)


def test_before_anything_was_changed_a_recording_may_be_older() -> None:
    """That of the complaint, for example."""
    job = Timed()
    job.answer("yes")
    job.answer("yes")
    job.answer(judged("pass"), evidence=recording(9999.0))
    assert named(job.now) == []


@pytest.mark.parametrize(
    "way", [{"mode": "afterwards"}, {"scripted": True}, {"demo": True, "scripted": True}]
)
def test_times_of_entries_say_nothing_where_they_are_not_those_of_the_work(
    way: dict[str, Any],
) -> None:
    assert named(played(drive_s=9.0, recorded_s=1500.0, **way)) == []


@pytest.mark.parametrize("seconds", [None, 302.0])
def test_no_length_and_a_clock_two_seconds_off_are_no_point(seconds: float | None) -> None:
    assert named(played(recorded_s=seconds)) == []


def test_a_minute_is_a_drive() -> None:
    assert named(played(drive_s=60.0)) == []
    assert named(played(drive_s=59.0)) == ["drive-short"]
