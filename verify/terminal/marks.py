"""The marks of a verdict, their words and their colours: one home, the same on every screen.

A mark never stands alone: its word is beside it or in the legend above it, so that nothing is lost
without colour, in print, or to a screen reader. The colours stay apart for colour-blind eyes.
"""

from __future__ import annotations

from verify.words import Verdict

MARKS = {Verdict.PASS: "✓", Verdict.FAIL: "✗", Verdict.UNDECIDED: "?"}
WORDS = {Verdict.PASS: "PASS", Verdict.FAIL: "FAIL", Verdict.UNDECIDED: "UNDECIDED"}
# Blue and orange of the palette of Okabe and Ito (from memory); the grey reads on black and white.
COLOURS = {Verdict.PASS: "#0072b2", Verdict.FAIL: "#d55e00", Verdict.UNDECIDED: "#767676"}
STYLES = {verdict: f"bold {colour}" for verdict, colour in COLOURS.items()}

NOTED = "·"
"""What is not required: kept for the record, and no ground for anything."""
STOPPED = "■"
LEGEND = (
    f"{MARKS[Verdict.PASS]} passed   {MARKS[Verdict.FAIL]} failed   "
    f"{MARKS[Verdict.UNDECIDED]} open   {NOTED} not required"
)
