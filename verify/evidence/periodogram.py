"""Looking for one slow oscillation in unevenly spaced readings (Lomb–Scargle).

Stands apart from the checks because it is signal arithmetic; they say what an oscillation means.
Oracles in the tests: `scipy.signal.lombscargle`, and the ENSO data of NIST StRD.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from verify.evidence.recording import Array
from verify.values import dataclass


@dataclass(frozen=True, slots=True)
class Oscillation:
    """The strongest oscillation of a series.

    amplitude, amplitude_uncertainty: half of its peak-to-peak, with standard uncertainty, in the
    unit of the series. share: of the variance it explains, in [0, 1]. false_alarm: probability
    that noise without any oscillation shows one as strong.
    """

    period_s: float
    amplitude: float
    amplitude_uncertainty: float
    share: float
    false_alarm: float


def normalised_power(time_s: Array, values: Array, frequencies_hz: Array) -> Array:
    """Share of the variance that a sinusoid of each frequency explains, in [0, 1].

    time_s, values: shape (n,), n ≥ 3; the mean is removed here. frequencies_hz: shape (m,), > 0.
    Source: Scargle 1982, normalised by the sum of squares.
    """
    y = values - values.mean()
    squares = float(y @ y)
    if squares <= 0.0:
        return np.zeros_like(frequencies_hz)
    angle = (2.0 * np.pi * frequencies_hz)[:, None] * time_s[None, :]
    cosine, sine = np.cos(angle), np.sin(angle)
    yc, ys = cosine @ y, sine @ y
    cc = np.einsum("ij,ij->i", cosine, cosine)
    cs = np.einsum("ij,ij->i", cosine, sine)
    ss = len(y) - cc
    # The projection on both waves at once; the same as Scargle's delay that makes them orthogonal.
    determinant = cc * ss - cs * cs
    joint = ss * yc**2 + cc * ys**2 - 2.0 * cs * yc * ys
    alone = np.where(cc >= ss, yc**2 / np.maximum(cc, 1e-9), ys**2 / np.maximum(ss, 1e-9))
    free = determinant > 1e-9 * len(y) ** 2
    power = np.where(free, joint / np.where(free, determinant, 1.0), alone)
    result: Array = np.clip(power / squares, 0.0, 1.0)
    return result


def strongest_oscillation(
    time_s: Array, values: Array, shortest_s: float, longest_s: float
) -> Oscillation | None:
    """The strongest oscillation with a period between the two bounds, or None.

    None where the series is constant, too short (< 8 readings), or the bounds leave no room.
    """
    if len(values) < 8 or not 0.0 < shortest_s < longest_s:
        return None
    time_s = time_s - time_s[0]
    span = float(time_s[-1])
    low, high = 1.0 / longest_s, 1.0 / shortest_s
    # Five steps to the width of a peak, 1/span: the best one then loses under 2 % of amplitude,
    # and the refining below takes that back.
    steps = max(8, math.ceil(5.0 * span * (high - low)) + 1)
    frequencies = np.linspace(low, high, steps)
    power = normalised_power(time_s, values, frequencies)
    best = int(np.argmax(power))
    if not power[best] > 0.0:
        return None
    frequency = frequencies[best]
    for width in (frequencies[1] - frequencies[0], (frequencies[1] - frequencies[0]) / 8.0):
        fine = np.linspace(max(low, frequency - width), min(high, frequency + width), 17)
        fine_power = normalised_power(time_s, values, fine)
        frequency = fine[int(np.argmax(fine_power))]
    share = float(normalised_power(time_s, values, np.array([frequency]))[0])
    amplitude, uncertainty = _amplitude(time_s, values, float(frequency))
    alarm = false_alarm_probability(share, time_s, high)
    return Oscillation(1.0 / float(frequency), amplitude, uncertainty, share, alarm)


def _amplitude(time_s: Array, values: Array, frequency_hz: float) -> tuple[float, float]:
    """Least squares a + b·cos + c·sin: amplitude √(b² + c²) and its standard uncertainty."""
    angle = 2.0 * np.pi * frequency_hz * time_s
    design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    coefficients, *_ = np.linalg.lstsq(design, values, rcond=None)
    residual = values - design @ coefficients
    spread = math.sqrt(float(residual @ residual) / max(1, len(values) - 3))
    amplitude = float(np.hypot(coefficients[1], coefficients[2]))
    return amplitude, spread * math.sqrt(2.0 / len(values))


def amplitude_in_parts(
    time_s: Array, values: Array, period_s: float, part_s: float
) -> tuple[float, float] | None:
    """(amplitude, standard uncertainty) of an oscillation whose phase slips.

    One sinusoid over a whole series is the weaker the more its phase wanders; in parts that are
    short against that it is less so. Each part has a frequency of its own, half the width of its
    peak away at most. The root of the mean square over the parts, less what the noise alone puts
    into each: with n readings of residual deviation s, 2 s²/n for each of the two waves, and as
    much for the frequency. None with fewer than two parts of six readings.
    """
    parts = max(1, int((time_s[-1] - time_s[0]) / part_s))
    edges = time_s[0] + (time_s[-1] - time_s[0]) * np.arange(1, parts) / parts
    places = [0, *np.searchsorted(time_s, edges).tolist(), len(time_s)]
    if parts < 2 or min(b - a for a, b in pairwise(places)) < 6:
        return None
    near = 1.0 / period_s + 0.5 / part_s * np.linspace(-1.0, 1.0, 9)
    near = near[near > 0.5 / period_s]
    own = []
    for a, b in pairwise(places):
        t, v = time_s[a:b] - time_s[a], values[a:b]
        own.append(_amplitude(t, v, float(near[np.argmax(normalised_power(t, v, near))])))
    squares = np.array([a * a - 3.0 * u * u for a, u in own])
    amplitude = math.sqrt(max(0.0, float(squares.mean())))
    told = math.sqrt(sum(u * u for _, u in own)) / parts
    scatter = float(np.std([a for a, _ in own], ddof=1)) / math.sqrt(parts)
    return amplitude, max(told, scatter)


def false_alarm_probability(share: float, time_s: Array, highest_hz: float) -> float:
    """How probable it is that white noise on these times shows a peak of this share somewhere.

    highest_hz: the frequencies from near 0 up to it were searched.
    Source: Baluev 2008, bound for the least-squares periodogram normalised by the total variance.
    """
    n = len(time_s)
    if share >= 1.0:
        return 0.0
    single = (1.0 - share) ** (0.5 * (n - 3))
    effective_span = math.sqrt(4.0 * math.pi * float(np.var(time_s)))
    gamma = math.sqrt(2.0 / (n - 1)) * math.exp(
        math.lgamma(0.5 * (n - 1)) - math.lgamma(0.5 * (n - 2))
    )
    tau = (
        gamma
        * highest_hz
        * effective_span
        * (1.0 - share) ** (0.5 * (n - 4))
        * math.sqrt(0.5 * (n - 1) * share)
    )
    alarm: float = 1.0 - (1.0 - single) * math.exp(-tau)
    return min(1.0, max(0.0, alarm))
