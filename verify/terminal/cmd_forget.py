"""`keysback forget CUSTOMER`: erases what jobs hold of a person, for good."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError

if TYPE_CHECKING:
    import re

    from verify.job.forget import Gone, Holding

HELP = "erase what jobs hold of a customer, for good"
WORD = "erase"

_PLACES = {
    "car": "the car",
    "answer": "an answer",
    "reason": "a reason",
    "text": "a note",
    "words": "a decision",
    "file": "a file's name",
    "order": "an answer",
}


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Finds the jobs in whose personal texts the words stand, shows them, and after "
        "a yes erases every personal text of these jobs (car, complaint, reasons, notes) and their "
        "pictures. The record of what was done stays and can still be checked. What left the "
        "store, as backups, reports and pasted notes did, is not reached."
    )
    p.add_argument(
        "customer", nargs="?", help="name, plate, VIN or other words, as they were typed"
    )
    p.add_argument("--job", action="append", metavar="JOB", help="this job (again for more)")
    p.add_argument(
        "--recordings",
        action="store_true",
        help="their recordings too; their verdicts can then not be computed again",
    )
    p.add_argument("--yes", action="store_true", help="do not ask")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError where nothing is found, or the store cannot be read or written."""
    from verify.job.forget import erase, holdings, pattern_of
    from verify.job.journal import store_folder
    from verify.terminal.desk import open_store

    if (args.customer is None) == (args.job is None):
        raise UserError(
            Problem(
                field="customer",
                found="no name and no job" if args.customer is None else "a name and jobs",
                expected="one of the two",
                next="write the name, plate or VIN, or name the jobs with --job",
            )
        )
    pattern = pattern_of(args.customer) if args.customer is not None else None
    folder = store_folder(args.store, os.environ)
    with open_store(args.store, readonly=True) as journal:
        everybody = holdings(journal, pattern)
        if args.job is not None:
            names = [journal.find_job(text) for text in args.job]
            chosen = [h for h in everybody if h.job in names]
        else:
            chosen = [h for h in everybody if h.found_in]
        rows = {str(row["job"]): row for row in journal.jobs()}
        for holding in chosen:
            print("\n".join(_found_lines(journal, holding, rows, args.recordings)))
        plain = [(h.job, place) for h in everybody for place in h.plain]
    for job, place in plain:
        print(f"The words also stand openly in job {job} ({place}); entries cannot be changed.")
    if not chosen:
        raise UserError(
            Problem(
                found=f'no personal text with "{args.customer}" in {folder}',
                expected="words as they were typed",
                next="try the plate or the VIN, or name the job with --job (keysback jobs)",
            )
        )
    if not args.yes and not _confirmed(len(chosen)):
        print("Nothing was erased.")
        return 0
    with open_store(args.store) as journal:
        try:
            gone = erase(journal, chosen, everybody, recordings=args.recordings)
        except UserError as error:
            jobs = " ".join(f"--job {h.job}" for h in chosen)
            raise UserError(
                *error.problems,
                Problem(
                    found="an erasure that may not be complete",
                    next=f"when that is put right: keysback forget {jobs}",
                ),
            ) from error
        for holding in chosen:
            _write_down(journal, holding.job, gone[holding.job])
        _say_what_is_left(journal, chosen, gone, pattern)
    return 0


def _found_lines(
    journal: Any, holding: Holding, rows: dict[str, Any], recordings: bool
) -> list[str]:
    from verify.job.forget import summary
    from verify.terminal.clock import local
    from verify.terminal.identity import mask_car

    row = rows[holding.job]
    lines = [f"{holding.job:<8} {local(str(row['changed']))}  {row.get('title', '')}"]
    cars = [mask_car(journal.private(d) or "") for d, f in holding.texts.items() if f == "car"]
    lines += [f"         Car: {car}" for car in cars if car]
    if holding.found_in:
        places = sorted({_PLACES.get(field, "an answer") for field in holding.found_in})
        lines.append(f"         Found in {', '.join(places)}.")
    held = summary(holding)
    here = f"{_count(held['texts'], 'text')}, {_count(held['pictures'], 'picture')}"
    if held["recordings"]:
        kept = _count(held["recordings"], "recording")
        here += f", {kept}" if recordings else f". {kept} stay; --recordings erases them too"
    lines.append(f"         To erase: {here}.")
    if not row.get("ending"):
        lines.append("         This job has not ended.")
        if recordings and held["recordings"]:
            lines.append("         Without its recordings some of its checks cannot go on.")
    if holding.shared:
        lines.append(
            f"         {_count(len(holding.shared), 'piece')} of evidence also named by another "
            "job; what a job that is not forgotten names stays."
        )
    return lines


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _confirmed(jobs: int) -> bool:
    try:
        typed = input(f"Erase this of {_count(jobs, 'job')}, for good? Write {WORD}: ")
    except (EOFError, RuntimeError):
        raise UserError(
            Problem(
                found="nobody to ask",
                expected=f'the word "{WORD}"',
                next="add --yes; nothing was erased",
            )
        ) from None
    return typed.strip().casefold() == WORD


def _write_down(journal: Any, job: str, gone: Gone) -> None:
    """The record says that data were erased, when and by whom; not what."""
    from verify.job.bodies import erased_body
    from verify.terminal.desk import desk_for

    if not (gone.texts or gone.pictures or gone.recordings):
        print(f"Job {job}: nothing was left to erase.")
        return
    what = f"{_count(gone.texts, 'text')}, {_count(gone.pictures, 'picture')}"
    if gone.recordings:
        what += f", {_count(len(gone.recordings), 'recording')}"
    print(f"Job {job}: erased for good: {what}.")
    try:
        desk = desk_for(journal, job)
        body = erased_body(
            desk.session(), texts=gone.texts, pictures=gone.pictures, recordings=gone.recordings
        )
        desk.write_any("erased", body)
    except UserError as error:
        print(f"  Its record could not be told so:\n{error}")


def _say_what_is_left(
    journal: Any, chosen: list[Holding], gone: dict[str, Gone], pattern: re.Pattern[str] | None
) -> None:
    from verify.terminal.cmd_backup import known_backups

    if pattern is not None:
        kept = frozenset().union(
            *(h.recordings - frozenset(gone[h.job].recordings) for h in chosen)
        )
        for sha256 in sorted(kept):
            if _stands_in(journal, sha256, pattern):
                print(
                    f"The words still stand in the recording {sha256[:12]}…; with --recordings it "
                    "is erased too."
                )
    backups = known_backups(journal)
    if backups:
        print("Backups made before still hold it. Delete them, or forget again after restoring:")
        for made in backups:
            lost = "" if os.path.exists(made["file"]) else " (not there now)"
            print(f"  {made['time'][:10]}  {made['file']}{lost}")


def _stands_in(journal: Any, sha256: str, pattern: re.Pattern[str]) -> bool:
    """Whether a file of evidence holds the words in plain letters."""
    try:
        with journal.open_evidence(sha256) as stream:
            text = stream.read().decode("utf-8", errors="ignore")
    except UserError:
        return False
    return pattern.search(text) is not None
