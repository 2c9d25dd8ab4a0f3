"""`keysback open FLOW`: a new job."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError
from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.flow.graph import Graph
    from verify.terminal.ui import Ui
    from verify.words import Audience

HELP = "open a job: walk the close-out of a repair"
LONGEST_MODEL = 80


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
    p.add_argument(
        "--model",
        metavar="WORDS",
        help="year, model and engine as the shop writes them: numbers entered for one car are "
        "offered again for the next of the same model",
    )
    add_sitting_options(p)
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    from verify.flow.machine import compile_flow
    from verify.job.bodies import opened_body
    from verify.job.catalogue import catalogue
    from verify.terminal import library, sitting
    from verify.terminal.answers_file import load_answers
    from verify.terminal.bench import at_bench
    from verify.terminal.clock import SystemClock
    from verify.terminal.desk import (
        Desk,
        Secrets,
        new_job_id,
        open_store,
        proven_or_error,
    )
    from verify.terminal.tongue import language_wanted, speaking, tr
    from verify.terminal.ui import Wish
    from verify.terminal.ui_screen import pick

    language = language_wanted(args.language, os.environ)
    loaded = library.load_flow(args.flow, catalogue(), language)
    machine = compile_flow(proven_or_error(loaded.graph, args.flow))
    answers = load_answers(Path(args.answers), loaded.graph) if args.answers else None
    clock = SystemClock()
    with speaking(language), open_store(args.store) as journal:
        # First of all: whoever cannot sign hears of it before the work begins.
        worker = at_bench(journal, args.by, args.audience or "")
        ui = pick(args.lines)
        try:
            audience, units, mode = _ask(args, ui, journal, loaded.graph, answers is not None)
            car, model = _which_car(args, ui, scripted=answers is not None)
        except Wish:
            say_plain(tr("Nothing was opened."))
            return 0
        journal.put_edition(loaded.edition, loaded.content)
        desk = Desk(journal, new_job_id(journal), machine, clock, worker.person)
        secrets = Secrets(**({"car": car} if car else {}))
        body = opened_body(
            machine,
            edition=loaded.edition,
            audience=audience,
            mode=mode,
            units=units,
            scripted=answers is not None,
            car=secrets.digests,
            model=model,
            language=language,
        )
        desk.open(body, secrets)
        say_plain(tr("Job {job} is open. If you break off: keysback resume {job}", job=desk.job))
        if words := worker.words():
            say_plain(words)
        return sitting.sit(desk, sitting.hands_for(args, ui, answers, clock), worker)


def _which_car(args: argparse.Namespace, ui: Ui, *, scripted: bool) -> tuple[str, str]:
    """(car, model), as given or asked; either may stay empty.

    The car is kept apart from the record like every personal word. What its VIN says is said and
    decides nothing.
    """
    from verify.terminal.identity import vin_lines
    from verify.terminal.masks import vin_in
    from verify.terminal.tongue import said, tr, trouble_words

    ask = not scripted and not args.car
    car = args.car or ""
    if ask:
        car = ui.ask(tr("Which car? Plate, VIN or job card number (may stay empty)"), empty=True)
    if lines := vin_lines(car):
        ui.tell(*map(said, lines))
    model = " ".join((args.model or "").split())
    while True:
        if not model and ask and args.model is None:
            text = ui.ask(
                tr("Year, model and engine, as you always write them (may stay empty)"),
                hint=tr("Numbers entered for this car are offered for the next of the same model."),
                empty=True,
            )
            model = " ".join(text.split())
        try:
            _check_model(model, vin_in(model))
            return car, model
        except UserError as error:
            if args.model is not None or not ask:
                raise
            ui.tell(trouble_words(error))
            model = ""


def _check_model(model: str, vin: str) -> None:
    """A model stands in the record for good, so nothing personal may. Raises UserError."""
    if vin or len(model) > LONGEST_MODEL:
        raise UserError(
            Problem(
                found="a VIN in the model" if vin else f"a model of {len(model)} characters",
                expected=f"what many cars share, in at most {LONGEST_MODEL} characters",
                next="write year, model and engine; plate and VIN belong to the car",
                field="--model",
            )
        )


def _ask(
    args: argparse.Namespace, ui: Ui, journal: Any, graph: Graph, scripted: bool
) -> tuple[Audience, str, str]:
    """(audience, units, mode): from the options, from what is remembered, else asked."""
    from verify.terminal.sitting import ask_mode
    from verify.terminal.tongue import tr
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
        ui.page(
            Page("new", graph.title, tr("before we begin"), graph.title, graph.repair, wishes=())
        )
    if not audience:
        options = {
            "technician": tr("A technician, with a scanner and the service information"),
            "owner": tr("The car's owner, at home"),
        }
        audience = ui.choose(tr("Who closes it out?"), [Option(k, options[k]) for k in known])
    if not units:
        units = ui.choose(
            tr("Which units?"),
            [
                Option("metric", tr("Metric: km/h, °C, N·m")),
                Option("us", tr("US: mph, °F, ft·lbf")),
            ],
        )
    if units != journal.setting("units"):
        journal.put_setting("units", units)
    return Audience(audience), units, mode or ask_mode(ui)
