"""A number on its limits, drawn as a line: where it lies, how far its doubt reaches, where it ends.

├────[======== limits ========]──────┤
               ├──●──┤  value ± doubt (k = 2)
"""

from __future__ import annotations

import math

from verify.evidence.verdict import CheckResult
from verify.report.canvas import BAND, FAIL, INK, OPEN, PASS
from verify.words import Verdict

WIDTH, HEIGHT = 220.0, 16.0
_EDGE = 4.0
_COLOURS = {Verdict.PASS: PASS, Verdict.FAIL: FAIL, Verdict.UNDECIDED: OPEN}


def strip_svg(result: CheckResult) -> str:
    """The strip of one result; "" where it has no number with doubt and limits."""
    limits, value, doubt = result.limits, result.value, result.uncertainty
    if limits is None or value is None or doubt is None or limits.unit != result.unit:
        return ""
    reach = 2.0 * abs(doubt)
    ends = [e for e in (limits.lower, limits.upper) if e is not None]
    low, high = min(*ends, value - reach, *ends), max(*ends, value + reach, *ends)
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    room = 0.18 * (high - low) or max(abs(high), 1.0) * 0.1
    low, high = low - room, high + room
    scale = (WIDTH - 2 * _EDGE) / (high - low)

    def at(number: float) -> float:
        return round(_EDGE + (number - low) * scale, 1)

    left = at(limits.lower) if limits.lower is not None else 0.0
    right = at(limits.upper) if limits.upper is not None else WIDTH
    middle = HEIGHT / 2
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" '
        f'width="{WIDTH:g}" height="{HEIGHT:g}">',
        f'<line x1="0" x2="{WIDTH:g}" y1="{middle}" y2="{middle}" stroke="#c9ced4"/>',
        f'<rect x="{left}" y="3" width="{max(right - left, 0.5):.1f}" height="{HEIGHT - 6}" '
        f'fill="{BAND}"/>',
    ]
    parts += [
        f'<line x1="{at(e)}" x2="{at(e)}" y1="1" y2="{HEIGHT - 1}" stroke="{PASS}" '
        'stroke-dasharray="2.5 1.5"/>'
        for e in ends
    ]
    begin, end, dot = at(value - reach), at(value + reach), at(value)
    if end - begin > 1.0:
        parts.append(
            f'<path d="M{begin} {middle}H{end}M{begin} {middle - 3}v6M{end} {middle - 3}v6" '
            f'stroke="{INK}" stroke-width="1.1" fill="none"/>'
        )
    colour = _COLOURS[result.verdict]
    if result.verdict is Verdict.PASS:
        parts.append(f'<circle cx="{dot}" cy="{middle}" r="3.4" fill="{colour}"/>')
    elif result.verdict is Verdict.FAIL:
        parts.append(
            f'<path d="M{dot} {middle - 4.4}l4.4 4.4l-4.4 4.4l-4.4 -4.4z" fill="{colour}"/>'
        )
    else:
        parts.append(
            f'<circle cx="{dot}" cy="{middle}" r="3.1" fill="#fff" stroke="{colour}" '
            'stroke-width="1.6"/>'
        )
    return "".join((*parts, "</svg>"))
