"""The throttle body closed out in German, by both audiences, on a real pseudo-terminal of 80×24.

Each page must fit the screen with its question, its cautions whole, and nothing of it in English.
"""

from __future__ import annotations

import io
import time
from functools import cache
from pathlib import Path

import pytest
from rich.console import Console

from tests.drive.test_screen import CTRL_C, DOWN, ENTER, Terminal
from verify.flow.graph import Step
from verify.flow.machine import ReadOnlyMachine, replay_machine
from verify.job.catalogue import catalogue
from verify.job.journal import SqliteJournal
from verify.job.session import ReadOnlySession, fold
from verify.terminal.library import flow_names, load_flow, sides_of
from verify.terminal.say import cautions_of, labels_of, prompt_rows, step_words
from verify.terminal.tongue import UNTRANSLATED, speaking, tr
from verify.terminal.ui import Page
from verify.terminal.ui_screen import ScreenUi
from verify.words import Audience

FLOW = "throttle-body-replaced"
# What would stay English were a word forgotten: none of these is a word of German.
ENGLISH = ("the ", " and ", " your ", "Why:", "Not required", " done", "cannot", "Which")


@cache
def machine() -> ReadOnlyMachine:
    return replay_machine(load_flow(FLOW, catalogue(), "de").graph)


def session_in(store: Path) -> ReadOnlySession | None:
    """The job as far as it is on disk; None before it is there."""
    if not list(store.glob("*.sqlite3")):
        return None
    with SqliteJournal(store, readonly=True) as journal:
        jobs = [str(row["job"]) for row in journal.jobs()]
        return fold(jobs[0], journal.entries(jobs[0]), machine()) if jobs else None


def words_of(screen: str) -> str:
    return " ".join(screen.split())


class Walk:
    def __init__(self, store: Path, audience: Audience) -> None:
        self.store, self.audience = store, audience
        self.terminal = Terminal(
            "open", FLOW, "--language", "de", "--as", audience.value, "--units", "metric",
            "--mode", "as-work", "--car", "Auftrag 7", "--model", "x", "--store", str(store),
        )  # fmt: skip
        self.looked_at: list[str] = []
        self.seen = ("", 0, "")

    def until(self, *words: str, one_of: tuple[str, ...] = ("",)) -> str:
        end = time.monotonic() + 20
        while time.monotonic() < end:
            shown = words_of(self.terminal.text)
            if all(w in shown for w in words) and any(w in shown for w in one_of):
                return self.terminal.text
            self.terminal.pump()
        raise AssertionError(f"never saw {words!r}:\n{self.terminal.text}")

    def still(self) -> None:
        """Until nothing more is drawn: what is typed before a list listens is not for it."""
        drawn = -1
        while len(self.terminal.raw) != drawn:
            drawn = len(self.terminal.raw)
            self.terminal.pump(0.3)

    def wait_for_entry(self, before: int) -> ReadOnlySession:
        end = time.monotonic() + 20
        asked = False
        while time.monotonic() < end:
            self.terminal.pump(0.05)
            if "Hier beenden?" in self.terminal.text and not asked:
                # The answer that ends the job is asked once more.
                self.terminal.type("1" + ENTER)
                asked = True
            session = session_in(self.store)
            if session is not None and len(session.history) > before:
                return session
        raise AssertionError(f"nothing was written:\n{self.terminal.text}")

    def look(self, step: Step, attempt: int = 1) -> None:
        """The page stands whole on the screen: head, cautions, what to do, and STOP at hand."""
        said = words_of(step_words(step, self.audience))
        if attempt > 1 and self.seen[:2] != (step.name, attempt):
            # The page before may be that of the same step: its head counts one answer less.
            while self.terminal.text.split("\n")[0] == self.seen[2]:
                self.terminal.pump(0.05)
        page = self.until(step.title, said, one_of=("STOPP: nicht sicher", "!stopp"))
        self.still()
        self.seen = (step.name, attempt, page.split("\n")[0])
        shown = words_of(page)
        with speaking("de"):
            for title, measure in cautions_of(step, self.audience):
                assert f"▲ {title.upper()} {measure}" in shown, f"{step.name}:\n{page}"
        assert page.split("\n")[0].startswith("Elektronische Drossel"), f"scrolled:\n{page}"
        for word in ENGLISH:
            assert word not in page, f"{word!r} in {step.name}:\n{page}"
        assert UNTRANSLATED not in page, page
        self.looked_at.append(step.name)

    def answer(self, step: Step) -> None:
        key = self.terminal.type
        match step.kind:
            case "do" | "card":
                key(DOWN + ENTER)
            case "ask" if step.detail.get("answers"):
                good = [i for i, a in enumerate(step.detail["answers"]) if a in step.passes]
                # Nobody waits a quarter of an hour here, and after a relearn it is not skipped.
                wanted = 1 if step.name == "service-info" else 0
                key(DOWN * (good[wanted] + 1 if good else 1) + ENTER)
            case "ask":
                key("Es sägt" + ENTER)
            case "reading":
                key(("12345" if step.name == "odometer" else "12.6") + ENTER)
                if step.name == "supply":
                    self.until("Woher kommt er?")
                    key("3" + ENTER)
            case "record" if step.detail.get("told") is None:
                self.until("Zeichnung zeigen")
                # What is not required is left out without a reason.
                key(DOWN * 3 + ENTER)
            case "record":
                self.until("Aufzeichnung?")
                key("2" + ENTER)
                self.until("es wird als erzählt geführt")
                key("1" + ENTER)
            case "codes":
                self.codes(step)
            case "fasten":
                key("!nicht" + ENTER)
                self.until("Warum geht das nicht?")
                key("kein Drehmomentschlüssel" + ENTER)
            case "photo":
                key(DOWN * 2 + ENTER)
                if "Auslassen" not in self.terminal.text:
                    self.until("Warum geht das nicht?")
                    key("keine Kamera" + ENTER)

    def codes(self, step: Step) -> None:
        for prompt in ("Gespeicherte Codes", "Vorläufige Codes", "Permanente Codes"):
            self.until(prompt)
            self.terminal.type("keine" + ENTER)
        self.until("Wurden alle diese gelesen: Motorsteuergerät?")
        self.terminal.type("1" + ENTER)
        if not step.detail.get("since_clear"):
            return
        for prompt in ("Strecke seit dem Löschen", "Motorlaufzeit seit", "Warmläufe seit"):
            self.until(prompt)
            self.terminal.type("?" + ENTER)
        self.until("Readiness-Tests seit dem Löschen")
        self.terminal.type("?" + ENTER)

    def skip_wait(self, step: Step) -> None:
        """A wait that is part of the proof is left out: that is the answer to its step."""
        self.until("min warten.")
        self.terminal.type("2" + ENTER)
        why = "Warum geht das nicht?" if step.required else "Warum wird das Warten übersprungen?"
        self.until(why)
        self.terminal.type("Test" + ENTER)


@pytest.mark.parametrize("audience", list(Audience))
def test_every_page_of_the_german_walk_fits_with_its_cautions(
    tmp_path: Path, audience: Audience
) -> None:
    walk = Walk(tmp_path / "store", audience)
    graph = machine().graph
    try:
        session = walk.wait_for_entry(0)
        while session.ending is None:
            pending = session.pending
            assert pending is not None
            step = graph.steps[pending.step]
            walk.look(step, pending.attempt)
            entries = len(session.history)
            if pending.wait_s is not None and not (pending.wait and pending.wait.over):
                walk.skip_wait(step)
                session = walk.wait_for_entry(entries + (not step.required))
                if step.required:
                    continue
                entries = len(session.history)
            walk.answer(step)
            session = walk.wait_for_entry(entries)
            while session.pending is not None and len(session.history) == entries + 1:
                if session.history[-1].kind != "spec":
                    break
                session = walk.wait_for_entry(entries + 1)
        page = walk.until("Der ganze Bericht: keysback show")
        assert walk.terminal.leave() == 0
    finally:
        walk.terminal.child.close(force=True)
    assert session.ending.kind.value == "proof-to-follow"
    assert "NACHWEIS FOLGT" in page or "NACHWEIS STEHT NOCH AUS" in page
    assert len(walk.looked_at) >= 18
    assert session.language == "de"


@pytest.mark.parametrize("audience", list(Audience))
@pytest.mark.parametrize("name", [n for n in flow_names() if sides_of(f"flows/{n}.yaml")])
def test_every_page_of_a_translated_flow_fits_though_words_are_longer(
    name: str, audience: Audience
) -> None:
    for language in load_flow(name, catalogue()).languages:
        graph = load_flow(name, catalogue(), language).graph
        with speaking(language):
            for step in graph.steps.values():
                if step.kind != "gate":
                    measure(step, graph.title, audience)


def measure(step: Step, title: str, audience: Audience) -> None:
    console = Console(width=80, height=24, force_terminal=True, record=True, file=io.StringIO())
    page = Page(
        "abcdef", title, tr("{done} done · at least {rest} to go", done=14, rest=19), step.title,
        step_words(step, audience), step.why, tr("Not required: {reason}", reason="x"),
        before="✗ Pedal", cautions=cautions_of(step, audience), prompt_rows=prompt_rows(step),
        labels=labels_of(step),
    )  # fmt: skip
    ui = ScreenUi(console)
    ui.page(page)
    shown = console.export_text()
    for head, _ in page.cautions:
        assert head.upper() in shown
    rows = len(shown.rstrip("\n").split("\n")) + ui.prompt_rows(page) - ui.tight
    assert rows <= 24, f"{step.name}: {rows} rows"


def test_a_job_goes_on_in_the_language_it_was_opened_in(tmp_path: Path) -> None:
    walk = Walk(tmp_path / "store", Audience.OWNER)
    walk.until("Kilometerstand ablesen.")
    walk.terminal.type(CTRL_C)
    assert walk.terminal.leave() == 130
    assert "Weiter mit: keysback resume" in words_of(walk.terminal.text)
    for language, words in ((), "Kilometerstand ablesen."), (("--language", "en"), "odometer."):
        again = Terminal(
            "resume", "--mode", "as-work", *language, "--store", str(tmp_path / "store")
        )
        again.until(words)
        again.type(CTRL_C)
        assert again.leave() == 130
