"""A plate that does not move though it was told to, or though the pedal did.

Part of `throttle-follow`, before it asks how far off the plate stands.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verify.evidence.checks.follow_errors import PRESSED_POINTS
from verify.evidence.checks.kind import Check
from verify.evidence.checks.plate_kind import PEDALS, shown_throttled
from verify.evidence.holds import first_channel
from verify.evidence.positions import Positions, early_positions
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Window
from verify.evidence.windows import standing

# Less movement than this while pedal or command moved by so much.
PINNED_POINTS, CLEARLY_POINTS, FOLLOWS_RPM = 2.0, 15.0, 300.0
MOST_POSITIONS = 400


def windows_of(main: Positions) -> list[Window]:
    pressed = np.flatnonzero(main.x >= np.min(main.x) + PRESSED_POINTS)[:MOST_POSITIONS]
    return [
        Window(int(main.place[i]), float(main.start_s[i]), float(main.end_s[i]))
        for i in pressed.tolist()
    ]


def surely_moves(recordings: Sequence[Recording], usable: Sequence[int]) -> bool:
    """Whether held pedals show within the first readings that the plate is not pinned."""
    for place in usable:
        recording = recordings[place]
        mover = first_channel(recording, PEDALS)
        if mover is None:
            continue
        still, plate = standing(recording).spans, recording.channels["throttle"]
        seen = early_positions(recording, mover, plate, still)
        on = seen.only(seen.on)
        if len(on) and np.ptp(on.y) > PINNED_POINTS:
            return True
    return False


def pinned(
    check: Check,
    recordings: Sequence[Recording],
    by_pedal: Positions | None,
    by_command: Positions | None,
) -> CheckResult | None:
    """A plate that does not move though it was told to, or though the pedal did."""
    if by_command is not None and len(by_command):
        asked, seen = float(np.ptp(by_command.x)), float(np.ptp(by_command.y))
        if asked >= CLEARLY_POINTS and seen <= PINNED_POINTS:
            return check.result(
                "not-moving",
                f"the command went over {asked:.0f} points and the plate moved {seen:.1f}.",
                windows=windows_of(by_command),
                samples=int(by_command.samples.sum()),
            )
    if by_pedal is None or not len(by_pedal):
        return None
    on = by_pedal.only(by_pedal.on)
    if not len(on) or np.ptp(on.x) < CLEARLY_POINTS or np.ptp(on.y) > PINNED_POINTS:
        return None
    resting = on.x <= np.min(on.x) + PRESSED_POINTS
    at = float(np.median(on.y))
    why = f"the plate stayed at {at:.1f} % while the pedal went over {np.ptp(on.x):.0f} points"
    if not shown_throttled(recordings, on, resting):
        rise = float(np.nanmax(on.rpm[~resting]) - np.nanmedian(on.rpm[resting]))
        if rise >= FOLLOWS_RPM:
            return check.result(
                "not-this-kind",
                f"{why}, yet the engine followed by {rise:.0f} rpm: either its plate is not there "
                "to follow the pedal, or the recording does not show the plate.",
                settle="record intake manifold pressure as well, parked, with the same presses",
            )
    return check.result(
        "fixed-opening",
        f"{why} with the engine running.",
        windows=windows_of(on),
        samples=int(on.samples.sum()),
    )
