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
from verify.terminal.tongue import mark, tr
from verify.terminal.ui import BACK, LEAVE_OUT, PAUSE, SPEC, STOP, Option, Page, Ui, Wish

if TYPE_CHECKING:
    from verify.terminal.spec_memory import Remembered

TORQUE_UNITS = {"metric": mark("Nm, ft-lb or in-lb"), "us": mark("ft-lb, in-lb or Nm")}
# A foot is twelve inches.
_SLIPS = {"in·lbf": "ft·lbf", "ft·lbf": "in·lbf"}


def fasten(ui: Ui, session: ReadOnlySession, step: Step) -> a.Fastened:
    """The torque, what the wrench can, and the order. Raises UserError."""
    stored = session.specs.get(step.detail["spec"])
    if stored is not None and stored.text:
        figure = with_unit(stored.text, stored.unit)
        ui.tell(tr("Service information: {figure}", figure=figure))
    torque = ui.ask(
        tr("Torque the wrench was set to, with its unit"),
        hint=tr("Unit: {units}.", units=tr(TORQUE_UNITS[session.units])),
        blank=LEAVE_OUT if LEAVE_OUT in ui.wishes.allowed else "",
    )
    parse(torque, expect="N·m")
    wrench = ui.ask(
        tr("Largest torque of that wrench, with its unit (may stay empty)"),
        hint=tr("The end of its scale. Below a fifth of it a wrench says little."),
        empty=True,
    )
    if wrench:
        parse(wrench, expect="N·m")
    order = ui.choose(
        tr("Was the order of the service information kept?"),
        [
            Option("yes", tr("Yes")),
            Option("no", tr("No")),
            Option("none", tr("The service information gives no order")),
        ],
    )
    done = ui.ask(
        tr("The order it was done in (may stay empty)"),
        hint=tr("In words, or as the numbers of the drawing, such as 1 3 2 4: those are compared."),
        empty=True,
    )
    kept = {"yes": True, "no": False, "none": None}[order]
    wanted = ""
    if order != "none" and order_of(done):
        wanted = ui.ask(
            tr("The order of the service information, as numbers (may stay empty)"), empty=True
        )
        if wanted and kept and order_kept(kept, done, wanted) is False:
            ui.tell(tr("The two orders are not the same: it counts as not kept."))
    return a.Fastened(torque, kept, wrench, done, wanted)


def unit_slip(ui: Ui, torque: str, wanted: str) -> str:
    """See `Hands.unit_slip`."""
    typed = parse(torque, expect="N·m")
    figure = parse(wanted, expect="N·m")
    ui.tell(
        tr(
            "{typed} is twelve times off the {figure} of the service information.",
            typed=typed,
            figure=figure,
        )
    )
    options, other = [], ""
    if typed.unit in _SLIPS:
        other = f"{typed.text} {_SLIPS[typed.unit]}"
        options.append(Option("other", tr("The wrench was set to {torque}", torque=other)))
    options += [
        Option("again", tr("The wrench was set to something else: enter it again")),
        Option("spec", tr("The figure of the service information is wrong: change it")),
        Option("keep", tr("Both are as they were entered: leave it open")),
    ]
    choice = ui.choose(tr("in·lbf or ft·lbf? Look at the wrench and the document."), options)
    match choice:
        case "other":
            return other
        case "again":
            again = ui.ask(tr("Torque the wrench was set to, with its unit"), blank=BACK)
            parse(again, expect="N·m")
            return again
        case "spec":
            raise Wish(SPEC)
    return ""


def offer_spec(ui: Ui, session: ReadOnlySession, spec: Spec, known: Remembered) -> bool:
    """See `Hands.offer_spec`."""
    document = known.detail or tr("no document named")
    ui.page(
        Page(
            job=session.job,
            flow=session.graph.title,
            progress=tr("a number of this car"),
            title=spec.title,
            say=tr(
                "{figure}. The same car model ({model}), entered {day} by {person} from {source}, "
                "{document}.",
                figure=with_unit(known.text, known.unit),
                model=session.model,
                day=known.time[:10],
                person=known.person,
                source=tr(known.source),
                document=document,
            ),
            why=tr(
                "A car of the same name can be another one: engine, market, model year. "
                "Compare with its service information."
            ),
            wishes=(PAUSE, STOP),
        )
    )
    options = [
        Option("yes", tr("Use it: it is the figure of this car")),
        Option("no", tr("Enter the number anew")),
    ]
    return ui.choose(tr("Use it?"), options) == "yes"


def spec(
    ui: Ui, session: ReadOnlySession, spec: Spec, trouble: Callable[[UserError], None]
) -> dict[str, str]:
    """A number of the car with its source, as fields of its entry."""
    ui.page(
        Page(
            job=session.job,
            flow=session.graph.title,
            progress=tr("a number of this car"),
            title=spec.title,
            say=spec.say or tr("Look it up in the service information of this very car."),
            before=tr("Until now: {number}", number=spec_words(session, spec.name))
            if spec.name in session.specs
            else "",
            wishes=(PAUSE, STOP),
        )
    )
    options = [
        Option("service information", tr("I have it from the service information")),
        Option("standard", tr("From a law or standard")),
    ]
    if spec.default:
        options.append(
            Option(
                "common practice",
                tr("Not found: use the usual figure, {figure}", figure=spec.default),
            )
        )
    options.append(Option("not found", tr("Not found, and no figure to use")))
    while True:
        try:
            return _from(ui, session, spec, ui.choose(tr("Where is it from?"), options), trouble)
        except Wish as wish:
            # To the choice of the source, from what was asked after it.
            if wish.name != BACK:
                raise


def _from(
    ui: Ui,
    session: ReadOnlySession,
    spec: Spec,
    source: str,
    trouble: Callable[[UserError], None],
) -> dict[str, str]:
    unit = shown_unit(spec.unit, session.units)
    body = {"name": spec.name, "text": "", "unit": spec.unit, "source": source}
    if source == "not found":
        return body
    if source == "common practice":
        quantity = parse(spec.default or "", expect=spec.unit)
        return {**body, "text": quantity.text, "unit": quantity.unit}
    hint = tr("A number.")
    if unit != "1":
        hint = tr("A number; without a unit it counts as {unit}.", unit=unit)
    if unit_of(spec.unit).dimension == "torque":
        # Never without a unit: in·lbf and ft·lbf differ by a factor of 12.
        hint = tr("With its unit: {units}.", units=tr(TORQUE_UNITS[session.units]))
    while True:
        text = ui.ask(spec.title, hint=hint, blank=BACK)
        try:
            quantity = parse(text, expect=unit)
            break
        except UserError as error:
            trouble(error)
    detail = ui.ask(tr("Document, its date, and page (may stay empty)"), empty=True)
    return {**body, "text": quantity.text, "unit": quantity.unit, "detail": detail}
