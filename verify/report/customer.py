"""The customer's page: plain words, what was shown and what was not, and what to do next.

It holds on one page: long texts are cut and marked, long lists say how many more there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from verify.car.codes import CodeReading
from verify.car.readiness import Ignition, monitors
from verify.errors import UserError
from verify.evidence.verdict import CheckResult
from verify.flow.graph import CANNOT, STOP, Step
from verify.job.session import ReadOnlySession, Visit
from verify.job.signoff_turn import passed_without
from verify.job.standing import due_days
from verify.report.document import Block, Figure, Gallery, Mark, Point, Points, Say, Section
from verify.report.parts import (
    answers,
    code_readings,
    done,
    last_results,
    mark_of,
    results_of,
    said,
    seal,
    second_person,
    told_and_passed,
    why_open,
)
from verify.report.source import Source
from verify.report.words import (
    ASKED,
    PROVEN,
    SAFETY,
    SAFETY_KEPT,
    SAFETY_STOP,
    WATCH,
    WATCH_KEPT,
    cut,
    listed,
    sentence,
)
from verify.words import EndingKind, Verdict

SAID_ROOM, REASON_ROOM, MOST_POINTS = 320, 190, 7
MOST_SHOWN = 16


def customer_sections(session: ReadOnlySession, source: Source) -> tuple[Section, ...]:
    kind = session.ending.kind if session.ending is not None else None
    complaint, _ = said(session, source)
    stopped = kind is EndingKind.DO_NOT_DRIVE
    found = [
        Section("What you told us", (Say(cut(complaint, SAID_ROOM) or "Nothing was written down.",
                                         "quote" if complaint else "quiet"),)),
        Section("What was done", (Points(tuple(_done(session))),)),
        Section("What was shown", tuple(_shown(session, source))),
    ]  # fmt: skip
    if missing := _worst_first(_not_shown(session, source)):
        found.append(Section("What could not be shown", (Points(_most(missing)),)))
    if follows := tuple(_follows(session, kind)):
        found.append(Section("Proof that follows, and by when", (Points(follows),), side=True))
    watch = WATCH if kind is not None and kind.lets_go else WATCH_KEPT
    if not stopped:
        pending = tuple(_codes_left(session))
        points = tuple(Point(w) for w in (*pending, *watch))
        found.append(Section("What to watch", (Points(points),), side=True))
    found.append(Section("Inspection", (Say(_inspection(session, source)),), side=True))
    goes = kind is not None and kind.lets_go
    safety = SAFETY_STOP if stopped else SAFETY if goes else (SAFETY_KEPT, *SAFETY)
    # Who may not drive reads that before anything else, on a phone too.
    own = Section("Your safety", (Points(tuple(Point(s) for s in safety)),), side=not stopped)
    found.insert(0 if stopped else len(found), own)
    found.append(Section("Who stands behind this", tuple(_behind(session, source)), side=True))
    return tuple(found)


def _worst_first(points: Iterable[Point]) -> tuple[Point, ...]:
    """What failed before what is open, so that a long list cuts off no fail."""
    return tuple(sorted(points, key=lambda point: point.mark is not Mark.FAIL))


def _most(points: tuple[Point, ...], most: int = MOST_POINTS) -> tuple[Point, ...]:
    if len(points) <= most:
        return points
    left = len(points) - most + 1
    return (*points[: most - 1], Point(f"And {left} more: ask for the workshop's report."))


def _done(session: ReadOnlySession) -> Iterator[Point]:
    yield Point(sentence(session.graph.repair))
    for title in done(session):
        yield Point(f"Step done: {sentence(title)}")


def _shown(session: ReadOnlySession, source: Source) -> Iterator[Block]:
    """What was measured and passed wherever it was last looked at; then what was only looked at."""
    by_check: dict[str, list[tuple[Step, CheckResult]]] = {}
    for step, visit, result in last_results(session):
        if step.kind in ("record", "fasten", "reading") and visit.outcome.label != STOP:
            key = result.check if step.kind != "reading" else f"reading {step.name}"
            by_check.setdefault(key, []).append((step, result))
    points = []
    for found in by_check.values():
        step, result = found[-1]
        if any(r.verdict is not Verdict.PASS for _, r in found):
            continue
        text = step.title if step.kind == "reading" else PROVEN.get(result.check, step.title)
        number = source.number(result, session.units).removesuffix(" (k = 2)")
        band = source.band(result.limits, session.units)
        plain = number and result.unit != "1" and result.limits is not None
        points.append(Point(text, f"{number} ({band})" if plain else "", Mark.PASS))
    if points:
        yield Points(_most(tuple(points), MOST_SHOWN))
    else:
        yield Say("Nothing was shown by measurement.", "quiet")
    if picture := idle_before_and_after(session, source):
        yield Gallery((picture,))
    if passed := told_and_passed(session, source):
        yield Say("Looked at, heard or felt, not measured: " + cut("; ".join(passed), 420) + ".",
                  "quiet")  # fmt: skip


def idle_before_and_after(session: ReadOnlySession, source: Source) -> Figure | None:
    """The idle that failed first and passed last; None where there was none, or a file is gone."""
    seen = [
        (visit, results)
        for step, visit in answers(session)
        if step.kind == "record"
        and (results := [r for r in results_of(visit) if r.check.startswith("idle-s")])
    ]
    bad = next((v for v, rs in seen if any(r.verdict is Verdict.FAIL for r in rs)), None)
    last = next((v for v, rs in reversed(seen) if all(r.verdict is Verdict.PASS for r in rs)), None)
    if bad is None or last is None or last.rank <= bad.rank:
        return None
    from verify.report.plots import two_idles

    try:
        pair = [(source.recordings(v.evidence), results_of(v)) for v in (bad, last)]
    except UserError:
        return None
    return two_idles(pair)


def _not_shown(session: ReadOnlySession, source: Source) -> Iterator[Point]:
    named = set()
    for step in session.open_steps():
        visit = session.last(step.name)
        named.add(step.name)
        yield Point(
            step.title,
            cut(_plain(session, step, visit, source), REASON_ROOM),
            mark_of(step, visit) if visit is not None else Mark.OPEN,
        )
    last = {s.name: (s, v) for s, v in answers(session)}
    for step, visit in last.values():
        if step.name in named:
            continue
        if visit.outcome.label == CANNOT:
            yield Point(step.title, cut(sentence(why_open(session, step, source)), REASON_ROOM),
                        Mark.OPEN)  # fmt: skip
        elif (
            step.kind == "record"
            and not step.required
            and step.counts(visit.outcome) is not (Verdict.PASS)
        ):
            failed = step.counts(visit.outcome) is Verdict.FAIL
            yield Point(
                step.title,
                cut(_plain(session, step, visit, source), REASON_ROOM),
                Mark.FAIL if failed else Mark.OPEN,
            )
    for wait in session.skipped_waits:
        title = session.graph.steps[wait.step].title
        words = "The wait was skipped. Nothing that was asked for rests on it."
        if passed_without(session, wait) is not None:
            words = "The wait was skipped, so what came after it shows nothing."
        yield Point(title, words, Mark.OPEN)


def _plain(session: ReadOnlySession, step: Step, visit: Visit | None, source: Source) -> str:
    """Why a step is open: for a recording the questions by their plain names."""
    results = results_of(visit) if visit is not None else ()
    # What a recording was only put to beside decides nothing while it is open.
    own = step.detail.get("checks", ())
    bad = [
        r
        for r in results
        if r.verdict is Verdict.FAIL or (r.verdict is Verdict.UNDECIDED and r.check in own)
    ]
    if step.kind == "record" and bad:
        words = [
            f"{ASKED.get(r.check, r.check)}: "
            + ("failed" if r.verdict is Verdict.FAIL else "not enough to say")
            for r in bad
        ]
        return sentence("; ".join(words))
    if step.kind == "codes" and visit is not None and visit.values:
        there = CodeReading.from_json(visit.values).present
        if there:
            return sentence(f"{source.outcome(step, visit.outcome)}: {listed(list(there))}")
    return sentence(why_open(session, step, source))


def _follows(session: ReadOnlySession, kind: EndingKind | None) -> Iterator[Point]:
    if kind is not EndingKind.PROOF_TO_FOLLOW:
        return
    days = due_days(session)
    for step in session.open_steps():
        settle, by = step.later or ("", "")
        when = f"By {days[step.name]}, {by}" if days.get(step.name) else by
        yield Point(step.title, f"{sentence(when)} {sentence(settle)}".strip())


def _codes_left(session: ReadOnlySession) -> Iterator[str]:
    """The codes that were there when the car was last asked."""
    readings = code_readings(session)
    if not readings:
        return
    values = readings[-1][1].values
    for memory in ("stored", "pending"):
        codes = values.get(memory)
        if isinstance(codes, Sequence) and not isinstance(codes, str) and codes:
            codes = list(map(str, codes))
            words = f"{memory} code{'s' if len(codes) > 1 else ''}"
            yield f"{listed(codes)}: {words} at the last reading. It has to be read again."


def _inspection(session: ReadOnlySession, source: Source) -> str:
    """What an inspection that reads the car's own tests would find; it differs from place to
    place, so no answer is given for it."""
    status = _last_monitors(session)
    if status is None:
        return (
            "The car's self-tests (monitors) were not read, so nothing is known of how an "
            "inspection that reads them would end."
        )
    table = monitors(Ignition(status["ignition"]))
    states: Mapping[str, str] = status["monitors"]
    left = [table[n].title for n, s in states.items() if s in ("not complete", "not read")]
    if not left:
        return (
            "All of the car's self-tests (monitors) are complete. Whether an inspection passes "
            "hangs on more than these."
        )
    return (
        f"{len(left)} of the car's self-tests not complete: {listed(left)}. An inspection that "
        "reads them may turn the car away until they are; ordinary driving completes them."
    )


def _last_monitors(session: ReadOnlySession) -> Mapping[str, Any] | None:
    for _, visit in reversed(code_readings(session)):
        status = visit.values.get("readiness")
        if isinstance(status, Mapping):
            return status
    return None


def _behind(session: ReadOnlySession, source: Source) -> Iterator[Block]:
    yield second_person(session, source)
    yield replace(seal(session, source), words="The seal of the record, see the workshop's report.")
