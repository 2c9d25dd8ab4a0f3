"""The screen for a terminal: rich draws, questionary asks. One question a screen.

Words carry the meaning and colour only repeats it: blue for pass, orange for fail, grey for
undecided, and one reversed bar for STOP. NO_COLOR is obeyed by rich and by the style below.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.text import Text

from verify.terminal.marks import COLOURS, MARKS
from verify.terminal.tongue import tr
from verify.terminal.ui import (
    CANNOT,
    PAUSE,
    STOP,
    WISHES,
    Option,
    Page,
    PlainWishes,
    Wish,
)
from verify.words import Verdict

_MORE = "!more"

# What gives way on a low screen, one after the other. Cautions never do.
_SPARED = (
    (),
    ("blank",),
    ("blank", "note"),
    ("blank", "note", "why"),
    ("blank", "note", "why", "rule"),
    ("blank", "note", "why", "rule", "before"),
)


class ScreenUi:
    def __init__(self, console: Console | None = None) -> None:
        self.console = console or Console(highlight=False)
        self.wishes = PlainWishes()
        self.tight = False
        self.offered = False
        self.plain = bool(os.environ.get("NO_COLOR"))

    @property
    def width(self) -> int:
        return min(self.console.width, 96)

    def page(self, page: Page) -> None:
        """Clears the screen and draws the page. Where the screen is too low for page and prompt,
        blank lines go first, then the note, then the why, and what came of the answer before it
        last; a caution is never left out."""
        self.wishes = PlainWishes(page.wishes)
        self.offered = False
        forget_typed()
        self.console.clear()
        room = self.console.height - page.prompt_rows
        for spared in _SPARED:
            parts = [(kind, part) for kind, part in self._parts(page) if kind not in spared]
            rows = sum(self._rows(part) for _, part in parts)
            # Where the page itself can spare no more, the rule within the prompt goes (`tight`).
            if rows <= room + ("rule" in spared):
                break
        self.tight = rows > room
        for _, part in parts:
            self.console.print(part, width=self.width)

    def _rows(self, part: Text) -> int:
        return max(1, len(part.wrap(self.console, self.width)))

    def _parts(self, page: Page) -> list[tuple[str, Text]]:
        job = "  ·  " + tr("job {job}", job=page.job)
        # One row, whatever the width: of the three, the name of the flow can be cut.
        space = self.width - len(job) - len(page.progress) - 2
        flow = page.flow if len(page.flow) <= space else page.flow[: max(1, space - 1)] + "…"
        head = Text(flow + job, style="bold", no_wrap=True)
        room = self.width - len(head.plain) - len(page.progress)
        head.append(" " * max(2, room) + page.progress, style="dim")
        blank = ("blank", Text(""))
        parts = [
            ("head", head),
            ("rule", Text("━" * self.width, style="dim", no_wrap=True)),
        ]
        if page.before:
            parts.append(("before", Text(page.before, style=_before_style(page.before))))
        parts += [("title", Text(page.title, style="bold")), blank]
        for title, measure in page.cautions:
            text = Text(f"▲ {title.upper()}  ", style=f"bold {COLOURS[Verdict.FAIL]}")
            text.append(measure, style="not bold default")
            parts.append(("caution", text))
        if page.cautions:
            parts.append(blank)
        if page.say:
            parts.append(("say", Text(page.say)))
        if page.why:
            parts.append(("why", Text(tr("Why: {why}", why=page.why), style="dim")))
        if page.note:
            parts.append(("note", Text(page.note, style="italic")))
        parts.append(blank)
        return parts

    def _style(self) -> Any:
        import questionary

        if self.plain:
            return questionary.Style([])
        return questionary.Style(
            [
                ("qmark", "bold"),
                ("pointer", "bold"),
                ("highlighted", "bold"),
                ("selected", "bold"),
                ("answer", "bold"),
                ("stop", "bold reverse"),
            ]
        )

    def _ask(self, question: Any) -> Any:
        # unsafe_ask lets Ctrl-C through as KeyboardInterrupt: the command says how to resume.
        answer = question.unsafe_ask()
        if answer is None:
            raise KeyboardInterrupt
        return answer

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        import questionary

        choices: list[Any] = [questionary.Choice(o.label, value=o.key) for o in options]
        more = [w for w in self.wishes.allowed if w not in (CANNOT, STOP)]
        if self.wishes.allowed and not self.tight:
            choices.append(questionary.Separator("  " + "─" * 24))
        if CANNOT in self.wishes.allowed:
            choices.append(questionary.Choice(tr(WISHES[CANNOT]), value="!" + CANNOT))
        if more == [PAUSE]:
            choices.append(questionary.Choice(tr(WISHES[PAUSE]), value="!" + PAUSE))
        elif more:
            choices.append(
                questionary.Choice(tr("Something else: note, correct, pause …"), value=_MORE)
            )
        if STOP in self.wishes.allowed:
            choices.append(questionary.Choice([("class:stop", tr(WISHES[STOP]))], value="!" + STOP))
        while True:
            key: str = self._ask(
                _typing(
                    questionary.select(
                        prompt,
                        choices=choices,
                        style=self._style(),
                        qmark="»",
                        pointer="►",
                        instruction=" ",
                        use_jk_keys=True,
                    ),
                    self.wishes.allowed,
                )
            )
            if key == _MORE:
                key = self._more(more)
                if key == "":
                    continue
            if key.startswith("!"):
                raise Wish(key[1:])
            return key

    def _more(self, more: Sequence[str]) -> str:
        import questionary

        choices = [questionary.Choice(tr(WISHES[w]), value="!" + w) for w in more]
        choices.append(questionary.Choice(tr("Back to the question"), value=""))
        chosen: str = self._ask(
            questionary.select(
                tr("What else?"),
                choices=choices,
                style=self._style(),
                qmark="»",
                pointer="►",
                instruction=" ",
            )
        )
        return chosen

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        chosen: set[str] = set()
        wrong = MARKS[Verdict.FAIL]
        while True:
            rows = [
                Option(
                    "",
                    none
                    if not chosen
                    else tr("{marked}: go on", marked=marked[:1].upper() + marked[1:]),
                )
            ]
            rows += [
                Option(o.key, (f"{wrong} " if o.key in chosen else "· ") + o.label) for o in options
            ]
            key = self.choose(prompt, rows)
            if key == "":
                return frozenset(chosen)
            chosen ^= {key}
            # The list is drawn again in place of the old one.
            self.console.file.write("\x1b[1A\x1b[2K")
            self.console.file.flush()

    def ask(self, prompt: str, *, hint: str = "", default: str = "", empty: bool = False) -> str:
        import questionary

        words = "  ".join(self.wishes.words())
        if hint:
            self.console.print(Text(hint, style="dim"), width=self.width)
        if words and not self.offered:
            # Once a page: the words hold for all its prompts.
            self.console.print(
                Text(tr("or type  {words}", words=words), style="dim"), width=self.width
            )
            self.offered = True

        def valid(text: str) -> bool | str:
            return True if text.strip() or empty else tr("Please type something.")

        answer: str = self._ask(
            questionary.text(
                prompt, default=default, validate=valid, style=self._style(), qmark="»"
            )
        ).strip()
        wish = self.wishes.read(answer)
        if wish is not None:
            raise Wish(wish)
        return answer

    def tell(self, *parts: object) -> None:
        for part in parts:
            # What a person or a file said is never read as markup.
            shown = Text(part) if isinstance(part, str) else part
            self.console.print(shown, width=self.width)

    def stop_sign(self, text: str) -> None:
        bar = " " * self.width
        self.console.print()
        for line in (bar, ("   " + tr("S T O P")).ljust(self.width), bar):
            self.console.print(Text(line, style="bold reverse"), no_wrap=True, overflow="crop")
        self.console.print(Text(text, style="bold"), width=self.width)
        self.console.print()

    def wait(self, seconds: float, left: Callable[[], float]) -> None:
        import time

        def shown() -> Text:
            rest = max(0.0, left())
            share = 0.0 if seconds <= 0 else 1 - rest / seconds
            full = int(30 * share)
            clock = f"{int(rest) // 60}:{int(rest) % 60:02d}"
            return Text(
                f"  {'█' * full}{'░' * (30 - full)}  "
                + tr("{clock} left   (Ctrl-C: something else)", clock=clock)
            )

        try:
            with unechoed(), Live(shown(), console=self.console, refresh_per_second=4) as live:
                while left() > 0:
                    time.sleep(0.25)
                    live.update(shown())
        except KeyboardInterrupt:
            raise Wish(PAUSE) from None


def _before_style(before: str) -> str:
    return next((COLOURS[v] for v, mark in MARKS.items() if before.startswith(mark)), "")


def forget_typed() -> None:
    """Drops keys pressed before the screen that they would answer was shown: a key that bounced,
    or one pressed during a wait, must not answer a question nobody has read."""
    try:
        import termios
    except ImportError:
        return
    with suppress(termios.error, OSError, ValueError):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


@contextmanager
def unechoed() -> Iterator[None]:
    """Keys pressed meanwhile are neither shown nor kept."""
    try:
        import termios
    except ImportError:
        yield
        return
    try:
        place = sys.stdin.fileno()
        before = termios.tcgetattr(place)
    except (termios.error, OSError, ValueError):
        # No terminal that could echo.
        yield
        return
    quiet = [*before[:3], before[3] & ~termios.ECHO, *before[4:]]
    termios.tcsetattr(place, termios.TCSADRAIN, quiet)
    try:
        yield
    finally:
        termios.tcsetattr(place, termios.TCSAFLUSH, before)


def pick(force_lines: bool = False) -> ScreenUi | Any:
    """The screen where there is a terminal that can draw, else plain lines."""
    from verify.terminal.ui_lines import LineUi

    able = sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    return ScreenUi() if able and not force_lines else LineUi()


def _typing(question: Any, allowed: Sequence[str]) -> Any:
    """A choice that hears what is typed at it: "!stop" and the like do what they say, and after any
    other text Enter takes no answer the first time. Who types has not chosen what stands on top."""
    from prompt_toolkit.filters import Condition
    from prompt_toolkit.key_binding import KeyBindings, merge_key_bindings
    from prompt_toolkit.keys import Keys

    typed: list[str] = []
    keys = KeyBindings()

    @keys.add(Keys.Any)
    def _typed(event: Any) -> None:
        if event.data.isprintable():
            typed.append(event.data)

    @keys.add(Keys.ControlM, filter=Condition(lambda: bool(typed)), eager=True)
    def _enter(event: Any) -> None:
        wish = "".join(typed).strip().casefold()
        typed.clear()
        if wish[:1] == "!" and wish[1:] in allowed:
            event.app.exit(result=wish)
        else:
            event.app.output.bell()

    own = question.application.key_bindings
    question.application.key_bindings = merge_key_bindings([own, keys])
    return question
