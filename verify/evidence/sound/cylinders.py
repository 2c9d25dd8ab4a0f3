"""How likely the told number of cylinders is, by the lines between the multiples of the firing.

No two cylinders are alike, so an engine of n also sounds at n-ths of its firing, and at those of
the divisors of n. How strongly differs from engine to engine; a smooth one tells nothing. So this
only ever adds doubt to what somebody counted: it is no way to count cylinders.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from verify.evidence.sound.orders import CYLINDERS

# Somebody who looks the number up is wrong about once in a hundred (common practice, no source).
TOLD_WRONG = 0.01
# How usual engines of other numbers are (common practice, no source).
USUAL: Mapping[int, float] = {2: 0.04, 3: 0.20, 4: 0.50, 5: 0.03, 6: 0.15, 8: 0.08}
# dB of the lines at n-ths where the engine can have them, and where there is only noise between
# what other cylinders do (mean, standard deviation), from engines made for the tests: 231 of them,
# with unlike cylinders, pipes and noise. One line in ten is anything.
CAN_DB, CANNOT_DB = (4.7, 2.7), (3.0, 1.1)
ANYTHING, ANYTHING_DB, MOST_DB = 0.1, 12.0, 10.0


def cylinder_odds(
    parts_db: Mapping[int, float], told: int, weight: Callable[[int], float]
) -> dict[int, float]:
    """Probability of each number of cylinders, the told one among them; sums to 1.

    parts_db: n → dB of the lines at n-ths of the firing; {} leaves what was told at its prior.
    weight: how usual the engine speed would be with this many.
    """
    others = [n for n in CYLINDERS if n != told]
    share = sum(USUAL[n] for n in others)
    logs: dict[int, float] = {}
    for n in (told, *others):
        prior = 1.0 - TOLD_WRONG if n == told else TOLD_WRONG * USUAL[n] / share
        logs[n] = math.log(prior * max(weight(n), 1e-6)) + sum(
            math.log(_density(level, CAN_DB if n % d == 0 else CANNOT_DB))
            for d, level in parts_db.items()
        )
    most = max(logs.values())
    odds = {n: math.exp(value - most) for n, value in logs.items()}
    total = sum(odds.values())
    return {n: value / total for n, value in odds.items()}


def _density(level: float, form: tuple[float, float]) -> float:
    mean, spread = form
    z = (min(max(level, 0.0), MOST_DB) - mean) / spread
    bell = math.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi))
    return (1.0 - ANYTHING) * bell + ANYTHING / ANYTHING_DB
