"""Where a telephone lies and what is done meanwhile, in characters: for steps that ask a sound.

Which drawing follows from the checks of the step, so every flow that asks for a sound has one.
Narrow enough for a telephone's own screen; the words under the signs go through `tr`.
"""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap

from verify.flow.graph import Step
from verify.terminal.tongue import mark, tr

WIDEST = 40
# Per check: rows of the picture, and what its signs mean. The dots are one forearm.
_AT_KEY_ON = (
    "  .------------------------.",
    "  |  (T) . . . . . [#]     |",
    "  '------------------------'",
    "   K 15 s - 10 s  K 15 s -",
)
_AT_IDLE = (
    "  .------------------------.",
    "  |     (M)                |",
    "  '------.-----------------'",
    "         .",
    "        [#]          70 s",
)
_MEANS: Mapping[str, str] = {
    "T": mark("(T) throttle body, bonnet open. Dots: a forearm"),
    "M": mark("(M) engine, bonnet open. Dots: an arm, away from belt and fan"),
    "#": mark("[#] telephone, recording before and after; no hand touches it"),
    "hand": mark("[#] telephone, held still beside the car"),
    "K": mark("K key on, no start;  - key off"),
    "file": mark("Then bring the file to this computer, by cable or mail"),
}


def phone_drawing(step: Step) -> list[str]:
    """Rows of at most WIDEST columns; [] for a step that asks for no sound."""
    from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK

    checks = set(step.detail.get("checks", ()))
    if not checks or step.kind != "record":
        return []
    rows: tuple[str, ...]
    signs: tuple[str, ...]
    if checks <= {KEY_CHECK}:
        rows, signs = _AT_KEY_ON, ("T", "#", "K", "file")
    elif checks <= set(ENGINE_CHECKS):
        rows, signs = _AT_IDLE, ("M", "hand", "file")
    else:
        return []
    told = []
    for sign in signs:
        told += wrap(tr(_MEANS[sign]), WIDEST, subsequent_indent="    ")
    return [*rows, *told]
