"""`keysback jobfile JOB -o FILE`: a job as one file, for somebody who does not trust us."""

from __future__ import annotations

import argparse
import os
import shlex
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError
from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.job.jobfile import JobFile
    from verify.job.jws import SigningKey
    from verify.terminal.desk import Desk

HELP = "a job as one sealed, signed file that anybody can check"
LEFT_OUT = "(left out of this file)"
# The ending of a report's name, and how it begins.
REPORTS = {"pdf": b"%PDF-", "html": b"<!DOCTYPE html"}
MOST_REPORT_BYTES = 1 << 28


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Writes the record of a job into one zip: journal, flow, evidence, public "
        "keys, signatures, a manifest and a seal, with a page on how to check it by hand. Names, "
        "plates and pictures stay out unless asked for: only their salted hashes are in it."
    )
    p.add_argument("job", help="the job's id, or its beginning")
    p.add_argument("-o", "--output", metavar="FILE", required=True, help="the file to write")
    p.add_argument(
        "--by",
        metavar="PERSON",
        help="who makes and signs the file: a name or id from keysback people list (else whoever "
        "is at the bench)",
    )
    p.add_argument("--unsigned", action="store_true", help="sign it with no key")
    p.add_argument(
        "--report",
        metavar="FILE",
        help="a report (PDF or HTML) to put into it (else the workshop's, made now)",
    )
    p.add_argument("--without-report", action="store_true", help="put no report into it")
    p.add_argument(
        "--without-evidence",
        action="store_true",
        help="leave the recordings out: their hashes stay, verdicts cannot be computed again",
    )
    p.add_argument(
        "--with-personal",
        action="store_true",
        help="with names, plate, VIN, words and pictures, and the salts that prove them",
    )
    p.add_argument("--force", action="store_true", help="write over a file that is there")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from verify.terminal.desk import desk_for, open_store

    target = Path(args.output).expanduser()
    if target.exists() and not args.force:
        raise UserError(
            Problem(
                file=args.output,
                found="a file that is there already",
                expected="a new name",
                next="name another file, or write over it with --force",
            )
        )
    report = _report(args.report) if args.report else None
    with open_store(args.store, readonly=True) as journal:
        desk = desk_for(journal, args.job)
        maker, key = _maker(journal, args)
        personal = _personal(desk) if args.with_personal else None
        if report is None and not args.without_report:
            report = _made_now(journal, desk.job, with_personal=args.with_personal)
        made = _write(
            desk,
            target,
            maker,
            key,
            report=report,
            personal=personal,
            with_evidence=not args.without_evidence,
        )
    _say(made, args.output, target, key)
    if personal is None:
        say_plain("Names, plates and pictures are not in it, only their salted hashes.")
    else:
        say_plain(
            f"WITH {len(personal)} PERSONAL VALUES: names, plate, words, pictures. Hand it only"
        )
        say_plain("to whom they concern.")
    say_plain(f"Check it with: keysback audit {shlex.quote(args.output)}")
    return 0


def _personal(desk: Desk) -> dict[str, tuple[bytes, str]]:
    """digest → (salt, value), as far as the store still holds them."""
    from verify.job.hidden import digests_in

    found = {d: desk.journal.salted(d) for d in digests_in(desk.session().history)}
    return {digest: kept for digest, kept in found.items() if kept is not None}


class _Withheld:
    """A journal that hands out no personal words: those are left out of the report as well."""

    def __init__(self, journal: Any) -> None:
        self._journal = journal

    def __getattr__(self, name: str) -> Any:
        return getattr(self._journal, name)

    def private(self, digest: str) -> str | None:
        return LEFT_OUT if self._journal.private(digest) is not None else None


def _made_now(journal: Any, job: str, *, with_personal: bool) -> tuple[str, bytes]:
    from verify.terminal.cmd_report import report_bytes

    lent = journal if with_personal else _Withheld(journal)
    return "html", report_bytes(lent, job, "workshop", "html", unmask=with_personal)


def _maker(journal: Any, args: argparse.Namespace) -> tuple[str, SigningKey | None]:
    """The person who makes the file, and their key; ("", None) for nobody. Raises UserError."""
    from verify.terminal.bench import find_person, open_key

    if args.unsigned:
        return "", None
    if args.by is not None:
        person = find_person(journal, args.by)
        if person.key is None:
            raise UserError(
                Problem(
                    field="--by",
                    found="somebody without a key in force",
                    expected="somebody who can sign",
                    next="make them a key: keysback people key PERSON; or use --unsigned",
                )
            )
        return person.id, open_key(person.id, person.key)
    here = journal.setting("person")
    known = next((p for p in journal.people() if p.id == here), None)
    if known is None or known.key is None:
        return "", None
    return known.id, open_key(known.id, known.key)


def _report(path: str) -> tuple[str, bytes]:
    from verify.terminal.recordings import open_file

    kind = Path(path).suffix.lower().removeprefix(".")
    with open_file(path, "report") as stream:
        content = stream.read(MOST_REPORT_BYTES + 1)
    begins = REPORTS.get(kind)
    if (
        begins is None
        or len(content) > MOST_REPORT_BYTES
        or not content[:64].lstrip().lower().startswith(begins.lower())
    ):
        raise UserError(
            Problem(
                file=path,
                field="--report",
                found="a file that is no report",
                expected="a PDF or an HTML page",
                next="name the report that keysback wrote",
            )
        )
    return kind, content


def _write(desk: Desk, target: Path, maker: str, key: SigningKey | None, **more: Any) -> JobFile:
    """All of the file or nothing; a kill leaves at most a file beside it. Raises UserError."""
    from verify import __version__
    from verify.job.disk import flush_folder
    from verify.job.jobfile import write_jobfile
    from verify.terminal.clock import stamp

    beside = target.with_name(f".{target.name}.part-{os.getpid()}")
    try:
        with open(os.open(beside, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b") as stream:
            made = write_jobfile(
                desk.journal,
                desk.session(),
                stream,
                made=stamp(desk.clock.now()),
                made_by=f"keysback {__version__}",
                maker=maker,
                key=key,
                **more,
            )
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(beside, target)
        flush_folder(str(target.absolute().parent))
    except OSError as error:
        raise UserError(
            Problem(
                file=str(target),
                found=f"a file that cannot be written ({error.strerror})",
                expected="a folder that can be written, and room in it",
                next="name another file with -o",
            )
        ) from None
    finally:
        with suppress(OSError):
            beside.unlink()
    return made


def _say(made: JobFile, name: str, target: Path, key: SigningKey | None) -> None:
    from verify.job.jws import short

    size = target.stat().st_size / 1e6
    say_plain(f"{name}: {made.manifest['entries']} entries, {size:.1f} MB.")
    if key is None:
        say_plain("NOT SIGNED: it shows that nothing was changed since, but not who made it.")
        say_plain("keysback people add makes a key to sign with.")
    else:
        say_plain(f"Signed with the key {short(key.public)}. Whoever gets the file needs the whole")
        say_plain(f"fingerprint, by another way than the file:\n  {key.kid}")
    if made.withheld:
        kinds = sorted(set(made.withheld.values()))
        say_plain(f"{len(made.withheld)} recordings are not in it ({', '.join(kinds)}), only their")
        say_plain("hashes: their verdicts cannot be computed again.")
