"""Readings that no car can have: under wrong units, or from a broken sensor or logger.

Every check is guarded alike, by the catalogue: where the channels it names hold such readings, what
it found may still be a fault, and is no pass.
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
_NAME = re.compile(r"[a-z0-9_]+")


def impossible(check: Check, recordings: Sequence[Recording]) -> str:
    """ "" or which channel of this check reads what no car can have, in one sentence's words.

    Bounds: seeds/channels.csv, each with its source.
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
                "readings lie beyond)"
            )
    return ""


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
