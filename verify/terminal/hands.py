"""Where answers come from: a person at a screen. (`script` plays an answers file.)

The runner speaks to `Hands` alone, so a scripted run takes the same way through judging and
writing as a person's.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from verify.errors import UserError
from verify.evidence.importers.port import Layout
from verify.flow.graph import Spec, Step
from verify.job import answers as a
from verify.job.answers import Answer, RecordingFile
from verify.job.numbers import spec_values
from verify.job.session import ReadOnlySession, Visit
from verify.quantity import parse, shown_unit
from verify.terminal import ask_numbers, confirm
from verify.terminal.clock import local
from verify.terminal.columns import ask_columns
from verify.terminal.draw_phone import phone_drawing
from verify.terminal.marks import MARKS
from verify.terminal.say import outcome_words, visit_words
from verify.terminal.spec_memory import Remembered
from verify.terminal.tongue import tr, trouble_words, why
from verify.terminal.ui import (
    BACK,
    CANNOT,
    LEAVE_OUT,
    WISHES,
    Option,
    Page,
    PlainWishes,
    Ui,
    Wish,
)
from verify.terminal.ui_kept import part_by_part
from verify.words import Verdict

if TYPE_CHECKING:
    from verify.evidence.verdict import CheckResult
    from verify.terminal.collect import Taken
    from verify.terminal.confirm import Said
    from verify.terminal.desk import Desk
    from verify.terminal.relearn_advice import Decision

# A verdict has been written: what cannot be done any more is to refuse the question.
_AFTER_A_VERDICT = tuple(w for w in WISHES if w not in (CANNOT, LEAVE_OUT))


_GIVEN, _ENTERED = " and give it as idle_speed", ", then change this number of the car (!spec)"


class Hands(Protocol):
    def page(self, page: Page) -> None: ...
    def answer(self, session: ReadOnlySession, step: Step) -> Answer: ...
    def keep_ready(
        self, session: ReadOnlySession, step: Step, ready: Visit, *, locked: bool
    ) -> bool: ...
    def reason(self, prompt: str, *, back: bool = False) -> str:
        """back: an empty line is allowed, and takes back what was asked for."""

    def unit_slip(self, torque: str, wanted: str) -> str:
        """Asked where a torque is twelve times off its figure. Returns the torque as it should have
        been typed, or "" where it stands. Raises Wish where the figure is to be changed."""

    def offer_spec(self, session: ReadOnlySession, spec: Spec, known: Remembered) -> bool:
        """Whether a number that was entered for another car of the model is used here."""

    def spec(self, session: ReadOnlySession, spec: Spec) -> dict[str, str]: ...
    def mapping(self, desk: Desk, layout: Layout, answer: RecordingFile) -> Mapping[str, str]: ...
    def told_of_sound(
        self, step: Step, answer: RecordingFile, proposed: Callable[[], Sequence[float]]
    ) -> Mapping[str, str]:
        """What is said of a sound, as its importer takes it. proposed: when the key may have been
        turned on, in seconds; only ever shown."""

    def interval(self, layout: Layout) -> str: ...
    def begin_wait(self, step: Step, seconds: float, *, kept: bool) -> str:
        """Returns when the wait begins: "", or a reason where it is skipped. kept: it is part of
        the proof, and can only be left out."""

    def wait(self, step: Step, seconds: float, left: Callable[[], float], *, kept: bool) -> str:
        """Returns a reason where the wait is skipped, else ""."""

    def pick(self, prompt: str, options: Sequence[Option]) -> str: ...
    def notice(self, text: str) -> None:
        """A line for the top of the next screen."""

    def say(self, *parts: object) -> None: ...
    def stop_sign(self, text: str) -> None: ...
    def stops_here(self) -> bool:
        """Asked once the sign stands: whether the job stops with it."""

    def ends_here(
        self, session: ReadOnlySession, then: ReadOnlySession, step: Step, said: Said
    ) -> bool:
        """Whether the job ends as `then` stands, by what was said at `step`. Raises Wish."""

    def judged(self, session: ReadOnlySession, step: Step, taken: Taken) -> None: ...
    def relearn_advice(self, session: ReadOnlySession) -> Decision | None:
        """What is decided about the relearn a job has ended in; None where nothing is."""

    def trouble(self, error: UserError) -> None:
        """Shows a problem and lets the question be asked again, or raises it."""


class PersonHands:
    def __init__(self, ui: Ui) -> None:
        self.ui = ui
        self.before = ""
        self.waiting = False
        self.step: Step | None = None

    def page(self, page: Page) -> None:
        before = "\n".join(line for line in (self.before, page.before) if line)
        self.ui.page(replace(page, before=before))
        self.before = ""

    def notice(self, text: str) -> None:
        self.before = text

    def say(self, *parts: object) -> None:
        self.ui.tell(*parts)

    def stop_sign(self, text: str) -> None:
        self.ui.stop_sign(text)

    def stops_here(self) -> bool:
        return confirm.stops_here(self.ui)

    def ends_here(
        self, session: ReadOnlySession, then: ReadOnlySession, step: Step, said: Said
    ) -> bool:
        return confirm.ends_here(self.ui, session, then, step, said)

    def reason(self, prompt: str, *, back: bool = False) -> str:
        return self.ui.ask(prompt, hint=tr("An empty line goes back.") if back else "", empty=back)

    def pick(self, prompt: str, options: Sequence[Option]) -> str:
        return self.ui.choose(prompt, options)

    def trouble(self, error: UserError) -> None:
        error = UserError(*(p._replace(field=self._place(p.field)) for p in error.problems))
        self.ui.tell(tr("That cannot be taken:"), trouble_words(error), "")

    def _place(self, field: str) -> str:
        """Where something was wrong, as a person at the car would name it."""
        if self.step is not None and field == self.step.name:
            return self.step.title
        if field.startswith("mapping"):
            column = re.sub(r"^mapping( of |\.)?", "", field)
            return tr("column {name}", name=column) if column else tr("the columns")
        return field

    # Answers by kind of step

    def answer(self, session: ReadOnlySession, step: Step) -> Answer:
        self.step = step
        match step.kind:
            case "do" | "photo":
                return self._do(step)
            case "ask":
                return self._ask(step)
            case "reading":
                return self._number(session, step)
            case "codes":
                from verify.terminal.ask_codes import ask_codes

                return part_by_part(
                    self.ui, lambda ui: ask_codes(ui, session, step, self.trouble), self.trouble
                )
            case "fasten":
                return part_by_part(
                    self.ui, lambda ui: ask_numbers.fasten(ui, session, step), self.trouble
                )
            case "record":
                return self._record(step)
            case "card":
                options = [Option(k, text) for k, text in step.detail["items"].items()]
                wrong, unseen = self.ui.mark(
                    tr("Choose each line that is not so:"),
                    options,
                    none=tr("All of these are so: go on"),
                    marked=tr("the marked ones are not so"),
                    unseen=tr("those with ? were not seen"),
                )
                return _card(step, wrong, unseen)
        raise ValueError(f"no way to ask a step of kind {step.kind}")

    def _blank(self) -> str:
        """What an empty line does at the first question of a step: where the step may be left out,
        just that."""
        return LEAVE_OUT if LEAVE_OUT in self.ui.wishes.allowed else ""

    def _do(self, step: Step) -> Answer:
        if step.kind == "photo":
            self.ui.choose(tr("A picture?"), [Option("file", tr("I have one: give the file"))])
            return a.PhotoFile(self._path(tr("Picture file")))
        self.ui.choose(tr("Done?"), [Option("done", tr("Done"))])
        return a.Done()

    def _ask(self, step: Step) -> Answer:
        known = step.detail.get("answers")
        if known is None:
            return a.Said(self.ui.ask(step.title, blank=self._blank()))
        return a.Chosen(
            self.ui.choose(tr("Which is it?"), [Option(k, text) for k, text in known.items()])
        )

    def _number(self, session: ReadOnlySession, step: Step) -> Answer:
        unit = shown_unit(step.detail["unit"], session.units)
        text = self.ui.ask(
            step.title,
            hint=tr("A number; without a unit it counts as {unit}.", unit=unit),
            blank=self._blank(),
        )
        quantity = parse(text, expect=unit)
        return a.Number(str(quantity))

    def unit_slip(self, torque: str, wanted: str) -> str:
        return part_by_part(
            self.ui, lambda ui: ask_numbers.unit_slip(ui, torque, wanted), self.trouble
        )

    def _record(self, step: Step) -> Answer:
        options = [Option("file", tr("I have the recording: give the file"))]
        told = step.detail.get("told")
        if told is not None:
            options.append(Option("told", tr("No recording: I only tell what I saw")))
        drawing = phone_drawing(step)
        if drawing:
            options.append(Option("drawing", tr("Show the drawing: where the telephone goes")))
        while (chosen := self.ui.choose(tr("Recording?"), options)) == "drawing":
            self.ui.tell("", *drawing, "")
        if chosen == "file":
            return RecordingFile(self._path(tr("Recording file")))
        assert told is not None
        self.ui.tell(str(told["question"]))
        unsure = str(told["unsure"])
        unsure = tr("Not sure") if unsure == "Not sure" else unsure
        label = self.ui.choose(
            tr("What you saw or heard (it will be listed as told)"),
            [
                Option("told-pass", told["passes"]),
                Option("told-fail", told["fails"]),
                Option("told-undecided", unsure),
            ],
        )
        return a.ToldInstead(label)

    def _path(self, prompt: str) -> str:
        hint = tr("Type its path, or drag the file into this window.")
        text = self.ui.ask(prompt, hint=hint, blank=BACK)
        return str(Path(text.strip("'\" ").replace("\\ ", " ")).expanduser())

    # The rest

    def relearn_advice(self, session: ReadOnlySession) -> Decision | None:
        from verify.terminal.relearn_advice import ask

        return ask(self.ui, session)

    def keep_ready(
        self, session: ReadOnlySession, step: Step, ready: Visit, *, locked: bool
    ) -> bool:
        words = visit_words(step, ready, typed=True)
        if locked and step.kind == "record":
            self.ui.tell(
                tr(
                    "This was measured and failed, and nothing was done to the car since. "
                    "The result stands until something is."
                )
            )
            options = [Option("keep", tr("Go on with: {words}", words=words))]
        else:
            options = [
                Option("keep", tr("It still holds: {words}", words=words)),
                Option("anew", tr("Answer anew")),
            ]
        prompt = tr("Answered before the correction, {time}:", time=local(ready.time))
        return self.ui.choose(prompt, options) == "keep"

    def offer_spec(self, session: ReadOnlySession, spec: Spec, known: Remembered) -> bool:
        return ask_numbers.offer_spec(self.ui, session, spec, known)

    def spec(self, session: ReadOnlySession, spec: Spec) -> dict[str, str]:
        return ask_numbers.spec(self.ui, session, spec, self.trouble)

    def mapping(self, desk: Desk, layout: Layout, answer: RecordingFile) -> Mapping[str, str]:
        if answer.mapping:
            return answer.mapping
        remembered = desk.journal.mapping(layout.key)
        if remembered:
            lines = [f"  {h} = {c}" for h, c in remembered.items() if c != "-"]
            self.ui.tell(tr("A file of this layout was read before like this:"), *lines)
            options = [Option("yes", tr("Read it the same way")), Option("no", tr("Say it anew"))]
            if self.ui.choose(tr("The same again?"), options) == "yes":
                return remembered
        return ask_columns(self.ui, layout)

    def told_of_sound(
        self, step: Step, answer: RecordingFile, proposed: Callable[[], Sequence[float]]
    ) -> Mapping[str, str]:
        if answer.mapping:
            return answer.mapping
        from verify.terminal.ask_sound import ask_sound

        return ask_sound(self.ui, step, proposed, self.trouble)

    def interval(self, layout: Layout) -> str:
        while True:
            text = self.ui.ask(
                tr("Seconds between two rows"),
                hint=tr(
                    "The file has no time column. If you do not know the interval, export again "
                    "with time."
                ),
                blank=BACK,
            )
            try:
                return str(parse(text, expect="s"))
            except UserError as error:
                self.trouble(error)

    def begin_wait(self, step: Step, seconds: float, *, kept: bool) -> str:
        go = tr("Start the wait: the time counts from now")
        skipped = self._wait_or_skip(step, seconds, go, kept)
        self.waiting = not skipped
        return skipped

    def _wait_or_skip(self, step: Step, seconds: float, go: str, kept: bool) -> str:
        """A wait that is itself part of the proof is not skipped and then called done: it is left
        out, and its step stays open. Raises Wish."""
        skip = tr("Skip the wait (say why; it goes on the record)")
        if step.required:
            skip = tr("Leave it out (say why; this step stays open)")
        elif kept:
            self.ui.tell(
                tr("Only this wait makes the next answer a proof. A pause does not stop it.")
            )
            skip = tr("It cannot be waited for (say why; it counts as not done)")
        while True:
            minutes = max(1, round(seconds / 60))
            choice = self.ui.choose(
                tr("{minutes} min to wait.", minutes=minutes),
                [
                    Option("wait", go),
                    Option("skip", skip),
                ],
            )
            if choice == "wait":
                return ""
            if kept:
                raise Wish(CANNOT)
            if reason := self.reason(tr("Why is the wait skipped?"), back=True):
                return reason

    def wait(self, step: Step, seconds: float, left: Callable[[], float], *, kept: bool) -> str:
        while left() > 0:
            if not self.waiting:
                skipped = self._wait_or_skip(step, left(), tr("Wait on"), kept)
                if skipped:
                    return skipped
            self.waiting = False
            try:
                self.ui.wait(left(), left)
            except Wish:
                continue
        return ""

    def judged(self, session: ReadOnlySession, step: Step, taken: Taken) -> None:
        results = [_for_the_desk(r) for r in taken.judged.results]
        if step.kind == "codes" and taken.judged.values:
            from verify.terminal.code_words import history_before, reading_lines

            words = outcome_words(step, taken.judged.outcome)
            mark = f"{MARKS[step.counts(taken.judged.outcome)]} " if step.required else ""
            told = reading_lines(history_before(session), taken.judged.values, results)
            self.before = "\n".join([f"{mark}{step.title}: {words}", *told])
            return
        if not results:
            if step.required and step.counts(taken.judged.outcome) is Verdict.FAIL:
                words = outcome_words(step, taken.judged.outcome)
                self.before = f"{MARKS[Verdict.FAIL]} {step.title}: {words}"
            return
        if taken.recording is None and all(r.verdict is Verdict.PASS for r in results):
            # Nothing to think about: one line on the next screen is enough.
            last = results[-1]
            passed = why(last.check, last.finding, last.why, brief=True)
            words = tr("{title}: passed. {why}", title=step.title, why=passed)
            self.before = f"{MARKS[Verdict.PASS]} {words}"
            return
        from verify.terminal.show_verdict import trace_plot
        from verify.terminal.verdict_list import arranged, tally

        needed = step.detail.get("checks", [r.check for r in results])
        plot = None
        if taken.recording is not None:
            from verify.terminal.show_sound import with_speed

            shown = with_speed(taken.recording, spec_values(session))
            plot = trace_plot(shown, results)
        if plot is not None:
            self.ui.tell(plot)
        for block in arranged(results, session.units, needed=needed, more=""):
            self.ui.tell(block)
        undecided = {r.check for r in results if r.verdict is Verdict.UNDECIDED}
        if undecided.intersection(needed):
            self.ui.tell(tr("Undecided is no fault of the car: the evidence is too weak to say."))
        elif undecided:
            self.ui.tell(tr("Undecided here holds nothing back: the step does not rest on it."))
        if len(results) > 1:
            line = tally(results, needed)
            if any(r.verdict is Verdict.PASS and r.uncertainty is not None for r in results):
                line.append(tr(". ± is twice the standard uncertainty."), style="dim not bold")
            self.ui.tell(line)
        allowed = self.ui.wishes.allowed
        self.ui.wishes = PlainWishes(tuple(w for w in allowed if w in _AFTER_A_VERDICT))
        self.ui.choose(tr("Seen?"), [Option("on", tr("Go on"), ready=True)])


def _for_the_desk(result: CheckResult) -> CheckResult:
    """With what settles it as one does it in a job; a check speaks to whoever typed a command."""
    return replace(result, settle=result.settle.replace(_GIVEN, _ENTERED))


def _card(step: Step, wrong: frozenset[str], unseen: frozenset[str]) -> Answer:
    """A line that nobody saw is no line that is so: it counts with what is wrong, and where nothing
    else is, the card is not done."""
    if wrong or not unseen:
        return a.Exceptions(wrong, unseen)
    items = step.detail["items"]
    # For the record, which is English whatever was spoken.
    return a.Cannot("not seen: " + "; ".join(str(items[name]) for name in items if name in unseen))
