"""Statistics of readings that follow one another: how much they are worth, and their extremes.

Stands between the windows and the measurements. Pieces are windows' readings; nothing here looks
across the border between two of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verify.evidence.distributions import normal_quantile
from verify.evidence.recording import Array


@dataclass(frozen=True, slots=True)
class Spread:
    """mean, deviation (standard deviation of one reading), and the number of independent readings
    that as many correlated ones are worth."""

    mean: float
    deviation: float
    effective: float
    samples: int


def mean_with_effective_size(pieces: Sequence[Array]) -> Spread:
    """The mean over all pieces, with the effective number of independent readings.

    pieces: each shape (n_i,), evenly spaced readings in time order.
    Deviations are taken from the common mean, so a level that differs from window to window shows
    as correlation inside each of them, and many readings of two windows are worth little more
    than two. The smaller of two estimates is used: Geyer's initial positive sequence, and the
    AR(1) form with its coefficient freed of the small-sample bias (Marriott and Pope 1954,
    Kendall 1954). The deviation is freed of the bias that correlation gives it.
    Raises ValueError with fewer than 2 readings.
    """
    count = sum(len(p) for p in pieces)
    if count < 2:
        raise ValueError("a spread needs two readings")
    everything = np.concatenate(list(pieces))
    mean = float(everything.mean())
    squares = float(np.sum((everything - mean) ** 2))
    if squares <= 0.0:
        return Spread(mean, 0.0, 1.0, count)
    deviations = [p - mean for p in pieces]
    correlation = _autocorrelation(deviations, squares)
    effective = min(
        float(count),
        count / _positive_sequence(correlation),
        ar1_effective_size(
            [len(p) for p in pieces], _unbiased_ar1(correlation, count, len(pieces))
        ),
    )
    effective = max(1.0, effective)
    remaining = max(1.0 - 1.0 / effective, 1.0 / count)
    return Spread(mean, math.sqrt(squares / (count * remaining)), effective, count)


def ar1_effective_size(lengths: Sequence[int], phi: float) -> float:
    """Independent readings that windows of these lengths are worth when neighbours correlate phi.

    n / (1 + (2/n) Σ_windows Σ_k (n_w − k) φ^k), the exact variance of the mean of an AR(1) process.
    A negative phi counts as 0: no more is claimed than there are readings.
    """
    count = sum(lengths)
    if phi <= 0.0:
        return float(count)
    excess = 0.0
    for n in lengths:
        # Σ_{k=1}^{n−1} (n − k) φ^k in closed form.
        excess += phi * (n * (1.0 - phi) - (1.0 - phi**n)) / (1.0 - phi) ** 2
    return count / (1.0 + 2.0 * excess / count)


def _autocorrelation(deviations: Sequence[Array], squares: float) -> Array:
    """ρ_k over all pieces, k = 0 … longest − 1, divided by the full sum of squares (so that long
    lags, of which there are few pairs, count little)."""
    longest = max(len(d) for d in deviations)
    total = np.zeros(longest)
    for d in deviations:
        n = len(d)
        size = 1 << (2 * n - 1).bit_length()
        spectrum = np.fft.rfft(d, size)
        total[:n] += np.fft.irfft(spectrum * spectrum.conj(), size)[:n]
    result: Array = total / squares
    return result


def _positive_sequence(correlation: Array) -> float:
    """1 + 2 Σ ρ_k, the sum ended where the sum of two neighbours is no longer positive."""
    even = len(correlation) // 2 * 2
    pairs = correlation[:even].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0.0)
    if negative.size:
        pairs = pairs[: negative[0]]
    return max(1.0, 2.0 * float(pairs.sum()) - 1.0)


def _unbiased_ar1(correlation: Array, count: int, windows: int) -> float:
    """φ from ρ_1, never up to 1.

    Two biases are taken back: each window has one pair of neighbours fewer than readings, and
    E[r_1] ≈ φ − (1 + 3φ)/n when the mean is estimated too.
    """
    if len(correlation) < 2 or count - windows < 2 or count <= 4:
        return 0.0
    neighbours = float(correlation[1]) * count / (count - windows)
    return min(0.999, (count * neighbours + 1.0) / (count - 3.0))


def spreads(pieces: Sequence[Array], *, ddof: int) -> tuple[list[float], list[float]]:
    """(standard deviation of each piece, its peak-to-peak).

    Pieces of one length are taken together: of a long recording there are thousands.
    """
    deviations, ranges = [0.0] * len(pieces), [0.0] * len(pieces)
    alike: dict[int, list[int]] = {}
    for i, piece in enumerate(pieces):
        alike.setdefault(len(piece), []).append(i)
    for places in alike.values():
        block = np.stack([pieces[i] for i in places])
        own = block.std(axis=1, ddof=ddof).tolist(), np.ptp(block, axis=1).tolist()
        for i, deviation, reach in zip(places, *own, strict=True):
            deviations[i], ranges[i] = deviation, reach
    return deviations, ranges


def missed_half_range(deviation: float, readings: float, wanted: float) -> float:
    """How much wider half the peak-to-peak may truly be than `readings` readings show.

    Noise shows wider extremes the more often one looks: the expected range of n independent normal
    readings grows with n. This is the difference between `wanted` looks and those there were.
    Expected maximum after Blom (1958): Φ⁻¹((n − 3/8)/(n + 1/4)).
    """
    if readings >= wanted:
        return 0.0
    return deviation * (_expected_maximum(wanted) - _expected_maximum(max(2.0, readings)))


def _expected_maximum(n: float) -> float:
    return normal_quantile((n - 0.375) / (n + 0.25))
