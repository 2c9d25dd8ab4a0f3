"""A code reading asked of a person: each memory, where codes came from, counters, monitors.

What was understood with a note, and what was not with its reason, is said at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TypeVar

from verify.car.code_history import new_codes
from verify.car.codes import CodeReading, meaning
from verify.car.failure_type import failure_type_words
from verify.car.frame_text import FrameRead, frame_from_text
from verify.car.readiness import Status, status_from_typed
from verify.car.since_clear import Counters, Drive, counters_from_typed, drive_from_told
from verify.errors import UserError
from verify.flow.graph import Step
from verify.job.codes_answer import (
    UNREAD,
    CodesRead,
    Memory,
    memory_of,
    memory_or_unread,
    reading_of,
    unsupported_note,
)
from verify.job.session import ReadOnlySession
from verify.terminal.code_words import class_words, history_before, module_words, recorded_drive
from verify.terminal.tongue import mark, said, tr
from verify.terminal.ui import BACK, LEAVE_OUT, Option, Ui

COUNTS: Mapping[str, str] = {
    "distance": mark("Distance since codes were cleared (31), ? if not read"),
    "time": mark("Engine running time since codes were cleared (4E), ? if not read"),
    "warm-ups": mark("Warm-ups since codes were cleared (30), ? if not read"),
}

T = TypeVar("T")


def ask_codes(
    ui: Ui, session: ReadOnlySession, step: Step, trouble: Callable[[UserError], None]
) -> CodesRead:
    """Raises Wish."""
    asking = _Asking(ui, session, step, trouble)
    reading = asking.reading()
    counters, drive = Counters(), Drive()
    if step.detail.get("since_clear"):
        counters, drive = asking.since_clear()
    status = asking.monitors() if step.detail.get("readiness") else None
    found = asking.frame(reading)
    if found is None:
        return CodesRead(reading, counters, drive, status=status)
    reading = replace(reading, notes=(*reading.notes, *found.notes))
    return CodesRead(reading, counters, drive, status=status, frame=found.frame)


class _Asking:
    def __init__(
        self, ui: Ui, session: ReadOnlySession, step: Step, trouble: Callable[[UserError], None]
    ) -> None:
        self.ui, self.session, self.step, self.trouble = ui, session, step, trouble
        self.blank = LEAVE_OUT if LEAVE_OUT in ui.wishes.allowed else ""

    def reading(self) -> CodeReading:
        self.ui.tell(
            tr(
                "Modules to read: {modules}. Type codes such as P0507, or none. Where pending or "
                "permanent codes were not read, type ?; where the car has no such memory, type not "
                "supported. A code of another module: C1234@brakes",
                modules=self._module_words(),
            )
        )
        stored = self._memory(tr("Stored codes"), memory_of)
        lacking: list[str] = []

        def other(name: str, prompt: str) -> Memory | None:
            def read(text: str) -> Memory | None:
                found = memory_or_unread(text)
                lacking.append(unsupported_note(name, text))
                return found

            return self._memory(prompt, read)

        pending = other("pending", tr("Pending codes"))
        permanent = other("permanent", tr("Permanent codes"))
        reading = self._placed(reading_of(stored, pending, permanent, ()))
        reading = replace(reading, notes=(*reading.notes, *filter(None, lacking)))
        for code in reading.present:
            self.ui.tell(f"  {code}: {said(meaning(code))}{class_words(reading, code)}")
            for byte in reading.types_of(code):
                self.ui.tell(f"  {code}-{byte}: {said(failure_type_words(byte))}")
        reading = replace(reading, modules=self._modules(reading))
        return self._by_work(reading)

    def _module_words(self) -> str:
        return ", ".join(module_words(m) for m in self.step.detail["modules"])

    def _memory(self, prompt: str, read: Callable[[str], T]) -> T:
        found = self._typed(prompt, read)
        if isinstance(found, Memory):
            for note in found.notes:
                self.ui.tell(f"  {said(note)}")
        return found

    def _typed(self, prompt: str, read: Callable[[str], T], hint: str = "") -> T:
        while True:
            blank = self.blank
            try:
                text = self.ui.ask(prompt, hint=hint, blank=blank)
                # From the second question on one can go back, and no longer leave it out.
                self.blank = BACK
                return read(_in_english(text))
            except UserError as error:
                self.trouble(error)

    def _placed(self, reading: CodeReading) -> CodeReading:
        """A chassis code may be one of the brakes: asked where nobody said and no table does."""
        where = list(reading.where)
        for code in reading.present:
            if code[0] != "C" or reading.modules_of(code) or class_words(reading, code):
                continue
            place = self.ui.choose(
                tr("Which module was {code} read in?", code=code),
                [
                    Option("brakes", tr("The brake module (ABS, stability control, booster)")),
                    Option("", tr("Another one, or nobody knows")),
                ],
            )
            if place:
                where.append((code, place))
        return replace(reading, where=tuple(where))

    def _modules(self, reading: CodeReading) -> tuple[str, ...]:
        read = self.ui.choose(
            tr("Were all of these read: {modules}?", modules=self._module_words()),
            [Option("all", tr("Yes, all of them")), Option("some", tr("Not all of them"))],
        )
        have = tuple(self.step.detail["modules"])
        if read == "some":
            unread = self.ui.choose_many(
                tr("Choose each module that was not read:"),
                [Option(m, module_words(m)) for m in self.step.detail["modules"]],
                none=tr("All were read: go on"),
                marked=tr("the marked ones were not read"),
            )
            have = tuple(m for m in have if m not in unread)
        named = tuple(m for _, m in reading.where)
        known = {m.casefold() for m in have}
        return (*have, *dict.fromkeys(m for m in named if m.casefold() not in known))

    def _by_work(self, reading: CodeReading) -> CodeReading:
        """Only where a reading is kept for the record, and there was one before it."""
        earlier = history_before(self.session)
        new = new_codes(earlier, reading) if earlier and not self.step.required else ()
        if not new:
            return reading
        marked = self.ui.choose_many(
            tr(
                "New since the reading before. Choose each that the work itself set (unplugged "
                "with the key on):"
            ),
            [Option(code, f"{code}: {said(meaning(code))}") for code in new],
            none=tr("None of them, or nobody knows: go on"),
            marked=tr("the marked ones were set by the work"),
        )
        return replace(reading, by_work=tuple(c for c in new if c in marked))

    def frame(self, reading: CodeReading) -> FrameRead | None:
        """What the engine did when a code was stored; asked before the drive that may go back."""
        if self.step.required or not reading.present:
            return None
        hint = tr(
            "Such as: code P0507, speed 62 km/h, rpm 1900, load 35 %, coolant 88 °C. Or the car's "
            "replies: 42 02 00 05 07; 42 0C 00 1D B0. It proposes a drive."
        )
        while True:
            text = self.ui.ask(tr("Freeze frame (may stay empty)"), hint=hint, empty=True)
            try:
                return frame_from_text(text) if text.strip() not in ("", *UNREAD) else None
            except UserError as error:
                self.trouble(error)

    def since_clear(self) -> tuple[Counters, Drive]:
        self.ui.tell(tr("What the car counts shows that nobody cleared codes after the drive."))
        counted: dict[str, object] = {}
        for name, prompt in COUNTS.items():

            def read(text: str, name: str = name) -> str:
                counters_from_typed({name: text})
                return text

            counted[name] = self._typed(tr(prompt), read)
        counters = counters_from_typed({k: str(v) for k, v in counted.items()})
        if counters == Counters(warm_ups=counters.warm_ups) or recorded_drive(self.session):
            return counters, Drive()
        drive = self._typed(
            tr("About how long was the drive, from the start of the road test until now?"),
            _told_drive,
            tr("In min or km, or ? if nobody knows."),
        )
        return counters, drive

    def monitors(self) -> Status | None:
        hint = tr(
            "The reply to 01 01 (41 01 …), or as the reader shows them: catalyst: complete, evap: "
            "incomplete; for a diesel: diesel, nmhc: complete. ? if not read."
        )

        def read(text: str) -> tuple[str, Status] | None:
            return None if text.strip() in UNREAD else (text, status_from_typed(text))

        found = self._typed(tr("Monitors since the clear"), read, hint)
        return found[1] if found is not None else None


def _in_english(text: str) -> str:
    """The two words that are typed instead of codes, as the reader of codes knows them."""
    known = {tr("none"): "none", tr("not supported"): "not supported"}
    return known.get(text.strip().casefold(), text)


def _told_drive(text: str) -> Drive:
    if text.strip() in UNREAD:
        return Drive()
    try:
        return drive_from_told({"time": text})
    except UserError as error:
        try:
            return drive_from_told({"distance": text})
        except UserError:
            raise error from None
