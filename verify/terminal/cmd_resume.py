"""`keysback resume JOB`: goes on where a job was left, or closes it by hand."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.terminal.desk import Desk

HELP = "go on with a job where it was left"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option
    from verify.terminal.sitting import add_sitting_options

    p = argparse.ArgumentParser(
        description="Goes on with a job. A job can also be closed by hand, but only without the "
        "keys: --close back-to-diagnosis or --close do-not-drive."
    )
    p.add_argument("job", help="the job's id, or its beginning (keysback jobs lists them)")
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
    from verify.terminal.endings import ending_lines
    from verify.terminal.ui_screen import pick

    with open_store(args.store) as journal:
        clock = SystemClock()
        desk = desk_for(journal, args.job, clock)
        if args.close:
            return _close(desk, args)
        session = desk.session()
        if session.ending is not None:
            print("\n".join(ending_lines(session)))
            print(f"\nThis job has ended. The whole account: keysback show {desk.job}")
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
    from verify.terminal.endings import ending_lines
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
    print("\n".join(ending_lines(session)))
    return 0
