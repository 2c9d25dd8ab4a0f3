"""`keysback flows try`: plays a flow, proven or not, in memory. Nothing is recorded."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from verify.errors import UserError
from verify.flow.machine import draft_machine
from verify.job.bodies import opened_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.terminal import library
from verify.terminal.answers_file import load_answers
from verify.terminal.clock import PlayingClock, SystemClock
from verify.terminal.desk import Desk, Secrets, new_job_id
from verify.terminal.endings import ending_lines
from verify.terminal.hands import PersonHands
from verify.terminal.runner import Paused, Runner
from verify.terminal.say import visit_line
from verify.terminal.screen import say_plain
from verify.terminal.script import ScriptHands
from verify.terminal.tongue import language_wanted, speaking, tr, trouble_words
from verify.terminal.ui import Wish
from verify.terminal.ui_lines import LineUi
from verify.terminal.ui_screen import pick
from verify.words import Audience


def try_flow(
    name: str,
    *,
    audience: str | None,
    answers: str | None,
    units: str | None,
    language: str | None = None,
) -> int:
    spoken = language_wanted(language, os.environ)
    with speaking(spoken):
        return _try(name, audience, answers, units, spoken)


def _try(
    name: str, audience: str | None, answers: str | None, units: str | None, language: str
) -> int:
    loaded = library.load_flow(name, catalogue(), language)
    graph = loaded.graph
    script = load_answers(Path(answers), graph) if answers else None
    journal = MemoryJournal()
    machine = draft_machine(graph)
    clock = PlayingClock(SystemClock().now()) if script else SystemClock()
    desk = Desk(journal, new_job_id(journal), machine, clock, "p-try")
    body = opened_body(
        machine,
        edition=loaded.edition,
        audience=Audience(audience) if audience else graph.audiences[0],
        mode="as-work",
        units=units or "metric",
        scripted=True,
        language=language,
    )
    desk.open(body, Secrets())
    hands = ScriptHands(script, clock) if script else PersonHands(pick())
    say_plain(tr("TRYING OUT: nothing is recorded, and no car is let go by this."))
    try:
        Runner(desk, hands).run()
        if script is not None:
            script.finish()
    except (Paused, Wish, KeyboardInterrupt):
        say_plain(tr("Left. Nothing was recorded."))
        return 0
    except UserError as error:
        say_plain(trouble_words(error), target=sys.stderr)
        return 2
    session = desk.session()
    for visit in session.walk:
        say_plain(visit_line(session, visit))
    LineUi().tell("", *ending_lines(session))
    return 0
