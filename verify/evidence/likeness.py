"""Whether two recordings hold the same drive, by what they say and not by their bytes. Pure.

A file that was exported again, trimmed, or changed in one place has other bytes and shows nothing
new. Two drives of one car agree here and there, never reading for reading over many changes. How
surprising an agreement is, is counted in bits, so that files in which hardly anything moves (key
on, engine off) are never said to be the same by it: they may well be alike by chance.

What this cannot see: readings to each of which something was added, and a file of which a short
stretch alone is left.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verify.evidence.recording import Array, Channel, Recording

Ints = NDArray[np.int64]

# What an agreement must be worth. By chance alone it happens once in 2⁶⁴ places; a drive of an hour
# has 2¹² to 2¹⁴ of them. The rest is a margin, as neighbouring steps are not independent.
LEAST_BITS = 64.0
# And over how long: many readings of one second are one event.
LEAST_S = 10.0
# How many changes of a channel after each other are looked for in the other file.
_RUN = 5
_LAGS = 8
# The share of readings that may differ in the same drive: rounded another way, or changed by hand.
_DIFFER = 0.1
_MOST_BITS = 8.0
_SAME_LAG_S = 0.25
# Whole numbers up to here are exact; what is larger, counted in steps, is no reading.
_MOST_STEPS = 2.0**52
SKETCHED = 8
# Of so many hashes at least so many are those of another recording before that one is looked at.
SKETCH_LEAST = 3
_SKETCH_RUN, _SKETCH_BITS = 12, 1.5


@dataclass(frozen=True, slots=True)
class SharedStretch:
    """Where the newer of two recordings repeats the older.

    begin_s, end_s: in the times of the newer one; channel: where it shows best; bits: how much the
    agreement is worth, above `LEAST_BITS`; newer_s: how long the newer one is.
    """

    channel: str
    begin_s: float
    end_s: float
    bits: float
    newer_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.begin_s


def shared_stretch(older: Recording, newer: Recording) -> SharedStretch | None:
    """The stretch of the newer recording that is the older one's, None where there is none.

    Source of the score: the log-likelihood ratio of "the same reading" (of which one in ten may
    differ) against "another drive", whose steps are drawn as often as they occur in these files;
    its largest partial sum is the stretch (Kadane). Readings that did not move count for nothing.
    """
    found: list[SharedStretch] = []
    for name in sorted(older.channels.keys() & newer.channels.keys()):
        a, b = older.channels[name], newer.channels[name]
        step = max(a.resolution, b.resolution) or _smallest(a, b)
        if not max(_largest(a), _largest(b)) < _MOST_STEPS * step:
            continue
        bits = _bits_of_a_step(a, b, step)
        for lag in _lags(a, b, step) if bits > 0 else ():
            stretch = _best(a, b, lag, step, bits)
            if stretch is not None:
                begin_s, end_s, worth = stretch
                found.append(SharedStretch(name, begin_s, end_s, worth, newer.seconds))
    enough = [s for s in found if s.bits >= LEAST_BITS and s.seconds >= LEAST_S]
    return max(enough, key=lambda s: s.seconds, default=None)


def sketch(recording: Recording) -> tuple[str, ...]:
    """A few runs of readings by which a recording is found again among many, without reading them.

    Each is twelve changes after each other of a channel that moves by varied steps, as a hash; of
    all of them the smallest are kept, so that a file cut by a tenth keeps nearly all. () where
    nothing moves enough. What is found by it is held against the recording itself. The hashes
    stand in entries: what they are made of never changes.
    """
    found = [np.zeros(0, dtype=np.uint64)]
    for name in sorted(recording.channels):
        channel = recording.channels[name]
        step = channel.resolution
        if not step > 0 or not _largest(channel) < _MOST_STEPS * step:
            continue
        if _bits_of_a_step(channel, channel, step) < _SKETCH_BITS:
            continue
        _, places = _changes(channel, step)
        if len(places) < _SKETCH_RUN:
            continue
        rows = np.lib.stride_tricks.sliding_window_view(places, _SKETCH_RUN)
        seed = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
        mixed = np.full(len(rows), seed, dtype=np.uint64)
        for column in range(_SKETCH_RUN):
            # The finaliser of SplitMix64 (Steele, Lea, Flood 2014), from memory; any mixing would
            # do. Products wrap around, as they should.
            mixed ^= rows[:, column].astype(np.uint64)
            mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
            mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
            mixed ^= mixed >> np.uint64(31)
        found.append(mixed)
    smallest = np.unique(np.concatenate(found))[:SKETCHED]
    return tuple(f"{int(h):016x}" for h in smallest)


def _largest(channel: Channel) -> float:
    return float(np.abs(channel.values).max(initial=0.0))


def _smallest(a: Channel, b: Channel) -> float:
    """What counts as one step where readings show none: no number is written more exactly."""
    return 1e-6 * max(_largest(a), _largest(b)) or 1.0


def _changes(channel: Channel, step: float) -> tuple[Array, Ints]:
    """(times, values in whole steps) of the readings that are another one than that before."""
    places: Ints = np.rint(channel.values / step).astype(np.int64)
    moved = np.concatenate(([True], np.diff(places) != 0)) if len(places) else np.zeros(0, bool)
    return channel.time_s[moved], places[moved]


def _bits_of_a_step(a: Channel, b: Channel, step: float) -> float:
    """How much it says that both channels moved by the same: −log₂ of how often two changes taken
    at random are alike (collision entropy)."""
    steps = np.concatenate([np.diff(_changes(c, step)[1]) for c in (a, b)])
    if len(steps) < 2:
        return 0.0
    _, counts = np.unique(steps, return_counts=True)
    alike = float((counts * (counts - 1)).sum()) / (len(steps) * (len(steps) - 1))
    return min(-float(np.log2(max(alike, 1 / len(steps)))), _MOST_BITS)


def _lags(a: Channel, b: Channel, step: float) -> Iterator[float]:
    """By how many seconds b may have to be moved to lie on a; the most likely first.

    From runs of changes that occur once in each.
    """
    (time_a, runs_a), (time_b, runs_b) = (_runs(*_changes(c, step)) for c in (a, b))
    _, in_a, in_b = np.intersect1d(runs_a, runs_b, assume_unique=True, return_indices=True)
    lags = np.sort(time_a[in_a] - time_b[in_b])
    for _ in range(_LAGS):
        if not len(lags):
            return
        upto = np.searchsorted(lags, lags + _SAME_LAG_S, side="right")
        many = upto - np.arange(len(lags))
        at = int(np.argmax(many))
        yield float(np.median(lags[at : upto[at]]))
        lags = np.concatenate((lags[:at], lags[upto[at] :]))


def _runs(time_s: Array, places: Ints) -> tuple[Array, NDArray[np.void]]:
    """Runs of changes that occur once, each as one value to compare, with when it began."""
    if len(places) < _RUN:
        return np.zeros(0), np.zeros(0, dtype=f"V{8 * _RUN}")
    rows = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(places, _RUN))
    runs = rows.view(f"V{8 * _RUN}").ravel()
    once, first, counts = np.unique(runs, return_index=True, return_counts=True)
    single = counts == 1
    return time_s[first[single]], once[single]


def _best(
    a: Channel, b: Channel, lag: float, step: float, bits: float
) -> tuple[float, float, float] | None:
    """(begin, end, bits) of the stretch of b that agrees best with a, moved by `lag`."""
    moved_s = b.time_s + lag
    near = np.clip(np.searchsorted(a.time_s, moved_s), 1, len(a.time_s) - 1)
    near -= moved_s - a.time_s[near - 1] < a.time_s[near] - moved_s
    apart = np.abs(a.time_s[near] - moved_s)
    reach = 0.5 * max(a.interval_s, b.interval_s)
    both = apart <= reach
    if np.count_nonzero(both) < _RUN:
        return None
    time_s, own, other = b.time_s[both], b.values[both], a.values[near[both]]
    # Half a step is what rounding takes; the rest is for the rounding of the arithmetic.
    agree = np.abs(own - other) <= 0.51 * step
    changed = np.concatenate(([False], np.abs(np.diff(own)) > 0.51 * step))
    gain = max(bits + np.log2(1 - _DIFFER), 0.0)
    loss = np.log2(_DIFFER / (1 - 2.0**-bits))
    score = np.where(agree, np.where(changed, gain, 0.0), min(loss, 0.0))
    return _largest_sum(time_s, score)


def _largest_sum(time_s: Array, score: Array) -> tuple[float, float, float]:
    total = np.concatenate(([0.0], np.cumsum(score)))
    lowest = np.minimum.accumulate(total)
    end = int(np.argmax(total - lowest))
    begin = int(np.argmin(total[: end + 1]))
    if end == begin:
        return float(time_s[0]), float(time_s[0]), 0.0
    return float(time_s[begin]), float(time_s[end - 1]), float(total[end] - total[begin])
