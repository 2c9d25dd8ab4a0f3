"""Whether what is heard is an engine and no imitation: what its blocks of sound say together.

A hiss that swells with the note, cycles that are never alike (`varies`), and none of them that
comes again. Above `listening`, which hears the blocks, and below `speed`, which says what is
lacking.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array, Recording
from verify.evidence.sound.varies import MOST_VARIES, VARIES

# The hiss of whatever does not fire is not in step with the note: see `swell`.
LEAST_SWELL = 0.3
# No two combustions at idle are alike. Their scatter, with that of their times, as a share of the
# sound of a blow, is greater than this (common practice, no source), and than what the tracking
# leaves of a sound that has none (0.09 on made-up ones), by so many standard errors.
LEAST_SCATTER, SCATTER_SIGMA = 0.11, 3.0
# A block with less of the note than this share of the fullest one shows little of it.
FULL_SHARE = 0.25
# No block knows the square of it better than this, so that none counts for all.
LEAST_ERROR = 0.001
# Share of what is left of the cycles that comes again in a loop: so much in half of the blocks,
# after the same time or a multiple of it; less where it is after the same time in all of them; or
# so much alone. Made-up engines leave up to 0.1, and never after the same time.
LEAST_REPEATS, ALIKE_REPEATS, SURELY_REPEATS, ROUND_SHARE = 0.1, 0.06, 0.25, 0.015


def cut_off(recording: Recording) -> str:
    """What to put behind a reason where much of the sound is cut off; "" where it is not."""
    clipped = recording.channels.get("sound_clipped")
    if clipped is not None and len(clipped.values) and float(clipped.values[0]) > 2.0:
        return f"; {float(clipped.values[0]):.0f} of 100 samples are cut off: set too loud"
    return ""


def swelling(recording: Recording) -> float:
    """How far the hiss swells with the note, in most of the blocks."""
    channel = recording.channels.get("note_swell")
    if channel is None or not len(channel.values):
        return 0.0
    return float(np.median(channel.values[_full_blocks(recording, len(channel.values))]))


def _full_blocks(recording: Recording, count: int) -> NDArray[np.bool_]:
    """Which blocks have enough of the note: not the one in which it ends, if it does so soon."""
    note, starts = recording.channels.get("note"), recording.channels.get("note_lines")
    if note is None or starts is None or len(starts.time_s) != count:
        return np.ones(count, np.bool_)
    place = np.searchsorted(starts.time_s, note.time_s, side="right") - 1
    many = np.bincount(place[place >= 0], minlength=count)
    result: NDArray[np.bool_] = many >= FULL_SHARE * many.max()
    return result


def too_alike(recording: Recording) -> tuple[str, str] | None:
    """(finding, why) where no two cycles are heard to differ as an engine's do, or where the same
    ones come again; None where they differ."""
    columns = [recording.channels.get(f"note_varies_{name}") for name in VARIES]
    rows = [c.values for c in columns if c is not None and len(c.values)]
    known = len(rows) == len(VARIES) and len({len(r) for r in rows}) == 1
    if not (known and all(np.all(np.abs(r) <= MOST_VARIES) for r in rows)):
        return "cycle-not-heard", "whether one cycle differs from the next is not known"
    full = _full_blocks(recording, len(rows[0]))
    square, error, repeats, round_s = (r[full] for r in rows)
    found = _rounds(repeats, round_s)
    if found > 0.0:
        return "too-even", f"the same sounds come again every {found:.1f} s, as those of a loop do"
    weight = 1.0 / (np.square(error) + LEAST_ERROR**2)
    mean = float(weight @ square / weight.sum())
    doubt = float(weight.sum()) ** -0.5
    if mean >= LEAST_SCATTER**2 and mean >= SCATTER_SIGMA * doubt:
        return None
    # Far below none it is something else that is loud between the blows.
    if -2.0 * doubt < mean < LEAST_SCATTER**2 - 2.0 * doubt and not cut_off(recording):
        return (
            "too-even",
            f"one cycle is like the next to within {100 * math.sqrt(max(0.0, mean)):.0f} % of its "
            "sound; of an engine no two are so alike, of an imitation they are",
        )
    return (
        "cycle-not-heard",
        "that no two cycles are alike, as an engine's never are, is not heard" + cut_off(recording),
    )


def _rounds(repeats: Array, round_s: Array) -> float:
    """Seconds after which what is left of the cycles comes again, in most blocks alike; 0 where it
    does not. A hum that beats with the engine does so too, but never after the same time."""
    half = max(2, math.ceil(0.5 * len(repeats)))
    strong = round_s[repeats >= SURELY_REPEATS]
    if len(strong) > 0.5 * len(repeats):
        return float(np.median(strong))
    same = len(round_s) > 1 and np.ptp(round_s) < ROUND_SHARE * float(np.min(round_s))
    if same and float(np.median(repeats)) >= ALIKE_REPEATS:
        return float(np.median(round_s))
    clear = round_s[(repeats >= LEAST_REPEATS) & (round_s > 0.0)]
    for own in np.sort(clear).tolist():
        times = clear / own
        if np.count_nonzero(np.abs(times - np.round(times)) < ROUND_SHARE * times) >= half:
            return float(own)
    return 0.0
