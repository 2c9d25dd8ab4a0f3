"""A job's session → a report for one of its readers. Pure: no clock, no disk, nothing judged.

The verdicts shown are those that were stored. Recordings are read again for their pictures alone,
through the source; where one is gone the report says so and keeps its hash.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from verify.flow.graph import Outcome, Step
from verify.job.entry import canonical
from verify.job.session import ReadOnlySession
from verify.job.signoff import points
from verify.job.signoff_point import WEIGHTS, Weight, entries_words
from verify.job.spec_changes import spec_changes
from verify.job.standing import due_days
from verify.report.document import (
    Block,
    Facts,
    Head,
    Mark,
    Point,
    Points,
    Reader,
    Report,
    Say,
    Section,
)
from verify.report.parts import (
    answers,
    codes_table,
    done,
    mark_of,
    numbers_table,
    people_table,
    said,
    seal,
    second_person,
    sent_back,
    signatures_table,
    told_and_passed,
    torque_table,
    why_open,
)
from verify.report.path import path, proofs
from verify.report.source import Source
from verify.report.words import (
    AFTERWARDS,
    CUSTOMER_HEADS,
    DEMO,
    HEADS,
    MODES,
    NOT_STATUTORY,
    OPEN_HEAD,
    PROOF_FAILED,
    PROVEN_LATER,
    REHEARSAL,
    TOLD_HEAD,
    UNFINISHED,
    sentence,
)
from verify.words import Audience, EndingKind

TITLES = {
    Reader.CUSTOMER: "What was done, and what it showed",
    Reader.SIGNER: "For the signature of a second person",
    Reader.WORKSHOP: "The record of the workshop",
}


def build(session: ReadOnlySession, source: Source, reader: Reader) -> Report:
    """The report of a job as it stands, open or ended."""
    from verify.report.customer import customer_sections

    if reader is Reader.CUSTOMER:
        sections = customer_sections(session, source)
    else:
        sections = tuple(_full(session, source, reader))
    record, kept_back = record_of(session, source)
    foot = NOT_STATUTORY
    if kept_back:
        foot += " The record is not attached: it holds the plate or the VIN, which are masked here."
    return Report(
        reader=reader,
        job=session.job,
        title=session.graph.title,
        kicker=TITLES[reader],
        head=_head(session, source, reader),
        warnings=tuple(_warnings(session, source)),
        facts=tuple(_facts(session, source, reader)),
        sections=sections,
        foot=foot,
        moment=session.updated,
        record=record,
        edition=b"" if kept_back else source.edition,
        paper="us-letter" if session.units == "us" else "a4",
    )


def record_of(session: ReadOnlySession, source: Source) -> tuple[bytes, bool]:
    """(the journal as JSON lines, whether it is kept back).

    Personal words stand in it only as salted hashes. But a model or a document may have been typed
    with the plate in it; then, where masks are on, the record stays behind: with a letter changed
    its hashes would not hold.
    """
    lines = []
    for e in session.history:
        fields = ("job", "seq", "time", "person", "kind", "version", "body", "previous", "digest")
        lines.append(canonical({name: getattr(e, name) for name in fields}).decode())
    if source.masked and any(source.shown(t) != t for e in session.history for t in _texts(e.body)):
        return b"", True
    return ("\n".join(lines) + "\n").encode(), False


def _texts(value: Any) -> Iterator[str]:
    """Every text in a JSON value; a long number is none."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for name, item in value.items():
            yield str(name)
            yield from _texts(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _texts(item)


# ---- the head ------------------------------------------------------------------------------------


def _head(session: ReadOnlySession, source: Source, reader: Reader) -> Head:
    ending = session.ending
    if ending is None:
        words, more = OPEN_HEAD
        if session.sign_offs and not session.sign_offs[-1].accepted:
            more += " A second person sent it back."
        if session.pending is not None:
            more += f" Next: {session.step().title}."
        return Head(Mark.OPEN, words, more)
    kind = ending.kind
    mark = Mark.GO if kind.lets_go else Mark.OPEN
    if kind is EndingKind.DO_NOT_DRIVE:
        mark = Mark.STOP
    if kind.lets_go and session.scripted and not session.demo:
        return Head(Mark.OPEN, "Rehearsal only", f"As played: {HEADS[kind].lower()}.")
    if session.proof_failed and not session.closed:
        names = [session.graph.steps[name].title for name in session.proof_failed]
        return Head(Mark.STOP, PROOF_FAILED[0], f"{PROOF_FAILED[1]} It is: {'; '.join(names)}.")
    words, more = CUSTOMER_HEADS[kind]
    if session.proven_later:
        words, more = PROVEN_LATER
    told = told_and_passed(session, source)
    if kind.lets_go and len(told) > 1:
        more += " " + TOLD_HEAD.format(len(told))
    if reader is not Reader.CUSTOMER and not session.proven_later:
        words, more = HEADS[kind], source.advice
        if ending.title.casefold() not in (words.casefold(), kind.value.replace("-", " ")):
            more = f"{sentence(ending.title)} {more}"
    if ending.who:
        more += f" Who can do it: {sentence(ending.who)}"
    if session.closed:
        more += " The job was closed by hand."
    return Head(mark, words, more)


def _warnings(session: ReadOnlySession, source: Source) -> Iterator[str]:
    if session.demo:
        yield DEMO
    elif session.scripted:
        yield REHEARSAL
    if session.ending is None:
        yield UNFINISHED
    for back in session.comebacks:
        day = source.when(back.time)[:10]
        yield f"THE CAR CAME BACK: job {back.job} was opened for it on {day}."
    if any(v.mode == "afterwards" for v in session.walk):
        yield AFTERWARDS
    for e in session.erased:
        parts = ((e.texts, "text"), (e.pictures, "picture"), (len(e.recordings), "recording"))
        what = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts if n)
        yield f"Erased on request {source.when(e.time)}: {what}. The hashes are kept."


def _facts(session: ReadOnlySession, source: Source, reader: Reader) -> Iterator[tuple[str, str]]:
    if session.car:
        masked = " (plate and VIN masked)" if source.masked else ""
        yield "Car", ", ".join(source.secret(str(d)) for d in session.car.values()) + masked
    if session.model:
        yield "Model", source.shown(session.model)
    distance = _distance(session)
    if distance:
        yield "Odometer", distance
    if session.comeback_of:
        yield "Comeback of", f"job {session.comeback_of.get('job', '?')}"
    if reader is Reader.CUSTOMER:
        yield "Job", session.job
        yield "Worked on", _days(session, source)
        return
    yield "Opened", source.when(session.opened)
    yield "Last entry", source.when(session.updated)
    yield (
        "Written down",
        " and ".join(dict.fromkeys(MODES.get(v.mode, v.mode) for v in session.walk))
        or MODES.get(session.mode, session.mode),
    )
    yield "For", _FOR[session.audience]
    yield "Flow", f"{session.flow}, edition {session.edition[:16]}…"


def _distance(session: ReadOnlySession) -> str:
    for step, visit in answers(session):
        if step.kind == "reading" and step.detail["unit"] in ("km", "mi") and visit.values:
            return f"{visit.values['text']} {visit.values['unit']}"
    return ""


def _days(session: ReadOnlySession, source: Source) -> str:
    first, last = source.when(session.opened)[:10], source.when(session.updated)[:10]
    return first if first == last else f"{first} to {last}"


# ---- signer and workshop -------------------------------------------------------------------------


def _full(session: ReadOnlySession, source: Source, reader: Reader) -> Iterator[Section]:
    if reader is Reader.SIGNER:
        yield Section("Look at this first", (Points(tuple(_matters(session, source))),))
    yield _cause(session, source)
    if still := _still_open(session, source):
        yield still
    yield Section("The path, step by step", tuple(path(session, source)))
    if session.proofs:
        yield Section("Proof that came in later", tuple(proofs(session, source)))
    codes = codes_table(session, source)
    if codes is not None:
        blocks: list[Block] = [codes]
        last = [v for s, v in answers(session) if s.kind == "codes" and v.values][-1]
        changed = [*source.changes(session, last)]
        if changed:
            blocks.append(Points(tuple(Point(sentence(c)) for c in changed)))
        yield Section("Codes, before and after", tuple(blocks))
    if torques := torque_table(session, source):
        yield Section("Torques", (torques,))
    yield from _numbers(session, source)
    yield from _changes(session, source)
    people: list[Block] = [people_table(session, source), second_person(session, source)]
    if back := sent_back(session, source):
        people.append(Points(back))
    if signatures := signatures_table(session, source):
        people.append(signatures)
    if left := session.unsigned():
        people.append(Say(f"Not signed with a key: {len(left)} of {len(session.history)} entries.",
                          "quiet"))  # fmt: skip
    yield Section("People", tuple(people))
    yield Section("The seal of the journal", (seal(session, source),))


def _cause(session: ReadOnlySession, source: Source) -> Section:
    complaint, cause = said(session, source)
    torque = [
        f"Fastened to {v.values['text']} {v.values['unit']}."
        for s, v in answers(session)
        if s.kind == "fasten" and v.values
    ]
    then = [f"Then: {'; '.join(steps)}."] if (steps := done(session)) else []
    correction = " ".join((sentence(session.graph.repair), *torque[-1:], *then))
    rows = (
        ("Complaint", complaint or "not asked"),
        ("Cause", cause or "not asked"),
        ("Correction", correction),
    )
    return Section("Complaint, cause, correction", (Facts(rows),))


def _still_open(session: ReadOnlySession, source: Source) -> Section | None:
    points = []
    days = due_days(session)
    for step in session.open_steps():
        settle, by = step.later or ("", "")
        detail = sentence(why_open(session, step, source))
        if settle and session.ending is not None and session.ending.kind.lets_go:
            day = f" ({days[step.name]})" if days.get(step.name) else ""
            detail += f" {sentence(settle)} By: {by}{day}."
        visit = session.last(step.name)
        mark = mark_of(step, visit) if visit is not None else Mark.OPEN
        points.append(Point(step.title, detail, mark))
    return Section("Not proven", (Points(tuple(points)),)) if points else None


_FOR = {Audience.TECHNICIAN: "a technician", Audience.OWNER: "an owner"}
_MARKS = {Weight.GRAVE: Mark.GRAVE, Weight.LOOK: Mark.LOOK, Weight.NOTE: None}


def _matters(session: ReadOnlySession, source: Source) -> Iterator[Point]:
    """What a second person should see before anything else, as the sign-off shows it."""
    for point in points(session, source.elsewhere):
        texts = [f"“{source.secret(digest)}”" for digest in point.said]
        if point.entries:
            texts.append(sentence(entries_words(point.entries)))
        text = f"{WEIGHTS[point.weight]}: {source.shown(point.words)}"
        yield Point(text, " ".join(texts), _MARKS[point.weight])
    yield from sent_back(session, source)
    if source.told:
        many = f"{len(source.told)} {'step' if len(source.told) == 1 else 'steps'}"
        yield Point(f"Told, not measured: {many}", sentence("; ".join(source.told)))


def _numbers(session: ReadOnlySession, source: Source) -> Iterator[Section]:
    numbers = numbers_table(session, source)
    if numbers is None:
        return
    blocks: list[Block] = [numbers]
    changed = []
    for change in spec_changes(session):
        title = session.graph.specs[change.name].title
        steps = session.graph.steps
        turned = [
            f"{steps[t.step].title}: {source.outcome(steps[t.step], t.was)} → "
            f"{source.outcome(steps[t.step], t.now)}."
            for t in change.turned
        ]
        why = f"Because: {sentence(source.secret(change.reason))}" if change.reason else ""
        who = f"{source.person(change.person)}, {source.when(change.time)}, entry {change.seq}."
        text = f"{title}, changed: {change.was or 'not found'} → {change.now or 'not found'}"
        detail = " ".join((*turned, why or "No reason stands in the record.", who))
        changed.append(Point(text, detail))
    if changed:
        blocks.append(Points(tuple(changed)))
    if source.bare:
        bare = "; ".join(f"{title} ({why})" for title, _, why in source.bare)
        blocks.append(Say(f"Without a document: {bare}.", "quiet"))
    yield Section("Numbers of this car", tuple(blocks))


def _changes(session: ReadOnlySession, source: Source) -> Iterator[Section]:
    points = []
    for c in session.corrections:
        step = session.graph.steps[c.step]
        was = _answered(session, source, step, c.was, c.of)
        now = _answered(session, source, step, c.now, c.seq)
        reason = source.secret(c.reason)
        points.append(
            Point(
                step.title,
                f"Was: {was}. Now: {now}. Because: {sentence(reason)} "
                f"Entry {c.seq} in place of {c.of}, {source.when(c.time)}.",
            )
        )
    if points:
        yield Section("Corrections", (Points(tuple(points)),))
    notes = [
        Point(source.secret(digest), source.when(note.time))
        for note in session.notes
        for digest in note.private.values()
    ]
    notes += [Point(sentence(line)) for line in source.decisions]
    if notes:
        yield Section("Notes and decisions", (Points(tuple(notes)),))


def _answered(
    session: ReadOnlySession, source: Source, step: Step, outcome: Outcome, seq: int
) -> str:
    """An answer in words, with the number that was typed for it in entry `seq`."""
    values = session.history[seq - 1].body.get("values") or {}
    typed = f"{values['text']} {values['unit']}: " if "text" in values else ""
    return typed + source.outcome(step, outcome)


def to_json(report: Report) -> str:
    """Everything of a report that is text, for a template; the record apart."""
    from dataclasses import asdict

    plain = asdict(report)
    del plain["record"], plain["edition"]
    return json.dumps(plain, ensure_ascii=False, sort_keys=True)
