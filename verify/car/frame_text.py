"""A freeze frame as it is given: typed in words, or the car's own replies to service 02, pasted.

Text → `freeze_frame.FreezeFrame` with what is to be said about how it was read. What each byte
means is `decode`'s; what follows from a frame is `freeze_frame`'s.
"""

from __future__ import annotations

import re

from verify.car.answer import Answer
from verify.car.decode import Decoded, decode
from verify.car.freeze_frame import NAMES, FreezeFrame, frame_from_line, frame_from_parameters
from verify.errors import Problem, UserError
from verify.values import dataclass

_FREEZE_FRAME = 0x42  # reply to service 02, SAE J1979 / ISO 15031-5
_STORED_BY = 0x02
_TYPED = frozenset({*NAMES, "code"})
FORM = (
    "replies to service 02 (42 02 00 05 07; 42 0C 00 1D B0), or values as typed: code P0507, "
    "rpm 1900"
)


@dataclass(frozen=True, slots=True)
class FrameRead:
    """notes: what was read otherwise than it stands, or left out, each without a full stop."""

    frame: FreezeFrame
    notes: tuple[str, ...] = ()


def frame_from_text(text: str) -> FrameRead:
    """Reads a line of values ("code P0507, speed 62 km/h, rpm 1900"), or pasted replies to service
    02, one a line or parted by semicolons, with or without headers.

    Raises UserError where a value cannot be taken, where any of a paste was not read, and where it
    is not the one frame of one module.
    """
    first = re.split(r"[\s:=]", text.strip(), maxsplit=1)[0].casefold()
    if first not in _TYPED:
        decoded = decode(re.sub(r"\s*;\s*", "\n", text))
        if any(a.service == _FREEZE_FRAME for a in decoded.answers):
            return _from_replies(decoded)
    return FrameRead(frame_from_line(text))


def _from_replies(decoded: Decoded) -> FrameRead:
    wrong = [_problem(f'"{left.found}"', left.why) for left in decoded.leftovers]
    # A question that was pasted along says nothing of the car.
    answers = [a for a in decoded.answers if a.kind != "asked"]
    for answer in answers:
        if answer.service != _FREEZE_FRAME:
            wrong.append(_problem(f"{answer.title}: {answer.shown()}", "not of a freeze frame"))
        elif not answer.complete:
            wrong.append(_problem(f"{answer.title}: {answer.shown()}", "cut off"))
    if wrong:
        raise UserError(*wrong)
    for what, found in (
        ("modules", {a.source for a in answers}),
        ("freeze frames", {str(a.freeze_frame) for a in answers}),
    ):
        if len(found) > 1:
            raise UserError(
                Problem(
                    found=f"replies of several {what} ({', '.join(sorted(found))})",
                    expected="one freeze frame of one module",
                    next="give the replies of one alone",
                )
            )
    code, values, notes = "", dict[int, float](), []
    taken = {value.pid for value in NAMES.values()}
    for answer in answers:
        pid = answer.pid
        if pid == _STORED_BY:
            # "none": two zero bytes, no frame is stored.
            stored = "P0000" if answer.text == "none" else answer.text
            if code not in ("", stored):
                raise UserError(_twice(answer))
            code = stored
        elif pid in taken and answer.values and answer.values[0].exact is not None:
            assert pid is not None
            number = float(answer.values[0].exact)
            if values.get(pid, number) != number:
                raise UserError(_twice(answer))
            values[pid] = number
        elif answer.kind == "parameter":
            notes.append(f"freeze frame: {answer.title} {answer.text} is not used")
    notes += [f"freeze frame, line {r.line}: {r.text}" for r in decoded.remarks]
    if not code and not values:
        raise UserError(
            Problem(
                found="a freeze frame of which nothing could be read",
                expected=FORM,
                next="paste the replies again, or type the values",
            )
        )
    return FrameRead(frame_from_parameters(values, code), tuple(dict.fromkeys(notes)))


def _problem(found: str, why: str) -> Problem:
    return Problem(
        found=f"{found} ({why})",
        expected=FORM,
        next="paste it again, leave it out, or type the values",
        field="freeze frame",
    )


def _twice(answer: Answer) -> Problem:
    return Problem(
        found=f"{answer.title} twice, with different values",
        expected="each value once",
        next="give the replies of one reading",
        field="freeze frame",
    )
