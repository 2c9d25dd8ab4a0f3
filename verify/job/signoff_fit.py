"""Evidence that does not fit together: clocks, files used twice, other cars, distances. Pure.

The part of `signoff` that holds one piece of the record against another.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from verify.evidence.verdict import CheckResult
from verify.job.session import ReadOnlySession, Visit
from verify.job.signoff_point import Point, Weight
from verify.job.signoff_time import seconds_between, time_points
from verify.quantity import parse
from verify.words import Verdict

DISTANCES = ("km", "mi")
# Words of an importer's repairs that speak of the clock of a recording.
_OF_A_CLOCK = ("clock", "out of order", "same time", "time of the row", "readable time", "jump")
# Seconds by which two entries' times may differ from a countdown between them.
_CLOCK_SLACK_S = 2.0
_SHOWN = 3


def fit_points(
    session: ReadOnlySession,
    jobs: Mapping[str, Sequence[str]],
    vins: Mapping[str, Sequence[str]],
    vin: str,
    other_vin: Collection[str],
) -> Iterator[Point]:
    """See `signoff.Elsewhere` for what is handed in."""
    yield from _entry_clock(session)
    yield from _countdowns(session)
    yield from time_points(session)
    yield from _recordings(session)
    yield from _used_twice(session, jobs)
    yield from _vins(session, vins, vin, other_vin)
    yield from _odometers(session)
    yield from _counters(session)


def _live(session: ReadOnlySession) -> list[Visit]:
    return [v for v in (*session.walk, *session.proofs) if not v.gate]


def _files(session: ReadOnlySession) -> Iterator[tuple[Visit, Mapping[str, Any]]]:
    answers = [*_live(session), *(a.visit for a in session.aside)]
    for visit in sorted(answers, key=lambda v: v.rank):
        for item in visit.evidence or ():
            if isinstance(item, Mapping) and item.get("kind") == "recording":
                yield visit, item


def _title(session: ReadOnlySession, visit: Visit) -> str:
    return session.graph.steps[visit.step].title


# ---- clocks ------------------------------------------------------------------------------------


def _entry_clock(session: ReadOnlySession) -> Iterator[Point]:
    back = [late.seq for early, late in pairwise(session.history) if late.time < early.time]
    if back:
        words = "The computer's clock ran backwards while this job was written."
        yield Point("clock-back", Weight.GRAVE, words, tuple(back))


def _countdowns(session: ReadOnlySession) -> Iterator[Point]:
    """A countdown that ended sooner, by its entries' times, than its seconds."""
    started: dict[tuple[str, int], tuple[int, str, float]] = {}
    for entry in session.history:
        body = entry.body
        if entry.kind == "wait-started":
            key = body["step"], body["attempt"]
            started[key] = entry.seq, entry.time, float(body["seconds"])
        elif entry.kind == "wait-ended" and (body["step"], body["attempt"]) in started:
            seq, begun, seconds = started[body["step"], body["attempt"]]
            lasted = seconds_between(begun, entry.time)
            if lasted is not None and not lasted >= seconds - _CLOCK_SLACK_S:
                title = session.graph.steps[body["step"]].title
                words = (
                    f"The wait at “{title}” should last {seconds / 60:.3g} min; by the times of "
                    f"its entries it lasted {max(lasted, 0.0) / 60:.2g} min."
                )
                yield Point("wait-short", Weight.GRAVE, words, (seq, entry.seq))


def _recordings(session: ReadOnlySession) -> Iterator[Point]:
    seen: set[str] = set()
    for visit, item in _files(session):
        if item["sha256"] in seen:
            continue
        seen.add(item["sha256"])
        repairs = [str(r) for r in item.get("repairs") or ()]
        clock = [r for r in repairs if any(word in r for word in _OF_A_CLOCK)]
        if clock:
            words = f"The recording at “{_title(session, visit)}” had a clock that jumps: "
            words += "; ".join(clock[:_SHOWN]) + "."
            yield Point("recording-clock", Weight.LOOK, words, (visit.seq,))
    if seen:
        number = f"{len(seen)} recording{'' if len(seen) == 1 else 's'}"
        words = f"{number}, none with a date of its own: that they are newer than the work is told."
        yield Point("recordings-undated", Weight.NOTE, words)


# ---- whose recording ---------------------------------------------------------------------------


def _used_twice(session: ReadOnlySession, jobs: Mapping[str, Sequence[str]]) -> Iterator[Point]:
    steps: dict[str, dict[str, int]] = {}
    for visit, item in _files(session):
        steps.setdefault(item["sha256"], {}).setdefault(visit.step, visit.seq)
    for sha256, where in steps.items():
        titles = " and ".join(f"“{session.graph.steps[s].title}”" for s in where)
        if len(where) > 1:
            words = f"One file stands behind {titles}."
            yield Point("file-twice", Weight.LOOK, words, tuple(where.values()))
        others = [j for j in jobs.get(sha256, ()) if j != session.job]
        if others:
            before = session.comeback_of.get("job")
            more = f" and {len(others) - _SHOWN} more" if len(others) > _SHOWN else ""
            listed = ", ".join(others[:_SHOWN]) + more
            words = f"The file behind {titles} was also used in job {listed}"
            words += ", which this one comes back from." if others == [before] else "."
            yield Point("file-of-another-job", Weight.GRAVE, words, tuple(where.values()))


def alike_points(session: ReadOnlySession, alike: Mapping[str, Sequence[str]]) -> Iterator[Point]:
    """Recordings that hold the readings of another job's, in other bytes."""
    told: set[str] = set()
    for visit, item in _files(session):
        others = [j for j in alike.get(item["sha256"], ()) if j != session.job]
        if others and item["sha256"] not in told:
            told.add(item["sha256"])
            words = (
                f"The file behind “{_title(session, visit)}” holds the readings of one that was "
                f"used in job {', '.join(others[:_SHOWN])}, in another form."
            )
            yield Point("file-of-another-job", Weight.GRAVE, words, (visit.seq,))


def _vins(
    session: ReadOnlySession,
    vins: Mapping[str, Sequence[str]],
    vin: str,
    other_vin: Collection[str],
) -> Iterator[Point]:
    told: set[str] = set()
    for visit, item in _files(session):
        sha256 = item["sha256"]
        found = list(vins.get(sha256, ()))
        if not found or sha256 in told:
            continue
        told.add(sha256)
        where = f"The recording at “{_title(session, visit)}” names the VIN {' and '.join(found)}"
        if not vin:
            words = f"{where}; no VIN was typed for this job, so nobody has compared them."
            yield Point("vin-alone", Weight.LOOK, words, (visit.seq,))
        elif sha256 in other_vin:
            yield Point("other-vin", Weight.GRAVE, f"{where}, this job {vin}.", (visit.seq,))


# ---- distances ---------------------------------------------------------------------------------


def _odometers(session: ReadOnlySession) -> Iterator[Point]:
    """Readings of a distance may only grow, and by no less than the drive in between."""
    steps = session.graph.steps
    read: list[tuple[Visit, float]] = []
    for visit in sorted(_live(session), key=lambda v: v.rank):
        step = steps[visit.step]
        values = visit.values if isinstance(visit.values, Mapping) else {}
        if step.kind == "reading" and step.detail.get("unit") in DISTANCES and values.get("text"):
            km = parse(f"{values['text']} {values['unit']}").to("km").value
            read.append((visit, float(km)))
    for (early, before), (late, after) in pairwise(read):
        entries = (early.seq, late.seq)
        if after < before:
            words = f"The odometer ran back: {before:.0f} km, then {after:.0f} km."
            yield Point("odometer", Weight.GRAVE, words, entries)
            continue
        drive = max((_drive_km(v, early, late) for v in _live(session)), default=0.0)
        if drive > after - before + 1.0:
            words = (
                f"A drive of {drive:.3g} km stands between two odometer readings that are only "
                f"{after - before:.0f} km apart."
            )
            yield Point("odometer", Weight.GRAVE, words, entries)


def _drive_km(visit: Visit, early: Visit, late: Visit) -> float:
    """The least distance of a drive that was read off between two answers; 0 where none was."""
    values = visit.values if isinstance(visit.values, Mapping) else {}
    span = (values.get("drive") or {}).get("distance_km")
    if early.rank < visit.rank < late.rank and isinstance(span, Sequence) and len(span) == 2:
        low = span[0]
        if isinstance(low, int | float) and math.isfinite(low):
            return float(low)
    return 0.0


def _counters(session: ReadOnlySession) -> Iterator[Point]:
    """What the car counts since codes were cleared, where that does not bear out the drive."""
    for visit in _live(session):
        if session.last(visit.step) is not visit:
            continue
        for stored in visit.results or ():
            if not isinstance(stored, Mapping) or stored.get("check") != "since-clear":
                continue
            result = CheckResult.from_json(stored)
            if result.verdict is not Verdict.PASS:
                grave = result.verdict is Verdict.FAIL
                words = f"Distance and time since codes were cleared: {result.why}"
                weight = Weight.GRAVE if grave else Weight.LOOK
                yield Point("since-clear", weight, words, (visit.seq,))
