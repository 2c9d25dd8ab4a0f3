"""`keysback forget CUSTOMER`: erases what jobs hold of a person, for good."""

from __future__ import annotations

import argparse
import json
import os
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError
from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    import re

    from verify.job.forget import Gone, Holding

HELP = "erase what jobs hold of a customer, for good"
WORD = "erase"
UNDER_WAY = "erasing"
UNNAMED_AFTER_S = 86_400.0

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
    p.add_argument(
        "--unnamed",
        action="store_true",
        help="instead: files older than a day that no job names, of answers that were broken off",
    )
    p.add_argument("--yes", action="store_true", help="do not ask")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError where nothing is found, or the store cannot be read or written."""
    from verify.job.forget import holdings, pattern_of, planned
    from verify.job.journal import store_folder
    from verify.terminal.desk import open_store

    _check_one_wish(args)
    if args.unnamed:
        return _unnamed(args)
    pattern = pattern_of(args.customer) if args.customer is not None else None
    folder = store_folder(args.store, os.environ)
    with open_store(args.store, readonly=True) as journal:
        broken_off = bool(journal.setting(UNDER_WAY))
    if broken_off:
        say_plain("An erasure that was broken off before is brought to its end.")
        with open_store(args.store) as journal:
            _carry_out(journal)
    with open_store(args.store, readonly=True) as journal:
        everybody = holdings(journal, pattern)
        if args.job is not None:
            names = [journal.find_job(text) for text in args.job]
            chosen = [h for h in everybody if h.job in names]
        else:
            chosen = [h for h in everybody if h.found_in]
        rows = {str(row["job"]): row for row in journal.jobs()}
        for holding in chosen:
            say_plain("\n".join(_found_lines(journal, holding, rows, args.recordings)))
    for holding in everybody:
        for place in holding.plain:
            say_plain(
                f"The words also stand openly in job {holding.job} ({place}); entries cannot be "
                "changed."
            )
    if not chosen:
        raise UserError(
            Problem(
                found=f'no personal text with "{args.customer}" in {folder}',
                expected="words as they were typed",
                next="try the plate or the VIN, or name the job with --job (keysback jobs)",
            )
        )
    if not args.yes and not _confirmed(_count(len(chosen), "job")):
        say_plain("Nothing was erased.")
        return 0
    with open_store(args.store) as journal:
        plan = planned(chosen, everybody, recordings=args.recordings)
        _write_plan(journal, [h.job for h in chosen], plan, recordings=args.recordings)
        _carry_out(journal)
        _say_what_is_left(journal, [h.job for h in chosen], pattern)
    return 0


def _check_one_wish(args: argparse.Namespace) -> None:
    wishes = [args.customer is not None, args.job is not None, args.unnamed]
    if sum(wishes) != 1:
        raise UserError(
            Problem(
                field="customer",
                found="no name and no job" if not any(wishes) else "more than one wish",
                expected="a name, or jobs, or --unnamed",
                next="write the name, plate or VIN, or name the jobs with --job",
            )
        )


# What is being erased stands in the settings until it is done: whatever breaks it off, the next
# call brings it to its end and the record is told.


def _write_plan(journal: Any, jobs: list[str], plan: dict[str, Gone], *, recordings: bool) -> None:
    from dataclasses import asdict

    told = {job: asdict(gone) for job, gone in plan.items()}
    wish = {"jobs": jobs, "recordings": recordings, "gone": told}
    journal.put_setting(UNDER_WAY, json.dumps(wish))


def _carry_out(journal: Any) -> None:
    """Erases what the settings say is to be erased, and tells the record. Raises UserError."""
    from verify.job.forget import Gone, erase, holdings

    wish = json.loads(journal.setting(UNDER_WAY) or "{}")
    if not wish:
        return
    everybody = holdings(journal)
    chosen = [h for h in everybody if h.job in wish["jobs"]]
    try:
        erase(journal, chosen, everybody, recordings=wish["recordings"])
    except UserError as error:
        raise UserError(
            *error.problems,
            Problem(
                found="an erasure that may not be complete",
                next="when that is put right, the next keysback forget brings it to its end",
            ),
        ) from error
    for job in wish["jobs"]:
        told = wish["gone"].get(job)
        if told is None:
            say_plain(f"Job {job}: nothing was left to erase.")
        else:
            gone = Gone(told["texts"], told["pictures"], tuple(told["recordings"]))
            _write_down(journal, job, gone)
    journal.put_setting(UNDER_WAY, "")


def _unnamed(args: argparse.Namespace) -> int:
    """Erases evidence that no job names: files of answers that were broken off."""
    from verify.job.forget import holdings, unnamed
    from verify.terminal.desk import open_store

    with open_store(args.store) as journal:
        names = journal.evidence_names(older_than_s=UNNAMED_AFTER_S)
        found = unnamed(names, holdings(journal))
        if not found:
            say_plain("Every piece of evidence that is older than a day is named by a job.")
            return 0
        if not args.yes and not _confirmed(f"{_count(len(found), 'piece')} that no job names"):
            say_plain("Nothing was erased.")
            return 0
        journal.erase_evidence(found)
    say_plain(f"Erased for good: {_count(len(found), 'piece')} of evidence that no job named.")
    return 0


def _found_lines(
    journal: Any, holding: Holding, rows: dict[str, Any], recordings: bool
) -> list[str]:
    from verify.job.forget import summary
    from verify.terminal.clock import local
    from verify.terminal.masks import mask_car

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


def _confirmed(what: str) -> bool:
    try:
        typed = input(f"Erase this for good ({what})? Write {WORD}: ")
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

    what = f"{_count(gone.texts, 'text')}, {_count(gone.pictures, 'picture')}"
    if gone.recordings:
        what += f", {_count(len(gone.recordings), 'recording')}"
    say_plain(f"Job {job}: erased for good: {what}.")
    try:
        desk = desk_for(journal, job)
        last = desk.session().history[-1]
        body = erased_body(
            desk.session(), texts=gone.texts, pictures=gone.pictures, recordings=gone.recordings
        )
        if (last.kind, last.body) != ("erased", body):  # else told before it was broken off
            desk.write_any("erased", body)
    except UserError as error:
        say_plain(f"  Its record could not be told so:\n{error}")


def _say_what_is_left(journal: Any, jobs: list[str], pattern: re.Pattern[str] | None) -> None:
    from verify.job.forget import holdings, unnamed
    from verify.terminal.cmd_backup import known_backups

    everybody = holdings(journal)
    if pattern is not None:
        kept = frozenset[str]().union(*(h.recordings for h in everybody if h.job in jobs))
        for sha256 in sorted(kept):
            if _stands_in(journal, sha256, pattern):
                say_plain(
                    f"The words still stand in the recording {sha256[:12]}…: keysback forget "
                    f"{' '.join(f'--job {job}' for job in jobs)} --recordings erases it."
                )
    if loose := unnamed(journal.evidence_names(), everybody):
        say_plain(
            f"No job names {_count(len(loose), 'piece')} of evidence, of answers that were broken "
            "off; whose, nobody can say: keysback forget --unnamed erases what is older than a day."
        )
    backups = known_backups(journal)
    if backups:
        say_plain(
            "Backups made before still hold it. Delete them, or forget again after restoring:"
        )
        for made in backups:
            lost = "" if os.path.exists(made["file"]) else " (not there now)"
            say_plain(f"  {made['time'][:10]}  {made['file']}{lost}")


def _stands_in(journal: Any, sha256: str, pattern: re.Pattern[str]) -> bool:
    """Whether a file of evidence holds the words in plain letters."""
    try:
        with journal.open_evidence(sha256) as stream:
            text = stream.read().decode("utf-8", errors="ignore")
    except UserError:
        return False
    return pattern.search(text) is not None
