"""Jobs for the tests of reports: the demo's van, and one of each way a job can stand."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

from tests.terminal.walks import SMALL, START, idle_csv, play
from verify import tables
from verify.flow.load import text_to_flow
from verify.flow.machine import compile_flow
from verify.job.bodies import opened_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.report.document import Report
from verify.terminal.answers_file import load_answers
from verify.terminal.clock import PlayingClock
from verify.terminal.cmd_report import report_of
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.library import load_flow
from verify.terminal.runner import Paused, Runner
from verify.terminal.script import ScriptHands
from verify.words import Audience

VIN = "1M8GDM9AXKP042788"
PLATE = "QX-7731-ZZ"
# Up to the idle of the small flow: story, card, torque, voltage, codes, wait skipped, start.
TO_IDLE = (
    "none",
    *("9 N·m", "", "1", "", "1", "9 N·m", "sheet 4"),
    *("12.6 V", "3"),
    *("P0507", "none", "?", "1"),
    *("2", "hurry", "1", "1"),
)
BY_WORD = (
    *("none", "!cannot", "no wrench", "!cannot", "no meter", "!cannot", "no reader"),
    *("2", "hurry", "1", "1", "2", "1", "1"),
)
RELEARN = """  back:
    kind: relearn
    title: Relearn first
    advice: The throttle has to be taught its stop.
    who: a workshop with equipment for it
"""


def small(
    audience: Audience = Audience.TECHNICIAN,
    units: str = "metric",
    *,
    car: str = "",
    model: str = "",
    text: str | None = None,
) -> Desk:
    loaded = text_to_flow(text or SMALL.read_text(), "small.yaml", lambda _: None, catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "small"))
    desk = Desk(MemoryJournal(), "tester", machine, PlayingClock(START), "p-test")
    desk.journal.put_edition(loaded.edition, loaded.content)
    apart = Secrets(**({"car": car} if car else {}))
    body = opened_body(
        machine, edition=loaded.edition, audience=audience, mode="as-work", units=units,
        car=apart.digests, model=model,
    )  # fmt: skip
    desk.open(body, apart)
    return desk


def typed(desk: Desk, *lines: str) -> Desk:
    """Types the lines; a job that then waits for more stays open."""
    with suppress(Paused):
        play(desk, *lines)
    return desk


def van(*, demo: bool = True, units: str = "metric") -> Desk:
    """The job of the demo, played from its own answers; demo False: the same as a rehearsal."""
    loaded = load_flow("throttle-body-replaced", catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "van"))
    clock = PlayingClock(START)
    desk = Desk(MemoryJournal(), "vanjob", machine, clock, "p-rosa")
    desk.journal.put_edition(loaded.edition, loaded.content)
    body = opened_body(
        machine, edition=loaded.edition, audience=Audience.TECHNICIAN, mode="as-work",
        units=units, scripted=True, demo=demo,
    )  # fmt: skip
    desk.open(body, Secrets())
    answers = load_answers(tables.data_root() / "demo_data" / "van.yaml", machine.graph)
    Runner(desk, ScriptHands(answers, clock)).run()
    return desk


@cache
def van_desk() -> Desk:
    return van()


@cache
def van_report(reader: str) -> Report:
    desk = van_desk()
    return report_of(desk.journal, desk.job, reader)


def recorded(units: str = "metric", *, car: str = "", model: str = "", rpm: float = 750.0) -> Desk:
    """A small job with a recorded idle."""
    with tempfile.TemporaryDirectory() as folder:
        idle = idle_csv(Path(folder) / "idle.csv", rpm=rpm)
        desk = small(units=units, car=car, model=model)
        return typed(
            desk, "It hunts when warm", *TO_IDLE, "1", str(idle), "1", "750 rpm", "sheet 7", "1"
        )


def told_only() -> Desk:
    """An owner without tools: everything told, nothing measured."""
    return typed(small(Audience.OWNER), "It shakes at red lights", *BY_WORD)


def stopped() -> Desk:
    return typed(small(), "The pedal sticks", "none", "!stop", "the pedal stays down")


def relearn() -> Desk:
    text = SMALL.read_text()
    at = text.index("  back: {kind")
    text = text[:at] + RELEARN + text[text.index("\n", at) + 1 :]
    return typed(small(text=text), "It idles high", "none", "!cannot", "no wrench", "!cannot",
                 "no meter", "P0121", "none", "?", "1", "1")  # fmt: skip


def loose() -> Desk:
    """A bolt at half its torque."""
    return typed(small(), "It hunts", "none", "9 N·m", "", "1", "", "1", "20 N·m", "sheet 4", "1")


def opened() -> Desk:
    return typed(small(), "It stalls", "none", "!pause")


def corrected(times: int = 20) -> Desk:
    """A long job: the torque is corrected again and again, everything after it taken up again."""
    desk = small()
    typed(desk, "It stalls", *TO_IDLE[:-1], "!pause")
    for place in range(times):
        with suppress(Paused):
            torque = f"{('8,9', '9,0', '9,1')[place % 3]} N·m"
            play(desk, "!correct", "4", torque, "", "1", "", f"misread the scale, time {place + 1}",
                 "1", "1", "1", "!pause")  # fmt: skip
    return desk
