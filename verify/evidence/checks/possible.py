"""Readings that no car can have: under wrong units, or from a broken sensor or logger.

Every check is guarded alike, by the catalogue: where the channels it names hold such readings, what
it found may still be a fault, and is no pass. So too where two sensors of their own read the same
numbers all along: a column was copied, or mapped twice, and shows nothing of the other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from verify.evidence.channels import quantities
from verify.evidence.checks.kind import Check
from verify.evidence.recording import Channel, Recording
from verify.evidence.sharing import shared
from verify.evidence.spans import reach

# A stray reading now and then is the business of the check itself (common practice).
STRAY_SHARE = 0.01
# Sensors of their own: two of these never tell the same numbers to the last digit while they move.
APART = (
    ("throttle", "throttle_b"), ("pedal_d", "pedal_e"), ("throttle", "pedal"),
    ("throttle", "pedal_d"), ("throttle", "pedal_e"), ("fuel_trim_short", "fuel_trim_short_2"),
)  # fmt: skip
LEAST_CHANGES = 10
_NAME = re.compile(r"[a-z0-9_]+")
_ASIDE = re.compile(r"\(.*?\)")


def impossible(check: Check, recordings: Sequence[Recording]) -> tuple[str, str]:
    """(which channel of this check reads what no car can have, what settles it); "" where none.

    Bounds: seeds/channels.csv, each with its source. And no two sensors read one number all along.
    """
    for channel in _named(check, recordings):
        count = beyond(channel)
        if count > STRAY_SHARE * len(channel.values):
            own = quantities()[channel.name]
            low, high = float(channel.values.min()), float(channel.values.max())
            worst = high if high > own.high else low
            return (
                f"{channel.name.replace('_', ' ')} reads {worst:.4g} {own.unit}, which no car has "
                f"({own.low:g} to {own.high:g} {own.unit}; {count} of {len(channel.values)} "
                "readings lie beyond)",
                "look at the unit of that column, or at the sensor and its plug, and record again",
            )
    names = {n for words in check.channels for n in _NAME.findall(_ASIDE.sub("", words))}
    for recording in recordings:
        for one, other in APART:
            if one in names and other in names and _copied(recording, one, other):
                return (
                    f"{one.replace('_', ' ')} and {other.replace('_', ' ')} read the same to the "
                    "last digit all along, which no two sensors of a car do: one column stands for "
                    "both",
                    "look what each of the two columns holds, and record or export them again",
                )
    return "", ""


def _copied(recording: Recording, one: str, other: str) -> bool:
    a, b = recording.channels.get(one), recording.channels.get(other)
    if a is None or b is None or len(a.values) != len(b.values):
        return False
    alike = np.array_equal(a.values, b.values) and np.array_equal(a.time_s, b.time_s)
    return alike and int(np.count_nonzero(np.diff(a.values))) >= LEAST_CHANGES


def strays(check: Check, recordings: Sequence[Recording]) -> bool:
    """Whether a channel of this check holds any such reading at all."""
    return any(beyond(channel) for channel in _named(check, recordings))


def _named(check: Check, recordings: Sequence[Recording]) -> Iterator[Channel]:
    """The channels that stand by name in the words of the check, as far as they were recorded."""
    names = dict.fromkeys(n for words in check.channels for n in _NAME.findall(words))
    for recording in recordings:
        for name in names:
            if name in quantities() and (channel := recording.channels.get(name)) is not None:
                yield channel


@shared
def beyond(channel: Channel) -> int:
    """How many readings lie outside what the table of channels calls possible."""
    own, values = quantities()[channel.name], channel.values
    if not len(values):
        return 0
    low, high = reach(channel)
    if own.low <= low and high <= own.high:
        return 0
    return int(np.count_nonzero((values < own.low) | (values > own.high)))
