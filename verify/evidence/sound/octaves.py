"""Which multiple of the followed note the firing is, and what speaks for it.

First by how high the lines stand (`orders`) and how usual the speed would be, then once more by the
spacing of the engine's cycle (`cycles`, `cylinders`). All that may be meant is kept with its odds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.cycles import MOST, SPACINGS, spacing_name
from verify.evidence.sound.cylinders import (
    TOLD_WRONG,
    cylinder_odds,
    margin,
    octave_weights,
    spacing_of_firing,
)
from verify.evidence.sound.firing import BLOCK_S
from verify.evidence.sound.listening import LEAST_BLOCK_S
from verify.evidence.sound.orders import RATIO_VALUES, RATIOS

# How usual an engine speed is for an engine that is told to idle, before anything is heard (common
# practice, no source): upper end of the range, weight beside 1 for an ordinary idle.
USUAL_RPM: tuple[tuple[float, float], ...] = (
    (350.0, 0.01), (450.0, 0.05), (550.0, 0.4), (1000.0, 1.0), (1250.0, 0.5), (1700.0, 0.1),
    (2500.0, 0.02), (math.inf, 0.005),
)  # fmt: skip
# Share of engines that sound as if they fired half as often: uneven by design, or with a cylinder
# that does not fire. Twins often are uneven (common practice, no source). Nothing in the sound
# tells such an engine from an even one at half its speed.
UNEVEN_SHARE: Mapping[int, float] = {2: 0.5}
ANY_UNEVEN_SHARE, IN_PAIRS = 0.03, (6,)
# Octaves of blocks that lie within this of each other are one.
SAME_SHARE = 0.2
LONGEST_BLOCK_S = BLOCK_S + LEAST_BLOCK_S
MOST_SHOWN = 6


@dataclass(frozen=True, slots=True)
class Alternative:
    """One reading of the note: rpm, the multiple of the chosen one, its probability."""

    rpm: float
    of_chosen: float
    probability: float


def usual(rpm: float) -> float:
    """Weight of an engine speed before anything is heard."""
    return next(weight for upper, weight in USUAL_RPM if rpm < upper)


@dataclass(frozen=True, slots=True)
class Chosen:
    """times, rpm: what was followed, at the likeliest octave; alternatives: that one first.

    steps: the octaves of the alternatives, as multiples of the chosen firing. bases: of each block
    that is used, its place and the firing as a multiple of its note. octaves: odds of each multiple
    of the chosen firing by how high its lines stand alone. cylinders: probability of each number of
    them; margin: how far the cycle of the told one is ahead of any other.
    """

    times: Array
    rpm: Array
    alternatives: tuple[Alternative, ...] = ()
    steps: tuple[Fraction, ...] = ()
    bases: tuple[tuple[int, Fraction], ...] = ()
    octaves: Mapping[Fraction, float] = field(default_factory=dict)
    cylinders: Mapping[int, float] = field(default_factory=dict)
    margin: float = 0.0


def choose(note: Channel, block_s: Array, odds: Array, cylinders: int) -> Chosen:
    """One octave for all blocks, the likeliest one by how high the lines stand.

    Each block's odds are weighed with how usual its speed would be. The odds of a whole recording
    are the mean of those of its blocks, not their product: what makes one block's octave look
    wrong, a pipe or a cylinder, makes it in all of them.
    """
    place = np.searchsorted(block_s, note.time_s, side="right") - 1
    near = (place >= 0) & (note.time_s < block_s[place] + LONGEST_BLOCK_S)
    middles = np.array(
        [
            float(np.median(note.values[near & (place == b)]))
            if np.any(near & (place == b))
            else 0.0
            for b in range(len(block_s))
        ]
    )
    rpm = middles[:, None] * RATIO_VALUES[None, :] * 120.0 / cylinders
    mixed = _or_uneven(odds, cylinders)
    weighed = mixed * np.vectorize(usual)(rpm)
    weighed /= np.maximum(weighed.sum(axis=1, keepdims=True), 1e-12)
    weighed[middles <= 0.0] = 0.0
    # The speed that most odds agree on: each block's own candidates are the ones asked.
    flat, worth = rpm.ravel(), weighed.ravel()
    sums = np.array(
        [float(worth[np.abs(flat / r - 1.0) < SAME_SHARE].sum()) if r > 0 else 0.0 for r in flat]
    )
    centre = float(flat[int(sums.argmax())])
    if not centre > 0.0:
        return Chosen(np.zeros(0), np.zeros(0))
    chosen = np.abs(np.log(np.maximum(rpm, 1e-9) / centre)).argmin(axis=1)
    rows = np.arange(len(block_s))
    fits = np.abs(rpm[rows, chosen] / centre - 1.0) < SAME_SHARE
    used = near & fits[place]
    values = note.values * RATIO_VALUES[chosen[place]] * 120.0 / cylinders
    heard = np.flatnonzero(middles > 0.0)
    found: dict[Fraction, float] = {}
    alone: dict[Fraction, float] = {}
    for b in heard.tolist():
        for r, ratio in enumerate(RATIOS):
            base = Fraction(*RATIOS[chosen[b]])
            if not fits[b]:
                off = centre / (middles[b] * 120.0 / cylinders)
                base = Fraction(off).limit_denominator(24)
            factor = Fraction(*ratio) / base if base else Fraction(0)
            found[factor] = found.get(factor, 0.0) + float(weighed[b, r]) / len(heard)
            alone[factor] = alone.get(factor, 0.0) + float(mixed[b, r]) / len(heard)
    level = float(np.median(values[used])) if used.any() else centre
    ranked = sorted(found.items(), key=lambda item: (item[0] != 1, -item[1]))
    return Chosen(
        note.time_s[used],
        values[used],
        tuple(Alternative(level * float(f), float(f), p) for f, p in ranked),
        tuple(f for f, _ in ranked),
        tuple((b, Fraction(*RATIOS[chosen[b]])) for b in heard.tolist() if fits[b]),
        alone,
    )


def weigh_spacing(recording: Recording, chosen: Chosen, told: int) -> Chosen:
    """The octave weighed once more, by the spacing of the cycle, and the number of cylinders."""
    as_told = replace(chosen, cylinders={told: 1.0 - TOLD_WRONG})
    if not chosen.alternatives or not chosen.bases:
        return as_told
    columns = [recording.channels.get(spacing_name(s)) for s in SPACINGS]
    rows: list[dict[Fraction, float]] = [{} for _ in chosen.bases]
    for spacing, column in zip(SPACINGS, columns, strict=True):
        if column is None or len(column.values) <= chosen.bases[-1][0]:
            return as_told
        own = column.values[[b for b, _ in chosen.bases]]
        if not np.all(np.abs(own) <= MOST):
            return as_told
        for row, value in zip(rows, own.tolist(), strict=True):
            row[spacing] = value
    evidence = spacing_of_firing(rows, [base for _, base in chosen.bases])
    weights = octave_weights(evidence, told)
    least = min(weights.values())
    odds = {
        octave: probability * weights.get(octave, least)
        for octave, probability in zip(chosen.steps, _odds(chosen), strict=True)
    }
    total = sum(odds.values()) or 1.0
    best = max(odds, key=lambda o: (odds[o], o == 1))
    scaled = {share / best: value for share, value in evidence.items()}
    octaves = {octave / best: p for octave, p in chosen.octaves.items()}
    level = chosen.alternatives[0].rpm * float(best)
    ranked = sorted(odds.items(), key=lambda item: (item[0] != best, -item[1]))
    return replace(
        chosen,
        rpm=chosen.rpm * float(best),
        alternatives=tuple(
            Alternative(level * float(o / best), round(float(o / best), 2), p / total)
            for o, p in ranked[:MOST_SHOWN]
        ),
        cylinders=cylinder_odds(
            scaled, told, octaves, lambda octave, n: usual(level * float(octave) * told / n)
        ),
        margin=margin(scaled, told),
    )


def _odds(chosen: Chosen) -> list[float]:
    return [a.probability for a in chosen.alternatives]


def _or_uneven(odds: Array, cylinders: int) -> Array:
    """The odds when an engine may also fire unevenly, and so sound like one of half its firing, or,
    where it does so in pairs, of half as much again."""
    share = UNEVEN_SHARE.get(cylinders, ANY_UNEVEN_SHARE)
    mixed: Array = (1.0 - share) * odds
    for place, value in enumerate(RATIO_VALUES.tolist()):
        for times, part in ((0.5, 1.0), (1.5, 0.5 if cylinders in IN_PAIRS else 0.0)):
            other = np.flatnonzero(np.abs(RATIO_VALUES - times * value) < 1e-9)
            if len(other):
                mixed[:, place] += part * share * odds[:, other[0]]
    return mixed
