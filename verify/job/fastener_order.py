"""The order of fasteners, as numbers of the drawing in the service information. Pure."""

from __future__ import annotations

import re

from verify.errors import Problem, UserError

_APART = re.compile(r"\s*(?:->|→|,|;|\s|-|–)\s*")
_NUMBER = re.compile(r"[A-Za-z]?\d{1,3}|[A-Za-z]")


def order_of(text: str) -> tuple[str, ...]:
    """The numbers or letters of an order ("1 3 2 4", "A-C-B-D"), capitals; () where the text is
    something else, such as a description in words."""
    found = tuple(piece for piece in _APART.split(text.strip().strip(".")) if piece)
    if len(found) < 2 or not all(_NUMBER.fullmatch(piece) for piece in found):
        return ()
    return tuple(piece.upper() for piece in found)


def order_kept(said: bool | None, done: str, wanted: str) -> bool | None:
    """Whether the order was kept: as said, and as the two orders compare where both are given.

    A comparison never makes better what somebody said went wrong. Raises UserError where an order
    to compare with is given and one of the two is no order.
    """
    if not wanted:
        return said
    for field, text in (("done", done), ("wanted", wanted)):
        if not order_of(text):
            raise UserError(
                Problem(
                    found=f'"{text}"' if text else "no order",
                    expected="both orders, as the numbers of the drawing",
                    next='write for example "1 3 2 4", or leave out the order to compare with',
                    field=field,
                )
            )
    return said is not False and order_of(done) == order_of(wanted)
