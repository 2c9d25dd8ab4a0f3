"""Hands that play an answers file: for the demo, tests and rehearsals. Marks the job scripted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError, unknown
from verify.evidence.importers.port import Layout
from verify.flow.graph import Spec, Step
from verify.job.answers import Answer, PhotoFile, RecordingFile
from verify.job.session import ReadOnlySession, Visit
from verify.quantity import parse
from verify.terminal.answers_file import Answers
from verify.terminal.ask_numbers import HANDBOOK
from verify.terminal.clock import Clock
from verify.terminal.spec_change import DEFAULT, unusual_problem
from verify.terminal.spec_memory import Remembered
from verify.terminal.ui import Option, Page

if TYPE_CHECKING:
    from verify.terminal.collect import Taken
    from verify.terminal.confirm import Said
    from verify.terminal.desk import Desk
    from verify.terminal.relearn_advice import Decision

SOURCES = ("service information", HANDBOOK, "standard", "common practice", "not found")
SKIPPED = "scripted: the clock of this machine cannot be moved on"


class ScriptHands:
    """seconds_per_answer: how far a playing clock moves on with each answer."""

    def __init__(self, answers: Answers, clock: Clock, *, seconds_per_answer: float = 20.0) -> None:
        self.answers = answers
        self.clock = clock
        self.seconds_per_answer = seconds_per_answer

    def page(self, page: Page) -> None:
        return

    def answer(self, session: ReadOnlySession, step: Step) -> Answer:
        answer = self.answers.take(step)
        self.clock.pass_time(self.seconds_per_answer)
        if isinstance(answer, RecordingFile):
            # Files are named from the folder of the answers file.
            return RecordingFile(
                str(self.answers.folder / answer.path), answer.mapping, answer.interval
            )
        if isinstance(answer, PhotoFile):
            return PhotoFile(str(self.answers.folder / answer.path))
        return answer

    def keep_ready(
        self, session: ReadOnlySession, step: Step, ready: Visit, *, locked: bool
    ) -> bool:
        return True

    def reason(self, prompt: str, *, back: bool = False) -> str:
        return "scripted"

    def unit_slip(self, torque: str, wanted: str) -> str:
        return ""

    def offer_spec(self, session: ReadOnlySession, spec: Spec, known: Remembered) -> bool:
        return False

    def spec(self, session: ReadOnlySession, spec: Spec) -> dict[str, str]:
        given: Any = self.answers.specs().get(spec.name)
        if given is None:
            raise UserError(
                Problem(
                    found=f'no value for the spec "{spec.name}"',
                    expected=f'a number in {spec.unit}, or "not found"',
                    next=f'add under specs: {spec.name}: {{value: "…", source: …}}',
                    file=self.answers.source,
                    field="specs",
                )
            )
        form = given if isinstance(given, Mapping) else {"value": str(given)}
        if form.get("value") == "not found" or given == "not found":
            return {"name": spec.name, "text": "", "unit": spec.unit, "source": "not found"}
        source = str(form.get("source", "service information"))
        if source not in SOURCES:
            raise UserError(
                unknown(source, SOURCES, "source").within(
                    file=self.answers.source, field=f"specs.{spec.name}"
                )
            )
        try:
            quantity = parse(str(form.get("value", "")), expect=spec.unit)
        except UserError as error:
            raise error.within(file=self.answers.source, field=f"specs.{spec.name}") from None
        body = {
            "name": spec.name,
            "text": quantity.text,
            "unit": quantity.unit,
            "source": source,
        }
        unusual = unusual_problem(spec, quantity, session.units)
        if unusual is not None and source != DEFAULT and not form.get("insist"):
            problem = unusual._replace(
                next="look it up again, with its unit; if it is so, add insist: true beside it"
            )
            raise UserError(problem.within(file=self.answers.source, field=f"specs.{spec.name}"))
        if form.get("insist"):
            body["insist"] = "yes"
        if form.get("detail"):
            body["detail"] = str(form["detail"])
        return body

    def mapping(self, desk: Desk, layout: Layout, answer: RecordingFile) -> Mapping[str, str]:
        return answer.mapping

    def told_of_sound(
        self, step: Step, answer: RecordingFile, proposed: Callable[[], Sequence[float]]
    ) -> Mapping[str, str]:
        return answer.mapping

    def interval(self, layout: Layout) -> str:
        raise UserError(
            Problem(
                found="a recording without time",
                expected="the time between two rows",
                next='add every: "1 s" beside the file',
                file=self.answers.source,
            )
        )

    def begin_wait(self, step: Step, seconds: float, *, kept: bool) -> str:
        return "" if self.clock.plays else SKIPPED

    def wait(self, step: Step, seconds: float, left: Callable[[], float], *, kept: bool) -> str:
        if not self.clock.plays:
            return SKIPPED
        self.clock.pass_time(left() + 1.0)
        return ""

    def pick(self, prompt: str, options: Sequence[Option]) -> str:
        return options[0].key

    def notice(self, text: str) -> None:
        return

    def say(self, *parts: object) -> None:
        return

    def stop_sign(self, text: str) -> None:
        print(f"STOP. {text}")

    def stops_here(self) -> bool:
        return True

    def ends_here(
        self, session: ReadOnlySession, then: ReadOnlySession, step: Step, said: Said
    ) -> bool:
        return True

    def relearn_advice(self, session: ReadOnlySession) -> Decision | None:
        return self.answers.relearn_decision(session)

    def judged(self, session: ReadOnlySession, step: Step, taken: Taken) -> None:
        return

    def trouble(self, error: UserError) -> None:
        raise error
