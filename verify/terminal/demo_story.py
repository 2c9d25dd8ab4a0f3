"""The demo's hands: an answers file played with a story beside it, or a person told the story.

Between the packaged story (`demo_data/story.yaml`) and the runner. A story tells what people do;
what the tool decides is shown from what was really judged and written, never from the story.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from verify.car.codes import CodeReading
from verify.errors import Problem, UserError
from verify.evidence.verdict import CheckResult
from verify.flow.graph import Graph, Spec, Step
from verify.flow.text import text_to_tree
from verify.job.answers import Answer
from verify.job.judge import band
from verify.job.session import ReadOnlySession
from verify.quantity import parse
from verify.terminal.account import results_of
from verify.terminal.answers_file import Answers
from verify.terminal.clock import Clock, PlayingClock, read_stamp
from verify.terminal.code_words import change_lines, history_before
from verify.terminal.hands import PersonHands
from verify.terminal.library import read_text
from verify.terminal.marks import COLOURS, MARKS, NOTED, WORDS
from verify.terminal.say import codes_words, typed_value
from verify.terminal.script import ScriptHands
from verify.terminal.ui import Page, Ui
from verify.words import Verdict

if TYPE_CHECKING:
    from verify.terminal.collect import Taken
    from verify.terminal.desk import Desk

WIDTH = 80
LEGEND = (
    f"{MARKS[Verdict.PASS]} passed   {MARKS[Verdict.FAIL]} failed   "
    f"{MARKS[Verdict.UNDECIDED]} stays open   {NOTED} for the record   → where it leads"
)


@dataclass(frozen=True, slots=True)
class Line:
    """What is told beside one answer, and how far the clock moves on with it."""

    say: str
    takes_s: float


@dataclass(frozen=True, slots=True)
class Story:
    """lines: step → one line for each time it is asked; chapters: step → heading before it."""

    intro: str
    chapters: Mapping[str, str]
    lines: Mapping[str, tuple[Line, ...]]

    def line(self, step: str, attempt: int) -> Line | None:
        """The line for this attempt; the last one where it is asked more often than told."""
        told = self.lines.get(step)
        return told[min(attempt, len(told)) - 1] if told else None


def load_story(path: Path, graph: Graph) -> Story:
    """Raises UserError where the file is no story of this flow."""
    tree = text_to_tree(read_text(path), str(path))
    if isinstance(tree, list):
        raise UserError(*tree)
    data: Mapping[str, Any] = tree.data
    try:
        lines = {
            str(step): tuple(
                Line(
                    str(t["say"]),
                    float(parse(str(t.get("takes", "1 min")), expect="s").to("s").value),
                )
                for t in told
            )
            for step, told in data["steps"].items()
        }
        story = Story(str(data["intro"]), dict(data["chapters"]), lines)
    except (KeyError, TypeError, AttributeError) as error:
        raise UserError(
            Problem(f"a story without its form ({error})", "intro, chapters, steps", file=str(path))
        ) from None
    foreign = sorted({*story.lines, *story.chapters} - set(graph.steps))
    if foreign:
        raise UserError(
            Problem(f'"{foreign[0]}"', "steps of the flow " + graph.flow_id, file=str(path))
        )
    return story


class TellingHands(ScriptHands):
    """Plays the answers and tells each screen: the story, then what came of it.

    `desk` is set by whoever opens the job; it is read after each answer, when that is on disk.
    """

    def __init__(
        self, answers: Answers, clock: PlayingClock, story: Story, desk: Desk, console: Console
    ) -> None:
        super().__init__(answers, clock)
        self.playing, self.story, self.desk, self.console = clock, story, desk, console

    def answer(self, session: ReadOnlySession, step: Step) -> Answer:
        # From the last thing done: a demo killed after a number of the car was written, and before
        # the answer that it was asked for, tells the same times as one that was not.
        done = next(e for e in reversed(session.history) if e.kind not in ("spec", "sitting"))
        self.playing.at = read_stamp(done.time)
        line = self._line(session, step)
        self.seconds_per_answer = line.takes_s if line is not None else 60.0
        return super().answer(session, step)

    def _line(self, session: ReadOnlySession, step: Step) -> Line | None:
        assert session.pending is not None
        return self.story.line(step.name, session.pending.attempt)

    def judged(self, session: ReadOnlySession, step: Step, taken: Taken) -> None:
        """session: as it was before this answer."""
        assert session.pending is not None
        now = self.desk.session()
        outcome = taken.judged.outcome
        counts = step.counts(outcome)
        if session.pending.attempt == 1 and step.name in self.story.chapters:
            self._print(Text(f"\n{self.story.chapters[step.name].upper()}", style="bold"))
        line = self._line(session, step)
        self._tell(_mark(step, counts), line.say if line else step.title, _typed(step, taken))
        if taken.recording is not None:
            self._verdicts(session, step, taken)
        elif step.kind == "codes" and taken.judged.values:
            self._codes(session, taken)
        elif step.kind in ("reading", "fasten"):
            for result in taken.judged.results:
                self._print(Text("      " + in_one_line(result, session.units)))
        if words := _where_to(session, now, step, counts):
            self._print(Text("    → " + words, style="bold"))

    def _tell(self, mark: Text, say: str, typed: str) -> None:
        words = f"{say.rstrip('.:')}: {typed}" if typed else say
        first, *more = textwrap.wrap(words, WIDTH - 4) or [""]
        self._print(Text.assemble("  ", mark, first))
        for line in more:
            self._print(Text("    " + line))

    def _codes(self, session: ReadOnlySession, taken: Taken) -> None:
        """What became of the codes, and what the car counts; each line wraps."""
        values, results = taken.judged.values or {}, taken.judged.results
        said = change_lines(history_before(session), CodeReading.from_json(values))
        lines = [*(f"since before: {words}" for words in said)]
        for result in results:
            lines.append(f"{MARKS[result.verdict]} {WORDS[result.verdict]}  {result.check}")
            lines.append(result.why)
        for line in lines:
            for row in textwrap.wrap(line, WIDTH - 6):
                self._print(Text("      " + row))

    def _verdicts(self, session: ReadOnlySession, step: Step, taken: Taken) -> None:
        """In full what decided the outcome, and what passes now and did not before; first what
        failed, then what is open, then what passed, and in one sentence what nothing is said of."""
        from verify.terminal.not_judged import not_judged
        from verify.terminal.show_verdict import trace_plot, verdict_block
        from verify.terminal.verdict_list import folded

        before = _verdicts_before(session, step)
        needed = step.detail["checks"]
        nothing = [r for r in taken.judged.results if not_judged(r) and r.check not in needed]
        order = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)
        results = sorted(
            (r for r in taken.judged.results if r not in nothing),
            key=lambda r: order.index(r.verdict),
        )
        decisive = Verdict.FAIL if _any(results, Verdict.FAIL) else Verdict.UNDECIDED
        cured = [
            r.check
            for r in results
            if r.verdict is Verdict.PASS and before.get(r.check) is Verdict.FAIL
        ]
        for result in results:
            if result.verdict is decisive or result.check in cured:
                block = verdict_block(replace(result, notes=()), system=session.units)
                self._print(Padding(block, (0, 0, 0, 6)))
            else:
                self._print(Text("      " + in_one_line(result, session.units)))
        if nothing:
            self._print(Padding(folded(nothing), (0, 0, 0, 6)))
        if taken.recording is not None and (cured or decisive is Verdict.FAIL):
            plot = trace_plot(taken.recording, results, width=WIDTH - 8)
            if plot is not None:
                self._print(Padding(plot, (1, 0, 1, 6)))

    def _print(self, thing: Any) -> None:
        self.console.print(thing, width=min(self.console.width, WIDTH))


def in_one_line(result: CheckResult, units: str) -> str:
    """A verdict with its number and limits, where a block would be too much."""
    from verify.terminal.show_verdict import measured
    from verify.terminal.verdict_list import shows_it_alone

    # A number without limits (when the drive was complete) says little in one line.
    number = measured(result, units) if result.limits is not None else ""
    if result.verdict is Verdict.PASS and not shows_it_alone(result):
        number = ""
    limits = f" ({band(result.limits)})" if result.limits and units == "metric" and number else ""
    if result.limits is not None and result.limits.unit == "1":
        limits = ""
    words = f"{number}{limits}" if number and result.unit != "1" else result.finding
    return f"{MARKS[result.verdict]} {WORDS[result.verdict]}  {result.check}  {words}"


def _mark(step: Step, counts: Verdict) -> Text:
    """What is not required is only noted, but a recording that fails is always said to."""
    if step.required or (step.kind == "record" and counts is Verdict.FAIL):
        return Text(f"{MARKS[counts]} ", style=COLOURS[counts])
    return Text(f"{NOTED} ", style="dim")


def _any(results: Sequence[CheckResult], verdict: Verdict) -> bool:
    return any(r.verdict is verdict for r in results)


def _typed(step: Step, taken: Taken) -> str:
    values = taken.judged.values
    if step.kind == "codes" and values:
        return codes_words(values)
    return typed_value(values) if step.kind in ("reading", "fasten") else ""


def _verdicts_before(session: ReadOnlySession, step: Step) -> dict[str, Verdict]:
    last = session.last(step.name)
    return {r.check: r.verdict for r in results_of(last)} if last is not None else {}


def _where_to(before: ReadOnlySession, now: ReadOnlySession, step: Step, counts: Verdict) -> str:
    """Where it leads, told where that is not simply the next step; else ""."""
    assert before.pending is not None
    if now.ending is not None:
        return now.ending.title
    title = now.step().title
    if now.made.get(now.at, 0) >= before.pending.attempt:
        return f"again: {title}"
    gates = any(v.gate for v in now.walk[len(before.walk) :])
    # A code that is left open is asked about next, too.
    leads = (Verdict.FAIL, Verdict.UNDECIDED) if step.kind == "codes" else (Verdict.FAIL,)
    return title if gates or (counts in leads and step.required) else ""


class WalkHands(PersonHands):
    """A person walks through the invented van's close-out, and is told what it does there.

    The clock plays here too: waits pass at once.
    """

    def __init__(self, ui: Ui, clock: Clock, story: Story, desk: Desk, answers: Answers) -> None:
        super().__init__(ui)
        self.clock, self.story, self.desk, self.answers = clock, story, desk, answers

    def page(self, page: Page) -> None:
        session = self.desk.session()
        if session.pending is not None and session.step().title == page.title:
            attempt = session.pending.attempt
            told = hint(self.answers, self.story, session.step(), attempt)
            # Above the question: a note below it gives way where a screen is low.
            self.before = f"{self.before}\n{told}".strip()
        super().page(page)

    def answer(self, session: ReadOnlySession, step: Step) -> Answer:
        assert session.pending is not None
        answer = super().answer(session, step)
        line = self.story.line(step.name, session.pending.attempt)
        self.clock.pass_time(line.takes_s if line is not None else 60.0)
        return answer

    def spec(self, session: ReadOnlySession, spec: Spec) -> dict[str, str]:
        given = self.answers.specs().get(spec.name)
        if isinstance(given, Mapping):
            said = f"In the story: {given.get('value')}, {given.get('source')}."
            spec = replace(spec, say=f"{spec.say} {said}".strip())
        return super().spec(session, spec)

    def begin_wait(self, step: Step, seconds: float, *, kept: bool) -> str:
        return ""

    def wait(self, step: Step, seconds: float, left: Callable[[], float], *, kept: bool) -> str:
        self.before = f"{max(1, round(left() / 60))} min of waiting passed at once: it is a demo."
        self.clock.pass_time(left() + 1.0)
        return ""


def hint(answers: Answers, story: Story, step: Step, attempt: int) -> str:
    """What the story tells at a step and what its own answer there was; "" where it has none."""
    line = story.line(step.name, attempt)
    given = answers.tree.data.get(step.name)
    if line is None or not isinstance(given, list) or not given:
        return ""
    own = given[min(attempt, len(given)) - 1]
    words = ""
    match step.kind, own:
        case "reading", str():
            words = own
        case "fasten", {"torque": str() as torque}:
            words = torque
        case "codes", dict():
            words = codes_words(own)
            counted = own.get("since_clear")
            if isinstance(counted, dict):
                words += f"; since the clear: {', '.join(str(text) for text in counted.values())}"
            if "readiness" in own:
                words += f"; monitors: {own['readiness']}"
        case "ask", str() if own in step.detail.get("answers", {}):
            words = step.detail["answers"][own]
        case "card", {"wrong": list() as items}:
            words = "not so: " + "; ".join(step.detail["items"][i] for i in items)
    told = f"In the story: {line.say.rstrip('.:')}: {words}" if words else line.say
    if isinstance(own, dict) and "file" in own:
        told += f"\nGive this file: {answers.folder / str(own['file'])}"
    return told if words else f"In the story: {told}"
