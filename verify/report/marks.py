"""The marks as pictures, the same on paper and on a screen: their shapes differ, not only colours.

A mark always stands beside its word, so to a screen reader it is an ornament.
"""

from __future__ import annotations

from collections.abc import Mapping

from verify.report.canvas import FAIL, OPEN, PASS
from verify.report.document import Mark

STOP_INK = "#111111"
COLOURS: Mapping[Mark, str] = {
    Mark.PASS: PASS,
    Mark.FAIL: FAIL,
    Mark.OPEN: OPEN,
    Mark.NOTED: "#6b6b6b",
    Mark.GRAVE: FAIL,
    Mark.LOOK: OPEN,
    Mark.STOP: STOP_INK,
    Mark.GO: PASS,
}


def _svg(inner: str) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 20">{inner}</svg>'


_TICK = '<path d="M5.6 10.4l3 3l5.8 -6.6" fill="none" stroke="#fff" stroke-width="2.2"/>'
_CROSS = '<path d="M7 7l6 6M13 7l-6 6" fill="none" stroke="#fff" stroke-width="2.2"/>'
_ASK = (
    '<path d="M7.3 8c0 -3.6 5.4 -3.6 5.4 -0.2c0 2.2 -2.7 2 -2.7 4.1M10 14v1.6" fill="none" '
    f'stroke="{OPEN}" stroke-width="1.9"/>'
)
_OCTAGON = "M6 0.6h8l5.4 5.4v8l-5.4 5.4h-8l-5.4 -5.4v-8z"

MARK_SVG: Mapping[Mark, str] = {
    Mark.PASS: _svg(f'<circle cx="10" cy="10" r="9" fill="{PASS}"/>{_TICK}'),
    Mark.GO: _svg(f'<circle cx="10" cy="10" r="9" fill="{PASS}"/>{_TICK}'),
    Mark.FAIL: _svg(f'<path d="M10 0L20 10L10 20L0 10z" fill="{FAIL}"/>{_CROSS}'),
    Mark.OPEN: _svg(
        f'<circle cx="10" cy="10" r="8.4" fill="#fff" stroke="{OPEN}" stroke-width="1.6"/>{_ASK}'
    ),
    Mark.NOTED: _svg('<circle cx="10" cy="10" r="3.4" fill="#8a9099"/>'),
    Mark.GRAVE: _svg(
        f'<path d="M10 1.2L19.6 18.6H0.4z" fill="{FAIL}"/>'
        '<path d="M10 7v6M10 14.6v2" fill="none" stroke="#fff" stroke-width="2"/>'
    ),
    Mark.LOOK: _svg(
        f'<rect x="2.5" y="2.5" width="15" height="15" fill="#fff" stroke="{OPEN}" '
        f'stroke-width="1.8"/><path d="M10 5.6v5.6M10 12.6v2" fill="none" stroke="{OPEN}" '
        'stroke-width="2"/>'
    ),
    Mark.STOP: _svg(
        f'<path d="{_OCTAGON}" fill="{STOP_INK}"/>'
        '<path d="M6 10h8" fill="none" stroke="#fff" stroke-width="3.4"/>'
    ),
}
# The same on black ground, for the panel that says STOP.
STOP_ON_BLACK = _svg(
    f'<path d="{_OCTAGON}" fill="#fff"/>'
    f'<path d="M5.2 10h9.6" fill="none" stroke="{STOP_INK}" stroke-width="4"/>'
)
