"""One sitting at a job: the runner from where it stands until it ends, pauses or breaks off."""

from __future__ import annotations

import sys
from typing import Any

from verify.errors import UserError
from verify.job.bodies import sitting_body
from verify.terminal.answers_file import Answers
from verify.terminal.bench import Worker, add_by_option, sign_sitting
from verify.terminal.clock import Clock
from verify.terminal.desk import Desk, Live
from verify.terminal.endings import REHEARSAL
from verify.terminal.hands import Hands, PersonHands
from verify.terminal.runner import Paused, Runner
from verify.terminal.screen import say_plain
from verify.terminal.script import ScriptHands
from verify.terminal.tongue import add_language_option, spoken, tr, trouble_words
from verify.terminal.ui import Option, Ui


def add_sitting_options(parser: Any) -> None:
    parser.add_argument(
        "--answers", metavar="FILE", help="play the answers of this file; marks the job scripted"
    )
    parser.add_argument(
        "--mode",
        choices=["as-work", "afterwards"],
        help="written down as the work goes on, or afterwards (asked otherwise)",
    )
    add_by_option(parser)
    add_language_option(parser)
    parser.add_argument("--units", choices=["metric", "us"], help="units to show (remembered)")
    parser.add_argument(
        "--lines", action="store_true", help="plain lines instead of a drawn screen"
    )


def ask_mode(ui: Ui) -> str:
    return ui.choose(
        tr("When is this being written down?"),
        [
            Option("as-work", tr("As I work at the car")),
            Option("afterwards", tr("Afterwards, from memory or from paper")),
        ],
    )


def hands_for(args: Any, ui: Ui, answers: Answers | None, clock: Clock) -> Hands:
    return PersonHands(ui) if answers is None else ScriptHands(answers, clock)


def sit(desk: Desk, hands: Hands, worker: Worker) -> int:
    """Runs until the job ends or breaks off. Returns the exit code; nothing accepted is lost.

    What was done is signed at the end and at a pause, where the worker has a key; not where the
    sitting breaks off.
    """
    resume = f"keysback resume {desk.job}"
    try:
        session = Runner(desk, hands).run()
        if isinstance(hands, ScriptHands):
            hands.answers.finish()
            report_script(session)
    except Paused:
        say_plain(tr("Paused. Go on with: {command}", command=resume))
    except KeyboardInterrupt:
        words = tr("Interrupted. Nothing accepted is lost. Go on with: {command}", command=resume)
        say_plain(f"\n{words}", target=sys.stderr)
        return 130
    except UserError as error:
        say_plain(trouble_words(error), target=sys.stderr)
        words = tr("The job is kept as far as it came. Go on with: {command}", command=resume)
        say_plain(words, target=sys.stderr)
        return 2
    return end_signed(desk, worker, scripted=isinstance(hands, ScriptHands))


def end_signed(desk: Desk, worker: Worker, *, scripted: bool = False) -> int:
    """Signs what was done and says so, or that it is not signed. Returns the exit code."""
    later = tr(
        "The job is kept, not signed. Sign it with: keysback resume {job} --sign", job=desk.job
    )
    try:
        say_plain(sign_sitting(desk, worker, scripted=scripted))
    except KeyboardInterrupt:
        say_plain(f"\n{later}", target=sys.stderr)
        return 130
    except UserError as error:
        say_plain(f"{trouble_words(error)}\n{later}", target=sys.stderr)
        return 2
    return 0


def report_script(session: Live) -> None:
    from verify.terminal.endings import ending_lines, last_lines
    from verify.terminal.ui_lines import LineUi

    lines = ending_lines(session)
    if not session.demo and tr(REHEARSAL) not in lines:
        lines += ["", tr("SCRIPTED: the answers came from a file.")]
    LineUi().tell(*lines, "", *last_lines(session))


def catch_up(answers: Answers, session: Live) -> None:
    """Leaves out the answers a resumed job has taken already."""
    counts: dict[str, int] = {}
    for entry in session.history:
        if entry.kind in ("outcome", "proof") and "from" not in entry.body:
            counts[entry.body["step"]] = counts.get(entry.body["step"], 0) + 1
    for step, count in counts.items():
        answers.skip(step, count)


def start_again(desk: Desk, mode: str, *, scripted: bool) -> Live:
    """The entry of a new sitting at a job that was left."""
    body = sitting_body(desk.live(), mode=mode, scripted=scripted, language=spoken())
    return desk.write("sitting", body)
