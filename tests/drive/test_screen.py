"""The drawn screen through a real pseudo-terminal of 80×24, read back with a terminal emulator."""

from __future__ import annotations

import io
import os
import re
import signal
import sys
import time
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pexpect
import pyte
import pytest

from tests.conftest import ROOT
from tests.terminal.walks import SMALL, keysback

UP, DOWN, ENTER, CTRL_C = "\x1b[A", "\x1b[B", "\r", "\x03"


class Terminal:
    """A child on a pseudo-terminal, and what its screen shows."""

    def __init__(self, *args: str, size: tuple[int, int] = (80, 24), **env: str) -> None:
        self.screen = pyte.Screen(*size)
        self.stream = pyte.Stream(self.screen)
        self.raw = ""
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "verify", *args],
            cwd=str(ROOT),
            # The terminal is as large as it is, whatever a runner of tests says of its own.
            env={
                **{k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")},
                "TERM": "xterm-256color",
                **env,
            },
            dimensions=size[::-1],
            encoding="utf-8",
            timeout=20,
        )

    def pump(self, seconds: float = 0.1) -> None:
        try:
            text = self.child.read_nonblocking(65536, seconds)
        except (pexpect.TIMEOUT, pexpect.EOF):
            return
        self.raw += text
        if "\x1b[6n" in text:
            # The prompt asks where the cursor is; an emulator answers, as any terminal does.
            self.child.send(f"\x1b[{self.screen.cursor.y + 1};{self.screen.cursor.x + 1}R")
        self.stream.feed(text)

    @property
    def text(self) -> str:
        return "\n".join(self.screen.display)

    def until(self, words: str, seconds: float = 20.0) -> str:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if words in self.text:
                return self.text
            self.pump()
        raise AssertionError(f"never saw {words!r}:\n{self.text}")

    def type(self, text: str) -> None:
        self.child.send(text)

    def leave(self) -> int:
        end = time.monotonic() + 20
        while self.child.isalive() and time.monotonic() < end:
            self.pump()
        self.pump()
        self.child.close()
        return int(self.child.exitstatus if self.child.exitstatus is not None else -1)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.fixture
def terminal(store: Path) -> Iterator[Terminal]:
    it = Terminal(
        "open", str(SMALL), "--as", "technician", "--units", "metric", "--mode", "as-work",
        "--car", "job card 7", "--store", str(store),
    )  # fmt: skip
    yield it
    it.child.close(force=True)


def job_of(store: Path) -> str:
    return keysback("jobs", "--store", str(store)).stdout.split()[0]


def test_one_question_a_screen_with_everything_at_hand(terminal: Terminal) -> None:
    terminal.until("What did the car do?")
    terminal.type("It hunts when warm" + ENTER)
    page = terminal.until("Plug locked")
    assert "THE LIST" in page.upper()
    assert "1 done · at least" in page
    assert "What did the car do?" not in page, "one question a screen"
    for offered in ("I cannot do this", "Something else", "STOP: not safe"):
        assert offered in page


def test_stop_shows_the_sign_at_once_and_ends_the_job(terminal: Terminal, store: Path) -> None:
    terminal.until("What did the car do?")
    terminal.type("x" + ENTER)
    terminal.until("Plug locked")
    # Past the last line; going up never leads there.
    terminal.type(UP + DOWN + ENTER)
    page = terminal.until("Stop this job here?")
    assert "S T O P" in page
    assert "Engine off. Do not drive." in page
    terminal.type("1" + ENTER)
    terminal.until("DO NOT DRIVE")
    assert terminal.leave() == 0
    assert "not to be driven" in keysback("jobs", "--store", str(store)).stdout


def test_what_is_typed_at_a_choice_is_never_the_answer_on_top(
    terminal: Terminal, store: Path
) -> None:
    """ "!stop" stops; any other text makes Enter wait."""
    terminal.until("The story")
    terminal.type("It hunts" + ENTER)
    terminal.until("Choose each line")
    terminal.type("abc" + ENTER)
    for _ in range(10):
        terminal.pump()
    assert "The list" in terminal.text
    terminal.until('"abc" is no answer here')
    terminal.type("!stop" + ENTER)
    terminal.until("Stop this job here?")
    terminal.type("!stop" + ENTER)
    terminal.until("DO NOT DRIVE")
    shown = keysback("show", job_of(store), "--store", str(store)).stdout
    assert "✓ The list" not in shown


def test_enter_alone_answers_nothing_whatever_the_choice(terminal: Terminal, store: Path) -> None:
    """A tired hand on Enter: nothing is under the pointer, and the screen says what to do."""
    terminal.until("The story")
    terminal.type("It hunts" + ENTER)
    page = terminal.until("Choose each line")
    assert "►" not in page
    terminal.type(ENTER * 5)
    page = terminal.until("Nothing is recorded yet.")
    assert "choose: ↑ ↓ or number, then Enter" in page
    assert "✓" not in keysback("show", job_of(store), "--store", str(store)).stdout.split("Next")[1]
    terminal.type("0" + ENTER)
    terminal.until("Torque the wrench was set to")
    assert "✓ The list" in keysback("show", job_of(store), "--store", str(store)).stdout


def test_a_stop_that_was_a_slip_is_taken_back_and_noted(terminal: Terminal, store: Path) -> None:
    terminal.until("The story")
    terminal.type("It hunts" + ENTER)
    terminal.until("Choose each line")
    terminal.type("!stop" + ENTER)
    terminal.until("Stop this job here?")
    terminal.type(ENTER * 3)
    terminal.until("Nothing is recorded yet.")
    terminal.type("2" + ENTER)
    terminal.until("The stop was taken back.")
    shown = keysback("show", job_of(store), "--store", str(store)).stdout
    assert "NOT FINISHED" in shown
    assert "Taken back before it counted: STOP." in shown


def test_going_up_never_leads_to_stop(terminal: Terminal, store: Path) -> None:
    terminal.until("The story")
    terminal.type("It hunts" + ENTER)
    terminal.until("Choose each line")
    for presses in range(1, 8):
        terminal.type(UP)
        for _ in range(4):
            terminal.pump(0.05)
        row = next(line for line in terminal.screen.display if "►" in line)
        assert "STOP" not in row, f"after {presses} presses"


def test_ctrl_c_loses_nothing_and_says_how_to_go_on(terminal: Terminal, store: Path) -> None:
    terminal.until("What did the car do?")
    terminal.type("It hunts" + ENTER)
    terminal.until("Plug locked")
    terminal.type(CTRL_C)
    assert terminal.leave() == 130
    job = job_of(store)
    assert f"keysback resume {job}" in re.sub(r"\s+", " ", terminal.text)
    again = Terminal("resume", job, "--mode", "as-work", "--store", str(store))
    again.until("Plug locked")
    again.type(CTRL_C)
    assert again.leave() == 130


def test_a_kill_loses_nothing_that_was_accepted(terminal: Terminal, store: Path) -> None:
    terminal.until("What did the car do?")
    terminal.type("It hunts" + ENTER)
    terminal.until("Plug locked")
    terminal.child.kill(signal.SIGKILL)
    again = Terminal("resume", job_of(store), "--mode", "as-work", "--store", str(store))
    again.until("Plug locked")
    again.child.close(force=True)


def test_exceptions_are_marked_and_a_remedy_is_asked_for(terminal: Terminal) -> None:
    terminal.until("What did the car do?")
    terminal.type("x" + ENTER)
    terminal.until("Plug locked")
    terminal.type(DOWN * 2 + ENTER + ENTER)
    page = terminal.until("✗ Plug locked")
    assert "The marked ones are not so: go on" in page
    terminal.type("0" + ENTER)
    terminal.until("Put it right.")


def test_the_tallest_page_of_the_library_fits_the_screen_with_its_cautions(store: Path) -> None:
    """24 rows must hold cautions and STOP together, whatever else gives way."""
    from rich.console import Console

    from verify.job.catalogue import catalogue, caution
    from verify.terminal.library import flow_names, load_flow
    from verify.terminal.say import labels_of, prompt_rows, step_words
    from verify.terminal.ui import Page
    from verify.terminal.ui_screen import ScreenUi

    for name in flow_names():
        graph = load_flow(name, catalogue()).graph
        for step, who in product(graph.steps.values(), graph.audiences):
            if step.kind == "gate":
                continue
            sink = io.StringIO()
            console = Console(width=80, height=24, force_terminal=True, record=True, file=sink)
            page = Page(
                "abcdef", "T", "1 done", step.title, step_words(step, who), step.why,
                "Not required: x", cautions=tuple(caution(h, who) for h in step.hazards),
                prompt_rows=prompt_rows(step), labels=labels_of(step),
            )  # fmt: skip
            ui = ScreenUi(console)
            ui.page(page)
            shown = console.export_text()
            for title, _ in page.cautions:
                assert title.upper() in shown
            rows = len(shown.rstrip("\n").split("\n")) + ui.prompt_rows(page) - ui.tight
            assert rows <= 24, f"{name} {step.name}, {who}: {rows} rows"


def test_what_a_person_types_is_never_read_as_markup(store: Path) -> None:
    it = Terminal(
        "open", "throttle-body-replaced", "--as", "owner", "--units", "us", "--mode", "as-work",
        "--car", "x", "--store", str(store),
    )  # fmt: skip
    it.until("it counts as mi")
    it.type("[/red] 5" + ENTER)
    page = it.until("That cannot be taken")
    assert "[/red] 5" in page
    it.type(CTRL_C)
    assert it.leave() == 130


def test_a_phone_shows_cautions_first_and_the_whole_choice_and_breaks_no_word(store: Path) -> None:
    """40×19: the cautions on a screen of their own, then the question with everything at hand."""
    walk = (
        "\nIt hunts\nnone\n9 N·m\n\n1\n\n1\n9 N·m\nsheet\n12.6 V\n3\nnone\nnone\n?\n1\n2\nno\n1\n"
    )
    opened = (
        "open", str(SMALL), "--as", "technician", "--units", "metric", "--mode", "as-work",
        "--car", "job card 7", "--lines", "--store", str(store),
    )  # fmt: skip
    keysback(*opened, stdin=walk)
    it = Terminal(
        "resume", "--mode", "as-work", "--by", "nobody", "--store", str(store), size=(40, 24)
    )
    page = it.until("--help")
    assert it.leave() == 2
    assert "list them, or add one: keysback people --help" in " ".join(page.split())
    it = Terminal("resume", "--mode", "as-work", "--store", str(store), size=(40, 19))
    page = it.until("Go on: the rest of this page")
    assert "The start" in page
    for caution in ("EXHAUST GAS", "CAR CAN MOVE", "REVS CAN CLIMB"):
        assert f"▲ {caution}" in page
    assert "the engine running." in page, "to the last word of the last one"
    assert "STOP: not safe" in page
    it.type(ENTER)
    page = it.until("The revs climb")
    assert "▲ EXHAUST GAS" in page
    assert "Start it, foot on the brake." in page
    assert "STOP: not safe" in page
    it.type(CTRL_C)
    assert it.leave() == 130


def test_a_long_reading_of_codes_keeps_step_and_cautions_in_sight(store: Path) -> None:
    it = Terminal(
        "open", str(SMALL), "--as", "technician", "--units", "metric", "--mode", "as-work",
        "--car", "job card 7", "--store", str(store), size=(60, 12),
    )  # fmt: skip
    it.until("What did the car do?")
    it.type("!leave-out" + ENTER)
    it.until("Plug locked")
    it.type("0" + ENTER)
    it.until("Torque the wrench")
    it.type("!cannot" + ENTER)
    it.until("Why can this not be done?")
    it.type("no wrench" + ENTER)
    it.until("Rest voltage")
    it.type("!leave-out" + ENTER)
    for words in ("Stored codes", "Pending codes", "Permanent codes"):
        page = it.until(words)
        assert "Codes" in [row.strip() for row in page.split("\n")], page
        it.type("none" + ENTER)
    it.until("Were all of these read")
    it.type(CTRL_C)
    assert it.leave() == 130


def test_what_is_offered_is_said_once_a_page(terminal: Terminal) -> None:
    terminal.until("What did the car do?")
    terminal.type("!note" + ENTER)
    page = terminal.until("An empty line goes back.")
    assert page.count("!cannot") == 1
    terminal.type("customer in a hurry" + ENTER)
    terminal.until("The note is written down.")


def test_what_failed_before_is_said_above_even_the_tallest_list_of_the_library() -> None:
    from rich.console import Console

    from verify.job.catalogue import catalogue, caution
    from verify.terminal.library import flow_names, load_flow
    from verify.terminal.say import labels_of, prompt_rows
    from verify.terminal.ui import Page
    from verify.terminal.ui_screen import ScreenUi

    tall = [
        (name, step)
        for name in flow_names()
        for step in load_flow(name, catalogue()).graph.steps.values()
        if step.name.endswith("wiring/look") or step.title.startswith("Wiring")
    ]
    assert tall, "no tall list to look at"
    for _, step in tall:
        console = Console(width=80, height=24, force_terminal=True, record=True, file=io.StringIO())
        page = Page(
            "abcdef", "T", "1 done", step.title, step.say, step.why, before="✗ Pedal: no response",
            cautions=tuple(caution(h, "technician") for h in step.hazards),
            prompt_rows=prompt_rows(step), labels=labels_of(step),
        )  # fmt: skip
        ui = ScreenUi(console)
        ui.page(page)
        shown = console.export_text()
        assert "✗ Pedal: no response" in shown
        assert len(shown.rstrip("\n").split("\n")) + ui.prompt_rows(page) - ui.tight <= 24


def test_the_head_of_a_narrow_screen_stays_on_one_row() -> None:
    from rich.console import Console

    from verify.terminal.ui import Page
    from verify.terminal.ui_screen import ScreenUi

    console = Console(width=60, height=24, force_terminal=True, record=True, file=io.StringIO())
    name = "Electronic throttle body replaced"
    ScreenUi(console).page(Page("abcdef", name, "15 done · at least 7 to go", "The title", "Say."))
    first, second, third = console.export_text().split("\n")[:3]
    assert first.startswith("Electronic")
    assert first.endswith("to go")
    assert (len(first), set(second), third.strip()) == (60, {"━"}, "The title")


def test_the_readme_shows_the_screen_of_the_program() -> None:
    from rich.console import Console

    from verify.job.catalogue import catalogue, caution
    from verify.terminal.library import load_flow
    from verify.terminal.say import prompt_rows
    from verify.terminal.ui import Page
    from verify.terminal.ui_screen import ScreenUi

    graph = load_flow("throttle-body-replaced", catalogue()).graph
    step = graph.steps["first-start"]
    console = Console(width=80, height=24, force_terminal=True, record=True, file=io.StringIO())
    page = Page(
        "k7q2mx", graph.title, "14 done · at least 9 to go", step.title, step.say, step.why,
        cautions=tuple(caution(h, "technician") for h in step.hazards),
        prompt_rows=prompt_rows(step),
    )  # fmt: skip
    ScreenUi(console).page(page)
    shown = "\n".join(line.rstrip() for line in console.export_text().rstrip().split("\n"))
    readme = (ROOT / "README.md").read_text()
    assert shown in readme
    assert all(f" {words}\n" in readme for words in step.detail["answers"].values())


def test_no_color_is_obeyed(store: Path) -> None:
    it = Terminal(
        "open", str(SMALL), "--as", "owner", "--units", "us", "--mode", "as-work",
        "--car", "x", "--store", str(store), NO_COLOR="1",
    )  # fmt: skip
    it.until("What did the car do?")
    it.child.close(force=True)
    assert not re.search(r"\x1b\[[0-9;]*3[0-9][;m]", it.raw), "a colour in spite of NO_COLOR"


def test_without_a_terminal_plain_lines_are_spoken(store: Path) -> None:
    run = keysback(
        "open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric",
        "--store", str(store), stdin="job card 7\n\nIt hunts\nnone\n",
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "\x1b" not in run.stdout
    assert "Paused. Go on with: keysback resume" in run.stdout
