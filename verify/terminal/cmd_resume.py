"""`keysback resume JOB`: goes on where a job was left, takes proof that follows, or closes it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.job.journal import SqliteJournal
    from verify.terminal.bench import Worker
    from verify.terminal.desk import Desk

HELP = "go on with a job where it was left"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option
    from verify.terminal.sitting import add_sitting_options

    p = argparse.ArgumentParser(
        description="Goes on with a job. Where the keys went back with proof to follow, that is "
        "what it asks for. A job can also be closed by hand, but only without the "
        "keys: --close back-to-diagnosis or --close do-not-drive."
    )
    p.add_argument(
        "job",
        nargs="?",
        help="the job's id, or its beginning; may be left out where one job alone is open",
    )
    p.add_argument("--close", metavar="ENDING", help="end the job without the keys")
    p.add_argument("--reason", help="why it is closed by hand")
    p.add_argument(
        "--sign", action="store_true", help="only sign what you wrote last, and ask nothing else"
    )
    add_sitting_options(p)
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from contextlib import ExitStack

    from verify.errors import Problem, UserError
    from verify.terminal import sitting
    from verify.terminal.answers_file import load_answers
    from verify.terminal.bench import at_bench
    from verify.terminal.clock import SystemClock
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.endings import show_ended
    from verify.terminal.prove import sit_for_proof, takes_proof
    from verify.terminal.signoff_words import sent_back_words
    from verify.terminal.tongue import language_wanted, speaking
    from verify.terminal.ui_screen import pick

    with open_store(args.store) as journal, ExitStack() as stack:
        clock = SystemClock()
        # The job's own language, unless another is asked for here; the variable is for new jobs.
        wanted = language_wanted(args.language, {}) if args.language else None
        desk = desk_for(journal, args.job or _only_open(journal), clock, language=wanted)
        session = desk.session()
        stack.enter_context(speaking(session.language if wanted is None else wanted))
        asked = not (args.close or args.sign)
        if session.ending is not None and asked and not takes_proof(session):
            show_ended(session)
            return 0
        worker = at_bench(journal, args.by, session.audience.value)
        desk.person = worker.person
        if args.sign:
            return _sign(desk, worker)
        if args.close:
            return _close(desk, args, worker)
        if args.reason:
            raise UserError(
                Problem("--reason without --close", "--close ENDING", "say which ending it is for")
            )
        live = desk.live()
        answers = load_answers(Path(args.answers), live.graph) if args.answers else None
        ui = pick(args.lines)
        mode = args.mode or live.mode
        hands = sitting.hands_for(args, ui, answers, clock)
        if live.ending is not None:
            if answers is not None:
                sitting.catch_up(answers, live)
            if words := worker.words():
                say_plain(words)
            return sit_for_proof(desk, hands, worker, mode=mode, answers=answers)
        if answers is not None:
            sitting.catch_up(answers, live)
        sitting.start_again(desk, mode, scripted=answers is not None)
        if words := sent_back_words(desk, live):
            hands.notice(words)
        if words := worker.words():
            say_plain(words)
        return sitting.sit(desk, hands, worker)


def _sign(desk: Desk, worker: Worker) -> int:
    """What was left unsigned, as a passphrase was not at hand. Raises UserError."""
    from verify.errors import Problem, UserError
    from verify.terminal.bench import sign_sitting

    if worker.key is None:
        raise UserError(
            Problem(
                found="whoever is at the bench has no key",
                expected="somebody with a key",
                next="name them with --by; keysback people list shows who has one",
                field="--sign",
            )
        )
    say_plain(sign_sitting(desk, worker))
    return 0


def _close(desk: Desk, args: argparse.Namespace, worker: Worker) -> int:
    from verify.errors import Problem, UserError, unknown
    from verify.terminal.endings import show_ended
    from verify.terminal.runner import close_by_hand
    from verify.terminal.sitting import end_signed

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
    return end_signed(desk, worker)


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
