"""`keysback resume JOB`: goes on where a job was left, or closes it by hand."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.job.journal import SqliteJournal
    from verify.terminal.desk import Desk

HELP = "go on with a job where it was left"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option
    from verify.terminal.sitting import add_sitting_options

    p = argparse.ArgumentParser(
        description="Goes on with a job. A job can also be closed by hand, but only without the "
        "keys: --close back-to-diagnosis or --close do-not-drive."
    )
    p.add_argument(
        "job",
        nargs="?",
        help="the job's id, or its beginning; may be left out where one job alone is open",
    )
    p.add_argument("--close", metavar="ENDING", help="end the job without the keys")
    p.add_argument("--reason", help="why it is closed by hand")
    add_sitting_options(p)
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError
    from verify.terminal import sitting
    from verify.terminal.answers_file import load_answers
    from verify.terminal.clock import SystemClock
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.endings import show_ended
    from verify.terminal.ui_screen import pick

    with open_store(args.store) as journal:
        clock = SystemClock()
        desk = desk_for(journal, args.job or _only_open(journal), clock)
        if args.close:
            return _close(desk, args)
        session = desk.session()
        if session.ending is not None:
            show_ended(session)
            return 0
        if args.reason:
            raise UserError(
                Problem("--reason without --close", "--close ENDING", "say which ending it is for")
            )
        live = desk.live()
        answers = load_answers(Path(args.answers), live.graph) if args.answers else None
        ui = pick(args.lines)
        mode = args.mode or live.mode
        if answers is not None:
            sitting.catch_up(answers, live)
        sitting.start_again(desk, mode, scripted=answers is not None)
        return sitting.sit(desk, sitting.hands_for(args, ui, answers, clock))


def _close(desk: Desk, args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError, unknown
    from verify.terminal.endings import show_ended
    from verify.terminal.runner import close_by_hand

    session = desk.session()
    known = {e.name: e for e in session.closings()} | {e.kind.value: e for e in session.closings()}
    if args.close not in known:
        problem = unknown(args.close, known, "ending without the keys")
        raise UserError(problem.within(field="--close"))
    if not args.reason:
        raise UserError(
            Problem("no reason", "--reason TEXT", "say why the job ends here", field="--close")
        )
    session = close_by_hand(desk, known[args.close].name, args.reason)
    show_ended(session)
    return 0


def _only_open(journal: SqliteJournal) -> str:
    """The one job that has not ended. Raises UserError where there is another number of them."""
    from verify.errors import Problem, UserError

    known = [str(row["job"]) for row in journal.jobs() if not row.get("ending")]
    if len(known) == 1:
        return known[0]
    raise UserError(
        Problem(
            found=f"no job named, and {len(known) or 'no'} open jobs to choose from",
            expected="one of them: " + ", ".join(known[:8]) if known else "a job that is open",
            next=f"write for example keysback resume {known[0]}; keysback jobs --open lists them"
            if known
            else "open one: keysback open FLOW (keysback flows lists them)",
        )
    )
