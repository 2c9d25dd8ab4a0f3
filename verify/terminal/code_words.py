"""Code readings of a job in words: what became of each code, the counters, the monitors.

Session → earlier readings → lines; shown after a reading, in the account and in the note.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from verify.car.code_history import Past, changes
from verify.car.codes import CodeReading, class_of, meaning
from verify.car.failure_type import failure_type_words
from verify.car.freeze_frame import FreezeFrame, Revisit, propose
from verify.car.readiness import Ignition, monitors
from verify.car.since_clear import Drive
from verify.car.told_clear import ToldClear
from verify.car.whole_counts import Span
from verify.evidence.driven import distance_km, warmed_up
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.flow.graph import CLEARS_CODES, Step
from verify.job.session import ReadOnlySession, Visit
from verify.terminal.clock import read_stamp
from verify.terminal.tongue import check_name, mark, said, tr, why
from verify.words import Verdict

# What a code of this class means for the way from here, where the table says so.
CLASS_WORDS = {
    "wiring": mark(" (points to wiring, supply or part)"),
    "learn": mark(" (a leak check and relearn can cure it)"),
    "forbids": mark(" (FORBIDS DRIVING)"),
}
INSPECTION = mark(
    "Would an inspection turn the car away? keysback ready says it for your programme."
)
# Above this no drive is proposed, whatever the road. Common practice, no source.
MOST_KMH = 100.0
# More of them are named without their meaning: the question has to stay on the screen.
MOST_CODES = 4
# A step that reads codes asks for them anew; what was read before would only be typed again.
_LOOKED_UP_AT = ("ask", "do")
_OF_CODES = re.compile(r"\bcodes?\b(?! reader)", re.IGNORECASE)
# How far the speed signal and the counter of kilometres may differ. Common practice, no source.
SPEED_SHARE = 0.04


def history_before(session: ReadOnlySession, visit: Visit | None = None) -> tuple[Past, ...]:
    """The code readings of the live walk before `visit` (None: all of them), oldest first."""
    found: list[Past] = []
    for earlier in (*session.walk, *session.proofs):
        if visit is not None and earlier.seq == visit.seq:
            break
        step = session.graph.steps[earlier.step]
        if step.kind == "codes" and earlier.values:
            found.append(Past(CodeReading.from_json(earlier.values)))
        elif CLEARS_CODES in step.does and step.counts(earlier.outcome) is Verdict.PASS and found:
            found[-1] = Past(found[-1].reading, cleared_after=True)
    return tuple(found)


def codes_at_hand(session: ReadOnlySession, step: Step) -> tuple[str, ...]:
    """The codes read last, each with what it means, for a step that speaks of codes; () where
    none are there, none were read, or they were cleared since."""
    words = " ".join(map(session.graph.in_english, (step.title, step.say)))
    if step.kind not in _LOOKED_UP_AT or not _OF_CODES.search(words):
        return ()
    earlier = history_before(session)
    if not earlier or earlier[-1].cleared_after:
        return ()
    reading = earlier[-1].reading
    codes = tuple(dict.fromkeys((*reading.present, *(reading.permanent or ()))))
    shown = [
        f"{code}{''.join('-' + byte for byte in reading.types_of(code))}: "
        f"{said(meaning(code))}{class_words(reading, code)}"
        for code in codes[:MOST_CODES]
    ]
    rest = codes[MOST_CODES:]
    shown += [tr("and also: {codes}", codes=", ".join(rest))] if rest else []
    return (tr("Codes read last:"), *(f"  {line}" for line in shown)) if shown else ()


def change_lines(earlier: Sequence[Past], reading: CodeReading) -> list[str]:
    """Codes grouped by what became of them: "gone: P0507, P0171"."""
    groups: dict[str, list[str]] = {}
    for found in changes(earlier, reading):
        words = tr(found.change.value) + (tr(", pending only") if found.pending_only else "")
        groups.setdefault(words, []).append(found.code)
    return [f"{words}: {', '.join(codes)}" for words, codes in groups.items()]


def class_words(reading: CodeReading, code: str) -> str:
    return tr(CLASS_WORDS.get(class_of(code, reading.modules_of(code)), ""))


def module_words(module: str) -> str:
    """The two modules the program itself names; others are shown as they were written."""
    known = {"engine": tr("engine"), "brakes": tr("brakes")}
    return known.get(module, module)


def place_words(reading: CodeReading) -> str:
    """Which module a code came from, where somebody said so."""
    return ", ".join(
        tr("{code} in {module}", code=code, module=module_words(module))
        for code, module in reading.where
    )


def reading_lines(
    earlier: Sequence[Past], values: Mapping[str, Any], results: Sequence[CheckResult]
) -> list[str]:
    """What is to be said after a reading: differences, places, counters, monitors."""
    reading = CodeReading.from_json(values)
    lines = [
        tr("Since the readings before: {line}", line=line)
        for line in change_lines(earlier, reading)
    ]
    if not reading.modules:
        lines.append(tr("No module is named as read."))
    if reading.where:
        lines.append(tr("Read in: {places}", places=place_words(reading)))
    lines += [f"{code}-{byte}: {said(failure_type_words(byte))}" for code, byte in reading.types]
    lines += [said(note[:1].upper() + note[1:]) for note in reading.notes]
    for result in results:
        words = why(result.check, result.finding, result.why)
        lines.append(f"{check_name(result.check)}: {tr(result.verdict.value)}. {words}")
        if result.settle:
            lines.append("  " + tr("What would settle it: {settle}", settle=said(result.settle)))
        lines += [f"  {said(note)}" for note in result.notes]
    lines += monitor_lines(values)
    return lines


def monitor_lines(values: Mapping[str, Any]) -> list[str]:
    """The monitors that are not complete, each with the drive that makes it run."""
    status = values.get("readiness")
    if not isinstance(status, Mapping):
        return []
    table = monitors(Ignition(status["ignition"]))
    lines = [
        tr(
            "Monitor not complete: {title}. It runs on: {settles}.",
            title=said(table[name].title),
            settles=said(table[name].settles),
        )
        for name, state in status["monitors"].items()
        if state == "not complete"
    ]
    unread = [
        said(table[n].title) for n, state in status["monitors"].items() if state == "not read"
    ]
    if unread:
        lines.append(tr("Monitors not read: {titles}.", titles=", ".join(unread)))
    lines += [tr("Monitors: {note}.", note=said(note)) for note in status.get("notes", ())]
    return [*lines, tr(INSPECTION)]


def proposed_drive(session: ReadOnlySession) -> str:
    """The drive that goes back to the last freeze frame of the live walk, or why none can; "" where
    no frame was typed. On the road the signs decide, whatever the frame says."""
    for visit in reversed(session.walk):
        frame = (visit.values or {}).get("freeze_frame")
        if session.graph.steps[visit.step].kind == "codes" and frame:
            return frame_words(frame, session.units)
    return ""


def frame_words(frame: Mapping[str, Any], units: str) -> str:
    found = propose(FreezeFrame(**frame), speed_limit_kmh=MOST_KMH, system=units)
    words = said(found.words.rstrip(".") + ".")
    if found.kind is Revisit.DRIVE:
        words = tr(
            "To go back to the freeze frame, where road and law allow it: {drive}", drive=words
        )
    return " ".join((words, *map(said, found.cautions)))


def recording_of_drive(session: ReadOnlySession) -> Mapping[str, Any] | None:
    """The evidence of the last road test: the newest recording of the last step with
    `road-coverage`; None where none was made."""
    visit = _visit_of_drive(session)
    made = [e for e in visit.evidence or () if e.get("kind") == "recording"] if visit else []
    return made[-1] if made and made[-1]["seconds"] > 0 else None


def _visit_of_drive(session: ReadOnlySession) -> Visit | None:
    for visit in reversed(session.walk):
        step = session.graph.steps[visit.step]
        if step.kind == "record" and "road-coverage" in step.detail.get("checks", ()):
            return visit
    return None


def told_clear(session: ReadOnlySession, now: datetime) -> ToldClear | None:
    """How long ago at most codes were cleared in this job; None where that is not known.

    Not known: nobody cleared here, a job that is written down afterwards or played from a file,
    whose times are not those of the work, or a clock that ran backwards.
    """
    clears = [
        v
        for v in session.walk
        if CLEARS_CODES in session.graph.steps[v.step].does
        and session.graph.steps[v.step].counts(v.outcome) is Verdict.PASS
    ]
    if not clears or session.scripted or {clears[-1].mode, session.mode} != {"as-work"}:
        return None
    clear = clears[-1]
    # Cleared after the entry before was written: earlier the question did not stand there.
    before = read_stamp(session.history[clear.rank - 2].time)
    minutes = (now - before).total_seconds() / 60
    if minutes < 0 or read_stamp(clear.time) > now:
        return None
    drive = _visit_of_drive(session)
    return ToldClear(minutes, drive is not None and drive.rank > clear.rank)


def recorded_drive(session: ReadOnlySession, recording: Recording | None = None) -> Drive | None:
    """The last road test by its recording; None where none was made.

    It may hold some time with the engine off, so only four fifths of it are surely running: common
    practice, no source. recording: the kept file read again, for distance and warm-up.
    """
    made = recording_of_drive(session)
    if made is None:
        return None
    minutes = float(made["seconds"]) / 60
    drive = Drive(minutes=Span(0.8 * minutes, minutes))
    if recording is None:
        return drive
    ends = distance_km(recording)
    far = Span(ends[0] * (1 - SPEED_SHARE), ends[1] * (1 + SPEED_SHARE)) if ends else None
    return replace(drive, distance_km=far, warm_ups=int(warmed_up(recording)))
