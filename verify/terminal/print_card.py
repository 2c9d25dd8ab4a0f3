"""`keysback flows card`: a flow as a page to print. Only a proven flow becomes a card: on paper
nothing keeps a person from an unproven way."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from verify.errors import Problem, UserError
from verify.evidence.checks.catalogue import CATALOGUE
from verify.flow.card import flow_to_card
from verify.flow.card_page import Wording, card_to_html
from verify.job.catalogue import catalogue, caution
from verify.terminal.desk import proven_or_error
from verify.terminal.library import audience_of, load_flow
from verify.terminal.screen import say_plain


def print_card(
    name: str, *, output: str | None, audience: str | None, units: str, paper: str
) -> int:
    """Raises UserError, and then wrote nothing, for a flow that does not load or prove, an
    audience it has no way for, and a file that cannot be written."""
    loaded = load_flow(name, catalogue())
    graph = loaded.graph
    proven_or_error(graph, name)
    who = audience_of(graph, audience, name)
    card = flow_to_card(graph, who)
    hazards = {h for block in card.blocks() for h in block.step.hazards}
    wording = Wording(
        cautions={h: caution(h, who.value) for h in hazards},
        checks={name: check.question for name, check in CATALOGUE.items()},
        flow=name,
        edition=loaded.edition,
    )
    target = Path(output if output is not None else f"{graph.flow_id}-card.html")
    _write(target, card_to_html(card, wording, units=units, paper=paper))
    say_plain(f"Card written: {target}")
    say_plain(
        f"{len(card.blocks())} steps and decisions for the {who.value}. Print it from any browser "
        "and write on it at the car."
    )
    say_plain(f"Typed in afterwards: keysback open {name} --mode afterwards")
    return 0


def _write(target: Path, text: str) -> None:
    """Whole or not at all. Raises UserError."""
    part = ""
    try:
        descriptor, part = tempfile.mkstemp(prefix=".card-", dir=target.parent)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(part, 0o644)
        os.replace(part, target)
    except OSError as error:
        if part:
            with suppress(OSError):
                os.unlink(part)
        raise UserError(
            Problem(
                file=str(target),
                found=f"a file that cannot be written ({error.strerror})",
                expected="a place for the card",
                next="name another file with -o",
            )
        ) from error
