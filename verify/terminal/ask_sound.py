"""Asks a person what a sound itself cannot show: what was so meanwhile, and when the key turned.

Only what the step's checks need. What is answered is kept with the sound, so that an audit hears
the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from verify.errors import UserError
from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
from verify.evidence.importers.sound import KEY_ON, key_on_marks
from verify.flow.graph import Step, recorded_checks
from verify.terminal.tongue import mark, tr
from verify.terminal.ui import Option, Ui
from verify.words import TOLD

# By check: what must be so, in the order of the importer's words.
ASKED: Mapping[str, str] = {
    "warm": mark("The engine was warm"),
    "standing": mark("The car stood still throughout"),
    "released": mark("Nobody touched the pedal"),
    "left-on": mark("The key was left on throughout, start-stop switched off"),
}


def ask_sound(
    ui: Ui,
    step: Step,
    proposed: Callable[[], Sequence[float]],
    trouble: Callable[[UserError], None],
) -> Mapping[str, str]:
    """The mapping for the importer. proposed: asked only where the key is. Raises Wish."""
    checks = set(recorded_checks(step))
    said: dict[str, str] = {}
    words = [] if not checks & set(ENGINE_CHECKS) else list(ASKED)
    if "no-stall-by-ear" not in checks and words:
        words.remove("left-on")
    if words:
        wrong = ui.choose_many(
            tr(
                "While this sound was recorded: choose each line that is not so, or that you are "
                "not sure of."
            ),
            [Option(word, tr(ASKED[word])) for word in words],
            none=tr("All of these are so: go on"),
            marked=tr("the marked ones are not so"),
        )
        so = [word for word in words if word not in wrong]
        if so:
            said[TOLD] = ", ".join(so)
    if KEY_CHECK in checks:
        times = _key_ons(ui, proposed(), trouble)
        if times:
            said[KEY_ON] = times
    return said


def _key_ons(ui: Ui, proposed: Sequence[float], trouble: Callable[[UserError], None]) -> str:
    hint = tr("Seconds from the start of the file, such as 3.2, 21.5. An empty line: not known.")
    if proposed:
        heard = ", ".join(f"{at:g}" for at in proposed[:6])
        hint += " " + tr(
            "Something clicks at {times} s; whether that was the key, only you can say.",
            times=heard,
        )
    while True:
        text = ui.ask(tr("When was the key turned on?"), hint=hint, empty=True)
        try:
            key_on_marks(text)
        except UserError as error:
            trouble(UserError(*(p._replace(field="") for p in error.problems)))
            continue
        return text
