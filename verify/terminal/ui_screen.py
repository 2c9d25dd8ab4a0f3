"""The screen for a terminal: rich draws, `ui_keys` lets choose, questionary takes lines of text.
One question a screen.

Words carry the meaning and colour only repeats it: blue for pass, orange for fail, grey for
undecided, and one reversed bar for STOP. NO_COLOR is obeyed by rich and by the style below.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.text import Text

from verify.terminal.marks import COLOURS, MARKS
from verify.terminal.tongue import mark, tr
from verify.terminal.ui import (
    BACK,
    BLANK,
    CANNOT,
    LEAVE_OUT,
    PAUSE,
    STOP,
    WISHES,
    Option,
    Page,
    PlainWishes,
    Wish,
)
from verify.terminal.ui_fit import Rows, screens
from verify.terminal.ui_input import forget_typed, unechoed
from verify.terminal.ui_keys import run_menu
from verify.terminal.ui_menu import (
    HINT_LEAD,
    HOW_MARKED,
    POINTER,
    Line,
    Marking,
    Menu,
    hung,
    rows_more,
    wrapped,
)
from verify.words import Verdict

_MORE = "!more"
_ELSE = mark("Something else: note, correct, pause …")
# Pointer, number and mark before a line of a list.
_LABEL_INDENT = 6
_LEAST_OF_A_NAME = 6
# Columns for what is typed behind a prompt; a longer prompt stands above its line.
_TYPED_LEAST = 20
# Rows of a menu that are shown even where that moves the page up; of a page that is shown in
# several screens; and of the question whether to go on.
_LEAST_MENU, _LEAST_PAGE, _GO_ON_ROWS = 10, 4, 4

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
        self.heading: Text | None = None
        self.rows = Rows(self.console.height)
        self.plain = bool(os.environ.get("NO_COLOR"))

    @property
    def width(self) -> int:
        return min(self.console.width, 96)

    def page(self, page: Page) -> None:
        """Clears the screen and draws the page. Where the screen is too low for page and prompt,
        blank lines go first, then the note, then the why, and what came of the answer before it
        last; a caution is never left out."""
        self.wishes = PlainWishes(page.wishes, silent=(BACK,) if page.wishes else ())
        self.offered = False
        forget_typed()
        self._clear()
        self.heading = self._short_heading(page)
        room = self.console.height - self.prompt_rows(page)
        for spared in _SPARED:
            parts = [(kind, part) for kind, part in self._parts(page) if kind not in spared]
            rows = sum(self._rows(part) for _, part in parts)
            # Where the page itself can spare no more, the rule within the prompt goes (`tight`).
            if rows <= room + ("rule" in spared):
                break
        self.tight = rows > room
        if rows > room + 1:
            self._one_after_the_other(page, parts)
        else:
            for _, part in parts:
                self._put(part)
        self.rows.headed = 0

    def _clear(self) -> None:
        self.console.clear()
        self.rows = Rows(self.console.height)

    def _put(self, part: Any) -> None:
        self.console.print(part, width=self.width)
        self.rows.put(self._rows(part))

    def _one_after_the_other(self, page: Page, parts: Sequence[tuple[str, Text]]) -> None:
        """Where a page does not fit: cautions first, and what belongs to the question with it last.
        Title and names of the cautions stand on each screen. Raises Wish."""
        head = next(part for kind, part in parts if kind == "head")
        heading = self._short_heading(page)
        lead: list[list[Text]] = []
        blocks: list[list[Text]] = []
        for kind, part in parts:
            if kind in ("head", "rule", "title", "blank"):
                continue
            # A paragraph, or a line of a list, stays on one screen where it can.
            pieces = [part]
            if kind == "say":
                pieces = [Text(hung(text, self.width)) for text in page.say.split("\n")]
            into = lead if kind == "caution" else blocks
            into += [list(piece.wrap(self.console, self.width)) for piece in pieces]
        title = Text(page.title, style="bold")
        height = self.console.height - 1
        left = height - self._rows(heading)
        shown = screens(
            lead,
            blocks,
            max(_LEAST_PAGE, height - self._rows(title) - _GO_ON_ROWS),
            max(_LEAST_PAGE, left - _GO_ON_ROWS),
            max(_LEAST_PAGE, left - self.prompt_rows(page)),
        )
        for number, rows in enumerate(shown, start=1):
            self._clear()
            self._put(head)
            self._put(heading if number > 1 else title)
            for row in rows:
                self._put(row)
            if number < len(shown):
                self._go_on(page)

    def _go_on(self, page: Page) -> None:
        lines = [Line("on", tr("Go on: the rest of this page"))]
        if STOP in page.wishes:
            lines.append(Line("!" + STOP, tr(WISHES[STOP]), below=True, shy=True))
        wishes = PlainWishes(tuple(w for w in page.wishes if w == STOP))
        # A key that bounced must not turn the page with the cautions.
        forget_typed()
        menu = Menu(tr("Read it?"), lines, wishes, tight=True, at=0, armed=True)
        taken = self._run(menu)
        if taken.startswith("!"):
            raise Wish(taken[1:])

    def _short_heading(self, page: Page) -> Text:
        """The title and the names of the cautions, for where the page itself is out of sight."""
        text = Text(page.title, style="bold")
        for title, _ in page.cautions:
            text.append(f"  ▲ {title.upper()}", style=COLOURS[Verdict.FAIL])
        return text

    def _keep_heading(self, coming: int) -> None:
        """Repeats the heading where `coming` more rows would leave none on the screen."""
        if self.heading is None or self.rows.headed >= self.rows.top_with(coming):
            return
        self.rows.headed = self.rows.used
        self._put(self.heading)

    def _run(self, menu: Menu) -> str:
        wanted = len(menu.rows(min(self.console.width - 1, self.width)))
        room = max(self.rows.room(), min(wanted, _LEAST_MENU))
        self._keep_heading(min(wanted, room))
        room = max(self.rows.room(), min(wanted, _LEAST_MENU))
        self.rows.reach(min(wanted, room))
        return run_menu(menu, widest=self.width, highest=room)

    def prompt_rows(self, page: Page) -> int:
        """Rows that the prompt of a page takes on this screen, long lines wrapped."""
        offered = [tr(WISHES[w]) for w in (CANNOT, STOP) if w in page.wishes]
        offered.append(tr(_ELSE))
        more = rows_more(offered, self.width - 1, len(POINTER))
        # The longest of the hints how a line is taken.
        more += rows_more([tr(HOW_MARKED)], self.width - 1, len(HINT_LEAD))
        return page.prompt_rows + more + rows_more(page.labels, self.width - 1, _LABEL_INDENT)

    def _rows(self, part: Any) -> int:
        if isinstance(part, Text):
            return max(1, len(part.wrap(self.console, self.width)))
        options = self.console.options.update(width=self.width)
        return len(self.console.render_lines(part, options, pad=False))

    def _parts(self, page: Page) -> list[tuple[str, Text]]:
        job = "  ·  " + tr("job {job}", job=page.job)
        # One row, whatever the width: of the three, the name of the flow can be cut.
        space = self.width - len(job) - len(page.progress) - 2
        flow = page.flow if len(page.flow) <= space else page.flow[: max(1, space - 1)] + "…"
        # On a phone there is no room for it, and it is the same on every page.
        words = flow + job if space >= _LEAST_OF_A_NAME else job.lstrip(" ·")
        head = Text(words, style="bold", no_wrap=True)
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
            parts.append(("say", Text(hung(page.say, self.width))))
        parts += [("facts", Text(hung(fact, self.width))) for fact in page.facts]
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
                ("answer", "bold"),
            ]
        )

    def _ask(self, question: Any) -> Any:
        # unsafe_ask lets Ctrl-C through as KeyboardInterrupt: the command says how to resume.
        answer = question.unsafe_ask()
        if answer is None:
            raise KeyboardInterrupt
        return answer

    def choose(self, prompt: str, options: Sequence[Option]) -> str:
        lines = [
            Line(o.key, o.label, number=str(n) if len(options) > 1 else "")
            for n, o in enumerate(options, start=1)
        ]
        ready = next((i for i, o in enumerate(options) if o.ready), None)
        return self._choose(prompt, lines, None, ready)

    def choose_many(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str
    ) -> frozenset[str]:
        return self.mark(prompt, options, none=none, marked=marked, unseen="")[0]

    def mark(
        self, prompt: str, options: Sequence[Option], *, none: str, marked: str, unseen: str
    ) -> tuple[frozenset[str], frozenset[str]]:
        lines = [Line("", none, number="0")]
        lines += [Line(o.key, o.label, number=str(n)) for n, o in enumerate(options, start=1)]
        marking = Marking("", none, marked, unseen)
        self._choose(prompt, lines, marking, None)
        return frozenset(marking.wrong), frozenset(marking.hidden)

    def _choose(
        self, prompt: str, lines: Sequence[Line], marking: Marking | None, ready: int | None
    ) -> str:
        """Raises Wish, and KeyboardInterrupt: the command says how to resume."""
        allowed = self.wishes.allowed
        leave = next((w for w in (LEAVE_OUT, CANNOT) if w in allowed), "")
        more = [w for w in allowed if w not in (leave, STOP)]
        below = [Line("!" + leave, tr(WISHES[leave]), below=True)] if leave else []
        if more == [PAUSE]:
            below.append(Line("!" + PAUSE, tr(WISHES[PAUSE]), below=True))
        elif more:
            below.append(Line(_MORE, tr(_ELSE), below=True))
        if STOP in allowed:
            below.append(Line("!" + STOP, tr(WISHES[STOP]), below=True, shy=True))
        while True:
            menu = Menu(prompt, [*lines, *below], self.wishes, self.tight, marking)
            if ready is not None:
                menu.at, menu.armed = ready, True
            key = self._run(menu)
            if key == _MORE:
                key = self._more(more)
                if key == "":
                    continue
            if key.startswith("!"):
                raise Wish(key[1:])
            self._echo(prompt, next(i for i in menu.lines if i.value == key), marking)
            return key

    def _echo(self, prompt: str, line: Line, marking: Marking | None) -> None:
        label = marking.words() if marking is not None else line.label
        for row in wrapped(f"» {prompt} {label}", self.width, "  "):
            self._put(Text(row, style="bold"))

    def _more(self, more: Sequence[str]) -> str:
        lines = [Line("!" + w, tr(WISHES[w]), number=str(n)) for n, w in enumerate(more, start=1)]
        lines.append(Line("", tr("Back to the question"), number=str(len(more) + 1)))
        menu = Menu(tr("What else?"), lines, self.wishes)
        return self._run(menu)

    def ask(
        self,
        prompt: str,
        *,
        hint: str = "",
        default: str = "",
        empty: bool = False,
        blank: str = "",
    ) -> str:
        import questionary

        words = "  ".join(self.wishes.words())
        dim = [hint] if hint else []
        dim += [tr(BLANK[blank])] if blank else []
        if words and not self.offered:
            # Once a page: the words hold for all its prompts.
            dim.append(tr("or type  {words}", words=words))
            self.offered = True
        parts = [Text(line, style="dim") for line in dim]
        if len(prompt) + _TYPED_LEAST > self.width:
            # A prompt line that is too long would be broken in the middle of a word.
            parts.append(Text("\n".join(wrapped(f"» {prompt}", self.width, "  ")), style="bold"))
            prompt = ""
        self._keep_heading(sum(map(self._rows, parts)) + 1)
        for part in parts:
            self._put(part)

        def valid(text: str) -> bool | str:
            return True if text.strip() or empty or blank else tr("Please type something.")

        answer: str = self._ask(
            questionary.text(
                prompt, default=default, validate=valid, style=self._style(), qmark="»"
            )
        ).strip()
        self.rows.put(1 + (len(prompt) + len(answer) + 3) // max(1, self.console.width))
        wish = self.wishes.read(answer)
        if wish is not None:
            raise Wish(wish)
        if (blank == BACK and self.wishes.goes_back(answer)) or (blank and not answer):
            raise Wish(blank)
        return answer

    def tell(self, *parts: object) -> None:
        for part in parts:
            # What a person or a file said is never read as markup.
            if isinstance(part, str):
                text = hung(part, self.width)
                # Not cut either: what is one long word, such as a path, is left to the terminal.
                self.console.print(Text(text), soft_wrap=True)
                self.rows.put(text.count("\n") + 1)
            else:
                self._put(part)

    def stop_sign(self, text: str) -> None:
        bar = " " * self.width
        self.console.print()
        for line in (bar, ("   " + tr("S T O P")).ljust(self.width), bar):
            self.console.print(Text(line, style="bold reverse"), no_wrap=True, overflow="crop")
        self.console.print(Text(text, style="bold"), width=self.width)
        self.console.print()
        self.rows.put(5 + self._rows(Text(text)))

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
                self.rows.put(1)
                while left() > 0:
                    time.sleep(0.25)
                    live.update(shown())
        except KeyboardInterrupt:
            raise Wish(PAUSE) from None


def _before_style(before: str) -> str:
    return next((COLOURS[v] for v, mark in MARKS.items() if before.startswith(mark)), "")


def pick(force_lines: bool = False) -> ScreenUi | Any:
    """The screen where there is a terminal that can draw, else plain lines."""
    from verify.terminal.ui_lines import LineUi

    able = sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    return ScreenUi() if able and not force_lines else LineUi()
