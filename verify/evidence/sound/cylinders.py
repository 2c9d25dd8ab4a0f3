"""Octave and number of cylinders, weighed by how often the engine's cycle comes.

The firing alone leaves both open: half the speed, or half the cylinders, sound alike. The cycle
does not: its lines lie at rpm / 120 whatever fires when (see `cycles`). So the octave that was
heard by how high the lines stand, and the number of cylinders that was told, must together lead to
the spacing that is heard. Where they do, both are borne out; where another pair does, that pair is
the likelier one; where no spacing is heard, what was told stands on nothing but itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction

from verify.evidence.sound.cycles import SPACINGS
from verify.evidence.sound.orders import CYLINDERS, RATIOS

# Somebody who looks the number up is wrong about once in a hundred (common practice, no source).
TOLD_WRONG = 0.01
# How usual engines of other numbers are (common practice, no source).
USUAL: Mapping[int, float] = {2: 0.04, 3: 0.20, 4: 0.50, 5: 0.03, 6: 0.15, 8: 0.08}
# How much likelier (natural logarithm) the spacing that is told must make the lines than any other
# one and than none: 150 to 1, over the whole recording.
LEAST_MARGIN = 5.0
# However clear, the spacing moves an octave by no more than this (400 to 1), so that it alone never
# decides against how high the lines stand; a number of cylinders by more, as only a person's word
# stands there.
MOST_FOR_OCTAVE, MOST_FOR_CYLINDERS = 6.0, 9.0
# Share of engines so smooth that lines are heard at a multiple of their cycle only: for those a
# finer spacing than the one that is heard stays possible (common practice, no source).
SMOOTH_SHARE = 0.1
OCTAVES: tuple[Fraction, ...] = tuple(
    sorted({Fraction(a, b) / Fraction(c, d) for a, b in RATIOS for c, d in RATIOS})
)

Evidence = Mapping[Fraction, float]


def spacing_of_firing(
    rows: Sequence[Mapping[Fraction, float]], bases: Sequence[Fraction]
) -> dict[Fraction, float]:
    """Evidence of each spacing, as a share of the chosen firing, over all blocks together.

    rows: for each block what `spacing_evidence` says of shares of its note; bases: the chosen
    firing as a multiple of each block's note.
    """
    found: dict[Fraction, float] = {}
    for row, base in zip(rows, bases, strict=True):
        for spacing in SPACINGS:
            share = spacing / base
            found[share] = found.get(share, 0.0) + row.get(spacing, 0.0)
    return found


def margin(evidence: Evidence, cylinders: int) -> float:
    """How far the spacing of so many cylinders is ahead of every other one and of none."""
    own = Fraction(1, cylinders)
    others = [value for share, value in evidence.items() if share != own]
    return evidence[own] - max(others) if own in evidence and others else 0.0


def borne_out(evidence: Evidence) -> bool:
    """Whether one spacing is ahead of every other one and of none."""
    ranked = sorted(evidence.values())
    return len(ranked) > 1 and ranked[-1] - ranked[-2] >= LEAST_MARGIN


def octave_weights(evidence: Evidence, cylinders: int) -> dict[Fraction, float]:
    """Weight of each octave (multiple of the chosen firing), 1 for the one that the heard spacing
    fits best; all 1 where no spacing is heard."""
    if not borne_out(evidence):
        return dict.fromkeys(OCTAVES, 1.0)
    return {o: _fit(evidence, o / cylinders, MOST_FOR_OCTAVE) for o in OCTAVES}


def _fit(evidence: Evidence, own: Fraction, most: float) -> float:
    """How well a spacing fits what is heard, beside the one that fits best."""
    best = max(evidence, key=lambda s: evidence[s])
    if own == best:
        return 1.0
    fits = math.exp(max(-most, evidence.get(own, -math.inf) - evidence[best]))
    return max(fits, SMOOTH_SHARE) if (best / own).denominator == 1 else fits


def cylinder_odds(
    evidence: Evidence,
    told: int,
    octaves: Mapping[Fraction, float],
    weight: Callable[[Fraction, int], float],
) -> dict[int, float]:
    """Probability of each number of cylinders, the told one among them; sums to 1.

    octaves: odds of each multiple of the chosen firing by how high its lines stand; weight: how
    usual the engine speed would be at this multiple with so many cylinders.
    """
    others = [n for n in CYLINDERS if n != told]
    share = sum(USUAL[n] for n in others)
    heard = borne_out(evidence)
    odds: dict[int, float] = {}
    for n in (told, *others):
        prior = 1.0 - TOLD_WRONG if n == told else TOLD_WRONG * USUAL[n] / share
        total = 0.0
        for octave, probability in octaves.items():
            fits = _fit(evidence, octave / n, MOST_FOR_CYLINDERS) if heard else 1.0
            total += probability * fits * max(weight(octave, n), 1e-6)
        odds[n] = prior * total
    total = sum(odds.values())
    return {n: value / total for n, value in odds.items()}
