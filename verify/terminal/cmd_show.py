"""`keysback show JOB`: the whole account of one job."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.job.session import ReadOnlySession
    from verify.terminal.desk import Desk

HELP = "show what a job has proven, and how"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(description=HELP.capitalize() + ".")
    p.add_argument("job", help="the job's id, or its beginning")
    p.add_argument(
        "--json", action="store_true", help="as JSON, without personal texts but the car's"
    )
    p.add_argument("--unmask", action="store_true", help="with plate and VIN in full")
    p.add_argument("--plots", action="store_true", help="with a small plot of each recording")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from verify.terminal.account import account_json, account_lines
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.identity import masking
    from verify.terminal.ui_lines import LineUi

    with open_store(args.store, readonly=True) as journal:
        desk = desk_for(journal, args.job)
        desk = desk if args.unmask else masking(desk)
        session = desk.session()
        if args.json:
            json.dump(account_json(desk, session), sys.stdout, indent=2, ensure_ascii=False)
            print()
            return 0
        ui = LineUi()
        for line in account_lines(desk, session):
            indent = " " * (len(line) - len(line.lstrip()))
            # Under the words of a line that opens with a mark, not under the mark.
            ui.write(line.strip(), indent, "  " if line[1:2] == " " and line[0] != " " else "")
        if args.plots:
            _plots(desk, session)
    return 0


def _plots(desk: Desk, session: ReadOnlySession) -> None:
    from rich.console import Console

    from verify.errors import UserError
    from verify.job.numbers import spec_values
    from verify.terminal.account import results_of
    from verify.terminal.recordings import reimport
    from verify.terminal.show_sound import sound_plot, with_speed
    from verify.terminal.show_verdict import trace_plot

    console = Console(highlight=False)
    specs = spec_values(session)
    for visit in session.walk:
        if visit.gate or not visit.evidence:
            continue
        print(f"\n{session.graph.steps[visit.step].title}, entry {visit.seq}")
        try:
            kept = reimport(desk.journal, visit.evidence)
            for recording in kept:
                plot = trace_plot(with_speed(recording, specs), results_of(visit))
                if plot is not None:
                    console.print(plot)
                if recording.importer == "sound":
                    if plot is not None or recording is not kept[0]:
                        console.print()
                    with desk.journal.open_evidence(recording.sha256) as stream:
                        console.print(sound_plot(stream, recording, specs))
        except UserError as error:
            print(f"  {error}")
