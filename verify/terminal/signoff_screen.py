"""The signer's screens: what to see first, a look of one's own, the decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from verify.job.catalogue import caution
from verify.job.session import ReadOnlySession, Visit
from verify.job.signoff import Point, Weight
from verify.job.signoff_point import what_is_missing
from verify.terminal.desk import Desk
from verify.terminal.endings import ending_lines
from verify.terminal.say import answer_words
from verify.terminal.signoff_words import counted, numbered, point_lines
from verify.terminal.ui import Option, Page, Ui, Wish

# Rows of points on one screen of 24, beside its head and the question.
ROWS = 13
ON_ONE_SCREEN = 12
# A flow's list for the signer names no hazards; most start the engine, and all are at the car.
LOOK_HAZARDS = ("carbon-monoxide", "rolling", "moving-parts")


@dataclass(frozen=True, slots=True)
class Decision:
    """back_to: None where it is accepted. reason: personal words. look: as in the entry.
    answers: to each grave point in its order, the signer's own reason for accepting it."""

    back_to: Visit | None
    reason: str
    look: Mapping[str, Any] | None
    answers: tuple[str, ...] = ()


def ask(desk: Desk, found: Sequence[Point], ui: Ui) -> Decision | None:
    """Shows everything and asks; None where nothing is decided now."""
    session = desk.session()
    try:
        _show(desk, session, found, ui)
        look = _look(session, ui) if session.graph.look else None
        return _decide(desk, session, found, look, ui)
    except Wish:
        # The end of the input, as at every prompt here nothing else is offered.
        return None


def _page(
    session: ReadOnlySession, title: str, progress: str, say: str = "", rows: int = 6
) -> Page:
    return Page(
        job=session.job,
        flow=session.graph.title,
        progress=progress,
        title=title,
        say=say,
        wishes=(),
        prompt_rows=rows,
    )


def _show(desk: Desk, session: ReadOnlySession, found: Sequence[Point], ui: Ui) -> None:
    lines = [line for line in ending_lines(session) if line]
    cars = [desk.secret(digest) for digest in session.car.values()]
    head = "\n".join([*(f"Car: {c}" for c in cars), *lines[:3]])
    blocks: list[list[str]] = [[]]
    for point, grave in numbered(found):
        rows = point_lines(desk, point, min(78, ui.width), number=grave)
        if blocks[-1] and len(blocks[-1]) + len(rows) > ROWS - (4 if len(blocks) == 1 else 0):
            blocks.append([])
        blocks[-1] += rows
    number = 1
    while number <= len(blocks):
        place = f"{number} of {len(blocks)}"
        title = f"Before you sign: {counted(found)}" if number == 1 else "Before you sign"
        ui.page(_page(session, title, place, head if number == 1 else ""))
        for row in blocks[number - 1]:
            ui.tell(row)
        more = "Go on" if number < len(blocks) else "Go on to the decision"
        options = [Option("on", more, ready=True)]
        if number > 1:
            options.append(Option("back", "Back to the page before"))
        number += -1 if ui.choose("Seen?", options) == "back" else 1


def _look(session: ReadOnlySession, ui: Ui) -> dict[str, Any]:
    """Two minutes at the car, answered by exception; or the plain word that nobody looked."""
    look = session.graph.look
    say = "Two minutes at the car, with your own eyes and hands:\n"
    say += "\n".join(f"  - {words}" for words in look.values())
    cautions = tuple(caution(hazard, session.audience.value) for hazard in LOOK_HAZARDS)
    page = _page(session, "Your own look", "the car", say, rows=5)
    ui.page(replace(page, cautions=cautions))
    looked = ui.choose(
        "A signature at a desk is no inspection. Did you look?",
        [
            Option("yes", "I have just looked at all of these"),
            Option("no", "I did not look: I sign at the desk, and the record says so"),
        ],
    )
    if looked == "no":
        return {"looked": False, "wrong": []}
    # A page of its own: all lines fit below it, however low the screen.
    ui.page(_page(session, "Your own look: what is not so?", "the car", rows=len(look) + 4))
    wrong = ui.choose_many(
        "Choose each line that is not so:",
        [Option(name, words) for name, words in look.items()],
        none="All of these are so: go on",
        marked="the marked ones are not so",
    )
    return {"looked": True, "wrong": [name for name in look if name in wrong]}


def _decide(
    desk: Desk,
    session: ReadOnlySession,
    found: Sequence[Point],
    look: dict[str, Any] | None,
    ui: Ui,
) -> Decision | None:
    grave = sum(p.weight is Weight.GRAVE for p in found)
    title = session.ending.title if session.ending is not None else ""
    options = []
    if not (look and look["wrong"]):
        beside = f", with {grave} grave point{'' if grave == 1 else 's'}" if grave else ""
        options.append(Option("accept", f"Accept “{title}”{beside}"))
    answers = _last_answers(session)
    can_go_back = not (session.stopped or session.closed or session.comebacks)
    if can_go_back and answers and session.signed_off is None:
        options.append(Option("back", "Send it back to a step, with a reason"))
    options.append(Option("", "Decide later; write nothing"))
    say = "Accepted, nothing in it changes any more. Sent back, it goes on at the step you name."
    ui.page(_page(session, "Your decision", "decision", say))
    choice = ui.choose("What do you decide?", options)
    if choice == "accept":
        return Decision(None, "", look, _answers(desk, session, found, ui))
    if choice != "back":
        return None
    visit = _which(session, answers, ui)
    if visit is None:
        return None
    reason = ui.ask("Why, as whoever goes on will read it")
    return Decision(visit, reason, look)


def _answers(
    desk: Desk, session: ReadOnlySession, found: Sequence[Point], ui: Ui
) -> tuple[str, ...]:
    """A reason for each grave point by itself; nothing stands there to be taken unread."""
    grave = [p for p in found if p.weight is Weight.GRAVE]
    given: list[str] = []
    for number, point in enumerate(grave, start=1):
        say = "\n".join(point_lines(desk, point, min(78, ui.width)))
        title = f"You accept grave point {number} of {len(grave)}"
        ui.page(_page(session, title, "decision", say))
        while True:
            reason = ui.ask(
                "Why, in your own words, as it will stand in the record",
                hint="Ctrl-C leaves, and nothing is decided.",
            )
            if not (wrong := what_is_missing(reason, given)):
                break
            ui.tell(f"That is {wrong}. Say what you know that the record does not show.")
        given.append(reason)
    return tuple(given)


def _last_answers(session: ReadOnlySession) -> list[Visit]:
    """The last live answer of each step, the newest first."""
    last = {v.step: v for v in session.walk if not v.gate}
    return sorted(last.values(), key=lambda v: -session.walk.index(v))


def _which(session: ReadOnlySession, answers: Sequence[Visit], ui: Ui) -> Visit | None:
    at = 0
    while True:
        options = [
            Option(v.step, answer_words(session.graph.steps[v.step], v))
            for v in answers[at : at + ON_ONE_SCREEN]
        ]
        if at + ON_ONE_SCREEN < len(answers):
            options.append(Option("→ earlier", "An earlier one …"))
        options.append(Option("", "None; decide later"))
        ui.page(_page(session, "Send back to which step?", "decision", rows=len(options) + 3))
        key = ui.choose("It is asked again there, and all after it:", options)
        if key != "→ earlier":
            return next((v for v in answers if v.step == key), None)
        at += ON_ONE_SCREEN
