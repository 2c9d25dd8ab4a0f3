"""`keysback report JOB`: the job as a document to hand over, as PDF or as one HTML file."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.evidence.recording import Recording
    from verify.evidence.sound.picture import SoundPicture
    from verify.report.document import Report
    from verify.report.source import Source
    from verify.terminal.desk import Desk

HELP = "the job as a document: customer, signer, workshop"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Writes the hand-back report of a job: one page for the customer, or all of it "
        "for a second person who signs and for the workshop. The PDF carries the journal inside. "
        "Plate and VIN are masked unless asked."
    )
    p.add_argument("job", nargs="+", help="the job's id, or its beginning; several at once")
    p.add_argument(
        "--for",
        dest="reader",
        choices=("customer", "signer", "workshop"),
        default="customer",
        help="who reads it (customer, if not said)",
    )
    p.add_argument("--format", choices=("pdf", "html"), help="pdf, unless -o ends in .html")
    p.add_argument(
        "-o", "--output", metavar="FILE", help="the file; for several jobs an existing folder"
    )
    p.add_argument("--unmask", action="store_true", help="with plate and VIN in full")
    p.add_argument(
        "--zone",
        default="UTC",
        metavar="ZONE",
        help="time zone of the times shown, as Europe/Lisbon (UTC, if not said)",
    )
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for a job, store, zone or folder that is not there; then writes nothing."""
    from verify.terminal.desk import open_store

    when = times_in(args.zone)
    kind = args.format or ("html" if str(args.output or "").endswith(".html") else "pdf")
    with open_store(args.store, readonly=True) as journal:
        jobs = list(dict.fromkeys(journal.find_job(text) for text in args.job))
        targets = [_target(args.output, job, args.reader, kind, len(jobs)) for job in jobs]
        for job, path in zip(jobs, targets, strict=True):
            made = report_bytes(journal, job, args.reader, kind, unmask=args.unmask, when=when)
            _write(path, made)
            print(f"Report for the {args.reader}: {path}")
    return 0


def report_bytes(
    journal: Any,
    job: str,
    reader: str,
    kind: str,
    *,
    unmask: bool = False,
    when: Callable[[str], str] | None = None,
) -> bytes:
    """One report. kind: "pdf" or "html"; when: how times are shown (UTC if not said)."""
    report = report_of(journal, job, reader, unmask=unmask, when=when)
    if kind == "html":
        from verify.report.html import to_html

        return to_html(report).encode()
    from verify.report.pdf import to_pdf

    return to_pdf(report)


def report_of(
    journal: Any,
    job: str,
    reader: str,
    *,
    unmask: bool = False,
    when: Callable[[str], str] | None = None,
) -> Report:
    """The report of a job of the journal, before it is a page."""
    from verify.report.build import build
    from verify.report.document import Reader
    from verify.terminal.identity import masking

    desk = reading_desk(journal, job)
    source = source_of(desk if unmask else masking(desk), masked=not unmask, when=when)
    return build(desk.session(), source, Reader(reader))


def reading_desk(journal: Any, job: str) -> Desk:
    """A desk that only reads: nothing is proven again for a report, which nobody goes on with."""
    from verify.flow.load import edition_to_flow
    from verify.flow.machine import replay_machine
    from verify.job.catalogue import catalogue
    from verify.terminal.desk import Desk

    entries = journal.entries(job)
    edition = journal.edition(str(entries[0].body["edition"]))
    return Desk(journal, job, replay_machine(edition_to_flow(edition, catalogue()).graph))


def source_of(
    desk: Desk, *, masked: bool = True, when: Callable[[str], str] | None = None
) -> Source:
    """What this front end lends to a report."""
    from verify.car.codes import CodeReading
    from verify.job.numbers import spec_values
    from verify.job.session import ReadOnlySession, Visit
    from verify.report.plot_sound import COLUMNS, ROWS
    from verify.report.source import Source, utc
    from verify.terminal import code_words, say
    from verify.terminal.account import without_document
    from verify.terminal.elsewhere import elsewhere
    from verify.terminal.endings import ending_advice, told_steps
    from verify.terminal.not_judged import not_judged
    from verify.terminal.recordings import reimport
    from verify.terminal.relearn_advice import decision_lines
    from verify.terminal.show_sound import cylinders_of, picture_of
    from verify.terminal.show_verdict import band_text, measured
    from verify.terminal.signed import standings

    session = desk.session()

    def changes(of: ReadOnlySession, visit: Visit) -> list[str]:
        before = code_words.history_before(of, visit)
        return (
            code_words.change_lines(before, CodeReading.from_json(visit.values)) if before else []
        )

    def monitors(values: Any) -> list[str]:
        return [line for line in code_words.monitor_lines(values) if line != code_words.INSPECTION]

    def picture(recording: Recording) -> tuple[SoundPicture, int | None] | None:
        if recording.importer != "sound":
            return None
        with desk.journal.open_evidence(recording.sha256) as stream:
            made = picture_of(stream, recording, specs, columns=COLUMNS, rows=ROWS)
        return made, cylinders_of(specs)

    specs = spec_values(session)
    ending = session.ending
    return Source(
        secret=desk.secret,
        shown=desk.shown,
        recordings=lambda evidence: reimport(desk.journal, evidence),
        outcome=say.outcome_words,
        number=measured,
        band=band_text,
        codes=say.codes_words,
        frame=code_words.frame_words,
        monitors=monitors,
        changes=changes,
        silent=not_judged,
        advice=ending_advice(ending, session.audience) if ending is not None else "",
        told=told_steps(session),
        bare=without_document(session),
        decisions=decision_lines(desk, session),
        elsewhere=elsewhere(desk),
        edition=desk.journal.edition(session.edition),
        person=desk.name,
        signed=[(s.signature, s.broken, s.doubt) for s in standings(desk, session)],
        when=when or utc,
        masked=masked,
        picture=picture,
    )


def times_in(zone: str) -> Callable[[str], str] | None:
    """How times are shown in a zone; None for UTC. Raises UserError for one that is not known."""
    from verify.errors import Problem, UserError
    from verify.terminal.clock import read_stamp

    if zone == "UTC":
        return None
    from zoneinfo import ZoneInfo

    try:
        place = ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        raise UserError(
            Problem(
                found=f'"{zone}"',
                expected="a time zone this machine knows, as Europe/Lisbon",
                next="write its name as it stands in the zone database, or leave it out for UTC",
                field="--zone",
            )
        ) from None
    return lambda stamp: read_stamp(stamp).astimezone(place).strftime("%Y-%m-%d %H:%M %Z")


def _target(output: str | None, job: str, reader: str, kind: str, jobs: int) -> Path:
    """Where a report goes. Raises UserError where that cannot be."""
    from verify.errors import Problem, UserError

    name = f"report-{job}-{reader}.{kind}"
    path = Path(output).expanduser() if output else Path(name)
    if output and (jobs > 1 or path.is_dir()):
        if not path.is_dir():
            raise UserError(
                Problem(
                    found="no folder of that name",
                    expected="an existing folder for several reports",
                    next="make the folder first, or write one report at a time",
                    file=str(path),
                )
            )
        path = path / name
    if not path.parent.is_dir():
        raise UserError(
            Problem(
                found="a folder that is not there",
                expected="a file in a folder that exists",
                next="make the folder first, or choose another",
                file=str(path),
            )
        )
    return path


def _write(path: Path, made: bytes) -> None:
    """All of the file or nothing; a kill leaves at most a file beside it."""
    from verify.errors import Problem, UserError

    beside = path.with_name(path.name + ".new")
    try:
        beside.write_bytes(made)
        os.replace(beside, path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise UserError(
            Problem(
                found=f"a report that cannot be written ({error.strerror})",
                expected="a file that can be written",
                next="check the folder and its permissions",
                file=str(path),
            )
        ) from None
