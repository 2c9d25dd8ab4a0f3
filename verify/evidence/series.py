"""Statistics of readings that follow one another: how much they are worth.

Stands between the windows and the measurements. Pieces are windows' readings; nothing here looks
across the border between two of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verify.evidence.recording import Array
from verify.values import dataclass

# With more readings than this, means of so many in a row stand for them: minutes are as well known
# by 30,000 as by a million.
MANY_READINGS = 1 << 15
# Numbers transformed at once, at most.
FFT_CELLS = 1 << 18

# Lags up to this share b of all readings; and how much wider than normal that makes the quantile of
# 97.5 %: (1.96 + 2.9694 b + 0.4160 b² − 0.5324 b³) / 1.96.
WANDER_SHARE = 0.5
WANDER_WIDENS = 1.7766


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
    Kendall 1954). The deviation is freed of the bias that correlation gives it. Of more readings
    than MANY_READINGS the means of blocks are looked at in the place of the readings.
    Raises ValueError with fewer than 2 readings.
    """
    count = sum(len(p) for p in pieces)
    if count < 2:
        raise ValueError("a spread needs two readings")
    everything = joined(pieces)
    mean = float(everything.mean())
    off = everything - mean
    squares = float(np.sum(np.square(off, out=off)))
    if squares <= 0.0:
        return Spread(mean, 0.0, 1.0, count)
    blocks = -(-count // MANY_READINGS)
    if blocks == 1:
        effective = _effective([p - mean for p in pieces], squares)
    else:
        # The mean of block means is the same mean: how well it is known, they tell as well.
        means = [m - mean for m in _block_means([p for p in pieces if len(p)], blocks)]
        own = float(sum(m @ m for m in means))
        worth, many = _effective(means, own, blocks=True), sum(len(m) for m in means)
        effective = (squares / count) / max(own / many, 1e-300) * worth
    effective = min(float(count), max(1.0, effective))
    remaining = max(1.0 - 1.0 / effective, 1.0 / count)
    return Spread(mean, math.sqrt(squares / (count * remaining)), effective, count)


def joined(pieces: Sequence[Array]) -> Array:
    """One behind the other; a single piece as it is."""
    if len(pieces) == 1:
        return pieces[0]
    return np.concatenate(list(pieces)) if pieces else np.empty(0)


def wandering_uncertainty(pieces: Sequence[Array]) -> float:
    """Standard uncertainty of the mean that bears a wander about as slow as the windows are long.

    pieces: as in `mean_with_effective_size`; they are looked at one behind the other. Correlations
    over seconds, where there is noise as well, hide a small wander over half a minute, which no
    averaging within two minutes removes. So the variance of the mean is taken from lags up to half
    of all readings (Bartlett's weights); that is itself known badly, and by how badly the result is
    widened, so that ± 1.96 of it hold the mean in 95 of 100 series however long the memory, as long
    as the series is longer.
    Source: Kiefer and Vogelsang 2005, "A new asymptotic theory for heteroskedasticity-
    autocorrelation robust tests", table 1 (from memory; the tests draw its quantile anew).
    0.0 with fewer than 8 readings.
    """
    count = sum(len(p) for p in pieces)
    if count < 8:
        return 0.0
    series = joined(pieces)
    blocks = -(-count // MANY_READINGS)
    if blocks > 1:
        (series,) = _block_means([series], blocks)
    series = series - series.mean()
    squares = float(series @ series)
    if squares <= 0.0:
        return 0.0
    n = len(series)
    lags = max(1, int(WANDER_SHARE * n))
    correlation = _autocorrelation([series], squares)[:lags]
    weights = 1.0 - np.arange(lags) / lags
    variance = squares / n * (2.0 * float(weights @ correlation) - 1.0)
    return WANDER_WIDENS * math.sqrt(max(0.0, variance) / n)


def _effective(deviations: Sequence[Array], squares: float, *, blocks: bool = False) -> float:
    """How many independent readings these are worth. deviations: from the common mean.

    blocks: they are means of blocks. Where readings forget each other evenly, as in AR(1), their
    block means do so too, but from a first step on that is larger: ρ_k = c φ^k with c above 1.
    """
    lengths = [len(d) for d in deviations]
    count, windows = sum(lengths), len(lengths)
    if squares <= 0.0:
        return float(count)
    correlation = _autocorrelation(deviations, squares)
    share = 1.0
    phi = _unbiased_ar1(correlation, count, windows)
    if blocks and len(correlation) > 2 and phi > 3.0 / math.sqrt(count):
        first = float(correlation[1]) * count / (count - windows)
        second = float(correlation[2]) * count / max(1, count - 2 * windows)
        phi = min(0.9999, max(1e-3, second / first))
        share = first / phi
    inflation = count / ar1_effective_size(lengths, phi)
    return min(
        float(count),
        count / _positive_sequence(correlation),
        count / (1.0 + share * (inflation - 1.0)),
    )


def _block_means(pieces: Sequence[Array], block: int) -> list[Array]:
    """Of each piece the means of `block` readings in a row; of the rest too where it is all there
    is."""
    many = [len(p) // block for p in pieces]
    whole = [p[: n * block] for p, n in zip(pieces, many, strict=True) if n]
    means = joined(whole).reshape(-1, block).mean(axis=1)
    ends = np.cumsum(many).tolist()
    return [
        means[end - n : end] if n else np.array([p.mean()])
        for p, n, end in zip(pieces, many, ends, strict=True)
    ]


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
    alike: dict[int, list[Array]] = {}
    for d in deviations:
        alike.setdefault(1 << (2 * len(d) - 1).bit_length(), []).append(d)
    for size, own in alike.items():
        # Pieces of about one length together: a drive may be cut into thousands.
        for first in range(0, len(own), max(1, FFT_CELLS // size)):
            block = own[first : first + max(1, FFT_CELLS // size)]
            padded = np.zeros((len(block), size))
            for row, d in zip(padded, block, strict=True):
                row[: len(d)] = d
            spectrum = np.fft.rfft(padded, axis=1)
            power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
            n = max(len(d) for d in block)
            total[:n] += np.fft.irfft(power, size)[:n]
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
