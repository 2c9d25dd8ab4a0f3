"""`keysback open FLOW`: a new job."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.flow.graph import Graph
    from verify.terminal.ui import Ui
    from verify.words import Audience

HELP = "open a job: walk the close-out of a repair"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option
    from verify.terminal.sitting import add_sitting_options

    p = argparse.ArgumentParser(
        description="Opens a job and walks through the close-out, one question a screen. Pause or "
        "break off at any time; keysback resume JOB goes on."
    )
    p.add_argument("flow", help="the kind of repair: a name from keysback flows, or a flow file")
    p.add_argument("--as", dest="audience", choices=["technician", "owner"])
    p.add_argument("--car", metavar="WORDS", help="plate, VIN or words by which to find the car")
    add_sitting_options(p)
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from verify.flow.machine import compile_flow
    from verify.job.bodies import opened_body
    from verify.job.catalogue import catalogue
    from verify.terminal import library, sitting
    from verify.terminal.answers_file import load_answers
    from verify.terminal.clock import SystemClock
    from verify.terminal.desk import (
        Desk,
        Secrets,
        new_job_id,
        open_store,
        person_id,
        proven_or_error,
    )
    from verify.terminal.ui import Wish
    from verify.terminal.ui_screen import pick

    loaded = library.load_flow(args.flow, catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, args.flow))
    answers = load_answers(Path(args.answers), loaded.graph) if args.answers else None
    clock = SystemClock()
    with open_store(args.store) as journal:
        ui = pick(args.lines)
        try:
            audience, units, mode = _ask(args, ui, journal, loaded.graph, answers is not None)
            car = args.car or ("" if answers else _which_car(ui))
        except Wish:
            print("Nothing was opened.")
            return 0
        journal.put_edition(loaded.edition, loaded.content)
        desk = Desk(journal, new_job_id(journal), machine, clock, person_id(journal))
        secrets = Secrets(**({"car": car} if car else {}))
        body = opened_body(
            machine,
            edition=loaded.edition,
            audience=audience,
            mode=mode,
            units=units,
            scripted=answers is not None,
            car=secrets.digests,
        )
        desk.open(body, secrets)
        print(f"Job {desk.job} is open. If you break off: keysback resume {desk.job}")
        return sitting.sit(desk, sitting.hands_for(args, ui, answers, clock))


def _which_car(ui: Ui) -> str:
    """Kept apart from the record like every personal word; may stay empty."""
    return ui.ask("Which car? Plate, VIN or job card number (may stay empty)", empty=True)


def _ask(
    args: argparse.Namespace, ui: Ui, journal: Any, graph: Graph, scripted: bool
) -> tuple[Audience, str, str]:
    """(audience, units, mode): from the options, from what is remembered, else asked."""
    from verify.errors import Problem, UserError
    from verify.terminal.sitting import ask_mode
    from verify.terminal.ui import Option, Page
    from verify.words import Audience

    known = [a.value for a in graph.audiences]
    if args.audience and args.audience not in known:
        raise UserError(
            Problem(
                found=f"the {args.audience}'s way",
                expected=f"a way this flow has: {', '.join(known)}",
                next="leave --as out, or take another flow",
            )
        )
    audience = args.audience or (known[0] if len(known) == 1 or scripted else "")
    units = args.units or journal.setting("units") or ("metric" if scripted else "")
    mode = args.mode or ("as-work" if scripted else "")
    if not (audience and units and mode):
        ui.page(Page("new", graph.title, "before we begin", graph.title, graph.repair, wishes=()))
    if not audience:
        options = {
            "technician": "A technician, with a scanner and the service information",
            "owner": "The car's owner, at home",
        }
        audience = ui.choose("Who closes it out?", [Option(k, options[k]) for k in known])
    if not units:
        units = ui.choose(
            "Which units?",
            [
                Option("metric", "Metric: km/h, °C, N·m"),
                Option("us", "US: mph, °F, ft·lbf"),
            ],
        )
    if units != journal.setting("units"):
        journal.put_setting("units", units)
    return Audience(audience), units, mode or ask_mode(ui)
