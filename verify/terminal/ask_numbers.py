"""Asking a person for numbers of the car and for torques: with unit, source and document.

The questions only; `hands` decides when they are asked, `job.judge` what comes of the answers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from verify.errors import UserError
from verify.flow.graph import Spec, Step
from verify.job import answers as a
from verify.job.fastener_order import order_kept, order_of
from verify.job.session import ReadOnlySession
from verify.quantity import parse, shown_unit, with_unit
from verify.quantity import unit as unit_of
from verify.terminal.say import spec_words
from verify.terminal.ui import PAUSE, SPEC, STOP, Option, Page, Ui, Wish

if TYPE_CHECKING:
    from verify.terminal.spec_memory import Remembered

TORQUE_UNITS = {"metric": "Nm, ft-lb or in-lb", "us": "ft-lb, in-lb or Nm"}
# A foot is twelve inches.
_SLIPS = {"in·lbf": "ft·lbf", "ft·lbf": "in·lbf"}


def fasten(ui: Ui, session: ReadOnlySession, step: Step) -> a.Fastened:
    """The torque, what the wrench can, and the order. Raises UserError."""
    stored = session.specs.get(step.detail["spec"])
    if stored is not None and stored.text:
        ui.tell(f"Service information: {with_unit(stored.text, stored.unit)}")
    torque = ui.ask(
        "Torque the wrench was set to, with its unit",
        hint=f"Unit: {TORQUE_UNITS[session.units]}.",
    )
    parse(torque, expect="N·m")
    wrench = ui.ask(
        "Largest torque of that wrench, with its unit (may stay empty)",
        hint="The end of its scale. Below a fifth of it a wrench says little.",
        empty=True,
    )
    if wrench:
        parse(wrench, expect="N·m")
    order = ui.choose(
        "Was the order of the service information kept?",
        [
            Option("yes", "Yes"),
            Option("no", "No"),
            Option("none", "The service information gives no order"),
        ],
    )
    done = ui.ask(
        "The order it was done in (may stay empty)",
        hint="In words, or as the numbers of the drawing, such as 1 3 2 4: those are compared.",
        empty=True,
    )
    kept = {"yes": True, "no": False, "none": None}[order]
    wanted = ""
    if order != "none" and order_of(done):
        wanted = ui.ask(
            "The order of the service information, as numbers (may stay empty)", empty=True
        )
        if wanted and kept and order_kept(kept, done, wanted) is False:
            ui.tell("The two orders are not the same: it counts as not kept.")
    return a.Fastened(torque, kept, wrench, done, wanted)


def unit_slip(ui: Ui, torque: str, wanted: str) -> str:
    """See `Hands.unit_slip`."""
    typed = parse(torque, expect="N·m")
    figure = parse(wanted, expect="N·m")
    ui.tell(f"{typed} is twelve times off the {figure} of the service information.")
    options, other = [], ""
    if typed.unit in _SLIPS:
        other = f"{typed.text} {_SLIPS[typed.unit]}"
        options.append(Option("other", f"The wrench was set to {other}"))
    options += [
        Option("again", "The wrench was set to something else: enter it again"),
        Option("spec", "The figure of the service information is wrong: change it"),
        Option("keep", "Both are as they were entered: leave it open"),
    ]
    choice = ui.choose("in·lbf or ft·lbf? Look at the wrench and the document.", options)
    match choice:
        case "other":
            return other
        case "again":
            again = ui.ask("Torque the wrench was set to, with its unit")
            parse(again, expect="N·m")
            return again
        case "spec":
            raise Wish(SPEC)
    return ""


def offer_spec(ui: Ui, session: ReadOnlySession, spec: Spec, known: Remembered) -> bool:
    """See `Hands.offer_spec`."""
    document = f", {known.detail}" if known.detail else ", no document named"
    ui.page(
        Page(
            job=session.job,
            flow=session.graph.title,
            progress="a number of this car",
            title=spec.title,
            say=f"{with_unit(known.text, known.unit)}. The same car model ({session.model}), "
            f"entered {known.time[:10]} by {known.person} from {known.source}{document}.",
            why="A car of the same name can be another one: engine, market, model year. "
            "Compare with its service information.",
            wishes=(PAUSE, STOP),
        )
    )
    options = [
        Option("yes", "Use it: it is the figure of this car"),
        Option("no", "Enter the number anew"),
    ]
    return ui.choose("Use it?", options) == "yes"


def spec(
    ui: Ui, session: ReadOnlySession, spec: Spec, trouble: Callable[[UserError], None]
) -> dict[str, str]:
    """A number of the car with its source, as fields of its entry."""
    unit = shown_unit(spec.unit, session.units)
    ui.page(
        Page(
            job=session.job,
            flow=session.graph.title,
            progress="a number of this car",
            title=spec.title,
            say=spec.say or "Look it up in the service information of this very car.",
            before=f"Until now: {spec_words(session, spec.name)}"
            if spec.name in session.specs
            else "",
            wishes=(PAUSE, STOP),
        )
    )
    options = [
        Option("service information", "I have it from the service information"),
        Option("standard", "From a law or standard"),
    ]
    if spec.default:
        options.append(
            Option("common practice", f"Not found: use the usual figure, {spec.default}")
        )
    options.append(Option("not found", "Not found, and no figure to use"))
    source = ui.choose("Where is it from?", options)
    body = {"name": spec.name, "text": "", "unit": spec.unit, "source": source}
    if source == "not found":
        return body
    if source == "common practice":
        quantity = parse(spec.default or "", expect=spec.unit)
        return {**body, "text": quantity.text, "unit": quantity.unit}
    hint = "A number." if unit == "1" else f"A number; without a unit it counts as {unit}."
    if unit_of(spec.unit).dimension == "torque":
        # Never without a unit: in·lbf and ft·lbf differ by a factor of 12.
        hint = f"With its unit: {TORQUE_UNITS[session.units]}."
    while True:
        text = ui.ask(spec.title, hint=hint)
        try:
            quantity = parse(text, expect=unit)
            break
        except UserError as error:
            trouble(error)
    detail = ui.ask("Document, its date, and page (may stay empty)", empty=True)
    return {**body, "text": quantity.text, "unit": quantity.unit, "detail": detail}
