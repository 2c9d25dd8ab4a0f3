"""`keysback demo`: plays a whole close-out in an invented workshop, or lets a person walk it."""

from __future__ import annotations

import argparse
import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.job.journal import SqliteJournal
    from verify.job.session import ReadOnlySession
    from verify.terminal.answers_file import Answers
    from verify.terminal.clock import PlayingClock
    from verify.terminal.demo_story import Story
    from verify.terminal.desk import Desk
    from verify.terminal.ui import Ui

HELP = "play a whole close-out in an invented workshop"
FLOW = "throttle-body-replaced"
STORE = "keysback-demo"
BEGINS = "2031-03-04T08:00:00.000Z"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Plays the close-out of an invented van whose throttle body was replaced. "
        "Break it off at any time; the same command goes on."
    )
    p.add_argument("--walk", action="store_true", help="walk through it by hand")
    p.add_argument("--fresh", action="store_true", help="begin another one")
    p.add_argument("--lines", action="store_true", help="plain lines (with --walk)")
    p.add_argument(
        "--store",
        metavar="PATH",
        help=f"folder of the demo's jobs (else KEYSBACK_STORE, else ./{STORE})",
    )
    return p


def run(args: argparse.Namespace) -> int:
    from verify.job.journal import SqliteJournal, store_folder

    store = args.store if args.store is not None else os.environ.get("KEYSBACK_STORE") or STORE
    with SqliteJournal(store_folder(store, os.environ)) as journal:
        return _play(journal, store, args)


def _play(journal: SqliteJournal, store: str, args: argparse.Namespace) -> int:
    from verify import tables
    from verify.errors import UserError
    from verify.terminal.answers_file import load_answers
    from verify.terminal.clock import PlayingClock, read_stamp
    from verify.terminal.demo_story import load_story
    from verify.terminal.sitting import start_again
    from verify.terminal.ui import Wish

    data = tables.data_root() / "demo_data"
    clock = PlayingClock(read_stamp(BEGINS))
    desk, new = _desk(journal, clock, walk=args.walk, fresh=args.fresh)
    session = desk.session()
    clock.at = read_stamp(session.updated)
    if session.ending is not None:
        print("This demo has been played to its end; keysback demo --fresh begins another.\n")
        return _end(desk, session, store, args.walk)
    again = _command(store, args.walk)
    try:
        # An edition of before may ask other things than today's story answers.
        story = load_story(data / "story.yaml", session.graph)
        answers = load_answers(data / "van.yaml", session.graph)
        if not new:
            start_again(desk, "as-work", scripted=not args.walk)
        if args.walk:
            _walk(desk, clock, story, answers, args.lines, new=new)
        else:
            _tell(desk, clock, story, answers, new=new)
    except (_Left, Wish):
        print(f"Paused. Go on with: {again}")
        return 0
    except KeyboardInterrupt:
        print(f"\nInterrupted. Nothing accepted is lost. Go on with: {again}")
        return 130
    except UserError:
        print(f"The demo stopped here. Begin another with: {again} --fresh\n", flush=True)
        raise
    return _end(desk, desk.session(), store, args.walk)


class _Left(Exception):
    """The person paused."""


def _desk(
    journal: SqliteJournal, clock: PlayingClock, *, walk: bool, fresh: bool
) -> tuple[Desk, bool]:
    """The desk of the demo's job, and whether it was only just opened.

    The job's name is noted in the store before the job is opened: killed between the two, the next
    run opens it under that name.
    """
    from verify.flow.machine import compile_flow
    from verify.job.bodies import opened_body
    from verify.job.catalogue import catalogue
    from verify.terminal.desk import (
        Desk,
        Secrets,
        desk_for,
        new_job_id,
        person_id,
        proven_or_error,
    )
    from verify.terminal.library import load_flow
    from verify.words import Audience

    setting = "demo-walk" if walk else "demo"
    job = journal.setting(setting)
    if job and not fresh and journal.job_exists(job):
        return desk_for(journal, job, clock), False
    if not job or fresh:
        job = new_job_id(journal)
        journal.put_setting(setting, job)
    loaded = load_flow(FLOW, catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, FLOW))
    journal.put_edition(loaded.edition, loaded.content)
    desk = Desk(journal, job, machine, clock, person_id(journal))
    body = opened_body(
        machine,
        edition=loaded.edition,
        audience=Audience.TECHNICIAN,
        mode="as-work",
        units=journal.setting("units") or "metric",
        scripted=not walk,
        demo=True,
    )
    desk.open(body, Secrets())
    return desk, True


def _tell(desk: Desk, clock: PlayingClock, story: Story, answers: Answers, *, new: bool) -> None:
    from rich.console import Console

    from verify.terminal.demo_story import LEGEND, WIDTH, TellingHands
    from verify.terminal.runner import Runner
    from verify.terminal.sitting import catch_up

    console = Console(highlight=False)
    width = min(console.width, WIDTH)
    session = desk.live()
    if new:
        console.print(story.intro, width=width)
        console.print(f"\n{LEGEND}", style="dim", width=width)
    else:
        catch_up(answers, session)
        done = sum(1 for v in session.walk if not v.gate)
        console.print(f"Going on at: {session.step().title} ({done} answers are on record).")
    Runner(desk, TellingHands(answers, clock, story, desk, console)).run()
    answers.finish()
    print()


def _walk(
    desk: Desk,
    clock: PlayingClock,
    story: Story,
    answers: Answers,
    lines: bool,
    *,
    new: bool,
) -> None:
    from verify.terminal.demo_story import WalkHands
    from verify.terminal.runner import Paused, Runner
    from verify.terminal.ui_screen import pick

    ui: Ui = pick(lines)
    hands = WalkHands(ui, clock, story, desk, answers)
    if new:
        hands.before = story.intro
    try:
        Runner(desk, hands).run()
    except Paused:
        raise _Left from None


def _command(store: str, walk: bool) -> str:
    where = "" if store == STORE else f" --store {shlex.quote(store)}"
    return "keysback demo" + (" --walk" if walk else "") + where


def _end(desk: Desk, session: ReadOnlySession, store: str, walk: bool) -> int:
    """The ending, the summary file, and what to try next."""
    from verify import tables
    from verify.terminal.endings import ending_lines
    from verify.terminal.identity import masking
    from verify.terminal.ui_lines import LineUi

    name = "demo-walk-summary.txt" if walk else "demo-summary.txt"
    path = Path(store).expanduser() / name
    _write(path, summary_lines(masking(desk), session))
    ui = LineUi()
    for line in ending_lines(session):
        ui.write(line.strip(), " " * (len(line) - len(line.lstrip())))
    where = f"--store {shlex.quote(store)}"
    recording = shlex.quote(str(tables.data_root() / "demo_data" / "idle-hunting.csv"))
    print(
        f"\nSummary: {path}\n"
        "\nTo try next:\n"
        f"  keysback note {session.job} {where}\n"
        f"  keysback show {session.job} {where} --plots\n"
        f'  keysback judge {recording} --spec idle_speed="750 rpm"\n'
        "  keysback demo --walk      (the same van, with your own hands)\n"
        f"  keysback open {FLOW}"
    )
    return 0


def summary_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    from verify.terminal.account import account_lines
    from verify.terminal.endings import DEMO
    from verify.terminal.note_text import note_text

    return [
        DEMO,
        "",
        *account_lines(desk, session),
        "",
        "The note to paste (keysback note):",
        "",
        *("  " + line for line in note_text(desk, session).splitlines()),
    ]


def _write(path: Path, lines: list[str]) -> None:
    """All of the file or nothing; a kill leaves at most a file beside it."""
    from verify.errors import Problem, UserError

    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text("\n".join(lines) + "\n", encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a summary that cannot be written ({error.strerror})",
                expected="a store that can be written",
                next="check the folder; the demo's job itself is on record",
                file=str(path),
            )
        ) from None
